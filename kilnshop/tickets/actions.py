"""Handing over: a ticket is issued once, frozen, and put right only by a new one."""

import datetime as dt
import secrets
from collections.abc import Sequence

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import transaction
from django.urls import reverse

from kilnshop.charges.models import ChargeLot
from kilnshop.orders.models import Order
from kilnshop.shop.models import Person
from kilnshop.shop.numbers import next_number
from kilnshop.shop.queries import shop_today, the_shop
from kilnshop.shop.roles import May, require
from kilnshop.tickets import queries
from kilnshop.tickets.figures import ticket_figures
from kilnshop.tickets.models import Ticket, TicketLot

CODE_LETTERS = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"  # nothing that reads like another; 16 of them are 79 bits


def new_code() -> str:
    return queries.tidy_code("".join(secrets.choice(CODE_LETTERS) for _ in range(16)))


def confirm_url(code: str) -> str:
    return settings.SITE_URL + reverse("confirm", args=[code])


def check_delivery(
    *,
    order: Order,
    charge_lots: Sequence[ChargeLot],
    delivered_on: dt.date,
    today: dt.date,
    supersedes: Ticket | None = None,
    why: str = "",
) -> list[ChargeLot]:
    """The lots as they stand, or ValidationError naming each that cannot be handed over."""
    if not charge_lots:
        raise ValidationError({"charge_lots": "Choose at least one lot to hand over."})
    wanted = {row.pk for row in charge_lots}
    problems = []
    if supersedes is not None:
        if supersedes.order_id != order.pk:
            raise ValidationError(f"Ticket {supersedes} belongs to another order than {order}.")
        if newer := queries.successor(supersedes):
            raise ValidationError(f"Ticket {supersedes} is replaced by {newer} already. Replace that one.")
        if not why.strip():
            raise ValidationError({"why": f"Say what was wrong with ticket {supersedes}."})
    rows = []
    for standing in queries.standings(order, replacing=supersedes):
        row = standing.charge_lot
        if row is None or row.pk not in wanted:
            continue
        wanted.discard(row.pk)
        if not standing.deliverable:
            problems.append(f"Lot {row.lot} cannot be handed over. {standing.why}")
            continue
        out_on = shop_today(row.charge.unloaded_at)
        if delivered_on < out_on:
            problems.append(
                f"Lot {row.lot} left the kiln on {out_on:%a %d %b %Y}; it cannot be handed over on "
                f"{delivered_on:%a %d %b %Y}."
            )
        rows.append(row)
    if wanted:
        problems.append(f"A chosen lot is not a lot of order {order} that is in a charge. Choose again.")
    if delivered_on > today:
        raise ValidationError(
            {"delivered_on": f"{delivered_on:%a %d %b %Y} lies in the future. Issue the ticket on the day."}
        )
    if problems:
        raise ValidationError(problems)
    return rows


@transaction.atomic
def issue_ticket(
    *,
    order: Order,
    charge_lots: Sequence[ChargeLot],
    delivered_on: dt.date,
    by: Person,
    now: dt.datetime,
    supersedes: Ticket | None = None,
    why: str = "",
) -> Ticket:
    """Number and freeze a ticket for lots that were unloaded and stand on no ticket.

    With `supersedes` it replaces an earlier ticket of the order and says `why`; the old one stays as it is.
    """
    require(by, May.ISSUE_PAPERS)
    order = Order.objects.select_for_update(of=("self",)).select_related("customer").get(pk=order.pk)
    today = shop_today(now)
    rows = check_delivery(
        order=order,
        charge_lots=charge_lots,
        delivered_on=delivered_on,
        today=today,
        supersedes=supersedes,
        why=why,
    )
    shop = the_shop()
    number = next_number(kind="ticket", year=today.year, prefix=shop.ticket_prefix)
    code = new_code()
    ticket = Ticket(
        order=order,
        number=number,
        delivered_on=delivered_on,
        issued_at=now,
        issued_by=by,
        code=code,
        supersedes=supersedes,
        figures=ticket_figures(
            order=order,
            charge_lots=rows,
            shop=shop,
            by=by,
            delivered_on=delivered_on,
            issued_on=today,
            number=number,
            code=code,
            confirm_url=confirm_url(code),
            supersedes=supersedes.number if supersedes else "",
            why=why.strip(),
        ),
    )
    ticket.full_clean()
    ticket.save()
    for row in rows:
        line = TicketLot(ticket=ticket, charge_lot=row)
        line.full_clean()
        line.save()
    return ticket
