"""What each policy does with the current over time, beside the share of patients that each current captures."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import seaborn as sns
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from capstat.analysis import ALL_PLACEMENTS
from capstat.protocol import Direction
from capstat.report.figures.canvas import COLOURS, blank_figure, render, wrapped
from capstat.report.figures.ramp_marks import CAUTION, MOST_POLICIES, group_name, left_out_words, shown_groups
from capstat.report.figures.ramp_path import SHARES, captured_currents, curve_on_grid, path_of
from capstat.report.ramp_words import group_words
from capstat.report.wording import milliampere

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

    from capstat.analysis.ramp_analysis import RampAnalysis, RampGroup
    from capstat.protocol.threshold_law import ContinuousLaw
    from capstat.report.figures.canvas import Picture
    from capstat.report.figures.ramp_path import RampPath

__all__ = ["ramp_paths_picture"]

COLUMNS = 2
# a wide light path lies below a thin dark one, so that both show where they run together, also in grey
STYLES = (("black", 1.3), (COLOURS[1], 3.4), ("#c4c4c4", 6.5))
WORDS = ("half are no higher", "nine in ten are no higher")


def ramp_paths_picture(found: RampAnalysis) -> Picture | None:
    """Current against time under each policy, over the capture curve; ``None`` without a group that has results."""
    part = found.parts[0]
    groups = shown_groups(part)
    if not groups or groups[0].laws is None:
        return None
    group, law, policies = groups[0], groups[0].laws.model, part.policies[:MOST_POLICIES]
    lowest, highest = min(p.start_ma for p in policies), max(p.maximum_ma for p in policies)
    currents = captured_currents(law, highest)
    patients = [(current, *STYLES[k]) for k, current in enumerate(currents) if np.isfinite(current)]
    patients.append((np.inf, *STYLES[-1]))
    rows = -(-len(policies) // COLUMNS)
    free = rows * COLUMNS > len(policies)
    with sns.axes_style("whitegrid"), sns.plotting_context("notebook", font_scale=0.8):
        figure = blank_figure(1.9 * rows + (0.4 if free else 1.4))
        axes = figure.subplots(rows, COLUMNS, sharex=True, sharey=True, squeeze=False).ravel()
    axes[0].set(ylim=(max(0.0, lowest - 15), highest + 0.12 * (highest - lowest) + 2))
    told = []
    for k, (axis, policy) in enumerate(zip(axes, policies, strict=False)):
        paths = [path_of(policy, threshold) for threshold, _, _ in patients]
        for z, (path, (_, colour, width)) in enumerate(zip(paths, patients, strict=True)):
            _draw_path(axis, path, colour, width, 6 - z)
        axis.axhline(found.question.discomfort_ma, color=COLOURS[0], linewidth=1.2, linestyle="--", zorder=2)
        last_column = k % COLUMNS == COLUMNS - 1 or k == len(policies) - 1
        _draw_strip(axis, law, highest, currents, named=last_column)
        axis.set_title(wrapped((f"{k + 1}: {policy.name}",), 46), fontsize=8.5, loc="left")
        axis.text(
            0.98, 0.04, _move_words(group, k, policy.at_maximum is not None), transform=axis.transAxes, ha="right",
            va="bottom", fontsize=7.5, linespacing=1.1,
        )  # fmt: skip
        sns.despine(ax=axis)
        bottom = k >= len(policies) - COLUMNS
        axis.tick_params(labelbottom=bottom)
        axis.set(
            xlabel="time from the first pulse, s" if bottom else "", ylabel="current, mA" if k % COLUMNS == 0 else ""
        )
        told.append(f"{k + 1} ({policy.name}): {_told(paths)}.")
    axes[0].set_xlim(left=0)
    figure.suptitle(
        f"Current over time: {group_words(group.label or ALL_PLACEMENTS, found.question.by)} ({part.capture.name} capture)",
        fontsize=12,
    )
    handles = _handles(currents, found.question.discomfort_ma)
    if free:
        axes[-1].axis("off")
        axes[-1].legend(handles=handles, loc="center left", frameon=False, fontsize=8.5, borderaxespad=0)
    else:
        figure.legend(handles=handles, loc="outside lower center", ncols=2, frameon=False, fontsize=8.5)
    reached = [f"{milliampere(current)} mA" if np.isfinite(current) else "not reached" for current in currents]
    return render(
        figure,
        "ramp_paths",
        _caption(found, group, currents),
        f"Current against time under {len(policies)} policies. Currents that capture half and nine in ten of "
        f"{group_name(group, found.question.by)}: {reached[0]} and {reached[1]}. For each policy: "
        + ("these patients, then one never captured. " if len(patients) > 1 else "a patient never captured. ")
        + " ".join(told),
    )


def _draw_path(axis: Axes, path: RampPath, colour: str, width: float, zorder: int) -> None:
    at, current = np.repeat(path.time_s, 2)[1:-1], np.repeat(path.current_ma, 2)
    axis.plot(at, current, color=colour, linewidth=width, solid_capstyle="butt", solid_joinstyle="miter", zorder=zorder)
    if path.final_ma is None:
        return
    end = float(path.time_s[-1])
    axis.plot([end, end], [current[-1], path.final_ma], color=colour, linewidth=1.0, linestyle=":", zorder=zorder)
    axis.plot(
        [end], [path.final_ma], marker=">", markersize=7, color=colour, markeredgecolor="white", markeredgewidth=0.7,
        zorder=zorder + 4, clip_on=False,
    )  # fmt: skip


def _draw_strip(axis: Axes, law: ContinuousLaw, highest_ma: float, currents: tuple[float, ...], *, named: bool) -> None:
    """The capture curve turned on its side: the darker, the more are captured."""
    grid, share = curve_on_grid(law, highest_ma)
    strip = axis.inset_axes((1.015, 0, 0.05, 1), sharey=axis)
    # a little beyond 1, so that the darkest grey is not black and white lines show on it
    strip.imshow(
        share[:, None], cmap="Greys", vmin=0, vmax=1.15, aspect="auto", origin="lower", interpolation="nearest",
        extent=(0, 1, float(grid[0]) - 0.5, float(grid[-1]) + 0.5),
    )  # fmt: skip
    bottom = max(float(grid[0]) - 0.5, axis.get_ylim()[0])
    strip.add_patch(Rectangle((0, bottom), 1, float(grid[-1]) + 0.5 - bottom, fill=False, linewidth=0.9, clip_on=False))
    strip.set(ylim=axis.get_ylim())
    strip.axis("off")
    for wanted, current in zip(SHARES, currents, strict=True):
        if not np.isfinite(current):
            continue
        axis.axhline(current, color="#555555", linewidth=0.7, zorder=1.5)
        strip.axhline(current, color="white", linewidth=1.2)
        if named:
            strip.annotate(
                f"{100 * wanted:g} %", (1.15, current), xycoords=("axes fraction", "data"), va="center", fontsize=8,
                annotation_clip=False,
            )  # fmt: skip


def _move_words(group: RampGroup, k: int, moves: bool) -> str:
    """What follows when the maximum does not capture, where the policy says something about it."""
    applied = group.policies[k].policy.at_maximum
    if applied is not None:
        return f"never captured: then the pads are moved\nto {applied.placement} ({applied.seconds:g} s)"
    return "stops at the maximum here: no move" if moves else ""


def _handles(currents: tuple[float, ...], discomfort_ma: float) -> list[Artist]:
    patients = [
        (f"threshold {milliampere(current)} mA ({words})", style)
        for current, words, style in zip(currents, WORDS, STYLES, strict=False)
        if np.isfinite(current)
    ]
    patients.append(("never captured", STYLES[-1]))
    left_on, level = "captured: current left on, with the margin", f"level of discomfort, {discomfort_ma:g} mA"
    return [
        *(Line2D([], [], color=colour, linewidth=width, label=name) for name, (colour, width) in patients),
        Line2D([], [], color="black", marker=">", markersize=7, linestyle=":", linewidth=1.0, label=left_on),
        Line2D([], [], color=COLOURS[0], linewidth=1.2, linestyle="--", label=level),
        Patch(facecolor="#8a8a8a", edgecolor="black", linewidth=0.8, label="strip: share captured, darker is more"),
    ]


def _told(paths: list[RampPath]) -> str:
    """When each path ends, and with what, the patients in their order."""
    return "; ".join(
        f"no capture after {path.time_s[-1]:g} s"
        if path.final_ma is None
        else f"captured after {path.time_s[-1]:g} s, {milliampere(path.final_ma)} mA left on"
        for path in paths
    )


def _caption(found: RampAnalysis, group: RampGroup, currents: tuple[float, ...]) -> str:
    part = found.parts[0]
    policies = part.policies[:MOST_POLICIES]
    drawn = [f"{100 * share:g} %" for share, current in zip(SHARES, currents, strict=True) if np.isfinite(current)]
    lacking = [f"{100 * share:g} %" for share, current in zip(SHARES, currents, strict=True) if np.isinf(current)]
    model = group.laws.model_name if group.laws is not None else ""
    return (
        f"Each panel follows one policy in patients with the thresholds named ({group_name(group, found.question.by)}). Where paths run "
        "together, the wider one lies below. Triangle: the search is over, and this current is left on. Grey strip: the share "
        f"of patients that each current captures ({model})"
        + (f"; grey lines: currents that capture {' and '.join(drawn)}" if drawn else "")
        + (f"; no current up to the highest captures {' or '.join(lacking)}" if lacking else "")
        + ". Every judgement is taken to be right."
        + (
            " A search that begins above a threshold captures at once, with more current than is needed."
            if any(policy.direction is not Direction.RISING for policy in policies)
            else ""
        )
        + (
            " What follows after the pads are moved is not drawn."
            if any(one.policy.at_maximum is not None for one in group.policies[:MOST_POLICIES])
            else ""
        )
        + f"{left_out_words(part)} {CAUTION}"
    )
