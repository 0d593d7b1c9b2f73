"""Parametric threshold distributions from interval-censored data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.regression import fit_regression
from capstat.numerics.small_sample import wald_multiplier
from capstat.results import Curve, Estimate

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from capstat.distributions.families import Family
    from capstat.thresholds import CensoredThresholds

__all__ = ["ParametricFit", "fit_parametric"]


@dataclass(frozen=True, slots=True, eq=False)
class ParametricFit:
    """A fitted family: ``log T = mu + sigma * e``.

    Attributes
    ----------
    family : Family
        Which.
    mu : float
        Location of log current (mA).
    sigma : float
        Scale of log current.
    covariance : ndarray, shape (2, 2)
        Of ``mu`` and ``log sigma``.
    covariance_method : str
        How the covariance was made.
    log_likelihood : float
        Maximum of the log-likelihood.
    n, n_patients, n_captured : int
        Attempts, patients, and patients with at least one capture.
    """

    family: Family
    mu: float
    sigma: float
    covariance: NDArray[np.float64]
    covariance_method: str
    log_likelihood: float
    n: int
    n_patients: int
    n_captured: int

    @property
    def aic(self) -> float:
        """Akaike's criterion; compare only fits to the same attempts."""
        return 4 - 2 * self.log_likelihood

    @property
    def method(self) -> str:
        """Name of the method, for results."""
        return f"{self.family.name} distribution, interval-censored maximum likelihood; {self.covariance_method}"

    def capture_current(self, fraction: float, level: float = 0.95) -> Estimate:
        """Current that captures ``fraction`` of patients, in mA, with a delta-method interval on the log scale.

        Raises
        ------
        ValueError
            When the fraction is not strictly between 0 and 1.
        """
        if not 0 < fraction < 1:
            raise ValueError(f"A fraction of patients lies strictly between 0 and 1, not {fraction:g}.")
        e = float(self.family.quantile(np.asarray(fraction, dtype=float)))
        slope = np.array([1.0, self.sigma * e])
        error = float(np.sqrt(slope @ self.covariance @ slope))
        reach = wald_multiplier(self.n_captured, 1, level)
        centre = self.mu + self.sigma * e
        with np.errstate(over="ignore"):  # with two patients a limit may be beyond any number
            lower, upper = (float(np.exp(centre + side * reach * error)) for side in (-1, 1))
        return Estimate(
            quantity=f"current that captures {100 * fraction:g} % of patients",
            value=float(np.exp(centre)),
            lower=lower,
            upper=upper,
            level=level,
            unit="mA",
            scale="log",
            n=self.n_patients,
            method=self.method,
        )

    def capture_curve(self, current_ma: ArrayLike, level: float = 0.95) -> Curve:
        """Share captured at each current with pointwise limits, symmetric on the standardised log scale."""
        current = np.asarray(current_ma, dtype=float)
        e = (np.log(current) - self.mu) / self.sigma
        slopes = np.stack((np.full_like(e, -1 / self.sigma), -e), axis=-1)
        error = np.sqrt(np.einsum("...i,ij,...j->...", slopes, self.covariance, slopes))
        reach = wald_multiplier(self.n_captured, 1, level)
        value, low, high = (np.exp(self.family.log_cdf(e + k * error)) for k in (0.0, -reach, reach))
        return Curve(f"share captured, {self.family.name}", current, value, value, low, high, level, self.method)

    def capture_probability(self, current_ma: float, level: float = 0.95) -> Estimate:
        """Share of patients captured at one current (mA)."""
        curve = self.capture_curve([current_ma], level)
        return Estimate(
            quantity=f"share of patients captured at {current_ma:g} mA",
            value=float(curve.lower[0]),
            lower=float(curve.band_lower[0]),
            upper=float(curve.band_upper[0]),
            level=level,
            unit="proportion",
            scale="standardised log current",
            n=self.n_patients,
            method=self.method,
        )


def fit_parametric(thresholds: CensoredThresholds, *, family: Family) -> ParametricFit:
    """Fit a family to interval-censored thresholds by maximum likelihood.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Any mix of left-, interval- and right-censored and exact thresholds.
    family : Family
        ``LOGNORMAL``, ``WEIBULL`` or ``LOGLOGISTIC``.

    Raises
    ------
    NotEstimableError
        When there are no attempts, or the likelihood has no maximum (all right-censored, all compatible with
        one value, ...); the message says why.
    """
    fit = fit_regression(thresholds, np.ones((len(thresholds), 1)), ("intercept",), family=family)
    return ParametricFit(
        family, float(fit.coefficients[0]), float(np.exp(fit.log_sigma)), fit.covariance,
        fit.covariance_method, fit.log_likelihood, fit.n, fit.n_patients, fit.n_captured,
    )  # fmt: skip
