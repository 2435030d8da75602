"""Speed of the estimate, as ratios of processor time within one run, and its accuracy where speed might cost it.

Each test times its call through the benchmark fixture; only ratios are asserted, never seconds.
"""

import time
from dataclasses import fields, replace

import numpy as np

from kilnshop.science import drying, psychro, schedules, species
from kilnshop.science.chamber import ChamberInput, Machine, Outside
from kilnshop.science.course import Load, Stage, run
from kilnshop.science.estimate import LotInput, estimate
from tests.benchmarks.general import general

NORTH = ChamberInput(
    "north", "North kiln", 16, 8, 8, 20, 4, 0.6, 180, 120, 50, 1.5, 0.15, 130, 160, False, 2200
)  # fmt: skip
AUTUMN = Outside(50, 60)
SCHEDULE = schedules.low_temperature(schedules.assemble("T4-D2"), 125)
WOODS = (
    ("northern red oak", 1.125, 1000, 80.0),
    ("hard maple", 1.125, 500, 65.0),
    ("yellow-poplar", 1.125, 500, 90.0),
)


def stages():
    return [
        Stage(
            "dry",
            s.from_mc_pct / 100,
            psychro.c_from_f(s.dry_bulb_f),
            psychro.rh_pct(s.dry_bulb_f, s.wet_bulb_f) / 100,
        )
        for s in SCHEDULE.steps
    ]


def load(members=1):
    woods = [species.find(name) for name, *_ in WOODS]
    wide = np.ones((members, 1))
    scatter = np.exp(np.linspace(-0.3, 0.3, members))[:, None] if members > 1 else 1.0
    return Load(
        thickness_m=wide * np.array([w[1] * 0.0254 for w in WOODS]),
        start=wide * np.array([w[3] / 100 for w in WOODS]),
        speed=wide * np.array([w.speed_factor for w in woods]) * scatter,
        dry_kg=np.array([w[2] * 0.0023597 * 1.125 * s.specific_gravity_green * 1000 for w, s in zip(WOODS, woods, strict=True)]),
        target=np.full(3, 0.07),
        free_slope=np.full(3, drying.FREE_SLOPE),
        spread=np.full(3, 0.02),
        probe_m=np.full(3, 0.006),
        tolerance=np.full(3, 0.01),
    )  # fmt: skip


def best(call, times=3):
    """Shortest processor time of a few calls [s]: other work on the machine does not count."""
    spent = []
    for _ in range(times):
        start = time.process_time()
        call()
        spent.append(time.process_time() - start)
    return min(spent)


def by_lots(base, n):
    """The same charge cut into n times as many lots."""
    wide = {
        f.name: np.tile(value, (1, n) if value.ndim == 2 else n)
        for f in fields(base)
        if isinstance(value := getattr(base, f.name), np.ndarray)
    }
    return replace(base, **wide | {"dry_kg": np.tile(base.dry_kg, n) / n})


def test_an_estimate_with_its_band_costs_at_most_three_plain_runs(benchmark):
    lots = [
        LotInput(str(i), species.find(n), t, bf, m, 7.0, "weighed", nominal_thickness_in=1.0)
        for i, (n, t, bf, m) in enumerate(WOODS)
    ]
    benchmark(estimate, lots, NORTH, SCHEDULE, AUTUMN)
    machine, plan, single = Machine(NORTH, AUTUMN), stages(), load()
    plain = best(lambda: run(single, machine, plan))
    ratio = best(lambda: estimate(lots, NORTH, SCHEDULE, AUTUMN)) / plain
    print(f"three lots with band and full chamber: {ratio:.1f} single runs")
    assert ratio < 3


def test_two_hundred_members_cost_at_most_25_runs(benchmark):
    machine, plan, single, many = Machine(NORTH, AUTUMN), stages(), load(), load(200)
    benchmark.pedantic(run, (many, machine, plan), rounds=1)
    one, all_of_them = best(lambda: run(single, machine, plan)), best(lambda: run(many, machine, plan), 1)
    print(f"200 members: {all_of_them / one:.1f} single runs")
    assert all_of_them < 25 * one


def test_time_grows_no_faster_than_lots(benchmark):
    machine, plan, three = Machine(NORTH, AUTUMN), stages(), load()
    oak = replace(three, **{
        f.name: value[..., :1] for f in fields(three) if isinstance(value := getattr(three, f.name), np.ndarray)
    })  # fmt: skip
    nine = by_lots(oak, 9)
    benchmark(run, nine, machine, plan)
    spent = [best(lambda many=many: run(many, machine, plan)) for many in (oak, by_lots(oak, 3), nine)]
    print("1, 3, 9 lots of one wood:", " ".join(f"{each / spent[0]:.1f}" for each in spent))
    assert spent[1] < 3 * spent[0]
    assert spent[2] < 9 * spent[0]


def test_time_grows_no_faster_than_days(benchmark):
    machine, base = Machine(NORTH, AUTUMN), load()
    ladder = stages()[:1]

    def held(days):  # one step held by the clock, after the last the wood has long come to rest
        return [*ladder, replace(stages()[-1], kind="equalize", hours=24.0 * days)]

    wet = replace(base, target=np.full(3, 0.5))
    benchmark(run, wet, machine, held(80))
    spent = [best(lambda days=days: run(wet, machine, held(days))) for days in (20, 40, 80)]
    print("20, 40, 80 days:", " ".join(f"{each / spent[0]:.1f}" for each in spent))
    assert spent[1] < 2 * spent[0]
    assert spent[2] < 4 * spent[0]


def test_thirty_times_faster_than_a_general_solver_and_as_right(benchmark):
    """Source: scipy solve_ivp, BDF, on the same equations with the air coupled in, on the same cells, at tolerances
    that keep its own average moisture within 0.02 % MC; its averages at the end of each of our steps."""
    machine, plan, given = Machine(NORTH, AUTUMN), stages(), load()
    history = benchmark(run, given, machine, plan)
    ours = best(lambda: run(given, machine, plan), 5)
    start = time.process_time()
    averages = general(given, machine, plan, history.hours[:, 0], drying.CELLS)
    theirs = time.process_time() - start
    off = 100 * np.abs(history.average[:, 0] - averages).max()
    print(f"solve_ivp over ours: {theirs / ours:.0f}; largest difference {off:.3f} points of MC")
    assert theirs > 30 * ours
    assert off < 0.05


def test_a_timber_costs_a_few_boards(benchmark):
    def charge(width):
        return [
            LotInput("A", species.find("northern red oak"), 4.0, 1000, 50.0, 15.0, "weighed", width_in=width)
        ]

    benchmark(estimate, charge(8.0), NORTH, SCHEDULE, AUTUMN)
    ratio = best(lambda: estimate(charge(8.0), NORTH, SCHEDULE, AUTUMN)) / best(
        lambda: estimate(charge(None), NORTH, SCHEDULE, AUTUMN)
    )
    print(f"timber over board: {ratio:.1f}")
    assert ratio < 4
