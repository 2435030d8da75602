"""Curves of an estimate prepared for drawing: the band around one, and means over equal spans of time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from kilnshop.science.psychro import check_range


def band(
    hours: Sequence[float],
    values: Sequence[float],
    days: tuple[float, float, float],
    points: int = 120,
) -> tuple[list[float], list[float], list[float]]:
    """The 80 % band of a curve whose clock may run faster or slower than expected.

    Parameters
    ----------
    hours, values : sequences of float
        The expected curve, hours rising from 0.
    days : (low, expected, high)
        When it is expected to arrive, and the ends of the 80 % band [days].
    points : int
        How many points the band is drawn with.

    Returns
    -------
    hours, lower, upper : lists of float
        Out to the latest end; a curve that has ended keeps its last value.

    Raises
    ------
    ValueError
        Fewer than two points, or days that are not 0 < low <= expected <= high.

    Notes
    -----
    Drying time is in inverse proportion to the speed factor, so a faster or slower charge runs through the same
    curve with every hour multiplied by low/expected or high/expected.
    """
    if len(hours) < 2 or len(hours) != len(values):
        raise ValueError(f"hours has {len(hours)} and values {len(values)} points; use the same number, 2 up")
    low, expected, high = days
    if not 0 < low <= expected <= high:
        raise ValueError(f"days = {days}: must be low, expected and high, rising from above 0")
    at = np.linspace(0.0, max(hours[-1] * high / expected, hours[-1]), points)
    fast = np.interp(at * expected / low, hours, values)
    slow = np.interp(at * expected / high, hours, values)
    return at.tolist(), np.minimum(fast, slow).tolist(), np.maximum(fast, slow).tolist()


def means(
    hours: Sequence[float], values: Sequence[float], spans: int = 120
) -> tuple[list[float], list[float]]:
    """Means over equal spans of values that each hold from the hour before to their own.

    Parameters
    ----------
    hours : sequence of float
        Where each value ends [h], rising from above 0.
    values : sequence of float
    spans : int
        1 to 10,000.

    Returns
    -------
    hours, means : lists of float
        Where each span ends, and its mean; the sum over time is that of the values.

    Raises
    ------
    ValueError
        No values, unequal lengths, or `spans` out of range.
    """
    if not len(hours) or len(hours) != len(values):
        raise ValueError(f"hours has {len(hours)} and values {len(values)} points; use the same number, 1 up")
    check_range("spans", spans, 1, 10000, "")
    ends = np.concatenate([[0.0], np.asarray(hours, float)])
    summed = np.concatenate([[0.0], np.cumsum(np.diff(ends) * np.asarray(values, float))])
    edges = np.linspace(0.0, ends[-1], int(spans) + 1)
    return edges[1:].tolist(), (np.diff(np.interp(edges, ends, summed)) / np.diff(edges)).tolist()
