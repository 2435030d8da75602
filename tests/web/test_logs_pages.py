"""A recorder's log by page: progress told, an import undone, rows a recorder sends by itself."""

import json

import pytest
import time_machine
from django.core.cache import cache
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from kilnshop.charges import recorder
from kilnshop.charges.models import Correction, LogImport, Reading, Recorder
from kilnshop.imports import charge_log
from kilnshop.web.views.logs import A_MINUTE
from tests.charges.running_helpers import HOUR, NOW, running_charge

MAPPING = {
    "time": "Time", "clock": "", "columns": {"dry_bulb_f": "Dry", "wet_bulb_f": "Wet", "ch1": "P1"},
    "unit": "F", "order": "ymd", "clocks": "utc", "decimal": ".",
}  # fmt: skip
ROWS = b"Time,Dry,Wet,P1\n2026-03-02 16:00,110,98,18.2\n2026-03-02 16:05,110.5,98,18.1\n"


@pytest.fixture(autouse=True)
def two_days_on():
    cache.clear()
    with time_machine.travel(NOW + 48 * HOUR, tick=False):
        yield


@pytest.fixture
def charge(operator):
    return running_charge(operator)


@pytest.fixture
def door(operator, client_for):
    return client_for(operator)


def take(charge, by, data=ROWS):
    return charge_log.take(charge=charge, data=data, mapping=MAPPING, by=by, now=NOW + 48 * HOUR)


@pytest.fixture
def key(charge, owner):
    return recorder.make_address(chamber=charge.chamber, by=owner, now=NOW)


def send(key, body, kind="text/csv"):
    return Client(enforce_csrf_checks=True).post(
        reverse("recorder_rows"), body, content_type=kind, headers={"Authorization": f"Bearer {key}"}
    )


def lines(response):
    return [json.loads(line) for line in b"".join(response.streaming_content).splitlines()]


def sent_form(door, charge, data):
    chosen = door.post(reverse("log_import", args=[charge.pk]), {"file": SimpleUploadedFile("log.csv", data)})
    names = {f"col_{key}": name for key, name in MAPPING["columns"].items()}
    return names | MAPPING | {"key": chosen["Location"].split("file=")[1], "do": "import"}


def test_a_long_import_tells_how_far_it_is_and_where_to_go(charge, door):
    form = sent_form(door, charge, ROWS)
    told = lines(
        door.post(reverse("log_import", args=[charge.pk]), form, headers={"Accept": "application/x-ndjson"})
    )
    shares = [line["share"] for line in told[:-1]]
    assert shares == sorted(shares)
    assert Reading.objects.count() == 2
    page = door.get(told[-1]["go"]).content.decode()
    assert "2 rows of the file are in charge" in page


def test_a_refused_stream_writes_nothing_and_says_so(charge, door):
    form = sent_form(door, charge, ROWS + b"2026-03-02 16:10,110,120,18\n")
    answer = door.post(
        reverse("log_import", args=[charge.pk]), form, headers={"Accept": "application/x-ndjson"}
    )
    assert lines(answer)[-1] == {"refused": True}
    assert not Reading.objects.exists()


def test_an_import_left_half_way_writes_nothing(charge, operator):
    steps = charge_log.steps(charge=charge, data=ROWS, mapping=MAPPING, by=operator, now=NOW + 48 * HOUR)
    while next(steps) < 0.5:
        pass
    assert Reading.objects.count() == 2
    steps.close()
    assert not Reading.objects.exists()
    assert not LogImport.objects.exists()


def test_an_undone_import_leaves_its_file_and_can_be_taken_again(charge, operator, door):
    log = take(charge, operator)
    address = reverse("log_undo", args=[log.pk])
    assert door.post(address, {"why": ""}).status_code == 422
    assert Reading.objects.count() == 2
    door.post(address, {"why": "File of the south chamber"})
    assert not Reading.objects.exists()
    assert not Correction.objects.exists()
    page = door.get(reverse("log_import", args=[charge.pk])).content.decode()
    assert "File of the south chamber" in page
    log.refresh_from_db()
    assert log.file.read() == ROWS
    assert take(charge, operator).pk != log.pk
    assert Reading.objects.count() == 2
    again = door.post(address, {"why": "twice"})
    assert "undone before" in again.content.decode()


def test_an_import_of_an_unloaded_charge_is_not_undone(charge, operator, door):
    log = take(charge, operator)
    type(charge).objects.filter(pk=charge.pk).update(dried_at=NOW + 47 * HOUR, unloaded_at=NOW + 48 * HOUR)
    answer = door.post(reverse("log_undo", args=[log.pk]), {"why": "too late"})
    assert "is unloaded; this needs it running or dry" in answer.content.decode()
    assert Reading.objects.count() == 2


def test_a_recorder_sends_csv_by_the_known_columns_and_twice_counts_once(charge, operator, key):
    assert "columns of North chamber" in send(key, ROWS).json()["problems"][0]
    take(charge, operator, ROWS)
    more = ROWS + b"2026-03-02 16:10,111,98,18.0\n"
    assert send(key, more).json() == {"taken": 1, "repeated": 2, "outside": 0}
    assert send(key, more).json() == {"taken": 0, "repeated": 3, "outside": 0}
    assert Reading.objects.count() == Correction.objects.count() == 3


def test_a_recorder_sends_json(charge, key):
    rows = [{"time": "2026-03-02T11:00:00-05:00", "dry_bulb_f": 110.4, "wet_bulb_f": 98.1, "ch1": 18.2}]
    assert send(key, json.dumps(rows), "application/json").json()["taken"] == 1
    reading = Reading.objects.get()
    assert (reading.dry_bulb_f, reading.ch1, reading.taken_at.hour) == (110.4, 18.2, 16)
    assert reading.logged.rows_taken == 1
    assert Correction.objects.get().channel == 1


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("{", "not JSON"),
        ("[]", "a list of objects"),
        ('[{"time": "2026-03-02 11:00", "dry_bulb_f": 110}]', "with an offset"),
        ('[{"time": "2026-03-02T11:00:00Z", "dry": 110}]', "Unknown: dry"),
        ('[{"time": "2026-03-02T16:00:00Z", "dry_bulb_f": "hot"}]', "not a number"),
        ('[{"time": "2026-03-02T16:00:00Z", "dry_bulb_f": 100, "wet_bulb_f": 110}]', "above dry bulb"),
        ('[{"time": "2026-03-02T16:00:00Z", "ch8": 10}]', "Channel 8 has no probe"),
    ],
)
def test_wrong_json_is_refused_in_words_and_nothing_taken(charge, key, body, said):
    answer = send(key, body, "application/json")
    assert answer.status_code == 422
    assert said in answer.json()["problems"][0]
    assert not Reading.objects.exists()
    assert said[:5] in Recorder.objects.get().last_answer or Recorder.objects.get().last_answer


def test_an_unknown_or_stopped_key_takes_nothing(charge, key, owner):
    assert send("guess", ROWS).status_code == 401
    recorder.stop_address(chamber=charge.chamber, by=owner)
    assert send(key, ROWS).status_code == 401


def test_a_new_key_stops_the_old_one_and_is_shown_once(charge, key, owner, client_for):
    office = client_for(owner)
    address = reverse("recorder_address", args=[charge.chamber_id])
    page = office.post(address).content.decode()
    assert "shown only now" in page
    assert "shown only now" not in office.get(address).content.decode()
    assert send(key, ROWS).status_code == 401


def test_sending_too_often_has_to_wait(charge, key):
    codes = [send(key, b"x").status_code for _ in range(A_MINUTE + 1)]
    assert codes == [422] * A_MINUTE + [429]
