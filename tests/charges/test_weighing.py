"""Sample boards and packs: their arithmetic by the handbooks, and that a weight never changes."""

import datetime as dt
import uuid

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import DatabaseError, transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kilnshop.charges import sources, weighing
from kilnshop.charges.models import SampleBoard, SampleCut, SampleWeight
from tests.charges.running_helpers import HOUR, NOW, running_charge

pytestmark = pytest.mark.django_db


def cut(row, by, name="S1", mc=60.0, weight=4.46, unit="lb", at=NOW, dried=True):
    """A board whose two sections say `mc`."""
    sample = weighing.cut_sample(
        charge_lot=row,
        name=name,
        position="",
        weight=weight,
        unit=unit,
        green=[100 + mc, 2 * (100 + mc)],
        section_unit="g",
        at=at,
        by=by,
        now=at,
    )
    if dried:
        dry(sample, by, [100, 200], at)
    return sample


def dry(sample, by, figures, at):
    found = sources.read_through(sample).waiting
    sections = [row.pk for row in found.sections.all()]
    return weighing.dry_sections(cut=found, oven_dry=dict(zip(sections, figures, strict=True)), by=by, now=at)


def weigh(sample, by, weight, hours, unit="lb", **over):
    at = NOW + hours * HOUR
    return weighing.weigh(sample=sample, weight=weight, unit=unit, at=at, by=by, now=at, **over)


@pytest.fixture
def row(operator):
    return running_charge(operator).charge_lots.get()


def test_the_handbooks_sample_board(row, operator):
    """USDA Agriculture Handbook 188, ch. 6, as remembered (memory): a sample of 4.46 lb at 63.6 % has 2.73 lb of dry

    wood; at 4.14 lb it stands at 51.6 %. The formulas are also Wengert's, Drying Oak Lumber, step 3B (seen).
    """
    sample = cut(row, operator, mc=63.6, weight=4.46)
    weigh(sample, operator, 4.14, 24)
    found = sources.read_through(sample)
    assert found.estimate.lb == pytest.approx(2.73, abs=0.005)
    assert found.latest.mc_pct == pytest.approx(
        51.6, abs=0.3
    )  # the handbook rounds the dry weight before it divides
    assert found.loss_pct_per_day == pytest.approx(63.6 - 51.86, abs=0.05)


def test_the_start_is_the_average_of_the_sections(row, operator):
    """Wengert, step 3B: initial MC = (section 1 + section 2) / 2. 82 % and 78 % make 80 %, by hand."""
    sample = weighing.cut_sample(
        charge_lot=row,
        name="S1",
        position="",
        weight=9.0,
        unit="lb",
        green=[182, 89],
        section_unit="g",
        at=NOW,
        by=operator,
        now=NOW,
    )
    dry(sample, operator, [100, 50], NOW)
    found = sources.read_through(sample)
    assert found.latest.mc_pct == pytest.approx(80.0)
    assert found.estimate.lb == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("weight", "unit"), [(5.0, "lb"), (80.0, "oz"), (2267.96185, "g"), (2.26796185, "kg")]
)
def test_a_scale_in_any_unit_says_the_same_and_is_kept_as_shown(row, operator, weight, unit):
    """16 oz and 453.59237 g a pound: NIST Handbook 44, appendix C."""
    sample = cut(row, operator, mc=60, weight=8.0)
    kept = weigh(sample, operator, weight, 24, unit=unit)
    assert (kept.weight, kept.unit) == (weight, unit)
    assert sources.read_through(sample).latest.mc_pct == pytest.approx(0.0, abs=1e-6)


def test_until_the_oven_has_dried_the_sections_no_moisture_is_made_up(row, operator):
    sample = cut(row, operator, mc=60, dried=False)
    weigh(sample, operator, 4.0, 24)
    found = sources.read_through(sample)
    assert (found.latest, found.estimates) == (None, [])
    dry(sample, operator, [100, 200], NOW + 25 * HOUR)
    found = sources.read_through(sample)
    assert found.points[0].mc_pct == pytest.approx(60.0)
    assert found.latest.mc_pct == pytest.approx((4.0 / (4.46 / 1.6) - 1) * 100)


def test_a_second_section_corrects_and_the_older_estimate_stays(row, operator):
    """First 8 lb at 60 %: 5 lb dry. At 6 lb, 20 % by that, a section says 25 %: what is left, 5.5 lb, holds 4.4 lb of

    dry wood; 4.84 lb later is then 10 %. By hand.
    """
    sample = cut(row, operator, mc=60, weight=8.0)
    weigh(sample, operator, 6.0, 48)
    at = NOW + 49 * HOUR
    weighing.cut_again(
        sample=sample, weight=5.5, unit="lb", green=[125], section_unit="g", at=at, by=operator, now=at
    )
    weigh(sample, operator, 5.0, 60)
    waiting = sources.read_through(sample)
    assert waiting.estimate.provisional
    assert waiting.latest.mc_pct == pytest.approx((5.0 / (5.5 / 1.2) - 1) * 100)
    dry(sample, operator, [100], NOW + 72 * HOUR)
    weigh(sample, operator, 4.84, 96)
    found = sources.read_through(sample)
    assert [round(row.lb, 6) for row in found.estimates] == [5.0, 4.4]
    assert [round(p.mc_pct, 4) for p in found.points] == [60.0, 20.0, 25.0, 13.6364, 10.0]


def test_a_pack_says_a_band_from_how_well_its_start_is_known(operator):
    """Lot at 25 % by pins, known to 2 % (one standard deviation): 1,250 lb holds 1,000 lb dry; 1,100 lb is 10 %, give or

    take 1.28 x 2 x 1100 / 1250 = 2.25. By hand.
    """
    row = running_charge(operator).charge_lots.get()
    pack = weighing.add_pack(
        charge_lot=row, name="Pack 1", position="", weight=1250, unit="lb", at=NOW, by=operator, now=NOW
    )
    weigh(pack, operator, 1100, 100)
    found = sources.read_through(pack)
    band = found.latest.band
    assert (band.low, band.expected, band.high) == pytest.approx((7.747, 10.0, 12.253), abs=0.001)
    assert sources.board_round([found], NOW + 101 * HOUR) is None


def test_wettest_and_driest_are_known(row, operator):
    for name, mc in (("S1", 60), ("S2", 80), ("S3", 40)):
        cut(row, operator, name, mc=mc)
    found = {str(one.sample): one for one in sources.samples(row.charge)}
    assert [name for name, one in found.items() if one.wettest] == ["S2"]
    assert [name for name, one in found.items() if one.driest] == ["S3"]
    assert sources.board_round(found.values(), NOW + HOUR).value == pytest.approx(70.0)


def test_boards_weighed_long_ago_do_not_drive(row, operator):
    cut(row, operator)
    found = sources.samples(row.charge)
    assert sources.board_round(found, NOW + 95 * HOUR)
    assert sources.board_round(found, NOW + 96 * HOUR) is None


@pytest.mark.parametrize(
    ("weight", "unit"),
    [(2.0, "lb"), (70.0, "lb"), (4.2, "oz"), (4.2, "g")],  # lighter than dry wood, over 300 %, wrong units
)
def test_a_weight_that_cannot_be_is_refused_in_words(row, operator, weight, unit):
    sample = cut(row, operator)
    with pytest.raises(ValidationError, match=r"last weighed 4\.46 lb\. Check the figure and the unit"):
        weigh(sample, operator, weight, 24, unit=unit)
    assert not SampleWeight.objects.exists()


def test_a_weight_sent_twice_counts_once(row, operator):
    sample, entry = cut(row, operator), uuid.uuid4()
    assert weigh(sample, operator, 4.0, 24, entry=entry) == weigh(sample, operator, 4.0, 24, entry=entry)
    assert SampleWeight.objects.count() == 1


def test_a_round_is_kept_whole_or_not_at_all(row, operator):
    one, two = cut(row, operator, "S1"), cut(row, operator, "S2")
    with pytest.raises(ValidationError) as error:
        weighing.weigh_round(
            charge=row.charge,
            weights={one.pk: 4.0, two.pk: 1.0},
            unit="lb",
            at=NOW + 24 * HOUR,
            entry=uuid.uuid4(),
            by=operator,
            now=NOW + 24 * HOUR,
        )
    assert list(error.value.message_dict) == [f"weight_{two.pk}"]
    assert not SampleWeight.objects.exists()


def test_a_wrong_weight_is_set_aside_and_stays_on_record(row, operator):
    sample = cut(row, operator)
    wrong = weigh(sample, operator, 4.4, 24)
    weighing.set_aside(row=wrong, why="Scale was not at zero", by=operator, now=NOW + 48 * HOUR)
    assert sources.read_through(sample).latest.row == sample.samplecuts.get()
    kept = SampleWeight.objects.get()
    assert (kept.weight, kept.set_aside_why) == (4.4, "Scale was not at zero (Operator)")


@pytest.mark.parametrize("model", [SampleWeight, SampleCut])
def test_the_database_refuses_to_change_or_drop_a_weight(row, operator, model):
    weigh(cut(row, operator), operator, 4.0, 24)
    for act in (lambda: model.objects.update(weight=3.0), lambda: model.objects.all()._raw_delete("default")):
        with pytest.raises(DatabaseError, match="frozen"), transaction.atomic():
            act()


@pytest.mark.parametrize(("green", "told"), [([], "at least one section"), ([1, 1, 1, 1, 1], "at most 4")])
def test_a_cut_needs_its_sections(row, operator, green, told):
    with pytest.raises(ValidationError, match=told):
        weighing.cut_sample(
            charge_lot=row,
            name="S1",
            position="",
            weight=4,
            unit="lb",
            green=green,
            section_unit="g",
            at=NOW,
            by=operator,
            now=NOW,
        )
    assert not SampleBoard.objects.exists()


def test_what_the_oven_says_is_checked_and_entered_once(row, operator):
    sample = cut(row, operator, dried=False)
    with pytest.raises(ValidationError, match="cannot weigh 200 g oven-dry"):
        dry(sample, operator, [200, 200], NOW)
    found = dry(sample, operator, [100, 200], NOW)
    with pytest.raises(ValidationError, match="has its oven-dry weight"):
        weighing.dry_sections(cut=found, oven_dry={found.sections.first().pk: 99}, by=operator, now=NOW)


def test_a_section_cut_off_makes_the_board_lighter(row, operator):
    sample = cut(row, operator)
    with pytest.raises(ValidationError, match=r"not less than the 4\.46 lb"):
        weighing.cut_again(
            sample=sample,
            weight=4.5,
            unit="lb",
            green=[120],
            section_unit="g",
            at=NOW + HOUR,
            by=operator,
            now=NOW + HOUR,
        )


def test_two_samples_of_a_lot_have_two_names(row, operator):
    cut(row, operator)
    with pytest.raises(ValidationError, match="another"):
        cut(row, operator)


def test_the_office_weighs_nothing(row, office):
    with pytest.raises(PermissionDenied):
        cut(row, office)


def test_a_charge_unloaded_takes_no_weights(row, operator):
    sample = cut(row, operator)
    charge = row.charge
    charge.dried_at = charge.unloaded_at = NOW + dt.timedelta(days=9)
    charge.save()
    sample.refresh_from_db()
    with pytest.raises(ValidationError, match="until it is unloaded"):
        weigh(SampleBoard.objects.get(), operator, 4.0, 300)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.tuples(st.floats(2.8, 8.0), st.sampled_from(["lb", "oz", "g"])), min_size=1, max_size=6),
    st.booleans(),
)
def test_weights_never_change_whatever_is_cut_dried_or_set_aside_later(row, operator, weights, aside):
    factor = {"lb": 1.0, "oz": 16.0, "g": 453.59237}
    sample = cut(row, operator, name=uuid.uuid4().hex[:12], mc=190, weight=8.1)
    typed = [
        weigh(sample, operator, pounds * factor[unit], 24.0 * (i + 1), unit=unit)
        for i, (pounds, unit) in enumerate(weights)
    ]
    at = NOW + 24 * (len(weights) + 1) * HOUR
    last = sources.read_through(sample).last_weight.lb
    weighing.cut_again(
        sample=sample,
        weight=last * 0.9,
        unit="lb",
        green=[150],
        section_unit="g",
        at=at,
        by=operator,
        now=at,
    )
    dry(sample, operator, [100], at)
    if aside:
        weighing.set_aside(row=typed[0], why="wrong", by=operator, now=NOW + 48 * HOUR)
    rows = SampleWeight.objects.filter(sample=sample).order_by("at")
    assert [(row.weight, row.unit) for row in rows] == [(row.weight, row.unit) for row in typed]
