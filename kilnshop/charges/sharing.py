"""Which lots may dry together: every rule with its reason and source, judged pair by pair.

A pair that breaks a rule is either refused, or allowed with a cost that a person accepts in a note.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from kilnshop.science.estimate import Hold, LotInput

GREEN_ABOVE_PCT = 30.0
AIR_DRIED_TO_PCT = 20.0
WELL_AIR_DRIED_TO_PCT = 25.0
START_GAP_PCT = (10.0, 15.0)  # a compromise from the first figure on, a bad one from the second
THICKNESS_RATIO = (1.2, 1.5)  # slower by a quarter or so; as 4/4 with 6/4 and more

WET_ABOVE_PCT = 20.0  # a target from which on wood is still wet inside when the hot steps come
STRONG_SMELL = frozenset({"eastern_redcedar", "western_redcedar", "northern_white_cedar"})
TANNIN = frozenset(
    {
        "northern_red_oak", "southern_red_oak", "white_oak", "black_walnut", "butternut", "american_chestnut",
        "black_locust", "western_redcedar", "redwood_old_growth", "redwood_young_growth",
    }
)  # fmt: skip
INSECT_TREATMENTS = frozenset({"lyctid_core", "anobiid", "drywood_termite", "house_longhorn", "walnut_tcd"})

ALLOWED, COST, REFUSED = "allowed", "cost", "refused"

MIXED_LOADS = "kiln advice on mixed loads, theputnamscoop.com and woodweb.com", "seen"
MIXED_MOISTURE = "woodweb.com, Drying Loads with Mixed Moisture Content", "seen"
MIXED_THICKNESS = "woodweb.com, Drying Mixed Thicknesses of Lumber", "seen"
OPERATOR_MANUAL = "Dry Kiln Operator's Manual ch. 5", "seen"
MOULD = "extension manual FOR-128 p. 89: mould above about 70 % RH", "seen"
QUARANTINE = (
    "growers' and dryers' reports of beetles carried in by old stacks (forestryforum.com 9453)",
    "seen",
)
BEETLES = "woodworkingnetwork.com, Small Holes: hatching beetles go on to the wood beside them", "seen"
HONEYCOMB = "Dry Kiln Operator's Manual: hot air on oak that is wet inside honeycombs it", "memory"
PRACTICE = "common practice", "common practice"


@dataclass(frozen=True)
class Finding:
    """One rule that a pair of lots breaks."""

    rule: str
    verdict: str  # COST or REFUSED
    lots: tuple[str, str]
    text: str
    why: str
    source: str
    provenance: str


@dataclass(frozen=True)
class Pair:
    """Two lots, the wetter first."""

    wet: LotInput
    dry: LotInput
    wet_heat: bool = False
    dry_heat: bool = False
    wet_pitch: bool = False
    dry_pitch: bool = False
    wet_insects: bool = False
    dry_insects: bool = False

    @property
    def gap(self) -> float:
        return self.wet.start_mc_pct - self.dry.start_mc_pct

    @property
    def mixes_green_with_air_dried(self) -> bool:
        return self.wet.start_mc_pct > GREEN_ABOVE_PCT and self.dry.start_mc_pct <= AIR_DRIED_TO_PCT


Verdict = tuple[str, str, str, tuple[str, str]]  # verdict, text, why, (source, provenance)


def _name(lot: LotInput) -> str:
    return f"{lot.key} ({lot.species.common_name})"


def _green_with_air_dried(pair: Pair) -> Verdict | None:
    if not pair.mixes_green_with_air_dried:
        return None
    return (
        REFUSED,
        f"{_name(pair.wet)} is green at {pair.wet.start_mc_pct:.0f} % and {_name(pair.dry)} is air-dried at "
        f"{pair.dry.start_mc_pct:.0f} %.",
        "The dry wood takes up the vapour of the green wood and its checks deepen. Air-dry the green lot first.",
        MIXED_LOADS,
    )


def _start_gap(pair: Pair) -> Verdict | None:
    if pair.gap <= START_GAP_PCT[0] or pair.mixes_green_with_air_dried:
        return None
    oak = "refractory" in (pair.wet.species.drying_group, pair.dry.species.drying_group)
    far = pair.gap > START_GAP_PCT[1]
    refused = far and oak and pair.wet.start_mc_pct > GREEN_ABOVE_PCT
    return (
        REFUSED if refused else COST,
        f"{_name(pair.wet)} starts at {pair.wet.start_mc_pct:.0f} % and {_name(pair.dry)} at "
        f"{pair.dry.start_mc_pct:.0f} %: {pair.gap:.0f} points apart.",
        "Beyond 10 to 15 points the settings are a compromise, and a wood that checks readily does not stand it."
        if refused
        else "Beyond 10 to 15 points the settings are a compromise: run to the wettest and watch that the dry "
        "pieces do not regain.",
        MIXED_MOISTURE,
    )


def _thickness(pair: Pair) -> Verdict | None:
    thin, thick = sorted((pair.wet, pair.dry), key=lambda lot: lot.thickness_in)
    ratio = thick.thickness_in / thin.thickness_in
    if ratio < THICKNESS_RATIO[0]:
        return None
    dry_enough = pair.wet.start_mc_pct <= WELL_AIR_DRIED_TO_PCT
    refused = ratio >= THICKNESS_RATIO[1] and not dry_enough
    return (
        REFUSED if refused else COST,
        f"{_name(thin)} is {thin.thickness_in:g} in thick and {_name(thick)} {thick.thickness_in:g} in.",
        f"Thick stock goes with thin only when both are well air-dried ({WELL_AIR_DRIED_TO_PCT:.0f} % or less)."
        if refused
        else "The charge runs as long as the thick stock. Put it where it can stay, take the thin out when it is "
        "ready; never double-stack thin boards to imitate thick ones.",
        MIXED_THICKNESS,
    )


def _drying_group(pair: Pair) -> Verdict | None:
    slow, quick = sorted(
        (pair.wet, pair.dry),
        key=lambda lot: ("refractory", "moderate", "easy").index(lot.species.drying_group),
    )
    groups = slow.species.drying_group, quick.species.drying_group
    if groups[0] == groups[1]:
        return None
    refused = groups[0] == "refractory" and pair.wet.start_mc_pct > GREEN_ABOVE_PCT
    return (
        REFUSED if refused else COST,
        f"{_name(slow)} is a {groups[0]} wood and {_name(quick)} {'an' if groups[1] == 'easy' else 'a'} "
        f"{groups[1]} one.",
        "Green, the slow wood needs two to three times the time of the quick one, as red oak does beside hard maple."
        if refused
        else "Woods of one drying group belong together. The slower governs: the quicker waits at its dry end.",
        OPERATOR_MANUAL if refused else MIXED_LOADS,
    )


def _mould(pair: Pair) -> Verdict | None:
    for slow, white in ((pair.wet, pair.dry), (pair.dry, pair.wet)):
        if (
            slow.species.drying_group == "refractory"
            and slow.start_mc_pct > GREEN_ABOVE_PCT
            and white.species.light_wood
            and white.start_mc_pct > AIR_DRIED_TO_PCT
            and white.species.drying_group != "refractory"
        ):
            return (
                REFUSED,
                f"{_name(slow)} needs a slow, humid start and {_name(white)} is a white wood.",
                "White wood moulds and stains in the humid air that the slow wood needs.",
                MOULD,
            )
    return None


def _pitch(pair: Pair) -> Verdict | None:
    if pair.wet_pitch == pair.dry_pitch:
        return None
    hot, other = (pair.wet, pair.dry) if pair.wet_pitch else (pair.dry, pair.wet)
    refused = other.species.group == "hardwood"
    return (
        REFUSED if refused else COST,
        f"{_name(hot)} wants its pitch set and {_name(other)} does not.",
        "The hot step that sets pitch darkens colour-sensitive hardwoods."
        if refused
        else "Everything in the chamber goes through the hot step that sets pitch.",
        PRACTICE,
    )


def _heat(pair: Pair) -> Verdict | None:
    if pair.wet_heat == pair.dry_heat or pair.wet_insects != pair.dry_insects:
        return None
    hot, other = (pair.wet, pair.dry) if pair.wet_heat else (pair.dry, pair.wet)
    return (
        COST,
        f"{_name(hot)} wants a heat step and {_name(other)} does not.",
        "Everything in the chamber is heated, and the charge is longer by the heating.",
        PRACTICE,
    )


def _insects(pair: Pair) -> Verdict | None:
    if pair.wet_insects == pair.dry_insects:
        return None
    bored, clean = (pair.wet, pair.dry) if pair.wet_insects else (pair.dry, pair.wet)
    return (
        COST,
        f"{_name(bored)} is treated for insects and {_name(clean)} is not.",
        "Keep the lots apart in the yard until they are loaded, load them on one day, and let both go through the "
        "heat step; beetles that hatch go on to the next wood.",
        BEETLES if clean.species.group == "hardwood" else QUARANTINE,
    )


def _hot_on_wet(pair: Pair) -> Verdict | None:
    for hot, wanted, other in (
        (pair.wet, pair.wet_heat or pair.wet_pitch, pair.dry),
        (pair.dry, pair.dry_heat or pair.dry_pitch, pair.wet),
    ):
        if wanted and other.species.drying_group == "refractory" and other.target_mc_pct > WET_ABOVE_PCT:
            return (
                REFUSED,
                f"{_name(hot)} wants a hot step and {_name(other)} is still at {other.target_mc_pct:g} % then.",
                "Hot air on a wood that checks readily and is wet inside tears it open.",
                HONEYCOMB,
            )
    return None


def _odour(pair: Pair) -> Verdict | None:
    smelling = [lot for lot in (pair.wet, pair.dry) if lot.species.key in STRONG_SMELL]
    if len(smelling) != 1:
        return None
    plain = pair.dry if smelling[0] is pair.wet else pair.wet
    return (
        COST,
        f"{_name(smelling[0])} smells strongly and {_name(plain)} does not.",
        "The air goes round and round, so the other wood takes up some of the smell. Ask its customer, above all "
        "where it is for food or instruments.",
        PRACTICE,
    )


def _stain(pair: Pair) -> Verdict | None:
    for dark, light in ((pair.wet, pair.dry), (pair.dry, pair.wet)):
        if (
            dark.species.key in TANNIN
            and dark.start_mc_pct > GREEN_ABOVE_PCT
            and light.species.light_wood
            and light.species.key not in TANNIN
        ):
            return (
                COST,
                f"{_name(dark)} is green and full of tannin, and {_name(light)} is a light wood.",
                "Sap that drips from the dark wood stains the light one, black where it meets iron. Never stack the "
                "light wood under it.",
                PRACTICE,
            )
    return None


def _targets(pair: Pair) -> Verdict | None:
    low, high = sorted((pair.wet, pair.dry), key=lambda lot: lot.target_mc_pct)
    if high.target_mc_pct - low.target_mc_pct <= low.tolerance_pct + high.tolerance_pct:
        return None
    return (
        COST,
        f"{_name(low)} goes to {low.target_mc_pct:g} % and {_name(high)} to {high.target_mc_pct:g} %.",
        f"The charge ends with its driest target: take {high.key} out when it is ready, or it ends too dry.",
        PRACTICE,
    )


RULES: tuple[tuple[str, Callable[[Pair], Verdict | None]], ...] = (
    ("green with air-dried", _green_with_air_dried),
    ("start moisture", _start_gap),
    ("thickness", _thickness),
    ("drying group", _drying_group),
    ("mould", _mould),
    ("pitch", _pitch),
    ("heat", _heat),
    ("insects", _insects),
    ("heat on wet wood", _hot_on_wet),
    ("odour", _odour),
    ("stain", _stain),
    ("target moisture", _targets),
)


def findings(lots: Sequence[LotInput], holds: Mapping[str, Hold]) -> list[Finding]:
    """Every rule that a pair of the lots breaks, the refusals first. Empty: they may share a charge.

    `holds` tells which treatments are heat steps and which set pitch.
    """

    def wants(lot: LotInput, kind: str) -> bool:
        return any(key in holds and holds[key].kind == kind for key in lot.treatments)

    found = []
    for one, two in combinations(lots, 2):
        wet, dry = (one, two) if one.start_mc_pct >= two.start_mc_pct else (two, one)
        pair = Pair(
            wet, dry, wants(wet, "heat"), wants(dry, "heat"), wants(wet, "pitch"), wants(dry, "pitch"),
            bool(INSECT_TREATMENTS & set(wet.treatments)), bool(INSECT_TREATMENTS & set(dry.treatments)),
        )  # fmt: skip
        for rule, judge in RULES:
            verdict = judge(pair)
            if verdict:
                level, text, why, (source, provenance) = verdict
                found.append(Finding(rule, level, (one.key, two.key), text, why, source, provenance))
    return sorted(found, key=lambda finding: finding.verdict != REFUSED)


def verdict(found: Iterable[Finding]) -> str:
    """The whole charge: refused, allowed with a cost, or allowed."""
    levels = {finding.verdict for finding in found}
    return REFUSED if REFUSED in levels else COST if levels else ALLOWED
