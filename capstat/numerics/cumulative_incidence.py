"""Cumulative incidence of competing events, and the share free of any of them, at given times and with limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import stats

from capstat.numerics.event_curves import EventCurves, event_curves

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "EventCurves",
    "ShareAt",
    "cloglog_limits",
    "event_curves",
    "event_free_at",
    "event_free_limits",
    "incidence_at",
    "incidence_limits",
    "nothing_yet",
]


@dataclass(frozen=True, slots=True)
class ShareAt:
    """A share at one time.

    Attributes
    ----------
    value, se : float or None
        ``None`` where the data do not reach the time (then ``reason`` says why).
    lower, upper : float
        Limits.
    at_risk : float
        Weight at risk at the time.
    reason : str
        Why there is no value; empty when there is one.
    """

    value: float | None
    se: float | None
    lower: float
    upper: float
    at_risk: float
    reason: str = ""


def cloglog_limits(value: ArrayLike, se: ArrayLike, level: float = 0.95) -> tuple[Any, Any]:
    """Limits of a share that are symmetric in log(-log(1 - share)), that is, in log(-log) of the rest.

    ``1 - (1 - p)^exp(-+ z se / ((1 - p) log(1 - p)))`` (Kalbfleisch & Prentice 1980, from memory; R's ``conf.type =
    "log-log"`` for the rest).  At 0, at 1 and without a standard error nothing can be built on it: 0 and 1.
    """
    p, e = np.broadcast_arrays(np.asarray(value, dtype=float), np.asarray(se, dtype=float))
    usable = (p > 0) & (p < 1) & (e > 0)
    q = np.where(usable, 1 - p, 0.5)
    with np.errstate(over="ignore"):
        factor = np.exp(stats.norm.ppf(0.5 + level / 2) * e / (q * np.abs(np.log(q))))
        lower, upper = 1 - q ** (1 / factor), 1 - q**factor
    lower, upper = np.where(usable, lower, 0.0), np.where(usable, upper, 1.0)
    return (float(lower), float(upper)) if lower.ndim == 0 else (lower, upper)


def nothing_yet(curves: EventCurves, t: ArrayLike, level: float) -> Any:
    """Upper limit of a share of which nothing was seen up to ``t``: Clopper and Pearson's for 0 of the units known."""
    place = np.minimum(np.searchsorted(curves.known_times, t, side="left"), curves.known.size - 1)
    units = curves.known[place]
    return np.where(units > 0, -np.expm1(np.log(0.5 - level / 2) / np.maximum(units, 1e-9)), 1.0)


def _limits(
    curves: EventCurves, share: NDArray[np.float64], se: NDArray[np.float64], level: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Limits of a rising share at the event times."""
    lower, upper = cloglog_limits(share, se, level)
    upper = np.where(share <= 0, nothing_yet(curves, curves.times, level), upper)
    full = np.flatnonzero(share >= 1 - 1e-12)
    if full.size:
        # a rising share is no lower than before: the last limit that has a standard error holds on
        i = int(full[0])
        lower[i:] = lower[i - 1] if i else 1 - nothing_yet(curves, curves.times[0], level)
        upper[i:] = 1.0
    return np.atleast_1d(lower), np.atleast_1d(upper)


def incidence_limits(
    curves: EventCurves, cause: int, level: float = 0.95
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Pointwise limits of the incidence of a cause at ``curves.times``, each of shape (k,).

    Complementary log-log (:func:`cloglog_limits`).  While nothing was seen the upper limit is Clopper and Pearson's for
    0 of the units whose state is known (``curves.known``); it is exact when none was lost before, and wide otherwise.
    When the share has reached 1, its lower limit is the last one before (of all units at the first event time).
    """
    return _limits(curves, curves.incidence[cause - 1], curves.se_incidence[cause - 1], level)


def event_free_limits(curves: EventCurves, level: float = 0.95) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Pointwise log-log limits of the share free of an event, each (k,); ends as in :func:`incidence_limits`."""
    lower, upper = _limits(curves, 1 - curves.event_free, curves.se_event_free, level)
    return 1 - upper, 1 - lower


def _share_at(
    curves: EventCurves, share: NDArray[np.float64], se: NDArray[np.float64], t: float, level: float
) -> ShareAt:
    """A rising share at ``t``."""
    if not t >= 0:
        raise ValueError("The time must not be negative.")
    rows = curves.rows
    at_risk = float(rows.weight[(rows.entry < t) & (rows.time >= t)].sum())
    lower, upper = _limits(curves, share, se, level)
    i = int(np.searchsorted(curves.times, t, side="right")) - 1
    if curves.emptied_at is not None and t >= curves.emptied_at:
        reason = f"Nobody was at risk after {curves.emptied_at:g} until others entered."
        return ShareAt(None, None, 0.0, 1.0, at_risk, reason)
    if t > curves.last and not (curves.times.size and curves.event_free[-1] <= 0):
        reason = f"Nobody was followed beyond {curves.last:g}."
        return ShareAt(None, None, float(lower[-1]) if lower.size else 0.0, 1.0, at_risk, reason)
    if i < 0:
        return ShareAt(0.0, 0.0, 0.0, float(nothing_yet(curves, t, level)), at_risk)
    top = float(nothing_yet(curves, t, level)) if share[i] <= 0 else float(upper[i])
    return ShareAt(float(share[i]), float(se[i]), float(lower[i]), top, at_risk)


def incidence_at(curves: EventCurves, cause: int, t: float, level: float = 0.95) -> ShareAt:
    """Incidence of a cause at a time, with the limits of :func:`incidence_limits`."""
    return _share_at(curves, curves.incidence[cause - 1], curves.se_incidence[cause - 1], t, level)


def event_free_at(curves: EventCurves, t: float, level: float = 0.95) -> ShareAt:
    """Share free of any event at a time, with the limits of :func:`event_free_limits`."""
    found = _share_at(curves, 1 - curves.event_free, curves.se_event_free, t, level)
    value = None if found.value is None else 1 - found.value
    return ShareAt(value, found.se, 1 - found.upper, 1 - found.lower, found.at_risk, found.reason)
