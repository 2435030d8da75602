"""Dry enough? What the boards tested say of the whole lot, and how many more would settle it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import betaincinv, chdtri, ndtr, ndtri

from kilnshop.science.moisture import BoardTests, board_tests
from kilnshop.science.workings import Working

WANTED_SHARE = 0.90  # nine boards in ten within tolerance (design choice; a contract may ask for more)
CONFIDENCES = (0.80, 0.95)
LEAST_FOR_NORMAL = 5  # fewer boards say too little of a spread (design choice)
MOST_BOARDS = 100
SOURCE = (
    "Howe 1969, two-sided normal tolerance factor (NIST/SEMATECH e-Handbook 7.2.6.3, memory); with fewer than five "
    "boards, no spread or a board beyond the meter's range, Clopper and Pearson 1934, exact binomial"
)


@dataclass(frozen=True)
class Sampling:
    """Boards tested, and the share of all boards of the lot within tolerance [0 to 1]."""

    found: BoardTests
    tested: int  # with boards beyond the meter's range
    by_spread: bool  # bounds from mean and spread; else from counting alone
    expected: float
    low_80: float
    low_95: float
    more: int | None  # 0 when settled; None when more boards of this kind would not settle it
    words: str
    shares: str  # the shares alone, as a customer reads them


def tolerance_factor(count: int, share: float, confidence: float) -> float:
    """Howe's factor k: mean +/- k sd of `count` boards holds `share` of all boards, at this confidence.

    References
    ----------
    Howe 1969, J. Am. Stat. Assoc. 64:610; NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3.
    """
    return float(ndtri((1 + share) / 2)) * _widening(count, confidence)


def _widening(count: int, confidence: float) -> float:
    return math.sqrt((count - 1) * (1 + 1 / count) / float(chdtri(count - 1, confidence)))


def share_by_spread(
    count: int, mean: float, sd: float, low_pct: float, high_pct: float, confidence: float
) -> float:
    """Share of a lot that lies in low to high, at least, at this confidence; 0 when the mean lies outside.

    The largest share whose interval mean +/- k sd stays inside both limits, so it errs low off centre.
    """
    if count < 2 or not sd > 0:
        raise ValueError(f"count {count} and sd {sd}: two boards or more and a spread above 0 are needed")
    room = min(high_pct - mean, mean - low_pct) / sd
    return max(0.0, 2 * float(ndtr(room / _widening(count, confidence))) - 1)


def share_by_count(within: int, count: int, confidence: float) -> float:
    """Share of a lot that is within, at least, at this confidence, from counting alone.

    References
    ----------
    Clopper and Pearson 1934, Biometrika 26:404, one-sided lower bound.
    """
    if not 0 <= within <= count or count < 1:
        raise ValueError(f"within {within} of count {count}: count is 1 or more and within 0 to count")
    return 0.0 if within == 0 else float(betaincinv(within, count - within + 1, 1 - confidence))


def sampled(
    readings_pct: Sequence[float], target_pct: float, tolerance_pct: float, *, beyond: int = 0
) -> Sampling:
    """What tested boards say of their lot.

    Parameters
    ----------
    readings_pct : sequence of float
        One moisture content per board [%], 0 to 300, at least one.
    target_pct, tolerance_pct : float
        A board is within when it lies in target - tolerance to target + tolerance, ends included [%].
    beyond : int
        Boards tested that gave no figure, counted as not within.

    Raises
    ------
    ValueError
        No readings, or a value out of range.

    Notes
    -----
    Boards drawn at random from inside the stack. Wettest and driest picked on purpose make the spread look wider
    than it is. Settled when, with 95 % confidence, WANTED_SHARE of the lot lies within.

    References
    ----------
    Howe 1969 and Clopper and Pearson 1934, see SOURCE. Thirty pieces at random: Wengert, moisture matters (seen).
    """
    if beyond < 0:
        raise ValueError(f"beyond {beyond} must be 0 or more")
    found = board_tests(readings_pct, target_pct, tolerance_pct)
    tested = found.count + beyond
    low, high = target_pct - tolerance_pct, target_pct + tolerance_pct
    by_spread = found.count >= LEAST_FOR_NORMAL and not beyond and found.sd is not None and found.sd > 1e-9
    sd = found.sd or 0.0

    def bound(added: int, confidence: float) -> float:
        if by_spread:
            return share_by_spread(tested + added, found.mean, sd, low, high, confidence)
        return share_by_count(found.within + added, tested + added, confidence)

    if by_spread:
        expected = float(ndtr((high - found.mean) / sd) - ndtr((low - found.mean) / sd))
    else:
        expected = found.within / tested
    low_80, low_95 = (bound(0, confidence) for confidence in CONFIDENCES)
    more = None
    if expected >= WANTED_SHARE or found.within == tested:
        steps = range(max(1, MOST_BOARDS - tested + 1))
        more = next((added for added in steps if bound(added, CONFIDENCES[1]) >= WANTED_SHARE), None)
    shares = (
        f"By this sample at least {_floor(low_95)} % of the lot lies within {low:g} to {high:g} % with 95 % confidence, "
        f"at least {_floor(low_80)} % with 80 %."
    )
    words = _words(found, tested, expected, low_95, more, (low, high), target_pct)
    return Sampling(found, tested, by_spread, expected, low_80, low_95, more, words, shares)


def _floor(share: float) -> int:
    return math.floor(share * 100 + 1e-9)


def working(found: Sampling) -> Working:
    """How the shares were found, for a person who asks."""
    tests = found.found
    inputs = [
        ("Boards tested", f"{found.tested}"),
        ("Within tolerance", f"{tests.within}"),
        ("Mean", f"{tests.mean:.2f} %"),
        ("Standard deviation", "one board only" if tests.sd is None else f"{tests.sd:.2f}"),
        ("Share expected within", f"{found.expected * 100:.0f} %"),
        ("At least, 80 % confidence", f"{_floor(found.low_80)} %"),
        ("At least, 95 % confidence", f"{_floor(found.low_95)} %"),
    ]
    return Working(
        key="sampling",
        label="Dry enough?",
        equation="share whose interval mean ± k × standard deviation stays inside both limits"
        if found.by_spread
        else "share at which this few misses, or fewer, would come up once in 20 (or once in 5)",
        inputs=tuple(inputs),
        source=SOURCE,
        uncertainty="Holds for boards drawn at random from inside the stack and, by mean and spread, for moisture "
        "that follows a bell curve. Wettest and driest picked on purpose make the lot look worse than it is.",
        narrows="More boards at random; 30 pieces is a usual number (Wengert, seen).",
    )


def _words(
    found: BoardTests,
    tested: int,
    expected: float,
    low_95: float,
    more: int | None,
    limits: tuple[float, float],
    target_pct: float,
) -> str:
    span = f"{limits[0]:g} to {limits[1]:g} %"
    boards = f"{tested} board{'s' * (tested != 1)}"
    sure = f"with 95 % confidence at least {_floor(low_95)} % of the lot lies within {span}"
    wanted = f"{WANTED_SHARE * 100:.0f} %"
    if more == 0:
        return f"Dry enough, and {boards} settle it: {sure}."
    if more is not None:
        return (
            f"{boards} do{'es' * (tested == 1)} not settle it yet: {sure}, and {wanted} is wanted. About {more} more "
            "like these would settle it."
        )
    if expected >= WANTED_SHARE:
        return f"{boards} do not settle it: {sure}, and {wanted} is wanted. It is too near for sampling: equalize."
    half = (limits[1] - limits[0]) / 2
    if found.mean > target_pct + half / 2:
        what = "The lot is on the wet side: dry on."
    elif found.mean < target_pct - half / 2:
        what = "The lot is on the dry side: dry no further."
    else:
        what = "Its boards differ too much: equalize."
    return (
        f"{boards} do{'es' * (tested == 1)} not show it: about {expected * 100:.0f} % of the lot is expected within "
        f"{span}, and {wanted} is wanted. More boards like these would not change that. {what}"
    )
