"""Variance between studies: moment, generalised Q and restricted-likelihood estimators.

Contrasts of the estimates that are free of the coefficients are turned so that they are independent: with ``K'X = 0``,
``K'K = I`` and ``K' diag(v) K = U diag(a) U'``, the contrasts ``u = U'K'y`` are N(0, a_j + tau2).  Then
``Q(tau2) = sum u_j^2 / (a_j + tau2)`` and the restricted log-likelihood is a sum of k - p independent normal terms,
each highest at ``u_j^2 - a_j``: no maximum lies beyond the largest of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy import optimize

from capstat.numerics.weighted_studies import checked_studies, weighted_fit
from capstat.results import UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Contrasts", "Tau2Method", "between_variance", "contrasts", "mean_design", "variance_at_q"]

Tau2Method = Literal["DL", "PM", "REML"]
# places at which the slope of the restricted likelihood is looked at, evenly in log(a + tau2): over a dozen decades
# still 33 for each, and no single term of the slope changes faster than that
GRID = 400


@dataclass(frozen=True, slots=True, eq=False)
class Contrasts:
    """Independent contrasts, N(0, a_j + tau2).

    Attributes
    ----------
    a : ndarray, shape (k - p,)
        Their variances without any variance between studies.
    u2 : ndarray, shape (k - p,)
        Their squares.
    """

    a: NDArray[np.float64]
    u2: NDArray[np.float64]

    @property
    def df(self) -> int:
        """Number of contrasts, k - p."""
        return self.a.size

    @property
    def typical_variance(self) -> float:
        """Typical variance within studies, ``(k - p)/tr(P)`` (Higgins & Thompson 2002; here ``tr(P) = sum 1/a``)."""
        return float(self.df / (1 / self.a).sum())

    def q(self, tau2: float) -> float:
        """Return the generalised Q statistic; it falls with ``tau2``."""
        return float((self.u2 / (self.a + tau2)).sum())

    def log_likelihood(self, tau2: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the restricted log-likelihood at each ``tau2``, without its constant."""
        total = self.a + tau2[:, None]
        return -0.5 * np.asarray((np.log(total) + self.u2 / total).sum(axis=1))

    def slope(self, tau2: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return twice the derivative of the restricted log-likelihood at each ``tau2``."""
        total = self.a + tau2[:, None]
        return np.asarray(((self.u2 - total) / total**2).sum(axis=1))


def mean_design(k: int) -> NDArray[np.float64]:
    """Design of a mean: one column of ones."""
    return np.ones((k, 1))


def contrasts(y: NDArray[np.float64], v: NDArray[np.float64], design: NDArray[np.float64]) -> Contrasts:
    """Turn estimates into independent contrasts; ``design`` (k, p) has full rank below k."""
    full = np.linalg.qr(design, mode="complete")[0]
    p = design.shape[1]
    kernel, span = full[:, p:], full[:, :p]
    a, turn = np.linalg.eigh(kernel.T @ (v[:, None] * kernel))
    # the mean is taken out first, so that a large shift leaves no rounding behind
    u = turn.T @ (kernel.T @ (y - span @ (span.T @ y)))
    # every a lies between the smallest and the largest variance
    return Contrasts(np.clip(a, v.min(), v.max()), u**2)


def variance_at_q(parts: Contrasts, q: float) -> float:
    """Return where the generalised Q is ``q`` (above zero); 0 when it is below ``q`` everywhere."""
    if parts.q(0.0) <= q:
        return 0.0
    most = float(parts.u2.sum()) / q
    return float(optimize.brentq(lambda t: parts.q(t) - q, 0.0, most, xtol=1e-15 * most, maxiter=500))


def _restricted_maximum(parts: Contrasts) -> float:
    """Return the highest of all maxima of the restricted likelihood that a grid shows, zero included."""
    most = float((parts.u2 - parts.a).max())
    if most <= 0:
        return 0.0
    low = float(parts.a.min())
    grid = np.append(0.0, np.geomspace(low, most + low, GRID)[1:] - low)
    # at the last point nothing rises any more, save by rounding
    slope = parts.slope(grid)
    rises, falls = slope[:-1] > 0, slope[1:] <= 0
    found = [0.0] if slope[0] <= 0 else []
    found += [
        float(
            optimize.brentq(
                lambda t: float(parts.slope(np.array([t]))[0]), grid[i], grid[i + 1], xtol=1e-15 * most, maxiter=500
            )
        )
        for i in np.flatnonzero(rises & falls)
    ]
    if slope[-1] > 0:
        found.append(most)
    places = np.array(found)
    return float(places[np.argmax(parts.log_likelihood(places))])


def between_variance(
    yi: NDArray[np.float64],
    vi: NDArray[np.float64],
    *,
    method: Tau2Method,
    design: NDArray[np.float64] | None = None,
) -> float:
    """Estimate the variance between studies, never below zero.

    Parameters
    ----------
    yi, vi : ndarray, shape (k,)
        Estimates and their variances.
    method : str
        ``"DL"``: DerSimonian & Laird (1986, Control Clin Trials 7:177), cut off at zero.  ``"PM"``: Paule & Mandel
        (1982, J Res NBS 87:377), the variance at which Q equals its degrees of freedom.  ``"REML"``: restricted
        maximum likelihood (Viechtbauer 2005, from memory); of several maxima the highest.
    design : ndarray, shape (k, p), or None
        Covariates with a column of ones; ``None`` for a mean.

    Raises
    ------
    UsageError
        When an argument is not as described.
    NotEstimableError
        When there are fewer than two studies.
    """
    y, v = checked_studies(yi, vi)
    X = mean_design(y.size) if design is None else design
    if method == "DL":
        fit = weighted_fit(y, v, X, 0.0)
        return max(0.0, (fit.q - fit.df) / float((fit.weights * (1 - fit.hat)).sum()))
    parts = contrasts(y, v, X)
    if method == "PM":
        return variance_at_q(parts, float(parts.df))
    if method == "REML":
        return _restricted_maximum(parts)
    raise UsageError(f"tau2_method is 'DL', 'PM' or 'REML', not {method!r}.")
