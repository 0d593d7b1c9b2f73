"""Aalen-Johansen curves of competing events, with delayed entry, weights and clusters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from capstat.numerics.event_jackknife import RiskRows, jackknife_variance

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["EventCurves", "event_curves"]


@dataclass(frozen=True, slots=True, eq=False)
class EventCurves:
    """Right-continuous step curves; before the first event time the incidences are 0 and all are free of an event.

    Attributes
    ----------
    times : ndarray, shape (k,)
        Distinct times with an event of any cause, increasing, in the unit of the times given.
    at_risk : ndarray, shape (k,)
        Weight of the rows at risk just before.
    events : ndarray, shape (n_causes, k)
        Weight of the rows with an event of each cause.
    event_free : ndarray, shape (k,)
        Share without an event of any cause.
    incidence : ndarray, shape (n_causes, k)
        Share that had an event of each cause first.
    se_event_free, se_incidence : ndarray, shapes (k,) and (n_causes, k)
        Standard errors.
    last : float
        Longest time that a row was followed.
    emptied_at : float or None
        First time after which nobody was at risk although rows entered later.  From there on the curves mean nothing.
    known_times, known : ndarray, shape (m,)
        Independent units (clusters, else rows) whose state is known, for times in ``(known_times[j-1],
        known_times[j]]``: at risk, or had an event; with entry the smallest number so far.  With weights it is Kish's
        effective number.
    rows : RiskRows
        The rows, placed among the event times.
    labels : ndarray or None, shape (clusters,)
        Labels of the clusters; ``None`` where each row is one and has no weight (then standard errors are not
        jackknifed).
    """

    times: NDArray[np.float64]
    at_risk: NDArray[np.float64]
    events: NDArray[np.float64]
    event_free: NDArray[np.float64]
    incidence: NDArray[np.float64]
    se_event_free: NDArray[np.float64]
    se_incidence: NDArray[np.float64]
    last: float
    emptied_at: float | None
    known_times: NDArray[np.float64]
    known: NDArray[np.float64]
    rows: RiskRows
    labels: NDArray[Any] | None


def _checked(
    time: ArrayLike, cause: ArrayLike, entry: ArrayLike | None, weight: ArrayLike | None, n_causes: int
) -> tuple[NDArray[np.float64], NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
    """Arrays of equal length; rows without an entry come from before every time."""
    time = np.asarray(time, dtype=float)
    code = np.asarray(cause, dtype=float)
    if time.size == 0 or time.shape != code.shape:
        raise ValueError("Curves need at least one row, and one cause for each time.")
    if not (np.isfinite(time).all() and (time >= 0).all()):
        raise ValueError("Times must be finite and not negative.")
    if n_causes < 1 or not np.isin(code, np.arange(n_causes + 1)).all():
        raise ValueError(f"Causes must be whole numbers from 0 (no event) to {n_causes}.")
    start = np.full(time.shape, -np.inf) if entry is None else np.asarray(entry, dtype=float)
    bad = np.flatnonzero(~(start < time))
    if bad.size:
        raise ValueError(
            f"Entry must lie before the time: not so in row {bad[0]} ({start[bad[0]]:g}, {time[bad[0]]:g})."
        )
    w = np.ones(time.shape) if weight is None else np.asarray(weight, dtype=float)
    if not (np.isfinite(w).all() and (w >= 0).all() and w.any()):
        raise ValueError("Weights must be finite, not negative and not all zero.")
    return time, code.astype(np.intp), start, w


def event_curves(
    time: ArrayLike,
    cause: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    n_causes: int,
) -> EventCurves:
    """Aalen-Johansen estimate for causes that exclude each other (Aalen & Johansen 1978, from memory).

    A row is at risk in ``(entry, time]``.  At equal times events come before ends of follow-up, and events of
    different causes are handled together.  With one cause the share free of an event is Kaplan and Meier's.  Without
    entry a row is at risk from the start and an event at time 0 counts at time 0.

    Standard errors: with neither weight nor cluster the delta method with a multinomial at each time (Greenwood's
    formula for one cause; Andersen, Borgan, Gill & Keiding 1993, from memory; the variance of R's etm).  Without
    entry it is equal to the infinitesimal jackknife of R's multistate survfit.  cmprsk's variance differs slightly at
    ties.  With weight or cluster it is the infinitesimal jackknife by cluster (by row without clusters), weights
    taken as known, with no correction for few clusters, as R's survfit has it.

    Parameters
    ----------
    time : array, shape (n,)
        Time of the event or of the end of follow-up; any unit.
    cause : array of int, shape (n,)
        0 for no event, else 1 to ``n_causes``.
    entry : array, shape (n,), optional
        Start of observation; with it the curves are conditional on no event before the first entry.
    weight : array, shape (n,), optional
        Case weights; rows with weight 0 are left out.
    cluster : array, shape (n,), optional
        Labels.
    n_causes : int
        Number of causes, whether or not each occurs.

    Raises
    ------
    ValueError
        When there are no rows, a time, cause or weight is not as above, or an entry is not before its time.
    """
    time, code, start, w = _checked(time, cause, entry, weight, n_causes)
    label = np.arange(time.size) if cluster is None else np.asarray(cluster)
    if label.shape != time.shape or pd.isna(label).any():
        raise ValueError("Every row needs a cluster.")
    kept = w > 0
    time, code, start, w, label = time[kept], code[kept], start[kept], w[kept], label[kept]
    clusters, labels = pd.factorize(label)
    event = code > 0
    times = np.unique(time[event])
    first, stop = (np.searchsorted(times, at, side="right") for at in (start, time))
    rows = RiskRows(start, time, first, stop, code, w, clusters)
    k = times.size
    index = stop[event] - 1
    flat = np.bincount((code[event] - 1) * k + index, weights=w[event], minlength=n_causes * k)
    events = flat.reshape(n_causes, k).astype(float)
    at_risk, counted = (_from_here(stop, x, k) - _from_here(first, x, k) for x in (w, np.ones_like(w)))
    total = events.sum(axis=0)
    # sums of weights in two orders differ by rounding; all at risk must be exactly all
    at_risk = np.where(np.bincount(index, minlength=k) == counted, total, at_risk)
    hazards, hazard = events / at_risk, total / at_risk
    event_free = np.cumprod(1 - hazard)
    before = np.concatenate([[1.0], event_free[:-1]])[:k]
    incidence = np.cumsum(before * hazards, axis=1)
    if weight is None and cluster is None:
        variances = _delta_variances(before, hazards, hazard, at_risk)
    else:
        every = [(event, hazard), *((code == c + 1, hazards[c]) for c in range(n_causes))]
        variances = np.array([jackknife_variance(rows, own, before, hazard, h, at_risk) for own, h in every])
    # what rounding leaves of a variance that is zero; one cluster shows none
    top = variances.max(axis=1, initial=0.0, keepdims=True)
    se = np.sqrt(np.where((variances > 1e-12 * top) & (len(labels) > 1), variances, 0.0))
    known_times, known = _known(rows, len(labels))
    return EventCurves(
        times, at_risk, events, event_free, incidence, se[0], se[1:], float(time.max()), _emptied(time, start),
        known_times, known, rows, None if weight is None and cluster is None else np.asarray(labels),
    )  # fmt: skip


def _from_here(stop: NDArray[np.intp], weight: NDArray[np.float64], k: int) -> NDArray[np.float64]:
    """Weight of the rows that stop after each of the ``k`` times; summed from the end, where sums are small."""
    each = np.bincount(stop, weights=weight, minlength=k + 1)[1:].astype(float)
    return np.cumsum(each[::-1])[::-1]


def _delta_variances(
    before: NDArray[np.float64], hazards: NDArray[np.float64], hazard: NDArray[np.float64], at_risk: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Variances of the share free of an event and of each incidence, shape (1 + n_causes, k).

    Increments of the recursion for (F, S) with a multinomial at each time; ``shared`` is Cov(F, S)/S.
    """
    k = before.size
    step = np.divide(hazard, at_risk * (1 - hazard), out=np.zeros(k), where=hazard < 1)
    greenwood = np.cumsum(step)
    earlier = greenwood - step
    rise = before * hazards
    change = rise * (earlier - 1 / at_risk)
    shared = np.cumsum(change, axis=1) - change
    steps = rise**2 * earlier + before**2 * hazards * (1 - hazards) / at_risk + 2 * rise * shared
    return np.vstack([(before * (1 - hazard)) ** 2 * greenwood, np.cumsum(steps, axis=1)])


def _emptied(time: NDArray[np.float64], start: NDArray[np.float64]) -> float | None:
    """First time at which everybody so far has left and others enter at it or later."""
    if start.max() < time.min():
        return None
    entries = np.sort(start)
    ends = np.unique(time)
    entered = np.searchsorted(entries, ends, side="left")
    gone = np.searchsorted(np.sort(time), ends, side="right")
    empty = np.flatnonzero((gone >= entered) & (entered < time.size))
    return float(ends[empty[0]]) if empty.size else None


def _known(rows: RiskRows, clusters: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Units whose state is known at each time; see :class:`EventCurves`."""
    until, since = np.full(clusters, -np.inf), np.full(clusters, np.inf)
    np.maximum.at(until, rows.cluster, np.where(rows.cause > 0, np.inf, rows.time))
    np.minimum.at(since, rows.cluster, rows.entry)
    ends = np.unique(np.concatenate([until, since]))
    ends = np.append(ends[np.isfinite(ends)], np.inf)
    number = np.searchsorted(np.sort(since), ends, side="left") - np.searchsorted(np.sort(until), ends, side="left")
    begun = ends > since.min()
    size = np.bincount(rows.cluster, weights=rows.weight)
    kish = float(size.sum()) ** 2 / float(size @ size) / clusters
    return ends[begun], kish * np.minimum.accumulate(number[begun].astype(float))
