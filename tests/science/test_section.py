"""Moisture in timbers: analytic products, an independent solver, conservation, direction."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from scipy.sparse import diags

from kilnshop.science import drying, species
from kilnshop.science.drying import Boards
from kilnshop.science.emc import emc_fraction
from kilnshop.science.psychro import c_from_f
from kilnshop.science.section import CELLS, Sections, Stock


def timber(thickness_in=4.0, width_in=4.0, start=0.50, slope=drying.FREE_SLOPE, velocity=1.0, cells=CELLS):
    sides = np.array([thickness_in * 0.0254]), np.array([width_in * 0.0254])
    return Sections(*sides, np.array([start]), np.ones(1), np.array([slope]), velocity, cells)


def average(wood):
    return float((wood.moisture * wood.share).sum())


def at_depth(wood, depth_in):
    return float((wood.moisture * wood.probe(np.array([depth_in * 0.0254]))).sum())


def dry(wood, hours, temp_f=120.0, rh=0.45, step_h=12.0):
    """Dry in steady air; the averages after each step."""
    temp, out = np.array([c_from_f(temp_f)]), []
    emc = emc_fraction(temp, np.array([rh]))
    for _ in range(round(hours / step_h)):
        wood.keep(wood.advance(temp, emc, np.array([step_h * 3600.0])))
        out.append(average(wood))
    return np.array(out)


def slab(half, d, s, seconds):
    """What is left of the change in a slab with surface evaporation and constant D: Crank (1975) eq. 4.50."""
    biot = s * half / d
    roots = [
        brentq(lambda z: z * math.sin(z) - biot * math.cos(z), n * math.pi + 1e-9, n * math.pi + math.pi / 2)
        for n in range(60)
    ]
    return sum(
        2 * biot**2 / (z**2 * (z**2 + biot**2 + biot)) * math.exp(-(z**2) * d * seconds / half**2)
        for z in roots
    )


@pytest.mark.parametrize("thickness, width", [(4.0, 4.0), (3.0, 8.0)])
@pytest.mark.parametrize("days", [1, 5, 20, 60])
def test_product_of_two_analytic_slabs(thickness, width, days):
    """Source: Crank, The Mathematics of Diffusion (1975) eq. 4.50 for each direction; a rectangle is their product
    (Newman's rule, Carslaw and Jaeger 1959 section 5.6). A drop of 0.001 % MC keeps our D constant to 1e-4."""
    start, drop, temp = 0.12, 1e-5, 50.0
    k = 1 / (temp + 273.15) - 1 / 316.15
    d = drying.D43 * math.exp(-5280 * k) * math.exp(drying.B * (start - 0.20))
    s = drying.S43 * math.exp(-2890 * k)
    wood = timber(thickness, width, start, cells=24)
    for _ in range(100):
        wood.keep(wood.advance(np.array([temp]), np.array([start - drop]), np.array([days * 864.0])))
    left = (average(wood) - (start - drop)) / drop
    exact = math.prod(slab(side * 0.0127, d, s, days * 86400.0) for side in (thickness, width))
    assert left == pytest.approx(exact, abs=1e-3)


def test_second_order_in_space():
    """Each halving of the cells moves the answer a quarter as far as the one before, below fibre saturation."""
    ends = [dry(timber(3.0, 5.0, 0.25, cells=n), 240, step_h=24)[-1] for n in (5, 10, 20, 40)]
    first, second, third = np.abs(np.diff(ends))
    assert first / second == pytest.approx(4, rel=0.1)
    assert second / third == pytest.approx(4, rel=0.1)


@pytest.mark.parametrize("start, slope", [(0.50, drying.FREE_SLOPE), (0.25, drying.FREE_SLOPE), (0.80, 1.0)])
def test_agrees_with_an_adaptive_stiff_solver(start, slope):
    """Source: scipy solve_ivp BDF on the same equations written for M on even cells, an independent
    discretisation. Average within 0.1 points of MC all along."""
    temp, rh, n, half = 45.0, 0.6, 18, 0.0381
    emc = float(emc_fraction(temp, rh))
    k = 1 / (temp + 273.15) - 1 / 316.15
    d, s = drying.D43 * math.exp(-5280 * k), drying.S43 * math.exp(-2890 * k)
    dx = half / n

    def flow(m, phi, local):
        """From cell to cell along the last axis, the last one out of the face."""
        between = 2 * local[:, 1:] * local[:, :-1] / (local[:, 1:] + local[:, :-1])
        out = (phi[:, -1:] - emc) / (dx / 2 / local[:, -1:] + 1 / s)
        return np.concatenate([np.zeros((n, 1)), between * -np.diff(phi) / dx, out], axis=1)

    def change(_, flat):
        m = flat.reshape(n, n)
        local = d * np.exp(drying.B * (np.minimum(m, drying.FSP) - 0.20))
        phi = np.where(m < drying.FSP, m, drying.FSP + slope * (m - drying.FSP))
        return -(np.diff(flow(m, phi, local)) + np.diff(flow(m.T, phi.T, local.T)).T).ravel() / dx

    near = diags([1.0] * 5, [-n, -1, 0, 1, n], shape=(n * n, n * n))
    days = np.arange(2, 41, 2)
    other = solve_ivp(
        change, (0, 40 * 86400.0), np.full(n * n, start), "BDF", t_eval=days * 86400.0, rtol=1e-4, atol=1e-6,
        jac_sparsity=near,
    )  # fmt: skip
    ours = dry(timber(3.0, 3.0, start, slope, cells=16), 960, temp * 1.8 + 32, rh, 24.0)[1::2]
    assert np.abs(ours - other.y.mean(axis=0)).max() < 1e-3


@pytest.mark.parametrize(
    "thickness, width, start, target, rule_days, days",
    [(4.0, 4.0, 0.50, 0.15, 46, 45), (4.0, 8.0, 0.25, 0.12, 56, 49.5), (2.0, 6.0, 0.50, 0.15, 24.5, 23.5)],
)
def test_against_the_product_rule_of_drying_times(thickness, width, start, target, rule_days, days):
    """Source: the reference note on drying models, section 1.6: calculated there with another two-dimensional
    solver, nothing published. The rule 1/t = 1/ta + 1/tb is 2 to 15 % long. Its air was not written down: 110 °F
    and 50 % RH are assumed here, as is 50 to 15 % for the 2x6."""

    def hours_to(wood, share):
        before = start
        for hours in range(0, 12000, 12):
            wood.keep(wood.advance(np.array([c_from_f(110)]), emc, np.array([43200.0])))
            now = float((wood.moisture * share).sum())
            if now <= target:
                return hours + 12 * (before - target) / (before - now)
            before = now
        raise AssertionError("never dry")

    def side(inches):
        board = Boards(
            np.array([inches * 0.0254]), np.array([start]), np.ones(1), np.full(1, drying.FREE_SLOPE)
        )
        return hours_to(board, board.width / board.half)

    emc = emc_fraction(np.array([c_from_f(110)]), np.array([0.5]))
    rule = 1 / (1 / side(thickness) + 1 / side(width))
    wood = timber(thickness, width, start)
    ours = hours_to(wood, wood.share)
    assert rule / ours == pytest.approx(rule_days / days, abs=0.03)
    assert ours / 24 == pytest.approx(days, rel=0.08)


@pytest.mark.parametrize("start, slope", [(0.80, drying.FREE_SLOPE), (0.20, drying.FREE_SLOPE), (1.2, 1.0)])
def test_water_leaving_is_the_water_lost_and_the_residual_is_closed(start, slope):
    wood = timber(4.0, 8.0, start, slope)
    temp, emc = np.array([45.0]), np.array([0.08])
    for hours in (0.5, 3.0, 24.0, 60.0):
        before = average(wood)
        step = wood.advance(temp, emc, np.array([hours * 3600.0]))
        wood.keep(step)
        assert before - average(wood) == pytest.approx(float(step.left[0]), rel=1e-9)
        u = step.u[:, :-1, :-1].reshape(1, -1)
        full = np.exp(drying.B * (drying.FSP - 0.20)) / drying.B
        of_u = np.where(
            u < full,
            0.20 + np.log(drying.B * u) / drying.B,
            drying.FSP + (u - full) / (drying.B * full * slope),
        )
        assert step.moisture == pytest.approx(of_u, abs=1e-6)


def test_sides_may_be_named_either_way_and_a_very_wide_one_is_a_board():
    assert dry(timber(3.0, 8.0), 480) == pytest.approx(dry(timber(8.0, 3.0), 480), abs=1e-12)
    wide = timber(2.5, 2500.0)
    board = Boards(np.array([2.5 * 0.0254]), np.array([0.5]), np.ones(1), np.full(1, 0.02), cells=CELLS)
    board.share = board.width / board.half[:, None]
    assert dry(wide, 480) == pytest.approx(dry(board, 480), abs=1e-3)


def test_a_step_too_long_for_the_timber_is_refused():
    with pytest.raises(drying.DryingFailed, match="too long"):
        timber(2.5, 2.5).advance(np.array([60.0]), np.array([0.03]), np.array([1e8]))


def test_boards_and_timbers_share_a_charge_without_touching():
    """A board beside a timber dries as it does alone, and the timber as its section does."""
    sides = np.array([0.03, 0.1]), np.array([np.nan, 0.2])
    start, speed, slope = np.array([0.6, 0.5]), np.array([1.0, 0.8]), np.array([0.02, 1.0])
    stock = Stock(*sides, start, speed, slope, 1.0)
    board = Boards(sides[0][:1], start[:1], speed[:1], slope[:1])
    section = Sections(sides[0][1:], sides[1][1:], start[1:], speed[1:], slope[1:])
    air = np.full(2, 45.0), np.full(2, 0.1), np.full(2, 36000.0)
    for _ in range(3):
        step = stock.advance(*air)
        for part, row in ((board, 0), (section, 1)):
            alone = part.advance(*(value[:1] for value in air))
            assert step.left[row] == pytest.approx(alone.left[0], rel=1e-9)
            part.keep(alone)
        stock.keep(step, np.array([True, True]))
    means = (stock.moisture * stock.share).sum(axis=1)
    assert means == pytest.approx(
        [float((board.moisture * board.width).sum() / board.half[0]), average(section)]
    )


def test_the_outer_inch_of_an_8x8_dries_in_a_week_at_140_f():
    """Source: common practice: a week at 140 °F can bring the outer inch of an 8x8 from 20 % to 10 % while the core
    has hardly moved. Speed of Douglas-fir by the rule for softwoods, air of 15 % RH."""
    wood = timber(8.0, 8.0, 0.20)
    wood.speed[:] = drying.speed_factor(species.find("Douglas-fir, coast"))
    dry(wood, 168, temp_f=140, rh=0.15)
    outer = np.mean([at_depth(wood, depth) for depth in np.linspace(0, 1, 21)])
    assert 0.08 < outer < 0.115 and at_depth(wood, 4.0) > 0.185
    assert outer < at_depth(wood, 1.0) < 0.16


@settings(max_examples=15, deadline=None)
@given(
    st.floats(0.12, 1.0), st.floats(2.5, 10.0), st.floats(1.0, 3.0), st.integers(2, 30),
    st.sampled_from([0.02, 1.0]), st.floats(0.0, 1.0),
)  # fmt: skip
def test_a_probe_reads_between_shell_and_core(start, thickness, wider, days, slope, part):
    wood = timber(thickness, thickness * wider, start, slope)
    dry(wood, 24 * days, rh=0.4, step_h=24)
    depths = np.sort([0.0, part * thickness / 2, thickness / 2])
    shell, probe, core = (at_depth(wood, depth) for depth in depths)
    assert shell - 1e-9 <= probe <= core + 1e-9


@settings(max_examples=12, deadline=None)
@given(
    st.floats(0.15, 1.0),
    st.floats(2.5, 8.0),
    st.floats(90, 150),
    st.floats(0.2, 0.7),
    st.sampled_from([0.02, 1.0]),
)
def test_hotter_drier_thinner_faster_never_dries_slower(start, thickness, temp_f, rh, slope):
    if start < float(emc_fraction(c_from_f(temp_f), rh)) + 0.02:
        return

    def end(thick=thickness, temp=temp_f, humidity=rh, velocity=1.0):
        return dry(timber(thick, 8.0, start, slope, velocity), 96, temp, humidity)[-1]

    base, close = end(), 2e-5
    assert end(thick=thickness * 0.9) <= base + close
    assert end(temp=temp_f + 10) <= base + close
    assert end(humidity=rh * 0.9) <= base + close
    assert end(velocity=1.5) <= base + close
