"""Recorder logs: what is read, and what is refused in words."""

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kilnshop.imports import logs

ZONE = "America/New_York"
PLAIN = {
    "time": "Time",
    "clock": "",
    "columns": {"dry_bulb_f": "Dry", "wet_bulb_f": "Wet"},
    "unit": "F",
    "order": "mdy",
    "clocks": "shop",
    "decimal": ".",
}


def parse(text, channels=None, **over):
    data = text if isinstance(text, bytes) else text.encode()
    return logs.parse(logs.read_table(data), PLAIN | over, zone=ZONE, channels=channels or {})


def words(parsed):
    return [str(problem) for problem in parsed.problems]


GOOD = [
    ("plain", "Time,Dry,Wet\n03/02/2026 10:00,110,100.5\n", {}, (110.0, 100.5), 15),
    (
        "preamble",
        "Recorder 7\nStarted by hand\n\nTime,Dry,Wet\n3/2/26 10:00,110,100.5\n",
        {},
        (110.0, 100.5),
        15,
    ),
    ("padded preamble", "Recorder 7,,\nTime,Dry,Wet\n3/2/26 10:00,110,100.5\n", {}, (110.0, 100.5), 15),
    ("units row", "Time,Dry,Wet\nlocal,deg F,deg F\n3/2/26 10:00,110,100.5\n", {}, (110.0, 100.5), 15),
    ("tab", "Time\tDry\tWet\n3/2/26 10:00:00 AM\t110\t100.5\n", {}, (110.0, 100.5), 15),
    ("pm", "Time,Dry,Wet\n3/2/26 12:30 pm,110,100.5\n", {}, (110.0, 100.5), 17),
    (
        "offset in the text",
        "Time,Dry,Wet\n2026-03-02T10:00:00Z,110,100.5\n",
        {"order": "ymd"},
        (110.0, 100.5),
        10,
    ),
    ("utc", "Time,Dry,Wet\n3/2/26 10:00,110,100.5\n", {"clocks": "utc"}, (110.0, 100.5), 10),
    (
        "decimal commas in °C",
        "Zeit;Dry;Wet;Time\n-;43,3;38,0;02.03.2026 10:00\n",
        {"decimal": ",", "unit": "C", "order": "dmy"},
        (109.94, 100.4),
        15,
    ),
]


@pytest.mark.parametrize(
    ("text", "over", "air", "hour"), [case[1:] for case in GOOD], ids=[c[0] for c in GOOD]
)
def test_a_log_is_read_whatever_its_dress(text, over, air, hour):
    parsed = parse(text, **over)
    assert words(parsed) == []
    (row,) = parsed.rows
    assert (row.values["dry_bulb_f"], row.values["wet_bulb_f"]) == air
    assert row.taken_at.utcoffset() == dt.timedelta(0)
    assert (row.taken_at.day, row.taken_at.hour) == (2, hour)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
def test_the_degree_sign_survives_every_encoding(encoding):
    text = "Time,Dry °C,Wet °C\n3/2/26 10:00,43.3,38\n".encode(encoding)
    assert logs.read_table(text).header == ("Time", "Dry °C", "Wet °C")


def test_fifty_six_celsius_is_132_8_exactly():
    """The core temperature of the heat-treatment rule (ISPM 15) must not fall a hair short."""
    parsed = parse(
        "Time,Core\n3/2/26 10:00,56\n3/2/26 10:05,55.9\n", {3: "core"}, columns={"ch3": "Core"}, unit="C"
    )
    assert [row.values["ch3"] for row in parsed.rows] == [132.8, 132.62]


@pytest.mark.parametrize(("dry", "humidity"), [(110.0, 60.0), (140.0, 25.0), (80.0, 90.0)])
def test_a_wet_bulb_worked_out_from_humidity_gives_the_humidity_back(dry, humidity):
    """Against CoolProp, an independent library: humidity of that dry and wet bulb at sea level, within 0.5 %."""
    from CoolProp.HumidAirProp import HAPropsSI

    parsed = parse(
        f"Time,Dry,RH\n3/2/26 10:00,{dry},{humidity}\n", columns={"dry_bulb_f": "Dry", "rh_pct": "RH"}
    )
    wet = parsed.rows[0].values["wet_bulb_f"]
    kelvin = [(f - 32) / 1.8 + 273.15 for f in (dry, wet)]
    assert 100 * HAPropsSI("R", "T", kelvin[0], "B", kelvin[1], "P", 101325) == pytest.approx(
        humidity, abs=0.5
    )
    assert set(parsed.rows[0].values) == {"dry_bulb_f", "wet_bulb_f"}


def test_humidity_of_100_is_a_wet_bulb_at_the_dry_bulb():
    parsed = parse("Time,Dry,RH\n3/2/26 10:00,110,100\n", columns={"dry_bulb_f": "Dry", "rh_pct": "RH"})
    assert parsed.rows[0].values["wet_bulb_f"] == pytest.approx(110, abs=0.01)
    beyond = parse("Time,Dry,RH\n3/2/26 10:00,240,100\n", columns={"dry_bulb_f": "Dry", "rh_pct": "RH"})
    assert "no wet bulb for 240 °F" in words(beyond)[0]


def test_moisture_channels_are_not_converted():
    parsed = parse("Time,P1\n3/2/26 10:00,18.4\n", {1: "mc"}, columns={"ch1": "P1"}, unit="C")
    assert parsed.rows[0].values == {"ch1": 18.4}


def test_date_and_clock_may_stand_in_two_columns():
    parsed = parse(
        "Date,Clock,Dry\n3/2/26,10:00,110\n", time="Date", clock="Clock", columns={"dry_bulb_f": "Dry"}
    )
    assert parsed.rows[0].taken_at == dt.datetime(2026, 3, 2, 15, 0, tzinfo=dt.UTC)


def test_the_order_of_the_date_is_the_one_asked_for():
    text = "Time,Dry,Wet\n01/10/2026 10:00,110,100\n"
    assert parse(text, order="dmy").rows[0].taken_at.month == 10
    assert parse(text, order="mdy").rows[0].taken_at.month == 1


BAD = [
    (
        "31/12/2026 10:00,110,100",
        {},
        "Row 2: “31/12/2026 10:00” in “Time” is not a date (month first) and time.",
    ),
    ("3/2/26 10:00,118,131", {}, "Row 2: wet bulb 131 °F is above dry bulb 118 °F."),
    ("3/2/26 10:00,1180,100", {}, "Row 2: “1180” in “Dry” is outside -40 to 250 °F."),
    ("3/2/26 10:00,130,100", {"unit": "C"}, "Row 2: “130” in “Dry” is outside -40 to 121 °C."),
    ("3/2/26 10:00,open,100", {}, "Row 2: “open” in “Dry” is not a number."),
    ("3/2/26 10:00,inf,100", {}, "Row 2: “inf” in “Dry” is not a number."),
    ("3/2/26 10:00,1e999,100", {}, "Row 2: “1e999” in “Dry” is outside -40 to 250 °F."),
    (
        '3/2/26 10:00,"110,5",100',
        {},
        "Row 2: “110,5” in “Dry” has a comma, but the file was said to use decimal points.",
    ),
    (
        "3/2/26 10:00,110.5,100",
        {"decimal": ","},
        "Row 2: “110.5” in “Dry” has a point, but the file was said to use decimal commas.",
    ),
    (
        "3/2/26 10:00,110,100\n3/2/26 10:00,111,100",
        {},
        "Row 3: 3/2/26 10:00 is in the file twice with different values. Keep one of them.",
    ),
    ("3/2/26 10:00,110,100\nEnd of log", {}, "Row 3: it has 1 cells where the header has 3."),
    ("3/2/26 25:00,110,100", {}, "Row 2: “3/2/26 25:00” in “Time” is not a date (month first) and time."),
]


@pytest.mark.parametrize(("rows", "over", "said"), BAD)
def test_each_problem_names_row_column_and_value(rows, over, said):
    assert said in words(parse(f"Time,Dry,Wet\n{rows}\n", **over))


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "empty"),
        (b"PK\x03\x04rest", "Save the sheet as CSV"),
        (b"\x89PNG\r\n\x1a\n\x00\x00\x01", "not a text file"),
        (b"just words\nno table", "No row with a date"),
        (b"3/2/26 10:00,110,100\n3/2/26 11:00,110,100\n", "no header row"),
    ],
)
def test_a_file_that_is_no_log_is_refused_in_words(data, said):
    with pytest.raises(logs.UnreadableLog, match=said):
        logs.read_table(data)


def test_a_first_row_with_a_bad_date_is_a_problem_not_a_row_of_units():
    assert "“yesterday”" in words(parse("Time,Dry,Wet\nyesterday,110,100\n3/2/26 10:00,110,100\n"))[0]


def test_blank_cells_are_left_out_not_made_up():
    parsed = parse("Time,Dry,Wet\n3/2/26 10:00,110,---\n3/2/26 11:00,,\n")
    assert [row.values for row in parsed.rows] == [{"dry_bulb_f": 110.0}, {}]


def test_an_exact_repeat_counts_once():
    parsed = parse("Time,Dry,Wet\n3/2/26 10:00,110,100\n3/2/26 10:00,110,100\n")
    assert (len(parsed.rows), parsed.repeated, parsed.problems) == (1, 1, [])


def test_newest_first_gives_the_same_readings():
    rows = ["3/2/26 10:00,110,100", "3/2/26 11:00,111,100", "3/2/26 12:00,112,100"]
    up, down = parse("\n".join(["Time,Dry,Wet", *rows])), parse("\n".join(["Time,Dry,Wet", *rows[::-1]]))
    assert [(r.taken_at, r.values) for r in up.rows] == [(r.taken_at, r.values) for r in down.rows]


def test_the_repeated_hour_in_the_fall_is_read_in_order():
    """New York set its clocks back at 2:00 on 1 November 2026 (US Energy Policy Act 2005, first Sunday)."""
    times = ["00:30", "01:00", "01:30", "01:00", "01:30", "02:00"]
    parsed = parse("Time,Dry,Wet\n" + "".join(f"11/1/2026 {t},110,100\n" for t in times))
    assert words(parsed) == []
    assert [row.taken_at.strftime("%H:%M") for row in parsed.rows] == [
        "04:30", "05:00", "05:30", "06:00", "06:30", "07:00",
    ]  # fmt: skip


def test_a_file_starting_inside_the_repeated_hour_is_refused():
    assert "happened twice that night" in words(parse("Time,Dry,Wet\n11/1/2026 01:30,110,100\n"))[0]


def test_the_hour_skipped_in_spring_is_refused_and_standard_time_accepts_it():
    """New York set its clocks forward at 2:00 on 8 March 2026 (second Sunday)."""
    text = "Time,Dry,Wet\n3/8/2026 02:30,110,100\n"
    assert "did not happen" in words(parse(text))[0]
    assert parse(text, clocks="standard").rows[0].taken_at == dt.datetime(2026, 3, 8, 7, 30, tzinfo=dt.UTC)
    summer = parse("Time,Dry,Wet\n7/8/2026 02:30,110,100\n", clocks="standard")
    assert summer.rows[0].taken_at.hour == 7


@pytest.mark.parametrize(
    ("over", "said"),
    [
        ({"time": "When"}, "has no column “When”"),
        ({"columns": {}}, "Map at least one column"),
        ({"columns": {"dry_bulb_f": "Dry", "wet_bulb_f": "Dry"}}, "used twice"),
        ({"columns": {"ch4": "Dry"}}, "Channel 4 has no probe"),
        ({"columns": {"rh_pct": "Wet"}}, "Relative humidity needs the dry bulb"),
        ({"columns": {"dry_bulb_f": "Time", "wet_bulb_f": "Wet", "rh_pct": "Dry"}}, "not both"),
    ],
)
def test_a_wrong_mapping_is_named(over, said):
    assert any(said in text for text in words(parse("Time,Dry,Wet\n3/2/26 10:00,110,100\n", **over)))


@given(st.binary(max_size=400))
def test_any_bytes_are_read_or_refused_in_words(data):
    try:
        table = logs.read_table(data)
    except logs.UnreadableLog as refusal:
        assert str(refusal).endswith(".")
        return
    parsed = logs.parse(
        table,
        PLAIN | {"time": table.header[0], "columns": {"dry_bulb_f": table.header[1]}},
        zone=ZONE,
        channels={},
    )
    assert len(parsed.rows) + parsed.repeated + len({p.row for p in parsed.problems}) >= len(table.rows)


@given(st.integers(0, 60), st.integers(2, 61))
def test_any_split_of_a_log_reads_as_the_whole(cut, count):
    rows = [f"3/2/2026 {10 + i // 12}:{i % 12 * 5:02d},{110 + i / 10},100" for i in range(count)]
    cut = min(cut, count)
    whole = parse("\n".join(["Time,Dry,Wet", *rows]))
    parts = [parse("\n".join(["Time,Dry,Wet", *part])) for part in (rows[:cut], rows[cut:]) if part]
    assert [(r.taken_at, r.values) for p in parts for r in p.rows] == [
        (r.taken_at, r.values) for r in whole.rows
    ]


HEAD = "Time,Dry,Wet\n"
TORTURE = [
    *(HEAD + f"3/2/26 10:00,{cell},100\n" for cell in (
        "1e5", "-400", "1O8", "110F", "110 °F", "110,5", "1.1.0", "++1", "0x1F", "½", "∞", "1 10", "#REF!", "ERR", "OPEN",
        "True", "110\x00", "'110", "110;", "=110",
    )),
    *(HEAD + f"{moment},110,100\n" for moment in (
        "3/32/26 10:00", "13/1/26 10:00", "2/30/26 10:00", "0/1/26 10:00", "3/2/026 10:00", "3/2/26", "10:00",
        "3/2/26 24:00", "3/2/26 10:60", "3/2/26 10", "3/2/26 13:00 pm", "3/2/26 0:10 am", "3.2.26.1 10:00", "yesterday",
        "45000.4", "2026-W10-1 10:00", "3/8/26 02:30", "3/2/26 10:00 EST", "3/2/26 10:00:61",
    )),
    HEAD + "3/2/26 10:00,110\n",
    HEAD + "3/2/26 10:00,110,100,7\n",
    HEAD + "3/2/26 10:00,110,100\n3/2/26 10:00,110,101\n",
    HEAD + "3/2/26 10:00,100,110\n",
    HEAD + "3/2/26 10:00,110,100\nTotal,,\nx\n",
    "Dry,Wet\n110,100\n",
    "Time;Dry;Wet\n3/2/26 10:00;110,5;100\n",
    "Time,Dry,Dry\n3/2/26 10:00,110,100\n",
    "Time Dry Wet\n3/2/26 10:00 110 100\n",
    "<html><body>Time,Dry,Wet</body></html>\n",
    '{"Time": "3/2/26 10:00", "Dry": 110}\n',
    "%PDF-1.7\n3 2 26\n",
]  # fmt: skip


def test_there_are_fifty_malformed_files():
    assert len({*TORTURE}) >= 50


@pytest.mark.parametrize("text", TORTURE)
def test_a_malformed_file_is_refused_in_words(text):
    """Hand-made faults of recorder files (common practice). With any problem nothing is written."""
    try:
        parsed = parse(text)
    except logs.UnreadableLog as refusal:
        assert len(str(refusal)) > 20
    else:
        assert parsed.problems
        assert all(len(str(problem)) > 10 for problem in parsed.problems)
