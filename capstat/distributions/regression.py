"""Accelerated threshold model: censored regression of log current.

``log T = x'b + sigma * e``.  ``exp(b)`` is a ratio of thresholds (of every capture current), not a hazard
ratio.  Rows are aggregated by interval and covariates first, so covariates on a grid cost nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.likelihood import IntervalData, row_terms, total_terms
from capstat.numerics.maximise import NoMaximumError, maximise_newton, profile_interval
from capstat.numerics.small_sample import p_from_wald, wald_multiplier
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.distributions.families import Family
    from capstat.thresholds import CensoredThresholds

__all__ = ["ThresholdRegression", "captured_patients", "fit_regression", "profile_coefficient"]


@dataclass(frozen=True, slots=True, eq=False)
class ThresholdRegression:
    """A fitted accelerated threshold model.

    Attributes
    ----------
    family : Family
        Distribution of the standardised log threshold.
    names : tuple of str
        Columns of the design.
    coefficients : ndarray, shape (p,)
        On the log scale.
    log_sigma : float
        Logarithm of the scale.
    covariance : ndarray, shape (p + 1, p + 1)
        Of the coefficients and ``log_sigma``.
    covariance_method : str
        "observed information", or "sandwich clustered by patient" when patients have several attempts or
        weights are not all 1.
    log_likelihood : float
        Maximum; exact thresholds enter by their density on the mA scale.
    n, n_patients, n_captured : int
        Attempts, patients, and patients with at least one capture; intervals take the last for their degrees of
        freedom.
    """

    family: Family
    names: tuple[str, ...]
    coefficients: NDArray[np.float64]
    log_sigma: float
    covariance: NDArray[np.float64]
    covariance_method: str
    log_likelihood: float
    n: int
    n_patients: int
    n_captured: int

    @property
    def aic(self) -> float:
        """Akaike's criterion; compare only fits to the same attempts."""
        return 2 * (self.coefficients.size + 1) - 2 * self.log_likelihood

    def multiplier(self, level: float) -> float:
        """Factor of a standard error in an interval: t quantile and variance inflation of the normal model."""
        return wald_multiplier(self.n_captured, self.coefficients.size, level)

    def standard_error(self, name: str) -> float:
        """Return the standard error of a coefficient, on the log scale."""
        j = self.names.index(name)
        return float(np.sqrt(self.covariance[j, j]))

    def ratio(self, name: str, *, level: float = 0.95, quantity: str = "", direction: str = "") -> Estimate:
        """Ratio of thresholds per unit of a column, with a Wald t interval on the log scale."""
        j = self.names.index(name)
        coefficient, error = float(self.coefficients[j]), self.standard_error(name)
        reach = self.multiplier(level) * error
        with np.errstate(over="ignore"):  # with three patients a limit may be beyond any number
            lower, upper = (float(np.exp(coefficient + side * reach)) for side in (-1, 1))
        return Estimate(
            quantity=quantity or f"ratio of capture thresholds per unit of {name}",
            value=float(np.exp(coefficient)),
            lower=lower,
            upper=upper,
            level=level,
            unit="ratio",
            scale="log",
            n=self.n_patients,
            method=f"{self.family.name} accelerated threshold model; {self.covariance_method}",
            direction=direction,
            p_value=p_from_wald(coefficient / error, self.n_captured, self.coefficients.size),
        )


def _aggregate(thresholds: CensoredThresholds, design: NDArray[np.float64]) -> tuple[IntervalData, NDArray[np.intp]]:
    """Distinct rows with weights, and the distinct row of every attempt."""
    cells = thresholds.cells()
    key = np.column_stack((cells.index, design))
    _, first, index = np.unique(key, axis=0, return_index=True, return_inverse=True)
    index = index.ravel()
    weight = np.bincount(index, weights=thresholds.weight).astype(np.float64)
    data = IntervalData(thresholds.lower_ma[first], thresholds.upper_ma[first], design[first], weight)
    return data, index


def _start(data: IntervalData) -> NDArray[np.float64]:
    """Least squares on interval midpoints: only a place to begin, never a result."""
    upper = np.where(np.isinf(data.upper_ma), 1.3 * np.maximum(data.lower_ma, 1.0), data.upper_ma)
    middle = np.log((np.maximum(data.lower_ma, 0.5 * upper) + upper) / 2)
    root = np.sqrt(data.weight)
    coefficients, *_ = np.linalg.lstsq(data.design * root[:, None], middle * root, rcond=None)
    residual = middle - data.design @ coefficients
    spread = float(np.sqrt(data.weight @ residual**2 / data.weight.sum()))
    return np.append(coefficients, np.log(max(spread, 0.1)))


def _check_estimable(data: IntervalData, names: tuple[str, ...]) -> None:
    """Say in words why a maximum cannot exist, where that can be seen beforehand."""
    if np.all(np.isinf(data.upper_ma)):
        raise NotEstimableError(
            "No attempt captured: every threshold is above the highest current tested (all right-censored)."
        )
    if np.all(data.lower_ma == 0):
        raise NotEstimableError("Every attempt captured at its first setting (all left-censored).")
    # a degenerate distribution at a common point has likelihood one: the spread has no estimate
    shared_low, shared_high = data.lower_ma.max(), data.upper_ma.min()
    if shared_low < shared_high or ((data.lower_ma == data.upper_ma).all() and shared_low == shared_high):
        raise NotEstimableError(
            f"All thresholds are compatible with one single value between {shared_low:g} and {shared_high:g} mA, "
            "so their spread cannot be estimated."
        )
    if np.linalg.matrix_rank(data.design) < data.design.shape[1]:
        raise NotEstimableError(
            f"The covariates {', '.join(names)} do not vary, or one follows from the others, in these attempts."
        )


def fit_regression(
    thresholds: CensoredThresholds,
    design: NDArray[np.float64],
    names: tuple[str, ...],
    *,
    family: Family,
) -> ThresholdRegression:
    """Fit ``log T = x'b + sigma * e`` by maximum likelihood.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Outcomes.
    design : ndarray, shape (n, p)
        Covariates without missing values, intercept included.
    names : tuple of str
        Names of the columns.
    family : Family
        Distribution of ``e``.

    Returns
    -------
    ThresholdRegression
        Standard errors from the observed information; from the sandwich clustered by patient (Liang & Zeger
        1986, with the factor G/(G-1)) when patients have several attempts or weights are not all 1.

    Raises
    ------
    NotEstimableError
        When the likelihood has no maximum; the message says why.
    """
    data, index = _aggregate(thresholds, np.asarray(design, dtype=float))
    _check_estimable(data, names)
    try:
        best = maximise_newton(lambda x: total_terms(family, data, x), _start(data))
    except NoMaximumError as error:
        raise NotEstimableError(f"The {family.name} model has no finite estimate for these data: {error}") from error
    bread = np.asarray(np.linalg.inv(-best.hessian), dtype=np.float64)
    method = "observed information"
    covariance = bread
    if thresholds.clustered or not np.all(thresholds.weight == 1):
        covariance = _sandwich(family, data, best.x, index, thresholds, bread)
        method = "sandwich clustered by patient"
    return ThresholdRegression(
        family, names, best.x[:-1], float(best.x[-1]), covariance, method, best.value,
        len(thresholds), thresholds.n_patients, captured_patients(thresholds),
    )  # fmt: skip


def captured_patients(thresholds: CensoredThresholds) -> int:
    """Return the number of patients with at least one capture."""
    return int(np.unique(thresholds.patient[np.isfinite(thresholds.upper_ma)]).size)


def _sandwich(
    family: Family,
    data: IntervalData,
    parameters: NDArray[np.float64],
    index: NDArray[np.intp],
    thresholds: CensoredThresholds,
    bread: NDArray[np.float64],
) -> NDArray[np.float64]:
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        _, gradient, _ = row_terms(family, data, parameters)
    scores = np.column_stack((data.design * gradient[:, :1], gradient[:, 1]))[index]
    scores = scores * thresholds.weight[:, None]
    _, patient = np.unique(thresholds.patient, return_inverse=True)
    groups = int(patient.max()) + 1
    summed = np.zeros((groups, scores.shape[1]))
    np.add.at(summed, patient, scores)
    meat = summed.T @ summed * groups / max(groups - 1, 1)
    return np.asarray(bread @ meat @ bread)


def profile_coefficient(
    thresholds: CensoredThresholds,
    design: NDArray[np.float64],
    column: int,
    *,
    family: Family,
    drop: float,
    reach: float = 8.0,
) -> tuple[float, float]:
    """Profile-likelihood limits of one coefficient, also when its estimate is infinite.

    A placement that never captured has no finite ratio, yet the data bound it from one side.  The supremum is
    then approached at ``+-reach`` (log units: a factor of 3,000).

    Returns
    -------
    lower, upper : float
        On the log scale; an infinite limit on the side where the data put no bound.
    """
    data, _ = _aggregate(thresholds, np.asarray(design, dtype=float))
    rest = np.delete(data.design, column, axis=1)
    start = np.delete(_start(data), column)

    def profile(value: float) -> float:
        shifted = np.exp(-value * data.design[:, column])
        reduced = IntervalData(data.lower_ma * shifted, data.upper_ma * shifted, rest, data.weight)
        jacobian = -value * float(data.weight @ (data.design[:, column] * (data.lower_ma == data.upper_ma)))
        best = maximise_newton(lambda x: total_terms(family, reduced, x), start)
        return best.value + jacobian

    grid = np.linspace(-reach, reach, 33)
    values = []
    for position in grid:
        try:
            values.append(profile(float(position)))
        except NoMaximumError:
            values.append(-np.inf)
    top = int(np.argmax(values))
    lower, upper = profile_interval(profile, values[top], float(grid[top]), 0.1, drop, reach=2 * reach / 0.1)
    if top in (0, grid.size - 1):
        lower, upper = (-np.inf, upper) if top == 0 else (lower, np.inf)
    return lower, upper
