"""Models of capture for the weights of clones: hazard of capture with many sets of patient weights at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.numerics.batch_logistic import LARGEST_STEP, SETTLED, batch_logistic

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["PRIOR_SD", "CaptureHazard", "capture_hazard", "capture_probability"]

PRIOR_SD = 5.0
"""Of the log odds and log hazard ratios of one standard deviation of a confounder: so wide that it only matters where
a confounder separates the captured from the others (assumed)."""

_ITERATIONS = 60


@dataclass(frozen=True, slots=True, eq=False)
class CaptureHazard:
    """Hazard of capture in b sets of weights.

    Attributes
    ----------
    relative : ndarray, shape (b, n)
        Relative hazard of each patient.
    times : ndarray, shape (k,)
        Times of captures.
    cumulative : ndarray, shape (b, k + 1)
        Cumulative baseline hazard before the first, and just after each of them; NaN where the search did not settle.
    """

    relative: NDArray[np.float64]
    times: NDArray[np.float64]
    cumulative: NDArray[np.float64]

    def before(self, minute: NDArray[np.float64] | float) -> NDArray[np.float64]:
        """Cumulative baseline hazard of captures before ``minute``, shape (b, ...)."""
        return np.asarray(self.cumulative[:, np.searchsorted(self.times, minute, side="left")])


@dataclass(frozen=True, slots=True, eq=False)
class _RiskSets:
    """Sums over those at risk at each time; at risk from ``entry`` to ``stop``, both included."""

    by_stop: NDArray[np.intp]
    number: NDArray[np.intp]
    by_entry: NDArray[np.intp]
    not_yet: NDArray[np.intp]

    @classmethod
    def make(cls, entry: NDArray[np.float64], stop: NDArray[np.float64], times: NDArray[np.float64]) -> _RiskSets:
        by_stop, by_entry = np.argsort(-stop, kind="stable"), np.argsort(-entry, kind="stable")
        number = np.searchsorted(-stop[by_stop], -times, side="right")
        not_yet = np.searchsorted(-entry[by_entry], -times, side="left")
        return cls(by_stop, number, by_entry, not_yet)

    def sums(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sums of ``values`` (shape (b, n)) at each time, shape (b, k)."""
        total = _running(values, self.by_stop, self.number)
        if self.not_yet.any():
            total = total - _running(values, self.by_entry, self.not_yet)
        return total


def _running(values: NDArray[np.float64], order: NDArray[np.intp], number: NDArray[np.intp]) -> NDArray[np.float64]:
    summed = np.zeros((values.shape[0], values.shape[1] + 1))
    np.cumsum(values[:, order], axis=1, out=summed[:, 1:])
    return np.asarray(summed[:, number])


def capture_hazard(
    entry: NDArray[np.float64],
    stop: NDArray[np.float64],
    captured: NDArray[np.bool_],
    columns: NDArray[np.float64],
    weight: NDArray[np.float64],
) -> CaptureHazard:
    """Fit Cox's model of capture with Breslow's ties and baseline, and a wide normal prior of the coefficients.

    Death and loss censor: what is modelled is capture while alive and watched.  Somebody captured at the first pulse
    is at risk of it.

    Parameters
    ----------
    entry, stop : ndarray, shape (n,)
        Time at risk of capture.
    captured : ndarray of bool, shape (n,)
        Capture at ``stop``.
    columns : ndarray, shape (n, p)
        Confounders with mean 0 and standard deviation 1; p may be 0.
    weight : ndarray, shape (b, n)
        Sets of weights, such as how often a bootstrap drew each patient.
    """
    times, at = np.unique(stop[captured], return_inverse=True)
    sets, p = weight.shape[0], columns.shape[1]
    events = np.zeros((sets, times.size))
    for column, place in zip(np.flatnonzero(captured), at, strict=True):
        events[:, place] += weight[:, column]
    risk = _RiskSets.make(entry, stop, times)
    beta = np.zeros((sets, p))
    unsettled = np.ones(sets, dtype=bool) if p else np.zeros(sets, dtype=bool)
    observed = (weight * captured) @ columns
    for _ in range(_ITERATIONS):
        if not unsettled.any():
            break
        slope, bend = _derivatives(beta[unsettled], columns, weight[unsettled], events[unsettled], risk)
        slope += observed[unsettled] - beta[unsettled] / PRIOR_SD**2
        bend += np.eye(p) / PRIOR_SD**2
        step = np.linalg.solve(bend, slope[:, :, None])[:, :, 0]
        largest = np.abs(step).max(axis=1)
        step *= np.minimum(1.0, LARGEST_STEP / np.maximum(largest, LARGEST_STEP))[:, None]
        beta[unsettled] += step
        unsettled[np.flatnonzero(unsettled)[largest < SETTLED]] = False
    relative = np.exp(beta @ columns.T)
    at_risk = risk.sums(weight * relative)
    # nobody at risk in a set: no event there either
    jumps = np.divide(events, at_risk, out=np.zeros_like(events), where=events > 0)
    jumps[unsettled] = np.nan
    cumulative = np.concatenate([np.zeros((sets, 1)), np.cumsum(jumps, axis=1)], axis=1)
    return CaptureHazard(relative, times, cumulative)


def _derivatives(
    beta: NDArray[np.float64],
    columns: NDArray[np.float64],
    weight: NDArray[np.float64],
    events: NDArray[np.float64],
    risk: _RiskSets,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Minus the expected sums of the columns at the events, and the information."""
    sets, p = beta.shape
    mass = weight * np.exp(beta @ columns.T)
    total = risk.sums(mass)
    share = np.divide(events, total, out=np.zeros_like(events), where=events > 0)
    means = np.empty((p, *events.shape))
    slope, bend = np.empty((sets, p)), np.empty((sets, p, p))
    for j in range(p):
        first = risk.sums(mass * columns[:, j])
        means[j] = np.divide(first, total, out=np.zeros_like(events), where=events > 0)
        slope[:, j] = -np.sum(events * means[j], axis=1)
    for j in range(p):
        for k in range(j + 1):
            second = risk.sums(mass * (columns[:, j] * columns[:, k]))
            bend[:, j, k] = np.sum(share * second - events * means[j] * means[k], axis=1)
            bend[:, k, j] = bend[:, j, k]
    return slope, bend


def capture_probability(
    captured: NDArray[np.bool_], columns: NDArray[np.float64], weight: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Probability of having been captured, by logistic regression with a wide normal prior.

    Parameters
    ----------
    captured : ndarray of bool, shape (m,)
        Of those alive and watched.
    columns : ndarray, shape (m, p)
        Confounders with mean 0 and standard deviation 1; p may be 0.
    weight : ndarray, shape (b, m)
        Sets of weights.

    Returns
    -------
    ndarray, shape (b, m)
        NaN for a set with which the search did not settle.
    """
    design = np.column_stack([np.ones(captured.size), columns])
    beta = batch_logistic(design, weight * captured, weight, prior_sd=PRIOR_SD)
    return np.asarray(1 / (1 + np.exp(-beta @ design.T)))
