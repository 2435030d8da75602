"""What charges taught and how good estimates are: the owner's look into the engine."""

from django.contrib import messages
from django.shortcuts import redirect
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from kilnshop.charges.learning import work_out_again
from kilnshop.reports import learning as report
from kilnshop.shop.actions import save_set_up
from kilnshop.shop.queries import the_shop
from kilnshop.shop.roles import May
from kilnshop.web import charts, charts_learning
from kilnshop.web.access import allowed
from kilnshop.web.tables.learning import AsideTable, CountedTable, FigureTable, FinishedTable
from kilnshop.web.templatetags.shopfloor import number
from kilnshop.web.views.shop import page, table

PAGES = (("What they taught", "learning"), ("How good our estimates are", "estimates_compared"))


def learning_page(request, template, context):
    pages = [
        {"word": word, "url": reverse(name), "here": request.path == reverse(name)} for word, name in PAGES
    ]
    return page(request, template, {"pages": pages, **context})


@allowed(May.SET_UP)
def taught(request):
    found = report.lessons()
    sections = [
        {
            "title": one.kind,
            "worked_out_at": one.worked_out_at,
            "table": table(request, FigureTable, one.figures, prefix=f"{index}-") if one.figures else None,
        }
        for index, one in enumerate(found.taught)
    ]
    return learning_page(
        request,
        "shop/learning.html",
        {
            "found": found,
            "sections": sections,
            "counted": table(request, CountedTable, found.counted, prefix="c-"),
            "aside": table(request, AsideTable, found.aside, prefix="s-"),
        },
    )


@require_POST
@allowed(May.SET_UP)
def switch(request):
    shop = the_shop()
    shop.learns = request.POST.get("learns") == "yes"
    save_set_up(row=shop, by=request.user)
    said = "use what your charges taught" if shop.learns else "use the published figures only"
    messages.success(request, f"New estimates {said}. Quotes and plans already made keep theirs.")
    return redirect("learning")


@require_POST
@allowed(May.SET_UP)
def again(request):
    count = work_out_again(by=request.user, now=timezone.now())
    messages.success(request, f"{count} finished charge{'' if count == 1 else 's'} read again.")
    return redirect("learning")


def _facts(word: str, score: report.Score | None) -> list[dict]:
    if score is None:
        return []
    note = f"{score.count} finished charge{'' if score.count == 1 else 's'}"
    return [
        {
            "label": f"{word}, median error",
            "value": number(score.median_off_pct, 0),
            "unit": "%",
            "note": f"half of {note} were nearer",
            "kind": "measured",
        },
        {
            "label": f"{word}, inside the band",
            "value": f"{score.inside} of {score.count}",
            "note": "about 8 of 10 should be",
            "kind": "measured",
        },
    ]


@allowed(May.SET_UP)
def compared(request):
    rows = report.finished()
    days, kwh = [row.days for row in rows], [row.kwh for row in rows if row.kwh]
    return learning_page(
        request,
        "shop/estimates_compared.html",
        {
            "rows": rows,
            "score": report.score(days),
            "facts": [*_facts("Days", report.score(days)), *_facts("Electricity", report.score(kwh))],
            "charts": [
                {
                    "id": f"compared-{key}",
                    "title": title,
                    "spec": charts.dressed(charts_learning.against(found, unit)),
                    "label": f"{title}: estimate across, what came of it upward, one point a charge",
                }
                for key, title, unit, found in (
                    ("days", "Days", "days", [(row.number, row.days) for row in rows]),
                    ("kwh", "Electricity", "kWh", [(row.number, row.kwh) for row in rows if row.kwh]),
                )
                if found
            ],
            "table": table(request, FinishedTable, rows),
        },
    )


urlpatterns = [
    path("set-up/learning/", taught, name="learning"),
    path("set-up/learning/switch/", switch, name="learning_switch"),
    path("set-up/learning/again/", again, name="learning_again"),
    path("set-up/learning/estimates/", compared, name="estimates_compared"),
]
