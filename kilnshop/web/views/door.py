"""The kiln door: a chamber's own address for its label, and what the phone there needs to keep readings."""

from urllib.parse import urlsplit

from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.contrib.staticfiles import finders
from django.http import FileResponse, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import get_object_or_404, render
from django.urls import path, reverse
from django.views.decorators.http import require_safe

from kilnshop.charges import checklists, queries
from kilnshop.documents import figures
from kilnshop.documents import render as papers
from kilnshop.shop.models import Chamber
from kilnshop.shop.papers import shop_block
from kilnshop.shop.queries import shop_today
from kilnshop.shop.roles import May
from kilnshop.web import sheets
from kilnshop.web.access import allowed
from kilnshop.web.views import readings

ONLY_HERE = "A phone cannot open these addresses yet: set KILNSHOP_SITE_URL to the shop's own address, then print again."


@allowed(May.RECORD_READINGS)
@require_safe
def door(request, key):
    """The reading page of whatever is in the chamber now, at an address that stays."""
    chamber = get_object_or_404(Chamber, key=key)
    held = queries.held_by(chamber)
    if held:
        return readings.reading_new(request, held.pk)
    return render(request, "charges/door.html", {"chamber": chamber, "next": queries.next_in(chamber)})


@allowed(May.RECORD_READINGS)
@require_safe
def check(request):
    """Who is signed in, and the token to send with: asked before anything that waited is sent."""
    return JsonResponse(
        {"person": str(request.user.pk), "name": str(request.user), "token": get_token(request)}
    )


@require_safe
@login_not_required
def worker(request):
    """The service worker, at the root so that it may answer for the reading pages."""
    return FileResponse(
        open(finders.find("worker.js"), "rb"),
        content_type="text/javascript",
        headers={"Cache-Control": "no-cache"},
    )


@allowed(May.RUN_CHARGES)
@require_safe
def labels(request, pdf=False):
    """A label for the door of every chamber in use."""
    rows = []
    for chamber in Chamber.objects.filter(active=True):
        address = settings.SITE_URL + reverse("door", args=[chamber.key])
        rows.append({"chamber": chamber.name, "address": address, "qr": figures.qr(address)})
    page = papers.html(
        "door_label",
        {
            "shop": shop_block(request.shop),
            "number": "",
            "issued_on": shop_today(),
            "paper": request.shop.paper,
            "labels": rows,
            "caution": checklists.BEFORE_ENTRY,
        },
        notice=ONLY_HERE if urlsplit(settings.SITE_URL).hostname in ("127.0.0.1", "localhost") else "",
    )
    return sheets.answer(request, page, pdf_name="door labels" if pdf else "", else_to=reverse("door_labels"))


urlpatterns = [
    path("door/<slug:key>/", door, name="door"),
    path("readings/check/", check, name="reading_check"),
    path("worker.js", worker, name="worker"),
    path("set-up/chambers/labels/", labels, name="door_labels"),
    path("set-up/chambers/labels/pdf/", labels, {"pdf": True}, name="door_labels_pdf"),
]
