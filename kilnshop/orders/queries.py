"""What is asked about orders: their stage, what waits in the yard, which quote counts."""

import datetime as dt
from dataclasses import dataclass

from django.db.models import Count, F, Max, QuerySet, Sum

from kilnshop.orders.models import Lot, Order, Quote


@dataclass(frozen=True)
class Stage:
    """Where an order stands: a key for its shape and colour, and the word."""

    key: str
    word: str


TAKEN_IN = Stage("open", "Taken in")
QUOTED = Stage("waiting", "Quoted")
LAPSED = Stage("late", "Quote lapsed")
DECLINED = Stage("off", "Declined")
FIRM = Stage("open", "Firm, waiting")
PLANNED = Stage("planned", "Planned")
RUNNING = Stage("running", "In the kiln")
DRY = Stage("done", "Dry")
DELIVERED = Stage("done", "Delivered")
CANCELLED = Stage("off", "Cancelled")
OPEN_STAGES = (TAKEN_IN, QUOTED, LAPSED, FIRM, PLANNED, RUNNING, DRY)


def orders() -> QuerySet[Order]:
    """Orders with what their stage and their row on a list need, in a fixed number of queries."""
    return (
        Order.objects.select_related("customer")
        .prefetch_related("quotes", "promises", "lots__charge_lots__charge", "lots__charge_lots__ticket_lots")
        .annotate(total_bf=Sum("lots__volume_bf", default=0), lot_count=Count("lots"))
    )


def newest_quote(order: Order) -> Quote | None:
    return max(order.quotes.all(), key=lambda quote: quote.revision, default=None)


def accepted_quote(order: Order) -> Quote | None:
    """The quote that makes the order firm, and that it is billed by."""
    return next((quote for quote in order.quotes.all() if quote.decision == Quote.Decision.ACCEPTED), None)


def quote_state(quote: Quote, today: dt.date, newest_revision: int | None = None) -> Stage:
    """How a quote stands: decided, replaced, lapsed or still open."""
    if quote.decision == Quote.Decision.ACCEPTED:
        return Stage("done", "Accepted")
    if quote.decision == Quote.Decision.DECLINED:
        return DECLINED
    if newest_revision and quote.revision < newest_revision:
        return Stage("off", "Replaced")
    return Stage("late", "Lapsed") if quote.valid_until < today else Stage("waiting", "Waiting for an answer")


def order_stage(order: Order, today: dt.date) -> Stage:
    """Derived from what exists; only cancelling is stored."""
    if order.cancelled_at:
        return CANCELLED
    if accepted_quote(order):
        return _yard_stage(order)
    newest = newest_quote(order)
    if newest is None:
        return TAKEN_IN
    if newest.decision == Quote.Decision.DECLINED:
        return DECLINED
    return LAPSED if newest.valid_until < today else QUOTED


def _yard_stage(order: Order) -> Stage:
    """The least advanced lot says where a firm order stands."""
    steps = (FIRM, PLANNED, RUNNING, DRY, DELIVERED)
    reached = [steps.index(lot_stage(lot)) for lot in order.lots.all()]
    return steps[min(reached)] if reached else FIRM


def lot_stage(lot: Lot) -> Stage:
    """Where one lot of a firm order is."""
    loaded = next((row for row in lot.charge_lots.all() if row.open), None)
    if loaded is None:
        return FIRM
    if loaded.ticket_lots.all():
        return DELIVERED
    state = loaded.charge.state
    return {"running": RUNNING, "dry": DRY, "unloaded": DRY}.get(state, PLANNED)


def waiting_lots() -> QuerySet[Lot]:
    """Lots of firm orders that are in no charge yet, the longest in the yard first."""
    return (
        Lot.objects.filter(order__quotes__decision=Quote.Decision.ACCEPTED, order__cancelled_at=None)
        .exclude(charge_lots__open=True)
        .select_related("order", "order__customer")
        .order_by("arrived_on", "order__received_on", "order_id", "letter")
    )


def lapsing_quotes(today: dt.date, days: int = 7) -> QuerySet[Quote]:
    """Undecided newest quotes whose last day is within `days`, or already past by no more than that."""
    return (
        Quote.objects.filter(
            decision="",
            order__cancelled_at=None,
            valid_until__gte=today - dt.timedelta(days=days),
            valid_until__lte=today + dt.timedelta(days=days),
        )
        .annotate(newest=Max("order__quotes__revision"))
        .filter(revision=F("newest"))
        .select_related("order", "order__customer")
        .order_by("valid_until")
    )


def promised_between(first: dt.date, last: dt.date) -> list[Order]:
    """Undelivered orders whose newest promise falls in those days, both included."""
    found = [
        order
        for order in orders().filter(cancelled_at=None, promises__ready_on__range=(first, last)).distinct()
        if (newest := next(iter(order.promises.all()), None)) and first <= newest.ready_on <= last
    ]
    return [order for order in found if not accepted_quote(order) or _yard_stage(order) != DELIVERED]
