"""What hangs on a single study: leave-one-out results and case diagnostics of a random-effects model."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from capstat.numerics.between_variance import Tau2Method, between_variance, contrasts, mean_design
from capstat.numerics.random_effects import method_words, pool
from capstat.numerics.weighted_studies import KnappHartung, checked_studies, weighted_fit
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["FEWEST_STUDIES_INFLUENCE", "Influence", "LeaveOneOut", "influence", "leave_one_out"]

FEWEST_STUDIES_INFLUENCE = 3


@dataclass(frozen=True, slots=True, eq=False)
class LeaveOneOut:
    """The pooled value without each study in turn; all arrays have shape (k,).

    Attributes
    ----------
    mu, se, lower, upper, p_value : ndarray
        Pooled value without the study, its standard error, limits and p-value.
    tau2, i2 : ndarray
        Variance between the other studies, and I2 in percent (``100 tau2/(tau2 + typical variance)``).
    q, q_p : ndarray
        Cochran's Q of the others and its p-value.
    method : str
        Model and limits.
    """

    mu: NDArray[np.float64]
    se: NDArray[np.float64]
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    p_value: NDArray[np.float64]
    tau2: NDArray[np.float64]
    i2: NDArray[np.float64]
    q: NDArray[np.float64]
    q_p: NDArray[np.float64]
    method: str


@dataclass(frozen=True, slots=True, eq=False)
class Influence:
    """Case diagnostics of a random-effects model; all arrays have shape (k,).

    Attributes
    ----------
    rstudent : ndarray
        Externally standardised residual: the study against what the others predict for it.
    dffits : ndarray
        Change of its fitted value in standard errors.
    cook_d : ndarray
        Cook's distance: squared change of ``mu`` over its variance.
    cov_r : ndarray
        Variance of ``mu`` without the study over that with it.
    tau2_deleted, q_deleted : ndarray
        Variance between the others, and their Q.
    hat : ndarray
        Hat value; the study's weight.
    dfbetas : ndarray
        Change of ``mu`` in standard errors at the deleted variance.
    method : str
        Model and limits.
    """

    rstudent: NDArray[np.float64]
    dffits: NDArray[np.float64]
    cook_d: NDArray[np.float64]
    cov_r: NDArray[np.float64]
    tau2_deleted: NDArray[np.float64]
    q_deleted: NDArray[np.float64]
    hat: NDArray[np.float64]
    dfbetas: NDArray[np.float64]
    method: str


def _at_least_three(k: int) -> None:
    if k < FEWEST_STUDIES_INFLUENCE:
        raise NotEstimableError("Two studies only: without one of them there is nothing to pool.")


def leave_one_out(
    yi: Any, vi: Any, *, tau2_method: Tau2Method, knapp_hartung: KnappHartung, level: float = 0.95
) -> LeaveOneOut:
    """Pool without each study in turn (arguments as :func:`capstat.numerics.random_effects.pool`).

    Raises
    ------
    UsageError
        When an argument is not as described.
    NotEstimableError
        With fewer than three studies, or when the others agree exactly and ``knapp_hartung`` is ``"hk"``.
    """
    y, v = checked_studies(yi, vi)
    _at_least_three(y.size)
    found, i2 = [], []
    for i in range(y.size):
        others = np.delete(y, i), np.delete(v, i)
        found.append(pool(*others, tau2_method=tau2_method, knapp_hartung=knapp_hartung, level=level))
        typical = contrasts(*others, mean_design(y.size - 1)).typical_variance
        i2.append(100 * found[-1].tau2 / (found[-1].tau2 + typical))

    def column(name: str) -> NDArray[np.float64]:
        return np.array([getattr(one, name) for one in found])

    return LeaveOneOut(
        mu=column("mu"),
        se=column("se"),
        lower=column("lower"),
        upper=column("upper"),
        p_value=column("p_value"),
        tau2=column("tau2"),
        i2=np.array(i2),
        q=column("q"),
        q_p=column("q_p"),
        method=f"leave-one-out, {found[0].method}",
    )


def influence(yi: Any, vi: Any, *, tau2_method: Tau2Method, knapp_hartung: KnappHartung) -> Influence:
    """Work out case diagnostics (Viechtbauer & Cheung 2010, from memory), as the R package metafor defines them.

    The variance between studies is estimated anew without each study.

    Raises
    ------
    UsageError, NotEstimableError
        As :func:`leave_one_out`.
    """
    y, v = checked_studies(yi, vi)
    k = y.size
    _at_least_three(k)
    design = mean_design(k)
    full = weighted_fit(y, v, design, between_variance(y, v, method=tau2_method))
    mu, variance = full.coefficients[0], full.covariance[0, 0] * full.variance_factor(knapp_hartung)
    deleted = np.empty((k, 5))
    for i in range(k):
        y_others, v_others = np.delete(y, i), np.delete(v, i)
        tau2 = between_variance(y_others, v_others, method=tau2_method)
        fit = weighted_fit(y_others, v_others, design[1:], tau2)
        factor = fit.variance_factor(knapp_hartung)
        q = weighted_fit(y_others, v_others, design[1:], 0.0).q
        deleted[i] = fit.coefficients[0], fit.covariance[0, 0] * factor, factor, tau2, q
    mu_without, variance_without, factors, tau2_without, q_without = deleted.T
    # the variance of mu from all studies, were tau2 what the others say
    at_deleted = 1 / (1 / (v + tau2_without[:, None])).sum(axis=1)
    return Influence(
        rstudent=(y - mu_without) / np.sqrt(factors * (v + tau2_without) + variance_without),
        dffits=(mu - mu_without) / np.sqrt(factors * full.hat * (v + tau2_without)),
        cook_d=(mu - mu_without) ** 2 / variance,
        cov_r=variance_without / variance,
        tau2_deleted=tau2_without,
        q_deleted=q_without,
        hat=full.hat,
        dfbetas=(mu - mu_without) / np.sqrt(factors * at_deleted),
        method=f"case diagnostics, {method_words(tau2_method, knapp_hartung)}",
    )
