"""The pages of a running charge: opened, filled in, refused in words."""

import datetime as dt
import html
import uuid

import pytest
import time_machine
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from kilnshop.charges import checklists, running
from kilnshop.charges.models import BoardTest, Charge, Correction, LogImport, LogMapping, Reading
from kilnshop.web import charts
from tests import factory
from tests.charges.running_helpers import HOUR, NOW, all_done, read, running_charge


@pytest.fixture
def charge(operator):
    return running_charge(operator)


@pytest.fixture
def door(operator, client_for):
    return client_for(operator)


@pytest.fixture(autouse=True)
def two_days_on():
    with time_machine.travel(NOW + 48 * HOUR, tick=False):
        yield


def text_of(response):
    return " ".join(response.content.decode().split())


def ticked(kind, **over):
    return {f"done_{line.key}": "on" for line in checklists.LISTS[kind]} | {"initials": "op"} | over


def typed(**values):
    return {"taken_at": "2026-03-03T10:00", "entry": str(uuid.uuid4()), "note": "", **values}


def test_the_charge_page_opens_with_step_next_change_and_when(charge, door):
    text = text_of(door.get(reverse("charge", args=[charge.pk])))
    assert "North chamber is on step 1 of 2, drying." in text
    assert (
        "set dry bulb 120 °F, wet bulb 90 °F; compressor on, heater on, vents shut, fans on, when the wettest half of the probes averages 15 %, "
        "expected Sat 7 Mar."
    ) in text
    assert "Take a reading" in text


@pytest.mark.parametrize("state", ["planned", "running", "dry", "unloaded", "cancelled"])
def test_the_charge_page_opens_in_every_state(state, operator, office, door, client_for):
    charge = factory.make_charge() if state in ("planned", "cancelled") else running_charge(operator)
    moments = {"dry": ("dried_at",), "unloaded": ("dried_at", "unloaded_at"), "cancelled": ("cancelled_at",)}
    Charge.objects.filter(pk=charge.pk).update(**dict.fromkeys(moments.get(state, ()), NOW + 5 * HOUR))
    for client in (door, client_for(office)):
        response = client.get(reverse("charge", args=[charge.pk]))
        assert response.status_code == 200
        assert f">{state.capitalize()}</span>" in text_of(response)


def test_the_charge_page_asks_the_database_the_same_few_questions_however_long_it_ran(
    charge, operator, door, django_assert_max_num_queries
):
    for hours in range(1, 30):
        read(
            charge, operator, hours=hours, dry_bulb_f=110, wet_bulb_f=100, ch1=20.0, ch2=18.0, meter_kwh=hours
        )
    questions = {"": 32, "_steps": 20, "_readings": 24, "_lots": 16, "_load": 16, "_record": 12}
    for part, most in questions.items():
        with django_assert_max_num_queries(most):
            assert door.get(reverse(f"charge{part}", args=[charge.pk])).status_code == 200
    page = reverse("charge_readings", args=[charge.pk])
    assert "Page 1 of 4" in text_of(door.get(page))
    assert text_of(door.get(page + "?page=2")).count('href="/readings/') == 8


def test_an_alert_is_shown_with_its_meaning_and_closed_by_a_finding(charge, operator, door):
    read(charge, operator, hours=24, dry_bulb_f=130)  # 115 °F is set, the compressor's limit is 125 °F
    page = reverse("charge", args=[charge.pk])
    text = text_of(door.get(page))
    assert "Stop: Compressor above its limit" in text and "Switch the compressor off first" in text
    alert = charge.alerts.get(kind="compressor")
    answer = door.post(reverse("alert_finding", args=[alert.pk]), {"finding": ""}, follow=True)
    assert "also when nothing was wrong" in text_of(answer)
    answer = door.post(reverse("alert_finding", args=[alert.pk]), {"finding": "Relay stuck"}, follow=True)
    assert "Stop: Compressor above its limit" not in text_of(answer)
    assert "Found: Relay stuck" in text_of(door.get(reverse("charge_record", args=[charge.pk])))


def test_the_heat_list_is_offered_only_where_a_step_is_hot(charge, door):
    heat = reverse("charge_list", args=[charge.pk, "heat"])
    assert {step["kind"] for step in charge.plan["steps"]} == {"dry"}
    assert heat not in text_of(door.get(reverse("charge", args=[charge.pk])))
    charge.plan["steps"].append(charge.plan["steps"][-1] | {"kind": "heat"})
    charge.save()
    assert heat in text_of(door.get(reverse("charge", args=[charge.pk])))


def test_the_charts_are_drawn_for_a_browser_without_scripts(charge, operator, door):
    read(charge, operator, dry_bulb_f=110, wet_bulb_f=100, ch1=20.0)
    for name in ("moisture", "air"):
        response = door.get(reverse("charge_chart", args=[charge.pk, name]))
        assert response["Content-Type"] == "image/svg+xml"
        assert b"<svg" in response.content
    assert door.get(reverse("charge_chart", args=[charge.pk, "nonsense"])).status_code == 404


def test_the_charts_use_the_shops_wall_clock_in_every_browser(charge, operator, door):
    """15:00 UTC on 3 March is 10:00 in New York; written with Z and drawn on a UTC scale it reads 10:00."""
    read(charge, operator, dry_bulb_f=110, wet_bulb_f=100)
    drawn = door.get(reverse("charge_readings", args=[charge.pk])).context["charts"]["air"]
    measured = drawn["layer"][-1]
    assert {row["at"] for row in measured["data"]["values"]} == {"2026-03-03T10:00:00Z"}
    assert measured["encoding"]["x"]["scale"] == {"type": "utc"}
    assert [layer["mark"]["color"] for layer in drawn["layer"]] == [
        charts.TARGET_COLOUR,
        charts.MEASURED_COLOUR,
    ]


# Checklists


def test_a_charge_is_started_on_its_checklist(door, operator):
    charge = factory.make_charge()
    shown = text_of(door.get(reverse("charge_start", args=[charge.pk])))
    assert shown.index("nobody inside") < shown.index("New wick")  # people first
    assert "does not replace local codes" in shown
    response = door.post(reverse("charge_start", args=[charge.pk]), ticked("start"))
    assert response.status_code == 302
    assert Charge.objects.get().state == "running"


def test_an_open_line_is_named_and_nothing_starts(door, operator):
    charge = factory.make_charge()
    data = ticked("start")
    del data["done_drain"]
    response = door.post(reverse("charge_start", args=[charge.pk]), data)
    assert "is neither done nor skipped" in text_of(response)
    assert Charge.objects.get().state == "planned"
    assert (
        door.post(reverse("charge_start", args=[charge.pk]), data | {"skip_drain": "Bucket"}).status_code
        == 302
    )


def test_a_charge_is_finished_and_unloaded(charge, operator, door):
    assert "is signed when it is dry" in text_of(door.get(reverse("charge_unload", args=[charge.pk])))
    read(charge, operator, dry_bulb_f=110, ch1=35.0)
    assert "Moisture that governs: above the pins' range" in html.unescape(
        text_of(door.get(reverse("charge_finish", args=[charge.pk])))
    )
    assert door.post(reverse("charge_finish", args=[charge.pk]), ticked("finish")).status_code == 302
    shown = text_of(door.get(reverse("charge_unload", args=[charge.pk])))
    assert "off and locked before anybody enters" in shown
    assert "Probes and leads pulled before wood moves" in shown
    row = charge.charge_lots.get()
    data = ticked("unload", **{f"pieces_{row.pk}": "120", f"feet_{row.pk}": "1,900"})
    assert "1900.00 bf came out but 800.00 bf went in" in text_of(
        door.post(reverse("charge_unload", args=[charge.pk]), data)
    )
    assert (
        door.post(reverse("charge_unload", args=[charge.pk]), data | {f"feet_{row.pk}": "760"}).status_code
        == 302
    )
    assert Charge.objects.get().state == "unloaded"


# Readings


def test_a_reading_is_saved_and_the_page_stays(charge, door):
    address = reverse("reading_new", args=[charge.pk])
    response = door.post(
        address, typed(dry_bulb_f="112", wet_bulb_f="101.5", ch1="22", ch3="104"), follow=True
    )
    assert response.request["PATH_INFO"] == address
    text = text_of(response)
    assert "Saved: the reading of Tue 3 Mar 10:00." in text
    assert "last 112 °F" in text
    assert "last 22 %" in text
    assert 'inputmode="decimal"' in text
    reading = Reading.objects.get()
    assert (reading.dry_bulb_f, reading.wet_bulb_f, reading.ch1, reading.ch3) == (112, 101.5, 22, 104)
    assert reading.taken_at == dt.datetime(2026, 3, 3, 15, 0, tzinfo=dt.UTC)
    assert Correction.objects.count() == 1


def test_the_same_form_sent_twice_is_one_reading(charge, door):
    data = typed(dry_bulb_f="112")
    for _ in range(2):
        assert door.post(reverse("reading_new", args=[charge.pk]), data).status_code == 302
    assert Reading.objects.count() == 1


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"dry_bulb_f": "118", "wet_bulb_f": "131"}, "Wet bulb 131 °F is above dry bulb 118 °F"),
        ({"dry_bulb_f": "1120"}, "1,120 °F is outside what is allowed: from −40 °F to 250 °F."),
        ({"dry_bulb_f": "hot"}, "“hot” is not a number"),
        ({"ch1": "nan"}, "“nan” is not a number"),
        ({"ch1": "120"}, "120 % is outside what is allowed: from 0 to 100 %."),
        ({"meter_kwh": "-4"}, "from 0 to 1,000,000,000 kWh"),
        ({"taken_at": "yesterday", "dry_bulb_f": "110"}, "date"),
        ({"taken_at": "2026-03-09T10:00", "dry_bulb_f": "110"}, "lies in the future"),
        ({"entry": "7", "dry_bulb_f": "110"}, "Not saved"),
        ({}, "Nothing was filled in"),
    ],
)
def test_nonsense_is_refused_in_words_and_what_was_typed_stays(charge, door, values, words):
    response = door.post(reverse("reading_new", args=[charge.pk]), typed(**values))
    assert response.status_code == 200
    assert words in text_of(response)
    assert not Reading.objects.exists()
    for name, value in values.items():
        if name != "entry":
            assert f'value="{value}"' in text_of(response)


def test_a_metric_shop_types_celsius(charge, door):
    factory.make_shop(units="metric")
    door.post(reverse("reading_new", args=[charge.pk]), typed(dry_bulb_f="60", ch3="56"))
    reading = Reading.objects.get()
    assert (reading.dry_bulb_f, reading.ch3) == (140.0, 132.8)


def test_a_photo_must_be_a_picture(charge, door):
    fake = SimpleUploadedFile("a.png", b"not a picture", content_type="image/png")
    response = door.post(reverse("reading_new", args=[charge.pk]), typed(photo=fake))
    assert response.status_code == 200
    assert not Reading.objects.exists()


def test_a_correction_by_hand_is_kept_with_who_and_why(charge, operator, door):
    reading = read(charge, operator, dry_bulb_f=110, ch1=18.0)
    address = reverse("reading", args=[reading.pk])
    assert door.post(address, {"channel": "1", "value": "14.5", "why": "Oven-dry section"}).status_code == 302
    text = text_of(door.get(address))
    assert "by hand" in text
    assert "Oven-dry section" in text
    assert "18 %" in text
    assert "channel" in door.post(address, {"channel": "9", "value": "1", "why": "x"}).context["form"].errors


# Steps, water, notes, probes, boards


def test_a_step_change_is_confirmed_with_why(charge, door):
    address = reverse("charge_step", args=[charge.pk])
    assert "why" in door.post(address, {"to_index": "1", "why": ""}).context["form"].errors
    assert door.post(address, {"to_index": "1", "why": "Wettest half at 15 %"}).status_code == 302
    text = text_of(door.get(reverse("charge_record", args=[charge.pk])))
    assert "from step 1 to 2" in text
    assert "Wettest half at 15 %" in text


def test_water_and_notes_are_kept(charge, door):
    door.post(reverse("charge_water", args=[charge.pk]))
    door.post(reverse("charge_note", args=[charge.pk]), {"text": "Fan 2 rattles"})
    door.post(reverse("charge_note", args=[charge.pk]), {"text": ""})
    assert sorted(event.kind for event in charge.events.all()) == ["note", "water"]
    assert Charge.objects.get().water_topped_up_at == NOW + 48 * HOUR


def probe_rows(charge, **over):
    row = charge.charge_lots.get()
    data = {"drain_counts": "False"}
    for channel in range(1, 9):
        data |= {f"ch{channel}-kind": "", f"ch{channel}-charge_lot": str(row.pk), f"ch{channel}-board": ""}
    return data | over


def test_probes_are_set_up(door):
    charge = factory.make_charge()
    data = probe_rows(charge, **{"ch4-kind": "mc", "ch4-board": "9", "ch4-depth_in": "1/4"})
    assert door.post(reverse("probes", args=[charge.pk]), data).status_code == 302
    (probe,) = charge.probes.all()
    assert (probe.channel, probe.board, probe.depth_in) == (4, "9", 0.25)
    bad = data | {"ch4-depth_in": "40", "ch5-kind": "mc", "ch5-charge_lot": "999"}
    response = door.post(reverse("probes", args=[charge.pk]), bad)
    assert "40 in is outside" in text_of(response)
    assert charge.probes.count() == 1


def test_boards_are_tested_and_summed_up(charge, door):
    address = reverse("board_tests", args=[charge.pk])
    data = {
        "charge_lot": charge.charge_lots.get().pk, "method": "oven_dry", "meter": "Bench scale", "depth_in": "",
        "measured_on": "2026-03-04", "board-TOTAL_FORMS": "3", "board-INITIAL_FORMS": "0",
        "board-0-board": "1", "board-0-raw_pct": "6.5", "board-1-board": "2", "board-1-raw_pct": "8.5",
        "board-2-board": "", "board-2-raw_pct": "",
    }  # fmt: skip
    assert door.post(address, data).status_code == 302
    text = text_of(door.get(address))
    assert "7.5 %" in text  # mean of 6.5 and 8.5 by hand
    assert "driest 6.5 %, wettest 8.5 %; 1 of 2 within the target 7 % ± 1" in text
    assert BoardTest.objects.count() == 2
    response = door.post(address, data | {"board-1-raw_pct": "", "board-0-raw_pct": "wet"})
    assert "Board 2 has no figure." in text_of(response)
    assert "No board was filled in" in text_of(door.post(address, data | {"board-TOTAL_FORMS": "0"}))
    assert door.post(address, {"board-TOTAL_FORMS": "x"}).status_code == 200


# Logs

GOOD = b"Recorder 3\nWhen;Dry;Wet;Core\n02.03.2026 10:00;43,3;38,0;56\n02.03.2026 10:05;43,4;38,0;55,9\n"
NAMES = {
    "time": "When", "clock": "", "unit": "C", "order": "dmy", "clocks": "shop", "decimal": ",",
    "col_dry_bulb_f": "Dry", "col_wet_bulb_f": "Wet", "col_ch3": "Core",
}  # fmt: skip


def choose(door, charge, data):
    return door.post(reverse("log_import", args=[charge.pk]), {"file": SimpleUploadedFile("log.csv", data)})


def key_of(response):
    return response["Location"].split("file=")[1]


def test_a_log_is_chosen_named_looked_at_and_imported(charge, door):
    address = reverse("log_import", args=[charge.pk])
    chosen = choose(door, charge, GOOD)
    key = key_of(chosen)
    assert "43,3" in text_of(door.get(chosen["Location"]))
    look = door.post(address, NAMES | {"key": key, "do": "look"})
    assert "2 rows would be taken." in text_of(look)
    assert "132.8" in text_of(look)
    assert not Reading.objects.exists()
    done = door.post(address, NAMES | {"key": key, "do": "import"}, follow=True)
    assert "2 rows of the file are in charge K-2026-0001; 0 were there before." in text_of(done)
    assert [reading.ch3 for reading in Reading.objects.all()] == [132.8, 132.62]
    assert LogMapping.objects.get().mapping["columns"]["ch3"] == "Core"
    again = choose(door, charge, GOOD)
    assert "as last time for North chamber" in text_of(door.get(again["Location"]))
    door.post(address, NAMES | {"key": key_of(again), "do": "import"})
    assert (Reading.objects.count(), LogImport.objects.count()) == (2, 1)


def test_a_recorder_with_humidity_gets_a_wet_bulb_that_says_so(charge, door):
    data = b"When,Dry,RH\n2026-03-02 10:30,110,60\n"
    key = key_of(choose(door, charge, data))
    names = {"time": "When", "clock": "", "unit": "F", "order": "ymd", "clocks": "shop", "decimal": "."}
    sent = names | {"col_dry_bulb_f": "Dry", "col_rh_pct": "RH", "key": key}
    address = reverse("log_import", args=[charge.pk])
    assert "1 row would be taken." in text_of(door.post(address, sent | {"do": "look"}))
    door.post(address, sent | {"do": "import"})
    reading = Reading.objects.get()
    assert 95 < reading.wet_bulb_f < 98
    assert "worked out from its relative humidity" in text_of(door.get(reverse("reading", args=[reading.pk])))


def test_problems_are_told_by_row_and_nothing_is_imported(charge, door):
    address = reverse("log_import", args=[charge.pk])
    key = key_of(choose(door, charge, GOOD + b"02.03.2026 10:10;43,4;48,0;open\n"))
    for do in ("look", "import"):
        text = text_of(door.post(address, NAMES | {"key": key, "do": do}))
        assert "Row 5: wet bulb 48,0 °C is above dry bulb 43,4 °C." in text
        assert "Row 5: “open” in “Core” is not a number." in text
    assert not Reading.objects.exists()


def test_the_date_order_is_asked(charge, door):
    key = key_of(choose(door, charge, GOOD))
    response = door.post(
        reverse("log_import", args=[charge.pk]), NAMES | {"key": key, "order": "", "do": "look"}
    )
    assert "order" in response.context["form"].errors
    assert not response.context["look"]


@pytest.mark.parametrize(
    "data", [b"x", b"\x00\x01\x02", b"PK\x03\x04", b"a,b\n1,2\n", "größe;ü".encode("cp1252")]
)
def test_a_file_that_is_no_log_is_refused_in_words(charge, door, data):
    response = choose(door, charge, data)
    assert response.status_code == 200
    assert "Not saved" in text_of(response)


@pytest.mark.parametrize("key", ["x", "../../etc/passwd", "0" * 64])
def test_a_file_that_is_not_kept_is_not_found(charge, door, key):
    assert door.get(reverse("log_import", args=[charge.pk]), {"file": key}).status_code == 404


# Who may, and nonsense


PAGES = ["charge_start", "charge_finish", "charge_unload", "charge_step", "charge_water", "charge_note"]
PAGES += ["reading_new", "probes", "board_tests", "log_import"]


@pytest.mark.parametrize("name", PAGES)
def test_the_office_may_look_but_not_do(name, charge, office, client_for):
    assert client_for(office).post(reverse(name, args=[charge.pk]), {}).status_code == 403
    assert client_for(office).get(reverse("charge", args=[charge.pk])).status_code == 200
    assert "Take a reading" not in text_of(client_for(office).get(reverse("charge", args=[charge.pk])))


@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize("state", ["planned", "running", "unloaded"])
def test_nonsense_is_never_a_server_error(name, state, operator, door):
    charge = factory.make_charge() if state == "planned" else running_charge(operator)
    if state == "unloaded":
        Charge.objects.filter(pk=charge.pk).update(dried_at=NOW + HOUR, unloaded_at=NOW + HOUR)
    address = reverse(name, args=[charge.pk])
    kind = {"charge_start": "start", "charge_finish": "finish", "charge_unload": "unload"}.get(name)
    for data in (
        {},
        {"initials": "�" * 99, "to_index": "x", "why": "x" * 999, "text": "x" * 999},
        {"board-TOTAL_FORMS": "99999999", "board-INITIAL_FORMS": "-1", "key": "\x00"},
        typed(dry_bulb_f="1e400", ch1="٣", taken_at="0001-01-01T00:00"),
        typed(dry_bulb_f="110"),
        {"to_index": "1", "why": "x"},
        ticked(kind) if kind else {"text": "x"},
    ):
        assert door.post(address, data).status_code < 500
    assert door.get(address).status_code < 500
    assert door.get(reverse(name, args=[99999])).status_code in (404, 405)


def test_signed_checklists_are_shown(charge, door):
    running.finish_charge(
        charge=charge,
        lines=all_done("finish"),
        initials="OP",
        by=charge.checklists.get().signed_by,
        now=NOW + HOUR,
    )
    text = text_of(door.get(reverse("charge_record", args=[charge.pk])))
    assert "Before starting</strong> signed OP" in text
    assert "Finishing</strong> signed OP" in text
