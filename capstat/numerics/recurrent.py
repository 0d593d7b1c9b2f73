"""Mean number of recurrent events over time, with an end that stops them, and errors by person."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from capstat.numerics.event_jackknife import RiskRows, jackknife_variance

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["MeanAt", "MeanCount", "mean_at", "mean_count", "mean_limits"]


@dataclass(frozen=True, slots=True, eq=False)
class MeanCount:
    """Right-continuous step curve of the mean number of events of a person since the start; 0 before the first.

    Attributes
    ----------
    times : ndarray, shape (k,)
        Distinct times of an event or of a terminal event, increasing, in the unit of the times given.
    mean, se : ndarray, shape (k,)
        Mean number of events, and its standard error.
    at_risk : ndarray, shape (k,)
        Rows under observation just before.
    persons : int
        Persons.
    known : ndarray, shape (k,)
        Persons not lost to observation: at risk at some time from here on, or with a terminal event before.
    last : float
        Time up to which anybody was observed.
    ended : bool
        Whether everybody's terminal event was seen by then, so that the mean stays as it is.
    """

    times: NDArray[np.float64]
    mean: NDArray[np.float64]
    se: NDArray[np.float64]
    at_risk: NDArray[np.float64]
    persons: int
    known: NDArray[np.float64]
    last: float
    ended: bool


@dataclass(frozen=True, slots=True)
class MeanAt:
    """The mean number of events by one time: value and limits, or the reason why there is no value."""

    value: float | None
    lower: float
    upper: float
    reason: str = ""


def mean_count(
    person: ArrayLike,
    start: ArrayLike,
    stop: ArrayLike,
    event: ArrayLike,
    terminal: ArrayLike | None = None,
) -> MeanCount:
    """Mean cumulative number of events with a terminal event (Cook & Lawless 1997, Ghosh & Lin 2000, from memory).

    ``mean(t) = sum of S(s-) dN(s)/Y(s)``: S is the share without a terminal event, dN counts events and Y rows at risk.
    People who have ended count as having no more events; they are not censored, which would give the mean of people
    who never end.  Without terminal events it is the Nelson-Aalen type mean with the robust variance of Lawless &
    Nadeau (1995, from memory).  Independent censoring is assumed, not a Poisson process.

    Standard errors are the infinitesimal jackknife by person (the variance of Ghosh and Lin but for terms that
    vanish in large samples); no correction for few persons.

    Parameters
    ----------
    person : array, shape (n,)
        Labels.
    start, stop : array, shape (n,)
        A row is at risk in ``(start, stop]``; any unit.
    event : array of bool, shape (n,)
        Whether an event came at ``stop``.
    terminal : array of bool, shape (n,), optional
        Whether the person ended at ``stop``; an event at the same time counts as before it.

    Raises
    ------
    ValueError
        When there are no rows, or a row does not end after it began.
    """
    begin, end = np.asarray(start, dtype=float), np.asarray(stop, dtype=float)
    if not begin.size:
        raise ValueError("A mean number of events needs at least one row.")
    if not (np.isfinite(begin).all() and np.isfinite(end).all() and (begin < end).all()):
        raise ValueError("Each row needs finite times, and must end after it began.")
    had = np.asarray(event, dtype=bool)
    over = np.zeros(had.shape, dtype=bool) if terminal is None else np.asarray(terminal, dtype=bool)
    codes, labels = pd.factorize(np.asarray(person))
    times = np.unique(end[had | over])
    k = times.size
    rows = RiskRows(
        entry=begin,
        time=end,
        first=np.searchsorted(times, begin, side="right"),
        stop=np.searchsorted(times, end, side="right"),
        cause=over.astype(np.intp),
        weight=np.ones(end.size),
        cluster=np.asarray(codes, dtype=np.intp),
    )
    at_risk = np.cumsum(np.bincount(rows.first, minlength=k + 1) - np.bincount(rows.stop, minlength=k + 1))[:k] * 1.0
    count, ends = (np.bincount(rows.stop[which] - 1, minlength=k) for which in (had, over))
    rate, hazard = count / at_risk, ends / at_risk
    not_ended = np.asarray(np.cumprod(1 - hazard), dtype=float)
    before = np.concatenate([[1.0], not_ended[:-1]])[:k]
    variance = jackknife_variance(rows, had, before, hazard, rate, at_risk)
    # what rounding leaves of a variance that is zero
    se = np.sqrt(np.where(variance > 1e-12 * variance.max(initial=0.0), variance, 0.0))
    until = np.full(len(labels), -np.inf)
    np.maximum.at(until, codes, np.where(over, np.inf, end))
    known = (len(labels) - np.searchsorted(np.sort(until), times, side="left")).astype(float)
    ended = bool(k) and not_ended[-1] <= 1e-12
    return MeanCount(times, np.cumsum(before * rate), se, at_risk, len(labels), known, float(end.max()), bool(ended))


def mean_limits(found: MeanCount, level: float = 0.95) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Pointwise limits of the mean at ``found.times``, symmetric on the log scale, each of shape (k,).

    They have t quantiles with one degree of freedom less than persons and the variance factor n/(n - 1).
    While no event was seen the limits are 0 and the Poisson limit ``-log(error/2)`` for 0 events, over the persons not
    lost to observation.  Where everybody had the same number of events there is no standard error; the limits are then
    those of a Poisson count (Garwood 1936, from memory).
    """
    positive = found.mean > 0
    mean = np.where(positive, found.mean, 1.0)
    # one person shows no spread: the standard error is then 0
    few = max(found.persons - 1, 1)
    reach = stats.t.ppf(0.5 + level / 2, few) * np.sqrt(found.persons / few)
    with np.errstate(over="ignore"):
        factor = np.exp(reach * found.se / mean)
    lower, upper = mean / factor, mean * factor
    known = np.maximum(found.known, 1e-9)
    none = found.se <= 0
    count = np.where(positive, found.mean * known, 0.0)
    low = np.where(count > 0, stats.chi2.ppf(0.5 - level / 2, 2 * np.maximum(count, 1e-9)) / 2 / known, 0.0)
    high = stats.chi2.ppf(0.5 + level / 2, 2 * count + 2) / 2 / known
    return np.where(none, low, lower), np.where(none, high, upper)


def mean_at(found: MeanCount, t: float, level: float = 0.95) -> MeanAt:
    """Mean number of events by the time ``t``, with the limits of :func:`mean_limits`."""
    if t > found.last and not found.ended:
        return MeanAt(None, 0.0, np.inf, f"nobody was followed beyond {found.last:g}")
    lower, upper = mean_limits(found, level)
    i = int(np.searchsorted(found.times, t, side="right")) - 1
    if i < 0:
        high = float(stats.chi2.ppf(0.5 + level / 2, 2)) / 2 / found.persons
        return MeanAt(0.0, 0.0, high)
    return MeanAt(float(found.mean[i]), float(lower[i]), float(upper[i]))
