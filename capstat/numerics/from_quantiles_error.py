"""How sure a mean and an SD are that were made from printed quantiles.

They are weighted sums of order statistics, so their variances follow from the expectations and covariances of the order
statistics of a normal sample, worked out here by integration for any sample size.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.optimize import brentq
from scipy.special import expit, gammaln, ndtri, polygamma, psi

from capstat.numerics.from_quantiles import luo_weights, wan_sd_weights
from capstat.results import UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.numerics.from_quantiles import Pattern

__all__ = ["mean_standard_error", "median_standard_error", "normal_order_moments", "sd_degrees"]

_NODES: Final = 201
_FIVE: Final = np.array([0.0, 0.25, 0.5, 0.75, 1.0])


def _beta_nodes(a: float, b: float) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Nodes x, 1 - x and weights of a Beta(a, b) law: equal steps in the logit, where the density falls at both ends.

    The trapezoidal rule converges geometrically for such integrands (Trefethen & Weideman 2014, from memory).
    """
    centre = float(psi(a) - psi(b))
    spread = 9 * float(np.sqrt(polygamma(1, a) + polygamma(1, b)))
    t = np.linspace(centre - spread - 40 / a, centre + spread + 40 / b, _NODES)
    x, rest = expit(t), expit(-t)
    log_weight = -a * np.logaddexp(0.0, -t) - b * np.logaddexp(0.0, t)
    weight = np.exp(log_weight - log_weight.max())
    return x, rest, weight / weight.sum()


def _normal_quantile(x: NDArray[np.float64], rest: NDArray[np.float64]) -> NDArray[np.float64]:
    """Normal quantile of x where ``rest`` is 1 - x, without loss of digits at either end."""
    return np.where(x < 0.5, ndtri(np.minimum(x, 0.5)), -ndtri(np.minimum(rest, 0.5)))


def _covariance(n: int, low: int, high: int) -> float:
    """Covariance of the order statistics of ranks ``low < high``: below the higher, the lower has a Beta law."""
    v, v_rest, outer = _beta_nodes(high, n - high + 1)
    u, u_rest, inner = _beta_nodes(low, high - low)
    upper = _normal_quantile(v, v_rest)
    lower = _normal_quantile(np.outer(v, u), v_rest[:, None] + np.outer(v, u_rest)) @ inner
    return float(outer @ ((upper - outer @ upper) * (lower - outer @ lower)))


@lru_cache(maxsize=256)
def normal_order_moments(n: int, ranks: tuple[int, ...]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Expectations and covariances of order statistics of n standard normal observations.

    Parameters
    ----------
    n : int
        Size of the sample.
    ranks : tuple of int
        Ranks from 1 to n, increasing.

    Returns
    -------
    expectations : ndarray, shape (k,)
        Read-only.
    covariance : ndarray, shape (k, k)
        Read-only.

    Raises
    ------
    UsageError
        When a rank lies outside 1 to n, or ranks do not increase.
    """
    if not ranks or ranks[0] < 1 or ranks[-1] > n or any(a >= b for a, b in pairwise(ranks)):
        raise UsageError(f"Ranks must increase from at least 1 to at most {n}; they are {ranks}.")
    expectations, covariance = np.empty(len(ranks)), np.empty((len(ranks), len(ranks)))
    for i, rank in enumerate(ranks):
        x, rest, weight = _beta_nodes(rank, n - rank + 1)
        z = _normal_quantile(x, rest)
        expectations[i] = weight @ z
        covariance[i, i] = weight @ (z - expectations[i]) ** 2
        for j, lower in enumerate(ranks[:i]):
            covariance[i, j] = covariance[j, i] = _covariance(n, lower, rank)
    expectations.flags.writeable = covariance.flags.writeable = False
    return expectations, covariance


@lru_cache(maxsize=1024)
def _moments_of_sum(weights: tuple[float, ...], n: int) -> tuple[float, float]:
    """Expectation and variance of a weighted sum of minimum, q1, median, q3 and maximum of n standard normals.

    A quantile lies at the position 1 + (n - 1)p between order statistics, as in most spreadsheets; programs differ,
    which matters below about 10 observations.
    """
    used: dict[int, float] = {}
    for weight, position in zip(weights, 1 + (n - 1) * _FIVE, strict=True):
        below = int(position)
        for rank, share in ((below, 1 - (position - below)), (below + 1, position - below)):
            if weight * share:
                used[rank] = used.get(rank, 0.0) + weight * share
    ranks = tuple(sorted(used))
    expectations, covariance = normal_order_moments(n, ranks)
    w = np.array([used[rank] for rank in ranks])
    return float(w @ expectations), float(w @ covariance @ w)


def _checked(n: int, sd: float = 1.0) -> None:
    if n < 2:
        raise UsageError(f"n is {n}; a spread needs at least 2 observations.")
    if not (sd > 0 and np.isfinite(sd)):
        raise UsageError(f"The SD must be finite and above 0; it is {sd:g}.")


def mean_standard_error(pattern: Pattern, n: int, sd: float) -> float:
    """Standard error of Luo's mean of n normal observations with that SD; never below that of the sample mean.

    Raises
    ------
    UsageError
        With fewer than 2 observations, or an SD that is not above 0.
    """
    _checked(n, sd)
    return sd * float(np.sqrt(_moments_of_sum(tuple(luo_weights(pattern, n)), n)[1]))


def median_standard_error(n: int, sd: float) -> float:
    """Standard error of the median of n normal observations with that SD; raises as :func:`mean_standard_error`."""
    _checked(n, sd)
    return sd * float(np.sqrt(_moments_of_sum((0.0, 0.0, 1.0, 0.0, 0.0), n)[1]))


def _chi_variation(degrees: float) -> float:
    """Squared coefficient of variation of a chi variable."""
    log_mean = 0.5 * np.log(2) + gammaln((degrees + 1) / 2) - gammaln(degrees / 2)
    return float(degrees * np.exp(-2 * log_mean) - 1)


def sd_degrees(pattern: Pattern, n: int) -> float:
    """Degrees of freedom that Wan's SD of n normal observations is worth.

    Its coefficient of variation is that of a chi variable with so many degrees of freedom (Patnaik 1950 did so for the
    range, from memory); the SD of the observations themselves has n - 1.  Limits of a single mean take the t quantile
    with these degrees.

    Raises
    ------
    UsageError
        With fewer than 2 observations.
    """
    _checked(n)
    expectation, variance = _moments_of_sum(tuple(wan_sd_weights(pattern, n)), n)
    wanted = variance / expectation**2
    # for many degrees of freedom 1/(2 d), up to a share 1/(4 d)
    if wanted < 1e-5:
        return 1 / (2 * wanted)
    return float(brentq(lambda d: _chi_variation(d) - wanted, 0.2, 1e6, xtol=1e-10))
