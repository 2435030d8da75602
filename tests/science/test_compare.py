"""The engine beside published days, charges, kWh and heating times; the tables stand in DEVELOPERS.md."""

import math
import re
from pathlib import Path

import numpy as np
import pytest

from kilnshop.science import drying, heating
from tests.science import compare

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"
NUMBER = re.compile(r"\d+(?:\.\d+)?")


def test_tables_in_developers_are_what_the_engine_prints():
    """Words alike, numbers within the last digit."""
    text = DEVELOPERS.read_text(encoding="utf-8")
    shown = [line for line in text.splitlines() if line.startswith(("| ", "- Green", "- 20 to 6"))]
    for line in compare.markdown().splitlines():
        words = NUMBER.sub("#", line)
        numbers = [float(n) for n in NUMBER.findall(line)]
        alike = [
            other
            for other in shown
            if NUMBER.sub("#", other) == words
            and np.allclose([float(n) for n in NUMBER.findall(other)], numbers, rtol=0.015, atol=0.11)
        ]
        assert alike or not line, f"run python -m tests.science.compare; DEVELOPERS.md lacks {line}"


def test_green_periods():
    """Source: FPL Technical Note 233 (rev. 1960) Table 1 (memory), 1-inch stock in conventional kilns. Ten
    hardwoods have a listed speed fitted to these rows; the others follow the rule, so this is no proof."""
    assert len(compare.periods()) == 29
    listed = [p.model.expected / p.middle for p in compare.periods() if p.wood.speed_listed]
    assert (
        len(listed) == 11 and sorted(listed)[-2] < 1.1 and min(listed) > 0.75
    )  # the highest is sweetgum, listed for heartwood
    assert 0.9 < np.median([p.model.expected / p.middle for p in compare.periods()]) < 1.05


@pytest.mark.parametrize("group, median, worst", [("hardwood", 0.17, 0.64), ("softwood", 0.37, 0.63)])
def test_each_wood_left_out(group, median, worst):
    """Source: as above. The rule is fitted without the wood and then predicts it; ln of predicted over published."""
    errors = [
        abs(math.log(p.left_out.expected / p.middle)) for p in compare.periods() if p.wood.group == group
    ]
    assert np.expm1(np.median(errors)) == pytest.approx(median, abs=0.02)
    assert max(errors) == pytest.approx(worst, abs=0.03)
    held = [compare.inside(p.middle, p.left_out) for p in compare.periods() if p.wood.group == group]
    assert 0.75 <= np.mean(held) <= 0.95


def test_the_rule_in_the_engine_is_the_rule_fitted_to_every_wood():
    rule = compare.full_rule()
    for gravity in (0.35, 0.45, 0.6):
        fitted = math.exp(rule["slope"] * (rule["gravity"] - gravity))
        wood = compare.replace(compare.TUPELO, specific_gravity_green=gravity)
        assert drying.speed_factor(wood) == pytest.approx(fitted, rel=0.03)
    assert drying.SOFTWOOD_SPEED[True] == pytest.approx(rule["permeable"], rel=0.03)
    assert drying.SOFTWOOD_SPEED[False] == pytest.approx(rule["softwood"], rel=0.03)


def test_air_dried_periods_are_short_by_two_to_three_days():
    """Source: as above; not used in any fit. A gentle first day and a half and a day of conditioning (AH 188 ch. 7,
    memory) are in a published period and not in the bare steps run here."""
    dried = [p for p in compare.periods() if p.model_dry]
    short = [p.middle_dry - p.model_dry.expected for p in dried if p.model_dry]
    assert len(short) == 15
    assert np.median(short) == pytest.approx(2.7, abs=0.3)
    assert min(short) > 0 and max(short) < 5


@pytest.mark.parametrize(
    "key, low, high", [("B1", 0.45, 0.65), ("B3a", 0.8, 1.0), ("B3b", 0.85, 1.05), ("B4", 1.2, 1.5)]
)
def test_measured_small_kiln_charges(key, low, high):
    """Source: Bergman 2008, FPL-RN-0310, abstract (seen). Their air was not printed: the ladder is assumed. B3a was
    used to fit the constants; B1 and B4 are checks, and B1 a poor one."""
    charge = next(c for c in compare.charges() if c.key == key)
    assert charge.days and charge.model
    assert low < charge.model.expected / charge.days < high


def test_energy_beside_another_code_of_the_same_physics():
    """Source: dehumidification_energy.csv, calculated apart from this project (memory). No metered kWh of a small
    kiln could be read, so this checks arithmetic and not the world."""
    ratios = [e.model_kwh.expected / e.kwh for e in compare.energy()]
    assert len(ratios) == 10
    assert min(ratios) > 0.9 and max(ratios) < 1.2


def test_heating_times_in_steam_and_in_drier_air():
    """Source: Wood Handbook FPL-GTR-190 (2010) Tables 20-4 and 20-8 (seen). One diffusivity for all woods."""
    for (table, size), pairs in compare.heating_ratios().items():
        model, plan = zip(*pairs, strict=True)
        if "steam" in table:
            assert min(model) > 0.89 and max(model) < 1.28, (table, size)
        assert min(plan) > {"20-8, 2 to 12 °F": 0.82}.get(table, 1.1), (table, size)
    assert heating.DRY_HEAT_ALLOWANCE > 1


def test_about_four_in_five_published_rows_lie_inside_their_band():
    """Sources: as above. The spread of air-dried starts was set on these rows, so this holds it, and proves nothing."""
    pairs = [(p.middle, p.model) for p in compare.periods()]
    pairs += [(p.middle_dry, p.model_dry) for p in compare.periods() if p.model_dry]
    pairs += [(c.days, c.model) for c in compare.charges() if c.kind == "measured" and c.days and c.model]
    assert len(pairs) == 48
    assert 0.75 < np.mean([compare.inside(*pair) for pair in pairs]) < 0.9
