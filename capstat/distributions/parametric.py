"""Parametric threshold distributions from interval-censored data, with and without a share that is never captured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from capstat.distributions.prediction import capture_scores
from capstat.distributions.regression import ThresholdRegression, fit_regression
from capstat.numerics.small_sample import wald_multiplier
from capstat.results import Curve, Estimate

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from capstat.distributions.families import Family
    from capstat.thresholds import CensoredThresholds

__all__ = ["ParametricFit", "checked_fraction", "fit_parametric", "log_current_of"]


def checked_fraction(fraction: float) -> float:
    """Refuse a share of patients that is not strictly between 0 and 1."""
    if not 0 < fraction < 1:
        raise ValueError(f"A fraction of patients lies strictly between 0 and 1, not {fraction:g}.")
    return fraction


def log_current_of(
    family: Family, fraction: float, ancillary: NDArray[np.float64], logit: NDArray[np.float64]
) -> tuple[float, NDArray[np.float64]]:
    """Log current, less the location, that captures ``fraction`` of all; its gradient in (ancillary[, logit]).

    Parameters
    ----------
    logit : ndarray, shape (0,) or (1,)
        Logit of the share that can be captured; empty when everybody can.

    Returns
    -------
    residual : float
        Infinite when fewer than ``fraction`` can be captured at all.
    gradient : ndarray
    """
    if logit.size == 0:
        return family.quantile(fraction, ancillary)
    share = float(special.expit(logit[0]))
    if fraction >= share:
        return np.inf, np.zeros(ancillary.size + 1)
    residual, slope = family.quantile(fraction / share, ancillary)
    at = np.array([residual])
    log_density = family.terms(at, at, np.array([True]), ancillary).value[0]
    by_logit = -fraction * (1 - share) / share * np.exp(-log_density)
    return residual, np.append(slope, by_logit)


@dataclass(frozen=True, slots=True, eq=False)
class ParametricFit:
    """A fitted family: ``log T = mu + r``, with the law of ``r`` given by the family and its ancillary parameters.

    Attributes
    ----------
    model : ThresholdRegression
        The fit, with an intercept only.
    """

    model: ThresholdRegression

    @property
    def family(self) -> Family:
        """The family."""
        return self.model.family

    @property
    def mu(self) -> float:
        """Location of log current (mA)."""
        return float(self.model.coefficients[0])

    @property
    def sigma(self) -> float:
        """Scale of log current."""
        return float(np.exp(self.model.log_sigma))

    @property
    def never_captured(self) -> bool:
        """Whether the model has a share that is never captured."""
        return bool(self.model.capturable_names)

    @property
    def share_capturable(self) -> float:
        """Share that can be captured at some current; 1 without a share that is never captured."""
        return float(special.expit(self.model.capturable_coefficients[0])) if self.never_captured else 1.0

    @property
    def name(self) -> str:
        """Name of the family, and that some are never captured where the model says so."""
        return self.family.name + (" with a share never captured" if self.never_captured else "")

    @property
    def log_likelihood(self) -> float:
        """Maximum of the log-likelihood."""
        return self.model.log_likelihood

    @property
    def aic(self) -> float:
        """Akaike's criterion; compare only fits to the same attempts."""
        return self.model.aic

    @property
    def n_patients(self) -> int:
        """Number of patients."""
        return self.model.n_patients

    @property
    def method(self) -> str:
        """Name of the method, for results."""
        share = ", a share never captured" if self.never_captured else ""
        return (
            f"{self.family.name} distribution{share}, interval-censored maximum likelihood; "
            f"{self.model.covariance_method}"
        )

    def log_capture_current(self, fraction: float) -> tuple[float, float]:
        """Log of the current (mA) that captures ``fraction`` of patients, and its standard error (delta method).

        Both are infinite when fewer than that can be captured.
        """
        residual, slope = log_current_of(
            self.family, checked_fraction(fraction), self.model.ancillary, self.model.capturable_coefficients
        )
        if np.isinf(residual):
            return np.inf, np.inf
        slope = np.concatenate(([1.0], slope))
        return self.mu + residual, float(np.sqrt(slope @ self.model.covariance @ slope))

    def capture_current(self, fraction: float, level: float = 0.95) -> Estimate:
        """Current that captures ``fraction`` of patients, in mA, with a delta-method interval on the log scale.

        Raises
        ------
        ValueError
            When the fraction is not strictly between 0 and 1.
        """
        centre, error = self.log_capture_current(fraction)
        quantity = f"current that captures {100 * fraction:g} % of patients"
        if np.isinf(centre):
            return Estimate(
                quantity, None, None, None, level, "mA", "log", self.n_patients, self.method,
                reason=f"the model says that only {100 * self.share_capturable:.0f} % can be captured at any current",
            )  # fmt: skip
        reach = wald_multiplier(self.model.n_captured, 1, level)
        with np.errstate(over="ignore"):  # with two patients a limit may be beyond any number
            lower, upper = (float(np.exp(centre + side * reach * error)) for side in (-1, 1))
        return Estimate(quantity, float(np.exp(centre)), lower, upper, level, "mA", "log", self.n_patients, self.method)

    def probit_curve(self, current_ma: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Probit of the share captured at each current (mA), and its standard error (delta method)."""
        ones = np.ones((current_ma.size, 1))
        probit, slope = capture_scores(
            self.family, current_ma, ones, ones if self.never_captured else None, self.model.parameters
        )
        return probit, np.sqrt(np.einsum("mi,ij,mj->m", slope, self.model.covariance, slope))

    def capture_curve(self, current_ma: ArrayLike, level: float = 0.95) -> Curve:
        """Share captured at each current (mA) with pointwise limits, symmetric on the probit scale."""
        current = np.atleast_1d(np.asarray(current_ma, dtype=float))
        probit, error = self.probit_curve(current)
        reach = wald_multiplier(self.model.n_captured, 1, level)
        value, low, high = (special.ndtr(probit + k * error) for k in (0.0, -reach, reach))
        return Curve(f"share captured, {self.name}", current, value, value, low, high, level, self.method)

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
            scale="probit",
            n=self.n_patients,
            method=self.method,
        )


def fit_parametric(thresholds: CensoredThresholds, *, family: Family, never_captured: bool = False) -> ParametricFit:
    """Fit a family to interval-censored thresholds by maximum likelihood.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Any mix of left-, interval- and right-censored and exact thresholds.
    family : Family
        One of ``FAMILIES``.
    never_captured : bool
        Whether a share of patients is allowed that no current captures (mixture model of Berkson & Gage 1952).  See
        :func:`estimate_never_captured` for what the data say about that share.

    Raises
    ------
    NotEstimableError
        When there are no attempts, or the likelihood has no maximum (all right-censored, all compatible with
        one value, nobody beyond reach, ...); the message says why.
    """
    ones = np.ones((len(thresholds), 1))
    return ParametricFit(
        fit_regression(
            thresholds, ones, ("intercept",), family=family,
            capturable=ones if never_captured else None,
            capturable_names=("intercept",) if never_captured else (),
        )
    )  # fmt: skip
