"""Taking in, quoting, deciding, promising."""

import datetime as dt
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import DatabaseError, transaction

from kilnshop.documents import render as papers
from kilnshop.orders import actions, queries
from kilnshop.orders.models import Quote
from tests import factory

NOW, DAY = factory.NOW, factory.DAY
LOT = {
    "species_key": "yellow_poplar",
    "thickness": "4/4",
    "volume_bf": "600",
    "start_mc_pct": 25.0,
    "start_how": "weighed",
    "target_mc_pct": 8.0,
    "tolerance_pct": 1.0,
    "treatments": [],
    "stacks": "shop",
}


@pytest.fixture
def chamber(shop):
    factory.make_tariff()
    factory.make_rate_card()
    return factory.make_chamber()


@pytest.fixture
def order(owner, chamber):
    made = actions.create_order(customer=factory.make_customer(), received_on=DAY, by=owner, now=NOW)
    actions.add_lot(order=made, by=owner, data=LOT)
    return made


def quote_of(order, owner, chamber, now=NOW, **over):
    return actions.save_quote(order=order, by=owner, now=now, chamber=chamber, **over)


def words(error) -> str:
    return " ".join(error.value.messages)


def test_orders_are_numbered_without_gaps_by_year(owner, chamber):
    customer = factory.make_customer()
    made = [actions.create_order(customer=customer, received_on=DAY, by=owner, now=NOW) for _ in range(2)]
    with pytest.raises(ValidationError):
        actions.create_order(
            customer=customer, received_on=DAY, needed_by=DAY - dt.timedelta(days=1), by=owner, now=NOW
        )
    made.append(actions.create_order(customer=customer, received_on=DAY, by=owner, now=NOW))
    assert [order.number for order in made] == ["O-2026-0001", "O-2026-0002", "O-2026-0003"]


def test_a_tally_decides_the_board_feet(order, owner):
    tally = [{"pieces": 40, "width_in": Decimal("6"), "length_ft": Decimal("8")}]
    lot = actions.add_lot(order=order, by=owner, data={**LOT, "volume_bf": "5"}, tally=tally)
    assert lot.volume_bf == Decimal("160.00")  # 40 x 6 x 8 x 1 / 12
    assert (lot.letter, lot.tally.count()) == ("B", 1)


def test_dressed_stock_is_counted_nominal_and_dried_actual(order, owner):
    tally = [{"pieces": 100, "width_in": Decimal("6"), "length_ft": Decimal("8")}]
    data = {**LOT, "species_key": "eastern_white_pine", "thickness": "2x6"}
    lot = actions.add_lot(order=order, by=owner, data=data, tally=tally)
    assert lot.basis == "dressed"
    assert (lot.thickness_in, lot.nominal_thickness_in) == (Decimal("1.5"), Decimal("2.0"))
    assert lot.volume_bf == Decimal("800.00")  # 100 x 6 x 8 x 2 / 12


def test_measured_thickness_stands_beside_the_name(order, owner):
    lot = actions.add_lot(order=order, by=owner, data={**LOT, "measured_in": "1 1/8"})
    assert (lot.thickness_label, lot.thickness_in, lot.nominal_thickness_in) == (
        "4/4",
        Decimal("1.125"),
        Decimal("1.0"),
    )


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"species_key": "unobtainium"}, "species_key"),
        ({"thickness": "thick"}, "thickness"),
        ({"volume_bf": ""}, "volume_bf"),
        ({"volume_bf": "lots"}, "volume_bf"),
        ({"treatments": ["magic"]}, "treatments"),
        ({"start_mc_pct": 900.0}, "start_mc_pct"),
        ({"target_mc_pct": 26.0}, "__all__"),
    ],
)
def test_bad_lot_is_refused_by_field_and_nothing_is_kept(order, owner, change, field):
    with pytest.raises(ValidationError) as error:
        actions.add_lot(order=order, by=owner, data={**LOT, **change})
    assert field in error.value.error_dict
    assert order.lots.count() == 1


def test_a_quote_freezes_its_figures(order, owner, chamber):
    quote = quote_of(order, owner, chamber)
    assert quote.number == "Q-2026-0001"
    assert quote.valid_until == DAY + dt.timedelta(days=30)
    assert quote.total == sum(line.amount + line.tax for line in quote.lines.all())
    assert quote.figures["total"] == str(quote.total)
    assert quote.figures["customer"]["name"] == "Ida Marsh Joinery"
    days = quote.figures["days"]
    assert quote.ready_low >= DAY + dt.timedelta(days=int(days["low"]))
    assert quote.ready_high >= DAY + dt.timedelta(days=int(days["high"]) + 2)  # the shop's margin
    with pytest.raises(DatabaseError), transaction.atomic():
        Quote.objects.filter(pk=quote.pk).update(total=Decimal("1.00"))
    with pytest.raises(DatabaseError), transaction.atomic():
        quote.lines.all().delete()


def test_a_quote_prints_the_tax_as_its_invoice_will(order, owner, chamber, shop):
    shop.tax_name, shop.tax_rate_pct = "Sales tax", Decimal("6.25")
    shop.save()
    taxed = quote_of(order, owner, chamber)
    assert taxed.figures["tax_name"] == "Sales tax 6.25 %"
    assert ", sales tax 6.25 % included, and" in papers.html("quote", taxed.figures)
    order.customer.tax_exempt, order.customer.exemption_number = True, "E-12"
    order.customer.save()
    exempt = quote_of(order, owner, chamber)
    assert (exempt.figures["tax_name"], exempt.tax) == ("Sales tax, exempt", Decimal("0.00"))
    assert ", no tax, and" in papers.html("quote", exempt.figures)


def test_changing_prices_later_changes_no_saved_quote(order, owner, chamber):
    quote = quote_of(order, owner, chamber)
    before = Quote.objects.get(pk=quote.pk).figures
    factory.make_rate_card(
        valid_from=DAY, rates=[{"per_bf": Decimal("9"), "up_to_thickness_in": Decimal("16")}]
    )
    newer = quote_of(order, owner, chamber)
    assert Quote.objects.get(pk=quote.pk).figures == before
    assert newer.total > quote.total


def test_changed_quote_is_a_new_revision_and_the_old_one_cannot_be_accepted(order, owner, chamber):
    first = quote_of(order, owner, chamber)
    second = quote_of(order, owner, chamber, tally_basis="dried")
    assert (second.number, second.revision) == ("Q-2026-0001-R2", 2)
    with pytest.raises(ValidationError) as error:
        actions.decide_quote(quote=first, decision="accepted", on=DAY, by=owner)
    assert "Q-2026-0001-R2" in words(error)
    actions.decide_quote(quote=second, decision="accepted", on=DAY, by=owner)
    assert queries.accepted_quote(order) == second


def test_a_quote_saved_again_unchanged_is_the_one_that_waits(order, owner, chamber):
    first = quote_of(order, owner, chamber)
    assert quote_of(order, owner, chamber) == first
    assert Quote.objects.count() == 1
    actions.decide_quote(quote=first, decision="declined", on=DAY, by=owner)
    assert quote_of(order, owner, chamber).revision == 2  # asked for again


def test_lapsed_quote_cannot_be_accepted(order, owner, chamber):
    quote = quote_of(order, owner, chamber)
    with pytest.raises(ValidationError) as error:
        late = quote.valid_until + dt.timedelta(days=1)
        actions.decide_quote(quote=quote, decision="accepted", on=late, by=owner)
    assert "lapsed" in words(error)
    actions.decide_quote(quote=quote, decision="accepted", on=quote.valid_until, by=owner)


def test_a_decision_is_made_once_and_not_before_the_quote(order, owner, chamber):
    quote = quote_of(order, owner, chamber)
    with pytest.raises(ValidationError):
        actions.decide_quote(quote=quote, decision="accepted", on=DAY - dt.timedelta(days=1), by=owner)
    with pytest.raises(ValidationError):
        actions.decide_quote(quote=quote, decision="maybe", on=DAY, by=owner)
    actions.decide_quote(quote=quote, decision="declined", on=DAY, by=owner, note="by phone")
    with pytest.raises(ValidationError) as error:
        actions.decide_quote(quote=quote, decision="accepted", on=DAY, by=owner)
    assert "already declined" in words(error)


def test_after_acceptance_priced_facts_stay_and_measured_ones_can_be_put_right(order, owner, chamber):
    actions.decide_quote(quote=quote_of(order, owner, chamber), decision="accepted", on=DAY, by=owner)
    lot = order.lots.get()
    with pytest.raises(ValidationError) as error:
        actions.change_lot(lot=lot, by=owner, data={**LOT, "volume_bf": "900"})
    assert "firm" in words(error)
    actions.change_lot(lot=lot, by=owner, data={**LOT, "start_mc_pct": 31.0, "start_how": "oven_dry"})
    assert order.lots.get().start_mc_pct == 31.0
    for refused in (
        lambda: actions.add_lot(order=order, by=owner, data=LOT),
        lambda: quote_of(order, owner, chamber),
        lambda: actions.remove_lot(lot=lot, by=owner),
    ):
        with pytest.raises(ValidationError):
            refused()


def test_accepted_lots_wait_in_the_yard_until_loaded(order, owner, chamber):
    assert not queries.waiting_lots()
    actions.decide_quote(quote=quote_of(order, owner, chamber), decision="accepted", on=DAY, by=owner)
    lot = order.lots.get()
    assert list(queries.waiting_lots()) == [lot]
    actions.mark_arrived(lot=lot, arrived_on=DAY, place="Row 3", by=owner, now=NOW)
    assert queries.waiting_lots().get().yard_place == "Row 3"
    with pytest.raises(ValidationError):
        actions.mark_arrived(lot=lot, arrived_on=DAY + dt.timedelta(days=9), place="", by=owner, now=NOW)
    factory.make_charge(chamber=chamber, lots=[lot])
    assert not queries.waiting_lots()
    with pytest.raises(ValidationError) as error:
        actions.cancel_order(order=order, by=owner, now=NOW, why="changed their mind")
    assert str(lot) in words(error)


def test_no_quote_without_a_lot_or_a_price(owner, chamber):
    empty = actions.create_order(customer=factory.make_customer("Empty"), received_on=DAY, by=owner, now=NOW)
    with pytest.raises(ValidationError) as error:
        quote_of(empty, owner, chamber)
    assert "no lots" in words(error)
    actions.add_lot(order=empty, by=owner, data={**LOT, "thickness": "4"})
    with pytest.raises(ValidationError) as error:
        quote_of(empty, owner, chamber)
    assert "no price" in words(error) and "4 in thick" in words(error)
    assert not empty.quotes.exists()


def test_a_cancelled_order_takes_nothing_more(order, owner, chamber):
    with pytest.raises(ValidationError):
        actions.cancel_order(order=order, by=owner, now=NOW, why="  ")
    actions.cancel_order(order=order, by=owner, now=NOW, why="sold the logs")
    order.refresh_from_db()
    with pytest.raises(ValidationError) as error:
        actions.add_lot(order=order, by=owner, data=LOT)
    assert "was cancelled" in words(error)
    assert queries.order_stage(order, DAY) == "Cancelled"


def test_promises_keep_their_history(order, owner):
    actions.set_promise(order=order, ready_on=DAY + dt.timedelta(days=20), by=owner, now=NOW, why="planned")
    actions.set_promise(
        order=order,
        ready_on=DAY + dt.timedelta(days=26),
        by=owner,
        now=NOW + dt.timedelta(days=3),
        why="slipped",
    )
    assert [promise.why for promise in order.promises.all()] == ["slipped", "planned"]


def test_the_operator_takes_in_wood_but_issues_no_quote(order, operator, chamber):
    actions.add_lot(order=order, by=operator, data=LOT)
    with pytest.raises(PermissionDenied):
        quote_of(order, operator, chamber)


def test_stages_of_an_order(order, owner, chamber):
    stages = [queries.order_stage(order, DAY)]
    quote = quote_of(order, owner, chamber)
    stages.append(queries.order_stage(order, DAY))
    stages.append(queries.order_stage(order, quote.valid_until + dt.timedelta(days=1)))
    actions.decide_quote(quote=quote, decision="accepted", on=DAY, by=owner)
    stages.append(queries.order_stage(order, DAY))
    charge = factory.make_charge(chamber=chamber, lots=[order.lots.get()])
    stages.append(queries.order_stage(order, DAY))
    charge.started_at = NOW
    charge.save()
    stages.append(queries.order_stage(order, DAY))
    assert stages == ["Taken in", "Quoted", "Lapsed", "Firm", "Planned", "In the kiln"]


def test_the_list_shows_what_was_asked_for(order, owner, chamber):
    found = {show: list(queries.listed(show)) for show in queries.SHOWN}
    assert found == {"open": [order], "taken_in": [order], "quoted": [], "firm": [], "off": []}
    quote = quote_of(order, owner, chamber)
    assert list(queries.listed("quoted")) == [order] and not queries.listed("taken_in")
    assert list(queries.lapsing_quotes(quote.valid_until)) == [quote] and not queries.lapsing_quotes(DAY)
    actions.decide_quote(quote=quote, decision="declined", on=DAY, by=owner)
    assert list(queries.listed("off")) == [order] and not queries.listed("open")
    assert list(queries.listed("", "marsh")) == [order] and not queries.listed("", "nobody")


def test_only_the_newest_promise_counts_for_a_week(order, owner):
    week = (DAY, DAY + dt.timedelta(days=6))
    actions.set_promise(order=order, ready_on=DAY, by=owner, now=NOW, why="planned")
    assert queries.promised_between(*week) == [order]
    later = DAY + dt.timedelta(days=30)
    actions.set_promise(order=order, ready_on=later, by=owner, now=NOW + dt.timedelta(hours=1), why="slipped")
    assert queries.promised_between(*week) == []
