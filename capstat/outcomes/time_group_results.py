"""One group of episodes described: counts, curves, shares by given minutes, times of given shares, mean times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.numerics.event_curves import event_curves
from capstat.numerics.time_summaries import restricted_mean, time_lost
from capstat.outcomes.episodes import CAPTURE, CAUSES
from capstat.outcomes.time_bounds import ShareBounds, Waits, share_bounds
from capstat.outcomes.time_estimates import FEW_AT_RISK, mean_minutes, share_estimate, time_of_share
from capstat.results import Curve

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.results import Estimate

__all__ = ["TimeGroup", "describe_group"]

# bounds of interval times are worked out afresh at every time
MOST_BOUNDED_TIMES = 60
FRACTIONS = (0.5, 0.9)
CURVE = "cumulative incidence (Aalen & Johansen 1978, from memory); complementary log-log limits"
SURVIVAL = "1 - Kaplan-Meier, as nothing competes; complementary log-log limits"
BOUNDED = "; bounds over all times that the intervals allow, limits around both"
AREA = "area {} up to {:g} min; normal limits from the delta method"
EXTREMES = "; with all captures as early, and all as late, as they can have been, limits around both"


@dataclass(frozen=True, slots=True, eq=False)
class TimeGroup:
    """Times to capture of one group.

    Attributes
    ----------
    label : str
        Name of the group.
    n : int
        Patients.
    counts : tuple of (str, int)
        How the wait ended, in the order of ``CAUSES``: all of them, also those that did not occur.
    nothing_competes : bool
        Whether nobody's wait had an end other than capture or censoring.
    capture : Curve
        Share captured first, by minutes since the origin; from 0 to 1.
    competing : tuple of Curve
        The same for each other end that occurred in any patient of the study.
    captured_by : tuple of Estimate
        Share captured (%) by each of the given minutes.
    competing_by : tuple of (str, tuple of Estimate)
        The same for each other end that occurred in any patient of the study.
    captured_after : tuple of Estimate
        Minutes by which 50 % and 90 % of all patients were captured.
    waiting : Estimate
        Mean minutes, of the first ``tau``, until capture or another end of the wait.
    with_capture : Estimate
        Mean minutes, of the first ``tau``, that had passed since capture (kept or not), 0 for those without.
    notes : tuple of str
        What a reader must know.
    """

    label: str
    n: int
    counts: tuple[tuple[str, int], ...]
    nothing_competes: bool
    capture: Curve
    competing: tuple[Curve, ...]
    captured_by: tuple[Estimate, ...]
    competing_by: tuple[tuple[str, tuple[Estimate, ...]], ...]
    captured_after: tuple[Estimate, ...]
    waiting: Estimate
    with_capture: Estimate
    notes: tuple[str, ...]


def _grid(waits: Waits, times: NDArray[np.float64]) -> NDArray[np.float64]:
    """Times of the curves: all at which they can change, or evenly many of them where bounds are costly."""
    edges = waits.edges
    if not waits.exact and edges.size > MOST_BOUNDED_TIMES:
        edges = edges[np.unique(np.linspace(0, edges.size - 1, MOST_BOUNDED_TIMES).round().astype(int))]
    return np.unique(np.concatenate([[0.0], edges, times]))


def _curve(label: str, bounds: ShareBounds, level: float, method: str) -> Curve:
    kept = bounds.reached
    return Curve(
        label, bounds.x[kept], bounds.low[kept], bounds.high[kept], bounds.limit_low[kept], bounds.limit_high[kept],
        level, method,
    )  # fmt: skip


def _notes(waits: Waits, shares: ShareBounds, t: float) -> tuple[str, ...]:
    """The naive figure beside the right one, and what delayed entry brings with it."""
    notes = []
    i = int(np.searchsorted(shares.x, t))
    if waits.competing and shares.reached[i] and (waits.cause == CAPTURE).any():
        alone = event_curves(waits.latest, waits.cause == CAPTURE, entry=waits.entry, n_causes=1)
        place = int(np.searchsorted(alone.times, t, side="right")) - 1
        naive = 0.0 if place < 0 else float(alone.incidence[0][place])
        notes.append(
            f"1 - Kaplan-Meier with the other ends taken as censored would say {100 * naive:.1f} % captured by {t:g} "
            "min; it overestimates, because it supposes that those patients could still be captured"
        )
    if not waits.exact:
        number = int((waits.earliest < waits.latest).sum())
        notes.append(f"the time of capture is an interval in {number} of {len(waits)} patients")
    if waits.entry is not None:
        first = np.sort(waits.edges)[:1]
        small = int(shares.at_risk[np.searchsorted(shares.x, first[0])])
        notes.append(
            "patients are at risk from their first pulse on, which supposes that its time tells nothing of the wait; "
            f"{small} of {len(waits)} were at risk at the first step of the curve ({first[0]:.3g} min)"
        )
        if small < FEW_AT_RISK:
            notes.append("with so few at risk at first, one early end moves the whole curve")
    return tuple(notes)


def describe_group(
    label: str, waits: Waits, ends: tuple[int, ...], times_min: Sequence[float], tau_min: float, level: float
) -> TimeGroup:
    """Describe the waits of one group.

    Parameters
    ----------
    label : str
        Its name.
    waits : Waits
        One patient at least.
    ends : tuple of int
        Ends other than capture that are shown: all that occurred in the study, also where not in this group.
    times_min : sequence of float
        Minutes at which shares are wanted, increasing.
    tau_min : float
        Minutes to which mean times are restricted.
    level : float
        Confidence level.
    """
    n = len(waits)
    times = np.asarray(times_min, dtype=float)
    grid = _grid(waits, times)
    thinned = not waits.exact and waits.edges.size > MOST_BOUNDED_TIMES
    method = (CURVE if waits.competing else SURVIVAL) + ("" if waits.exact else BOUNDED)
    method += f"; curve at {grid.size} of its times" if thinned else ""
    last = float(waits.latest.max())
    shares = {cause: share_bounds(waits, cause, grid, level) for cause in (CAPTURE, *ends)}

    def by(cause: int) -> tuple[Estimate, ...]:
        what = "share captured" if cause == CAPTURE else f"share whose wait ended with: {CAUSES[cause]},"
        return tuple(share_estimate(what, shares[cause], float(t), n, level, method, last) for t in times)

    both = [waits.curves(time) for time in ((waits.latest,) if waits.exact else (waits.earliest, waits.latest))]
    ending = "" if waits.exact else EXTREMES
    waiting = mean_minutes(
        f"mean minutes, of the first {tau_min:g}, until capture or another end",
        AREA.format("under the share still waiting", tau_min) + ending,
        [restricted_mean(curves, tau_min, level) for curves in both], n, level,
    )  # fmt: skip
    with_capture = mean_minutes(
        f"mean minutes, of the first {tau_min:g}, that had passed since capture",
        AREA.format("under the share captured", tau_min) + ending,
        [time_lost(curves, CAPTURE, tau_min, level) for curves in both], n, level,
    )  # fmt: skip
    return TimeGroup(
        label, n,
        tuple((name, int((waits.cause == code).sum())) for code, name in enumerate(CAUSES)),
        not waits.competing,
        _curve(f"{label}: captured", shares[CAPTURE], level, method),
        tuple(_curve(f"{label}: {CAUSES[cause]}", shares[cause], level, method) for cause in ends),
        by(CAPTURE),
        tuple((CAUSES[cause], by(cause)) for cause in ends),
        tuple(time_of_share(shares[CAPTURE], fraction, n, level, last, thinned) for fraction in FRACTIONS),
        waiting, with_capture,
        _notes(waits, shares[CAPTURE], float(times[-1])),
    )  # fmt: skip
