"""Who may share a charge. The cases are those of the sources named in kilnshop/charges/sharing.py."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kilnshop.charges import sharing
from kilnshop.science import species
from kilnshop.science.estimate import Hold, LotInput

HOLDS = {
    "ispm15_ht": Hold("ispm15_ht", "Heat treatment", "heat", 132.8, 30),
    "lyctid_core": Hold("lyctid_core", "Beetles", "heat", 133, 30),
    "pitch_160f": Hold("pitch_160f", "Setting pitch", "pitch", 160, 1440),
}


def lot(wood, start, thickness=1.125, target=7.0, key=None, treatments=()):
    return LotInput(
        key=key or f"{wood} {start:g}",
        species=species.find(wood),
        thickness_in=thickness,
        volume_bf=500,
        start_mc_pct=start,
        target_mc_pct=target,
        start_how="pin",
        treatments=treatments,
    )


def judged(*lots):
    found = sharing.findings(lots, HOLDS)
    return sharing.verdict(found), [finding.rule for finding in found]


ALLOWED = [
    # Ash and walnut, both air-dried about six months: theputnamscoop.com, Mixed Drying Loads. Their drying
    # groups differ, so the pair is allowed at a cost only; the same wood costs nothing.
    (lot("white ash", 18), lot("white ash", 22)),
    (lot("northern red oak", 80), lot("white oak", 72)),
    (lot("sugar maple", 60), lot("black cherry", 52)),
    (lot("black walnut", 20), lot("black walnut", 20, thickness=1.0)),
]


@pytest.mark.parametrize("lots", ALLOWED, ids=str)
def test_like_lots_may_share(lots):
    assert judged(*lots) == (sharing.ALLOWED, [])


def test_air_dried_ash_and_walnut_may_share_at_a_cost():
    assert judged(lot("white ash", 18), lot("black walnut", 20)) == (sharing.COST, ["drying group"])


REFUSED = [
    # "Never green with air-dried": woodweb.com and theputnamscoop.com pages on mixed loads
    (lot("black walnut", 75), lot("black walnut", 15), "green with air-dried"),
    # 4/4 red oak needs two to three times the time of hard maple: Dry Kiln Operator's Manual ch. 5
    (lot("northern red oak", 70), lot("sugar maple", 62), "drying group"),
    # beyond 10 to 15 points a compromise, "oak especially": woodweb.com
    (lot("northern red oak", 80), lot("northern red oak", 60), "start moisture"),
    # 8/4 with 4/4 only when both are well air-dried: woodweb.com
    (lot("black cherry", 50), lot("black cherry", 50, thickness=2.25), "thickness"),
    # white wood beside a slow humid start: FOR-128 p. 89
    (lot("white oak", 68), lot("yellow-poplar", 64), "mould"),
    # pitch setting beside colour-sensitive hardwood: common practice
    (lot("eastern white pine", 18, treatments=("pitch_160f",)), lot("sugar maple", 18), "pitch"),
    # hot air on oak that is wet inside: Dry Kiln Operator's Manual, from memory
    (
        lot("white oak", 28, target=22, thickness=1.125),
        lot("white oak", 27, target=22, treatments=("ispm15_ht",)),
        "heat on wet wood",
    ),
]


@pytest.mark.parametrize(("one", "two", "rule"), REFUSED)
def test_harmful_pairs_are_refused(one, two, rule):
    verdict, rules = judged(one, two)
    assert verdict == sharing.REFUSED
    assert rule in rules


COSTS = [
    (lot("black walnut", 60), lot("black walnut", 48), "start moisture"),
    (lot("black cherry", 20), lot("black cherry", 19, thickness=2.25), "thickness"),
    (lot("black cherry", 50), lot("black cherry", 50, thickness=1.375), "thickness"),
    (lot("northern red oak", 18), lot("sugar maple", 18), "drying group"),
    (lot("white ash", 18, treatments=("ispm15_ht",)), lot("white ash", 19), "heat"),
    (lot("white ash", 18, target=7), lot("white ash", 19, target=12), "target moisture"),
    (lot("eastern white pine", 18, treatments=("pitch_160f",)), lot("eastern white pine", 17), "pitch"),
    # beetles that hatch go on to the wood beside them: woodworkingnetwork.com, Small Holes
    (lot("white ash", 18, treatments=("lyctid_core",)), lot("white ash", 19), "insects"),
    # common practice: cedar perfumes the load, and oak or walnut sap drips black on maple
    (lot("eastern redcedar", 18), lot("eastern white pine", 17), "odour"),
    (lot("black walnut", 60), lot("sugar maple", 58), "stain"),
]


@pytest.mark.parametrize(("one", "two", "rule"), COSTS)
def test_compromises_cost(one, two, rule):
    assert judged(one, two) == (sharing.COST, [rule])


@pytest.mark.parametrize(
    ("gap", "rules"), [(9.9, []), (10.0, []), (10.1, ["start moisture"]), (15.0, ["start moisture"])]
)
def test_start_moisture_may_differ_by_ten_points(gap, rules):
    assert judged(lot("black walnut", 31 + gap), lot("black walnut", 31))[1] == rules


def test_both_wanting_the_same_treatment_costs_nothing():
    heated = [lot("white ash", mc, treatments=("ispm15_ht",)) for mc in (18, 19)]
    assert judged(*heated) == (sharing.ALLOWED, [])


def test_two_smelling_lots_or_two_infested_ones_do_not_mind_each_other():
    assert judged(lot("eastern redcedar", 18), lot("eastern redcedar", 17)) == (sharing.ALLOWED, [])
    bored = [lot("white ash", mc, treatments=("lyctid_core",)) for mc in (18, 19)]
    assert judged(*bored) == (sharing.ALLOWED, [])


def test_air_dried_walnut_does_not_drip_on_maple():
    assert judged(lot("black walnut", 18), lot("sugar maple", 18)) == (sharing.ALLOWED, [])


def test_one_lot_alone_breaks_no_rule():
    assert judged(lot("white oak", 80)) == (sharing.ALLOWED, [])


def test_every_finding_names_both_lots_with_reason_and_source():
    one, two, _ = REFUSED[0]
    for finding in sharing.findings([one, two], HOLDS):
        assert finding.lots == (one.key, two.key)
        assert one.key in finding.text and two.key in finding.text
        assert finding.why and finding.source
        assert finding.provenance in {"seen", "memory", "common practice"}


lots = st.builds(
    lot,
    st.sampled_from([wood.key for wood in species.all_species()]),
    st.floats(8, 120),
    st.sampled_from([1.0, 1.125, 1.5, 2.25, 3.0]),
    st.sampled_from([6.0, 7.0]),
)


@given(one=lots, two=lots)
def test_the_verdict_does_not_depend_on_the_order(one, two):
    def bare(found):
        return {(finding.rule, finding.verdict) for finding in found}

    assert bare(sharing.findings([one, two], HOLDS)) == bare(sharing.findings([two, one], HOLDS))


@given(st.lists(lots, min_size=2, max_size=4))
def test_adding_a_lot_never_makes_a_refused_charge_allowed(chosen):
    order = [sharing.ALLOWED, sharing.COST, sharing.REFUSED]
    whole = sharing.verdict(sharing.findings(chosen, HOLDS))
    for fewer in itertools.combinations(chosen, len(chosen) - 1):
        assert order.index(sharing.verdict(sharing.findings(fewer, HOLDS))) <= order.index(whole)
