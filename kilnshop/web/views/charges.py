"""Charges before they run: the list, the plan of a new one, and the calendar of the chambers."""

import datetime as dt
from contextlib import suppress
from functools import partial
from urllib.parse import urlencode

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_POST
from django_tables2 import RequestConfig

from kilnshop.charges import actions, money, moving, planning, queries
from kilnshop.charges.calendar import DAY, Days
from kilnshop.charges.models import Booking, Charge
from kilnshop.orders.estimating import species_names
from kilnshop.orders.queries import untold, waiting_lots
from kilnshop.science import electricity
from kilnshop.shop.models import Chamber
from kilnshop.shop.queries import rate_card_on, shop_today, tariff_on
from kilnshop.shop.roles import May
from kilnshop.web import costs, stacks, timeline
from kilnshop.web.access import allowed
from kilnshop.web.estimates import gallons
from kilnshop.web.forms.charges import (
    CancelForm,
    ChangeForm,
    DaysForm,
    MoveForm,
    OutageDaysForm,
    OutageForm,
    PlanForm,
)
from kilnshop.web.tables.charges import ChargeTable
from kilnshop.web.templatetags.shopfloor import day, kwh, number, range_days, volume, weight
from kilnshop.web.views.compare import address

STATES = [
    ("", "All"),
    *((state, state.capitalize()) for state in ("planned", "running", "dry", "unloaded", "cancelled")),
]
WEEKS = (4, 6, 12)
USUAL_DAYS = 14  # the room looked for before any lot is ticked


def charges(request):
    state = request.GET.get("state", "")
    found = queries.charges(state if state in queries.STATES else "")
    table = ChargeTable(found, slipped=queries.slipped(found))
    RequestConfig(request).configure(table)
    return render(
        request,
        "charges/list.html",
        {
            "table": table,
            "counts": queries.charge_counts(),
            "waiting": queries.waiting_sums(),
            "states": [{"key": key, "word": word, "here": key == state} for key, word in STATES],
        },
    )


def _facts(plan: planning.Plan) -> list[dict]:
    estimate = plan.estimate
    working = {row.key: row for row in estimate.workings}
    return [
        {
            "label": "Fill", "value": number(plan.fill_pct), "unit": "%", "working": working.get("fill"),
            "note": f"{volume(float(plan.volume_bf))} in {plan.chamber}",
        },
        {"label": "Drying", "value": range_days(estimate.days), "kind": "estimate", "working": working.get("days"),
         "note": f"expected {number(estimate.days.expected, 1)} days"},
        {"label": "Chamber held", "value": plan.days.length, "unit": "days",
         "note": f"{day(plan.days.first_day)} to {day(plan.days.last_day)}, loading and unloading included"},
        {"label": "Electricity", "value": kwh(estimate.kwh.total.expected), "kind": "estimate",
         "working": working.get("kwh"),
         "note": f"{kwh(estimate.kwh.total.low)} to {kwh(estimate.kwh.total.high)}"},
        {"label": "Water to remove", "value": weight(estimate.water_lb), "kind": "estimate",
         "working": working.get("water_lb"), "note": gallons(estimate)},
    ]  # fmt: skip


def _promises(plan: planning.Plan, shop) -> list[queries.PromiseMove]:
    return queries.promise_moves(
        {lot.order_id for lot in plan.lots},
        shop.promise_margin_days,
        {lot.pk: plan.days.last_day for lot in plan.lots},
    )


def _free_days(plan: planning.Plan, schedule_code: str) -> str:
    """The plan page with the same lots on the first days that are free for them."""
    free = queries.free_from(plan.chamber, plan.days.first_day, plan.days.length)
    if not free:
        return ""
    asked = {"chamber": plan.chamber.pk, "first_day": free.isoformat(), "schedule_code": schedule_code}
    return (
        f"{reverse('charge_plan')}?{urlencode({**asked, 'lot': [lot.pk for lot in plan.lots]}, doseq=True)}"
    )


def _worked_out(form: PlanForm, shop) -> dict:
    """What the plan page shows of a charge; a sentence instead where there is nothing to work out."""
    if not form.is_valid():
        return {"problems": [error for errors in form.errors.values() for error in errors]}
    given = form.cleaned_data
    if not given["lots"]:
        return {"unplanned": "Tick the lots to load; what they fill, cost and take appears here."}
    try:
        plan = planning.plan(
            chamber=given["chamber"],
            lots=list(given["lots"]),
            first_day=given["first_day"],
            shop=shop,
            schedule_code=given["schedule_code"],
        )
    except ValueError as problem:
        return {"unplanned": str(problem)}
    taken = queries.room_problem(plan.chamber, plan.days, planning.name_of(plan.lots))
    return {
        "plan": plan,
        "compare": address(plan.lots, plan.chamber, plan.days.first_day, given["schedule_code"]),
        "taken": taken,
        "instead": _free_days(plan, given["schedule_code"]) if taken else "",
        "promises": _promises(plan, shop),
        "facts": _facts(plan),
        "air": next((row for row in plan.estimate.workings if row.key == "air"), None),
        "waits": planning.waits(plan, shop, given["schedule_code"]),
        "names": species_names({lot.species_key for lot in plan.lots}),
        "stack": stacks.shown(plan.load),
    }


@allowed(May.RUN_CHARGES)
def charge_plan(request):
    today = shop_today()
    worked = {}
    if request.method == "POST":
        form = PlanForm(request.POST)
        if request.POST.get("do") == "book" and form.is_valid():
            try:
                charge = actions.plan_charge(**form.cleaned_data, by=request.user, now=timezone.now())
            except ValidationError as error:
                form.refuse(error)
            else:
                messages.success(
                    request,
                    f"Charge {charge} is booked in {charge.chamber} from {day(charge.booking.first_day)} "
                    f"to {day(charge.booking.last_day)}.",
                )
                return redirect(f"{reverse('calendar')}?from={charge.booking.first_day.isoformat()}")
        worked = _worked_out(PlanForm(request.POST), request.shop)
    else:
        chamber = _chamber_asked(request)
        usual = 1 if "first_day" in request.GET else USUAL_DAYS
        start = _day_asked(request, "first_day", today)
        form = PlanForm(
            initial={
                "chamber": chamber,
                "first_day": (chamber and queries.free_from(chamber, start, usual)) or start,
                "schedule_code": request.GET.get("schedule_code", ""),
                "lots": [lot for lot in request.GET.getlist("lot") if lot.isdecimal()],
            }
        )
        worked = {"unplanned": "Tick the lots to load; what they fill, cost and take appears here."}
    lots = list(waiting_lots())
    ticked = {str(value) for value in form["lots"].value() or []}
    names = species_names({lot.species_key for lot in lots})
    return render(
        request,
        "charges/plan.html",
        {
            "form": form,
            "lots": [
                {"lot": lot, "ticked": str(lot.pk) in ticked, "wood": names[lot.species_key]} for lot in lots
            ],
            "waiting": queries.waiting_sums(),
            "any_chamber": Chamber.objects.filter(active=True).exists(),
            **{key: value for key, value in worked.items() if key != "problems"},
        },
    )


@allowed(May.RUN_CHARGES)
@require_POST
def charge_plan_result(request):
    """The live parts of the plan page: the verdict, and the evidence for its own place further down."""
    worked = _worked_out(PlanForm(request.POST), request.shop)
    return render(request, "charges/plan_live.html", worked)


@allowed(May.RUN_CHARGES)
@require_POST
def charge_plan_fill(request):
    """The same charge half full and full, asked for after the result because it takes two more estimates."""
    form = PlanForm(request.POST)
    worked = _worked_out(form, request.shop)
    if "plan" not in worked:
        return render(request, "charges/plan_fill.html")
    plan, code = worked["plan"], form.cleaned_data["schedule_code"]
    first_day = plan.days.first_day
    tariff = tariff_on(first_day)
    card = rate_card_on(first_day)
    rows = planning.fill_costs(plan, request.shop, code, card, tariff)
    return render(
        request,
        "charges/plan_fill.html",
        {
            "rows": rows,
            "rest": planning.remainder(plan, rows, card),
            "facts": costs.facts(rows[0].cost),
            "stages": electricity.stages(plan.estimate),
            "timed": bool(tariff and tariff.periods.all()),
            "shift": money.shiftable(plan.estimate, first_day, tariff, request.shop) if tariff else (),
        },
    )


def _day_asked(request, name: str, otherwise: dt.date) -> dt.date:
    try:
        return dt.date.fromisoformat(request.GET.get(name, ""))
    except ValueError:
        return otherwise


def _chamber_asked(request) -> Chamber | None:
    asked = request.GET.get("chamber", "")
    active = Chamber.objects.filter(active=True)
    return (active.filter(pk=asked).first() if asked.isdecimal() else None) or active.first()


def calendar(request):
    today = shop_today()
    asked = request.GET.get("weeks", "")
    weeks = int(asked) if asked.isdecimal() and int(asked) in WEEKS else 6
    start = _day_asked(request, "from", today - 7 * DAY)
    if not dt.date(2000, 1, 1) <= start <= dt.date(2200, 1, 1):
        start = today
    first = start - start.weekday() * DAY
    rows = queries.calendar_rows(first, weeks * 7, today)
    slipped = queries.slipped(booking.charge for row in rows for booking in row.bookings if booking.charge_id)
    return render(
        request,
        "charges/calendar.html",
        {
            "drawing": timeline.draw(rows, first, weeks * 7, today),
            "rows": [{"chamber": row.chamber, "entries": timeline.entries(row, slipped)} for row in rows],
            "today": today,
            "first": first,
            "last": first + (weeks * 7 - 1) * DAY,
            "earlier": first - weeks * 7 * DAY,
            "later": first + weeks * 7 * DAY,
            "weeks": weeks,
            "spans": WEEKS,
            "next_free": queries.next_free(today),
            "behind": queries.behind(today),
            "slipping": moving.slipping(timezone.now(), request.shop),
            "untold": untold().count(),
            "seen": queries.as_seen(today),
            "running": queries.charge_counts()["running"],
        },
    )


@allowed(May.RUN_CHARGES)
def outage_new(request):
    if request.method == "POST":
        form = OutageForm(request.POST)
        if form.is_valid():
            try:
                outage = actions.add_outage(**form.cleaned_data, by=request.user)
            except ValidationError as error:
                form.refuse(error)
            else:
                messages.success(
                    request, f"{outage.chamber} is closed from {day(outage.first_day)} on: {outage.outage}."
                )
                return redirect(f"{reverse('calendar')}?from={outage.first_day.isoformat()}")
    else:
        start = _day_asked(request, "first_day", shop_today())
        form = OutageForm(initial={"chamber": _chamber_asked(request), "first_day": start, "last_day": start})
    return render(
        request,
        "charges/outage_new.html",
        {"form": form, "any_chamber": Chamber.objects.filter(active=True).exists()},
    )


@allowed(May.RUN_CHARGES)
def outage(request, pk):
    """An outage: put it on other days, or open the chamber again."""
    closed = get_object_or_404(Booking.objects.select_related("chamber"), pk=pk, charge=None)
    if request.POST.get("do") == "open":
        actions.remove_outage(outage=closed, by=request.user)
        messages.success(request, f"{closed.chamber} is open again; “{closed.outage}” is off the calendar.")
        return redirect("calendar")
    now = {
        "chamber": closed.chamber_id,
        "first_day": closed.first_day.isoformat(),
        "last_day": closed.last_day.isoformat(),
        "why": closed.outage,
    }
    if request.method == "POST":
        form = OutageDaysForm(_all_days(request.POST, closed, now))
    else:
        form = OutageDaysForm(initial=now | {"seen": queries.as_seen(shop_today())})
    return _change(
        request,
        closed,
        form,
        partial(moving.propose_outage, outage=closed),
        partial(actions.move_outage, outage=closed),
        "charges/outage.html",
        outage=closed,
    )


def _all_days(given: QueryDict, closed: Booking, now: dict) -> dict:
    """A drop gives only what was moved: the rest stays, and the last day goes along with the first."""
    data = now | given.dict()
    if given.get("do") == "drop" and "last_day" not in given:
        with suppress(ValueError):
            first = dt.date.fromisoformat(given.get("first_day", ""))
            data["last_day"] = (first + (closed.last_day - closed.first_day)).isoformat()
    return data


def _booked(pk: int) -> Charge:
    charge = get_object_or_404(Charge.objects.select_related("chamber", "booking"), pk=pk)
    if charge.state in ("cancelled", "unloaded"):
        raise Http404(f"Charge {charge} is {charge.state}; its days do not change any more.")
    return charge


def _proposed(form: ChangeForm, propose, shop) -> dict:
    """What the change in a form would do, or why it makes no sense."""
    given = {name: value for name, value in form.cleaned_data.items() if name not in ("why", "seen")}
    try:
        found = propose(**given, shop=shop)
    except ValueError as problem:
        return {"nonsense": str(problem)}
    return {"proposal": found, "moves": [move for move in found.promises if move.changes]}


def _changes(seen: str, booking: Booking, proposal: moving.Proposal | None) -> list[str]:
    """What others changed in the chambers of a change since the page was opened."""
    chambers = {booking.chamber_id, proposal.chamber.pk if proposal else booking.chamber_id}
    try:
        return queries.changes_since(seen, chambers) if seen else []
    except ValueError:
        return []


def _change(request, booking: Booking, form: ChangeForm, propose, save, template: str, **context):
    """Show what a change would do, and make it when it is confirmed; a drop asks for the fragment of the dialog."""
    asked = request.POST.get("do", "")
    look = request.htmx or asked in ("preview", "drop")
    proposed = {}
    if request.method == "POST":
        if look:
            form.fields["why"].required = False
        if form.is_valid() and not look:
            try:
                save(**form.cleaned_data, push=True, by=request.user, now=timezone.now())
            except ValidationError as error:
                form.refuse(error)
            else:
                moved = Booking.objects.select_related("chamber", "charge").get(pk=booking.pk)
                told = " Customers whose promise moved wait to be told." if untold().exists() else ""
                messages.success(
                    request,
                    f"{_sentence(moved)} now holds {moved.chamber} from {day(moved.first_day)} to "
                    f"{day(moved.last_day)}.{told}",
                )
                return redirect(f"{reverse('calendar')}?from={moved.first_day.isoformat()}")
        if not any(name in form.errors for name in form.fields if name != "why"):
            proposed = _proposed(form, propose, request.shop)
        form.fields["why"].required = True  # for whoever reads the form
        context["fresh"] = queries.as_seen(shop_today())
        if look:
            context["changes"] = _changes(form.data.get("seen", ""), booking, proposed.get("proposal"))
    context |= {"charge": booking.charge, "name": _sentence(booking), "form": form, **proposed}
    if request.htmx:
        template = "charges/calendar_preview.html"
    elif asked == "drop":
        template = "charges/calendar_drop.html"
    return render(request, template, context)


def _sentence(booking: Booking) -> str:
    text = str(booking)
    return text[:1].upper() + text[1:]


@allowed(May.RUN_CHARGES)
def charge_move(request, pk):
    """Move a planned charge, or put the end of a running one where it really is."""
    charge = _booked(pk)
    if charge.state != "planned":
        return charge_days(request, pk)
    if request.method == "POST":
        form = MoveForm(request.POST)
    else:
        seen = queries.as_seen(shop_today())
        form = MoveForm(
            initial={"chamber": charge.chamber, "first_day": charge.booking.first_day, "seen": seen}
        )
    cancel = CancelForm(prefix="cancel")
    return _change(
        request,
        charge.booking,
        form,
        partial(moving.propose_move, charge=charge),
        partial(actions.move_charge, charge=charge),
        "charges/calendar_move.html",
        cancel_form=cancel,
    )


@allowed(May.RUN_CHARGES)
def charge_days(request, pk):
    """Hold the chamber longer or shorter; a running charge starts from what its readings say."""
    charge = _booked(pk)
    booking, by_readings = charge.booking, moving.end_by_readings(charge, timezone.now())
    if request.method == "POST":
        form = DaysForm(request.POST)
    else:
        at = by_readings if by_readings and by_readings.last_day > booking.last_day else booking
        form = DaysForm(
            initial={
                "likely_last_day": at.likely_last_day,
                "last_day": at.last_day,
                "seen": queries.as_seen(shop_today()),
            }
        )

    def propose(likely_last_day, last_day, shop):
        days = Days(booking.first_day, likely_last_day, last_day)
        return moving.propose_days(charge=charge, days=days, shop=shop)

    return _change(
        request,
        booking,
        form,
        propose,
        partial(actions.set_days, charge=charge),
        "charges/calendar_days.html",
        by_readings=by_readings,
    )


@allowed(May.RUN_CHARGES)
def charge_cancel(request, pk):
    charge = _booked(pk)
    form = CancelForm(request.POST if request.method == "POST" else None, prefix="cancel")
    if form.is_valid():
        try:
            actions.cancel_charge(charge=charge, **form.cleaned_data, by=request.user, now=timezone.now())
        except ValidationError as error:
            form.refuse(error)
        else:
            messages.success(request, f"Charge {charge} is cancelled. Its lots wait in the yard again.")
            return redirect("calendar")
    seen = queries.as_seen(shop_today())
    move = MoveForm(initial={"chamber": charge.chamber, "first_day": charge.booking.first_day, "seen": seen})
    return render(
        request,
        "charges/calendar_move.html",
        {"charge": charge, "form": move, "cancel_form": form, "cancelling": True},
    )


urlpatterns = [
    path("charges/", charges, name="charges"),
    path("charges/new/", charge_plan, name="charge_plan"),
    path("charges/new/result/", charge_plan_result, name="charge_plan_result"),
    path("charges/new/fill/", charge_plan_fill, name="charge_plan_fill"),
    path("charges/<int:pk>/move/", charge_move, name="charge_move"),
    path("charges/<int:pk>/days/", charge_days, name="charge_days"),
    path("charges/<int:pk>/cancel/", charge_cancel, name="charge_cancel"),
    path("calendar/", calendar, name="calendar"),
    path("outages/new/", outage_new, name="outage_new"),
    path("outages/<int:pk>/", outage, name="outage"),
]
