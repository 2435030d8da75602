"""What opens without sign-in: is this ticket genuine, and the calendar at its private address."""

from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.core.cache import cache
from django.http import HttpResponse
from django.shortcuts import render
from django.urls import path
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET

from kilnshop.charges import feeds
from kilnshop.tickets import queries

WRONG_CODES = 60  # from one address, in WRONG_SECONDS, before it has to wait
WRONG_SECONDS = 600


@login_not_required
@require_GET
@never_cache
def confirm(request, code):
    if _guesses(request) >= WRONG_CODES:
        return render(request, "public/wait.html", status=429)
    ticket = queries.by_code(code)
    if ticket is None:
        _wrong(request)
        return render(request, "public/unknown.html", status=404)
    return render(request, "public/confirm.html", {"record": queries.public_view(ticket)})


def _key(request) -> str:
    return f"wrong-codes-{request.META.get('REMOTE_ADDR', '')}"


def _guesses(request) -> int:
    return cache.get(_key(request), 0)


def _wrong(request) -> None:
    cache.add(_key(request), 0, WRONG_SECONDS)
    cache.incr(_key(request))


@login_not_required
@require_GET
@never_cache
def feed(request, key):
    """The calendar for a calendar program."""
    if _guesses(request) >= WRONG_CODES:
        return HttpResponse("Too many wrong addresses. Wait ten minutes.", "text/plain", 429)
    found = feeds.by_key(key)
    if found is None:
        _wrong(request)
        return HttpResponse("This calendar address is unknown or was revoked.", "text/plain", 404)
    now = timezone.now()
    feeds.note_read(feed=found, now=now)
    made = feeds.ical(feed=found, shop=request.shop, now=now, site=settings.SITE_URL)
    return HttpResponse(
        made, "text/calendar; charset=utf-8", headers={"Content-Disposition": 'inline; filename="kilns.ics"'}
    )


urlpatterns = [
    path("t/<str:code>/", confirm, name="confirm"),
    path("calendar/<str:key>.ics", feed, name="feed"),
]
