"""Ratio of the hazards of recurrent events between two groups, with errors by cluster."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.numerics.hazards import fit_hazards

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["HazardRatio", "hazard_ratio"]


@dataclass(frozen=True, slots=True)
class HazardRatio:
    """A log ratio of hazards.

    Attributes
    ----------
    log_ratio : float
        Logarithm of the hazard of the first group over that of the other.
    robust_se : float
        Its standard error, clustered, without a correction for few clusters.
    small_sample_se : float
        The same with each cluster's score residual divided by what the other clusters leave of the information.
    clusters : int
        Clusters.
    effective_clusters : float
        Kish's effective number, by each cluster's share of the information.
    """

    log_ratio: float
    robust_se: float
    small_sample_se: float
    clusters: int
    effective_clusters: float


def hazard_ratio(
    start: ArrayLike, stop: ArrayLike, event: ArrayLike, first: ArrayLike, cluster: ArrayLike
) -> HazardRatio:
    """Proportional hazards of two groups by Cox's partial likelihood with Efron's ties (from memory).

    With rows of recurrent events on one time axis it is the model of Andersen & Gill (1982), and the sandwich variance
    by cluster that of Lin & Wei (1989; all from memory), with Efron's score residuals as in R's coxph.  For few
    clusters these are corrected by leverage, like Mancl & DeRouen's (2001), with the bound of Fay & Graubard (2001;
    both from memory).

    Parameters
    ----------
    start, stop : array, shape (n,)
        A row is at risk in ``(start, stop]``; any unit.
    event : array of bool, shape (n,)
        Whether an event came at ``stop``.
    first : array of bool, shape (n,)
        Whether the row belongs to the first group.
    cluster : array, shape (n,)
        Labels; rows with one label are not independent of each other.

    Raises
    ------
    NotEstimableError
        When the likelihood has no maximum, or the events say nothing about the ratio.
    """
    begin, end = np.asarray(start, dtype=float), np.asarray(stop, dtype=float)
    had, one = np.asarray(event, dtype=bool), np.asarray(first, dtype=bool)
    times = np.unique(end[had])
    lower, upper = np.searchsorted(times, begin, side="right"), np.searchsorted(times, end, side="right")
    k = times.size
    at_risk, events = np.empty((2, k)), np.empty((2, k))
    for group in (0, 1):
        own = one == bool(group)
        change = np.bincount(lower[own], minlength=k + 1) - np.bincount(upper[own], minlength=k + 1)
        at_risk[group] = np.cumsum(change)[:k]
        events[group] = np.bincount(upper[own & had] - 1, minlength=k)
    parts = _parts(events)
    beta = float(fit_hazards(end, had, one.astype(float)[:, None], entry=begin, names=("the group",)).coefficients[0])
    spent, paid = _residual_steps(beta, at_risk, events, parts)
    residual = np.where(had, paid[one.astype(int), upper - 1], 0.0)
    residual -= spent[one.astype(int), upper] - spent[one.astype(int), lower]
    codes, labels = pd.factorize(np.asarray(cluster))
    totals = np.bincount(codes, weights=residual)
    own = np.bincount(
        codes[had], weights=_information(beta, at_risk, events, parts)[upper[had] - 1], minlength=len(labels)
    )
    information = float(own.sum())
    # as Fay & Graubard bound the share, so that no cluster is blown up beyond all measure
    inflated = totals / (1 - np.minimum(own / information, 0.75))
    robust, small = (float(np.sqrt(u @ u)) / information for u in (totals, inflated))
    return HazardRatio(beta, robust, small, len(labels), information**2 / float(own @ own))


def _parts(events: NDArray[np.float64]) -> list[tuple[NDArray[np.intp], NDArray[np.float64]]]:
    """Efron's steps: the times with more than ``l`` events, and the share of their events that has gone by then."""
    tied = events.sum(axis=0)
    return [(np.flatnonzero(tied > step), step / tied[tied > step]) for step in range(int(tied.max()))]


def _at_step(
    beta: float,
    at_risk: NDArray[np.float64],
    events: NDArray[np.float64],
    at: NDArray[np.intp],
    gone: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Weighted number at risk, and the share of the first group in it."""
    theta = np.exp(beta)
    own = theta * (at_risk[1, at] - gone * events[1, at])
    total = own + at_risk[0, at] - gone * events[0, at]
    return total, own / total


def _information(
    beta: float,
    at_risk: NDArray[np.float64],
    events: NDArray[np.float64],
    parts: list[tuple[NDArray[np.intp], NDArray[np.float64]]],
) -> NDArray[np.float64]:
    """Information of one event at each time, shape (k,)."""
    sums = np.zeros(events.shape[1])
    for at, gone in parts:
        share = _at_step(beta, at_risk, events, at, gone)[1]
        sums[at] += share * (1 - share)
    return np.asarray(sums / events.sum(axis=0), dtype=float)


def _residual_steps(
    beta: float,
    at_risk: NDArray[np.float64],
    events: NDArray[np.float64],
    parts: list[tuple[NDArray[np.intp], NDArray[np.float64]]],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Score residuals by group: what being at risk costs (cumulative, shape (2, k + 1)), what an event adds (2, k).

    At tied times those with an event stay in Efron's risk sets for a part only, which is given back with the event.
    """
    k = events.shape[1]
    cost, paid = np.zeros((2, k)), np.zeros((2, k))
    tied = events.sum(axis=0)
    for at, gone in parts:
        total, share = _at_step(beta, at_risk, events, at, gone)
        for group in (0, 1):
            apart = group - share
            weight = np.exp(beta * group) / total
            cost[group, at] += apart * weight
            paid[group, at] += apart / tied[at] + gone * apart * weight
    return np.hstack([np.zeros((2, 1)), np.cumsum(cost, axis=1)]), paid
