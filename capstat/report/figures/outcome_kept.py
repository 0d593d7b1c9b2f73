"""Capture kept or lost: first loss, number of losses, and the share of paced minutes with capture."""

from __future__ import annotations

from typing import TYPE_CHECKING

import seaborn as sns

from capstat.report.figures.canvas import COLOURS, MARKERS, blank_figure, render
from capstat.report.figures.outcome_marks import (
    basis,
    colour_places,
    draw_limits,
    draw_steps,
    end_of_axis,
    largest,
    left_out_words,
    share_told,
)
from capstat.report.figures.rows import set_rows
from capstat.report.wording import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from capstat.analysis.outcome_analysis import OutcomeAnalysis
    from capstat.outcomes.kept_group import KeptGroup
    from capstat.report.figures.canvas import Picture

__all__ = ["capture_kept_picture"]

LEAST_MIN = 5.0


def capture_kept_picture(found: OutcomeAnalysis) -> Picture | None:
    """Losses of capture by group; ``None`` when nobody was captured with recorded periods."""
    kept = found.kept
    if kept is None or kept.everybody.first_loss is None:
        return None
    captured = [group for group in kept.groups if group.first_loss is not None] or [kept.everybody]
    groups = largest(captured, [group.n_captured for group in captured])
    places = colour_places([group.name for group in groups], found)
    groups = tuple(sorted(groups, key=lambda group: places[group.name]))
    with sns.axes_style("whitegrid"), sns.plotting_context("notebook", font_scale=0.85):
        figure = blank_figure(4.2 + 0.34 * len(groups))
        grid = figure.add_gridspec(2, 2, height_ratios=(3.0, 0.45 + 0.3 * len(groups)))
        losing, number, minutes = (figure.add_subplot(part) for part in (grid[0, 0], grid[0, 1], grid[1, :]))
    for axis in (losing, number, minutes):
        sns.despine(ax=axis)
    _draw_curves(losing, number, groups, places)
    _draw_minutes(minutes, groups, places)
    figure.suptitle(f"Was capture kept? (after {kept.awaited})", fontsize=12)
    figure.legend(
        *losing.get_legend_handles_labels(), loc="outside lower center", ncols=min(len(groups), 2), frameon=False,
        handlelength=3.5, fontsize=9,
    )  # fmt: skip
    level = f"{100 * kept.level:g} %"
    return render(
        figure,
        "capture_kept",
        f"{counted(sum(group.n_captured for group in groups), 'captured patient')}. Left: share who had lost capture at least once, the end of "
        "pacing with capture being the other way out. Right: mean number of losses of one captured patient. Below: of "
        "all paced minutes, also those before capture, the share with capture; patients paced for long count for more. "
        f"The two time axes differ. Areas and bars: {level} confidence limits, for one time at a time."
        + left_out_words(len(groups), len(captured))
        + (f" {basis(found)}" if len(groups) > 1 and not found.randomised else "")
        + (
            " Only captured patients are compared above, and who was captured was not drawn by lot."
            if len(groups) > 1
            else ""
        )
        + " A loss that nobody noticed is not in the records.",
        " ".join(["Loss of capture by minutes since capture.", *(_words(group) for group in groups)]),
    )


def _draw_curves(losing: Axes, number: Axes, groups: Sequence[KeptGroup], places: dict[str, int]) -> None:
    for group in groups:
        k = places[group.name]
        if group.first_loss is not None:
            draw_steps(losing, group.first_loss, k, f"{group.name} ({group.n_captured} captured)")
        if group.mean_losses is not None:
            draw_steps(number, group.mean_losses, k, group.name, factor=1.0)
    for axis, curves, words in (
        (losing, [group.first_loss for group in groups], "lost capture at least once, %"),
        (number, [group.mean_losses for group in groups], "mean number of losses"),
    ):
        last = end_of_axis([curve for curve in curves if curve is not None], LEAST_MIN)
        axis.set(xlim=(0, last), xlabel="minutes since capture", ylabel=words)
    losing.set_ylim(-2, 102)
    most = max((float(group.mean_losses.upper[-1]) for group in groups if group.mean_losses is not None), default=1.0)
    number.set_ylim(0, max(1.35 * most, 0.5))


def _draw_minutes(axis: Axes, groups: Sequence[KeptGroup], places: dict[str, int]) -> None:
    axis.set_xlim(0, 100)
    heights = [-float(row) for row in range(len(groups))]
    for group, y in zip(groups, heights, strict=True):
        share, k = group.share_of_minutes, places[group.name]
        if share.value is None:
            axis.annotate(share.reason, (1, y), va="center", fontsize=8, fontstyle="italic", color="#555555")
            continue
        draw_limits(axis, share, y, marker=MARKERS[k], colour=COLOURS[k], hollow=False)
        beside = share.value if share.upper is None else share.upper
        right = beside < 80
        axis.annotate(
            f"{share.value:.0f} %", (beside if right else (share.lower or share.value), y), xytext=(7 if right else -7, 0),
            textcoords="offset points", va="center", ha="left" if right else "right", fontsize=9,
        )  # fmt: skip
    set_rows(axis, heights, [group.name for group in groups])
    axis.set_xlabel("paced minutes with capture, %")


def _words(group: KeptGroup) -> str:
    within = "; ".join(f"{one.quantity}: {share_told(one)}" for one in group.lost_within)
    return (
        f"{group.name}: {group.n_lost} of {group.n_captured} lost capture, {group.losses} losses; {within}; paced minutes "
        f"with capture: {share_told(group.share_of_minutes)}."
    )
