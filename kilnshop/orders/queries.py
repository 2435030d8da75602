"""What is asked about orders: their stage, what waits in the yard, which quote counts."""

import datetime as dt
from collections.abc import Iterable
from decimal import Decimal

from django.db.models import Count, Exists, F, Max, OuterRef, Q, QuerySet, Subquery, Sum, Value
from django.db.models.functions import Coalesce

from kilnshop.orders import estimating
from kilnshop.orders.models import Lot, Order, Promise, Quote

TAKEN_IN, QUOTED, LAPSED, DECLINED = "Taken in", "Quoted", "Lapsed", "Declined"
FIRM, PLANNED, RUNNING, DRY, DELIVERED = "Firm", "Planned", "In the kiln", "Dry", "Delivered"
CANCELLED = "Cancelled"
ACCEPTED, REPLACED, WAITING = "Accepted", "Replaced", "Waiting"
SHOWN = {
    "open": "All open",
    "taken_in": TAKEN_IN,
    "quoted": QUOTED,
    "firm": FIRM,
    "off": "Cancelled or declined",
}


def orders() -> QuerySet[Order]:
    """Orders with what their stage and their row on a list need, in a fixed number of queries."""
    return (
        Order.objects.select_related("customer")
        .prefetch_related("quotes", "promises", "lots__charge_lots__charge", "lots__charge_lots__ticket_lots")
        .annotate(total_bf=Sum("lots__volume_bf", default=0), lot_count=Count("lots"))
    )


def listed(show: str = "", words: str = "") -> QuerySet[Order]:
    """Orders for the list: `show` is a key of SHOWN or empty for all, `words` part of a number or a name."""
    found = orders()
    firm = Exists(Quote.objects.filter(order=OuterRef("pk"), decision=Quote.Decision.ACCEPTED))
    quoted = Exists(Quote.objects.filter(order=OuterRef("pk")))
    decided = Quote.objects.filter(order=OuterRef("pk")).order_by("-revision").values("decision")[:1]
    newest = Coalesce(Subquery(decided), Value(""))
    if show:
        found = found.annotate(is_firm=firm, is_quoted=quoted, newest_decision=newest)
    if show in ("open", "taken_in", "quoted", "firm"):
        found = found.filter(cancelled_at=None).exclude(newest_decision=Quote.Decision.DECLINED)
    if show == "taken_in":
        found = found.filter(is_quoted=False)
    elif show == "quoted":
        found = found.filter(is_quoted=True, is_firm=False)
    elif show == "firm":
        found = found.filter(is_firm=True)
    elif show == "off":
        found = found.filter(Q(cancelled_at__isnull=False) | Q(newest_decision=Quote.Decision.DECLINED))
    if words:
        found = found.filter(
            Q(number__icontains=words)
            | Q(customer__name__icontains=words)
            | Q(customer_reference__icontains=words)
        )
    return found


def newest_quote(order: Order) -> Quote | None:
    return max(order.quotes.all(), key=lambda quote: quote.revision, default=None)


def accepted_quote(order: Order) -> Quote | None:
    """The quote that makes the order firm, and that it is billed by."""
    return next((quote for quote in order.quotes.all() if quote.decision == Quote.Decision.ACCEPTED), None)


def quote_state(quote: Quote, today: dt.date, newest_revision: int | None = None) -> str:
    """How a quote stands: decided, replaced, lapsed or still open."""
    if quote.decision == Quote.Decision.ACCEPTED:
        return ACCEPTED
    if quote.decision == Quote.Decision.DECLINED:
        return DECLINED
    if newest_revision and quote.revision < newest_revision:
        return REPLACED
    return LAPSED if quote.valid_until < today else WAITING


def order_stage(order: Order, today: dt.date) -> str:
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


def _yard_stage(order: Order) -> str:
    """The least advanced lot says where a firm order stands."""
    steps = (FIRM, PLANNED, RUNNING, DRY, DELIVERED)
    reached = [steps.index(lot_stage(lot)) for lot in order.lots.all()]
    return steps[min(reached)] if reached else FIRM


def lot_stage(lot: Lot) -> str:
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
        .annotate(firm_on=F("order__quotes__decided_on"))
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
    promised = Promise.objects.filter(order=OuterRef("pk"), ready_on__range=(first, last))
    found = [
        order
        for order in orders().filter(Exists(promised), cancelled_at=None)
        if (newest := next(iter(order.promises.all()), None)) and first <= newest.ready_on <= last
    ]
    return [order for order in found if not accepted_quote(order) or _yard_stage(order) != DELIVERED]


def promised_days(orders: Iterable[int]) -> dict[int, dt.date]:
    """The newest promise of each order that has one, by order id."""
    made = Promise.objects.filter(order__in=orders).order_by("made_at", "id")
    return dict(made.values_list("order_id", "ready_on"))


def untold() -> QuerySet[Promise]:
    """The newest promise of each order that is later than what its customer knows: told last, or promised first."""
    of_order = Promise.objects.filter(order=OuterRef("order"))
    told = of_order.filter(messages__isnull=False).order_by("-made_at", "-id")
    return (
        Promise.objects.filter(order__cancelled_at=None)
        .annotate(
            newest=Subquery(of_order.order_by("-made_at", "-id").values("pk")[:1]),
            known=Coalesce(
                Subquery(told.values("ready_on")[:1]),
                Subquery(of_order.order_by("made_at", "id").values("ready_on")[:1]),
            ),
        )
        .filter(pk=F("newest"), ready_on__gt=F("known"))
        .select_related("order__customer")
        .order_by("ready_on", "pk")
    )


def counts() -> dict[str, int]:
    """Orders on file, and those still undecided or unfinished."""
    return {"all": Order.objects.count(), "quoted": listed("quoted").count(), "firm": listed("firm").count()}


def species_names(lots: Iterable[Lot]) -> dict[str, str]:
    return estimating.species_names({lot.species_key for lot in lots})


def volume_of(lots: Iterable[Lot]) -> Decimal:
    return sum((lot.volume_bf for lot in lots), Decimal(0))


def charges_of(order: Order) -> list:
    """The charges its lots are in, oldest first."""
    found = {row.charge for lot in order.lots.all() for row in lot.charge_lots.all() if row.open}
    return sorted(found, key=lambda charge: charge.pk)
