"""The pages of samples: cut, dried, weighed, corrected; the sources side by side on the charge page."""

import io
import re
import zipfile

import pandas as pd
import pytest
import time_machine
from django.urls import reverse

from kilnshop.charges import weighing
from kilnshop.charges.models import SampleBoard, SampleWeight
from tests.charges.running_helpers import HOUR, NOW, read, running_charge
from tests.charges.test_weighing import cut, weigh
from tests.web.test_running_pages import text_of


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


def test_a_sample_is_cut_dried_and_weighed_in_the_browser(charge, door):
    row = charge.charge_lots.get()
    typed = {
        "charge_lot": row.pk,
        "name": "S1",
        "position": "top",
        "section_unit": "g",
        "green_1": "160",
        "green_2": "80",
        "unit": "oz",
        "weight": "128",
        "at": "2026-03-02T12:00",
    }
    text = text_of(door.post(reverse("sample_cut", args=[charge.pk]), typed, follow=True))
    assert "S1 is cut" in text and "waits for the oven" in text
    sample = SampleBoard.objects.get()
    one, two = sample.samplecuts.get().sections.all()
    page = reverse("sample", args=[sample.pk])
    text_of(door.post(page, {"do": "dry", f"dry_{one.pk}": "100", f"dry_{two.pk}": "50"}))
    answer = door.post(
        reverse("samples", args=[charge.pk]),
        {
            "unit": "oz",
            f"weight_{sample.pk}": "104",
            "at": "2026-03-04T09:00",
            "entry": "6a0e0a0e-5a5e-4c6e-8a6e-0a0e5a5e4c6e",
        },
        follow=True,
    )
    assert "average of the wettest 1 of 1 sample boards is 30 %" in text_of(answer)  # 80 oz dry, by hand
    assert "last 104 oz, 30 %" in text_of(answer)
    text = text_of(door.get(page))
    assert "oven-dry weight = weight when cut" in text and "5 lb" in text


def test_a_weight_that_cannot_be_is_said_at_its_field(charge, door, operator):
    sample = cut(charge.charge_lots.get(), operator)
    answer = door.post(
        reverse("samples", args=[charge.pk]),
        {
            "unit": "g",
            f"weight_{sample.pk}": "4.2",
            "at": "2026-03-04T09:00",
            "entry": "6a0e0a0e-5a5e-4c6e-8a6e-0a0e5a5e4c6e",
        },
    )
    assert "S1: 4.2 g cannot be; it last weighed 4.46 lb" in text_of(answer)
    assert not SampleWeight.objects.exists()


def test_a_weight_is_set_aside_and_a_section_cut_on_the_sample_page(charge, door, operator):
    sample = cut(charge.charge_lots.get(), operator)
    wrong = weigh(sample, operator, 4.4, 24)
    page = reverse("sample", args=[sample.pk])
    text = text_of(
        door.post(page, {"do": "aside", "row": f"weight-{wrong.pk}", "why": "not zeroed"}, follow=True)
    )
    assert "set aside" in text and "not zeroed" in text
    typed = {"section_unit": "g", "green_1": "120", "unit": "lb", "weight": "4.1", "at": "2026-03-04T09:00"}
    text = text_of(door.post(page, {"do": "cut", **typed}, follow=True))
    assert "enter what they weigh" in text
    assert door.post(page, {"do": "aside", "row": "weight-999", "why": "x"}).status_code == 404


def test_the_charge_page_says_which_source_it_believes_and_why(charge, door, operator):
    sample = cut(charge.charge_lots.get(), operator, mc=60, at=NOW + HOUR)
    weigh(sample, operator, 4.0, 40)
    read(charge, operator, hours=40, dry_bulb_f=110, ch1=35.0, ch2=33.0)
    text = text_of(door.get(reverse("charge", args=[charge.pk])))
    assert re.search(r"Believed now: sample boards, .* above 28 % pins do not measure\.", text)
    assert "Sample boards <strong>leads the schedule</strong>" in text
    assert "above the pins' range" in text.replace("&#x27;", "'")


def test_a_dead_channel_is_said_on_the_charge_page(charge, door, operator):
    for hours in (30, 36, 42):
        read(charge, operator, hours=hours, dry_bulb_f=110, ch1=0.0, ch2=15.0)
    text = text_of(door.get(reverse("charge", args=[charge.pk])))
    assert "Channel 1, 7, lot O-2026-0001-A, reads 0, an end of the scale" in text
    assert "no contact" in text_of(door.get(reverse("charge_readings", args=[charge.pk])))


def test_the_samples_page_asks_the_same_few_questions_however_many_weights(
    charge, door, operator, django_assert_max_num_queries
):
    row = charge.charge_lots.get()
    for name in ("S1", "S2", "S3", "S4"):
        sample = cut(row, operator, name, mc=80)
        for hours in range(1, 12):
            weigh(sample, operator, 4.4 - hours / 20, hours)
    with django_assert_max_num_queries(14):
        door.get(reverse("samples", args=[charge.pk]))


def test_probes_and_the_drain_are_set_up_with_their_meter(charge, door):
    row = charge.charge_lots.get()
    typed = {"drain_counts": "True"}
    for n, kind in ((1, "mc"), (2, "mc"), (3, "core")):
        typed |= {f"ch{n}-kind": kind, f"ch{n}-charge_lot": row.pk, f"ch{n}-board": str(n)}
    typed |= {"ch1-scale_species": "own", "ch1-temp_channel": "3", "ch1-pin_length_in": "1 1/4"}
    text = text_of(door.post(reverse("probes", args=[charge.pk]), typed, follow=True))
    probe = charge.probes.get(channel=1)
    assert (probe.scale_species, probe.temp_channel, probe.pin_length_in) == ("northern_red_oak", 3, 1.25)
    assert "meter set to northern red oak" in text
    charge.refresh_from_db()
    assert charge.drain_counts
    assert "Condensate counter" in text_of(door.get(reverse("reading_new", args=[charge.pk])))


def test_report_and_whole_file_hold_every_weight_as_entered(charge, door, operator):
    """5 lb of dry wood: 8 lb at 60 % when cut, 104 oz at 30 %, by hand."""
    sample = cut(charge.charge_lots.get(), operator, weight=8.0)
    weigh(sample, operator, 104, 24, unit="oz")
    weighing.set_aside(
        row=weigh(sample, operator, 5.9, 30), why="Scale not at zero", by=operator, now=NOW + 48 * HOUR
    )
    page = " ".join(
        re.sub(r"<[^>]+>", " ", text_of(door.get(reverse("charge_report", args=[charge.pk])))).split()
    )
    for words in (
        "Sample board S1",
        "8 lb 5 lb 60 %",
        "104 oz 80 oz 30 %",
        "Set aside: Scale not at zero",
        "5.9 lb",
    ):
        assert words in page, words
    answer = door.get(reverse("charge_archive", args=[charge.pk]))
    found = zipfile.ZipFile(io.BytesIO(b"".join(answer.streaming_content)))
    rows = pd.read_csv(found.open("moisture_by_weight.csv"))
    assert rows["weight"].tolist() == [8.0, 104.0, 5.9]
    assert rows["unit"].tolist() == ["lb", "oz", "lb"]
    assert rows["oven_dry_lb"].dropna().tolist() == pytest.approx([5.0, 5.0])
    assert rows["mc_pct"].dropna().tolist() == pytest.approx([60.0, 30.0])
    assert rows["set_aside_why"].dropna().str.startswith("Scale not at zero").tolist() == [True]
    assert "moisture_by_weight.csv" in text_of(door.get(reverse("charge_file", args=[charge.pk])))
