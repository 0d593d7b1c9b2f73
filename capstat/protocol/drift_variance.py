"""Variance of a threshold's change by elapsed time, without a model of time."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize, stats

from capstat.numerics.gaussian_boxes import log_boxes
from capstat.numerics.maximise import profile_limit
from capstat.protocol.drift_law import percent_change
from capstat.protocol.drift_likelihood import DriftLikelihood
from capstat.results import Estimate, NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from capstat.protocol.repeated_checks import RepeatedChecks

__all__ = ["USUAL_EDGES", "ElapsedChange", "change_by_elapsed"]

USUAL_EDGES = (0.0, 5.0, 15.0, 25.0, 40.0, 60.0, 90.0, 120.0)
"""Edges of the usual bins of elapsed time, in minutes."""

FEWEST_PATIENTS = 5
SMALLEST_LOG_SD, LARGEST_LOG_SD = float(np.log(1e-4)), float(np.log(5.0))
# log-likelihoods closer than this are the same
SETTLED = 1e-3
METHOD = (
    "pairs of the first check and the one in the bin, both in their cells; maximum likelihood of the variance of "
    "change with the law of the first checks held at its estimate; profile-likelihood limits"
)


@dataclass(frozen=True, slots=True)
class ElapsedChange:
    """How much thresholds had changed since the first check, in one bin of elapsed time.

    Attributes
    ----------
    from_minutes, to_minutes : float
        The bin, its end not included.
    minutes : float or None
        Median elapsed time of the checks in it; ``None`` without any.
    sd : Estimate
        Root of the mean squared change of the log threshold (a trend shared by all would count too).
    percent : Estimate
        The same as a percent change, one standard deviation upwards.
    """

    from_minutes: float
    to_minutes: float
    minutes: float | None
    sd: Estimate
    percent: Estimate


def _first_law(low: NDArray[np.float64], high: NDArray[np.float64]) -> tuple[float, float]:
    """Median and spread of the first checks, log mA."""
    known = np.concatenate([low[np.isfinite(low)], high[np.isfinite(high)]])
    bounds = [(float(known.min()) - 3, float(known.max()) + 3), (np.log(0.01), LARGEST_LOG_SD)]
    start = np.array([float(np.median(known)), np.log(max(float(known.std()), 0.05))])

    def minus(x: NDArray[np.float64]) -> float:
        spread = np.full((1, 1), np.exp(2 * x[1]))
        return -float(log_boxes(low[:, None], high[:, None], x[:1], spread).sum())

    found = optimize.minimize(minus, start, method="L-BFGS-B", bounds=bounds)
    median, log_sd = (float(value) for value in found.x)
    if min(median - bounds[0][0], bounds[0][1] - median, LARGEST_LOG_SD - log_sd) < 1e-3:
        raise NotEstimableError("The first checks do not say where the patients' thresholds lie; too many are open.")
    return median, float(np.exp(log_sd))


def _pair_likelihood(
    low: NDArray[np.float64], high: NDArray[np.float64], median: float, spread: float
) -> Callable[[float], float]:
    def value(log_sd: float) -> float:
        covariance = spread**2 + np.array([[0.0, 0.0], [0.0, np.exp(2 * log_sd)]])
        return float(log_boxes(low, high, np.full(2, median), covariance).sum())

    return value


def _largest(value: Callable[[float], float]) -> float:
    """Log standard deviation at the maximum: the best of a grid, then inside its neighbours."""
    grid = np.linspace(SMALLEST_LOG_SD, LARGEST_LOG_SD, 45)
    heights = [value(float(at)) for at in grid]
    best = int(np.argmax(heights))
    if heights[0] > heights[best] - SETTLED:
        return SMALLEST_LOG_SD
    around = (float(grid[max(best - 1, 0)]), float(grid[min(best + 1, grid.size - 1)]))
    found = optimize.minimize_scalar(
        lambda at: -value(float(at)), bounds=around, method="bounded", options={"xatol": 1e-5}
    )
    return float(found.x)


def _sd(value: Callable[[float], float], n: int, quantity: str, level: float) -> Estimate:
    at = _largest(value)
    maximum, drop = value(at), float(stats.chi2.ppf(level, 1)) / 2
    if at > LARGEST_LOG_SD - 1e-3:
        return _without(quantity, n, level, "The checks in the bin put no upper limit on the change.", "log ratio")
    lower = 0.0
    if value(SMALLEST_LOG_SD) < maximum - drop:
        lower = float(np.exp(profile_limit(value, maximum, at, 0.2, drop, -1.0)))
    upper = float(np.exp(profile_limit(value, maximum, at, 0.2, drop, 1.0)))
    sd = 0.0 if at == SMALLEST_LOG_SD else float(np.exp(at))
    return Estimate(quantity, sd, lower, upper, level, "log ratio", "profile likelihood", n, METHOD)


def _without(quantity: str, n: int, level: float, reason: str, unit: str) -> Estimate:
    return Estimate(quantity, None, None, None, level, unit, "profile likelihood", n, METHOD, reason=reason)


def _percent(sd: Estimate) -> Estimate:
    quantity = sd.quantity.replace("standard deviation of the change of the log threshold", "typical change (SD)")
    if sd.value is None or sd.lower is None or sd.upper is None:
        return _without(quantity, sd.n, sd.level, sd.reason, "%")
    low, value, high = (percent_change(x) for x in (sd.lower, sd.value, sd.upper))
    return Estimate(quantity, value, low, high, sd.level, "%", sd.scale, sd.n, sd.method)


def change_by_elapsed(
    checks: RepeatedChecks, edges_minutes: Sequence[float] = USUAL_EDGES, level: float = 0.95
) -> tuple[ElapsedChange, ...]:
    """Estimate the variance of change since the first check in bins of elapsed time, each bin by itself.

    Of several checks of a patient in a bin the first counts.  The law of the first checks, which only says where in
    its cell a threshold lies, is held at its estimate from all patients.

    Parameters
    ----------
    checks : RepeatedChecks
        Patients with at least two checks.
    edges_minutes : sequence of float
        Edges of the bins, rising; a check belongs to the bin that begins at or before its time.
    level : float
        Confidence level.

    Returns
    -------
    tuple of ElapsedChange
        One for each bin, without value where fewer than 5 patients have a check in it.

    Raises
    ------
    UsageError
        When the edges do not rise from 0 or more.
    NotEstimableError
        With fewer than 5 patients, or when the first checks are open-ended.
    """
    edges = np.asarray(edges_minutes, dtype=float)
    if edges.ndim != 1 or edges.size < 2 or not np.all(np.diff(edges) > 0) or edges[0] < 0:
        raise UsageError("Edges of elapsed time must be two or more minutes, 0 or later, that rise.")
    if checks.n_patients < FEWEST_PATIENTS:
        raise NotEstimableError(
            f"The change since the first check needs at least {FEWEST_PATIENTS} patients with two timed checks; there "
            f"are {checks.n_patients}."
        )
    table = DriftLikelihood.of(checks)
    median, spread = _first_law(table.lower[:, 0], table.upper[:, 0])
    found = []
    for low, high in pairwise(edges):
        inside = ~table.absent & (table.minutes >= low) & (table.minutes < high)
        inside[:, 0] = False
        rows = np.flatnonzero(inside.any(axis=1))
        columns = np.argmax(inside[rows], axis=1)
        minutes = float(np.median(table.minutes[rows, columns])) if rows.size else None
        quantity = f"standard deviation of the change of the log threshold after {low:g} to {high:g} minutes"
        if rows.size < FEWEST_PATIENTS:
            reason = f"Fewer than {FEWEST_PATIENTS} patients have a check in the bin."
            sd = _without(quantity, int(rows.size), level, reason, "log ratio")
        else:
            pairs = [np.stack([side[rows, 0], side[rows, columns]], axis=1) for side in (table.lower, table.upper)]
            sd = _sd(_pair_likelihood(pairs[0], pairs[1], median, spread), int(rows.size), quantity, level)
        found.append(ElapsedChange(float(low), float(high), minutes, sd, _percent(sd)))
    return tuple(found)
