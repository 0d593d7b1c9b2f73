"""Accelerated threshold model: censored regression of log current.

``log T = x'b + r``, where a family gives the law of ``r``.  ``exp(b)`` is a ratio of thresholds (of every capture
current), not a hazard ratio.  Rows are aggregated by interval and covariates first, so covariates on a grid cost
nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.distributions.likelihood import IntervalData, row_scores, split_parameters, total_terms
from capstat.numerics.maximise import NoMaximumError, Optimum, maximise_newton, profile_interval
from capstat.numerics.small_sample import p_from_wald, wald_multiplier
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.distributions.families import Family
    from capstat.thresholds import CensoredThresholds

__all__ = ["ThresholdRegression", "best_optimum", "captured_patients", "fit_regression", "profile_coefficient"]


# Newton's method needs about ten; what has not settled after this many creeps along a ridge towards infinity
MOST_ITERATIONS = 60


@dataclass(frozen=True, slots=True, eq=False)
class ThresholdRegression:
    """A fitted accelerated threshold model.

    Attributes
    ----------
    family : Family
        Distribution of log current around its location.
    names : tuple of str
        Columns of the design.
    coefficients : ndarray, shape (p,)
        On the log scale.
    ancillary : ndarray, shape (k,)
        Ancillary parameters of the family; the first is the logarithm of the scale.
    capturable_names : tuple of str
        Columns of the model of the share that can be captured; empty when everybody is taken to be capturable.
    capturable_coefficients : ndarray, shape (q,)
        On the logit scale.
    covariance : ndarray, shape (p + k + q, p + k + q)
        Of ``coefficients``, ``ancillary`` and ``capturable_coefficients``, in this order.
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
    ancillary: NDArray[np.float64]
    capturable_names: tuple[str, ...]
    capturable_coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64]
    covariance_method: str
    log_likelihood: float
    n: int
    n_patients: int
    n_captured: int

    @property
    def parameters(self) -> NDArray[np.float64]:
        """All parameters in the order of the covariance."""
        return np.concatenate((self.coefficients, self.ancillary, self.capturable_coefficients))

    @property
    def log_sigma(self) -> float:
        """Logarithm of the scale."""
        return float(self.ancillary[0])

    @property
    def aic(self) -> float:
        """Akaike's criterion; compare only fits to the same attempts."""
        return 2 * self.parameters.size - 2 * self.log_likelihood

    @property
    def method(self) -> str:
        """Name of the method, for results."""
        mixture = ", a share never captured" if self.capturable_names else ""
        return f"{self.family.name} accelerated threshold model{mixture}; {self.covariance_method}"

    def multiplier(self, level: float) -> float:
        """Factor of a standard error in an interval: t quantile and variance inflation of the normal model."""
        return wald_multiplier(self.n_captured, self.coefficients.size, level)

    def standard_error(self, name: str) -> float:
        """Return the standard error of a coefficient, on the log scale."""
        j = self.names.index(name)
        return float(np.sqrt(self.covariance[j, j]))

    def ratio(self, name: str, *, level: float = 0.95, quantity: str = "", direction: str = "") -> Estimate:
        """Ratio of thresholds per unit of a column, with a Wald t interval on the log scale."""
        contrast = np.zeros(self.parameters.size)
        contrast[self.names.index(name)] = 1.0
        words = quantity or f"ratio of capture thresholds per unit of {name}"
        return self.exponentiated(contrast, level=level, quantity=words, unit="ratio", direction=direction)

    def exponentiated(
        self, contrast: NDArray[np.float64], *, level: float, quantity: str, unit: str, direction: str = ""
    ) -> Estimate:
        """Exponential of a linear combination of ``parameters``, with a Wald t interval on the log scale."""
        value = float(contrast @ self.parameters)
        error = float(np.sqrt(contrast @ self.covariance @ contrast))
        reach = self.multiplier(level) * error
        with np.errstate(over="ignore"):  # with few patients a limit may be beyond any number
            lower, upper = (float(np.exp(value + side * reach)) for side in (-1, 1))
        return Estimate(
            quantity, float(np.exp(value)), lower, upper, level, unit, "log", self.n_patients, self.method, direction,
            p_value=p_from_wald(value / error, self.n_captured, self.coefficients.size),
        )  # fmt: skip


def _aggregate(
    thresholds: CensoredThresholds, design: NDArray[np.float64], capturable: NDArray[np.float64] | None
) -> tuple[IntervalData, NDArray[np.intp]]:
    """Distinct rows with weights, and the distinct row of every attempt."""
    # column by column with hashing: sorting whole rows costs fifty times as much on 100,000 attempts
    index = thresholds.cells().index
    columns = design if capturable is None else np.column_stack((design, capturable))
    for column in columns.T:
        codes, values = pd.factorize(column)
        index, _ = pd.factorize(index * values.size + codes)
    index = np.asarray(index, dtype=np.intp)
    count = int(index.max()) + 1
    first = np.empty(count, dtype=np.intp)
    first[index[::-1]] = np.arange(index.size)[::-1]
    weight = np.bincount(index, weights=thresholds.weight, minlength=count).astype(np.float64)
    data = IntervalData(
        thresholds.lower_ma[first], thresholds.upper_ma[first], design[first], weight,
        None if capturable is None else capturable[first],
    )  # fmt: skip
    return data, index


def _start(data: IntervalData) -> tuple[NDArray[np.float64], float]:
    """Least squares on interval midpoints: only a place to begin, never a result."""
    used = np.isfinite(data.upper_ma) if data.capturable is not None else np.ones(data.weight.size, dtype=bool)
    lower, design, weight = data.lower_ma[used], data.design[used], data.weight[used]
    upper = np.where(np.isinf(data.upper_ma[used]), 1.3 * np.maximum(lower, 1.0), data.upper_ma[used])
    middle = np.log((np.maximum(lower, 0.5 * upper) + upper) / 2)
    root = np.sqrt(weight)
    coefficients, *_ = np.linalg.lstsq(design * root[:, None], middle * root, rcond=None)
    residual = middle - design @ coefficients
    spread = float(np.sqrt(weight @ residual**2 / weight.sum()))
    return coefficients, max(spread, 0.1)


def _starts(family: Family, data: IntervalData) -> list[NDArray[np.float64]]:
    """Where to begin: several points where the likelihood may have several maxima."""
    coefficients, spread = _start(data)
    shares: list[NDArray[np.float64]] = [np.empty(0)]
    if data.capturable is not None:
        missed = float(data.weight[np.isinf(data.upper_ma)].sum() / data.weight.sum())
        # the intercept alone: most of those without capture, or a few of them, cannot be captured
        direction = np.linalg.lstsq(data.capturable, np.ones(data.weight.size), rcond=None)[0]
        shares = [direction * np.log((1 - share * missed) / (share * missed)) for share in (0.9, 0.3)]
    return [np.concatenate((coefficients, ancillary, share)) for ancillary in family.starts(spread) for share in shares]


def _check_estimable(data: IntervalData, names: tuple[str, ...]) -> None:
    """Say in words why a maximum cannot exist, where that can be seen beforehand."""
    if np.all(np.isinf(data.upper_ma)):
        raise NotEstimableError(
            "No attempt captured: every threshold is above the highest current tested (all right-censored)."
        )
    if np.all(data.lower_ma == 0):
        raise NotEstimableError("Every attempt captured at its first setting (all left-censored).")
    counted = np.isfinite(data.upper_ma) if data.capturable is not None else np.ones(data.weight.size, dtype=bool)
    lower, upper = data.lower_ma[counted], data.upper_ma[counted]
    # a degenerate distribution at a common point has likelihood one: the spread has no estimate
    shared_low, shared_high = lower.max(), upper.min()
    if shared_low < shared_high or ((lower == upper).all() and shared_low == shared_high):
        raise NotEstimableError(
            f"All thresholds are compatible with one single value between {shared_low:g} and {shared_high:g} mA, "
            "so their spread cannot be estimated."
        )
    for design in (data.design, data.capturable):
        if design is not None and np.linalg.matrix_rank(design) < design.shape[1]:
            raise NotEstimableError(
                f"The covariates {', '.join(names)} do not vary, or one follows from the others, in these attempts."
            )


def best_optimum(family: Family, data: IntervalData) -> Optimum:
    """Largest of the maxima that Newton's method finds from the family's starts.

    Raises
    ------
    NotEstimableError
        When none of the starts leads to a finite maximum.
    """
    found: list[Optimum] = []
    failure: NoMaximumError | None = None
    for start in _starts(family, data):
        try:
            found.append(maximise_newton(partial(total_terms, family, data), start, max_iterations=MOST_ITERATIONS))
        except NoMaximumError as error:
            failure = failure or error
    if not found:
        raise NotEstimableError(
            f"The {family.name} model has no finite estimate for these data: {failure}"
        ) from failure
    return max(found, key=lambda optimum: optimum.value)


def fit_regression(
    thresholds: CensoredThresholds,
    design: NDArray[np.float64],
    names: tuple[str, ...],
    *,
    family: Family,
    capturable: NDArray[np.float64] | None = None,
    capturable_names: tuple[str, ...] = (),
) -> ThresholdRegression:
    """Fit ``log T = x'b + r`` by maximum likelihood, optionally with a share that is never captured.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Outcomes.
    design : ndarray, shape (n, p)
        Covariates without missing values, intercept included.
    names : tuple of str
        Names of the columns.
    family : Family
        Distribution of ``r``.
    capturable : ndarray, shape (n, q), optional
        Covariates, intercept included, of the logit of the share that can be captured (Farewell 1982); everybody
        can be when omitted.
    capturable_names : tuple of str
        Names of its columns.

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
    share = None if capturable is None else np.asarray(capturable, dtype=float)
    data, index = _aggregate(thresholds, np.asarray(design, dtype=float), share)
    if share is not None and not np.isinf(data.upper_ma).any():
        raise NotEstimableError("Every attempt captured, so the share never captured is estimated as 0.")
    _check_estimable(data, (*names, *capturable_names))
    best = best_optimum(family, data)
    bread = np.asarray(np.linalg.inv(-best.hessian), dtype=np.float64)
    method = "observed information"
    covariance = bread
    if thresholds.clustered or not np.all(thresholds.weight == 1):
        covariance = _sandwich(family, data, best.x, index, thresholds, bread)
        method = "sandwich clustered by patient"
    coefficients, ancillary, share_coefficients = split_parameters(family, data, best.x)
    return ThresholdRegression(
        family, names, coefficients, ancillary, capturable_names, share_coefficients, covariance, method,
        best.value, len(thresholds), thresholds.n_patients, captured_patients(thresholds),
    )  # fmt: skip


def captured_patients(thresholds: CensoredThresholds) -> int:
    """Return the number of patients with at least one capture."""
    return int(pd.unique(thresholds.patient[np.isfinite(thresholds.upper_ma)]).size)


def _sandwich(
    family: Family,
    data: IntervalData,
    parameters: NDArray[np.float64],
    index: NDArray[np.intp],
    thresholds: CensoredThresholds,
    bread: NDArray[np.float64],
) -> NDArray[np.float64]:
    scores = row_scores(family, data, parameters)[index]
    scores = scores * thresholds.weight[:, None]
    patient, _ = pd.factorize(thresholds.patient)
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
    data, _ = _aggregate(thresholds, np.asarray(design, dtype=float), None)
    rest = np.delete(data.design, column, axis=1)
    start = np.delete(_starts(family, data)[0], column)

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
