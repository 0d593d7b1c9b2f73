"""Forest of studies: estimates with limits, pooled values, the local study, and what was left out with the reason.

Layout is worked out in inches from measured text, so that long names are broken or shortened and nothing touches.
"""

from __future__ import annotations

import functools
import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from matplotlib import font_manager
from matplotlib.font_manager import FontProperties
from matplotlib.patches import Rectangle
from matplotlib.textpath import text_to_path
from matplotlib.ticker import MaxNLocator

from capstat.report.figures.canvas import COLOURS, WIDTH, blank_figure, render
from capstat.results import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from capstat.report.figures.canvas import Picture

__all__ = [
    "AxisKind",
    "ForestPlot",
    "ForestRow",
    "RowKind",
    "fitted",
    "forest_picture",
    "inch_axes",
    "log_ticks",
    "name_line",
    "put",
    "readable",
    "text_width",
]

RowKind = Literal[
    "study", "local", "published", "reconstructed", "common", "random", "prediction", "heading", "excluded"
]  # fmt: skip
AxisKind = Literal["log", "linear", "percent"]

MOST_ROWS: Final = 40
# inches; a page of A4 with margins is 10.3 high at this width
TALLEST, MARGIN, LINE, ROOM, BETWEEN = 10.3, 0.1, 0.138, 0.08, 0.13
WIDEST_LABEL, WIDEST_DETAIL, WIDEST_TEXT = 2.1, 0.85, 1.45
SIZE: Final = 8.0
# areas of squares, in square points
LARGEST_AREA, SMALLEST_AREA = 125.0, 9.0
GREY, FAINT = "#555555", "#e4e4e4"
SQUARE, LOCAL = "#9ecae9", COLOURS[1]
POOLED_WORDS: Final = {"random": "filled with random effects", "common": "open with a common effect"}
POOLED: Final = tuple(POOLED_WORDS)
# lines of the three columns of words in one row
_Cells = tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class ForestRow:
    """One line of a forest, from top to bottom.

    Attributes
    ----------
    label : str
        Study, pooled value, or the words of a heading.
    kind : {"study", "local", "published", "reconstructed", "common", "random", "prediction", "heading", "excluded"}
        How it is drawn.  ``"excluded"`` was not pooled: ``text`` gives the reason in place of a mark.  ``"published"``
        stands as printed, beside what was ``"reconstructed"`` from the same paper.
    detail : str
        Patients, or events of patients.
    value, lower, upper : float or None
        In the unit of the axis, not on the pooling scale.  A limit that is infinite, not above 0 on a log axis, or
        ``None`` while the other is known, is unbounded: an arrow.  Both ``None``: no limits.
    weight : float or None
        Share in the pooled value, in any unit; ``None`` for a study that is shown but not pooled.
    text : str
        Value with limits as the right column prints them.
    bold : bool
        Whether its words are bold; those of local and pooled rows always are.
    """

    label: str
    kind: RowKind = "study"
    detail: str = ""
    value: float | None = None
    lower: float | None = None
    upper: float | None = None
    weight: float | None = None
    text: str = ""
    bold: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ForestPlot:
    """What a forest shows.

    Attributes
    ----------
    name, title, caption, alternative : str
        File name, heading, words below (sentences on how to read the marks are added), words for who cannot see it.
    rows : tuple of ForestRow
    axis : {"log", "linear", "percent"}
        ``"percent"`` runs from 0 to 100, evenly.
    x_label, unit : str
        Words below the axis; the unit follows after a comma.
    null : float or None
        Value of no difference: a vertical line.
    reference : tuple of (float, str) or None
        Another value, marked by a dashed line with words above it.
    columns : tuple of str
        Headings of the three columns of words.
    note : str
        Small words inside the picture, below.
    level : float
        Confidence level of the limits.

    Raises
    ------
    UsageError
        Where a number cannot be drawn: one sentence that names the row.
    """

    name: str
    title: str
    caption: str
    alternative: str
    rows: tuple[ForestRow, ...]
    axis: AxisKind
    x_label: str
    unit: str = ""
    null: float | None = None
    reference: tuple[float, str] | None = None
    columns: tuple[str, str, str] = ("study", "patients", "value (limits)")
    note: str = ""
    level: float = 0.95

    def __post_init__(self) -> None:
        """Refuse what cannot be drawn."""
        marks = [("the line of no difference", self.null), *((row.label, row.value) for row in self.rows)]
        marks.append(("the marked line", self.reference[0] if self.reference else None))
        for label, value in marks:
            if value is None:
                continue
            if not math.isfinite(value):
                raise UsageError(f"Forest, {label}: the value must be finite; give no value and the reason instead.")
            if self.axis == "log" and value <= 0:
                raise UsageError(f"Forest, {label}: {value:g} cannot be drawn on a log axis; values must be above 0.")
            if self.axis == "percent" and not 0 <= value <= 100:
                raise UsageError(f"Forest, {label}: {value:g} is not a percentage from 0 to 100.")
        for row in self.rows:
            if any(end is not None and math.isnan(end) for end in (row.lower, row.upper)):
                raise UsageError(f"Forest, {row.label}: a limit is not a number; give no limit instead.")


def forest_picture(plot: ForestPlot) -> Picture:
    """Draw a forest; beyond 40 rows the excluded and then the lightest studies are left out, and the caption says so."""
    rows = _most_telling(plot.rows)
    sheet = _sheet(plot, rows)
    figure = blank_figure(sheet.height)
    figure.set_layout_engine("none")
    axis = inch_axes(figure, sheet.left, sheet.top, sheet.right - sheet.left, sheet.bottom - sheet.top)
    low, high = _axis_limits(plot, rows)
    axis.set(xscale="log" if plot.axis == "log" else "linear", xlim=(low, high), ylim=(sheet.bottom, sheet.top))
    ticks = _ticks(plot.axis, low, high)
    axis.set_xticks(ticks, [f"{tick:g}" for tick in ticks], fontsize=SIZE)
    axis.set_xticks([], minor=True)
    _draw_words(figure, plot, sheet)
    _draw_lines(figure, axis, plot, rows, sheet)
    heaviest = max((row.weight or 0.0 for row in rows), default=0.0)
    for row, y, cells in zip(rows, sheet.middles, sheet.cells, strict=True):
        _draw_row_words(figure, row, y, cells, sheet)
        if row.kind not in ("heading", "excluded"):
            _draw_mark(axis, row, y, heaviest)
    return render(figure, plot.name, " ".join([plot.caption, *_reading(plot, rows)]).strip(), plot.alternative)


# words, measured


def readable(words: str) -> str:
    """Words on one line, with a question mark for what the font cannot draw."""
    font = font_manager.get_font(font_manager.findfont(FontProperties()))
    # spaces that must not be broken stay as they are
    return "".join(c if font.get_char_index(ord(c)) else "?" for c in re.sub(r"[ \t\r\n\f\v]+", " ", words).strip(" "))


@functools.lru_cache(maxsize=4096)
def text_width(words: str, size: float = SIZE, weight: str = "normal") -> float:
    """Width in inches, with a little to spare for hinting."""
    width, _, _ = text_to_path.get_text_width_height_descent(
        words, FontProperties(size=size, weight=weight), ismath=False
    )
    return 1.03 * width / 72


def fitted(words: str, width: float, lines: int, size: float = SIZE, weight: str = "normal") -> tuple[str, ...]:
    """Break words into lines no wider than ``width`` inches; what does not fit ends in an ellipsis."""
    done: list[str] = []
    rest = readable(words).split(" ")
    while rest and rest[0]:
        if len(done) == lines:
            done[-1] = _shortened(f"{done[-1]} {' '.join(rest)}", width, size, weight)
            break
        taken = 1
        while taken < len(rest) and text_width(" ".join(rest[: taken + 1]), size, weight) <= width:
            taken += 1
        line = " ".join(rest[:taken])
        if text_width(line, size, weight) > width:
            # one word wider than the column
            line = _shortened(line, width, size, weight)
        done.append(line)
        rest = rest[taken:]
    return tuple(done)


def _shortened(words: str, width: float, size: float, weight: str) -> str:
    while words and text_width(f"{words}\u2026", size, weight) > width:
        words = words[:-1]
    return f"{words.rstrip()}\u2026"


def put(figure: Figure, x: float, y: float, lines: Sequence[str], **style: object) -> None:
    """Write lines at inches from the left and from the top, centred on ``y``; dollar signs are dollar signs."""
    width, height = figure.get_size_inches()
    kept: dict[str, object] = {
        "fontsize": SIZE,
        "va": "center_baseline" if len(lines) == 1 else "center",
        "linespacing": 1.15,
        "parse_math": False,
        **style,
    }
    if any(lines):
        figure.text(x / width, 1 - y / height, "\n".join(lines), **kept)  # type: ignore[arg-type]


def inch_axes(figure: Figure, left: float, top: float, width: float, height: float) -> Axes:
    """Axes at a place in inches from the upper left, with a bottom line and faint vertical lines alone."""
    whole_width, whole_height = figure.get_size_inches()
    axis = figure.add_axes(
        (left / whole_width, 1 - (top + height) / whole_height, width / whole_width, height / whole_height)
    )
    axis.spines[["left", "right", "top"]].set_visible(False)
    axis.patch.set_alpha(0)
    axis.set_yticks([])
    axis.grid(visible=True, axis="x", color=FAINT, linewidth=0.7)
    axis.set_axisbelow(True)
    axis.tick_params(axis="x", labelsize=SIZE, length=3)
    return axis


def name_line(figure: Figure, axis: Axes, value: float, words: str, y: float) -> None:
    """Write words above a vertical line at ``value``, ``y`` inches from the top, no further out than the axes."""
    box, dpi = axis.get_window_extent(), figure.dpi
    left, right = box.x0 / dpi, box.x1 / dpi
    line = fitted(words, right - left, 1)
    half = max((text_width(one) for one in line), default=0.0) / 2
    x = float(axis.transData.transform((value, 0.0))[0]) / dpi
    put(figure, min(max(x, left + half), right - half), y, line, ha="center")


# where everything goes


@dataclass(frozen=True, slots=True)
class _Sheet:
    """Places in inches from the upper left: columns, rows, and what the rows say."""

    title: tuple[str, ...]
    header: float
    detail: float
    left: float
    right: float
    top: float
    bottom: float
    height: float
    x_label: tuple[str, ...]
    note: tuple[str, ...]
    middles: tuple[float, ...]
    tops: tuple[float, ...]
    cells: tuple[_Cells, ...]


def _sheet(plot: ForestPlot, rows: tuple[ForestRow, ...]) -> _Sheet:
    """Names and reasons on as many lines as the page has room for."""
    for lines, reason in ((4, 4), (2, 3), (1, 2)):
        sheet = _sheet_with(plot, rows, lines, reason)
        if sheet.height <= TALLEST:
            return sheet
    return _sheet_with(plot, rows, 1, 1)


def _sheet_with(plot: ForestPlot, rows: tuple[ForestRow, ...], lines: int, reason: int) -> _Sheet:
    usual = [row for row in rows if row.kind not in ("heading", "excluded")]
    named = [(_named(row), _weight(row)) for row in usual]
    named += [(row.label, "normal") for row in rows if row.kind == "excluded"]
    label = max(_column(named, plot.columns[0], WIDEST_LABEL), min(text_width(readable(plot.columns[0])), WIDEST_LABEL))
    detail = _column([(row.detail, "normal") for row in rows], plot.columns[1], WIDEST_DETAIL)
    text = _column([(row.text, _weight(row)) for row in usual], plot.columns[2], WIDEST_TEXT)
    # with the widest columns allowed 2.2 inches are left for the axis
    detail_end = MARGIN + label + BETWEEN + detail
    left, right = detail_end + 0.22, WIDTH - MARGIN - text - 0.2
    cells: list[_Cells] = []
    for row in rows:
        if row.kind == "heading":
            cells.append((fitted(row.label, WIDTH - 2 * MARGIN, 2, weight="bold"), (), ()))
        elif row.kind == "excluded":
            cells.append(
                (
                    fitted(row.label, label, lines),
                    fitted(row.detail, detail, lines),
                    fitted(row.text, WIDTH - MARGIN - left, reason),
                )
            )
        else:
            cells.append(
                (
                    fitted(_named(row), label, lines, weight=_weight(row)),
                    fitted(row.detail, detail, lines),
                    fitted(row.text, text, 2, weight=_weight(row)),
                )
            )
    title = fitted(plot.title, WIDTH - 0.4, 3, size=12)
    header = MARGIN + 0.2 * len(title) + (0.16 if title else 0.1)
    top = header + 0.17
    heights = [ROOM + LINE * max(1, *(len(cell) for cell in row)) for row in cells]
    ends = top + 0.03 + np.cumsum(heights)
    bottom = float(ends[-1]) + 0.05 if heights else top + 0.3
    x_label = fitted(f"{plot.x_label}, {plot.unit}" if plot.unit else plot.x_label, WIDTH - 0.6, 3, size=9)
    note = fitted(plot.note, WIDTH - 2 * MARGIN, 6, size=7.5)
    height = bottom + 0.3 + 0.16 * len(x_label) + 0.13 * len(note) + (0.1 if note else 0.0) + 0.08
    return _Sheet(
        title, header, detail_end, left, right, top, bottom, height, x_label, note,
        tuple(float(end - high / 2) for end, high in zip(ends, heights, strict=True)),
        tuple(float(end - high) for end, high in zip(ends, heights, strict=True)), tuple(cells),
    )  # fmt: skip


def _column(words: Sequence[tuple[str, str]], heading: str, widest: float) -> float:
    """Width of a column: its widest words, but no more than allowed, and nothing for an empty one."""
    if not any(word for word, _ in words):
        return 0.0
    wide = [text_width(readable(word), SIZE, weight) for word, weight in (*words, (heading, "normal"))]
    return min(widest, max(wide) + 0.02)


def _named(row: ForestRow) -> str:
    """Name of a row; the local study is called so in words."""
    return f"Local: {row.label}" if row.kind == "local" and "local" not in row.label.lower() else row.label


def _weight(row: ForestRow) -> str:
    return "bold" if row.bold or row.kind in ("local", *POOLED) else "normal"


def _most_telling(rows: tuple[ForestRow, ...]) -> tuple[ForestRow, ...]:
    """Leave out what is too much for a page: excluded studies from the end, then the lightest studies."""
    spare = [k for k in reversed(range(len(rows))) if rows[k].kind == "excluded"]
    studies = [k for k, row in enumerate(rows) if row.kind == "study"]
    spare += sorted(studies, key=lambda k: rows[k].weight or 0.0)
    out = set(spare[: max(0, len(rows) - MOST_ROWS)])
    return tuple(row for k, row in enumerate(rows) if k not in out)


# the axis


def _unbounded(end: float | None, axis: AxisKind) -> bool:
    return end is None or math.isinf(end) or (axis == "log" and end <= 0)


def _axis_limits(plot: ForestPlot, rows: tuple[ForestRow, ...]) -> tuple[float, float]:
    """Every value, the line of no difference and limits as far again; what lies beyond gets an arrow."""
    if plot.axis == "percent":
        return -2.0, 102.0
    to, back = (math.log, math.exp) if plot.axis == "log" else (float, float)
    marks = [row.value for row in rows] + [plot.null, plot.reference[0] if plot.reference else None]
    core = [to(mark) for mark in marks if mark is not None] or [0.0]
    pairs = [
        [to(end) for end in (row.lower, row.upper) if not _unbounded(end, plot.axis) and end is not None]
        for row in rows
    ]
    ends = [end for pair in pairs for end in pair]
    widths = [pair[1] - pair[0] for pair in pairs if len(pair) == 2]
    least = math.log(1.3) if plot.axis == "log" else max(0.1 * max(map(abs, core)), 1e-9)
    reach = max(max(core) - min(core), float(np.median(widths)) if widths else 0.0, least)
    low = min(core) - min(reach, max(0.0, min(core) - min(ends, default=0.0)) if ends else least)
    high = max(core) + min(reach, max(0.0, max(ends, default=0.0) - max(core)) if ends else least)
    room = 0.04 * max(high - low, least)
    return back(low - room), back(high + room)


def log_ticks(low: float, high: float) -> list[float]:
    """Round numbers between two positive limits, four or more where that can be."""
    if high / low < 4:
        return [
            float(tick)
            for tick in MaxNLocator(6, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
            if low <= tick <= high
        ]
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    ticks: list[float] = []
    for steps in ((1.0,), (1.0, 3.0), (1.0, 2.0, 5.0), (1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0)):
        ticks = [step * 10.0**power for power in powers for step in steps if low <= step * 10.0**power <= high]
        if len(ticks) >= 4:
            break
    return ticks[:: math.ceil(len(ticks) / 8)]


def _ticks(axis: AxisKind, low: float, high: float) -> list[float]:
    if axis == "log":
        return log_ticks(low, high)
    if axis == "percent":
        return [0.0, 20.0, 40.0, 60.0, 80.0, 100.0]
    return [
        float(tick) for tick in MaxNLocator(6, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high) if low <= tick <= high
    ]


# drawing


def _draw_words(figure: Figure, plot: ForestPlot, sheet: _Sheet) -> None:
    put(figure, WIDTH / 2, MARGIN + 0.1 * len(sheet.title), sheet.title, fontsize=12, ha="center")
    style = {"color": GREY}
    put(figure, MARGIN, sheet.header, fitted(plot.columns[0], WIDEST_LABEL, 1), **style)
    if any(cells[1] for cells in sheet.cells):
        put(figure, sheet.detail, sheet.header, fitted(plot.columns[1], WIDEST_DETAIL, 1), ha="right", **style)
    if any(row.text for row in plot.rows if row.kind not in ("heading", "excluded")):
        put(figure, sheet.right + 0.2, sheet.header, fitted(plot.columns[2], WIDEST_TEXT, 1), **style)
    middle = (sheet.left + sheet.right) / 2
    half = max((text_width(line, 9) for line in sheet.x_label), default=0.0) / 2
    middle = min(max(middle, MARGIN + half), WIDTH - MARGIN - half)
    below = sheet.bottom + 0.3
    put(figure, middle, below + 0.08 * len(sheet.x_label), sheet.x_label, fontsize=9, ha="center")
    below += 0.16 * len(sheet.x_label) + 0.1
    put(figure, MARGIN, below + 0.065 * len(sheet.note), sheet.note, fontsize=7.5, color=GREY)


def _draw_lines(figure: Figure, axis: Axes, plot: ForestPlot, rows: tuple[ForestRow, ...], sheet: _Sheet) -> None:
    """No difference, the pooled value, the marked value, and a band behind the local study."""
    marked = [k for k, row in enumerate(rows) if row.kind not in ("heading", "excluded")]
    # not through the reasons of what was not pooled
    end = 2 * sheet.middles[marked[-1]] - sheet.tops[marked[-1]] if marked else sheet.bottom
    end = sheet.bottom if marked and marked[-1] == len(rows) - 1 else end
    if plot.null is not None:
        axis.vlines(plot.null, sheet.top, end, color="black", linewidth=1.0, zorder=1.5)
    pooled = next((found for kind in ("random", "common") if (found := [r for r in rows if r.kind == kind])), [])
    if len(pooled) == 1 and pooled[0].value is not None:
        axis.vlines(pooled[0].value, sheet.top, end, color="black", linewidth=0.9, linestyle=":", zorder=1.4)
    if plot.reference:
        value, words = plot.reference
        axis.vlines(value, sheet.top, end, color="black", linewidth=1.2, linestyle="--", zorder=1.6)
        name_line(figure, axis, value, words, sheet.header)
    for row, start, middle in zip(rows, sheet.tops, sheet.middles, strict=True):
        if row.kind == "local":
            high = 2 * (middle - start) / sheet.height
            figure.add_artist(
                Rectangle((0.005, 1 - start / sheet.height - high), 0.99, high, color="#f6ece4", linewidth=0, zorder=-1)
            )


def _draw_row_words(
    figure: Figure, row: ForestRow, y: float, cells: _Cells,
    sheet: _Sheet,
) -> None:  # fmt: skip
    label, detail, text = cells
    # a white ground keeps lines of the axis out of words that reach into it
    ground = {"facecolor": "white", "edgecolor": "none", "pad": 1.0}
    if row.kind == "heading":
        put(figure, MARGIN, y, label, fontweight="bold", bbox=ground, zorder=5)
        return
    out = row.kind == "excluded"
    style = {"fontweight": _weight(row), "color": GREY if out else "black"}
    put(figure, MARGIN, y, label, **style)
    put(figure, sheet.detail, y, detail, color=style["color"], ha="right")
    if out:
        put(figure, sheet.left, y, text, color=GREY, fontstyle="italic", bbox=ground, zorder=5)
    else:
        put(figure, sheet.right + 0.2, y, text, **style)


def _draw_mark(axis: Axes, row: ForestRow, y: float, heaviest: float) -> None:
    low, high = axis.get_xlim()
    kind: AxisKind = "log" if axis.get_xscale() == "log" else "linear"
    colour = LOCAL if row.kind == "local" else "black"
    known = row.lower is not None or row.upper is not None
    start = low if row.lower is None or _unbounded(row.lower, kind) else max(row.lower, low)
    end = high if row.upper is None or _unbounded(row.upper, kind) else min(row.upper, high)
    if known:
        _draw_reach(axis, row, y, (start, end), colour)
        for place, edge, marker in ((start, low, "<"), (end, high, ">")):
            if place == edge:
                axis.plot([edge], [y], marker=marker, markersize=5.5, color=colour, clip_on=False, zorder=6)
    if row.value is None or row.kind == "prediction":
        return
    if row.kind in POOLED:
        if not known:
            axis.plot([row.value], [y], marker="D", markersize=6, color="black", zorder=5)
    elif row.kind == "local":
        axis.plot(
            [row.value], [y], marker="o", markersize=7.0, color=LOCAL, markerfacecolor="white", markeredgewidth=1.8,
            zorder=5, clip_on=False,
        )  # fmt: skip
    elif row.kind == "reconstructed":
        axis.plot([row.value], [y], marker="o", markersize=6.0, color="black", zorder=5, clip_on=False)
    else:
        pooled = row.weight is not None and heaviest > 0
        area = max(LARGEST_AREA * (row.weight or 0.0) / heaviest, SMALLEST_AREA) if pooled else 28.0
        axis.scatter(
            [row.value], [y], s=area, marker="s", facecolor=SQUARE if pooled else "white", edgecolor=COLOURS[0],
            linewidth=1.0, zorder=3, clip_on=False,
        )  # fmt: skip
        if row.kind == "study":
            axis.plot([row.value], [y], marker="o", markersize=2.4, color="black", zorder=5, clip_on=False)


def _draw_reach(axis: Axes, row: ForestRow, y: float, ends: tuple[float, float], colour: str) -> None:
    """Limits: a line, for a pooled value a diamond, for a prediction interval a bar."""
    start, end = ends
    if row.kind == "prediction":
        axis.add_patch(
            Rectangle(
                (start, y - 0.032), end - start, 0.064, facecolor="#a8a8a8", edgecolor="black", linewidth=0.8, zorder=3
            )
        )
    elif row.kind in POOLED and row.value is not None:
        face = "black" if row.kind == "random" else "white"
        axis.fill(
            [start, row.value, end, row.value], [y, y - 0.07, y, y + 0.07], facecolor=face, edgecolor="black",
            linewidth=1.1, zorder=4,
        )  # fmt: skip
    else:
        # above the squares: limits narrower than a square stay visible
        axis.hlines(y, start, end, color=colour, linewidth=2.0 if row.kind == "local" else 1.1, zorder=4)
        if row.kind == "local":
            # its limits may be narrower than its marker
            shown = [place for place, at in zip(ends, (row.lower, row.upper), strict=True) if place == at]
            axis.vlines(shown, y - 0.055, y + 0.055, color=colour, linewidth=1.4, zorder=6)


# words below


def _reading(plot: ForestPlot, rows: tuple[ForestRow, ...]) -> list[str]:
    """How to read the marks that occur."""
    kinds = {row.kind for row in rows}
    studies = [row for row in rows if row.kind == "study" and row.value is not None]
    percent = f"{100 * plot.level:g} %"
    pooled = ", ".join(words for kind, words in POOLED_WORDS.items() if kind in kinds)
    left_out = len(plot.rows) - len(rows)
    sentences = (
        (any(row.weight is not None for row in studies), f"Squares: studies, area by weight down to a smallest size; lines: {percent} limits."),
        (any(row.weight is None for row in studies), f"Open squares: studies shown without weight, with {percent} limits."),
        ("published" in kinds, "Open squares: as published."),
        ("reconstructed" in kinds, f"Filled circles: reconstructed, with {percent} limits."),
        ("local" in kinds, "Open circle on a shaded band: the local study."),
        (bool(pooled), f"Diamonds: pooled values, as wide as their {percent} limits; {pooled}."),
        ("prediction" in kinds, f"Bar: {percent} prediction interval, where the true value of a further study may lie."),
        (plot.null is not None, "Vertical line: no difference."),
        (plot.reference is not None, f"Dashed line: {readable(plot.reference[1]) if plot.reference else ''}."),
        (_leaves(plot, rows), "Arrow: a limit lies beyond the axis, or there is none on that side."),
        ("excluded" in kinds, "Italic: not pooled, with the reason."),
        (left_out > 0, f"{left_out} of {len(plot.rows)} rows are not drawn: first those not pooled, then the lightest studies."),
    )  # fmt: skip
    return [sentence for holds, sentence in sentences if holds]


def _leaves(plot: ForestPlot, rows: tuple[ForestRow, ...]) -> bool:
    low, high = _axis_limits(plot, rows)
    return any(
        (_unbounded(row.lower, plot.axis) or (row.lower or 0.0) < low)
        or (_unbounded(row.upper, plot.axis) or (row.upper or 0.0) > high)
        for row in rows
        if row.kind not in ("heading", "excluded") and (row.lower is not None or row.upper is not None)
    )
