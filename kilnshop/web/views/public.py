"""The one page without sign-in: is this ticket genuine?"""

from django.contrib.auth.decorators import login_not_required
from django.core.cache import cache
from django.shortcuts import render
from django.urls import path
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET

from kilnshop.tickets import queries

WRONG_CODES = 60  # from one address, in WRONG_SECONDS, before it has to wait
WRONG_SECONDS = 600


@login_not_required
@require_GET
@never_cache
def confirm(request, code):
    key = f"wrong-codes-{request.META.get('REMOTE_ADDR', '')}"
    if cache.get(key, 0) >= WRONG_CODES:
        return render(request, "public/wait.html", status=429)
    ticket = queries.by_code(code)
    if ticket is None:
        cache.add(key, 0, WRONG_SECONDS)
        cache.incr(key)
        return render(request, "public/unknown.html", status=404)
    return render(request, "public/confirm.html", {"record": queries.public_view(ticket)})


urlpatterns = [path("t/<str:code>/", confirm, name="confirm")]
