"""Distribution of a count whose share has a normal or a Student t distribution on the logit scale."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import stats
from scipy.special import expit, ndtr, stdtr

from capstat.numerics.quadrature import log_concave_nodes

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["central_counts", "count_cdf"]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(20)
# smaller scales change no probability by more than rounding does
_SMALLEST_SCALE = 1e-14


def _graded(
    eta: NDArray[np.float64], bend: float, location: float, scale: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Panels that are narrow around ``location`` and grow away from it by half an octave each.

    The distribution function of theta bends within a scale of its location, further out within the distance from it.
    """
    left, right = eta[:, :1], eta[:, -1:]
    reach = float(np.abs(np.stack([left, right]) - location).max())
    steps = scale * 2.0 ** (np.arange(2 + max(0, int(np.ceil(2 * np.log2(reach / scale))))) / 2)
    rungs = np.clip(np.concatenate([location - steps, [location], location + steps]), left, right)
    panels = max(1, int(np.ceil(float((right - left).max()) * np.sqrt(bend) / 6)))
    edges = np.sort(np.hstack([left + (right - left) * np.linspace(0, 1, panels + 1), rungs]), axis=1)
    half = np.diff(edges, axis=1)[:, :, None] / 2
    nodes = edges[:, :-1, None] + half * (1 + _NODES)
    return nodes.reshape(len(eta), -1), (half * _WEIGHTS).reshape(len(eta), -1)


def count_cdf(x: Any, n: int, location: float, scale: float, df: float = np.inf) -> NDArray[np.float64]:
    """``P(X <= x)`` for ``X ~ Bin(n, expit(theta))`` with ``theta = location + scale T``, T Student t or normal.

    ``P(X <= x | theta) = P(logit B > theta)`` with ``B ~ Beta(x + 1, n - x)``, so that the answer is the mean of the
    distribution function of theta over the density of ``logit B``.  That density is smooth and log-concave whatever the
    tails of theta.

    Parameters
    ----------
    x : array_like of int, shape (m,)
        Counts; below 0 the answer is 0, from n on it is 1.
    n : int
        Observations.
    location, scale : float
        Of theta; a scale of 0 gives the binomial distribution.
    df : float
        Degrees of freedom; infinite for a normal theta.

    Returns
    -------
    ndarray, shape (m,)
    """
    counts = np.atleast_1d(np.asarray(x, dtype=float))
    answer = np.where(counts < 0, 0.0, 1.0)
    inside = (counts >= 0) & (counts < n)
    if scale < _SMALLEST_SCALE:
        answer[inside] = stats.binom.cdf(counts[inside], n, expit(location))
        return answer
    if not inside.any():
        return answer
    first = counts[inside][:, None] + 1

    def log_density(eta: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(first * eta - (n + 1) * np.logaddexp(0, eta))

    def slope(eta: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(first - (n + 1) * expit(eta))

    bend = (n + 1) / 4
    eta, weights = log_concave_nodes(log_density, slope, bend, first.size)
    if scale**2 * bend < 9:
        # panels must not be wider than two scales near the location: there the poles of a t distribution are close
        eta, weights = _graded(eta, bend, location, scale)
    standard = (eta - location) / scale
    below = ndtr(standard) if np.isinf(df) else stdtr(df, standard)
    height = log_density(eta)
    mass = weights * np.exp(height - height.max(axis=1, keepdims=True))
    # divided by its own sum, so that no beta function is needed
    answer[inside] = (mass * below).sum(axis=1) / mass.sum(axis=1)
    return answer


def central_counts(n: int, location: float, scale: float, df: float, level: float) -> tuple[int, int]:
    """Counts between which X lies with probability ``level`` or more, at most half of the rest on each side."""
    tail = (1 - level) / 2

    def first_above(share: float) -> int:
        # the first count whose distribution function exceeds the share
        low, high = -1, n
        while high - low > 1:
            middle = (low + high) // 2
            if count_cdf(middle, n, location, scale, df)[0] > share:
                high = middle
            else:
                low = middle
        return high

    lower = first_above(tail)
    # where P(X <= x) is 1 - tail exactly, x is high enough already; rounding makes that a matter of taste
    return lower, max(lower, first_above(1 - tail))
