"""An order delivered and ready to be invoiced."""

import datetime as dt
from decimal import Decimal

import pytest

from kilnshop.orders.quoting import agreed
from kilnshop.shop.models import RateCard
from kilnshop.shop.queries import rate_card_on
from tests import factory

UNLOADED = dt.datetime(2026, 3, 20, 14, 0, tzinfo=dt.UTC)
DELIVERED = dt.date(2026, 3, 24)
NOW = dt.datetime(2026, 3, 25, 15, 0, tzinfo=dt.UTC)
TODAY = dt.date(2026, 3, 25)


def accept_quote(order, *, lines=None, basis="green", by=None):
    """An accepted quote of given (lot, kind, description, quantity, unit, unit price) lines."""
    from kilnshop.orders.models import Quote, QuoteLine
    from kilnshop.shop.money import cents

    rows = [
        (lot, kind, text, Decimal(quantity), unit, Decimal(price), cents(Decimal(quantity) * Decimal(price)))
        for lot, kind, text, quantity, unit, price in lines
    ]
    subtotal = sum((row[-1] for row in rows), Decimal("0.00"))
    quote = Quote.objects.create(
        order=order,
        revision=1,
        number=f"Q-{order.number}",
        issued_at=factory.NOW,
        issued_by=by or factory.make_person("owner"),
        valid_until=dt.date(2026, 4, 1),
        tally_basis=basis,
        ready_low=dt.date(2026, 3, 15),
        ready_high=dt.date(2026, 3, 25),
        subtotal=subtotal,
        tax=Decimal("0.00"),
        total=subtotal,
        figures={"agreed": agreed(rate_card_on(factory.DAY) or RateCard())},
        decision="accepted",
        decided_on=factory.DAY,
    )
    for position, (lot, kind, text, quantity, unit, price, amount) in enumerate(rows, start=1):
        QuoteLine.objects.create(
            quote=quote,
            position=position,
            lot=lot,
            kind=kind,
            description=text,
            quantity=quantity,
            unit=unit,
            unit_price=price,
            amount=amount,
        )
    return quote


def deliver(
    order, lots, *, number="T-2026-0001", bf_out=None, unloaded=UNLOADED, on=DELIVERED, supersedes=None
):
    """A ticket for lots unloaded from one charge; a lot already in a charge keeps it."""
    from kilnshop.charges.models import ChargeLot
    from kilnshop.shop.models import Chamber
    from kilnshop.tickets.models import Ticket, TicketLot

    fresh = [lot for lot in lots if not lot.charge_lots.exists()]
    if fresh:
        charge = factory.make_charge(
            chamber=Chamber.objects.first() or factory.make_chamber(),
            lots=fresh,
            number=f"K-{number}",
            first_day=factory.DAY + dt.timedelta(days=30 * int(number[-1])),
        )
        charge.started_at, charge.dried_at, charge.unloaded_at = unloaded, unloaded, unloaded
        charge.save()
    ticket = Ticket.objects.create(
        order=order,
        number=number,
        delivered_on=on,
        issued_at=NOW,
        issued_by=factory.make_person("owner"),
        code=f"code-{number}",
        supersedes=supersedes,
        figures={},
    )
    for row in ChargeLot.objects.filter(lot__in=lots):
        row.volume_out_bf = (bf_out or {}).get(row.lot.letter)
        row.save()
        TicketLot.objects.create(ticket=ticket, charge_lot=row)
    return ticket


@pytest.fixture
def order(shop):
    factory.make_rate_card(minimum_charge=Decimal("0.00"))
    return factory.make_order()


@pytest.fixture
def lot(order):
    return factory.make_lot(order, volume_bf=Decimal("803.00"))


@pytest.fixture
def quoted(order, lot):
    return accept_quote(
        order,
        lines=[
            (lot, "drying", "Drying lot A", "803", "bf", "0.65"),
            (lot, "heat", "Heat treatment lot A", "803", "bf", "0.08"),
            (lot, "stacking", "Stacking lot A", "803", "bf", "0.10"),
        ],
    )


@pytest.fixture
def ticket(order, lot, quoted):
    return deliver(order, [lot], bf_out={"A": Decimal("741.50")})
