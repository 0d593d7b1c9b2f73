"""Time to capture: cumulative incidence by group, first capture below, and what else ended the wait."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import seaborn as sns
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from capstat.outcomes.episodes import CAUSES
from capstat.report.figures.canvas import COLOURS, DASHES, blank_figure, render, staircase
from capstat.report.figures.outcome_marks import (
    GREY,
    basis,
    colour_places,
    draw_steps,
    end_of_axis,
    largest,
    left_out_words,
    share_told,
)
from capstat.report.wording import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from capstat.analysis.outcome_analysis import OutcomeAnalysis
    from capstat.outcomes.time_group_results import TimeGroup
    from capstat.outcomes.time_standardised import StandardisedCapture
    from capstat.outcomes.time_to_capture import TimeToCapture
    from capstat.report.figures.canvas import Picture

__all__ = ["time_to_capture_picture"]

ORIGINS: Final = {
    "onset": "minutes since onset",
    "arrival": "minutes since arrival",
    "pads": "minutes since the pads were placed",
    "pacing-start": "minutes since the first pulse",
}
FINE_DASHES: Final = (
    (0, None),
    (0, (5, 2)),
    (0, (1, 1.5)),
    (0, (5, 1.5, 1, 1.5)),
)
DOTTED: Final = (0, (1.2, 1.2))


def time_to_capture_picture(found: OutcomeAnalysis) -> Picture | None:
    """Shares captured by time; ``None`` without episodes."""
    if not found.waits:
        return None
    last = found.waits[-1]
    every = last.groups or (last.everybody,)
    groups = largest(every, [group.n for group in every])
    before = found.waits[-2] if len(found.waits) > 1 else None
    ends = _ends(last, groups)
    figure, main, first, bottom = _panels(earlier=before is not None, ends=bool(ends))
    places = colour_places([group.label for group in groups], found)
    groups = tuple(sorted(groups, key=lambda group: places[group.label]))
    standardised = found.standardised if found.standardised is not None and len(groups) > 1 else None
    _draw_groups(main, last, groups, places)
    main.set_xlim(0, end_of_axis([group.capture for group in groups], max(found.question.minutes)))
    if standardised is not None:
        _draw_standardised(main, standardised, places)
    if before is not None and first is not None:
        earlier = [group for group in before.groups or (before.everybody,) if group.label in places]
        _draw_groups(first, before, earlier, places)
        first.set_xlim(0, end_of_axis([group.capture for group in earlier], min(found.question.minutes)))
        first.set_ylabel("")
    ending = _draw_ends(bottom, last, groups, places) if bottom is not None else ""
    if bottom is not None:
        bottom.set(xlim=main.get_xlim(), xlabel=main.get_xlabel())
    figure.suptitle("How soon were patients captured?", fontsize=12)
    figure.legend(
        handles=_key(groups, places, standardised, ends),
        loc="outside lower center", ncols=2, frameon=False, fontsize=8.5, handlelength=3.5,
    )  # fmt: skip
    return render(
        figure,
        "time_to_capture",
        _caption(found, groups, len(every), before, standardised, ending),
        _alternative(found, groups),
    )


def _panels(*, earlier: bool, ends: bool) -> tuple[Figure, Axes, Axes | None, Axes | None]:
    """The wait that all is about, beside it first capture, below both the other ends."""
    with sns.axes_style("whitegrid"), sns.plotting_context("notebook", font_scale=0.85):
        figure = blank_figure(6.3 if ends else 4.4)
        grid = figure.add_gridspec(1 + ends, 5, height_ratios=(3.0, 1.7)[: 1 + ends])
        main = figure.add_subplot(grid[0, :3] if earlier else grid[0, :])
        first = figure.add_subplot(grid[0, 3:]) if earlier else None
        bottom = figure.add_subplot(grid[1, :]) if ends else None
    for axis in (main, first, bottom):
        if axis is not None:
            sns.despine(ax=axis)
    return figure, main, first, bottom


def _sentence_case(words: str) -> str:
    return words[0].upper() + words[1:]


def _interval(group: TimeGroup) -> bool:
    return bool((group.capture.upper - group.capture.lower > 1e-9).any())


def _draw_groups(axis: Axes, wait: TimeToCapture, groups: Sequence[TimeGroup], places: dict[str, int]) -> None:
    for group in groups:
        draw_steps(axis, group.capture, places[group.label], group.label)
    axis.set(ylim=(-2, 102), ylabel="captured, %", xlabel=ORIGINS.get(wait.origin, f"minutes since {wait.origin}"))
    axis.set_title(_sentence_case(wait.awaited), fontsize=9.5)


def _draw_standardised(axis: Axes, standardised: StandardisedCapture, places: dict[str, int]) -> None:
    for name, curve in zip((standardised.first, standardised.minus), standardised.curves, strict=True):
        if name in places:
            at, value = staircase(curve.x, 100 * curve.lower)
            axis.plot(at, value, color="white", linewidth=2.8, zorder=4)
            axis.plot(at, value, color=COLOURS[places[name]], linewidth=1.5, linestyle=DOTTED, zorder=5)


def _ends_of(last: TimeToCapture, groups: Sequence[TimeGroup]) -> tuple[TimeGroup, ...]:
    """Whose other ends are drawn: two groups each by itself, otherwise all patients together."""
    return tuple(groups) if len(groups) == 2 else (last.everybody,)


def _ends(last: TimeToCapture, groups: Sequence[TimeGroup]) -> list[str]:
    """Other ends that are drawn; a suppressed one may be missing in one group alone."""
    drawn = {name for group in _ends_of(last, groups) for name, _ in group.competing_by}
    return [name for name in CAUSES if name in drawn]


def _draw_ends(axis: Axes, last: TimeToCapture, groups: Sequence[TimeGroup], places: dict[str, int]) -> str:
    """Other ends of the wait; words for the caption."""
    shown = _ends_of(last, groups)
    dashes = dict(zip(_ends(last, groups), FINE_DASHES, strict=False))
    highest = 1.0
    # by width too, as the colours are alike in grey
    for group, width in zip(shown, (2.2, 1.1), strict=False):
        colour = COLOURS[places[group.label]] if len(shown) == 2 else GREY
        for (name, _), curve in zip(group.competing_by, group.competing, strict=True):
            at, value = staircase(curve.x, 100 * curve.upper)
            axis.plot(at, value, color=colour, linewidth=width, linestyle=dashes[name])
            highest = max(highest, float(value.max(initial=0.0)))
    axis.set(ylim=(0, 1.12 * highest), ylabel="other end, %")
    axis.set_title(f"What else ended the wait for {last.awaited}", fontsize=9.5)
    return (
        " Bottom: other ends of that wait"
        + (f", by group; thick: {groups[0].label}." if len(shown) == 2 else ", all patients together.")
        + (" Drawn is the most that it can have been." if any(map(_interval, groups)) else "")
        + (" Ends that few patients had are left out." if any(len(g.counts) < len(CAUSES) for g in shown) else "")
        + " Who reached one cannot be captured any more, so that the curves above need not reach 100 %."
    )


def _line(label: str, colour: str, width: float, dash: object) -> Line2D:
    style: dict[str, Any] = {"color": colour, "linewidth": width, "linestyle": dash, "label": label}
    return Line2D([], [], **style)


def _key(
    groups: Sequence[TimeGroup], places: dict[str, int], standardised: StandardisedCapture | None, ends: Sequence[str]
) -> list[Line2D | Patch]:
    """Groups in the left column, other ends of the wait in the right one."""
    left: list[Line2D | Patch] = []
    for group in groups:
        k = places[group.label]
        label = f"{group.label} ({counted(group.n, 'patient')})"
        left.append(_line(label, COLOURS[k], 1.8, DASHES[k]))
    if standardised is not None:
        left += [
            _line(f"{name}, standardised", COLOURS[places[name]], 1.5, DOTTED)
            for name in (standardised.first, standardised.minus)
            if name in places
        ]
    if any(map(_interval, groups)):
        left.append(Patch(color=GREY, alpha=0.5, label="times are intervals: the curve lies in here"))
    right = [_line(f"other end: {name}", GREY, 1.4, dash) for name, dash in zip(ends, FINE_DASHES, strict=False)]
    if not right:
        return left
    empty = [Line2D([], [], linestyle="none", label=" ") for _ in range(abs(len(left) - len(right)))]
    return [*left, *empty, *right] if len(left) < len(right) else [*left, *right, *empty]


def _caption(
    found: OutcomeAnalysis, groups: Sequence[TimeGroup], every: int, before: TimeToCapture | None,
    standardised: StandardisedCapture | None, ending: str,
) -> str:  # fmt: skip
    last = found.waits[-1]
    return (
        f"Share of patients with {last.awaited} by each minute (cumulative incidence); {counted(last.everybody.n, 'patient')}. "
        + (f"Right: {before.awaited}, on a time axis of its own. " if before is not None else "")
        + f"Areas: {100 * found.level:g} % confidence limits, for one time at a time."
        + ending
        + (
            f" Dotted: standardised over the covariates of {standardised.n} complete patients, as if all had been in either group; it rests on the "
            "covariates being all that matters (assumed)."
            if standardised is not None
            else ""
        )
        + (
            " Dark area: times are known as intervals only, and the curve lies within."
            if any(map(_interval, groups))
            else ""
        )
        + left_out_words(len(groups), every)
        + " Axes end where curves hardly rise any more; a curve ends where nobody was observed any longer."
        + (f" {basis(found)}" if len(groups) > 1 else "")
    )


def _alternative(found: OutcomeAnalysis, groups: Sequence[TimeGroup]) -> str:
    told = [f"Share with {found.waits[-1].awaited} against minutes."]
    for group in groups:
        shares = "; ".join(
            f"{one.quantity.removeprefix('share captured ')}: {share_told(one)}" for one in group.captured_by
        )
        told.append(f"{group.label}, {counted(group.n, 'patient')}: {shares}.")
    return " ".join(told)
