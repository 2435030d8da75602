"""Handing over: what may go on a ticket, that it stays as issued, and how it is replaced."""

import datetime as dt
import statistics
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import DatabaseError, transaction

from kilnshop.shop.models import NumberSeries, Shop
from kilnshop.tickets import actions, queries
from kilnshop.tickets.figures import CHART_POINTS, final_moisture, ticket_figures
from kilnshop.tickets.models import Ticket, TicketLot
from tests import factory
from tests.tickets import delivery


@pytest.fixture
def order(owner):
    return factory.make_order(by=owner)


@pytest.fixture
def charge_lot(order, owner):
    charge = delivery.unloaded_charge([factory.make_lot(order, treatments=[delivery.HEAT])], by=owner)
    row = charge.charge_lots.get()
    delivery.board_tests(row, owner)
    return row


def issue(charge_lots, by, **over):
    charge_lots = charge_lots if isinstance(charge_lots, list) else [charge_lots]
    values = {
        "order": charge_lots[0].lot.order,
        "charge_lots": charge_lots,
        "delivered_on": delivery.HANDED_OVER,
        "by": by,
        "now": delivery.NOW,
    }
    return actions.issue_ticket(**(values | over))


def test_a_ticket_says_what_was_handed_over_and_how_dry(charge_lot, owner):
    ticket = issue(charge_lot, owner)
    assert ticket.number == "T-2026-0001"
    lot = ticket.figures["lots"][0]
    assert (lot["pieces"], lot["volume_bf"]) == (120, "760.00")
    assert (lot["in_on"], lot["out_on"]) == ("2026-03-02", "2026-03-15")
    assert (lot["target"], lot["tolerance"]) == (7.0, 1.0)
    tests = lot["tests"]
    figures = [6.6, 7.1, 7.4, 8.2]  # independent: the standard library's statistics
    assert tests["mean"] == round(statistics.mean(figures), 2)
    assert tests["sd"] == round(statistics.stdev(figures), 2)
    assert (tests["wettest"], tests["driest"]) == (8.2, 6.6)
    assert (tests["n"], tests["within"], tests["share"]) == (4, 3, 0.75)
    assert tests["method"] == "Pin meter"
    assert tests["meter"] == "meter 2"
    assert tests["correction"] == "temperature (T), species (S)"
    assert (tests["depths_in"], tests["measured_on"]) == ([0.25], "Sun 15 Mar 2026")
    assert lot["treatments"][0]["verdict"] == "Not recorded"


def test_a_board_beyond_the_meter_is_counted_and_told(charge_lot, owner):
    charge_lot.board_tests.all().delete()
    tests = final_moisture(delivery.board_tests(charge_lot, owner, (6.8, 7.2, None)), 7.0, 1.0)
    assert (tests["n"], tests["within"], tests["mean"]) == (3, 2, 7.0)
    assert tests["share"] == pytest.approx(2 / 3)
    assert "1 board read beyond the meter’s range" in tests["remarks"][0]
    assert tests["correction"] == "temperature (T), species (S)"


def test_without_board_tests_moisture_is_not_recorded(charge_lot):
    assert final_moisture([], 7.0, 1.0) is None


def test_the_code_cannot_be_guessed_and_reads_well(charge_lot, owner, settings):
    settings.SITE_URL = "https://kiln.example"
    ticket = issue(charge_lot, owner)
    assert len(ticket.code.replace("-", "")) == 16
    assert not set(ticket.code) & set("01OIL")
    assert ticket.figures["confirm_url"] == f"https://kiln.example/t/{ticket.code}/"
    assert len({actions.new_code() for _ in range(200)}) == 200


def test_a_code_is_found_as_people_type_it(charge_lot, owner):
    ticket = issue(charge_lot, owner)
    typed = ticket.code.lower().replace("-", " ")
    assert queries.by_code(typed) == ticket
    assert queries.by_code("") is None


@pytest.mark.parametrize(
    ("state", "told"),
    [
        ({"unloaded_at": None}, "is dry: unload it and count the lot out"),
        ({"unloaded_at": None, "dried_at": None}, "is running: finish drying"),
        ({"unloaded_at": None, "dried_at": None, "started_at": None}, "is planned: start it"),
    ],
)
def test_a_lot_still_in_the_kiln_is_not_handed_over(charge_lot, owner, state, told):
    for name, value in state.items():
        setattr(charge_lot.charge, name, value)
    charge_lot.charge.save()
    with pytest.raises(ValidationError, match=told):
        issue(charge_lot, owner)
    assert not Ticket.objects.exists()


def test_a_lot_is_handed_over_once(charge_lot, owner):
    first = issue(charge_lot, owner)
    with pytest.raises(ValidationError, match=f"Handed over on ticket {first.number}"):
        issue(charge_lot, owner)
    assert queries.deliverable(charge_lot.lot.order) == []


def test_a_lot_in_the_yard_says_what_to_do(order):
    factory.make_lot(order)
    (standing,) = queries.standings(order)
    assert not standing.deliverable
    assert (standing.why, standing.url_name) == ("It waits in the yard: plan a charge for it.", "charge_plan")


def test_a_lot_of_another_order_is_refused(charge_lot, owner):
    other = factory.make_order(charge_lot.lot.order.customer, by=owner, number="O-2026-0002")
    with pytest.raises(ValidationError, match="not a lot of order O-2026-0002"):
        issue(charge_lot, owner, order=other)


@pytest.mark.parametrize(
    ("day", "told"),
    [
        (dt.date(2026, 3, 14), "left the kiln on Sun 15 Mar 2026"),
        (dt.date(2026, 3, 17), "lies in the future"),
    ],
)
def test_the_day_of_delivery_lies_between_unloading_and_today(charge_lot, owner, day, told):
    with pytest.raises(ValidationError, match=told):
        issue(charge_lot, owner, delivered_on=day)


def test_no_lot_is_refused(order, owner):
    with pytest.raises(ValidationError, match="Choose at least one lot"):
        actions.issue_ticket(
            order=order, charge_lots=[], delivered_on=delivery.HANDED_OVER, by=owner, now=delivery.NOW
        )


def test_an_operator_issues_no_ticket(charge_lot, operator):
    with pytest.raises(PermissionDenied, match="may not issue quotes, tickets and invoices"):
        issue(charge_lot, operator)


def test_a_refused_ticket_leaves_no_gap_in_the_numbers(charge_lot, owner):
    with pytest.raises(ValidationError):
        issue(charge_lot, owner, delivered_on=dt.date(2026, 3, 1))
    assert not NumberSeries.objects.filter(kind="ticket").exists()
    assert issue(charge_lot, owner).number == "T-2026-0001"


@pytest.mark.parametrize(
    "change",
    [
        lambda ticket: Ticket.objects.filter(pk=ticket.pk).update(figures={}),
        lambda ticket: Ticket.objects.filter(pk=ticket.pk).update(delivered_on=dt.date(2026, 1, 1)),
        lambda ticket: TicketLot.objects.filter(ticket=ticket).delete(),
        lambda ticket: ticket.delete(),
    ],
)
def test_the_database_refuses_to_change_an_issued_ticket(charge_lot, owner, change):
    ticket = issue(charge_lot, owner)
    with pytest.raises(DatabaseError, match=r"frozen|protected"), transaction.atomic():
        change(ticket)
    ticket.refresh_from_db()
    assert ticket.figures["number"] == ticket.number


def test_later_changes_do_not_reach_an_issued_ticket(charge_lot, owner):
    before = issue(charge_lot, owner).figures
    Shop.objects.update(name="Another name", units="metric")
    charge_lot.lot.order.customer.name = "Somebody else"
    charge_lot.lot.order.customer.save()
    delivery.board_tests(charge_lot, owner, (12.0,))
    assert Ticket.objects.get().figures == before
    assert before["shop"]["name"] == "Two Birches Kiln"


def test_a_replacement_names_the_old_one_and_leaves_it_as_it_is(charge_lot, owner):
    old = issue(charge_lot, owner)
    delivery.board_tests(charge_lot, owner, (7.0,))
    new = issue(charge_lot, owner, supersedes=old, why="one board was forgotten")
    assert new.number == "T-2026-0002"
    assert (new.figures["supersedes"], new.figures["why"]) == (old.number, "one board was forgotten")
    assert (new.figures["lots"][0]["tests"]["n"], old.figures["lots"][0]["tests"]["n"]) == (5, 4)
    assert queries.successor(old) == new
    assert [found.number for found in queries.tickets("live")] == [new.number]
    assert [found.number for found in queries.tickets("replaced")] == [old.number]


def test_a_replacement_needs_a_reason_and_the_newest_ticket(charge_lot, owner):
    old = issue(charge_lot, owner)
    with pytest.raises(ValidationError, match="Say what was wrong with ticket T-2026-0001"):
        issue(charge_lot, owner, supersedes=old)
    issue(charge_lot, owner, supersedes=old, why="wrong day")
    with pytest.raises(ValidationError, match="is replaced by T-2026-0002 already"):
        issue(charge_lot, owner, supersedes=old, why="again")


def test_a_lot_left_off_the_replacement_can_be_handed_over_again(order, owner):
    charge = delivery.unloaded_charge([factory.make_lot(order, letter) for letter in "AB"], by=owner)
    first, second = charge.charge_lots.order_by("lot__letter")
    old = issue([first, second], owner)
    assert list(queries.orders_to_deliver()) == []
    issue(first, owner, supersedes=old, why="lot B stayed here")
    assert queries.deliverable(order) == [second]
    assert list(queries.orders_to_deliver()) == [order]


def test_the_public_view_tells_nothing_about_people(charge_lot, owner):
    ticket = issue(charge_lot, owner)
    shown = str(queries.public_view(ticket))
    customer = charge_lot.lot.order.customer
    for secret in (
        customer.name,
        "Ida Marsh",
        "Quarry",
        ticket.figures["order_number"],
        str(owner),
        ticket.code,
    ):
        assert secret not in shown
    assert ticket.number in shown
    assert "7.3" in shown


def test_a_long_log_is_thinned_on_the_paper_but_its_dip_stays(charge_lot, owner):
    delivery.core_probe(charge_lot)
    rows = [{"ch1": 140.0}] * 400
    rows[211] = {"ch1": 120.5}
    delivery.log(charge_lot.charge, owner, rows)
    chart = issue(charge_lot, owner).figures["lots"][0]["chart"]
    assert len(chart["core"]) <= CHART_POINTS
    assert min(point["value"] for point in chart["core"]) == 120.5
    assert chart["limit_f"] == 132.8


def test_the_preview_has_the_same_figures_without_number_and_code(charge_lot, owner, shop):
    preview = ticket_figures(
        order=charge_lot.lot.order,
        charge_lots=[charge_lot],
        shop=shop,
        by=owner,
        delivered_on=delivery.HANDED_OVER,
        issued_on=delivery.HANDED_OVER,
    )
    issued = issue(charge_lot, owner).figures
    differing = {key for key in issued if issued[key] != preview[key]}
    assert differing == {"number", "code", "confirm_url"}


def test_the_total_is_the_sum_of_the_lots(order, owner):
    lots = [factory.make_lot(order, letter, volume_bf=Decimal("333.33")) for letter in "ABC"]
    charge = delivery.unloaded_charge(lots, by=owner)
    figures = issue(list(charge.charge_lots.all()), owner).figures
    assert Decimal(figures["total_bf"]) == sum(Decimal(lot["volume_bf"]) for lot in figures["lots"])


def test_moisture_on_the_chart_is_the_newest_correction(charge_lot, owner):
    from kilnshop.charges.models import Correction, Probe

    Probe.objects.create(charge=charge_lot.charge, channel=4, charge_lot=charge_lot, board="board 9")
    (reading,) = delivery.log(charge_lot.charge, owner, [{"ch4": 15.0}], logged=False)
    for hours, value in ((0, 14.2), (2, 13.1)):
        Correction.objects.create(
            reading=reading,
            channel=4,
            value=value,
            method="by hand",
            at=delivery.DRIED + dt.timedelta(hours=hours),
            by=owner,
        )
    chart = issue(charge_lot, owner).figures["lots"][0]["chart"]
    assert [(point["name"], point["value"]) for point in chart["mc"]] == [("board 9", 13.1)]
    assert chart["mc"][0]["at"] == "2026-03-14T03:00:00"  # 07:00 UTC on the shop's clock, the week DST began


def test_a_log_of_forty_thousand_rows_makes_a_ticket(charge_lot, owner):
    """More rows than SQLite takes values in one statement."""
    delivery.core_probe(charge_lot)
    rows = [{"ch1": 90.0}] * 39_900 + [{"ch1": 134.0}] * 100
    begin = delivery.DRIED - dt.timedelta(seconds=20 * len(rows))
    delivery.log(charge_lot.charge, owner, rows, every_minutes=1 / 3, begin=begin)
    record = issue(charge_lot, owner).figures["lots"][0]["treatments"][0]
    assert (record["verdict"], record["longest_minutes"]) == ("Met", 33)
