"""Estimates of one group from bounds of its curves: shares by given minutes, times of given shares, mean times."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from capstat.results import Estimate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.numerics.time_summaries import TimeSummary
    from capstat.outcomes.time_bounds import ShareBounds

__all__ = ["FEW_AT_RISK", "mean_minutes", "share_estimate", "time_of_share"]

FEW_AT_RISK = 10
QUANTILE = (
    "first time at which the curve reaches the share; limits where the limits of the curve do (Brookmeyer & Crowley "
    "1982, from memory)"
)


def share_estimate(
    what: str, bounds: ShareBounds, t: float, n: int, level: float, method: str, last: float
) -> Estimate:
    """Share at one of the times of ``bounds``, in per cent."""
    i = int(np.searchsorted(bounds.x, t))
    low, high = 100 * float(bounds.low[i]), 100 * float(bounds.high[i])
    lower, upper = min(100 * float(bounds.limit_low[i]), low), max(100 * float(bounds.limit_high[i]), high)
    quantity = f"{what} by {t:g} min"
    if not bounds.reached[i]:
        before = np.flatnonzero(bounds.reached)
        floor = 100 * float(bounds.limit_low[before[-1]]) if before.size else 0.0
        reason = f"nobody was followed beyond {last:.3g} min, or the first patients had all left before others entered"
        return Estimate(quantity, None, floor, 100.0, level, "%", "cloglog", n, method, reason=reason)
    notes: tuple[str, ...] = ()
    if 0 < bounds.at_risk[i] < FEW_AT_RISK:
        notes = (f"only {int(bounds.at_risk[i])} patients were still waiting",)
    if high - low < 1e-9:
        return Estimate(quantity, low, lower, upper, level, "%", "cloglog", n, method, notes=notes)
    return Estimate(
        quantity, None, lower, upper, level, "%", "cloglog", n, method, notes=notes, identified=(low, high),
        reason=f"times of capture are intervals: between {low:.1f} and {high:.1f} %",
    )  # fmt: skip


def time_of_share(bounds: ShareBounds, fraction: float, n: int, level: float, last: float, thinned: bool) -> Estimate:
    """Minutes by which a share of all patients was captured."""
    quantity = f"minutes by which {100 * fraction:g} % of patients were captured"

    def reached(share: NDArray[np.float64], otherwise: float, earlier: bool = False) -> float:
        at = np.flatnonzero((share >= fraction - 1e-12) & bounds.reached)
        if not at.size:
            return otherwise
        # between thinned times a bound may have risen at once after the time before
        return float(bounds.x[max(at[0] - int(earlier and thinned), 0)])

    first, latest = reached(bounds.high, np.inf, earlier=True), reached(bounds.low, np.inf)
    lower = min(reached(bounds.limit_high, last, earlier=True), first)
    upper = max(reached(bounds.limit_low, np.inf), latest)
    method = QUANTILE if not thinned else f"{QUANTILE}; bounds rounded outward to {bounds.x.size} times"
    if np.isinf(latest):
        reason = f"the share stayed below {100 * fraction:g} % for as long as anybody was followed ({last:.3g} min)"
        if np.isfinite(first):
            reason = f"not before {first:.3g} min; whether the share was ever reached the intervals do not tell"
        return Estimate(quantity, None, lower, np.inf, level, "min", "identity", n, method, reason=reason)
    if latest - first < 1e-9:
        return Estimate(quantity, latest, lower, upper, level, "min", "identity", n, method)
    return Estimate(
        quantity, None, lower, upper, level, "min", "identity", n, method, identified=(first, latest),
        reason=f"times of capture are intervals: between {first:.3g} and {latest:.3g} min",
    )  # fmt: skip


def mean_minutes(quantity: str, method: str, found: Sequence[TimeSummary], n: int, level: float) -> Estimate:
    """Mean time from one summary, or from those with captures early and late."""
    values = [part.value for part in found if part.value is not None]
    if len(values) < len(found):
        reason = next(part.reason for part in found if part.value is None)
        reason = f"not everybody's time is known so far: {reason[0].lower()}{reason[1:]} (minutes)"
        return Estimate(quantity, None, None, None, level, "min", "identity", n, method, reason=reason)
    notes = tuple(dict.fromkeys(part.reason for part in found if part.reason))
    lowers = [part.lower for part in found if part.lower is not None]
    uppers = [part.upper for part in found if part.upper is not None]
    limited = len(lowers) == len(uppers) == len(found)
    lower, upper = (min(lowers), max(uppers)) if limited else (None, None)
    low, high = min(values), max(values)
    if high - low < 1e-9:
        return Estimate(quantity, low, lower, upper, level, "min", "identity", n, method, notes=notes)
    return Estimate(
        quantity, None, lower, upper, level, "min", "identity", n, method, notes=notes, identified=(low, high),
        reason=f"times of capture are intervals: between {low:.3g} and {high:.3g} min",
    )  # fmt: skip
