"""How promises were kept, and the week sheet for the wall."""

import datetime as dt
from collections import Counter

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone

from kilnshop.charges import week
from kilnshop.documents import render as papers
from kilnshop.reports import promises as report
from kilnshop.shop.queries import shop_today

YEAR = dt.timedelta(days=365)


def promises(request):
    today = shop_today()
    found = report.fared(since=today - YEAR, today=today)
    counts = Counter(row.outcome for row in found)
    return render(
        request,
        "orders/promises.html",
        {
            "rows": found,
            "counts": {
                word: counts[word] for word in (report.KEPT, report.MOVED, report.BROKEN, report.OPEN)
            },
            "due": len(found) - counts[report.OPEN],
        },
    )


def week_sheet(request, form):
    if form not in ("print", "pdf"):
        raise Http404("There is no such paper.")
    try:
        asked = dt.date.fromisoformat(request.GET.get("from", ""))
    except ValueError:
        asked = shop_today()
    if not dt.date(2000, 1, 1) <= asked <= dt.date(2200, 1, 1):
        asked = shop_today()
    page = papers.html("week", week.sheet(week.monday(asked), request.shop, timezone.now()))
    if form == "print":
        return HttpResponse(page)
    try:
        return HttpResponse(papers.pdf(page), content_type="application/pdf")
    except papers.PdfUnavailable as error:
        messages.error(request, str(error))
        return redirect("calendar")


urlpatterns = [
    path("promises/", promises, name="promises"),
    path("calendar/week/<str:form>/", week_sheet, name="week_sheet"),
]
