"""Integrals of log-concave functions of one variable, many at once, to near machine precision."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["log_concave_nodes"]

NODES_PER_PANEL = 20
# exp(-DROP) of the peak is where the integrand is cut off
DROP = 36.0

type_of_log_function = Callable[["NDArray[np.float64]"], "NDArray[np.float64]"]


@lru_cache(maxsize=1)
def _legendre() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    nodes, weights = np.polynomial.legendre.leggauss(NODES_PER_PANEL)
    return (nodes + 1) / 2, weights / 2


def _locate(
    condition: Callable[[NDArray[np.float64]], NDArray[np.bool_]],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    rounds: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Bracket the point where ``condition`` turns from true (towards low) to false (towards high).

    Each round asks at six points at once and keeps a seventh of the bracket: fewer calls than bisection.
    """
    parts = np.arange(1, 7) / 7
    for _ in range(rounds):
        width = high - low
        passed = condition(low + width * parts).sum(axis=1, keepdims=True)
        low, high = low + width * passed / 7, low + width * (passed + 1) / 7
    return low, high


def log_concave_nodes(
    log_function: type_of_log_function,
    slope: type_of_log_function,
    curvature_bound: float,
    n: int,
    reach: float = 40.0,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Nodes and weights for the integrals over the real line of ``n`` log-concave functions.

    Each function is cut where it has fallen to exp(-36) of its peak and the rest is divided into panels with
    a Gauss-Legendre rule.  Because the logarithm bends nowhere faster than ``curvature_bound``, no feature is
    narrower than ``curvature_bound ** -0.5``; that sets the number of panels.  Gauss-Hermite rules, adaptive
    or not, lose many digits when an interval-censored likelihood is flat with sharp edges.

    Parameters
    ----------
    log_function, slope : callable
        From points of shape (n, q) or (n, 1) to the log integrand and its derivative there.
    curvature_bound : float
        Largest absolute second derivative of the log integrand.
    n : int
        Number of functions.
    reach : float
        The peaks lie within ``+-reach``.

    Returns
    -------
    nodes, weights : ndarray, shape (n, q)
    """
    edge = np.full((n, 1), reach)
    peak = np.mean(_locate(lambda v: slope(v) > 0, -edge, edge, 6), axis=0)
    floor = log_function(peak) - DROP
    # a cut that is a little too wide costs nothing, so the outer end of each bracket is taken
    left, _ = _locate(lambda v: log_function(v) < floor, peak - 2 * edge, peak, 4)
    _, right = _locate(lambda v: log_function(v) >= floor, peak, peak + 2 * edge, 4)
    width = right - left
    panels = max(1, int(np.ceil(float(width.max()) * np.sqrt(curvature_bound) / 6.0)))
    unit_nodes, unit_weights = _legendre()
    offsets = ((np.arange(panels)[:, None] + unit_nodes) / panels).ravel()
    weights = np.tile(unit_weights / panels, panels)
    return left + width * offsets, width * weights
