"""The whole file of a charge: opened by zipfile, pandas and hashlib, none of which the shop writes."""

import hashlib
import io
import zipfile

import pandas as pd
import pytest
from django.core.files.base import ContentFile
from django.urls import reverse
from pypdf import PdfReader

from kilnshop.charges import running
from kilnshop.charges.models import Charge, Degrade, LogImport, Reading
from kilnshop.orders.estimating import estimate_lots
from kilnshop.tickets import actions
from tests import factory
from tests.tickets import delivery

pytestmark = pytest.mark.django_db
LOG = b"Time;Core\n2026-03-14 08:00;56,0\n"


@pytest.fixture
def charge(owner, settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    lot = factory.make_lot(treatments=[delivery.HEAT], declared_value=4321)
    charge = delivery.unloaded_charge([lot], by=owner)
    row = charge.charge_lots.get()
    delivery.core_probe(row)
    delivery.board_tests(row, owner)
    delivery.log(charge, owner, [{"ch1": 132.8}] * 31)
    log = LogImport.objects.get()
    log.file.save("log.csv", ContentFile(LOG))
    Reading.objects.create(
        charge=charge, taken_at=delivery.STARTED, by=owner, dry_bulb_f=110.25, note="=SUM(A1) wick changed"
    )
    running.set_degrade(
        charge=charge,
        rows=[{"charge_lot": row, "cause": "stacking", "volume_bf": 12, "note": "stickers out of line"}],
        by=owner,
        now=delivery.NOW,
    )
    actions.issue_ticket(
        order=lot.order, charge_lots=[row], delivered_on=delivery.HANDED_OVER, by=owner, now=delivery.NOW
    )
    return charge


@pytest.fixture
def archive(client, charge, owner):
    client.force_login(owner)
    response = client.get(reverse("charge_archive", args=[charge.pk]))
    assert response.streaming
    return zipfile.ZipFile(io.BytesIO(b"".join(response.streaming_content)))


def test_every_checksum_of_the_contents_holds_and_every_file_is_listed(archive):
    assert archive.testzip() is None
    lines = archive.read("contents.txt").decode().splitlines()
    listed = dict(line.split("  ", 1)[::-1] for line in lines if not line.startswith("#"))
    assert listed.keys() == set(archive.namelist()) - {"contents.txt"}
    for name, digest in listed.items():
        assert hashlib.sha256(archive.read(name)).hexdigest() == digest, name


def test_papers_originals_and_tables_are_there(archive):
    names = archive.namelist()
    assert {"charge report.pdf", "tickets/T-2026-0001.pdf", "plan.json", "degrade.csv"} <= {
        *names,
        "checklists.csv",
    }
    assert archive.read("charge report.pdf").startswith(b"%PDF")
    original = next(name for name in names if name.startswith("originals/"))
    assert archive.read(original) == LOG


def test_the_plan_is_there_as_a_paper_with_its_curves(client, charge, owner, shop):
    lots = [row.lot for row in charge.charge_lots.all()]
    made = estimate_lots(lots, charge.chamber, shop, delivery.STARTED.date())
    Charge.objects.filter(pk=charge.pk).update(plan=made.to_dict())
    client.force_login(owner)
    response = client.get(reverse("charge_archive", args=[charge.pk]))
    found = zipfile.ZipFile(io.BytesIO(b"".join(response.streaming_content)))
    words = PdfReader(io.BytesIO(found.read("plan.pdf"))).pages[0].extract_text()
    assert f"{charge.number}" in words and "Dries in" in words
    assert "$" not in words  # no price goes with the file


def test_pandas_reads_every_table_as_the_database_holds_it(archive, charge, owner):
    tables = {
        name: pd.read_csv(archive.open(name))
        for name in archive.namelist()
        if name.endswith(".csv") and "/" not in name
    }
    readings = tables["readings.csv"]
    assert len(readings) == charge.readings.count() == 32
    assert readings["ch1"].dropna().eq(132.8).sum() == 31
    assert (pd.to_datetime(readings["taken_at"], utc=True) == [
        row.taken_at for row in charge.readings.order_by("pk")
    ]).all()  # fmt: skip
    tests = tables["board_tests.csv"]
    assert tests["corrected_pct"].tolist() == [6.6, 7.1, 7.4, 8.2]
    assert set(tests["by"]) == {str(owner)}
    assert tables["degrade.csv"]["volume_bf"].tolist() == [12]
    assert "declared_value" not in tables["lots.csv"].columns


def test_a_note_that_looks_like_a_formula_is_defused(archive):
    notes = pd.read_csv(archive.open("readings.csv"))["note"].dropna().tolist()
    assert notes == ["'=SUM(A1) wick changed"]


def test_rows_of_another_charge_stay_out(client, charge, owner):
    lot = factory.make_lot(charge.charge_lots.get().lot.order, "B")
    chamber = factory.make_chamber("south", name="South chamber")
    other = delivery.unloaded_charge([lot], by=owner, chamber=chamber, number="K-2026-0002")
    delivery.board_tests(other.charge_lots.get(), owner, (9.9,))
    client.force_login(owner)
    response = client.get(reverse("charge_archive", args=[charge.pk]))
    found = zipfile.ZipFile(io.BytesIO(b"".join(response.streaming_content)))
    assert 9.9 not in pd.read_csv(found.open("board_tests.csv"))["corrected_pct"].tolist()


def test_a_file_lost_from_the_disk_is_told_not_fatal(client, charge, owner):
    log = LogImport.objects.get()
    log.file.storage.delete(log.file.name)
    client.force_login(owner)
    page = client.get(reverse("charge_file", args=[charge.pk])).content.decode()
    assert "no longer on the shop" in page
    response = client.get(reverse("charge_archive", args=[charge.pk]))
    found = zipfile.ZipFile(io.BytesIO(b"".join(response.streaming_content)))
    assert any("is missing" in name for name in found.namelist())


def test_the_report_prints_what_was_tested_lost_and_proven(client, charge, owner):
    client.force_login(owner)
    page = client.get(reverse("charge_report", args=[charge.pk])).content.decode()
    for words in ("Planned and actual", "12 bf stacking (stickers out of line)", "Met", "T-2026-0001", "6.6"):
        assert words in page, words
    assert client.get(reverse("charge_report_pdf", args=[charge.pk])).content.startswith(b"%PDF")


def test_degrade_is_written_down_and_taken_back_on_its_page(client, charge, owner):
    client.force_login(owner)
    row = charge.charge_lots.get()
    address = reverse("degrade", args=[charge.pk])
    assert "stickers out of line" in client.get(address).content.decode()
    form = {"row-TOTAL_FORMS": 2, "row-INITIAL_FORMS": 1}
    form |= {"row-0-charge_lot": row.pk, "row-0-cause": "stacking", "row-0-volume_bf": "", "row-0-note": ""}
    form |= {
        "row-1-charge_lot": row.pk,
        "row-1-cause": "drying",
        "row-1-volume_bf": "7.5",
        "row-1-note": "checks",
    }
    assert client.post(address, form).status_code == 302
    assert [(found.cause, found.note) for found in Degrade.objects.all()] == [("drying", "checks")]
    too_much = client.post(address, form | {"row-1-volume_bf": "99999"}).content.decode()
    assert "bf went in" in too_much
    assert Degrade.objects.count() == 1
