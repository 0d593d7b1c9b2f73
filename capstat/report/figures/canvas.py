"""What all figures share: size, colours, panels, and rendering that gives the same bytes each time."""

from __future__ import annotations

import io
import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

import matplotlib as mpl
import numpy as np
import seaborn as sns
from matplotlib.figure import Figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

__all__ = [
    "COLOURS",
    "DASHES",
    "MARKERS",
    "Picture",
    "blank_figure",
    "group_panels",
    "new_axes",
    "render",
    "staircase",
    "wrapped",
]

# Okabe-Ito colours (Okabe & Ito 2008), told apart by colour-blind readers and by lightness in grey
COLOURS = ("#0072B2", "#D55E00", "#000000", "#009E73")
MARKERS = ("o", "s", "D", "^")
DASHES = ("-", "--", "-.", ":")
WIDTH = 7.4


@dataclass(frozen=True, slots=True)
class Picture:
    """A finished figure.

    Attributes
    ----------
    name : str
        File name without ending.
    caption, alternative : str
        Words under the figure, and for a reader who cannot see it.
    svg, png : bytes
        The picture in both formats.
    """

    name: str
    caption: str
    alternative: str
    svg: bytes
    png: bytes


def render(figure: Figure, name: str, caption: str, alternative: str) -> Picture:
    """Turn a figure into bytes."""
    files = {}
    # a fixed salt and no date: the same results give the same bytes
    with mpl.rc_context({"svg.hashsalt": "capstat", "svg.fonttype": "path"}):
        for kind, metadata in (
            ("svg", {"Date": None, "Creator": "capstat"}),
            ("png", {"Software": "capstat"}),
        ):
            buffer = io.BytesIO()
            figure.savefig(buffer, format=kind, metadata=metadata, dpi=160)
            files[kind] = buffer.getvalue()
            # the second file keeps the layout of the first: working it out takes a third of the time
            figure.set_layout_engine("none")
    return Picture(name, caption, alternative, files["svg"], files["png"])


def blank_figure(height: float) -> Figure:
    """A figure as wide as the page, without axes."""
    return Figure(figsize=(WIDTH, height), layout="constrained")


def new_axes(height: float = 4.4, rows: int = 1, ratios: tuple[float, ...] = (1.0,)) -> tuple[Figure, list[Axes]]:
    """Axes below one another that share the current."""
    with sns.axes_style("whitegrid"), sns.plotting_context("notebook", font_scale=0.95):
        figure = blank_figure(height)
        axes = figure.subplots(rows, 1, sharex=True, gridspec_kw={"height_ratios": ratios}, squeeze=False)[:, 0]
    for axis in axes:
        sns.despine(ax=axis)
    return figure, list(axes)


def group_panels(count: int, row_height: float, x_label: str, y_label: str) -> tuple[Figure, list[Axes]]:
    """One panel for each of up to four groups, at most two side by side, with the same axes."""
    columns = min(count, 2)
    rows = -(-count // columns)
    with sns.axes_style("whitegrid"), sns.plotting_context("notebook", font_scale=0.85):
        figure = blank_figure(rows * row_height + 0.9)
        axes = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False).ravel()
    for k, axis in enumerate(axes):
        sns.despine(ax=axis)
        axis.set_visible(k < count)
        # shared axes hide the currents of the upper row, which may have an empty place below it
        axis.tick_params(labelbottom=True)
        axis.set(xlabel=x_label, ylabel=y_label if k % columns == 0 else "")
    return figure, list(axes[:count])


def staircase(x: NDArray[np.float64], values: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points of a right-continuous step function."""
    return np.repeat(x, 2)[1:], np.repeat(values, 2)[:-1]


def wrapped(lines: tuple[str, ...], width: int) -> str:
    """Lines broken so that no panel's title runs into its neighbour's."""
    return "\n".join(textwrap.fill(line, width) for line in lines if line)
