"""Share of patients with capture by time since the first pulse, a line for each policy."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import seaborn as sns
from matplotlib.lines import Line2D

from capstat.report.figures.canvas import COLOURS, DASHES, blank_figure, render, staircase
from capstat.report.figures.ramp_marks import (
    CAUTION,
    MOST_POLICIES,
    group_name,
    left_out_words,
    named_policies,
    policy_key,
    shown_groups,
)
from capstat.report.wording import percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from capstat.analysis.ramp_analysis import RampAnalysis, RampGroup
    from capstat.protocol.consequences import PolicyConsequences
    from capstat.report.figures.canvas import Picture
    from capstat.results import Curve

    Points = NDArray[np.float64]

__all__ = ["ramp_time_picture"]

# one panel over the page's width for each of two groups, two side by side for more
WIDE = 2
# final levels are written at least this far apart, in percent
APART = 6.5
# width and height of a number in a panel of the whole width, as shares of the panel
NUMBER_WIDE, NUMBER_HIGH = 0.026, 0.095
# distance between points of a line, as a share of the panel
FINE = 0.004


def ramp_time_picture(found: RampAnalysis) -> Picture | None:
    """Share with capture by time, one panel for each group; ``None`` without a group that has results."""
    part = found.parts[0]
    groups = shown_groups(part)
    if not groups:
        return None
    columns = 1 if len(groups) <= WIDE else 2
    rows = -(-len(groups) // columns)
    with sns.axes_style("whitegrid"), sns.plotting_context("notebook", font_scale=0.85):
        figure = blank_figure(2.6 * rows + 1.7)
        axes = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False).ravel()
    end = _end([one for group in groups for one in _drawn(group)])
    for k, axis in enumerate(axes):
        sns.despine(ax=axis)
        axis.set_visible(k < len(groups))
        axis.tick_params(labelbottom=True)
        axis.set(ylabel="patients captured, %" if k % columns == 0 else "", xlim=(-0.02 * end, end), ylim=(0, 103))
        if k >= len(groups) - columns:
            axis.set_xlabel("time from the first pulse, s")
    told = []
    for axis, group in zip(axes, groups, strict=False):
        _draw_lines(axis, group, end, columns)
        axis.set_title(group_name(group, found.question.by), fontsize=9.5)
        told.append(f"{group_name(group, found.question.by)}: {_told(group)}.")
    figure.suptitle(f"How soon each policy captures ({part.capture.name} capture)", fontsize=12)
    names = named_policies(part)
    policy_key(figure, part, [Line2D([], [], label=name, **_style(k)) for k, name in enumerate(names)])  # type: ignore[arg-type]
    return render(
        figure,
        "ramp_time",
        "Share of patients in whom some setting has captured by a time; a line rises where a setting begins, and stays level "
        "when its search is over. A search may go on for a lower current after that. "
        "Lines that are the same carry both numbers. Every judgement is taken to be right. Limits stand in the tables. "
        f"A faster line need not be the better policy: it may give more current."
        f"{_beyond([one for group in groups for one in _drawn(group)], end)}{left_out_words(part)} {CAUTION}",
        " ".join(["Share of patients with capture by time since the first pulse, by policy.", *told]),
    )


def _end(policies: list[PolicyConsequences]) -> float:
    """Right edge, in s: where policies that do not move the pads are at their last level; the others go on beyond it."""
    lasts = [float(one.curve.x[-1]) for one in policies if one.curve.x.size]
    stay = [float(one.curve.x[-1]) for one in policies if one.curve.x.size and one.policy.at_maximum is None]
    return 1.06 * max(*(stay or lasts), 10.0, 0.0)


def _beyond(policies: list[PolicyConsequences], end: float) -> str:
    """Which lines go on beyond the right edge."""
    last = max((float(one.curve.x[-1]) for one in policies if one.curve.x.size), default=0.0)
    return (
        f" Policies that move the pads go on beyond the right edge, until {last:.0f} s at most." if last > end else ""
    )


def _drawn(group: RampGroup) -> tuple[PolicyConsequences, ...]:
    return group.policies[:MOST_POLICIES]


def _style(k: int) -> dict[str, object]:
    # the second four have the same colours with other dashes
    return {
        "color": COLOURS[(k + 2 * (k // len(COLOURS))) % len(COLOURS)],
        "linestyle": DASHES[(k + k // len(COLOURS)) % len(DASHES)],
        "linewidth": 1.6,
    }


def _points(curve: Curve, end: float) -> tuple[Points, Points]:
    """Corners of the line from before the first pulse to the right edge."""
    inside = curve.x <= end
    shares = np.concatenate(([0.0], curve.lower[inside]))
    x = np.concatenate(([0.0], curve.x[inside], [end]))
    share = np.append(shares, shares[-1])
    return staircase(x, 100 * share)


def _draw_lines(axis: Axes, group: RampGroup, end: float, columns: int) -> None:
    size = np.array([end, 100.0])
    lines = [_points(one.curve, end) for one in _drawn(group)]
    dense = [_dense(line, size) for line in lines]
    for k, (x, y) in enumerate(lines):
        axis.plot(x, y, zorder=3, **_style(k))  # type: ignore[arg-type]
    taken: list[tuple[Points, int]] = []
    written: set[str] = set()
    for k in range(len(dense)):
        place, together = _free_place(k, dense, taken, NUMBER_WIDE * columns)
        text = ", ".join(str(one + 1) for one in together)
        if text in written:
            continue
        written.add(text)
        taken.append((place, len(together)))
        colour = str(_style(k)["color"])
        axis.text(
            place[0] * end, place[1] * 100, text, ha="center", va="center", fontsize=8.5, fontweight="bold", zorder=5, color=colour,
            bbox={"boxstyle": "round,pad=0.16", "facecolor": "white", "edgecolor": colour, "linewidth": 0.8},
        )  # fmt: skip
    above = -APART
    for level in sorted({float(percent(line[-1, 1])) for line in dense}):
        above = max(level, above + APART)
        axis.annotate(
            f"{level:g} %", (1.01, above), xycoords=("axes fraction", "data"), va="center", fontsize=8.5,
            annotation_clip=False,
        )  # fmt: skip


def _dense(line: tuple[Points, Points], size: Points) -> Points:
    """Many points of a line, both axes from 0 to 1."""
    corners = np.column_stack(line) / size
    return np.concatenate(
        [
            np.linspace(one, other, 2 + int(np.abs(other - one).sum() / FINE), endpoint=False)
            for one, other in pairwise(corners)
        ]
        + [corners[-1:]]
    )


def _free_place(
    k: int, lines: list[Points], taken: list[tuple[Points, int]], wide: float
) -> tuple[Points, tuple[int, ...]]:
    """Point of the rising part of a line that is farthest from other lines, and the lines that it is of.

    Parameters
    ----------
    k : int
        Which line.
    lines : list of ndarray, shape (m, 2)
        All lines.
    taken : list of (ndarray, int)
        Where labels are already, and of how many numbers.
    wide : float
        Width of one number, as a share of the panel.
    """
    own = lines[k]
    places = own[own[:, 1] < own[-1, 1] - FINE]
    if not len(places):
        places = own[len(own) // 2 :][:1]
    distance = [np.hypot(*(places[:, None] - other).T).min(axis=0) for other in lines]
    # lines that run with this one wherever it rises share its number
    together = tuple(j for j, far in enumerate(distance) if far.max() < 2 * FINE)
    free = np.min([far for j, far in enumerate(distance) if j not in together] or [np.ones(len(places))], axis=0)
    for place, count in taken:
        across, up = np.abs(places - place).T
        # a label never lies on another one while the line has any other place
        free = np.where((across < wide * (count + len(together)) / 2 + FINE) & (up < NUMBER_HIGH), free - 1, free)
    return places[int(np.argmax(free))], together


def _told(group: RampGroup) -> str:
    words = []
    for k, one in enumerate(_drawn(group), start=1):
        half = one.time_to_capture[0].value
        reached = "never half" if half is None else f"half by {half:.0f} s"
        last = one.curve.lower[-1] if one.curve.x.size else 0.0
        words.append(f"{k} ({one.policy.name}) {reached}, {percent(float(last))} % in the end")
    return "; ".join(words)
