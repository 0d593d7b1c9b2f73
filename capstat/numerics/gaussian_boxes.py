"""Log probability that a multivariate normal vector lies in a box, for many boxes at once.

Sequential conditioning with fixed quasi-random points (Genz 1992; Geweke, Hajivassiliou and Keane; from memory): each
coordinate is given the ones before it, its conditional probability enters a product, and a point inside its side takes
its place in what follows.  The points are the same for every call, so the value is a smooth function of means and
covariances.  Everything is kept as logarithms and counted from the tail in which it lies: far boxes keep their digits.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy import special
from scipy.stats import qmc

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["log_boxes"]

SCRAMBLE = 20261125
# Sobol numbers are multiples of 2^-30; the middle of such a cell is neither 0 nor 1
HALF_CELL = 2.0**-31
# numbers held at once in one temporary: they stay in the cache
BLOCK = 65536


@lru_cache(maxsize=32)
def _points(dimensions: int, log2_points: int) -> NDArray[np.float64]:
    """Scrambled Sobol points, in one dimension midpoints, shape (dimensions, points)."""
    if dimensions == 1:
        return (np.arange(2.0**log2_points) + 0.5)[None, :] / 2.0**log2_points
    sobol = qmc.Sobol(dimensions, scramble=True, rng=np.random.default_rng(SCRAMBLE))
    points = np.ascontiguousarray(sobol.random_base2(log2_points).T) + HALF_CELL
    points.setflags(write=False)
    return points


def _side(
    low: NDArray[np.float64], high: NDArray[np.float64], u: NDArray[np.float64] | None
) -> tuple[NDArray[np.float64], NDArray[np.float64] | None]:
    """Log probability of (low, high] under the standard normal law, and its quantile ``u`` inside the side.

    Sides that lie more above zero than below are mirrored, so that the probabilities that are subtracted are small.
    """
    mirrored = low > -high
    a, b = np.where(mirrored, -high, low), np.where(mirrored, -low, high)
    log_below = special.log_ndtr(b)
    # share of everything below b that is above a
    share = -np.expm1(special.log_ndtr(a) - log_below)
    with np.errstate(divide="ignore"):
        log_probability = log_below + np.log(share)
    if u is None:
        return log_probability, None
    left_out = np.where(mirrored, u, 1 - u)
    inside = np.clip(special.ndtri_exp(log_below + np.log1p(-left_out * share)), a, b)
    return log_probability, np.where(mirrored, -inside, inside)


def _log_boxes(
    low: NDArray[np.float64], high: NDArray[np.float64], factor: NDArray[np.float64], points: NDArray[np.float64]
) -> NDArray[np.float64]:
    n, d = low.shape
    inside = np.empty((d - 1, n, points.shape[1]))
    total = np.zeros((n, points.shape[1]))
    for j in range(d):
        before = np.einsum("nk,knm->nm", factor[:, j, :j], inside[:j])
        own = factor[:, j, j, None]
        log_probability, position = _side(
            (low[:, j, None] - before) / own, (high[:, j, None] - before) / own, points[j] if j < d - 1 else None
        )
        total += log_probability
        if position is not None:
            inside[j] = position
    return np.asarray(special.logsumexp(total, axis=1) - np.log(points.shape[1]))


def log_boxes(
    lower: NDArray[np.float64],
    upper: NDArray[np.float64],
    mean: NDArray[np.float64],
    covariance: NDArray[np.float64],
    *,
    log2_points: int = 8,
) -> NDArray[np.float64]:
    """Log probability of every box.

    Parameters
    ----------
    lower, upper : ndarray, shape (n, d)
        Sides; infinite ones are open.  Coordinates that are open on both sides cost accuracy unless they come last,
        where they cost nothing: boxes of fewer dimensions may be filled up with them.
    mean : ndarray, shape (n, d) or (d,)
        Means.
    covariance : ndarray, shape (n, d, d) or (d, d)
        Positive definite covariances.
    log2_points : int
        Base-2 logarithm of the number of points.

    Returns
    -------
    ndarray, shape (n,)
        Exact for ``d = 1`` and for independent coordinates.

    Raises
    ------
    ValueError
        When a lower side is not below its upper side, or shapes do not fit.
    numpy.linalg.LinAlgError
        When a covariance is not positive definite.
    """
    lower, upper = np.asarray(lower, dtype=float), np.asarray(upper, dtype=float)
    if lower.ndim != 2 or lower.shape != upper.shape or lower.shape[1] == 0:
        raise ValueError(f"Sides must be two tables of the same shape (n, d), not {lower.shape} and {upper.shape}.")
    if not np.all(lower < upper):
        raise ValueError("Every lower side must be below its upper side.")
    n, d = lower.shape
    factor = np.broadcast_to(np.linalg.cholesky(np.asarray(covariance, dtype=float)), (n, d, d))
    low, high = lower - mean, upper - mean
    points = _points(d - 1, log2_points) if d > 1 else np.empty((0, 1))
    found = np.empty(n)
    rows = max(BLOCK // points.shape[1], 1)
    for start in range(0, n, rows):
        part = slice(start, start + rows)
        found[part] = _log_boxes(low[part], high[part], factor[part], points)
    return found
