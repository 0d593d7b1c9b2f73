"""Meta-regression: do the true values of studies go along with what differs between the studies?

A covariate of studies is not randomised: what is found here is an association between studies.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import stats

from capstat.numerics.between_variance import Tau2Method, between_variance, contrasts, mean_design
from capstat.numerics.random_effects import method_words
from capstat.numerics.weighted_studies import KnappHartung, checked_studies, interval_and_p, weighted_fit
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["FEWEST_STUDIES_PER_COVARIATE", "JointTest", "MetaRegression", "fit_regression", "meta_regression"]

FEWEST_STUDIES_PER_COVARIATE = 10
INTERCEPT = "intercept"


@dataclass(frozen=True, slots=True)
class JointTest:
    """Test that several coefficients are zero.

    Attributes
    ----------
    statistic : float
        ``QM`` (chi-square), or ``F`` where the limits are by t.
    df : int
        Coefficients tested.
    df_error : float
        Degrees of freedom of the denominator; infinite for chi-square.
    p_value : float
        P-value.
    """

    statistic: float
    df: int
    df_error: float
    p_value: float


@dataclass(frozen=True, slots=True, eq=False)
class MetaRegression:
    """Mixed-effects regression of the studies' values; p coefficients, the first of them the intercept.

    Attributes
    ----------
    names : tuple of str
        ``"intercept"``, then the covariates.
    coefficients, se, lower, upper, p_value : ndarray, shape (p,)
        Estimates, standard errors, limits, and two-sided p-values against zero.
    covariance : ndarray, shape (p, p)
        With the Knapp-Hartung factor where that was chosen.
    df : float
        Of the limits; infinite for normal ones.
    level : float
        Confidence level.
    variance_factor : float
        Knapp-Hartung factor; 1 for normal limits.
    tau2 : float
        Variance between studies that the covariates leave.
    tau2_without : float
        The same without covariates.
    r2 : float or None
        ``100 max(0, 1 - tau2/tau2_without)`` in percent: the share of the variance between studies that goes along with
        the covariates; ``None`` where there is none to begin with (``r2_reason``).  Very uncertain with few studies.
    r2_reason : str
        Why ``r2`` is ``None``.
    i2, h2 : float
        Of what the covariates leave, by ``tau2`` and the typical variance.
    test : JointTest
        Of all covariates.
    qe, qe_p : float
        Q of the residuals and its p-value by chi-square with ``qe_df`` degrees of freedom.
    qe_df : int
        ``k - p``.
    k : int
        Studies.
    method : str
        Model and limits.
    """

    names: tuple[str, ...]
    coefficients: NDArray[np.float64]
    se: NDArray[np.float64]
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    p_value: NDArray[np.float64]
    covariance: NDArray[np.float64]
    df: float
    level: float
    variance_factor: float
    tau2: float
    tau2_without: float
    r2: float | None
    r2_reason: str
    i2: float
    h2: float
    test: JointTest
    qe: float
    qe_df: int
    qe_p: float
    k: int
    method: str


def _check_rank(design: NDArray[np.float64], names: Sequence[str]) -> None:
    """Refuse the first column that the columns before it already determine."""
    spread = np.abs(design[:, 1:] - design[:, 1:].mean(axis=0)).max(axis=0)
    size = np.abs(design[:, 1:]).max(axis=0)
    for name, wide, large in zip(names[1:], spread, size, strict=True):
        if wide <= 1e-12 * large:
            raise NotEstimableError(f"The covariate {name} is the same in all studies.")
    scaled = np.column_stack([design[:, 0], (design[:, 1:] - design[:, 1:].mean(axis=0)) / spread])
    for j in range(2, scaled.shape[1]):
        before, column = scaled[:, :j], scaled[:, j]
        left = column - before @ np.linalg.lstsq(before, column, rcond=None)[0]
        if np.abs(left).max() <= 1e-9:
            raise NotEstimableError(f"The covariate {names[j]} is determined by the covariates before it.")


def fit_regression(
    y: NDArray[np.float64],
    v: NDArray[np.float64],
    design: NDArray[np.float64],
    names: Sequence[str],
    *,
    tau2_method: Tau2Method,
    knapp_hartung: KnappHartung,
    level: float = 0.95,
) -> MetaRegression:
    """Fit by weighted least squares; ``design`` (k, p) begins with a column of ones and has full rank.

    How many studies there must be for each covariate is left to the caller.
    """
    k, p = design.shape
    tau2 = between_variance(y, v, method=tau2_method, design=design)
    tau2_without = between_variance(y, v, method=tau2_method)
    fit = weighted_fit(y, v, design, tau2)
    factor = fit.variance_factor(knapp_hartung)
    covariance = fit.covariance * factor
    se = np.sqrt(np.diag(covariance))
    df = np.inf if knapp_hartung is None else float(k - p)
    lower, upper, p_value = interval_and_p(fit.coefficients, se, df, level)
    qm = float(fit.coefficients[1:] @ np.linalg.solve(covariance[1:, 1:], fit.coefficients[1:]))
    if knapp_hartung is None:
        test = JointTest(qm, p - 1, np.inf, float(stats.chi2.sf(qm, p - 1)))
    else:
        test = JointTest(qm / (p - 1), p - 1, df, float(stats.f.sf(qm / (p - 1), p - 1, df)))
    parts = contrasts(y, v, design)
    qe, typical = parts.q(0.0), parts.typical_variance
    return MetaRegression(
        names=tuple(names),
        coefficients=fit.coefficients,
        se=se,
        lower=lower,
        upper=upper,
        p_value=p_value,
        covariance=covariance,
        df=df,
        level=level,
        variance_factor=factor,
        tau2=tau2,
        tau2_without=tau2_without,
        r2=100 * max(0.0, 1 - tau2 / tau2_without) if tau2_without > 0 else None,
        r2_reason="" if tau2_without > 0 else "Without covariates the variance between studies is zero already.",
        i2=100 * tau2 / (tau2 + typical),
        h2=(tau2 + typical) / typical,
        test=test,
        qe=qe,
        qe_df=k - p,
        qe_p=float(stats.chi2.sf(qe, k - p)),
        k=k,
        method=f"mixed-effects meta-regression, {method_words(tau2_method, knapp_hartung)}",
    )


def meta_regression(
    yi: Any,
    vi: Any,
    covariates: Any,
    *,
    names: Sequence[str],
    tau2_method: Tau2Method,
    knapp_hartung: KnappHartung,
    level: float = 0.95,
) -> MetaRegression:
    """Regress the studies' values on covariates of the studies.

    Knapp & Hartung (2003, Stat Med 22:2693, from memory) for limits and tests by t and F.

    Parameters
    ----------
    yi, vi : array-like, shape (k,)
        Estimates and variances.
    covariates : array-like, shape (k, m) or (k,)
        One row for each study; the intercept is added.
    names : sequence of str, length m
        Names of the covariates.
    tau2_method, knapp_hartung, level
        As in :func:`capstat.numerics.random_effects.pool`.

    Raises
    ------
    UsageError
        When an argument is not as described, or a covariate is missing in a study.
    NotEstimableError
        With fewer than ten studies for each covariate (rule of thumb of the Cochrane Handbook, from memory), and when a
        covariate is the same in all studies or is determined by those before it.
    """
    y, v = checked_studies(yi, vi)
    values = np.asarray(covariates, dtype=float)
    values = values[:, None] if values.ndim == 1 else values
    k, m = y.size, len(names)
    if values.shape != (k, m) or m == 0:
        raise UsageError(
            f"covariates need one row for each of the {k} studies and one column for each name; "
            f"their shape is {values.shape} with {m} names."
        )
    for name, finite in zip(names, np.isfinite(values).all(axis=0), strict=True):
        if not finite:
            raise UsageError(f"The covariate {name} must be a finite number in every study.")
    if k < FEWEST_STUDIES_PER_COVARIATE * m:
        raise NotEstimableError(
            f"A meta-regression needs {FEWEST_STUDIES_PER_COVARIATE} studies for each covariate; "
            f"there are {k} studies and {m} {'covariate' if m == 1 else 'covariates'}."
        )
    design = np.column_stack([mean_design(k), values])
    _check_rank(design, [INTERCEPT, *names])
    return fit_regression(
        y, v, design, [INTERCEPT, *names], tau2_method=tau2_method, knapp_hartung=knapp_hartung, level=level
    )
