"""Local thresholds and shares captured beside the published ranges and the ranges of the trade."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from matplotlib.patches import Rectangle

from capstat.report.figures.canvas import COLOURS, WIDTH, blank_figure, render
from capstat.report.figures.forest import fitted, inch_axes, name_line, put, readable, text_width

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from capstat.report.figures.canvas import Picture

__all__ = ["LocalShare", "LocalThreshold", "PublishedShares", "RangeBar", "RangesPlot", "StudyMark", "ranges_picture"]

TRADE_WORDS: Final = "common practice, no source"
MARGIN, ROOM, LINE = 0.1, 0.12, 0.138
WIDEST_LABEL, WIDEST_TEXT = 2.2, 1.75
# areas of marks, in square points
LARGEST_AREA, SMALLEST_AREA = 95.0, 14.0
LOCAL = COLOURS[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyMark:
    """One published study: its value, mA or percent, and its patients (``None``: not told)."""

    value: float
    n: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeBar:
    """A range of currents.

    Attributes
    ----------
    label, text : str
        Words on its left and on its right (how many studies and patients).
    kind : {"extremes", "centres", "trade"}
        Lowest and highest single threshold, range of the studies' means and medians, or a range of the trade, whose
        label gets the words that it has no source.
    lower, upper : float
        mA.
    marks : tuple of StudyMark
        Each study's own mean or median.
    """

    label: str
    kind: Literal["extremes", "centres", "trade"]
    lower: float
    upper: float
    text: str = ""
    marks: tuple[StudyMark, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LocalThreshold:
    """Local thresholds with one placement, mA.

    Attributes
    ----------
    label, text : str
        Placement, and what the right column says.
    median, lower, upper : float or None
        Median with its limits; ``None`` where it was not reached.
    tenth, ninetieth : float or None
        Currents that capture 10 and 90 %; ``None``: not reached, an arrow (to the left for the tenth).
    """

    label: str
    median: float | None
    lower: float | None
    upper: float | None
    tenth: float | None
    ninetieth: float | None
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PublishedShares:
    """Published shares captured, %, of one kind of capture: label, marks and words on the right."""

    label: str
    marks: tuple[StudyMark, ...]
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LocalShare:
    """Local share captured at the highest current, % with limits: label and words on the right."""

    label: str
    percent: float
    lower: float
    upper: float
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RangesPlot:
    """What the picture of ranges shows.

    Attributes
    ----------
    name, title, caption, alternative : str
        File name, heading, words below (sentences on how to read it are added), words for who cannot see it.
    bars : tuple of RangeBar
    thresholds : tuple of LocalThreshold
    maximum_ma : float or None
        Highest current of the local devices.
    shares : tuple of PublishedShares or LocalShare
        Rows of the second panel; empty: no second panel.
    x_label, share_label : str
        Words below the two axes, with units.
    level : float
        Confidence level of the local limits.
    """

    name: str
    title: str
    caption: str
    alternative: str
    bars: tuple[RangeBar, ...]
    thresholds: tuple[LocalThreshold, ...]
    maximum_ma: float | None = None
    shares: tuple[PublishedShares | LocalShare, ...] = ()
    x_label: str = "capture threshold, mA"
    share_label: str = "share captured, %"
    level: float = 0.95


@dataclass(frozen=True, slots=True)
class _Row:
    """One row: its words, broken, and what is drawn there."""

    label: tuple[str, ...]
    text: tuple[str, ...]
    item: RangeBar | LocalThreshold | PublishedShares | LocalShare

    @property
    def local(self) -> bool:
        return isinstance(self.item, LocalThreshold | LocalShare)

    @property
    def height(self) -> float:
        return ROOM + LINE * max(1, len(self.label), len(self.text))


def ranges_picture(plot: RangesPlot) -> Picture:
    """Draw published ranges, ranges of the trade and local values, one below the other on the same axis."""
    above: tuple[RangeBar | LocalThreshold, ...] = (*plot.bars, *plot.thresholds)
    items = (*above, *plot.shares)
    label_width = min(WIDEST_LABEL, max(text_width(TRADE_WORDS), *(_width(_label(item), item) for item in items)))
    text_wide = min(WIDEST_TEXT, max((_width(item.text, item) for item in items), default=0.0))
    left, right = MARGIN + label_width + 0.2, WIDTH - MARGIN - text_wide - (0.2 if text_wide else 0.1)
    panels = [[_row(item, label_width, text_wide) for item in part] for part in (above, plot.shares) if part]
    title = fitted(plot.title, WIDTH - 0.4, 2, size=12)
    start = 0.2 + 0.2 * len(title) + (0.24 if plot.maximum_ma is not None else 0.05)
    heights = [sum(row.height for row in panel) + 0.06 for panel in panels]
    figure = blank_figure(start + sum(heights) + 0.62 * len(panels) + 0.16 * (len(panels) - 1))
    figure.set_layout_engine("none")
    put(figure, WIDTH / 2, 0.1 + 0.1 * len(title), title, fontsize=12, ha="center")
    for k, (panel, height) in enumerate(zip(panels, heights, strict=True)):
        axis = inch_axes(figure, left, start, right - left, height)
        axis.set_ylim(start + height, start)
        shares = k == 1 or not above
        axis.set_xlim((-2, 102) if shares else (0, _highest(plot)))
        largest = max((mark.n or 0 for row in panel for mark in getattr(row.item, "marks", ())), default=0)
        y = start + 0.03
        for row in panel:
            _draw_row(figure, axis, row, y, right + 0.2, largest)
            y += row.height
        if not shares and plot.maximum_ma is not None:
            axis.axvline(plot.maximum_ma, color="black", linewidth=1.0, linestyle="--", zorder=1.5)
            name_line(figure, axis, plot.maximum_ma, f"highest output here, {plot.maximum_ma:g} mA", start - 0.09)
        words = fitted(plot.share_label if shares else plot.x_label, WIDTH - 0.4, 1, size=9)
        put(figure, (left + right) / 2, start + height + 0.38, words, fontsize=9, ha="center")
        start += height + 0.78
    return render(figure, plot.name, " ".join([plot.caption, *_reading(plot)]).strip(), plot.alternative)


def _label(item: RangeBar | LocalThreshold | PublishedShares | LocalShare) -> str:
    if isinstance(item, RangeBar | PublishedShares) or "local" in item.label.lower():
        return item.label
    return f"Local: {item.label}"


def _style(item: object) -> str:
    return "bold" if isinstance(item, LocalThreshold | LocalShare) else "normal"


def _width(words: str, item: object) -> float:
    return text_width(readable(words), weight=_style(item)) + 0.02 if words else 0.0


def _row(item: RangeBar | LocalThreshold | PublishedShares | LocalShare, label_width: float, text_wide: float) -> _Row:
    style = _style(item)
    label = fitted(_label(item), label_width, 3, weight=style)
    if isinstance(item, RangeBar) and item.kind == "trade":
        label = (*label, *fitted(TRADE_WORDS, label_width, 2))
    return _Row(label, fitted(item.text, text_wide, 3, weight=style), item)


def _highest(plot: RangesPlot) -> float:
    ends = [bar.upper for bar in plot.bars] + [mark.value for bar in plot.bars for mark in bar.marks]
    ends += [
        end for local in plot.thresholds for end in (local.median, local.tenth, local.ninetieth) if end is not None
    ]
    # a limit far above everything gets an arrow
    return 1.08 * max([*ends, plot.maximum_ma or 0.0, 1.0])


def _draw_row(figure: Figure, axis: Axes, row: _Row, top: float, text_at: float, largest: int) -> None:
    y, height = top + row.height / 2, figure.get_size_inches()[1]
    if row.local:
        band = Rectangle(
            (0.005, 1 - (top + row.height) / height), 0.99, row.height / height, color="#f6ece4", linewidth=0, zorder=-1
        )
        figure.add_artist(band)
    put(figure, MARGIN, y, row.label, fontweight=_style(row.item))
    put(figure, text_at, y, row.text, fontweight=_style(row.item))
    if isinstance(row.item, RangeBar):
        _draw_bar(axis, row.item, y)
        _draw_marks(axis, row.item.marks, y, largest)
    elif isinstance(row.item, LocalThreshold):
        _draw_threshold(axis, row.item, y)
    elif isinstance(row.item, PublishedShares):
        _draw_marks(axis, row.item.marks, y, largest)
    else:
        _draw_limits(axis, row.item.lower, row.item.upper, y)
        _draw_centre(axis, row.item.percent, y)


def _draw_bar(axis: Axes, bar: RangeBar, y: float) -> None:
    half, face, hatch = {
        "extremes": (0.035, "#bdbdbd", ""), "centres": (0.085, "#dceaf5", ""), "trade": (0.06, "white", "//////"),
    }[bar.kind]  # fmt: skip
    axis.add_patch(
        Rectangle(
            (bar.lower, y - half), bar.upper - bar.lower, 2 * half, facecolor=face, edgecolor="#666666", hatch=hatch,
            linewidth=0.8, zorder=2,
        )
    )  # fmt: skip


def _draw_marks(axis: Axes, marks: Sequence[StudyMark], y: float, largest: int) -> None:
    # large marks first, so that small ones stay visible on them
    for mark in sorted(marks, key=lambda mark: -(mark.n or 0)):
        area = max(LARGEST_AREA * (mark.n or 0) / largest, SMALLEST_AREA) if largest else SMALLEST_AREA
        axis.scatter(
            [mark.value], [y], s=area, marker="o" if mark.n else "x", facecolor="#9ecae9" if mark.n else COLOURS[0],
            edgecolor=COLOURS[0] if mark.n else None, linewidth=1.0, zorder=3, clip_on=False,
        )  # fmt: skip


def _draw_threshold(axis: Axes, local: LocalThreshold, y: float) -> None:
    low, high = axis.get_xlim()
    start, end = low if local.tenth is None else local.tenth, high if local.ninetieth is None else local.ninetieth
    axis.hlines(y, start, end, color=LOCAL, linewidth=1.2, zorder=3)
    for unknown, edge, marker in ((local.tenth is None, low, "<"), (local.ninetieth is None, high, ">")):
        if unknown:
            axis.plot([edge], [y], marker=marker, markersize=5.5, color=LOCAL, clip_on=False, zorder=5)
    if local.lower is not None or local.upper is not None:
        _draw_limits(
            axis,
            low if local.lower is None else max(local.lower, low),
            high if local.upper is None else min(local.upper, high),
            y,
        )
    if local.median is not None:
        _draw_centre(axis, local.median, y)


def _draw_limits(axis: Axes, lower: float, upper: float, y: float) -> None:
    axis.add_patch(Rectangle((lower, y - 0.04), upper - lower, 0.08, facecolor=LOCAL, linewidth=0, zorder=4))


def _draw_centre(axis: Axes, value: float, y: float) -> None:
    # a tick leaves narrow limits visible, a round mark would not
    axis.vlines(value, y - 0.085, y + 0.085, color="black", linewidth=2.2, zorder=6, clip_on=False)


def _reading(plot: RangesPlot) -> list[str]:
    kinds = {bar.kind for bar in plot.bars}
    said = []
    if "extremes" in kinds:
        said.append("Thin bar: lowest to highest published threshold.")
    if "centres" in kinds:
        said.append("Thick bar: lowest to highest mean or median of a published study.")
    if "trade" in kinds:
        said.append(f"Hatched: ranges of the trade ({TRADE_WORDS}).")
    marks = [mark for item in (*plot.bars, *plot.shares) for mark in getattr(item, "marks", ())]
    if any(mark.n for mark in marks):
        said.append("Round marks: published studies, area by patients down to a smallest size.")
    if any(not mark.n for mark in marks):
        said.append("Crosses: published studies whose number of patients is not known.")
    level = f"{100 * plot.level:g} %"
    if plot.thresholds:
        said.append(
            f"Shaded rows: the local study; tick: median, thick part: its {level} limits, thin line: from the current that captures 10 % to the one that captures 90 %."
        )
    if any(end is None for local in plot.thresholds for end in (local.tenth, local.ninetieth)):
        said.append("Arrow: not known on that side.")
    if any(isinstance(item, LocalShare) for item in plot.shares):
        said.append(f"Below, tick and thick part: local share with {level} limits.")
    return [*said, "Published ranges come from few and small studies; they are no norm."]
