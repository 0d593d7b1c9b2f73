"""Two independent groups and a yes/no outcome: difference, ratio and odds ratio with limits that hold for small counts.

All compare the first group with the second.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats
from scipy.stats import contingency

from capstat.numerics.proportions import difference_from_intervals, wilson
from capstat.results import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["Limited", "TwoGroups", "ratio_score_limits", "two_groups"]

EMPTY = "a group without observations has no risk"
HALVINGS = 200


@dataclass(frozen=True, slots=True)
class Limited:
    """A value with its limits.

    Attributes
    ----------
    value : float or None
        ``None`` with a ``reason``; limits may be known all the same.
    lower, upper : float or None
        ``upper`` may be infinite.
    reason : str
        Why there is no value; empty when there is one.
    """

    value: float | None
    lower: float | None
    upper: float | None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class TwoGroups:
    """Two groups compared.

    Attributes
    ----------
    events_1, total_1, events_2, total_2 : int
        Counts.
    risk_1, risk_2 : Limited
        Shares with Wilson limits.
    difference : Limited
        ``risk_1 - risk_2``; Newcombe's hybrid score limits.
    ratio : Limited
        ``risk_1 / risk_2``; Miettinen-Nurminen score limits.
    odds_ratio : Limited
        Conditional maximum-likelihood estimate with exact conditional limits.
    number_needed : Limited or None
        1 over the absolute difference, with the limits of the difference turned over; ``None`` where these include 0.
    p_fisher : float or None
        Fisher's exact test, two-sided by the probability of tables; ``None`` with an empty group.
    """

    events_1: int
    total_1: int
    events_2: int
    total_2: int
    risk_1: Limited
    risk_2: Limited
    difference: Limited
    ratio: Limited
    odds_ratio: Limited
    number_needed: Limited | None
    p_fisher: float | None


def two_groups(events_1: int, total_1: int, events_2: int, total_2: int, level: float = 0.95) -> TwoGroups:
    """Compare two independent groups.

    Wilson (1927) for each share; Newcombe (1998, Stat Med 17:873) method 10 for the difference; Miettinen & Nurminen
    (1985, Stat Med 4:213) for the ratio; Cornfield (1956) for the exact limits of the odds ratio, each of which leaves
    at most half of the error in its tail.  All from memory.  Fisher's p-value adds up the tables that are no more
    probable than the observed one, so near the level it may disagree with the exact limits.

    Parameters
    ----------
    events_1, total_1, events_2, total_2 : int
        Events and sizes of the groups; a size may be 0.
    level : float
        Confidence level.

    Raises
    ------
    UsageError
        When a count is not whole, negative, or above its total, or the level is not between 0 and 1.
    """
    for name, x, n in (("events_1", events_1, total_1), ("events_2", events_2, total_2)):
        if x != int(x) or n != int(n) or not 0 <= x <= n:
            raise UsageError(f"{name} must be a whole number from 0 to its total, not {x:g} of {n:g}.")
    if not 0 < level < 1:
        raise UsageError(f"The confidence level must lie between 0 and 1, not {level:g}.")
    x1, n1, x2, n2 = int(events_1), int(total_1), int(events_2), int(total_2)
    risks = [_risk(x, n, level) for x, n in ((x1, n1), (x2, n2))]
    if n1 == 0 or n2 == 0:
        none = Limited(None, None, None, EMPTY)
        return TwoGroups(x1, n1, x2, n2, risks[0], risks[1], none, none, none, None, None)
    gap = difference_from_intervals(x1 / n1, wilson(x1, n1, level), x2 / n2, wilson(x2, n2, level))
    difference = Limited(x1 / n1 - x2 / n2, *gap)
    table = np.array([[x1, n1 - x1], [x2, n2 - x2]])
    return TwoGroups(
        x1, n1, x2, n2, risks[0], risks[1], difference, _ratio(x1, n1, x2, n2, level), _odds_ratio(table, level),
        _number_needed(difference), float(stats.fisher_exact(table)[1]),
    )  # fmt: skip


def _risk(events: int, total: int, level: float) -> Limited:
    if total == 0:
        return Limited(None, None, None, EMPTY)
    return Limited(events / total, *wilson(events, total, level))


def _number_needed(difference: Limited) -> Limited | None:
    low, high = difference.lower, difference.upper
    if low is None or high is None or not difference.value or low <= 0 <= high:
        return None
    ends = sorted((1 / abs(low), 1 / abs(high)))
    return Limited(1 / abs(difference.value), ends[0], ends[1])


def _ratio(x1: int, n1: int, x2: int, n2: int, level: float) -> Limited:
    limits = ratio_score_limits(x1, n1, x2, n2, level)
    if x2 == 0:
        who = "either group" if x1 == 0 else "the second group"
        return Limited(None, *limits, f"nobody in {who} had the event, so the ratio of risks has no value")
    return Limited((x1 / n1) / (x2 / n2), *limits)


def _odds_ratio(table: np.ndarray[tuple[int, int], np.dtype[np.int64]], level: float) -> Limited:
    if 0 in table.sum(axis=0):
        who = "Nobody" if table[:, 0].sum() == 0 else "Everybody"
        return Limited(None, 0.0, np.inf, f"{who.lower()} had the event, so an odds ratio tells nothing here")
    found = contingency.odds_ratio(table)
    interval = found.confidence_interval(level)
    value, reason = float(found.statistic), ""
    if not np.isfinite(value):
        return Limited(
            None, float(interval.low), np.inf,
            "everybody with the event, or nobody without it, was in one group: the odds ratio has no finite estimate",
        )  # fmt: skip
    return Limited(value, float(interval.low), float(interval.high), reason)


def ratio_score_limits(x1: int, n1: int, x2: int, n2: int, level: float = 0.95) -> tuple[float, float]:
    """Limits of ``(x1 / n1) / (x2 / n2)``: the ratios that the score test does not reject.

    Miettinen & Nurminen (1985), with their factor n / (n - 1); without it these are Koopman's (1984).  Without an event
    in a group a limit is 0 or infinite, without any there are none but these.

    Raises
    ------
    UsageError
        When a group is empty.
    """
    if min(n1, n2) < 1:
        raise UsageError("A ratio of risks needs observations in both groups.")
    if x1 + x2 == 0:
        return 0.0, np.inf
    z2 = float(stats.norm.ppf(0.5 + level / 2)) ** 2
    # in the logarithm of the ratio; rejection grows with the distance from the estimate
    p1, p2 = x1 / n1, x2 / n2
    low = 0.0 if x1 == 0 else _edge(lambda a: _statistic(a, x1, n1, x2, n2) <= z2, p1, p2, -1.0)
    high = np.inf if x2 == 0 else _edge(lambda a: _statistic(a, x1, n1, x2, n2) <= z2, p1, p2, 1.0)
    return low, high


def _edge(kept: Callable[[float], bool], p1: float, p2: float, sign: float) -> float:
    """Bisect outward from the estimate; where it is 0 or infinite, from a ratio that is surely rejected inward."""
    # beyond a ratio of e^40 nothing is kept with any count that a computer holds
    inside = float(np.log(p1 / p2)) if p1 > 0 and p2 > 0 else -sign * 40.0
    outside = sign * 40.0
    for _ in range(HALVINGS):
        middle = (inside + outside) / 2
        if middle in {inside, outside}:
            break
        if kept(middle):
            inside = middle
        else:
            outside = middle
    return float(np.exp((inside + outside) / 2))


def _statistic(log_ratio: float, x1: int, n1: int, x2: int, n2: int) -> float:
    """Squared score statistic of a ratio, at the maximum-likelihood risks that have it."""
    ratio, n = float(np.exp(log_ratio)), n1 + n2
    b = n1 * ratio + x1 + n2 + x2 * ratio
    root = float(np.sqrt(max(b * b - 4 * n * ratio * (x1 + x2), 0.0)))
    # the smaller root of n r q^2 - b q + (x1 + x2), in the form that loses no digits
    second = min(2 * (x1 + x2) / (b + root), 1.0)
    first = min(ratio * second, 1.0)
    variance = (first * (1 - first) / n1 + ratio**2 * second * (1 - second) / n2) * n / (n - 1)
    gap = x1 / n1 - ratio * x2 / n2
    if variance <= 0:
        return 0.0 if abs(gap) < 1e-12 else np.inf
    return gap * gap / variance
