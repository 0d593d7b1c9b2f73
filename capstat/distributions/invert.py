"""Capture currents read off a capture curve and its limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from capstat.results import Estimate

if TYPE_CHECKING:
    from capstat.distributions.npmle import NpmleFit
    from capstat.results import Curve

__all__ = ["capture_current"]


def capture_current(fit: NpmleFit, curve: Curve, fraction: float) -> Estimate:
    """Current (mA) that captures ``fraction`` of patients, with limits by inverting those of the curve.

    The limits are the currents at which the curve's pointwise limits reach the fraction (Brookmeyer & Crowley
    1982, Biometrics 38:29); ``curve`` needs all edges of the estimate as abscissae.
    """
    edges = np.concatenate(([0.0], curve.x))
    can_reach = np.flatnonzero(curve.band_upper >= fraction)
    must_reach = np.flatnonzero(curve.band_lower >= fraction)
    # between two edges mass may lie anywhere, so the lower limit is the edge before
    low = float(edges[can_reach[0]]) if can_reach.size else float(curve.x[-1])
    high = float(curve.x[must_reach[0]]) if must_reach.size else np.inf
    identified = fit.capture_current(fraction)
    quantity = f"current that captures {100 * fraction:g} % of patients"
    if identified is None:
        reached = 100 * float(curve.lower[-1])
        return Estimate(
            quantity, None, low, high, curve.level, "mA", "current", fit.n_patients, curve.method,
            reason=f"not reached: {reached:.0f} % were captured at the highest informative current, "
            f"{curve.x[-1]:g} mA",
        )  # fmt: skip
    return Estimate(
        quantity, identified[1], low, high, curve.level, "mA", "current", fit.n_patients, curve.method,
        notes=("the value is the lowest tested current known to capture that share",),
        identified=identified,
    )  # fmt: skip
