"""Forms that a phone keeps without a connection (static/waiting.js): it sends them asking for JSON."""

from django.contrib import messages
from django.http import HttpResponse, JsonResponse
from django.shortcuts import redirect


def by_phone(request) -> bool:
    return request.headers.get("Accept") == "application/json"


def saved(request, said: str, *to) -> HttpResponse:
    """What was saved, to the phone that kept it or on the next page."""
    if by_phone(request):
        return JsonResponse({"saved": said})
    messages.success(request, said)
    return redirect(*to)


def refused(request, form) -> JsonResponse | None:
    """What was wrong with a form that a phone sent; None when the page shows it itself."""
    if request.method == "POST" and by_phone(request):
        return JsonResponse({"problems": form.problems()}, status=422)
    return None
