"""What is asked about tickets: which stand, what can be delivered, and what a stranger with a code may see."""

import re
from dataclasses import dataclass

from django.db.models import Case, Prefetch, Q, QuerySet, Value, When

from kilnshop.charges.models import Charge, ChargeLot
from kilnshop.orders.models import Lot, Order
from kilnshop.tickets.models import Ticket, TicketLot

# What the confirmation page may show of a lot. Anything else stays in the shop.
PUBLIC_LOT = (
    "letter", "species", "thickness", "pieces", "volume_bf", "in_on", "out_on", "target", "tolerance", "tests",
    "treatments",
)  # fmt: skip
PUBLIC_TESTS = (
    "n", "mean", "sd", "wettest", "driest", "within", "share", "method", "meter", "correction", "depths_in",
    "measured_on", "remarks", "sampling", "prong",
)  # fmt: skip
PUBLIC_HEAT = (
    "name",
    "source",
    "criterion",
    "where",
    "longest_minutes",
    "lowest_f",
    "verdict",
    "sensors",
    "pitch",
)


def tickets(show: str = "", words: str = "") -> QuerySet[Ticket]:
    """Tickets for the list, newest first. `show`: "" all, "live" or "replaced"."""
    found = Ticket.objects.select_related("order__customer", "superseded_by", "supersedes").prefetch_related(
        "ticket_lots"
    )
    found = found.annotate(
        standing=Case(When(superseded_by=None, then=Value("in force")), default=Value("superseded"))
    )
    if show:
        found = found.filter(superseded_by__isnull=show == "live")
    if words:
        found = found.filter(
            Q(number__icontains=words)
            | Q(order__number__icontains=words)
            | Q(order__customer__name__icontains=words)
        )
    return found


def successor(ticket: Ticket) -> Ticket | None:
    """The ticket that replaced this one."""
    return Ticket.objects.filter(supersedes=ticket).first()


def of_charge(charge: Charge) -> list[Ticket]:
    """Every ticket that hands over a lot of this charge, replaced ones too."""
    found = Ticket.objects.filter(ticket_lots__charge_lot__charge=charge)
    return list(found.select_related("order", "superseded_by").distinct().order_by("number"))


def notice(ticket: Ticket) -> str:
    """What is printed across the head of a ticket that no longer stands."""
    newer = successor(ticket)
    return f"Replaced by ticket {newer.number}. Do not rely on this one." if newer else ""


def on_live_ticket() -> QuerySet[TicketLot]:
    return TicketLot.objects.filter(ticket__superseded_by=None)


@dataclass(frozen=True)
class Standing:
    """Whether a lot can be handed over, and if not, why and what to do."""

    lot: Lot
    charge_lot: ChargeLot | None
    deliverable: bool
    why: str = ""
    url_name: str = ""
    url_pk: int = 0


def standings(order: Order, replacing: Ticket | None = None) -> list[Standing]:
    """Every lot of an order: ready for a ticket or not. Lots of the ticket being replaced count as ready."""
    open_lots = ChargeLot.objects.filter(open=True).select_related("charge__chamber")
    live = on_live_ticket().exclude(ticket=replacing).select_related("ticket")
    lots = order.lots.prefetch_related(
        Prefetch("charge_lots", queryset=open_lots, to_attr="loaded"),
        Prefetch("loaded__ticket_lots", queryset=live, to_attr="live_tickets"),
    )
    return [_standing(lot) for lot in lots]


def _standing(lot: Lot) -> Standing:
    row = next(iter(lot.loaded), None)
    if row is None:
        return Standing(lot, None, False, "It waits in the yard: plan a charge for it.", "charge_plan")
    row.lot = lot
    charge = row.charge
    if row.live_tickets:
        ticket = row.live_tickets[0].ticket
        return Standing(lot, row, False, f"Handed over on ticket {ticket.number}.", "ticket", ticket.pk)
    if charge.state != "unloaded":
        todo = {
            "planned": "start it",
            "running": "finish drying, then unload it",
            "dry": "unload it and count the lot out",
        }[charge.state]
        return Standing(
            lot,
            row,
            False,
            f"Charge {charge} in {charge.chamber} is {charge.state}: {todo}.",
            "charge",
            charge.pk,
        )
    return Standing(lot, row, True)


def deliverable(order: Order) -> list[ChargeLot]:
    return [row.charge_lot for row in standings(order) if row.deliverable and row.charge_lot]


def orders_to_deliver() -> QuerySet[Order]:
    """Orders with an unloaded lot that stands on no live ticket."""
    waiting = ChargeLot.objects.filter(open=True, charge__unloaded_at__isnull=False).exclude(
        pk__in=on_live_ticket().values("charge_lot")
    )
    return Order.objects.filter(lots__charge_lots__in=waiting).distinct().select_related("customer")


def tidy_code(text: str) -> str:
    """A code as typed from paper: any case, with or without its dashes."""
    plain = re.sub(r"[^0-9A-Z]", "", text.upper())
    return "-".join(plain[at : at + 4] for at in range(0, len(plain), 4))


def by_code(code: str) -> Ticket | None:
    return Ticket.objects.filter(code=tidy_code(code)).select_related("superseded_by").first()


def public_view(ticket: Ticket) -> dict:
    """What anybody holding the code may see: this ticket's number, dates, lots and results, nothing else."""
    figures = ticket.figures
    lots = []
    for lot in figures["lots"]:
        shown = {key: lot[key] for key in PUBLIC_LOT}
        if shown["tests"]:
            shown["tests"] = {key: shown["tests"].get(key) for key in PUBLIC_TESTS}
        shown["treatments"] = [{key: heat.get(key) for key in PUBLIC_HEAT} for heat in shown["treatments"]]
        lots.append(shown)
    return {
        "number": ticket.number,
        "issued_on": figures["issued_on"],
        "delivered_on": figures["delivered_on"],
        "shop_name": figures["shop"]["name"],
        "units": figures["units"],
        "lots": lots,
        "superseded": successor(ticket) is not None,
    }
