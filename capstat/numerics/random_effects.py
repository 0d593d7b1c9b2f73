"""Pooling the estimates of several studies: common-effect and random-effects models, and the prediction interval."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from scipy import stats

from capstat.numerics.between_variance import Tau2Method, between_variance, mean_design
from capstat.numerics.weighted_studies import KnappHartung, checked_studies, interval_and_p, weighted_fit

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "FEWEST_STUDIES_PREDICTION",
    "PooledEstimate",
    "Prediction",
    "method_words",
    "pool",
    "pool_common",
    "prediction_interval",
]

FEWEST_STUDIES_PREDICTION = 3
TAU2_WORDS = {"DL": "DerSimonian-Laird", "PM": "Paule-Mandel", "REML": "restricted maximum likelihood"}
LIMIT_WORDS = {
    None: "normal limits",
    "hk": "Hartung-Knapp limits",
    "hk-at-least-1": "Hartung-Knapp limits, variance factor at least 1",
}


@dataclass(frozen=True, slots=True, eq=False)
class PooledEstimate:
    """One value for several studies.

    Attributes
    ----------
    mu : float
        Mean of the studies' true values (their common value in the common-effect model).
    se : float
        Standard error that the limits rest on.
    conventional_se : float
        ``1/sqrt(sum w)``, without the Hartung-Knapp factor.
    lower, upper : float
        Limits of ``mu``.
    level : float
        Confidence level.
    df : float
        Degrees of freedom of the limits; infinite for normal ones.
    p_value : float
        Two-sided, against ``mu = 0``.
    variance_factor : float
        Hartung-Knapp factor; 1 for normal limits.
    tau2 : float
        Variance between studies.
    tau2_method : str
        ``"DL"``, ``"PM"``, ``"REML"``, or ``"common"`` where it was taken to be zero.
    weights : ndarray, shape (k,)
        Sum 1.
    k : int
        Studies.
    q, q_p : float
        Cochran's Q and its p-value by chi-square with ``q_df`` degrees of freedom.
    q_df : int
        ``k - 1``.
    method : str
        Model and limits in words.
    """

    mu: float
    se: float
    conventional_se: float
    lower: float
    upper: float
    level: float
    df: float
    p_value: float
    variance_factor: float
    tau2: float
    tau2_method: Tau2Method | Literal["common"]
    weights: NDArray[np.float64]
    k: int
    q: float
    q_df: int
    q_p: float
    method: str


@dataclass(frozen=True, slots=True)
class Prediction:
    """Where the true value of a new study may lie.

    Attributes
    ----------
    lower, upper : float or None
        Limits; ``None`` when there are none.
    level : float
        Level.
    df : int or None
        Degrees of freedom.
    method : str
        Convention, by its name.
    reason : str
        Why there are no limits; empty when there are.
    """

    lower: float | None
    upper: float | None
    level: float
    df: int | None
    method: str
    reason: str = ""


def method_words(tau2_method: Tau2Method, knapp_hartung: KnappHartung) -> str:
    """Name the estimator of the variance between studies, and the limits."""
    return f"{TAU2_WORDS[tau2_method]}, {LIMIT_WORDS[knapp_hartung]}"


def _pooled(
    y: NDArray[np.float64],
    v: NDArray[np.float64],
    tau2: float,
    tau2_method: Tau2Method | Literal["common"],
    knapp_hartung: KnappHartung,
    level: float,
) -> PooledEstimate:
    design = mean_design(y.size)
    fit = weighted_fit(y, v, design, tau2)
    factor = fit.variance_factor(knapp_hartung)
    mu, plain = float(fit.coefficients[0]), float(np.sqrt(fit.covariance[0, 0]))
    se = plain * float(np.sqrt(factor))
    df = np.inf if knapp_hartung is None else float(fit.df)
    lower, upper, p = interval_and_p(mu, se, df, level)
    q = weighted_fit(y, v, design, 0.0).q
    if tau2_method == "common":
        method = "common-effect model, inverse-variance weights, normal limits"
    else:
        method = f"random-effects model, {method_words(tau2_method, knapp_hartung)}"
    return PooledEstimate(
        mu=mu,
        se=se,
        conventional_se=plain,
        lower=float(lower),
        upper=float(upper),
        level=level,
        df=df,
        p_value=float(p),
        variance_factor=factor,
        tau2=tau2,
        tau2_method=tau2_method,
        weights=fit.weights / fit.weights.sum(),
        k=y.size,
        q=q,
        q_df=fit.df,
        q_p=float(stats.chi2.sf(q, fit.df)),
        method=method,
    )


def pool(
    yi: Any, vi: Any, *, tau2_method: Tau2Method, knapp_hartung: KnappHartung, level: float = 0.95
) -> PooledEstimate:
    """Pool by the random-effects model.

    Parameters
    ----------
    yi, vi : array-like, shape (k,)
        Estimates of the studies on a scale on which they are about normal, and their variances.
    tau2_method : {"DL", "PM", "REML"}
        Estimator of the variance between studies (see :func:`~capstat.numerics.between_variance.between_variance`).
    knapp_hartung : {"hk", "hk-at-least-1", None}
        Limits by t with k - 1 degrees of freedom and the Hartung-Knapp variance as it is, or with a factor of at least
        1, or normal limits.  With few studies normal limits are too narrow, because the variance between studies is
        taken as known; the factor as it is may make limits narrower than those of the common-effect model.
    level : float
        Confidence level.

    Raises
    ------
    UsageError
        When an argument is not as described.
    NotEstimableError
        With one study, and with ``"hk"`` when all studies agree exactly.
    """
    y, v = checked_studies(yi, vi)
    tau2 = between_variance(y, v, method=tau2_method)
    return _pooled(y, v, tau2, tau2_method, knapp_hartung, level)


def pool_common(yi: Any, vi: Any, *, level: float = 0.95) -> PooledEstimate:
    """Pool by the common-effect model: inverse-variance weights, normal limits, no variance between studies.

    Raises
    ------
    UsageError
        When an argument is not as described in :func:`pool`.
    NotEstimableError
        With one study.
    """
    y, v = checked_studies(yi, vi)
    return _pooled(y, v, 0.0, "common", None, level)


def prediction_interval(pooled: PooledEstimate) -> Prediction:
    """Limits for the true value in a new study like these: ``mu +- t_{k-2} sqrt(tau2 + se^2)``.

    Higgins, Thompson & Spiegelhalter (2009, J R Stat Soc A 172:137).  The standard error is the conventional one,
    whatever the limits of ``mu`` rest on.  With a variance between studies of zero it says no more than t limits of
    ``mu``.
    """
    method = "prediction interval of Higgins, Thompson and Spiegelhalter (2009): t with k - 2 degrees of freedom"
    reason = ""
    if pooled.tau2_method == "common":
        reason = "The common-effect model has no distribution from which a new study could come."
    elif pooled.k < FEWEST_STUDIES_PREDICTION:
        reason = f"A prediction interval needs {FEWEST_STUDIES_PREDICTION} studies; there are {pooled.k}."
    if reason:
        return Prediction(None, None, pooled.level, None, method, reason)
    df = pooled.k - 2
    spread = float(np.sqrt(pooled.tau2 + pooled.conventional_se**2))
    lower, upper, _ = interval_and_p(pooled.mu, spread, df, pooled.level)
    return Prediction(float(lower), float(upper), pooled.level, df, method)
