"""Limits of a difference or ratio from the separate limits of its two parts, which need not be symmetric.

Square-and-add for differences (Newcombe 1998, Stat Med 17:2635; Zou & Donner 2008, Stat Med 27:1693, from memory),
the method of variance estimates recovery for ratios (Donner & Zou 2012, Stat Methods Med Res 21:347, from memory).
The parts may only be known to lie between bounds; the limits then hold the whole identified set.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["Bounded", "mover_difference", "mover_ratio", "square_and_add"]


@dataclass(frozen=True, slots=True)
class Bounded:
    """A quantity: its identified bounds ``low`` and ``high``, and the confidence limits around them."""

    low: float
    high: float
    limit_low: float
    limit_high: float


def square_and_add(one: float, two: float, correlation: float) -> float:
    """Length of two distances added as squares, for estimates with this correlation."""
    return float(np.sqrt(max(one**2 - 2 * correlation * one * two + two**2, 0.0)))


def _upper_difference(one: Bounded, two: Bounded, rho: float) -> tuple[float, float]:
    """Upper identified bound of ``one - two`` and its limit; infinite where an end is."""
    high, low = one.high, two.low
    if not np.isfinite([high, low]).all():
        return np.inf, np.inf
    # a limit never lies inside the identified set
    up, down = max(one.limit_high - high, 0.0), max(low - two.limit_low, 0.0)
    if not np.isfinite([up, down]).all():
        return high - low, np.inf
    return high - low, high - low + square_and_add(up, down, rho)


def mover_difference(one: Bounded, two: Bounded, rho: float) -> Bounded:
    """Identified bounds of ``one - two`` and their limits by square-and-add."""
    high, limit_high = _upper_difference(one, two, rho)
    low, limit_low = _upper_difference(two, one, rho)
    return Bounded(-low, high, -limit_low, limit_high)


def _upper_ratio(one: Bounded, two: Bounded, rho: float) -> tuple[float, float]:
    """Upper identified bound of ``one / two``, and its limit; infinite where nothing bounds it.

    The limit is the ratio r at which the square-and-add interval of ``one - r two`` ends at 0, the larger root of a
    quadratic (Donner & Zou 2012).  Unlike a limit on the log scale it exists when ``one`` is 0.
    """
    high, low = one.high, two.low
    up, down = max(one.limit_high - high, 0.0), max(low - two.limit_low, 0.0)
    a, b, c = low**2 - down**2, high * low - rho * up * down, high**2 - up**2
    bound = high / low if low > 0 else np.inf
    limit = (b + float(np.sqrt(max(b**2 - a * c, 0.0)))) / a if a > 0 else np.inf
    return bound, max(bound, limit)


def mover_ratio(one: Bounded, two: Bounded, rho: float) -> Bounded:
    """Identified bounds and limits of ``one / two``, neither negative: those of ``two / one`` are the inverse ones."""
    high, limit_high = _upper_ratio(one, two, rho)
    low, limit_low = (1 / end if end > 0 else np.inf for end in _upper_ratio(two, one, rho))
    return Bounded(low, high, limit_low, limit_high)
