"""Marks that the figures of time and outcome share: groups, step curves in minutes, limits with arrows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from matplotlib.ticker import MaxNLocator

from capstat.report.figures.canvas import COLOURS, DASHES, staircase
from capstat.report.figures.forest import log_ticks
from capstat.report.wording import percentage_points, ratio_text

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from typing import TypeVar

    from matplotlib.axes import Axes

    from capstat.analysis.outcome_analysis import OutcomeAnalysis
    from capstat.results import Curve, Estimate

    T = TypeVar("T")

__all__ = [
    "GREY",
    "MOST_GROUPS",
    "basis",
    "colour_places",
    "draw_limits",
    "draw_steps",
    "end_of_axis",
    "largest",
    "left_out_words",
    "points_axis",
    "points_told",
    "ratio_axis",
    "ratio_told",
    "share_told",
]

MOST_GROUPS: Final = 4
GREY: Final = "#555555"
# beyond these a limit is an arrow
LOWEST_RATIO, HIGHEST_RATIO = 0.02, 50.0
# where every curve has done so much of its rise, the axis may end
RISEN: Final = 0.97


def basis(found: OutcomeAnalysis) -> str:
    """What a difference between the groups rests on, in one sentence."""
    if found.randomised:
        return "The compared groups were drawn by lot."
    return "Groups as they came about: a difference is an association, and does not tell what a choice brings about."


def largest(groups: Sequence[T], sizes: Sequence[int]) -> tuple[T, ...]:
    """The groups with most patients, at most four, in the order that they had."""
    chosen = sorted(range(len(groups)), key=lambda k: (-sizes[k], k))[:MOST_GROUPS]
    return tuple(groups[k] for k in sorted(chosen))


def left_out_words(shown: int, groups: int) -> str:
    """Say that groups are not drawn, where that is so."""
    return f" Drawn are the {shown} groups with most patients, of {groups}." if groups > shown else ""


def colour_places(labels: Sequence[str], found: OutcomeAnalysis) -> dict[str, int]:
    """Place of each group among colours and dashes: the compared groups have the same one in every figure."""
    compared = [name for name in (found.first, found.minus) if name in labels]
    return {name: k for k, name in enumerate([*compared, *(name for name in labels if name not in compared)])}


def draw_steps(axis: Axes, curve: Curve, k: int, label: str, *, factor: float = 100.0) -> None:
    """Draw a step curve with its band; where times are intervals, the area that it may lie in."""
    at, low = staircase(curve.x, factor * curve.band_lower)
    _, high = staircase(curve.x, factor * curve.band_upper)
    axis.fill_between(at, low, high, color=COLOURS[k], alpha=0.15, linewidth=0)
    _, lower = staircase(curve.x, factor * curve.lower)
    _, upper = staircase(curve.x, factor * curve.upper)
    if not np.allclose(curve.lower, curve.upper):
        axis.fill_between(at, lower, upper, color=COLOURS[k], alpha=0.5, linewidth=0)
        axis.plot(at, upper, color=COLOURS[k], linewidth=0.8, linestyle=DASHES[k])
    axis.plot(at, lower, color=COLOURS[k], linewidth=1.8, linestyle=DASHES[k], label=label)


def end_of_axis(curves: Sequence[Curve], least: float) -> float:
    """Minute at which every curve has nearly ended its rise, ``least`` or later."""
    # with late entry nobody may have been observed for any time
    known = [curve for curve in curves if curve.x.size]
    risen = [float(curve.x[np.argmax(curve.upper >= RISEN * curve.upper[-1])]) for curve in known]
    last = max((float(curve.x[-1]) for curve in known), default=least)
    return min(max([least, *risen]), last) if last > 0 else least


def share_told(estimate: Estimate) -> str:
    """A share in percent with its limits, or what is known of it."""
    if estimate.value is None and estimate.identified is None:
        return f"no value ({estimate.reason.rstrip('.')})"
    low, high = estimate.identified or (estimate.value or 0.0, 0.0)
    value = f"{low:.0f} %" if estimate.value is not None else f"{low:.0f} to {high:.0f} % (times are intervals)"
    if estimate.lower is None or estimate.upper is None:
        return value
    return f"{value}, limits {estimate.lower:.0f} to {estimate.upper:.0f} %"


def ratio_told(estimate: Estimate) -> str:
    """A ratio with its limits; open sides in words."""
    value = "no value" if estimate.value is None else ratio_text(estimate.value)
    return f"{value} ({_limits(estimate, ratio_text)})"


def points_told(estimate: Estimate) -> str:
    """A difference in percentage points with its limits."""
    factor = 1.0 if estimate.unit == "proportion" else 0.01
    value = "no value" if estimate.value is None else percentage_points(factor * estimate.value)
    return f"{value} ({_limits(estimate, lambda x: percentage_points(factor * x))})"


def _limits(estimate: Estimate, told: Callable[[float], str]) -> str:
    low = None if estimate.lower is None or not np.isfinite(estimate.lower) else estimate.lower
    high = None if estimate.upper is None or not np.isfinite(estimate.upper) else estimate.upper
    if estimate.unit == "ratio" and low is not None and low <= 0:
        low = None
    if low is None:
        return "no limits" if high is None else f"up to {told(high)}"
    return f"from {told(low)}" if high is None else f"{told(low)} to {told(high)}"


def ratio_axis(axis: Axes, estimates: Sequence[Estimate]) -> None:
    """A log axis that holds every value, and every limit that says something."""
    numbers = [1.0]
    for one in estimates:
        numbers += [
            min(max(x, LOWEST_RATIO), HIGHEST_RATIO) for x in (one.value, one.lower, one.upper) if x is not None
        ]
    low, high = min(min(numbers) / 1.2, 0.5), max(max(numbers) * 1.2, 2.0)
    ticks = log_ticks(low, high)
    axis.set(xscale="log", xlim=(low, high))
    axis.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    axis.set_xticks([], minor=True)


def points_axis(axis: Axes, estimates: Sequence[Estimate], factor: float) -> None:
    """An even axis of percentage points around 0."""
    numbers = [-5.0, 0.0, 5.0]
    for one in estimates:
        numbers += [factor * x for x in (one.value, one.lower, one.upper) if x is not None and np.isfinite(x)]
    room = 0.06 * (max(numbers) - min(numbers))
    axis.set_xlim(max(min(numbers) - room, -104), min(max(numbers) + room, 104))
    axis.xaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    axis.xaxis.set_major_formatter(lambda value, _: f"{value:+g}".replace("-", "\u2212") if value else "0")


def draw_limits(
    axis: Axes, estimate: Estimate, y: float, *, marker: str, colour: str, hollow: bool, factor: float = 1.0,
    size: float = 6.0,
) -> None:  # fmt: skip
    """A value with its limits; an arrow where a limit lies beyond the axis or there is none on that side."""
    left, right = axis.get_xlim()
    low, high = (None if x is None else factor * x for x in (estimate.lower, estimate.upper))
    if low is not None or high is not None:
        start = left if low is None or low < left else low
        end = right if high is None or high > right else high
        axis.hlines(y, start, end, color=colour, linewidth=1.2 if hollow else 1.9, zorder=2)
        for at, edge, arrow in ((start, left, "<"), (end, right, ">")):
            if at == edge:
                axis.plot([edge], [y], marker=arrow, markersize=5, color=colour, clip_on=False, zorder=3)
    if estimate.value is not None:
        axis.plot(
            [min(max(factor * estimate.value, left), right)], [y], marker=marker, markersize=size, color=colour,
            markerfacecolor="white" if hollow else colour, markeredgewidth=1.3, zorder=4, clip_on=False,
        )  # fmt: skip
