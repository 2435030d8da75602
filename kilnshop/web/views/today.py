"""What needs a person now."""

from django.shortcuts import render
from django.urls import path, reverse
from django.utils import timezone

from kilnshop.reports.today import today as needed
from kilnshop.shop.queries import set_up_steps
from kilnshop.shop.roles import May
from kilnshop.web.charge_words import opening

PRESS = {
    "late": "stop",
    "due": "caution",
    "soon": "quiet",
    "stop": "stop",
    "caution": "caution",
    "note": "quiet",
}
PLURALS = {
    "hand-over": "hand-overs",
    "charge done": "charges done",
    "start": "charges to start",
    "water": "wet bulbs to water",
    "order promised": "orders promised",
    "promise at risk": "promises at risk",
    "quote lapsing": "quotes lapsing",
    "ticket to invoice": "tickets to invoice",
    "invoice overdue": "invoices overdue",
}
SINGLES = {"reading": "reading due", "start": "charge to start", "water": "wet bulb to water"}


def _count(number: int, kind: str) -> str:
    if number == 1:
        return f"1 {SINGLES.get(kind, kind)}"
    return f"{number} {PLURALS.get(kind, 'readings due' if kind == 'reading' else kind + 's')}"


def _row(task) -> dict:
    return {"task": task, "url": reverse(task.place, args=[task.pk]), "tone": PRESS[task.press]}


def today(request):
    now = timezone.now()
    found = needed(shop=request.shop, person=request.user, now=now)
    groups = (
        ("Alerts", found.alerts),
        ("At the kiln", found.at_the_kiln),
        ("Promised this week", found.promised),
        ("Papers and money", found.papers),
    )
    context = {
        "found": found,
        "total": len(found.tasks),
        "counts": [_count(number, kind) for number, kind in found.counts()],
        "groups": [(title, [_row(task) for task in tasks]) for title, tasks in groups if tasks],
        "running": [
            {"charge": charge, "sentence": opening(charge, now, outlook)} for charge, outlook in found.running
        ],
        "missing": [step for step in set_up_steps() if not step["done"]]
        if request.user.may(May.SET_UP)
        else [],
    }
    return render(request, "today/today.html", context)


urlpatterns = [path("", today, name="today")]
