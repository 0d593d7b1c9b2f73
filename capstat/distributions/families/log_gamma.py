"""The log-gamma law of Prentice (1974): ``r = sigma * w`` with shape ``Q``; the gamma families rest on it.

With ``u = Q w`` the log density of ``w`` is ``-log(2 pi)/2 - s(Q) - h(Q, w)`` where
``h = (exp(u) - 1 - u) / Q^2`` and ``s`` is the remainder of Stirling's formula at ``1/Q^2``.  Written so, nothing is
singular at ``Q = 0``, where the law is normal.

Derivatives of an incomplete gamma function in its shape have no closed form.  They are not needed: the derivative
of the log probability of a cell is the mean of the score inside the cell (Fisher's identity; for the second derivative
Louis 1982; both from memory), and these means are integrals of a log-concave function.
"""

from __future__ import annotations

from functools import lru_cache
from math import factorial
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy import special

from capstat.distributions.families.family import CellTerms

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["log_cdf", "log_gamma_terms", "log_sf", "quantile"]

_HALF_LOG_2PI = 0.5 * np.log(2 * np.pi)
# a cell is cut where its density has fallen to exp(-DROP) of its largest value there
DROP = 40.0
# cells narrower than this (in scaled residuals) need one panel of nodes
NARROW = 2.5
NODES, WIDE_PANELS = 20, 7
# nearer to zero than this the law is normal to within rounding of its quantiles, with a correction of first order
NEARLY_NORMAL = 1e-4
_TERMS = np.arange(14)
_SERIES = np.array([1.0 / factorial(n) for n in range(20)])
# coefficients of the five functions of _phi, one to a column
_NEAR_ZERO = np.column_stack(
    (
        _SERIES[_TERMS + 1],
        _SERIES[_TERMS + 2],
        (_TERMS + 1) * _SERIES[_TERMS + 2],
        (_TERMS + 1) * _SERIES[_TERMS + 3],
        (_TERMS + 1) * (_TERMS + 2) * _SERIES[_TERMS + 4],
    )
)


class _Exponent(NamedTuple):
    """h(Q, w) and its derivatives, elementwise."""

    h: NDArray[np.float64]
    w: NDArray[np.float64]
    ww: NDArray[np.float64]
    q: NDArray[np.float64]
    wq: NDArray[np.float64]
    qq: NDArray[np.float64]


def _phi(u: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """(e^u - 1)/u, (e^u - 1 - u)/u^2 and their derivatives: first of both, second of the latter.

    Series near zero, closed forms elsewhere; both keep 12 digits or more at the seam.
    """
    small = np.abs(u) < 0.7
    v = np.where(small, u, 0.0)
    near = np.polynomial.polynomial.polyval(v, _NEAR_ZERO)
    x = np.where(small, 1.0, u)
    grown = np.exp(x)
    one = np.expm1(x) / x
    two = (one - 1) / x
    d_one = (grown - one) / x
    d_two = (d_one - two) / x
    dd_two = ((grown - 2 * d_one) / x - 2 * d_two) / x
    far = (one, two, d_one, d_two, dd_two)
    return tuple(np.where(small, a, b) for a, b in zip(near, far, strict=True))


def _exponent(q: float, w: NDArray[np.float64]) -> _Exponent:
    one, two, d_one, d_two, dd_two = _phi(q * w)
    square = w * w
    return _Exponent(square * two, w * one, np.exp(q * w), square * w * d_two, square * d_one, square * square * dd_two)


def _height(q: float, w: NDArray[np.float64]) -> NDArray[np.float64]:
    """h(Q, w) alone, capped where it would overflow."""
    u = np.clip(q * w, -700.0, 700.0)
    if abs(q) < NEARLY_NORMAL:
        return np.asarray(w * w * (0.5 + u / 6))
    with np.errstate(over="ignore"):
        return np.asarray(np.where(np.abs(u) < 1e-3, w * w * (0.5 + u / 6 + u * u / 24), (np.expm1(u) - u) / q**2))


def _stirling(q: float) -> tuple[float, float, float]:
    """Remainder of Stirling's formula at 1/Q^2 with its first two derivatives in Q."""
    x = q * q
    if x < 0.04:  # the asymptotic series has 14 digits here
        value = x / 12 - x**3 / 360 + x**5 / 1260 - x**7 / 1680
        slope = 1 / 12 - x**2 / 120 + x**4 / 252 - x**6 / 240
        bend = -x / 60 + x**3 / 63 - x**5 / 40
        return value, 2 * q * slope, 2 * slope + 4 * x * bend
    a = 1 / x
    value = float(special.gammaln(a) - (a - 0.5) * np.log(a) + a) - _HALF_LOG_2PI
    by_a = float(special.psi(a) - np.log(a) + 0.5 / a)
    by_aa = float(special.polygamma(1, a) - 1 / a - 0.5 / a**2)
    da, dda = -2 / (q * x), 6 / x**2
    return value, by_a * da, by_aa * da**2 + by_a * dda


@lru_cache(maxsize=1)
def _unit_nodes() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    return (nodes + 1) / 2, weights / 2


def _cut(q: float, peak: NDArray[np.float64], side: float) -> NDArray[np.float64]:
    """Where h has risen by DROP above its value at ``peak``, on one side: Newton's method on a convex function."""
    target = _height(q, peak) + DROP
    w = peak + side * np.sqrt(2 * DROP)
    for _ in range(60):
        u = np.clip(q * w, -700.0, 700.0)
        slope = w * np.where(np.abs(u) < 1e-3, 1 + u / 2, np.expm1(u) / np.where(u == 0, 1.0, u))
        move = (_height(q, w) - target) / slope
        w = np.where(side * (w - move) > side * peak, w - move, (w + peak) / 2)
        if np.abs(move).max(initial=0.0) < 1e-3:
            break
    return np.asarray(w)


def _nodes(
    q: float, low: NDArray[np.float64], high: NDArray[np.float64], panels: int
) -> tuple[NDArray[np.float64], ...]:
    """Nodes and weights in every cell, the stretch on either side of its highest point divided into panels."""
    unit, weight = _unit_nodes()
    offsets = ((np.arange(panels)[:, None] + unit) / panels).ravel()
    weights = np.tile(weight / panels, panels)
    if panels == 1:
        width = (high - low)[:, None]
        return low[:, None] + width * offsets, width * weights
    peak = np.clip(0.0, low, high)
    left, right = (peak - low)[:, None], (high - peak)[:, None]
    nodes = np.concatenate((low[:, None] + left * offsets, peak[:, None] + right * offsets), axis=1)
    return nodes, np.concatenate((left * weights, right * weights), axis=1)


def _scores(sigma: float, q: float, w: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """Log density of log current with gradient (..., 3) and Hessian (..., 3, 3) in (location, log sigma, Q)."""
    e = _exponent(q, w)
    s, ds, dds = _stirling(q)
    value = -_HALF_LOG_2PI - s - np.log(sigma) - e.h
    gradient = np.stack((e.w / sigma, -1 + w * e.w, -ds - e.q), axis=-1)
    mixed = -(w * e.ww + e.w) / sigma
    by_scale = -w * (e.w + w * e.ww)
    rows = (
        (-e.ww / sigma**2, mixed, e.wq / sigma),
        (mixed, by_scale, w * e.wq),
        (e.wq / sigma, w * e.wq, -dds - e.qq),
    )
    return value, gradient, np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


def _cells(sigma: float, q: float, low: NDArray[np.float64], high: NDArray[np.float64], panels: int) -> CellTerms:
    nodes, weights = _nodes(q, low, high, panels)
    value, gradient, hessian = _scores(sigma, q, nodes)
    top = value.max(axis=1, keepdims=True)
    mass = weights * np.exp(value - top)
    total = mass.sum(axis=1, keepdims=True)
    share = mass / total
    mean = np.einsum("mn,mnj->mj", share, gradient)
    centred = gradient - mean[:, None, :]
    spread = np.einsum("mn,mnj,mnk->mjk", share, centred, centred)
    bend = np.einsum("mn,mnjk->mjk", share, hessian) + spread
    # the nodes are those of w, the density that of log current
    return CellTerms(np.log(total[:, 0] * sigma) + top[:, 0], mean, bend)


def log_gamma_terms(
    a: NDArray[np.float64],
    b: NDArray[np.float64],
    exact: NDArray[np.bool_],
    ancillary: NDArray[np.float64],
) -> CellTerms:
    """Log probability of ``a < r <= b`` with derivatives in (location, log sigma, Q).

    Parameters
    ----------
    a, b : ndarray, shape (m,)
        Residuals of log current, infinite where the cell is open.
    exact : ndarray of bool, shape (m,)
        Cells whose threshold is known: the log density of log current at ``b``.
    ancillary : ndarray, shape (2,)
        Log sigma and Q.
    """
    sigma, q = float(np.exp(ancillary[0])), float(ancillary[1])
    value = np.empty(a.size)
    gradient = np.empty((a.size, 3))
    hessian = np.empty((a.size, 3, 3))

    def put(where: NDArray[np.intp] | NDArray[np.bool_], terms: CellTerms) -> None:
        value[where], gradient[where], hessian[where] = terms

    if exact.any():
        put(exact, CellTerms(*_scores(sigma, q, b[exact] / sigma)))
    rows = np.flatnonzero(~exact)
    if rows.size:
        low, high = a[rows] / sigma, b[rows] / sigma
        peak = np.clip(0.0, low, high)
        low, high = np.maximum(low, _cut(q, peak, -1.0)), np.minimum(high, _cut(q, peak, 1.0))
        # e^u bounds the curvature of the log density, and so how narrow its features are
        sharp = np.sqrt(np.exp(np.clip(np.maximum(q * low, q * high), 0.0, 700.0)))
        narrow = (high - low) * sharp < NARROW
        for chosen, panels in ((narrow, 1), (~narrow, WIDE_PANELS)):
            if chosen.any():
                put(rows[chosen], _cells(sigma, q, low[chosen], high[chosen], panels))
    return CellTerms(value, gradient, hessian)


def _tails(r: NDArray[np.float64], ancillary: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Log distribution and survival function."""
    q = float(ancillary[1])
    w = np.asarray(r, dtype=float) / np.exp(ancillary[0])
    if abs(q) < NEARLY_NORMAL:
        z = w + q * (0.5 + (w * w - 1) / 6)
        return special.log_ndtr(z), special.log_ndtr(-z)
    shape = q**-2
    with np.errstate(over="ignore", divide="ignore"):
        x = shape * np.exp(q * w)
        below, above = np.log(special.gammainc(shape, x)), np.log(special.gammaincc(shape, x))
    return (below, above) if q > 0 else (above, below)


def log_cdf(r: NDArray[np.float64], ancillary: NDArray[np.float64]) -> NDArray[np.float64]:
    """Logarithm of the distribution function of ``r``."""
    return _tails(r, ancillary)[0]


def log_sf(r: NDArray[np.float64], ancillary: NDArray[np.float64]) -> NDArray[np.float64]:
    """Logarithm of the survival function of ``r``."""
    return _tails(r, ancillary)[1]


def quantile(p: float, ancillary: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
    """Quantile of ``r`` and its derivatives in log sigma and Q (by the implicit function theorem)."""
    sigma, q = float(np.exp(ancillary[0])), float(ancillary[1])
    if abs(q) < NEARLY_NORMAL:
        z = float(special.ndtri(p))
        w = z - q * (0.5 + (z * z - 1) / 6)
    else:
        shape = q**-2
        inverse = special.gammaincinv if q > 0 else special.gammainccinv
        w = float(np.log(inverse(shape, p) / shape)) / q
    r = sigma * w
    at = np.array([r])
    below = log_gamma_terms(np.array([-np.inf]), at, np.array([False]), ancillary)
    density = _scores(sigma, q, np.array([w]))[0][0]
    slope = -below.gradient[0, 1:] * np.exp(below.value[0] - density)
    return r, np.asarray(slope)
