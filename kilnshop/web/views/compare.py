"""What if: a charge beside the same one with another fill, moisture, schedule, season or tariff."""

from dataclasses import asdict
from urllib.parse import urlencode

from django.shortcuts import render
from django.urls import path, reverse

from kilnshop.charges import comparing
from kilnshop.orders.models import Quote
from kilnshop.shop.models import Chamber
from kilnshop.shop.queries import shop_today
from kilnshop.shop.roles import May
from kilnshop.web import costs, units
from kilnshop.web.forms.compare import ChangeForm, ComparedForm
from kilnshop.web.templatetags.shopfloor import (
    day,
    halves,
    kwh,
    money,
    number,
    per_volume,
    range_days,
    range_of,
    volume,
)

COLUMNS = "bcd"
AS_PLANNED = "As planned"
GIVEN = ("Wood", "Schedule")  # chosen, not estimated


def address(lots, chamber=None, first_day=None, schedule_code="") -> str:
    """The page with a charge of these lots."""
    asked = {
        "chamber": chamber and chamber.pk,
        "first_day": first_day and first_day.isoformat(),
        "schedule_code": schedule_code,
    }
    asked = {name: value for name, value in asked.items() if value}
    return f"{reverse('compare')}?{urlencode({**asked, 'lot': [lot.pk for lot in lots]}, doseq=True)}"


def compared(quote: Quote) -> str:
    """The page with the lots of a saved quote, in its chamber; empty where it has lots no more."""
    lots = quote.order.lots.all()
    return (
        address(lots, Chamber.objects.filter(name=quote.figures["chamber"], active=True).first())
        if lots
        else ""
    )


def _forms(request) -> tuple[ComparedForm, list[ChangeForm]]:
    first = Chamber.objects.filter(active=True).first()
    usual = {"first_day": shop_today().isoformat(), "chamber": first and first.pk}
    base = ComparedForm(usual | _given(request))
    priced = request.user.may(May.SEE_MARGINS)
    data = request.GET
    if "b-fill_pct" not in data and base.is_valid():
        data = _usual(base, request.shop)
    return base, [ChangeForm(data, prefix=letter, priced=priced) for letter in COLUMNS]


def _given(request) -> dict:
    names = ("chamber", "first_day", "schedule_code")
    given = {name: request.GET[name] for name in names if request.GET.get(name)}
    return given | {"lot": request.GET.getlist("lot")}


def _usual(base: ComparedForm, shop) -> dict:
    """The first columns of a page just opened."""
    try:
        changes = comparing.usual(shop=shop, **_charge(base))
    except ValueError:
        return {}
    return {
        f"{letter}-{name}": f"{value:g}" if isinstance(value, float) else value
        for letter, change in zip(COLUMNS, changes, strict=True)
        for name, value in asdict(change).items()
        if value
    }


def _charge(base: ComparedForm) -> dict:
    given = base.cleaned_data
    return {
        "chamber": given["chamber"],
        "lots": list(given["lot"]),
        "first_day": given["first_day"],
        "schedule_code": given["schedule_code"],
    }


def _result(request, base: ComparedForm, changes: list[ChangeForm]) -> dict:
    wrong = [
        f"{form[name].label}: {error}"
        for form in (base, *changes)
        for name, errors in form.errors.items()
        for error in errors
    ]
    if wrong:
        return {"problems": wrong}
    asked = [form.change() for form in changes if any(form.cleaned_data.values())]
    try:
        columns = comparing.compare(shop=request.shop, changes=asked, **_charge(base))
    except ValueError as error:
        return {"problems": [f"{str(error)[:1].upper()}{str(error)[1:]}"]}
    owner = request.user.may(May.SEE_MARGINS)
    heads = [_head(column) for column in columns]
    shown = [
        (label, [cell(column) if column.estimate else "" for column in columns])
        for label, cell in _rows(owner)
    ]
    against = ["", *(_against(column, columns[0], owner) for column in columns[1:])]
    return {
        "heads": heads,
        "rows": [
            {
                "label": label,
                "plain": label in GIVEN,
                "cells": [{"head": h, "text": t} for h, t in zip(heads, cells, strict=True)],
            }
            for label, cells in shown
        ],
        "against": [
            {"head": head, "text": column.problem or text, "problem": bool(column.problem)}
            for head, text, column in zip(heads, against, columns, strict=True)
        ],
        "workings": [
            {"head": head, "rows": costs.facts(column.cost)}
            for head, column in zip(heads, columns, strict=True)
            if owner and column.cost and column.cost.total is not None
        ],
    }


def _head(column: comparing.Column) -> str:
    words = "; ".join(column.changed)
    return words[:1].upper() + words[1:] if words else AS_PLANNED


def _rows(owner: bool):
    """(label, how a column writes it)."""
    per = units.unit("per_mbf").symbol
    rows = [
        ("Wood", lambda c: f"{volume(c.volume_bf)}, {c.estimate.fill * 100:.0f} % full"),
        ("Schedule", lambda c: c.estimate.schedule_code),
        ("Days in the kiln", lambda c: range_days(c.estimate.days) if c.finishes else "does not finish"),
        (f"Chamber-days {per}", lambda c: number(per_volume(c.days_per_mbf), 1)),
        ("Electricity", lambda c: f"{range_of(_tens(c.estimate.kwh.total))} kWh"),
        (f"kWh {per}", lambda c: kwh(per_volume(c.kwh_per_mbf))),
        ("Chamber held", lambda c: f"{c.days.length} days from {day(c.days.first_day)}"),
        ("Could be promised for", lambda c: day(c.ready_on) if c.finishes else "–"),
    ]
    if owner:
        rows += [
            ("Electricity cost", lambda c: money(c.cost.electricity and c.cost.electricity.total)),
            ("Cost with chamber-days", lambda c: money(c.cost.total)),
            (f"Cost {per}", lambda c: money(per_volume(c.cost.per_mbf))),
            (f"Cost {per} and 1 % MC", lambda c: money(per_volume(c.cost.per_mbf_point))),
        ]
    return rows


def _tens(span) -> tuple[float, float]:
    return round(span.low, -1), round(span.high, -1)


def _against(column: comparing.Column, planned: comparing.Column, owner: bool) -> str:
    """What the change comes to, in words."""
    if column.estimate is None or planned.estimate is None:
        return ""
    if not column.finishes:
        return "does not reach its target"
    per = units.unit("per_mbf").symbol
    said = [
        _moved(column.estimate.days.expected - planned.estimate.days.expected, 0.5, lambda d: f"{halves(d)} days", "longer", "shorter"),
        _moved(column.kwh_per_mbf - planned.kwh_per_mbf, 5, lambda d: f"{kwh(per_volume(d))} {per}", "more", "less"),
    ]  # fmt: skip
    if (
        owner
        and column.cost
        and planned.cost
        and column.cost.per_mbf is not None
        and planned.cost.per_mbf is not None
    ):
        said.append(_moved(column.cost.per_mbf - planned.cost.per_mbf, 0.5, lambda d: f"{money(per_volume(d))} {per}", "more", "less"))  # fmt: skip
    return ", ".join(filter(None, said)) or "no difference to speak of"


def _moved(by, least: float, write, more: str, less: str) -> str:
    return f"{write(abs(by))} {more if by > 0 else less}" if abs(by) >= least else ""


def compare(request):
    base, changes = _forms(request)
    result = _result(request, base, changes) if request.GET.get("do") else {}
    lots = list(base.cleaned_data["lot"]) if base.is_bound and base.is_valid() else []
    return render(request, "charges/compare.html", {"base": base, "changes": changes, "lots": lots, **result})


def compare_result(request):
    """The table alone, for the page while it is typed on."""
    return render(request, "charges/compare_result.html", _result(request, *_forms(request)))


urlpatterns = [
    path("compare/", compare, name="compare"),
    path("compare/result/", compare_result, name="compare_result"),
]
