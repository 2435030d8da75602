"""What needs a person now, across the rooms. Read only."""

import datetime as dt
from dataclasses import dataclass

from kilnshop.billing import queries as billing
from kilnshop.charges import following, watching
from kilnshop.charges import queries as charges
from kilnshop.charges.models import Charge
from kilnshop.orders import queries as orders
from kilnshop.shop.models import Person, Shop
from kilnshop.shop.queries import shop_today
from kilnshop.shop.roles import May
from kilnshop.tickets import queries as tickets

LATE, DUE, SOON = "late", "due", "soon"
WEEK = dt.timedelta(days=7)
WATER_AHEAD = dt.timedelta(days=2)
MISSED_PROMISES = dt.timedelta(days=60)


@dataclass(frozen=True)
class Task:
    """One thing to do: what, for whom or which chamber, when, how pressing, and the page where it is done."""

    kind: str
    what: str
    about: str
    when: dt.date | dt.datetime | None
    press: str
    place: str
    pk: int
    dry_bulb_f: float | None = None
    wet_bulb_f: float | None = None


@dataclass(frozen=True)
class Today:
    alerts: list[Task]  # worst first
    at_the_kiln: list[Task]
    promised: list[Task]
    papers: list[Task]
    next_reading: dt.datetime | None
    running: list[tuple[Charge, following.Outlook]]

    @property
    def tasks(self) -> list[Task]:
        return [*self.alerts, *self.at_the_kiln, *self.promised, *self.papers]

    def counts(self) -> list[tuple[int, str]]:
        """(how many, of what), for the opening sentence."""
        found: dict[str, int] = {}
        for task in self.tasks:
            found[task.kind] = found.get(task.kind, 0) + 1
        return [(number, kind) for kind, number in found.items()]


def today(*, shop: Shop, person: Person, now: dt.datetime) -> Today:
    """The day's work of one person: each sees what their role may do."""
    day = shop_today(now)
    running = [(charge, following.outlook(charge, now)) for charge in charges.charges("running")]
    may_run = person.may(May.RECORD_READINGS)
    kiln, upcoming = _kiln(shop, running, day, now) if may_run else ([], None)
    return Today(
        alerts=_alerts([charge for charge, _ in running]) if may_run else [],
        at_the_kiln=kiln,
        promised=_promised(shop, running, day),
        papers=_papers(day, person),
        next_reading=upcoming,
        running=running if may_run else [],
    )


def _alerts(running: list[Charge]) -> list[Task]:
    return [
        Task(
            "alert",
            alert.get_kind_display(),
            f"{alert.charge}, {alert.charge.chamber}{f', lot {alert.about}' if alert.about else ''}: {alert.text}",
            alert.first_seen,
            alert.severity,
            "charge",
            alert.charge_id,
        )
        for alert in watching.open_alerts(running)
    ]


def _moment(due: dt.datetime, now: dt.datetime) -> str:
    return DUE if due <= now else SOON


def _kiln(
    shop: Shop, running: list[tuple[Charge, following.Outlook]], day: dt.date, now: dt.datetime
) -> tuple[list[Task], dt.datetime | None]:
    tasks: list[Task] = []
    readings: list[dt.datetime] = []
    for charge, outlook in running:
        about = f"{charge.number}, {charge.chamber}"
        reading = following.reading_due_at(charge, shop.reading_every_hours)
        if reading and reading <= now + dt.timedelta(hours=2):
            late = now - reading > dt.timedelta(hours=shop.reading_every_hours / 2)
            press = LATE if late else _moment(reading, now)
            tasks.append(Task("reading", "Take a reading", about, reading, press, "reading_new", charge.pk))
        elif reading:
            readings.append(reading)
        tasks += _step(charge, outlook.change, about, day)
        water = following.water_due_at(charge)
        if water and water <= now + WATER_AHEAD:
            press = _moment(water, now)
            tasks.append(Task("water", "Top up the wet-bulb water", about, water, press, "charge", charge.pk))
    for charge in charges.charges("dry"):
        about = f"{charge.number}, {charge.chamber}"
        tasks.append(
            Task("charge done", "Unload the charge", about, charge.dried_at, DUE, "charge_unload", charge.pk)
        )
    for charge in charges.charges("planned"):
        first = charge.booking.first_day
        if first <= day:
            about = f"{charge.number}, {charge.chamber}"
            press = LATE if first < day else DUE
            tasks.append(Task("start", "Start the charge", about, first, press, "charge_start", charge.pk))
    return tasks, min(readings, default=None)


def _step(charge: Charge, change: following.NextChange | None, about: str, day: dt.date) -> list[Task]:
    """The next change of a running charge, when it is due, late, or expected before tomorrow."""
    if change is None or not (change.due or change.late or shop_today(change.expected_at) <= day):
        return []
    press = DUE if change.due else LATE if change.late else SOON
    if change.step is None:
        what = "Finish drying" if change.due else "See whether the charge is dry"
        return [
            Task(
                "charge done",
                what,
                f"{about}, {change.trigger}",
                change.expected_at,
                press,
                "charge",
                charge.pk,
            )
        ]
    return [
        Task(
            "step change",
            "Change the step" if change.due else "See whether the step may change",
            f"{about}, {change.trigger}",
            change.expected_at,
            press,
            "charge",
            charge.pk,
            change.step.dry_bulb_f,
            change.step.wet_bulb_f,
        )
    ]


def _promised(shop: Shop, running: list[tuple[Charge, following.Outlook]], day: dt.date) -> list[Task]:
    """Promises of this week, and later ones that the forecast of a running charge breaks."""
    found = orders.promised_between(day - MISSED_PROMISES, day + WEEK)
    moves = {
        move.order.pk: move
        for move in charges.promise_moves([order.pk for order in found], shop.promise_margin_days)
    }
    broken = {move.order.pk: move for move in watching.late_promises(running, shop.promise_margin_days)}
    tasks = [
        Task(
            "promise at risk",
            f"{move.order.number} for {move.order.customer}",
            f"promised; at the late end of the forecast {move.late_days} days behind",
            move.promised,
            DUE,
            "order",
            pk,
        )
        for pk, move in broken.items()
        if pk not in moves
    ]
    for order in sorted(found, key=lambda order: order.promises.all()[0].ready_on):
        ready_on = order.promises.all()[0].ready_on
        move, ahead = moves.get(order.pk), broken.get(order.pk)
        slips = f", {move.late_days} days behind by the calendar" if move and move.breaks else ""
        if ahead:
            slips = f", {ahead.late_days} days behind at the late end of the forecast"
        stage = orders.order_stage(order, day).lower()
        press = LATE if ready_on < day or slips else DUE if ready_on == day else SOON
        tasks.append(
            Task(
                "order promised",
                f"{order.number} for {order.customer}",
                f"promised; {stage}{slips}",
                ready_on,
                press,
                "order",
                order.pk,
            )
        )
    return tasks


def _papers(day: dt.date, person: Person) -> list[Task]:
    tasks: list[Task] = []
    if not person.may(May.ISSUE_PAPERS):
        return tasks
    for order in tickets.orders_to_deliver():
        tasks.append(
            Task(
                "hand-over",
                f"Hand over {order.number}",
                f"{order.customer}: dry and unloaded, no ticket yet",
                None,
                DUE,
                "ticket_new",
                order.pk,
            )
        )
    for quote in orders.lapsing_quotes(day):
        what = f"Ask about quote {quote.number}"
        about = f"{quote.order.customer}: {'has lapsed' if quote.valid_until < day else 'lapses'}"
        press = LATE if quote.valid_until < day else SOON
        tasks.append(Task("quote lapsing", what, about, quote.valid_until, press, "quote", quote.pk))
    for ticket in billing.tickets_to_invoice():
        what = f"Invoice ticket {ticket.number}"
        about = f"{ticket.order.customer}: delivered, not yet invoiced"
        tasks.append(
            Task("ticket to invoice", what, about, ticket.delivered_on, DUE, "invoice_new", ticket.order_id)
        )
    for invoice in billing.overdue_invoices(day):
        what = f"Ask about invoice {invoice.number}"
        about = f"{invoice.order.customer}: was due"
        tasks.append(Task("invoice overdue", what, about, invoice.due_on, LATE, "invoice", invoice.pk))
    return tasks
