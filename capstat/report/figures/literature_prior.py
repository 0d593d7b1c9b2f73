"""Prior from the literature, local data, and both together, as densities over the quantity's own scale."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from matplotlib.ticker import MaxNLocator

from capstat.report.figures.canvas import COLOURS, WIDTH, blank_figure, render
from capstat.report.figures.forest import fitted, inch_axes, log_ticks, put
from capstat.report.figures.funnel import Named, draw_names

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from capstat.report.figures.canvas import Picture

__all__ = ["DensityLine", "PriorPlot", "prior_picture"]

Role = Literal["prior", "downweighted", "local", "posterior"]
HEIGHT: Final = 3.9
# colour, dashes, width: told apart in grey by the dashes and the widths
STYLES: Final = {
    "prior": ("#666666", ":", 1.6),
    "downweighted": (COLOURS[0], "--", 1.8),
    "local": (COLOURS[1], "-.", 1.8),
    "posterior": ("black", "-", 2.4),
}
SHOWN_SHARE: Final = 0.002


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DensityLine:
    """One density.

    Attributes
    ----------
    label : str
        Written beside the line: ``"published, at a quarter of its weight"``.
    role : {"prior", "downweighted", "local", "posterior"}
        Colour and dashes.
    x : ndarray of shape (m,)
        Increasing, in the unit of the axis.
    density : ndarray of shape (m,)
        Height on the scale drawn: on a log axis the density of the logarithm, so that areas are probabilities.
    """

    label: str
    role: Role
    x: NDArray[np.float64]
    density: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PriorPlot:
    """What the picture of a prior shows.

    Attributes
    ----------
    name, title, caption, alternative : str
        File name, heading, words below (sentences on how to read it are added), words for who cannot see it.
    lines : tuple of DensityLine
        Prior as given, downweighted, local, posterior; those that there are.
    axis : {"log", "linear", "percent"}
    x_label : str
        With its unit.
    null : float or None
        Value of no difference: a vertical line.
    """

    name: str
    title: str
    caption: str
    alternative: str
    lines: tuple[DensityLine, ...]
    axis: Literal["log", "linear", "percent"]
    x_label: str
    null: float | None = None


def prior_picture(plot: PriorPlot) -> Picture:
    """Draw the densities, each with its name beside it."""
    figure = blank_figure(HEIGHT)
    figure.set_layout_engine("none")
    title = fitted(plot.title, WIDTH - 0.4, 2, size=12)
    top = 0.2 + 0.2 * len(title) + 0.05
    axis = inch_axes(figure, 0.45, top, WIDTH - 0.65, HEIGHT - top - 0.62)
    highest = max(float(line.density.max()) for line in plot.lines)
    low, high = _reach(plot, highest)
    axis.set(xscale="log" if plot.axis == "log" else "linear", xlim=(low, high), ylim=(0, 1.28 * highest))
    ticks = (
        log_ticks(low, high) if plot.axis == "log" else list(MaxNLocator(7, steps=[1, 2, 5, 10]).tick_values(low, high))
    )
    ticks = [tick for tick in ticks if low <= tick <= high]
    axis.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    axis.set_xticks([], minor=True)
    for line in plot.lines:
        colour, dashes, width = STYLES[line.role]
        axis.plot(line.x, line.density, color=colour, linestyle=dashes, linewidth=width, zorder=3)
        if line.role == "posterior":
            axis.fill_between(line.x, line.density, color="#999999", alpha=0.25, linewidth=0, zorder=2)
    if plot.null is not None:
        axis.axvline(plot.null, color="black", linewidth=1.0, zorder=1.5)
    _name_lines(axis, plot, highest)
    put(figure, WIDTH / 2, 0.1 + 0.1 * len(title), title, fontsize=12, ha="center")
    put(
        figure,
        0.45 + (WIDTH - 0.65) / 2,
        HEIGHT - 0.17,
        fitted(plot.x_label, WIDTH - 0.8, 1, size=9),
        fontsize=9,
        ha="center",
    )
    put(figure, 0.2, top + (HEIGHT - top - 0.62) / 2, ("density",), fontsize=9, ha="center", rotation=90)
    return render(figure, plot.name, " ".join([plot.caption, *_reading(plot)]).strip(), plot.alternative)


def _reach(plot: PriorPlot, highest: float) -> tuple[float, float]:
    """Where any line is more than a trace of the highest."""
    seen = [line.x[line.density > SHOWN_SHARE * highest] for line in plot.lines]
    low, high = min(float(x.min()) for x in seen if x.size), max(float(x.max()) for x in seen if x.size)
    if plot.null is not None:
        low, high = min(low, plot.null), max(high, plot.null)
    if plot.axis == "log":
        room = (high / low) ** 0.02
        return low / room, high * room
    room = 0.02 * (high - low)
    return (max(low - room, 0.0), min(high + room, 100.0)) if plot.axis == "percent" else (low - room, high + room)


def _name_lines(axis: Axes, plot: PriorPlot, highest: float) -> None:
    """Name each line where it stands most apart from the others, off all of them."""
    left, right = axis.get_xlim()
    grid = np.geomspace(left, right, 600) if plot.axis == "log" else np.linspace(left, right, 600)
    heights = np.array([np.interp(grid, line.x, line.density, left=0, right=0) for line in plot.lines])
    names = []
    for k, line in enumerate(plot.lines):
        # the highest line there by the widest distance, or else its own peak
        others = np.delete(heights, k, axis=0)
        apart = np.abs(others - heights[k]).min(axis=0) if others.size else np.ones_like(grid)
        score = np.minimum(apart / highest, 0.15) + 0.4 * heights[k] / highest
        score[heights[k] < 0.12 * heights[k].max()] = -1.0
        j = int(np.argmax(score))
        (words,) = fitted(line.label, 2.2, 1, weight="bold" if line.role == "posterior" else "normal") or ("",)
        names.append(
            Named(
                float(grid[j]), float(heights[k, j]), words, bold=line.role == "posterior", colour=STYLES[line.role][0]
            )
        )
    curves = np.concatenate([np.stack([grid, row], axis=1) for row in heights])
    if plot.null is not None:
        edge = np.linspace(0, 1.28 * highest, 80)
        curves = np.vstack([curves, np.stack([np.full_like(edge, plot.null), edge], axis=1)])
    draw_names(axis, sorted(names, key=lambda name: -name.y), curves)


def _reading(plot: PriorPlot) -> list[str]:
    words = {
        "prior": "Dotted: the published studies as they are.",
        "downweighted": "Dashed: the same with less weight.",
        "local": "Dashes and dots: the local data alone.",
        "posterior": "Solid, shaded: both together.",
    }
    roles = {line.role for line in plot.lines}
    said = [sentence for role, sentence in words.items() if role in roles]
    if plot.null is not None:
        said.append("Vertical line: no difference.")
    return [
        *said,
        f"Equal areas are equal probabilities{' on this log axis' if plot.axis == 'log' else ''}; how much weight published studies deserve is assumed, not estimated.",
    ]
