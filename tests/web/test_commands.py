"""The shop's commands: figures as JSON or a table, and one-line refusals with exit code 2."""

import json
import sqlite3
import zipfile

import pytest
from django.core.files.base import ContentFile
from django.core.management import call_command

from kilnshop.shop.models import Customer, Shop
from kilnshop.web.management.commands import restore


def run(capsys, *words):
    call_command(*words)
    return capsys.readouterr().out


def refused(capsys, *words) -> str:
    with pytest.raises(SystemExit) as stop:
        call_command(*words)
    assert stop.value.code == 2
    line = capsys.readouterr().err
    assert line.count("\n") == 1 and "Traceback" not in line
    return line


def test_air_matches_the_printed_humidity_table(capsys):
    """110 °F with 14 °F depression: RH 60 % in USDA Agriculture Handbook 188, table 1-6 (from memory, ±1.5)."""
    got = json.loads(run(capsys, "air", "--dry-bulb=110", "--wet-bulb=96", "--json"))
    assert got["rh_pct"] == pytest.approx(60, abs=1.5)
    assert set(got) == {"rh_pct", "emc_pct", "dew_point_f"}


def test_air_at_height_is_damper_for_the_same_bulbs(capsys):
    """Common practice: at lower pressure the same wet-bulb depression means a higher humidity."""
    low = json.loads(run(capsys, "air", "--dry-bulb=110", "--wet-bulb=96", "--json"))
    high = json.loads(run(capsys, "air", "--dry-bulb=110", "--wet-bulb=96", "--elevation-ft=6000", "--json"))
    assert high["rh_pct"] > low["rh_pct"]


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (("air", "--dry-bulb=110", "--wet-bulb=120"), "--wet-bulb=120"),
        (("air", "--dry-bulb=warm", "--wet-bulb=90"), "--dry-bulb='warm'"),
        (("air", "--dry-bulb=110", "--wet-bulb=nan"), "--wet-bulb=nan"),
        (("air", "--dry-bulb=900", "--wet-bulb=90"), "32 to 230"),
        (("air", "--wet-bulb=90"), "--dry-bulb"),
    ],
)
def test_wrong_air_is_refused_in_one_line(capsys, words, named):
    assert named in refused(capsys, *words)


OAK = (
    "--species=northern red oak",
    "--thickness=4/4",
    "--volume-bf=1000",
    "--initial-mc=80",
    "--target-mc=7",
)


def test_estimate_weighs_the_water_of_red_oak(capsys):
    """By hand: 1000/12 ft³ x 62.4 lb/ft³ x 0.56 = 2912 lb oven-dry; 0.73 of it is 2126 lb of water."""
    got = json.loads(run(capsys, "estimate", *OAK, "--schedule=T4-D2", "--json"))
    assert got["oven_dry_lb"] == pytest.approx(2912, rel=0.01)
    assert got["water_lb"] == pytest.approx(2126, rel=0.01)
    assert got["schedule"] == "T4-D2"
    assert got["days"]["low"] < got["days"]["expected"] < got["days"]["high"]
    users = got["kwh"]
    assert users["total"] == pytest.approx(users["compressor"] + users["fans"] + users["heater"], abs=0.3)
    dry_bulbs = [step["dry_bulb_f"] for step in got["steps"]]
    assert dry_bulbs == sorted(dry_bulbs)


def test_estimate_takes_a_finish_and_refuses_what_the_chamber_cannot(capsys):
    got = json.loads(run(capsys, "estimate", *OAK, "--finish=equalize", "--json"))
    assert got["schedule"].endswith("+equalize")
    for finish, words in (("condition", "has no humidifier"), ("steam", "ends in none of")):
        assert words in refused(capsys, "estimate", *OAK, f"--finish={finish}")


def test_estimate_weighs_a_dressed_size_by_the_wood_that_is_there(capsys):
    """By hand: 1000 bf of 2x6 hold 1000/12 x (1.5 x 5.5)/(2 x 6) = 57.3 ft³ (PS 20); x 62.4 x 0.40 = 1430 lb."""
    words = (
        "--species=yellow-poplar",
        "--thickness=2x6",
        "--volume-bf=1000",
        "--initial-mc=60",
        "--target-mc=15",
    )
    got = json.loads(run(capsys, "estimate", *words, "--json"))
    assert got["oven_dry_lb"] == pytest.approx(1430, rel=0.01)


def test_estimate_prints_a_table(capsys):
    printed = run(capsys, "estimate", *OAK)
    assert "Days, estimated" in printed and "Water to remove" in printed


def without(name: str) -> list[str]:
    return [word for word in OAK if not word.startswith(f"--{name}=")]


def test_a_fill_stands_for_a_volume(capsys):
    """By hand: half of 2,000 bf of 4/4 is 1,000 bf; at 1 1/16 in they hold 88.5 ft³, x 62.4 x 0.56 = 3094 lb."""
    words = [word for word in without("volume-bf") if not word.startswith("--thickness")]
    got = json.loads(run(capsys, "estimate", *words, "--thickness=1 1/16", "--fill=50", "--json"))
    assert got["fill_pct"] == pytest.approx(50)
    assert got["oven_dry_lb"] == pytest.approx(3094, rel=0.01)


def test_a_fill_beside_a_volume_adds_the_same_wood(capsys):
    """By hand: of a charge of one wood, each part takes water, days and kWh by its share of the volume."""
    full = json.loads(run(capsys, "estimate", *without("volume-bf"), "--fill=80", "--json"))
    got = json.loads(run(capsys, "estimate", *without("volume-bf"), "--volume-bf=400", "--fill=80", "--json"))
    assert got["oven_dry_lb"] == pytest.approx(full["oven_dry_lb"], rel=1e-3)
    lot, rest = got["lots"]
    share = lot["water_lb"] / got["water_lb"]
    assert lot["water_lb"] + rest["water_lb"] == pytest.approx(got["water_lb"], abs=0.2)
    assert lot["chamber_days"] / got["days"]["expected"] == pytest.approx(share, abs=0.01)
    assert lot["kwh"] / got["kwh"]["total"] == pytest.approx(share, abs=0.02)
    assert "Of it, the rest" in run(capsys, "estimate", *OAK, "--fill=90")


def test_a_timber_with_its_width_dries_sooner_than_a_plank_of_its_thickness(capsys):
    """Wood Handbook (2010) chapter 13: wood also dries through the other faces, sooner the narrower it is."""
    words = [word for word in OAK if not word.startswith("--thickness")]
    plank, timber = (
        json.loads(run(capsys, "estimate", *words, "--thickness=6", *more, "--json"))["days"]["expected"]
        for more in ([], ["--width=6"])
    )
    assert timber < 0.8 * plank


def test_the_way_the_start_is_known_moves_the_band_alone(capsys):
    """Common practice: an oven-dry section tells more than "green"; the middle of the estimate is the same."""
    sure, guessed = (
        json.loads(run(capsys, "estimate", *OAK, f"--start-mc-how={how}", "--json"))["days"]
        for how in ("oven-dry", "assumed_green")
    )
    assert sure["expected"] == guessed["expected"]
    assert sure["high"] / sure["low"] < guessed["high"] / guessed["low"]


@pytest.mark.django_db
def test_a_month_takes_the_shops_outside_air(capsys):
    """The factory's shop has 24 °F in January and 73 °F in July; common practice: cold air costs heat."""
    from tests import factory

    factory.make_shop()
    january, july = (
        json.loads(run(capsys, "estimate", *OAK, f"--month={month}", "--json")) for month in (1, 7)
    )
    assert (january["outside_f"], july["outside_f"]) == (24, 73)
    assert january["kwh"]["heater"] > july["kwh"]["heater"]


def test_an_estimate_needs_to_know_how_much_wood(capsys):
    assert "--volume-bf, or --fill" in refused(capsys, "estimate", *without("volume-bf"))


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("change", "named"),
    [
        ("--width=0", "--width=0"),
        ("--start-mc-how=guess", "--start-mc-how='guess'"),
        ("--month=13", "--month='13'"),
        ("--month=may", "--month='may'"),
        ("--fill=0", "--fill=0"),
        ("--fill=101", "1 to 100"),
        ("--fill=20", "--volume-bf=1000 alone fills"),
        ("--species=ironwoodish", "--species='ironwoodish'"),
        ("--thickness=fat", "--thickness='fat'"),
        ("--volume-bf=-3", "--volume-bf=-3"),
        ("--target-mc=90", "--target-mc"),
        ("--schedule=T99-Z9", "--schedule='T99-Z9'"),
        ("--chamber=attic", "--chamber='attic'"),
    ],
)
def test_wrong_estimate_is_refused_in_one_line(capsys, change, named):
    words = without(change.removeprefix("--").split("=")[0])
    assert named in refused(capsys, "estimate", *words, change)


def log(tmp_path, minutes, temp="133.0", head="time,core_1,core_2,air"):
    rows = [head] + [
        f"2026-03-02 {8 + m // 60:02d}:{m % 60:02d},{temp},{temp},150" for m in range(minutes + 1)
    ]
    path = tmp_path / "heat.csv"
    path.write_text("\n".join(rows))
    return str(path)


def test_thirty_minutes_at_133_f_meets_ispm_15(capsys, tmp_path):
    """ISPM 15 annex 1: 56 °C through the core for 30 continuous minutes."""
    got = json.loads(run(capsys, "heat_record", log(tmp_path, 30), "--treatment=ispm15_ht", "--json"))
    assert got["met"] is True
    assert got["longest_minutes"] == pytest.approx(30)
    assert set(got) == {"met", "longest_minutes", "lowest_f", "reasons"}


def test_twenty_nine_minutes_does_not(capsys, tmp_path):
    got = json.loads(run(capsys, "heat_record", log(tmp_path, 29), "--treatment=ispm15_ht", "--json"))
    assert got["met"] is False and got["reasons"]


def test_heat_log_in_celsius_is_exact_at_56(capsys, tmp_path):
    path = log(tmp_path, 30, "56", "time,core 1 C,core_2_c,air (°C)")
    got = json.loads(run(capsys, "heat_record", path, "--treatment=ispm15_ht", "--json"))
    assert got["met"] is True and got["lowest_f"] == pytest.approx(132.8)


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("", "no readings"),
        ("time,air\n2026-03-02 08:00,140\n", "no core column"),
        ("when,core\n2026-03-02 08:00,140\n", "no time column"),
        ("time,core\nyesterday,140\n", "row 2, time='yesterday'"),
        ("time,core\n2026-03-02 08:00,hot\n", "row 2, core='hot'"),
        ("time,core\n2026-03-02 08:00\n", "row 2"),
        ("time,core\n2026-03-02 08:00,9999\n", "row 2, core='9999'"),
    ],
)
def test_wrong_heat_log_is_refused_in_one_line(capsys, tmp_path, text, named):
    path = tmp_path / "bad.csv"
    path.write_text(text)
    assert named in refused(capsys, "heat_record", str(path), "--treatment=ispm15_ht")


def test_unknown_treatment_and_file_are_refused(capsys, tmp_path):
    assert "--treatment='boil'" in refused(capsys, "heat_record", log(tmp_path, 5), "--treatment=boil")
    assert "none.csv" in refused(capsys, "heat_record", str(tmp_path / "none.csv"), "--treatment=ispm15_ht")


@pytest.mark.django_db(transaction=True)
def test_backup_and_restore_bring_everything_back(shop, owner, tmp_path, settings, capsys):
    Customer.objects.create(name="Ida Marsh Joinery")
    shop.logo.save("mark.png", ContentFile(b"picture"))
    target = tmp_path / "copy.zip"
    call_command("backup", str(target))
    assert zipfile.is_zipfile(target)
    Customer.objects.all().delete()
    shop.logo.storage.delete(shop.logo.name)

    assert "--force" in refused(capsys, "restore", str(target))
    call_command("restore", str(target), "--force")
    assert list(Customer.objects.values_list("name", flat=True)) == ["Ida Marsh Joinery"]
    assert Shop.objects.get().logo.read() == b"picture"
    Customer.objects.create(name="One more after restoring")


def test_backup_keeps_the_last_committed_row(tmp_path):
    """A plain copy of the file would miss rows still in the write-ahead log (SQLite documentation, "WAL")."""
    from kilnshop.web.management.commands.backup import sqlite_copy

    live = sqlite3.connect(tmp_path / "live.sqlite3", isolation_level=None)
    live.execute("PRAGMA journal_mode=WAL")
    live.execute("CREATE TABLE reading (value)")
    live.execute("INSERT INTO reading VALUES (7)")
    sqlite_copy(tmp_path / "copy.sqlite3", live)
    assert sqlite3.connect(tmp_path / "copy.sqlite3").execute("SELECT value FROM reading").fetchall() == [
        (7,)
    ]
    live.close()


@pytest.mark.django_db
def test_backup_refuses_to_overwrite_and_restore_refuses_other_files(capsys, tmp_path):
    other = tmp_path / "other.zip"
    other.write_bytes(b"not a zip")
    assert "exists already" in refused(capsys, "backup", str(other))
    assert "cannot be read as a backup" in refused(capsys, "restore", str(other))
    assert "other2.zip" in refused(capsys, "restore", str(tmp_path / "other2.zip"))
    assert restore.holds_a_shop() is False
