"""Estimates of several studies with known variances: what they must be, and their weighted least-squares fit.

The model is normal at both levels, ``y_i ~ N(x_i' b, v_i + tau2)``, with the variances ``v_i`` taken as known (usual in
meta-analysis; Hardy & Thompson 1998, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from scipy import stats

from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["KnappHartung", "WeightedFit", "checked_studies", "checked_values", "interval_and_p", "weighted_fit"]

KnappHartung = Literal["hk", "hk-at-least-1"] | None


def checked_values(yi: Any, vi: Any) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return estimates and variances as arrays of shape (k,), k at least 1, or say what is wrong with them.

    Raises
    ------
    UsageError
        When the shapes differ, there is none, a number is not finite, or a variance is not above zero.
    """
    y, v = np.asarray(yi, dtype=float), np.asarray(vi, dtype=float)
    if y.ndim != 1 or y.shape != v.shape:
        raise UsageError(f"yi and vi need one number for each study; their shapes are {y.shape} and {v.shape}.")
    if not (np.isfinite(y).all() and np.isfinite(v).all()):
        raise UsageError("yi and vi must be finite numbers; leave a study out that has none.")
    if (v <= 0).any():
        raise UsageError("Every variance in vi must be above 0.")
    if y.size == 0:
        raise UsageError("There is no study.")
    return y, v


def checked_studies(yi: Any, vi: Any) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return estimates and variances as arrays of shape (k,), or say what is wrong with them.

    Raises
    ------
    UsageError
        When the shapes differ, a number is not finite, or a variance is not above zero.
    NotEstimableError
        When there are fewer than two studies.
    """
    if np.size(yi) == 0:
        raise NotEstimableError("There is no study to pool.")
    y, v = checked_values(yi, vi)
    if y.size == 1:
        raise NotEstimableError("one study only: nothing to pool")
    return y, v


@dataclass(frozen=True, slots=True, eq=False)
class WeightedFit:
    """Weighted least squares with weights ``1/(v_i + tau2)``.

    Attributes
    ----------
    coefficients : ndarray, shape (p,)
        Estimates.
    covariance : ndarray, shape (p, p)
        Conventional covariance, ``(X'WX)^-1``.
    weights : ndarray, shape (k,)
        ``1/(v_i + tau2)``.
    fitted, residuals : ndarray, shape (k,)
        ``x_i'b`` and ``y_i - x_i'b``.
    hat : ndarray, shape (k,)
        Diagonal of ``X (X'WX)^-1 X'W``.
    q : float
        Weighted sum of squared residuals.
    df : int
        ``k - p``.
    """

    coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64]
    weights: NDArray[np.float64]
    fitted: NDArray[np.float64]
    residuals: NDArray[np.float64]
    hat: NDArray[np.float64]
    q: float
    df: int

    def variance_factor(self, knapp_hartung: KnappHartung) -> float:
        """Return by what the conventional covariance is multiplied.

        Hartung & Knapp (2001, Stat Med 20:3875) for a mean, Knapp & Hartung (2003, Stat Med 22:2693, from memory) for a
        regression: ``q/(k - p)``, at least 1 with ``"hk-at-least-1"`` (the ad hoc variant of the same papers).

        Raises
        ------
        UsageError
            When ``knapp_hartung`` is none of the three choices.
        NotEstimableError
            When the factor would be zero, so that an interval would have no width.
        """
        if knapp_hartung is None:
            return 1.0
        if knapp_hartung not in {"hk", "hk-at-least-1"}:
            raise UsageError(
                f"knapp_hartung is 'hk', 'hk-at-least-1' or None, not {knapp_hartung!r}.",
            )
        factor = self.q / self.df
        if knapp_hartung == "hk-at-least-1":
            return max(1.0, factor)
        # what rounding leaves of estimates that agree
        if factor <= 1e-24 * max(1.0, float((self.weights * self.fitted**2).max())):
            raise NotEstimableError(
                "The studies agree exactly, so that the Hartung-Knapp variance is zero; "
                "'hk-at-least-1' or None gives an interval."
            )
        return factor


def weighted_fit(
    y: NDArray[np.float64], v: NDArray[np.float64], design: NDArray[np.float64], tau2: float
) -> WeightedFit:
    """Fit by weighted least squares through a QR decomposition of the weighted design (k, p), which has full rank."""
    weights = 1 / (v + tau2)
    root = np.sqrt(weights)
    q, r = np.linalg.qr(root[:, None] * design)
    # the fit of the residuals removes what rounding left of a large shift
    first = np.linalg.solve(r, q.T @ (root * y))
    coefficients = first + np.linalg.solve(r, q.T @ (root * (y - design @ first)))
    fitted = design @ coefficients
    residuals = y - fitted
    inverse = np.linalg.inv(r)
    k, p = design.shape
    return WeightedFit(
        coefficients,
        inverse @ inverse.T,
        weights,
        fitted,
        residuals,
        np.einsum("ij,ij->i", q, q),
        float(weights @ residuals**2),
        k - p,
    )


def interval_and_p(value: Any, se: Any, df: float, level: float) -> tuple[Any, Any, Any]:
    """Return symmetric limits and the two-sided p-value against zero by Student's t (normal at infinite ``df``)."""
    if not 0 < level < 1:
        raise UsageError(f"level is a share between 0 and 1, not {level!r}.")
    half = stats.t.ppf(0.5 + level / 2, df) * se
    return value - half, value + half, 2 * stats.t.sf(np.abs(value) / se, df)
