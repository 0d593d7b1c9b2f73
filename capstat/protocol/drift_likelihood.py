"""Likelihood of repeated checks, each of which is known to lie in a cell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize

from capstat.numerics.gaussian_boxes import log_boxes
from capstat.protocol.drift_law import REFERENCE_MINUTES, checks_covariance, elapsed_factor

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.protocol.repeated_checks import RepeatedChecks

__all__ = ["DriftLikelihood", "Maximum", "maximise", "second_derivatives"]

# step of numerical second derivatives, in units of log mA or of a log parameter
STEP = 2e-3


@dataclass(frozen=True, slots=True, eq=False)
class DriftLikelihood:
    """Checks as boxes on the log scale, one row for each patient, filled up with open sides.

    Attributes
    ----------
    lower, upper : ndarray, shape (n, d)
        Sides, log mA.
    minutes : ndarray, shape (n, d)
        Times since the first check; 0 where there is no check.
    absent : ndarray of bool, shape (n, d)
        Where there is no check.
    log2_points : int
        Points of the boxes; see `log_boxes`.
    """

    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    minutes: NDArray[np.float64]
    absent: NDArray[np.bool_]
    log2_points: int = 8

    @classmethod
    def of(cls, checks: RepeatedChecks) -> DriftLikelihood:
        """Arrange the checks."""
        at = (checks.patient, checks.position)
        shape = (checks.n_patients, int(checks.position.max()) + 1)
        lower, upper = np.full(shape, -np.inf), np.full(shape, np.inf)
        minutes, absent = np.zeros(shape), np.ones(shape, dtype=bool)
        with np.errstate(divide="ignore"):
            lower[at], upper[at] = np.log(checks.lower_ma), np.log(checks.upper_ma)
        minutes[at], absent[at] = checks.minutes, False
        return cls(lower, upper, minutes, absent)

    def value(self, log_median: float, between_sd: float, rate: float, reversion: float) -> float:
        """Log-likelihood; see `checks_covariance` for the parameters."""
        covariance = checks_covariance(self.minutes, between_sd, rate, reversion)
        covariance[self.absent[:, :, None] | self.absent[:, None, :]] = 0.0
        covariance[:, np.arange(self.minutes.shape[1]), np.arange(self.minutes.shape[1])] += self.absent
        mean = np.full(self.minutes.shape[1], log_median)
        return float(log_boxes(self.lower, self.upper, mean, covariance, log2_points=self.log2_points).sum())

    def at(self, x: NDArray[np.float64]) -> float:
        """Log-likelihood at (log median, log between, log standard deviation of change in 30 min, log reversion).

        Without the last one there is no reversion.
        """
        reversion = float(np.exp(x[3])) if x.size == 4 else 0.0
        rate = float(np.exp(2 * x[2]) / elapsed_factor(REFERENCE_MINUTES, reversion))
        return self.value(float(x[0]), float(np.exp(x[1])), rate, reversion)


@dataclass(frozen=True, slots=True, eq=False)
class Maximum:
    """Where the likelihood is largest inside its bounds, shape (p,) each but ``value``."""

    x: NDArray[np.float64]
    value: float
    at_bound: NDArray[np.bool_]


def maximise(
    likelihood: DriftLikelihood,
    start: NDArray[np.float64],
    bounds: NDArray[np.float64],
    fixed: NDArray[np.bool_] | None = None,
) -> Maximum:
    """Maximise inside bounds (p, 2) with some parameters held where they start."""
    held = np.zeros(start.size, dtype=bool) if fixed is None else fixed
    x = np.clip(start, bounds[:, 0], bounds[:, 1])

    def minus(free: NDArray[np.float64]) -> float:
        full = x.copy()
        full[~held] = free
        return -likelihood.at(full)

    found = optimize.minimize(
        minus,
        x[~held],
        method="L-BFGS-B",
        bounds=[(float(low), float(high)) for low, high in bounds[~held]],
        options={"ftol": 1e-9, "gtol": 1e-3, "eps": 1e-6},
    )
    x[~held] = found.x
    at_bound = ~held & (np.minimum(x - bounds[:, 0], bounds[:, 1] - x) < 1e-6)
    return Maximum(x, -float(found.fun), at_bound)


def second_derivatives(
    likelihood: DriftLikelihood, x: NDArray[np.float64], free: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Second derivatives in the free parameters by central differences, shape (f, f)."""
    index = np.flatnonzero(free)
    steps = np.eye(x.size)[index] * STEP

    def shifted(*moves: NDArray[np.float64]) -> float:
        return likelihood.at(x + np.sum(moves, axis=0))

    centre = likelihood.at(x)
    found = np.empty((index.size, index.size))
    for i, one in enumerate(steps):
        found[i, i] = (shifted(one) - 2 * centre + shifted(-one)) / STEP**2
        for j in range(i):
            two = steps[j]
            mixed = shifted(one, two) - shifted(one, -two) - shifted(-one, two) + shifted(-one, -two)
            found[i, j] = found[j, i] = mixed / (4 * STEP**2)
    return found
