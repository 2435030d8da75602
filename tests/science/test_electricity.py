"""The draw of a charge on the calendar: quarter hours, clock changes, periods, peaks and stages."""

import datetime as dt
import zoneinfo

import numpy as np
import pytest

from kilnshop.science import electricity
from kilnshop.science.electricity import Draw, Period
from kilnshop.science.estimate import ChamberInput, LotInput, Outside, estimate
from kilnshop.science.schedules import assemble, low_temperature
from kilnshop.science.species import find

NEW_YORK = zoneinfo.ZoneInfo("America/New_York")
EVERY, WORKDAYS = frozenset(range(7)), frozenset(range(5))
# Alliant Energy (Iowa), rate 707, https://alliantenergy.com/waystosave/savingsprograms/timeofdaypricingiowabiz,
# read 2026: dearer energy 2-7 p.m. on weekdays of June, July and August; demand hours 7 a.m.-8 p.m. on weekdays
SUMMER_PEAK = Period("On-peak", 6, 8, WORKDAYS, 14, 19)
DEMAND_HOURS = Period("Demand", 1, 12, WORKDAYS, 7, 20)


def flat(start, hours, kw):
    return Draw(start, (hours,), (0.0,), (0.0,), (kw,))


@pytest.mark.parametrize(
    ("start", "hours", "dear"),
    [
        # Wed 1 July 2026, a whole week of 1 kW: five weekdays of 5 hours
        (dt.datetime(2026, 7, 1, tzinfo=NEW_YORK), 168.0, 25.0),
        # Fri 29 May to Mon 1 June 24:00: June begins on the Monday, 5 hours
        (dt.datetime(2026, 5, 29, tzinfo=NEW_YORK), 96.0, 5.0),
        # Fri 28 Aug 18:30 for 7 days: half an hour on that Friday and the 31st, a Monday, with 5
        (dt.datetime(2026, 8, 28, 18, 30, tzinfo=NEW_YORK), 168.0, 5.5),
        # a winter week has none
        (dt.datetime(2026, 1, 5, tzinfo=NEW_YORK), 168.0, 0.0),
    ],
)
def test_hours_of_a_published_tariff_are_counted_by_hand(start, hours, dear):
    drawn = electricity.quarters(flat(start, hours, 1.0))
    assert electricity.by_period(drawn, NEW_YORK, [SUMMER_PEAK]) == pytest.approx((dear, hours - dear))


@pytest.mark.parametrize(
    ("day", "night_hours"),
    [
        # The clock goes from 2:00 to 3:00 on Sun 8 March 2026 and from 2:00 back to 1:00 on Sun 1 Nov 2026
        # (US Energy Policy Act of 2005, section 110): the hours before 6 are then 5 and 7.
        (dt.date(2026, 3, 8), 5.0),
        (dt.date(2026, 11, 1), 7.0),
        (dt.date(2026, 3, 9), 6.0),
    ],
)
def test_a_clock_change_takes_or_gives_an_hour(day, night_hours):
    midnight = dt.datetime.combine(day, dt.time(), NEW_YORK)
    next_midnight = dt.datetime.combine(day + dt.timedelta(days=1), dt.time(), NEW_YORK)
    hours = (next_midnight.timestamp() - midnight.timestamp()) / 3600
    night = Period("Night", 1, 12, EVERY, 0, 6)
    drawn = electricity.quarters(flat(midnight, hours, 2.0))
    assert electricity.by_period(drawn, NEW_YORK, [night])[0] == pytest.approx(2 * night_hours)


def test_periods_run_past_midnight_and_the_year():
    night = Period("Winter night", 11, 2, EVERY, 22, 6)
    assert night.months == {11, 12, 1, 2}
    assert night.hours == {22, 23, 0, 1, 2, 3, 4, 5}
    assert Period("All", 1, 12, EVERY, 0, 24).hours == set(range(24))


def test_quarter_hours_average_the_power_within_them():
    # 8 kW until 10:05, then 2 kW: the quarter from 10:00 holds 8 x 5 + 2 x 10 = 60 kW-minutes, 4 kW on average
    draw = Draw(
        dt.datetime(2026, 7, 1, 9, 5, tzinfo=NEW_YORK), (1.0, 3.0), (5.0, 1.0), (1.0, 1.0), (2.0, 0.0)
    )
    drawn = electricity.quarters(draw)
    at_ten = int(dt.datetime(2026, 7, 1, 10, tzinfo=NEW_YORK).timestamp()) // 900 - drawn.first
    assert drawn.kw[at_ten] == pytest.approx(4.0)
    assert drawn.kwh.sum(axis=0) == pytest.approx([5 + 2, 1 + 2, 2])  # by user, by hand
    assert electricity.peaks(drawn, NEW_YORK) == pytest.approx({2026 * 12 + 6: 8.0})


def test_draws_add_up_where_they_meet():
    day = dt.datetime(2026, 7, 1, tzinfo=NEW_YORK)
    both = electricity.together(
        [
            electricity.quarters(flat(day, 10.0, 3.0)),
            electricity.quarters(flat(day + dt.timedelta(hours=6), 10.0, 4.0)),
        ]
    )
    assert both.kwh.sum() == pytest.approx(70)
    assert [both.kw[0], both.kw[4 * 7], both.kw[-1]] == pytest.approx([3, 7, 4])


def test_each_month_has_its_peak_and_on_peak_hours_theirs():
    # 6 kW on Fri 30 Jan from 20:00 for 28 h ends Sun 1 Feb 0:00; 2 kW to Tue 3 Feb 0:00
    draw = Draw(dt.datetime(2026, 1, 30, 20, tzinfo=NEW_YORK), (28.0, 76.0), (6.0, 2.0), (0, 0), (0, 0))
    drawn = electricity.quarters(draw)
    january, february = 2026 * 12, 2026 * 12 + 1
    assert electricity.peaks(drawn, NEW_YORK) == pytest.approx({january: 6, february: 2})
    assert electricity.peaks(drawn, NEW_YORK, [DEMAND_HOURS]) == pytest.approx({january: 0, february: 2})


def test_the_ratchet_of_the_published_example():
    """A peak of 1,000 kW bills at least 800 kW for the next 11 months at 80 %: US DOE / PNNL,
    https://feds.pnnl.gov/faq/what-demand-ratchet"""
    known = {100: 1000.0}
    billed = [electricity.billed_kw(300.0, 100 + n, known, 0.8, 11) for n in range(1, 13)]
    assert billed == [800.0] * 11 + [300.0]
    assert electricity.billed_kw(950.0, 105, known, 0.8, 11) == 950.0


@pytest.mark.parametrize(
    ("one", "other", "clash"),
    [
        (Period("Day", 6, 9, WORKDAYS, 8, 20), Period("Evening", 6, 9, WORKDAYS, 20, 24), False),
        (Period("Day", 6, 9, WORKDAYS, 8, 20), Period("Evening", 9, 12, WORKDAYS, 19, 24), True),
        (Period("Day", 6, 9, WORKDAYS, 8, 20), Period("Winter", 10, 5, WORKDAYS, 8, 20), False),
        (Period("Day", 1, 12, WORKDAYS, 8, 20), Period("Weekend", 1, 12, frozenset((5, 6)), 8, 20), False),
        (Period("Night", 1, 12, EVERY, 22, 6), Period("Early", 1, 12, EVERY, 5, 7), True),
    ],
)
def test_an_hour_with_two_prices_is_found_and_named(one, other, clash):
    said = electricity.overlap([one, other])
    assert bool(said) == clash
    if clash:
        assert one.name in said and other.name in said
    if other.last_month == 12 and clash and other.first_month == 9:
        assert "Monday in September from 19:00" in said


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"start": dt.datetime(2026, 1, 1)}, "no time zone"),
        ({"hours": ()}, "must rise"),
        ({"hours": (2.0, 1.0)}, "must rise"),
        ({"heater_kw": (1.0,)}, "1 values for 2 steps"),
        ({"heater_kw": (1.0, float("nan"))}, "nan"),
        ({"fans_kw": (1.0, -1.0)}, "-1"),
    ],
)
def test_bad_draws_are_refused(given, said):
    values = {
        "start": dt.datetime(2026, 1, 1, tzinfo=NEW_YORK),
        "hours": (1.0, 2.0),
        "compressor_kw": (1.0, 1.0),
        "fans_kw": (1.0, 1.0),
        "heater_kw": (1.0, 1.0),
    }
    with pytest.raises(ValueError, match=said):
        Draw(**(values | given))


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"from_hour": 24}, "from_hour"),
        ({"to_hour": 25}, "to_hour"),
        ({"first_month": 0}, "first_month"),
        ({"from_hour": 8, "to_hour": 8}, "no hours"),
        ({"weekdays": frozenset()}, "weekdays"),
        ({"weekdays": frozenset((7,))}, "weekdays"),
    ],
)
def test_bad_periods_are_refused(given, said):
    values = dict(name="x", first_month=1, last_month=12, weekdays=EVERY, from_hour=8, to_hour=20)
    with pytest.raises(ValueError, match=said):
        Period(**(values | given))


@pytest.fixture(scope="module")
def made():
    oak = find("northern red oak")
    lot = LotInput("A", oak, 1.125, 1500.0, 25.0, 7.0, "pin")
    chamber = ChamberInput(
        key="n", name="North", length_ft=14, width_ft=8, height_ft=8, wall_r=20, heater_kw=4, fan_kw=0.5,
        removal_lb_per_day=130, removal_at_dry_bulb_f=120, removal_at_rh_pct=50, compressor_kw=1.5,
        blower_kw=0.15, lockout_dry_bulb_f=125, max_dry_bulb_f=160, has_humidifier=True, capacity_bf=2000,
        leak_kg_per_h=3, unit_inside=True, elevation_ft=0,
    )  # fmt: skip
    return estimate([lot], chamber, low_temperature(assemble("T4-D2"), 120), Outside(40, 70))


def test_stages_and_quarters_hold_all_the_electricity(made):
    rows = electricity.stages(made)
    start = dt.datetime(2026, 3, 1, 12, tzinfo=NEW_YORK)
    drawn = electricity.quarters(electricity.draw_of(made, start))
    users = (made.kwh.compressor.expected, made.kwh.fans.expected, made.kwh.heater.expected)
    assert drawn.kwh.sum(axis=0) == pytest.approx(users, rel=1e-9)
    summed = np.sum([[row.compressor, row.fans, row.heater] for row in rows], axis=0)
    assert summed == pytest.approx(users, rel=1e-9)
    assert [row.from_h for row in rows[1:]] == [row.to_h for row in rows[:-1]]


def test_heating_up_comes_first_and_may_be_shifted_but_drying_may_not(made):
    first, *others = electricity.stages(made)
    assert first.name == "Heat-up" and first.shiftable
    assert first.heater / first.total > 0.5
    assert not any(row.shiftable for row in others if row.name in ("Drying", "Equalizing", "Conditioning"))
