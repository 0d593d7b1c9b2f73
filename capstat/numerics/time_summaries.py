"""Summaries of times to competing events: quantiles, restricted mean time, time lost to a cause, and differences."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import stats

from capstat.numerics.cumulative_incidence import event_free_limits, incidence_limits, nothing_yet
from capstat.numerics.event_jackknife import with_zero
from capstat.numerics.mover import square_and_add

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.numerics.event_curves import EventCurves

__all__ = [
    "TimeSummary",
    "event_free_quantile",
    "incidence_quantile",
    "restricted_mean",
    "restricted_mean_difference",
    "time_lost",
    "time_lost_difference",
]


@dataclass(frozen=True, slots=True)
class TimeSummary:
    """A time, in the unit of the curves.

    Attributes
    ----------
    value : float or None
        ``None`` where the data do not give one (then ``reason`` says why).
    se : float or None
        Standard error; quantiles have none.
    lower, upper : float or None
        Limits; ``upper`` is infinite where the data put no bound on it.
    reason : str
        Why the value or its limits are missing; empty when nothing is.
    """

    value: float | None
    se: float | None
    lower: float | None
    upper: float | None
    reason: str = ""


def _quantile(
    curves: EventCurves,
    share: NDArray[np.float64],
    limits: tuple[NDArray[np.float64], NDArray[np.float64]],
    q: float,
    level: float,
) -> TimeSummary:
    """First times at which a rising share and its limits reach ``q``."""
    if not 0 < q < 1:
        raise ValueError("The share must lie between 0 and 1.")

    def reached(rising: NDArray[np.float64], never: float) -> float:
        # sums and products that should be q exactly may fall short by rounding
        at = np.flatnonzero(rising >= q - 1e-12)
        return float(curves.times[at[0]]) if at.size else never

    value = reached(share, np.inf)
    lower, upper = reached(limits[1], curves.last), reached(limits[0], np.inf)
    if nothing_yet(curves, curves.times[0] if curves.times.size else curves.last, level) >= q:
        lower = 0.0
    emptied = curves.emptied_at
    if emptied is not None and max(value, upper) >= emptied:
        if value >= emptied:
            reason = f"Nobody was at risk after {emptied:g} until others entered."
            return TimeSummary(None, None, min(lower, emptied), np.inf, reason)
        upper = np.inf
    if np.isinf(value):
        reason = f"The share stayed below {100 * q:g} % for as long as anybody was followed ({curves.last:g})."
        return TimeSummary(None, None, lower, np.inf, reason)
    return TimeSummary(value, None, lower, upper)


def event_free_quantile(curves: EventCurves, q: float = 0.5, level: float = 0.95) -> TimeSummary:
    """Time by which a share ``q`` had any event (0.5: the median), with limits.

    The first time at which the share free of an event is ``1 - q`` or less: lifelines' convention, where R's survfit
    takes the middle of a level stretch at exactly ``1 - q``.  Limits are the times at which the log-log limits of the
    curve reach it (Brookmeyer & Crowley 1982, from memory; R's ``conf.type = "log-log"``).  The lower one is 0 where
    even no event before the first event time would not have excluded ``q`` (0 of n by Clopper and Pearson: for the
    median at 95 % fewer than 6 units, as in the sign test), and the end of follow-up where no limit reaches ``q``.

    Raises
    ------
    ValueError
        When ``q`` is not between 0 and 1.
    """
    lower, upper = event_free_limits(curves, level)
    return _quantile(curves, 1 - curves.event_free, (1 - upper, 1 - lower), q, level)


def incidence_quantile(curves: EventCurves, cause: int, q: float = 0.5, level: float = 0.95) -> TimeSummary:
    """Time by which a share ``q`` of all had the event of this cause, as :func:`event_free_quantile`.

    There is no value where the incidence stays below ``q``, as it may however long the follow-up.
    """
    return _quantile(curves, curves.incidence[cause - 1], incidence_limits(curves, cause, level), q, level)


@dataclass(frozen=True, slots=True, eq=False)
class _Lost:
    """Mean time lost by ``tau``, its standard error, how far its limits lie, and what each cluster adds to it."""

    value: float
    se: float
    down: float
    up: float
    influence: pd.Series[Any] | None


def _unreached(curves: EventCurves, tau: float) -> str:
    """Why the curves do not reach ``tau``; empty when they do."""
    if not 0 < tau < np.inf:
        raise ValueError("The end of the restricted time must be positive and finite.")
    if curves.emptied_at is not None and curves.emptied_at < tau:
        return f"Nobody was at risk after {curves.emptied_at:g} until others entered."
    if tau > curves.last and not (curves.times.size and curves.event_free[-1] <= 0):
        return f"Nobody was followed to {tau:g}; the longest time is {curves.last:g}."
    return ""


def _lost(curves: EventCurves, cause: int | None, tau: float, level: float) -> _Lost:
    """Area under an incidence (of any event: ``cause`` is ``None``) up to ``tau``.

    With ``F = sum S(s-) h_c(s)`` the area is ``sum (tau - s) S(s-) h_c(s)``.  Its derivative in the hazard of the cause
    at s is ``A = (tau - s) S(s-)``, less ``g`` in that of any cause: what each one free of an event has still to lose.
    """
    rows, at_risk = curves.rows, curves.at_risk
    k = curves.times.size
    total = curves.events.sum(axis=0)
    hazard, own_hazard = total / at_risk, (total if cause is None else curves.events[cause - 1]) / at_risk
    before = np.concatenate([[1.0], curves.event_free])[:k]
    A = np.maximum(tau - curves.times, 0) * before
    area = A * own_hazard
    value = float(area.sum())
    g = np.divide(np.cumsum(area[::-1])[::-1] - area, 1 - hazard, out=np.zeros(k), where=hazard < 1)
    influence = None
    if curves.labels is None:
        steps = A**2 * own_hazard * (1 - own_hazard) + (g * hazard - 2 * A * own_hazard) * g * (1 - hazard)
        variance = float((steps / at_risk).sum())
    else:
        running = with_zero((g * hazard - A * own_hazard) / at_risk)
        event = rows.cause > 0
        own = event if cause is None else rows.cause == cause
        derivative = running[rows.stop] - running[rows.first]
        last = rows.stop[event] - 1
        derivative[event] += (own[event] * A[last] - g[last]) / at_risk[last]
        by_cluster = np.bincount(rows.cluster, weights=rows.weight * derivative, minlength=curves.labels.size)
        influence = pd.Series(by_cluster, index=curves.labels)
        variance = float(by_cluster @ by_cluster)
    # rounding is all that is left of a variance of zero
    se = float(np.sqrt(variance)) if variance > (1e-9 * tau) ** 2 else 0.0
    reach = float(stats.norm.ppf(0.5 + level / 2)) * se
    if value == 0:
        return _Lost(value, se, 0.0, tau * float(nothing_yet(curves, tau, level)), influence)
    return _Lost(value, se, reach, reach, influence)


_NO_SPREAD = "The times show no variation from which limits could be made."


def _summary(curves: EventCurves, cause: int | None, tau: float, level: float) -> TimeSummary:
    """Mean time lost as a result."""
    reason = _unreached(curves, tau)
    if reason:
        return TimeSummary(None, None, None, None, reason)
    lost = _lost(curves, cause, tau, level)
    if lost.up == 0:
        return TimeSummary(lost.value, lost.se, None, None, _NO_SPREAD)
    return TimeSummary(lost.value, lost.se, max(lost.value - lost.down, 0.0), min(lost.value + lost.up, tau))


def time_lost(curves: EventCurves, cause: int, tau: float, level: float = 0.95) -> TimeSummary:
    """Mean time lost to a cause by ``tau``: the area under its incidence (Andersen 2013, Stat Med, from memory).

    The standard error is the delta method's, or the infinitesimal jackknife by cluster, as the curves'; limits are
    normal, kept within 0 and ``tau``.  When no event was seen the upper limit is ``tau`` times the upper limit of the
    share, as if every event not excluded had come at once.

    Raises
    ------
    ValueError
        When ``tau`` is not positive.
    """
    return _summary(curves, cause, tau, level)


def restricted_mean(curves: EventCurves, tau: float, level: float = 0.95) -> TimeSummary:
    """Mean time free of any event up to ``tau``: the area under the share free of it (Irwin 1949, from memory).

    Standard error ``sum (area from s to tau)^2 d / (Y (Y - d))`` without clusters and weights (R's ``survfit``
    ``rmean``), else the infinitesimal jackknife by cluster; the rest as :func:`time_lost`.  There is no value when
    nobody was followed to ``tau`` and somebody was still free of an event.  With delayed entry the time before the
    first entry counts as free.
    """
    found = _summary(curves, None, tau, level)
    return _mirror(found, tau)


def _mirror(found: TimeSummary, tau: float) -> TimeSummary:
    """What is not lost of ``tau``."""
    value, lower, upper = (None if x is None else tau - x for x in (found.value, found.upper, found.lower))
    return TimeSummary(value, found.se, lower, upper, found.reason)


def _difference(first: EventCurves, second: EventCurves, cause: int | None, tau: float, level: float) -> TimeSummary:
    """Time lost in the first less time lost in the second."""
    for name, curves in (("first", first), ("second", second)):
        reason = _unreached(curves, tau)
        if reason:
            return TimeSummary(None, None, None, None, f"In the {name} group: {reason}")
    a, b = _lost(first, cause, tau, level), _lost(second, cause, tau, level)
    together = 0.0
    if a.influence is not None and b.influence is not None and a.se > 0 and b.se > 0:
        both = a.influence.index.intersection(b.influence.index)
        together = float(a.influence[both].to_numpy() @ b.influence[both].to_numpy()) / (a.se * b.se)
    value = a.value - b.value
    se = square_and_add(a.se, b.se, together)
    if a.up == 0 or b.up == 0:
        return TimeSummary(value, se, None, None, _NO_SPREAD)
    lower, upper = value - square_and_add(a.down, b.up, together), value + square_and_add(a.up, b.down, together)
    return TimeSummary(value, se, max(lower, -tau), min(upper, tau))


def time_lost_difference(
    first: EventCurves, second: EventCurves, cause: int, tau: float, level: float = 0.95
) -> TimeSummary:
    """Mean time lost to a cause by ``tau``, first group less second.

    Limits come from the separate ones by square-and-add (Zou & Donner 2008), which is the normal interval wherever both
    groups had the event.  Groups are independent except for clusters with the same label in both, whose jackknifed
    contributions are added before they are squared.
    """
    return _difference(first, second, cause, tau, level)


def restricted_mean_difference(first: EventCurves, second: EventCurves, tau: float, level: float = 0.95) -> TimeSummary:
    """Mean time free of an event up to ``tau``, first group less second; limits as :func:`time_lost_difference`."""
    found = _difference(first, second, None, tau, level)
    return _mirror(found, 0.0)
