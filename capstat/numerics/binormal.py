"""Probability of a rectangle under a bivariate normal law with its first two derivatives, many at once.

The value is an integral of the conditional probability over the shorter side.  Nothing is subtracted, so small
rectangles keep their relative accuracy, which the difference of four distribution functions loses.  Derivatives have
closed forms: along an edge they are a density times a conditional probability, in the correlation they are the
density at the corners (Plackett 1954, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["LogRectangles", "log_rectangles", "rectangle"]

# a standard normal value beyond this has no density that a double can hold
BEYOND = 40.0
# where exp(-DROP / 2) of the largest density is left, the integral is cut off
DROP = 76.0
# Gauss-Legendre nodes by width of the side in units of the conditional standard deviation; wider sides are divided
# into panels of the last width.  Against 40 digits the relative error stays below 1e-13.
WIDTHS = (0.4, 1.0, 2.0, 4.0)
NODES = (6, 9, 12, 18)
# rectangles handled at once: temporaries stay in the cache
BLOCK = 8192
ROOT_TWO_PI = float(np.sqrt(2 * np.pi))


@lru_cache(maxsize=8)
def _legendre(nodes: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    points, weights = np.polynomial.legendre.leggauss(nodes)
    return (points + 1) / 2, weights / 2


def _difference(low: NDArray[np.float64], high: NDArray[np.float64]) -> NDArray[np.float64]:
    """Standard normal probability of (low, high], from the side on which nothing cancels."""
    upper_half = low > 0
    return np.asarray(ndtr(np.where(upper_half, -low, high)) - ndtr(np.where(upper_half, -high, low)))


def _reach(
    a: NDArray[np.float64], b: NDArray[np.float64], c: NDArray[np.float64], d: NDArray[np.float64],
    rho: NDArray[np.float64], spread: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:  # fmt: skip
    """Part of the first side (a, b) on which the density, maximised over the second side (c, d), is not negligible.

    Minus twice its logarithm is convex: x^2 inside, x^2 plus a squared distance from the second side elsewhere.
    """
    centre = np.clip(rho * np.clip(0.0, c, d), a, b)

    def outside(x: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.maximum(np.maximum((c - rho * x) / spread, (rho * x - d) / spread), 0.0)

    level = centre**2 + outside(centre) ** 2 + DROP
    plain = np.sqrt(level)
    left, right = -plain, plain.copy()
    for edge, sign in ((c, 1.0), (d, -1.0)):
        # x^2 + ((edge - rho x) / spread)^2 = level is a quadratic whose discriminant is level - edge^2, scaled
        root = spread * np.sqrt(np.maximum(level - edge**2, 0.0))
        for which, x in ((0, rho * edge - root), (1, rho * edge + root)):
            applies = (sign * (edge - rho * x) > 0) & (np.abs(edge) < BEYOND)
            if which:
                right = np.where(applies, np.minimum(right, x), right)
            else:
                left = np.where(applies, np.maximum(left, x), left)
    return np.maximum(a, np.minimum(left, centre)), np.minimum(b, np.maximum(right, centre))


def _integrate(
    low: NDArray[np.float64], high: NDArray[np.float64], c: NDArray[np.float64], d: NDArray[np.float64],
    rho: NDArray[np.float64], spread: NDArray[np.float64], nodes: int, panels: int,
) -> NDArray[np.float64]:  # fmt: skip
    points, weights = _legendre(nodes)
    offsets = ((np.arange(panels)[:, None] + points) / panels).ravel()
    x = low[:, None] + (high - low)[:, None] * offsets
    shift = rho[:, None] * x
    inner = _difference((c[:, None] - shift) / spread[:, None], (d[:, None] - shift) / spread[:, None])
    inner *= np.exp(-0.5 * x * x)
    return np.asarray(inner @ np.tile(weights / panels, panels) * (high - low) / ROOT_TWO_PI)


def rectangle(
    a1: NDArray[np.float64], b1: NDArray[np.float64], a2: NDArray[np.float64], b2: NDArray[np.float64],
    rho: NDArray[np.float64],
) -> NDArray[np.float64]:  # fmt: skip
    """P(a1 < X1 <= b1, a2 < X2 <= b2) for standard normal X1, X2 with correlation ``rho``.

    Parameters
    ----------
    a1, b1, a2, b2, rho : ndarray, shape (m,)
        Sides, which may be infinite, and correlations strictly between -1 and 1.
    """
    a1, b1, a2, b2 = (np.clip(side, -BEYOND, BEYOND) for side in (a1, b1, a2, b2))
    shorter = np.minimum(b2, 9.0) - np.maximum(a2, -9.0) < np.minimum(b1, 9.0) - np.maximum(a1, -9.0)
    a, b = np.where(shorter, a2, a1), np.where(shorter, b2, b1)
    c, d = np.where(shorter, a1, a2), np.where(shorter, b1, b2)
    spread = np.sqrt((1 - rho) * (1 + rho))
    low, high = _reach(a, b, c, d, rho, spread)
    width = (high - low) / spread
    found = np.zeros_like(width)
    tier = np.searchsorted(WIDTHS, width)
    panels = np.where(tier < len(WIDTHS), 1, 2 ** np.ceil(np.log2(np.maximum(width / WIDTHS[-1], 1.0))).astype(int))
    tier = np.minimum(tier, len(WIDTHS) - 1)
    for code in np.unique(tier + len(WIDTHS) * panels):
        own = np.flatnonzero(tier + len(WIDTHS) * panels == code)
        found[own] = _integrate(
            low[own], high[own], c[own], d[own], rho[own], spread[own],
            NODES[code % len(WIDTHS)], int(code // len(WIDTHS)),
        )  # fmt: skip
    return found


@dataclass(frozen=True, slots=True, eq=False)
class LogRectangles:
    """Log probabilities of rectangles with derivatives in (mean 1, log sd 1, mean 2, log sd 2, atanh correlation).

    ``value`` is (m,), ``gradient`` (m, 5), ``hessian`` (m, 5, 5).
    """

    value: NDArray[np.float64]
    gradient: NDArray[np.float64]
    hessian: NDArray[np.float64]


def log_rectangles(
    lower: NDArray[np.float64], upper: NDArray[np.float64], parameters: NDArray[np.float64]
) -> LogRectangles:
    """Log probability of every rectangle.

    Parameters
    ----------
    lower, upper : ndarray, shape (m, 2)
        Sides; infinite ones are open.
    parameters : ndarray, shape (m, 5)
        Mean and log standard deviation of the first and of the second variable, and atanh of the correlation.
    """
    m = parameters.shape[0]
    found = LogRectangles(np.empty(m), np.empty((m, 5)), np.empty((m, 5, 5)))
    for start in range(0, m, BLOCK):
        part = slice(start, start + BLOCK)
        _fill(lower[part], upper[part], parameters[part], found.value[part], found.gradient[part], found.hessian[part])
    return found


def _fill(
    lower: NDArray[np.float64], upper: NDArray[np.float64], parameters: NDArray[np.float64],
    value: NDArray[np.float64], gradient: NDArray[np.float64], hessian: NDArray[np.float64],
) -> None:  # fmt: skip
    rho = np.tanh(parameters[:, 4])
    sides, inverse_sd = [], []
    with np.errstate(over="ignore"):
        for k in (0, 1):
            scale = np.exp(-parameters[:, 2 * k + 1])
            inverse_sd.append(scale)
            sides += [np.clip((side[:, k] - parameters[:, 2 * k]) * scale, -BEYOND, BEYOND) for side in (lower, upper)]
    a1, b1, a2, b2 = sides
    probability = rectangle(a1, b1, a2, b2, rho)
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        value[:] = np.log(probability)
        inverse = 1 / probability
        edges = _Edges.at(a1, b1, a2, b2, rho, inverse)
        _first_variable(gradient, hessian, 0, edges, inverse_sd[0])
        _first_variable(gradient, hessian, 2, edges.swapped(), inverse_sd[1])
        _between(gradient, hessian, edges, inverse_sd[0], inverse_sd[1])
        for i in range(5):
            for j in range(i, 5):
                hessian[:, i, j] -= gradient[:, i] * gradient[:, j]
                hessian[:, j, i] = hessian[:, i, j]


@dataclass(frozen=True, slots=True, eq=False)
class _Edges:
    """What the derivatives are made of, each (m,) and divided by the probability of the rectangle.

    ``a1`` to ``b2`` are the standardised sides; ``at_a``, ``at_b`` the density at a side of the first variable times
    the probability of the second one there, ``other_a``, ``other_b`` the same for the second; ``aa`` to ``bb`` the
    densities at the corners with the sign of the corner, first letter the first variable.
    """

    a1: NDArray[np.float64]
    b1: NDArray[np.float64]
    a2: NDArray[np.float64]
    b2: NDArray[np.float64]
    rho: NDArray[np.float64]
    at_a: NDArray[np.float64]
    at_b: NDArray[np.float64]
    other_a: NDArray[np.float64]
    other_b: NDArray[np.float64]
    aa: NDArray[np.float64]
    ab: NDArray[np.float64]
    ba: NDArray[np.float64]
    bb: NDArray[np.float64]

    @classmethod
    def at(
        cls, a1: NDArray[np.float64], b1: NDArray[np.float64], a2: NDArray[np.float64], b2: NDArray[np.float64],
        rho: NDArray[np.float64], inverse: NDArray[np.float64],
    ) -> _Edges:  # fmt: skip
        rest = (1 - rho) * (1 + rho)
        narrow = 1 / np.sqrt(rest)

        def along(x: NDArray[np.float64], low: NDArray[np.float64], high: NDArray[np.float64]) -> NDArray[np.float64]:
            inside = _difference((low - rho * x) * narrow, (high - rho * x) * narrow)
            return np.exp(-0.5 * x * x) / ROOT_TWO_PI * inside * inverse

        def corner(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
            return np.exp(-0.5 * (x * x - 2 * rho * x * y + y * y) / rest) * (narrow / ROOT_TWO_PI**2) * inverse

        return cls(
            a1, b1, a2, b2, rho, along(a1, a2, b2), along(b1, a2, b2), along(a2, a1, b1), along(b2, a1, b1),
            corner(a1, a2), -corner(a1, b2), -corner(b1, a2), corner(b1, b2),
        )  # fmt: skip

    def swapped(self) -> _Edges:
        """The second variable in the place of the first."""
        return _Edges(
            self.a2, self.b2, self.a1, self.b1, self.rho, self.other_a, self.other_b, self.at_a, self.at_b,
            self.aa, self.ba, self.ab, self.bb,
        )  # fmt: skip


def _first_variable(
    gradient: NDArray[np.float64], hessian: NDArray[np.float64], k: int, e: _Edges, inverse_sd: NDArray[np.float64]
) -> None:
    """Derivatives in mean and log standard deviation of one variable, and of both with the correlation."""
    weighted_a, weighted_b = e.a1 * e.at_a, e.b1 * e.at_b
    rest = (1 - e.rho) * (1 + e.rho)
    gradient[:, k] = (e.at_a - e.at_b) * inverse_sd
    gradient[:, k + 1] = weighted_a - weighted_b
    bend_a, bend_b = weighted_a - e.rho * (e.aa + e.ab), -weighted_b - e.rho * (e.ba + e.bb)
    hessian[:, k, k] = (bend_a + bend_b) * inverse_sd**2
    hessian[:, k, k + 1] = (e.a1 * bend_a + e.b1 * bend_b + e.at_b - e.at_a) * inverse_sd
    hessian[:, k + 1, k + 1] = e.a1**2 * bend_a + e.b1**2 * bend_b - weighted_a + weighted_b
    # d(density at the corner)/d(side) times d(rho)/d(atanh rho): the factor 1 - rho^2 cancels
    tilt_a = e.aa * (e.a1 - e.rho * e.a2) + e.ab * (e.a1 - e.rho * e.b2)
    tilt_b = e.ba * (e.b1 - e.rho * e.a2) + e.bb * (e.b1 - e.rho * e.b2)
    hessian[:, k, 4] = (tilt_a + tilt_b) * inverse_sd
    hessian[:, k + 1, 4] = e.a1 * tilt_a + e.b1 * tilt_b
    if k == 0:
        gradient[:, 4] = rest * (e.aa + e.ab + e.ba + e.bb)


def _between(
    gradient: NDArray[np.float64], hessian: NDArray[np.float64], e: _Edges, first_sd: NDArray[np.float64],
    second_sd: NDArray[np.float64],
) -> None:  # fmt: skip
    """Second derivatives across the two variables, and twice in the correlation (after ``_first_variable``)."""
    hessian[:, 0, 2] = (e.aa + e.ab + e.ba + e.bb) * first_sd * second_sd
    hessian[:, 0, 3] = ((e.aa + e.ba) * e.a2 + (e.ab + e.bb) * e.b2) * first_sd
    hessian[:, 1, 2] = ((e.aa + e.ab) * e.a1 + (e.ba + e.bb) * e.b1) * second_sd
    hessian[:, 1, 3] = e.a1 * (e.aa * e.a2 + e.ab * e.b2) + e.b1 * (e.ba * e.a2 + e.bb * e.b2)
    product = 1 + e.rho**2
    bend = sum(
        corner * (x * y * product - e.rho * (x * x + y * y))
        for corner, x, y in ((e.aa, e.a1, e.a2), (e.ab, e.a1, e.b2), (e.ba, e.b1, e.a2), (e.bb, e.b1, e.b2))
    )
    # rest^2 P'' - 2 rho rest P', of which rho rest P' belongs to the normalising constant of the density
    hessian[:, 4, 4] = bend - e.rho * gradient[:, 4]
