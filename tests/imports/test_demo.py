"""The demo shop: complete, the same every time, and in its own database."""

import datetime as dt
import itertools
import os
import sqlite3
from decimal import Decimal

import pytest
from django.conf import settings
from django.core.management import call_command
from django.db import connection, transaction

from kilnshop.billing import queries as billing
from kilnshop.charges.models import (
    Alert,
    BoardTest,
    Booking,
    Charge,
    Degrade,
    LogImport,
    Reading,
    SampleWeight,
)
from kilnshop.imports import demo, demo_kiln
from kilnshop.orders import queries as orders
from kilnshop.orders.models import Order, Quote
from kilnshop.shop.models import Person
from kilnshop.tickets.models import Ticket
from tests.servers import fetched, running

NOW = dt.datetime(2026, 11, 25, 15, 30, tzinfo=dt.UTC)
TODAY = dt.date(2026, 11, 25)
FOLDER = settings.BASE_DIR / "demo_data"


READ = ("charge__number", "taken_at", "dry_bulb_f", "ch1", "ch7", "meter_kwh")


def summary() -> dict:
    """The whole story without what is secret or random on purpose (codes, password hashes)."""
    return {
        "orders": list(
            Order.objects.values_list("number", "customer__name", "received_on").order_by("number")
        ),
        "quotes": list(
            Quote.objects.values_list("number", "total", "valid_until", "decision").order_by("number")
        ),
        "charges": list(
            Charge.objects.values_list("number", "schedule_code", "plan", "step_index").order_by("number")
        ),
        "bookings": list(
            Booking.objects.values_list("first_day", "last_day", "outage").order_by("first_day", "last_day")
        ),
        "readings": list(Reading.objects.order_by(*READ).values_list(*READ)),
        "tickets": [paper(ticket.figures) for ticket in Ticket.objects.order_by("number")],
        "invoices": [(row.number, row.total, row.balance, row.state) for row in billing.listed("", TODAY)],
    }


def paper(figures: dict) -> dict:
    """A ticket's figures without its code and without row ids, which PostgreSQL never gives twice."""
    kept = {key: value for key, value in figures.items() if key not in ("code", "confirm_url")}
    return kept | {
        "lots": [{key: value for key, value in lot.items() if key != "charge_lot"} for lot in kept["lots"]]
    }


@pytest.mark.django_db
def test_demo_shop_has_every_stage_and_is_the_same_twice():
    found = []
    for _ in range(2):
        with transaction.atomic():
            demo.build(folder=FOLDER, now=NOW)
            found.append(summary())
            if len(found) == 1:
                check_stages()
            transaction.set_rollback(True)
    if connection.vendor == "postgresql":  # some boards come in any order there and draw each other's noise
        for one in found:
            one["readings"] = len(one["readings"])
    assert found[0] == found[1]


def check_stages():
    stages = {orders.order_stage(order, TODAY) for order in orders.orders()}
    assert stages >= {
        orders.TAKEN_IN, orders.QUOTED, orders.FIRM, orders.PLANNED, orders.RUNNING, orders.DELIVERED
    }  # fmt: skip
    states = [charge.state for charge in Charge.objects.all()]
    assert sorted(set(states)) == ["dry", "planned", "running", "unloaded"]
    assert states.count("planned") == 2
    waiting = orders.waiting_lots()
    assert len({lot.species_key for lot in waiting.filter(order__customer_reference="Kitchen")}) == 3
    lapsing = Quote.objects.filter(decision="", valid_until__lte=TODAY + dt.timedelta(days=7))
    assert lapsing.exists()
    assert [row.state for row in billing.listed("", TODAY)] == ["overdue", "paid"]
    assert len(billing.tickets_to_invoice()) == 1
    assert all(log.rows_taken > 50 for log in LogImport.objects.all())
    assert LogImport.objects.count() == 2
    running = Charge.objects.get(started_at__isnull=False, dried_at=None)
    cut = running.alerts.get(kind=Alert.Kind.POWER)
    assert "3 h 40 min" in cut.text and cut.finding  # silent from 02:00 to 05:30, a row every 10 minutes
    assert not Alert.objects.filter(found_at=None).exclude(charge=running).exists()
    assert SampleWeight.objects.filter(sample__charge_lot__charge=running).exists()
    assert set(running.checklists.values_list("kind", flat=True)) == {"loading", "start", "daily", "step"}
    assert {row.cause for row in Degrade.objects.all()} == {"before", "stacking", "handling", "drying"}
    assert BoardTest.objects.exclude(prong="").exists()
    assert waiting.count() >= 10
    heated = [lot for ticket in Ticket.objects.all() for lot in ticket.figures["lots"] if lot["treatments"]]
    assert [treatment["verdict"].lower() for treatment in heated[0]["treatments"]] == ["met"]
    assert Booking.objects.filter(charge=None).count() == 2
    assert not Reading.objects.filter(taken_at__gt=NOW).exists()
    assert set(Person.objects.values_list("role", flat=True)) == {"owner", "operator", "office"}
    assert all(person.check_password(demo.PASSWORD) for person in Person.objects.all())


def test_demo_command_serves_its_shop_and_leaves_every_other_database_alone(tmp_path):
    """As the shop runs: a wrong address gives the shop's own page, not a programmer's."""
    other = tmp_path / "other.sqlite3"
    env = os.environ | {"DATABASE_URL": f"sqlite:///{other}", "KILNSHOP_DATA_DIR": str(tmp_path / "data")}
    with running("demo", env | {"KILNSHOP_DEBUG": ""}) as (address, said):
        assert any(demo.PASSWORD in line for line in said)
        status, page = fetched(f"{address}/nowhere/")
    assert status == 404
    assert "There is no page at this address" in page and "URLconf" not in page
    assert not other.exists()
    with sqlite3.connect(tmp_path / "data" / "demo" / "kilnshop.sqlite3") as database:
        assert database.execute("select count(*) from orders_order").fetchone()[0] == 26


@pytest.mark.parametrize("arguments", [["--port", "0"], ["--port", "many"], ["--colour", "red"]])
def test_wrong_arguments_end_with_code_2_and_one_line(capsys, arguments):
    with pytest.raises(SystemExit) as refusal:
        call_command("demo", "--no-server", *arguments)
    line = capsys.readouterr().err
    assert refusal.value.code == 2
    assert len(line.strip().splitlines()) == 1
    assert arguments[0] in line


def test_demo_is_refused_on_a_database_that_is_not_its_own():
    from kilnshop.web.management.commands.demo import empty_demo_database

    with pytest.raises(SystemExit) as refusal:
        empty_demo_database()
    assert refusal.value.code == 2


STEPS = [
    {
        "kind": "dry",
        "from_mc_pct": 25.0,
        "emc_pct": 9.0,
        "hours": 90,
        "dry_bulb_f": 110.0,
        "wet_bulb_f": 95.0,
    },
    {
        "kind": "dry",
        "from_mc_pct": 15.0,
        "emc_pct": 4.5,
        "hours": 150,
        "dry_bulb_f": 125.0,
        "wet_bulb_f": 88.0,
    },
    {
        "kind": "heat",
        "from_mc_pct": 7.0,
        "emc_pct": 4.0,
        "hours": 6,
        "dry_bulb_f": 148.0,
        "wet_bulb_f": 100.0,
    },
]


def test_made_up_boards_dry_to_the_target_in_the_asked_time():
    moments = demo_kiln.paced(
        STEPS, [25.0, 23.0, 24.0], [1.0, 1.0, 1.3], 7.0, 240, 3, lambda hour: hour % 12 == 8
    )
    assert 0 <= 240 - moments[-1].hour <= 12  # it ends when somebody looks, every 12 hours
    assert {moment.step for moment in moments} == {0, 1, 2}
    changed = {
        moment.hour % 12 for moment, after in itertools.pairwise(moments) if moment.step == 0 != after.step
    }
    assert changed == {8}  # a step waits for somebody to look
    for before, after in itertools.pairwise(moments):
        assert all(b >= a for b, a in zip(before.boards, after.boards, strict=True))


@pytest.mark.parametrize("mc", [6.5, 12.0, 24.0])
def test_made_up_raw_reading_corrects_to_the_moisture(mc):
    from kilnshop.charges.readings import correct_pin

    raw = demo_kiln.raw_for(mc, lambda raw: correct_pin(raw, 110.0, "northern_red_oak")[0])
    assert correct_pin(raw, 110.0, "northern_red_oak")[0] == pytest.approx(mc, abs=0.3)


def test_made_up_electricity_and_log_of_a_power_cut():
    """Never below what the fans draw nor above all machines and heat together; silent through the cut, cold after it."""
    machines = {"fan": 1.1, "compressor": 3.0, "removal_lb_per_day": 240.0}
    assert demo_kiln.power_kw(0.0, demo_kiln.ROOM_F, **machines) == 1.1
    assert demo_kiln.power_kw(500.0, demo_kiln.ROOM_F, **machines) == pytest.approx(4.1)
    day = dt.datetime(2026, 10, 20)
    lines = demo_kiln.day_log(day, STEPS[1], (2.0, 5.5), seed=2).decode().splitlines()[2:]
    rows = [
        (dt.datetime.fromisoformat(when), float(dry)) for when, dry, _ in (row.split(",") for row in lines)
    ]
    gap = max(itertools.pairwise(rows), key=lambda pair: pair[1][0] - pair[0][0])
    assert (gap[0][0].time(), gap[1][0].time()) == (dt.time(1, 50), dt.time(5, 30))
    assert gap[1][1] < 125 - 10
    assert rows[-1][1] == pytest.approx(125, abs=2)


def test_made_up_heat_log_holds_both_cores_long_enough():
    lines = demo_kiln.heat_log(dt.datetime(2026, 10, 20, 10, 0), 150.0, seed=1).decode().splitlines()
    cores = [[float(cell) for cell in line.split(",")[2:]] for line in lines[2:]]
    held = [row for row in cores if min(row) >= 132.8]
    assert len(held) * 3 >= 60
    assert all(Decimal("100") <= Decimal(str(core)) <= 150 for row in cores for core in row)
