"""The pages for what went wrong, in plain words."""

from django.http import HttpResponseServerError
from django.shortcuts import render
from django.template import loader


def bad_request(request, exception=None):
    return render(request, "errors/400.html", status=400)


def forbidden(request, exception=None):
    return render(request, "errors/403.html", {"why": str(exception or "")}, status=403)


def csrf_failed(request, reason=""):
    return render(request, "errors/csrf.html", status=403)


def not_found(request, exception=None):
    return render(request, "errors/404.html", status=404)


def server_error(request):
    # no request context: whatever failed must not fail again here
    return HttpResponseServerError(loader.render_to_string("errors/500.html"))
