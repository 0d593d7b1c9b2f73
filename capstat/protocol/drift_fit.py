"""A fitted model of threshold drift: its estimates, and draws that carry their uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats
from scipy.special import ndtri
from scipy.stats import qmc

from capstat.protocol.drift_law import REFERENCE_MINUTES, DriftLaw, DriftModel, elapsed_factor, percent_change
from capstat.results import Estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["DriftFit"]

# bounds of the standard deviations on the log scale: 0.01 % and a factor of 150
SMALLEST_SD, LARGEST_SD = 1e-4, 5.0
# a spread between patients of 1 % or less is none
SMALLEST_BETWEEN = 1e-2
# positions of the parameters
MEDIAN, BETWEEN, CHANGE, REVERSION = range(4)


def _normal_draws(draws: int, dimensions: int, seed: int) -> NDArray[np.float64]:
    """Standard normal numbers in a Latin hypercube: each column has its percentiles where they belong."""
    if draws == 0:
        return np.empty((0, dimensions))
    return np.asarray(ndtri(qmc.LatinHypercube(dimensions, rng=np.random.default_rng(seed)).random(draws)))


@dataclass(frozen=True, slots=True, eq=False)
class DriftFit:
    """A model of drift, fitted by maximum likelihood.

    Attributes
    ----------
    model : DriftModel
        Which one.
    values : ndarray, shape (3,) or (4,)
        Log median (mA), log standard deviation between patients, log standard deviation of the change over 30 minutes,
        log reversion per minute.
    covariance : ndarray, shape (p, p)
        Inverse of the negative second derivatives; zero in parameters that were held at a bound.
    log_likelihood, aic : float
        At the maximum.
    no_drift : bool
        Whether no drift at all fits as well as the limits allow: the lower limit of the change is then 0.
    upper_sd : float or None
        Upper profile limit of the standard deviation of the change over 30 minutes, where ``no_drift``.
    level : float
        Confidence level of the limits.
    n, n_checks : int
        Patients and checks.
    notes : tuple of str
        What a reader must know.
    """

    model: DriftModel
    values: NDArray[np.float64]
    covariance: NDArray[np.float64]
    log_likelihood: float
    aic: float
    no_drift: bool
    upper_sd: float | None
    level: float
    n: int
    n_checks: int
    notes: tuple[str, ...]

    @property
    def method(self) -> str:
        """Estimator and limits in words."""
        limits = "profile likelihood" if self.no_drift else "second derivatives on the log scale"
        return (
            f"{self.model.value} of the log threshold, maximum likelihood with every check in its cell; "
            f"limits by {limits}"
        )

    @property
    def change_sd(self) -> float:
        """Standard deviation of the change of the log threshold over 30 minutes."""
        return 0.0 if self.values[CHANGE] <= np.log(SMALLEST_SD) else float(np.exp(self.values[CHANGE]))

    def _estimate(self, quantity: str, value: float, log_se: float, unit: str) -> Estimate:
        lower = upper = None
        if log_se > 0:
            factor = float(np.exp(stats.norm.ppf(0.5 + self.level / 2) * log_se))
            lower, upper = value / factor, value * factor
        return Estimate(
            quantity, value, lower, upper, self.level, unit, "log", self.n, self.method, notes=self.notes
        )  # fmt: skip

    def change_sd_over(self, minutes: float = REFERENCE_MINUTES) -> Estimate:
        """Standard deviation of the change of the log threshold over some minutes."""
        quantity = f"standard deviation of the change of the log threshold over {minutes:g} minutes"
        reversion = float(np.exp(self.values[REVERSION])) if self.values.size == 4 else 0.0

        def factor(k: float) -> float:
            return float(np.sqrt(elapsed_factor(minutes, k) / elapsed_factor(REFERENCE_MINUTES, k)))

        value = self.change_sd * factor(reversion)
        if self.upper_sd is not None:
            return Estimate(
                quantity, value, 0.0, self.upper_sd * factor(reversion), self.level, "log ratio", "profile likelihood",
                self.n, self.method, notes=self.notes,
            )  # fmt: skip
        slope = np.zeros(self.values.size)
        slope[CHANGE] = 1.0
        if self.values.size == 4:
            slope[REVERSION] = np.log(factor(reversion * 1.01) / factor(reversion / 1.01)) / (2 * np.log(1.01))
        return self._estimate(quantity, value, float(np.sqrt(slope @ self.covariance @ slope)), "log ratio")

    def typical_change(self, minutes: float = REFERENCE_MINUTES) -> Estimate:
        """Return the same as a percent change: one standard deviation upwards."""
        sd = self.change_sd_over(minutes)
        low, value, high = (None if x is None else percent_change(x) for x in (sd.lower, sd.value, sd.upper))
        return Estimate(
            f"typical change (SD) over {minutes:g} minutes", value, low, high, sd.level, "%", sd.scale, sd.n, sd.method,
            notes=sd.notes,
        )  # fmt: skip

    @property
    def median_ma(self) -> Estimate:
        """Median of the patients' thresholds at the first check (random walk) or of their means, in mA."""
        se = float(np.sqrt(self.covariance[MEDIAN, MEDIAN]))
        return self._estimate("median threshold of the patients", float(np.exp(self.values[MEDIAN])), se, "mA")

    @property
    def between_sd(self) -> Estimate:
        """Standard deviation of the log threshold between patients."""
        se = float(np.sqrt(self.covariance[BETWEEN, BETWEEN]))
        value = 0.0 if self.values[BETWEEN] <= np.log(SMALLEST_BETWEEN) else float(np.exp(self.values[BETWEEN]))
        return self._estimate("standard deviation of the log threshold between patients", value, se, "log ratio")

    @property
    def half_life_minutes(self) -> Estimate | None:
        """Time in which half of a deviation from the patient's mean is made up; ``None`` for the random walk."""
        if self.values.size < 4:
            return None
        se = float(np.sqrt(self.covariance[REVERSION, REVERSION]))
        value = float(np.log(2) / np.exp(self.values[REVERSION]))
        return self._estimate("half-life of a deviation from the patient's mean", value, se, "minutes")

    def law(self, *, draws: int, seed: int) -> DriftLaw:
        """Estimate and draws of the parameters.

        Draws are multivariate normal on the log scale, in a Latin hypercube.  Where no drift at all is within the
        limits, the standard deviation of the change is drawn instead as the size of a normal number about its
        estimate, as wide as the distance to the upper profile limit tells; the shape between 0 and that limit is a
        convention.

        Parameters
        ----------
        draws : int
            Number of draws; 0 for the estimate alone.
        seed : int
            Seed of the generator.
        """
        normal = _normal_draws(draws, self.values.size + 1, seed)
        # eigenvalues below zero by rounding, or where parameters are held, draw nothing
        eigenvalues, vectors = np.linalg.eigh(self.covariance)
        root = vectors * np.sqrt(np.maximum(eigenvalues, 0))
        x = np.vstack([self.values, self.values + normal[:, 1:] @ root.T])
        sd = np.exp(np.clip(x[:, CHANGE], None, np.log(LARGEST_SD)))
        sd[0] = self.change_sd
        if self.upper_sd is not None:
            wide = (self.upper_sd - self.change_sd) / float(stats.norm.ppf(0.5 + self.level / 2))
            sd[1:] = np.abs(self.change_sd + wide * normal[:, 0])
        reversion = np.exp(x[:, REVERSION]) if x.shape[1] == 4 else np.zeros(draws + 1)
        return DriftLaw(
            sd**2 / elapsed_factor(REFERENCE_MINUTES, reversion), reversion, np.exp(x[:, BETWEEN]), x[:, MEDIAN],
            self.n, self.method, self.notes,
        )  # fmt: skip
