"""Estimates against their standard errors, with contours; and names placed so that they touch nothing."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from matplotlib.patheffects import withStroke

from capstat.report.figures.canvas import COLOURS, WIDTH, blank_figure, render
from capstat.report.figures.forest import fitted, inch_axes, log_ticks, put, readable, text_width

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from capstat.report.figures.canvas import Picture

__all__ = ["FunnelContour", "FunnelPlot", "FunnelPoint", "Named", "draw_names", "funnel_picture"]

MOST_NAMED: Final = 12
FEWEST_STUDIES: Final = 10
HEIGHT: Final = 4.9
# inside the first contour, between two, and beyond the last
SHADES: Final = ("#ffffff", "#e3e3e3", "#c6c6c6")
BEYOND: Final = "#f3f3f3"
# where a name may stand around its point: directions, and distances in points
DIRECTIONS: Final = tuple(math.radians(30 * k) for k in (0, 6, 1, 5, 11, 7, 2, 4, 10, 8, 3, 9))
# within this no line to the point is needed
NEAR: Final = 14
# points closer than this, in points, share their names
SAME: Final = 6.0
DISTANCES: Final = (8, 13, 19, 26, 34, 43, 53, 64, 78, 95, 115, 140)


@dataclass(frozen=True, slots=True, kw_only=True)
class FunnelPoint:
    """One study of a funnel.

    Attributes
    ----------
    label : str
        Name of the study.
    estimate, se : float
        On the pooling scale (a logarithm where the axis is ``"log"``); the standard error is above 0.
    local : bool
        Whether this is the user's own study.
    """

    label: str
    estimate: float
    se: float
    local: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FunnelContour:
    """Limits around the centre at one level.

    Attributes
    ----------
    level : float
        For example 0.95.
    se, lower, upper : ndarray of shape (m,)
        Standard errors from 0 upwards, and the limits there, on the pooling scale.
    """

    level: float
    se: NDArray[np.float64]
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FunnelPlot:
    """What a funnel shows.

    Attributes
    ----------
    name, title, caption, alternative : str
        File name, heading, words below (sentences on how to read it are added), words for who cannot see it.
    points : tuple of FunnelPoint
        At least one; named on the picture where there are at most 12.
    contours : tuple of FunnelContour
        At most three.
    centre : float
        What the contours surround, on the pooling scale.
    centre_words : str
        What that is: ``"no difference"``, ``"the pooled value"``.
    axis : {"log", "linear"}
        ``"log"``: the estimates are logarithms, and the axis shows what they are logarithms of.
    x_label, se_label : str
        Words of the axes, with units.
    """

    name: str
    title: str
    caption: str
    alternative: str
    points: tuple[FunnelPoint, ...]
    contours: tuple[FunnelContour, ...]
    centre: float
    centre_words: str
    axis: Literal["log", "linear"]
    x_label: str
    se_label: str = "standard error"


def funnel_picture(plot: FunnelPlot) -> Picture:
    """Draw a funnel, precise studies on top."""
    figure = blank_figure(HEIGHT)
    figure.set_layout_engine("none")
    title = fitted(plot.title, WIDTH - 0.4, 2, size=12)
    top = 0.25 + 0.2 * len(title)
    axis = inch_axes(figure, 0.75, top, WIDTH - 0.95, HEIGHT - top - 0.62)
    deepest = 1.12 * max(point.se for point in plot.points)
    low, high = _reach(plot, deepest)
    axis.set(xlim=(low, high), ylim=(deepest, 0.0))
    _draw_scales(axis, plot)
    levels = _draw_contours(axis, plot, deepest)
    axis.vlines(plot.centre, 0, deepest, color="black", linewidth=1.0, zorder=2)
    for point in plot.points:
        axis.plot(
            [point.estimate], [point.se], linestyle="none", marker="D" if point.local else "o", markersize=8 if point.local else 6,
            color=COLOURS[1] if point.local else COLOURS[0], markerfacecolor="none" if point.local else COLOURS[0],
            markeredgewidth=1.8 if point.local else 1.0, zorder=5 if point.local else 4,
        )  # fmt: skip
    few = len(plot.points) <= MOST_NAMED
    shown = [point for point in plot.points if few or point.local]
    names = _named_together(axis, shown)
    spots = np.array([[point.estimate, point.se] for point in plot.points])
    middle = np.linspace(0, deepest, 60)
    draw_names(axis, names, np.vstack([spots, levels, np.stack([np.full(60, plot.centre), middle], axis=1)]))
    put(figure, WIDTH / 2, 0.1 + 0.1 * len(title), title, fontsize=12, ha="center")
    put(
        figure,
        0.75 + (WIDTH - 0.95) / 2,
        HEIGHT - 0.17,
        fitted(plot.x_label, WIDTH - 1.0, 1, size=9),
        fontsize=9,
        ha="center",
    )
    put(
        figure,
        0.17,
        top + (HEIGHT - top - 0.62) / 2,
        fitted(plot.se_label, HEIGHT - top - 0.7, 1, size=9),
        fontsize=9,
        ha="center",
        rotation=90,
    )
    return render(figure, plot.name, " ".join([plot.caption, *_reading(plot, few=few)]).strip(), plot.alternative)


def _name(point: FunnelPoint) -> str:
    words = f"local: {point.label}" if point.local and "local" not in point.label.lower() else point.label
    return "\n".join(fitted(words, 1.35, 2, weight="bold" if point.local else "normal"))


def _named_together(axis: Axes, points: Sequence[FunnelPoint]) -> list[Named]:
    """One name for each point; those of points that lie on one another stand below one another."""
    groups: list[tuple[NDArray[np.float64], list[FunnelPoint]]] = []
    for point in points:
        at = axis.transData.transform((point.estimate, point.se)) * 72 / axis.figure.dpi
        group = next((members for place, members in groups if np.hypot(*(at - place)) < SAME), None)
        if group is None:
            groups.append((at, [point]))
        else:
            group.append(point)
    return [
        Named(
            members[0].estimate, members[0].se, "\n".join(_name(member) for member in members),
            bold=len(members) == 1 and members[0].local,
        )
        for _, members in groups
    ]  # fmt: skip


def _reach(plot: FunnelPlot, deepest: float) -> tuple[float, float]:
    """Every point, and the widest contour unless a study with a huge standard error would squeeze the rest."""
    ends = [point.estimate for point in plot.points] + [plot.centre]
    half = max((float(np.interp(deepest, c.se, c.upper - c.lower)) / 2 for c in plot.contours), default=0.0)
    low, high = min([*ends, plot.centre - half]), max([*ends, plot.centre + half])
    room = 0.05 * max(high - low, 1e-9)
    return low - room, high + room


def _draw_scales(axis: Axes, plot: FunnelPlot) -> None:
    low, high = axis.get_xlim()
    if plot.axis == "log" and high - low < 40:
        ticks = log_ticks(math.exp(low), math.exp(high))
        axis.set_xticks([math.log(tick) for tick in ticks], [f"{tick:g}" for tick in ticks])
    axis.spines["left"].set_visible(True)
    deepest = axis.get_ylim()[0]
    step = 10.0 ** math.floor(math.log10(deepest / 3))
    step *= next(factor for factor in (1, 2, 5, 10) if deepest / (factor * step) <= 6)
    places = np.arange(0.0, deepest, step)
    axis.set_yticks(places, [f"{place:.6g}" for place in places])
    axis.tick_params(axis="both", labelsize=8, length=3)


def _draw_contours(axis: Axes, plot: FunnelPlot, deepest: float) -> NDArray[np.float64]:
    """Shade what lies between the contours, write each level on its right branch, and return what that covers."""
    contours = sorted(plot.contours, key=lambda contour: contour.level)
    axis.set_facecolor(BEYOND)
    axis.patch.set_alpha(1.0 if contours else 0.0)
    if contours:
        axis.grid(visible=False)
    places: list[list[float]] = []
    low, high = axis.get_xlim()
    for k, contour in reversed(list(enumerate(contours))):
        axis.fill_betweenx(contour.se, contour.lower, contour.upper, color=SHADES[k], linewidth=0, zorder=1)
        for side in (contour.lower, contour.upper):
            axis.plot(side, contour.se, color="#777777", linewidth=0.8, linestyle=("-", "--", ":")[k], zorder=1.5)
        depth = (0.96, 0.91, 0.86)[k] * deepest
        x = float(np.interp(depth, contour.se, contour.upper))
        axis.text(
            x, depth, f"{100 * contour.level:g} %", fontsize=7.5, ha="center", va="center", color="#444444", zorder=3,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8},
        )  # fmt: skip
        # as wide as the words
        places += [[x + step * (high - low), depth] for step in (-0.024, -0.012, 0.0, 0.012, 0.024)]
    return np.array(places).reshape(-1, 2)


def _reading(plot: FunnelPlot, *, few: bool) -> list[str]:
    said = ["Each point is a study; the higher, the more precise."]
    if any(point.local for point in plot.points):
        said.append("Open diamond: the local study.")
    if plot.contours:
        levels = ", ".join(f"{100 * level:g}" for level in sorted(contour.level for contour in plot.contours))
        said.append(
            f"Contours: {levels} % limits around {readable(plot.centre_words)} (vertical line) at each standard error."
        )
    if not few:
        said.append(f"Studies are not named: there are more than {MOST_NAMED}.")
    if len(plot.points) < FEWEST_STUDIES:
        said.append(
            f"With {len(plot.points)} of the {FEWEST_STUDIES} studies that are usually asked for, asymmetry cannot be told from chance."
        )
    said.append("Small studies may differ for other reasons than missing ones.")
    return said


# names that touch nothing


@dataclass(frozen=True, slots=True)
class Named:
    """Words that belong to a point in data units; several lines are divided by line feeds."""

    x: float
    y: float
    words: str
    bold: bool = False
    colour: str = "black"


def draw_names(axis: Axes, names: Sequence[Named], obstacles: NDArray[np.float64], size: float = 8.0) -> None:
    """Write each name where it touches no obstacle and no other name, with a line to its point where it is far.

    Parameters
    ----------
    axis : Axes
        With its final place and limits.
    names : sequence of Named
        In the order in which they choose their places.
    obstacles : ndarray of shape (m, 2)
        Points in data units that no name may cover.
    size : float
        Of the letters, in points.
    """
    to_points = 72 / axis.figure.dpi
    box = axis.get_window_extent()
    panel = np.array([box.x0, box.y0, box.x1, box.y1]) * to_points
    spots = axis.transData.transform(obstacles) * to_points
    taken = np.empty((0, 4))
    for name in names:
        at = axis.transData.transform((name.x, name.y)) * to_points
        lines = name.words.split("\n")
        wide = 72 * max(text_width(line, size, "bold" if name.bold else "normal") for line in lines)
        boxes, far = _places(at, wide, 1.3 * size * len(lines))
        outside = (boxes[:, :2] < panel[:2]).any(axis=1) | (boxes[:, 2:] > panel[2:]).any(axis=1)
        cost = far + 2000.0 * outside + 60.0 * _covered(boxes, spots) + 1000.0 * _touched(boxes, taken)
        cost += 300.0 * (far > NEAR) * _struck(boxes, at, taken)
        best = int(np.argmin(cost))
        x0, y0, x1, y1 = boxes[best]
        taken = np.vstack([taken, boxes[best]])
        axis.annotate(
            name.words, (name.x, name.y), xytext=((x0 + x1) / 2 - at[0], (y0 + y1) / 2 - at[1]), textcoords="offset points",
            ha="center", va="center" if len(lines) > 1 else "center_baseline", fontsize=size, color=name.colour, linespacing=1.1, fontweight="bold" if name.bold else "normal", zorder=6,
            parse_math=False, annotation_clip=False, path_effects=[withStroke(linewidth=2.0, foreground="white", alpha=0.8)],
            arrowprops={"arrowstyle": "-", "linewidth": 0.6, "color": "#555555", "shrinkA": 1, "shrinkB": 3, "relpos": _nearest(boxes[best], at)}
            if far[best] > NEAR else None,
        )  # fmt: skip
        # later names stay off the line as well
        line = np.linspace(at, ((x0 + x1) / 2, (y0 + y1) / 2), 12)
        spots = np.vstack([spots, line]) if far[best] > NEAR else spots


def _places(at: NDArray[np.float64], wide: float, high: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Boxes (left, bottom, right, top) around a point, and how far each is."""
    far, turn = (grid.ravel() for grid in np.meshgrid(DISTANCES, DIRECTIONS, indexing="ij"))
    x, y = np.cos(turn), np.sin(turn)
    middle_x = at[0] + far * x + np.where(np.abs(x) < 0.1, 0.0, np.sign(x)) * wide / 2
    middle_y = at[1] + far * y + np.where(np.abs(y) < 0.1, 0.0, np.sign(y)) * (high / 2 - 3)
    boxes = np.stack([middle_x - wide / 2, middle_y - high / 2, middle_x + wide / 2, middle_y + high / 2], axis=1)
    return boxes, far.astype(float)


def _covered(boxes: NDArray[np.float64], spots: NDArray[np.float64]) -> NDArray[np.float64]:
    """How many spots each box covers, with a margin."""
    x, y = spots[:, 0], spots[:, 1]
    inside = (x > boxes[:, :1] - 4) & (x < boxes[:, 2:3] + 4) & (y > boxes[:, 1:2] - 3) & (y < boxes[:, 3:] + 3)
    return np.asarray(inside.sum(axis=1), dtype=float)


def _touched(boxes: NDArray[np.float64], taken: NDArray[np.float64]) -> NDArray[np.float64]:
    """How many names each box touches."""
    apart = (
        (boxes[:, None, 0] > taken[None, :, 2] + 2) | (boxes[:, None, 2] < taken[None, :, 0] - 2)
        | (boxes[:, None, 1] > taken[None, :, 3]) | (boxes[:, None, 3] < taken[None, :, 1])
    )  # fmt: skip
    return np.asarray((~apart).sum(axis=1), dtype=float)


def _struck(boxes: NDArray[np.float64], at: NDArray[np.float64], taken: NDArray[np.float64]) -> NDArray[np.float64]:
    """How many names the line from each box to its point would strike through."""
    near = np.clip(at, boxes[:, :2], boxes[:, 2:])
    line = at + np.linspace(0, 1, 12)[:, None, None] * (near - at)
    x, y = line[..., 0, None], line[..., 1, None]
    inside = (x > taken[:, 0]) & (x < taken[:, 2]) & (y > taken[:, 1]) & (y < taken[:, 3])
    return np.asarray(inside.any(axis=0).sum(axis=1), dtype=float)


def _nearest(box: NDArray[np.float64], at: NDArray[np.float64]) -> tuple[float, float]:
    """Place on a box, as fractions of its sides, that is nearest to a point."""
    share = np.clip((at - box[:2]) / (box[2:] - box[:2]), 0.0, 1.0)
    return float(share[0]), float(share[1])
