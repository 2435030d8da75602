"""An accepted order with one waiting lot, ready to be planned."""

import datetime as dt
from decimal import Decimal

from kilnshop.orders.models import Order, Quote
from tests import factory

TODAY = dt.date(2026, 3, 2)
NOW = factory.NOW


def accept(order: Order, subtotal: Decimal = Decimal("100.00")) -> None:
    """A quote the customer accepted, written directly: these tests are about the calendar."""
    Quote.objects.create(
        order=order,
        revision=1,
        number=f"Q-{order.number}",
        issued_at=NOW,
        issued_by=factory.make_person("owner"),
        valid_until=TODAY + dt.timedelta(days=30),
        ready_low=TODAY,
        ready_high=TODAY,
        subtotal=subtotal,
        tax=Decimal("0.00"),
        total=subtotal,
        figures={},
        decision="accepted",
        decided_on=TODAY,
    )


def waiting_lot(
    number: str = "O-2026-0001",
    letter: str = "A",
    customer: str = "Ida Marsh Joinery",
    quoted: Decimal = Decimal("100.00"),
    **over,
):
    from kilnshop.shop.models import Customer

    order = Order.objects.filter(number=number).first()
    if order is None:
        known = Customer.objects.filter(name=customer).first() or factory.make_customer(customer)
        order = factory.make_order(customer=known, number=number)
        accept(order, quoted)
    return factory.make_lot(order, letter, **over)
