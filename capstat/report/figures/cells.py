"""Tables of numbers on shades of grey, for answers that hang on two assumptions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.patches import Rectangle

from capstat.capture.differential import AGAINST
from capstat.report.figures.canvas import COLOURS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

__all__ = ["Cell", "draw_cells", "spoken_against"]

# lightest and darkest grey, so that black text can be read on both
LIGHTEST, DARKEST = 0.97, 0.66
DASH = "\u2013"


@dataclass(frozen=True, slots=True)
class Cell:
    """One answer.

    Attributes
    ----------
    text : str
        What is written.
    shade : float or None
        What the grey shows; ``None`` for an empty cell.
    hatched, framed : bool
        Whether the judgements speak against it, and whether it is marked.
    ringed : bool
        Whether a ring stands below the text.
    """

    text: str
    shade: float | None
    hatched: bool = False
    framed: bool = False
    ringed: bool = False


EMPTY = Cell(DASH, None)


def spoken_against(log_likelihood: float | None) -> bool:
    """Whether the judgements themselves speak against a pair of assumptions."""
    return log_likelihood is not None and log_likelihood < AGAINST


def draw_cells(axis: Axes, cells: Sequence[Sequence[Cell]], rows: Sequence[str], columns: Sequence[str]) -> None:
    """Draw cells, the first row on top; the larger the shade, the darker.

    Parameters
    ----------
    cells : sequence of sequences of Cell
        Row by row.
    rows, columns : sequence of str
        Labels.
    """
    shades = [cell.shade for line in cells for cell in line if cell.shade is not None]
    low, high = (min(shades), max(shades)) if shades else (0.0, 1.0)
    for y, line in enumerate(cells):
        for x, cell in enumerate(line):
            _draw_cell(axis, cell, x, y, 0.0 if high <= low else ((cell.shade or low) - low) / (high - low))
    axis.set(
        xlim=(-0.5, len(columns) - 0.5), ylim=(len(rows) - 0.5, -0.5), xticks=np.arange(len(columns)),
        yticks=np.arange(len(rows)), xticklabels=columns, yticklabels=rows,
    )  # fmt: skip
    axis.tick_params(length=0, labelsize=9)
    for spine in axis.spines.values():
        spine.set_visible(False)


def _draw_cell(axis: Axes, cell: Cell, x: int, y: int, depth: float) -> None:
    grey = 1.0 if cell.shade is None else LIGHTEST + depth * (DARKEST - LIGHTEST)
    face = (grey, grey, grey)
    axis.add_patch(
        Rectangle(
            (x - 0.5, y - 0.5), 1, 1, facecolor=face, edgecolor="#8a8a8a" if cell.hatched else "white", linewidth=0.0,
            hatch="////" if cell.hatched else None, zorder=1,
        )
    )  # fmt: skip
    axis.add_patch(Rectangle((x - 0.5, y - 0.5), 1, 1, fill=False, edgecolor="white", linewidth=1.6, zorder=2))
    if cell.framed:
        axis.add_patch(
            Rectangle((x - 0.44, y - 0.44), 0.88, 0.88, fill=False, edgecolor=COLOURS[1], linewidth=2.4, zorder=3)
        )
    middle = y - 0.16 if cell.ringed else y
    axis.text(
        x, middle, cell.text, ha="center", va="center", fontsize=9, zorder=4,
        bbox={"facecolor": face, "edgecolor": "none", "boxstyle": "square,pad=0.15"} if cell.hatched else None,
    )  # fmt: skip
    if cell.ringed:
        axis.plot(
            [x],
            [y + 0.24],
            linestyle="none",
            marker="o",
            markersize=6,
            color="black",
            markerfacecolor="white",
            zorder=4,
        )
