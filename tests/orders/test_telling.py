"""Telling a customer that a promise moved: who does not know yet, what is sent, what is kept."""

import datetime as dt
import smtplib

import pytest
from django.core import mail
from django.core.exceptions import PermissionDenied, ValidationError
from django.urls import reverse

from kilnshop.orders import telling
from kilnshop.orders.models import Message, Promise
from kilnshop.orders.queries import untold
from tests import factory

pytestmark = pytest.mark.django_db
NOW = factory.NOW
DAY = dt.timedelta(days=1)


@pytest.fixture
def order(shop):
    lot = factory.make_lot()
    return lot.order


def promise(order, day, hours=0, why="Charge K-2026-0001 moved: fan motor"):
    return Promise.objects.create(
        order=order, ready_on=dt.date(2026, 3, day), made_at=NOW + dt.timedelta(hours=hours), why=why
    )


def tell(row, by, how="hand", **over):
    given = {"to": "ida@marsh.example", "subject": "Order", "text": "Later."} | over
    return telling.tell(promise=row, how=how, by=by, now=NOW + DAY, **given)


def test_only_a_promise_later_than_what_the_customer_knows_is_to_be_told(order, owner):
    promise(order, 20)
    assert not untold().exists()
    later = promise(order, 24, 1)
    assert [(row, row.known.day) for row in untold()] == [(later, 20)]
    tell(later, owner)
    assert not untold().exists()
    promise(order, 22, 2)
    assert not untold().exists()  # sooner again: nobody waits for it
    latest = promise(order, 27, 3)
    assert [(row, row.known.day) for row in untold()] == [(latest, 24)]


def test_an_earlier_move_that_was_undone_is_not_told(order):
    promise(order, 20)
    promise(order, 24, 1)
    promise(order, 20, 2)
    assert not untold().exists()


def test_the_prepared_message_names_both_days_and_the_reason(order, shop):
    promise(order, 20)
    promise(order, 24, 1)
    (draft,) = telling.drafts(shop)
    assert draft.to == "ida@marsh.example"
    assert "Dear Ida Marsh" in draft.text
    assert "by Tuesday, March 24, not by Friday, March 20" in draft.text
    assert "The reason: fan motor." in draft.text and "K-2026" not in draft.text
    assert shop.phone in draft.text and shop.name in draft.text


def test_a_message_goes_by_e_mail_only_when_sent_and_is_kept_as_it_went(order, owner, settings):
    settings.EMAIL_HOST = "mail.example"
    promise(order, 20)
    later = promise(order, 24, 1)
    assert mail.outbox == []
    kept = tell(later, owner, "email", text="It takes longer.")
    (sent,) = mail.outbox
    assert (sent.to, sent.subject, sent.body) == (["ida@marsh.example"], "Order", "It takes longer.")
    assert (kept.sent_by, kept.sent_at, kept.to, kept.text) == (
        owner,
        NOW + DAY,
        "ida@marsh.example",
        "It takes longer.",
    )


def test_without_a_mail_server_nothing_is_sent_or_kept(order, owner, settings):
    settings.EMAIL_HOST = ""
    promise(order, 20)
    with pytest.raises(ValidationError, match="No mail server"):
        tell(promise(order, 24, 1), owner, "email")
    assert mail.outbox == [] and not Message.objects.exists()


def test_a_mail_server_that_refuses_leaves_the_customer_untold(order, owner, settings, monkeypatch):
    settings.EMAIL_HOST = "mail.example"

    def refuse(self, **options):
        raise smtplib.SMTPRecipientsRefused({})

    monkeypatch.setattr("django.core.mail.EmailMessage.send", refuse)
    promise(order, 20)
    with pytest.raises(ValidationError, match="did not take the message"):
        tell(promise(order, 24, 1), owner, "email")
    assert untold().count() == 1 and not Message.objects.exists()


def test_a_customer_is_not_told_twice_or_of_a_promise_that_moved_again(order, owner):
    promise(order, 20)
    later = promise(order, 24, 1)
    tell(later, owner)
    with pytest.raises(ValidationError, match="somebody told the customer"):
        tell(later, owner)
    stale = promise(order, 26, 2)
    promise(order, 28, 3)
    with pytest.raises(ValidationError, match="moved again"):
        tell(stale, owner)


def test_a_person_without_the_right_tells_nobody(order, owner):
    promise(order, 20)
    later = promise(order, 24, 1)
    stranger = factory.make_person("operator", is_active=False)
    with pytest.raises(PermissionDenied):
        tell(later, stranger)


def test_the_page_says_that_no_mail_server_is_set_up_and_notes_what_was_told(
    client_for, order, operator, settings
):
    settings.EMAIL_HOST = ""
    promise(order, 20)
    later = promise(order, 24, 1)
    web, page = client_for(operator), reverse("messages")
    shown = web.get(page).content.decode()
    assert (
        "No mail server is set up" in shown and "Send e-mail" not in shown and "mailto:ida%40marsh" in shown
    )
    prefix = str(later.pk)
    given = {
        f"{prefix}-to": "",
        f"{prefix}-subject": "Order",
        f"{prefix}-text": "By telephone",
        f"{prefix}-how": "hand",
    }
    shown = web.post(reverse("message_send", args=[later.pk]), given, follow=True).content.decode()
    assert "Everybody knows" in shown and "By telephone" in shown
    assert Message.objects.get().sent_by == operator


def test_an_address_that_is_none_is_refused_at_its_field(client_for, order, owner, settings):
    settings.EMAIL_HOST = "mail.example"
    promise(order, 20)
    later = promise(order, 24, 1)
    prefix = str(later.pk)
    for wrong, said in (("", "Enter the address"), ("ida", "valid email address")):
        given = {
            f"{prefix}-to": wrong,
            f"{prefix}-subject": "S",
            f"{prefix}-text": "T",
            f"{prefix}-how": "email",
        }
        answer = client_for(owner).post(reverse("message_send", args=[later.pk]), given)
        assert answer.status_code == 422 and said in answer.content.decode()
    assert mail.outbox == []


def test_the_page_takes_the_same_queries_for_more_customers(
    client_for, owner, shop, django_assert_max_num_queries
):
    for number in range(6):
        customer = factory.make_customer(f"Customer {number}")
        order = factory.make_order(customer=customer, number=f"O-2026-{number:04d}")
        factory.make_lot(order)
        promise(order, 20)
        tell(promise(order, 22, 1), owner)
        promise(order, 24, 2)
    web = client_for(owner)
    with django_assert_max_num_queries(10):
        assert "6 customers do not know" in web.get(reverse("messages")).content.decode()
