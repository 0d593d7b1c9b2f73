"""Death after capture against without it: the biased comparison first, then methods that are right about time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from matplotlib.lines import Line2D

from capstat.report.figures.canvas import COLOURS, WIDTH, blank_figure, render
from capstat.report.figures.forest import fitted, inch_axes, put
from capstat.report.figures.outcome_marks import (
    GREY,
    draw_limits,
    points_axis,
    points_told,
    ratio_axis,
    ratio_told,
)
from capstat.report.wording import listed, plain_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from capstat.analysis.outcome_analysis import OutcomeAnalysis
    from capstat.outcomes.immortal import ImmortalComparison
    from capstat.outcomes.immortal_rows import ImmortalRow
    from capstat.report.figures.canvas import Picture
    from capstat.results import Estimate

__all__ = ["after_capture_picture"]

MOST_ROWS: Final = 12
MOST_LINES: Final = 3
# inches: words on the left, then two panels
LABELS, PANEL, BETWEEN, ROW, TOP = 2.0, 2.45, 0.25, 0.47, 0.78
BIASED, RIGHT = COLOURS[1], COLOURS[0]


def after_capture_picture(found: OutcomeAnalysis) -> Picture | None:
    """Forest of the methods; ``None`` without a comparison."""
    compared = found.immortal
    if compared is None:
        return None
    rows = compared.rows[:MOST_ROWS]
    height = ROW * len(rows)
    figure = blank_figure(TOP + height + 1.05)
    figure.set_layout_engine("none")
    left = 0.1 + LABELS
    ratios = inch_axes(figure, left, TOP, PANEL, height)
    points = inch_axes(figure, left + PANEL + BETWEEN, TOP, PANEL, height)
    crude_and_adjusted = [
        one for row in rows for one in (row.hazard_ratio, row.adjusted_hazard_ratio) if one is not None
    ]
    ratio_axis(ratios, crude_and_adjusted)
    points_axis(points, [row.risk_difference for row in rows if row.risk_difference is not None], 1.0)
    for axis, null in ((ratios, 1.0), (points, 0.0)):
        axis.set_ylim(height, 0)
        axis.axvline(null, color="black", linewidth=1.0, zorder=1.5)
        # the biased row stands apart
        axis.axhspan(0, ROW, color="#f6ece4", zorder=-1)
    for place, row in enumerate(rows):
        y = (place + 0.5) * ROW
        _write_method(figure, row, TOP + y)
        _draw_ratios(ratios, row, y)
        _draw_points(points, row, y)
    _write_heads(figure, compared, left, height)
    _draw_key(figure)
    return render(figure, "after_capture", _caption(compared, len(rows)), _alternative(compared, rows))


def _write_method(figure: Figure, row: ImmortalRow, y: float) -> None:
    size = f", {row.n} patients" if row.n else ""
    if row.biased:
        put(figure, 0.1, y - 0.08, ("BIASED: immortal time",), fontweight="bold", color=BIASED)
        put(figure, 0.1, y + 0.09, fitted(f"ever or never captured{size}", LABELS, 1, 7.5), color=BIASED, fontsize=7.5)
        return
    name = {
        "landmark": "captured by {at:g} min",
        "time-varying": "captured so far, at each moment",
        "clone-censor-weight": "capture within {at:g} min or not",
    }[row.method].format(at=row.at_min or 0.0)
    put(figure, 0.1, y - 0.08, fitted(name, LABELS, 1))
    put(figure, 0.1, y + 0.09, fitted(f"{row.method}{size}", LABELS, 1), color=GREY, fontsize=7.5)


def _draw_ratios(axis: Axes, row: ImmortalRow, y: float) -> None:
    reasons = dict(row.reasons)
    colour, marker = (BIASED, "X") if row.biased else (RIGHT, "o")
    if row.hazard_ratio is None and row.adjusted_hazard_ratio is None:
        _write_reason(axis, y, reasons.get("hazard_ratio", ""))
        return
    pairs = [(row.hazard_ratio, True), (row.adjusted_hazard_ratio, False)]
    present = [(one, hollow) for one, hollow in pairs if one is not None]
    if all(_nothing(one) for one, _ in present):
        _write_reason(axis, y, present[0][0].reason)
        return
    for (one, hollow), shift in zip(present, (-0.1, 0.1) if len(present) == 2 else (0.0,), strict=True):
        _draw(axis, one, y + shift, marker=marker, colour=colour, hollow=hollow, lines=1)


def _draw_points(axis: Axes, row: ImmortalRow, y: float) -> None:
    if row.risk_difference is None:
        _write_reason(axis, y, dict(row.reasons).get("risk_difference", ""))
        return
    marker = "X" if row.biased else "D" if row.method == "clone-censor-weight" else "o"
    # the emulation alone is adjusted here
    hollow = row.method != "clone-censor-weight"
    _draw(axis, row.risk_difference, y, marker=marker, colour=BIASED if row.biased else RIGHT, hollow=hollow)


def _nothing(one: Estimate) -> bool:
    return one.value is None and one.lower is None and one.upper is None


def _draw(
    axis: Axes, one: Estimate, y: float, *, marker: str, colour: str, hollow: bool, lines: int = MOST_LINES
) -> None:
    if _nothing(one):
        _write_reason(axis, y, one.reason, lines)
        return
    draw_limits(axis, one, y, marker=marker, colour=colour, hollow=hollow, size=7.5 if marker == "X" else 6.0)


def _write_reason(axis: Axes, y: float, reason: str, lines: int = MOST_LINES) -> None:
    axis.text(
        0.5, y, "\n".join(fitted(reason, PANEL - 0.1, lines, 7.5)), transform=axis.get_yaxis_transform(), ha="center", va="center",
        fontsize=7.5, fontstyle="italic", color=GREY, linespacing=1.05, parse_math=False,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0}, zorder=3,
    )  # fmt: skip


def _write_heads(figure: Figure, compared: ImmortalComparison, left: float, height: float) -> None:
    put(
        figure,
        WIDTH / 2,
        0.22,
        ("Death after capture: the wrong comparison beside those that are right about time",),
        fontsize=11.5,
        ha="center",
    )
    middles = (left + PANEL / 2, left + 1.5 * PANEL + BETWEEN)
    put(figure, middles[0], TOP - 0.18, ("hazard ratio of death",), ha="center", fontweight="bold")
    put(
        figure, middles[1], TOP - 0.18, (f"difference in risk of death by {compared.horizon_min:g} min",), ha="center", fontweight="bold",
    )  # fmt: skip
    below = TOP + height + 0.38
    put(figure, middles[0], below, ("captured over not; below 1: fewer deaths",), ha="center", color=GREY)
    put(figure, middles[1], below, ("percentage points; below 0: fewer deaths",), ha="center", color=GREY)


def _draw_key(figure: Figure) -> None:
    marks = (
        ("X", BIASED, True, "biased"),
        ("o", RIGHT, True, "crude"),
        ("o", RIGHT, False, "adjusted, hazard ratio"),
        ("D", RIGHT, False, "weighted risks"),
    )
    figure.legend(
        handles=[
            Line2D([], [], marker=marker, color=colour, markerfacecolor=colour if filled is False else "white", linewidth=1.5, label=label)
            for marker, colour, filled, label in marks
        ],
        loc="lower center", ncols=4, frameon=False, fontsize=8.5, handlelength=2.6,
    )  # fmt: skip


def _caption(compared: ImmortalComparison, shown: int) -> str:
    adjusted = listed([plain_name(name) for name in compared.confounders] or [""])
    return (
        "Shaded row, BIASED: whoever is captured had to live until then, and the ever captured are credited with that time, in "
        "which they could not die (immortal time); it is shown for comparison only. Landmark: patients who lived to that minute, by capture so far. "
        "Time-varying: each moment counts to the state that the patient was in. Clone-censor-weight: capture within that time "
        "against not within it, from time zero. "
        f"Bars: {100 * compared.level:g} % confidence limits; arrow: a limit lies beyond the axis, or there is none. Vertical "
        "line: no association. "
        + (f"Adjusted for {adjusted}. " if adjusted else "Nothing is adjusted for. ")
        + (f"{len(compared.rows) - shown} further rows are in the table only. " if len(compared.rows) > shown else "")
        + "Who was captured was not drawn by lot: all rows are associations, and may differ from what capture would bring about."
    )


def _alternative(compared: ImmortalComparison, rows: Sequence[ImmortalRow]) -> str:
    told = [f"Forest of {len(rows)} comparisons of death with and without capture."]
    for row in rows:
        minute = f" {row.at_min:g} min" if row.at_min is not None else ""
        parts = (
            ("hazard ratio", row.hazard_ratio, ratio_told),
            ("adjusted hazard ratio", row.adjusted_hazard_ratio, ratio_told),
            (f"risk difference by {compared.horizon_min:g} min", row.risk_difference, points_told),
        )
        words = [f"{name} {tell(one)}" for name, one, tell in parts if one is not None]
        biased = " (BIASED: immortal time)" if row.biased else ""
        told.append(f"{row.method}{minute}{biased}: {'; '.join(words) if words else 'no answer'}.")
    return " ".join(told)
