"""Telling customers that a promise moved: the message as prepared, and how it goes out."""

import datetime as dt
from dataclasses import dataclass
from smtplib import SMTPException

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.mail import EmailMessage
from django.db import transaction

from kilnshop.orders.models import Message, Order, Promise
from kilnshop.orders.queries import untold
from kilnshop.shop.models import Person, Shop
from kilnshop.shop.roles import May, require


@dataclass(frozen=True)
class Draft:
    """A message before anybody sent it."""

    promise: Promise
    known: dt.date
    to: str
    subject: str
    text: str


def can_send() -> bool:
    return bool(settings.EMAIL_HOST)


def drafts(shop: Shop) -> list[Draft]:
    """A message to each customer who does not know yet that a promise moved."""
    return [
        _draft(promise, shop)
        for promise in untold().prefetch_related("order__customer__contacts", "order__lots")
    ]


def _long_day(day: dt.date) -> str:
    return f"{day:%A}, {day:%B} {day.day}"


def _draft(promise: Promise, shop: Shop) -> Draft:
    order = promise.order
    contacts = list(order.customer.contacts.all())
    contact = next((one for one in contacts if one.email), contacts[0] if contacts else None)
    lots = ", ".join(lot.letter for lot in order.lots.all())
    why = promise.why.rsplit(": ", 1)[-1].strip().rstrip(".")
    lines = [
        f"Dear {contact.name if contact else order.customer.name},",
        f"Your lumber of order {order.number} (lot {lots}) will be ready by {_long_day(promise.ready_on)}, "
        f"not by {_long_day(promise.known)} as we told you. The reason: {why}.",
        "We are sorry for the delay. If the new date is a difficulty for you, please call us"
        f"{f' at {shop.phone}' if shop.phone else ''}.",
        shop.name,
    ]
    return Draft(
        promise,
        promise.known,
        contact.email if contact else "",
        f"Order {order.number}: ready by {promise.ready_on:%a, %b} {promise.ready_on.day}",
        "\n\n".join(lines),
    )


@transaction.atomic
def tell(
    *, promise: Promise, how: str, to: str, subject: str, text: str, by: Person, now: dt.datetime
) -> Message:
    """Send a message by e-mail, or note that the customer was told in another way. Kept only when it went out."""
    require(by, May.EDIT_ORDERS)
    Order.objects.select_for_update().get(pk=promise.order_id)
    if not untold().filter(pk=promise.pk).exists():
        raise ValidationError(
            "The promise moved again meanwhile, or somebody told the customer. Look at the list."
        )
    message = Message(promise=promise, how=how, to=to, subject=subject, text=text, sent_at=now, sent_by=by)
    message.full_clean()
    message.save()
    if how == Message.How.EMAIL:
        _send(message)
    return message


def _send(message: Message) -> None:
    if not can_send():
        raise ValidationError("No mail server is set up, so nothing was sent. Copy the message instead.")

    try:
        EmailMessage(message.subject, message.text, to=[message.to]).send()
    except (SMTPException, OSError) as problem:
        raise ValidationError(
            f"The mail server did not take the message to {message.to}, so it is not sent: {problem}"
        ) from problem
