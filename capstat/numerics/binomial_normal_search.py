"""Where a slope turns, and where a profile has fallen by a given amount: Newton's method kept inside brackets."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["limit", "stationary"]


def stationary(
    evaluate: Callable[[float], tuple[float, float]], start: float, low: float, high: float, step: float
) -> float:
    """Where a slope turns from positive (towards ``low``) to negative: Newton's method kept inside a bracket."""
    at = start
    for _ in range(80):
        slope, bend = evaluate(at)
        if slope == 0:
            return at
        low, high = (at, high) if slope > 0 else (low, at)
        move = -slope / bend if bend < 0 else float(np.copysign(step, slope))
        # far from the maximum one Newton step may go anywhere
        goal = at + float(np.clip(move, -4 * step, 4 * step))
        if not low < goal < high:
            goal = (low + high) / 2
        if abs(goal - at) <= 1e-10 * (1 + abs(at)):
            return goal
        at = goal
    return at


def limit(
    profile: Callable[[float], tuple[float, float]], top: float, inside: float, first: float, end: float, drop: float
) -> float | None:
    """Where a profile has fallen by ``drop`` below ``top``, between the maximum ``inside`` and ``end``.

    Newton's method on the signed root of twice the fall, which is nearly a straight line, kept inside a bracket.

    Parameters
    ----------
    profile : callable
        From a point to the profile log-likelihood and its slope there.
    first : float
        First guess, between ``inside`` and ``end``.

    Returns
    -------
    float or None
        ``None`` when the profile has not fallen that far at ``end``.
    """
    goal = float(np.sqrt(2 * drop))
    near, far, reached = inside, end, False
    at = first if min(inside, end) < first < max(inside, end) else (inside + end) / 2
    for _ in range(100):
        value, slope = profile(at)
        fall = float(np.sqrt(max(2 * (top - value), 0.0)))
        if fall < goal:
            if at == end:
                return None
            near = at
        else:
            far, reached = at, True
        rate = -slope / fall if fall > 0 else 0.0
        outward = rate * (end - inside) > 0
        move = (goal - fall) / rate if outward else end - at
        nearby = abs(move) <= 1e-9 * (1 + abs(at))
        if nearby:
            return at + move
        step = at + move
        if not min(near, far) < step < max(near, far):
            # the end itself is asked before halves of the bracket are
            step = (near + far) / 2 if reached else end
        if abs(far - near) <= 1e-11 * (1 + abs(near)):
            return near
        at = step
    return at
