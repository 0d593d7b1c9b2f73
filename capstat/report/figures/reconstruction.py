"""What a paper recorded beside what was reconstructed, what was not published, and one possible data set."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from matplotlib.lines import Line2D

from capstat.report.figures.canvas import COLOURS, WIDTH, blank_figure, render
from capstat.report.figures.forest import (
    ForestPlot,
    ForestRow,
    fitted,
    forest_picture,
    inch_axes,
    name_line,
    put,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.report.figures.canvas import Picture

__all__ = [
    "PossibleData",
    "ReconstructedPlacement",
    "Variant",
    "possible_data_picture",
    "reconstruction_picture",
    "variants_picture",
]

NOT_DATA: Final = "one of many possible data sets, not data"
ROW_HEIGHT: Final = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class ReconstructedPlacement:
    """One placement: the mean that was recorded and the median that was reconstructed, mA.

    Attributes
    ----------
    label : str
        Placement, with its patients.
    recorded_mean : float
        As published, with what was put in for non-capture.
    put_in : str
        What that was: ``"141 mA put in for 5 to 7 of 13"``, ``"nothing put in"``.
    median, lower, upper : float or None
        Reconstructed median with limits.
    recorded_text, text : str
        Both as the right column prints them.
    """

    label: str
    recorded_mean: float
    put_in: str
    median: float | None
    lower: float | None
    upper: float | None
    recorded_text: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Variant:
    """A ratio under one assumption on what was not published; unbounded limits are ``None`` or infinite.

    Attributes
    ----------
    label, detail, text : str
        Assumption, patients, and the ratio with its limits in words.
    value, lower, upper : float or None
        Ratio of medians, and its limits.
    headline : bool
        Whether it is the leading one: its words are bold.
    """

    label: str
    value: float | None
    lower: float | None
    upper: float | None
    text: str
    detail: str = ""
    headline: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PossibleData:
    """One data set that would have given the published summary.

    Attributes
    ----------
    first_label, second_label : str
        The two placements.
    first_ma, second_ma : ndarray of shape (n,)
        Recorded values; what was put in for non-capture among them.
    first_put_in, second_put_in : ndarray of bool, shape (n,)
        Which were put in.
    maximum_ma : float
        Highest output.
    """

    first_label: str
    second_label: str
    first_ma: NDArray[np.float64]
    second_ma: NDArray[np.float64]
    first_put_in: NDArray[np.bool_]
    second_put_in: NDArray[np.bool_]
    maximum_ma: float


def reconstruction_picture(
    placements: tuple[ReconstructedPlacement, ...], name: str, title: str, caption: str, alternative: str, *,
    maximum_ma: float, level: float = 0.95,
) -> Picture:  # fmt: skip
    """Recorded means and reconstructed medians, one below the other for each placement."""
    rows = []
    for one in placements:
        rows.append(ForestRow(label=one.label, kind="heading"))
        rows.append(
            ForestRow(
                label=f"recorded mean, {one.put_in}", kind="published", value=one.recorded_mean, text=one.recorded_text
            )
        )
        rows.append(
            ForestRow(
                label="reconstructed median", kind="reconstructed", value=one.median, lower=one.lower, upper=one.upper,
                text=one.text,
            )
        )  # fmt: skip
    return forest_picture(
        ForestPlot(
            name=name, title=title, alternative=alternative, rows=tuple(rows), axis="linear", unit="mA",
            caption=f"{caption} Means and medians are different things even without anything put in.".strip(),
            x_label="capture threshold", columns=("", "", "mA (limits)"), level=level,
            reference=(maximum_ma, f"highest output, {maximum_ma:g} mA"),
        )
    )  # fmt: skip


def variants_picture(
    variants: tuple[Variant, ...], name: str, title: str, caption: str, alternative: str, *, published: tuple[float, str],
    x_label: str, level: float = 0.95,
) -> Picture:  # fmt: skip
    """Ratio of medians under each assumption, with the published reading as a marked line."""
    rows = tuple(
        ForestRow(
            label=one.label, kind="reconstructed", bold=one.headline, detail=one.detail, value=one.value,
            lower=one.lower, upper=one.upper, text=one.text,
        )
        for one in variants
    )  # fmt: skip
    return forest_picture(
        ForestPlot(
            name=name, title=title, caption=caption, alternative=alternative, rows=rows, axis="log", null=1.0, x_label=x_label,
            columns=("what was not published", "patients", "ratio (limits)"), level=level, reference=published,
        )
    )  # fmt: skip


def possible_data_picture(data: PossibleData, name: str, title: str, caption: str, alternative: str) -> Picture:
    """Pairs of one possible data set, hollow where a value was put in for non-capture."""
    count = len(data.first_ma)
    heading = fitted(title, WIDTH - 0.4, 2, size=12)
    top = 0.2 + 0.2 * len(heading) + 0.45
    tall = ROW_HEIGHT * (count + 0.6)
    figure = blank_figure(top + tall + 1.0)
    figure.set_layout_engine("none")
    put(figure, WIDTH / 2, 0.1 + 0.1 * len(heading), heading, fontsize=12, ha="center")
    put(figure, WIDTH / 2, 0.2 + 0.2 * len(heading) + 0.08, (NOT_DATA,), fontsize=10, ha="center", fontweight="bold")
    axis = inch_axes(figure, 0.5, top, WIDTH - 0.8, tall)
    order = np.lexsort((data.first_ma, data.second_ma))
    row = np.arange(count, dtype=float)
    axis.hlines(row, data.first_ma[order], data.second_ma[order], color="#bbbbbb", linewidth=1.0, zorder=1)
    values = np.concatenate([data.first_ma, data.second_ma, [data.maximum_ma]])
    room = 0.05 * max(float(np.ptp(values)), 1.0)
    axis.set(xlim=(values.min() - room, values.max() + room), ylim=(count - 0.2, -0.8))
    axis.axvline(data.maximum_ma, color="black", linewidth=1.0, linestyle="--", zorder=1.5)
    name_line(figure, axis, data.maximum_ma, f"highest output, {data.maximum_ma:g} mA", top - 0.09)
    handles = []
    parts = (
        (data.first_label, data.first_ma, data.first_put_in),
        (data.second_label, data.second_ma, data.second_put_in),
    )
    for k, (label, current, put_in) in enumerate(parts):
        at = row + (0.14 if k else -0.14)
        style = {
            "linestyle": "none",
            "marker": ("o", "s")[k],
            "color": COLOURS[k],
            "markersize": 6,
            "markeredgewidth": 1.4,
        }
        for hollow in (False, True):
            chosen = put_in[order] == hollow
            face = {"markerfacecolor": "white"} if hollow else {}
            axis.plot(current[order][chosen], at[chosen], zorder=3, clip_on=False, **style, **face)  # type: ignore[arg-type]
            if chosen.any():
                words = (
                    f"{''.join(fitted(label, 1.7, 1))}: {'put in for no capture' if hollow else 'recorded threshold'}"
                )
                handles.append(Line2D([], [], label=words, **style, **face))  # type: ignore[arg-type]
    put(figure, 0.5 + (WIDTH - 0.8) / 2, top + tall + 0.38, ("recorded current, mA",), fontsize=9, ha="center")
    put(figure, 0.25, top + tall / 2, ("patients, sorted",), fontsize=9, ha="center", rotation=90)
    legend = figure.legend(handles=handles, loc="lower center", ncols=2, frameon=False, fontsize=8)
    for text in legend.get_texts():
        text.set_parse_math(False)
    said = f"{NOT_DATA[:1].upper()}{NOT_DATA[1:]}: it gives the published summary, as many others would."
    reading = "Each row is a patient; hollow: no capture, with the value that was put in for it; dashed line: the highest output."
    return render(figure, name, f"{caption} {said} {reading}".strip(), alternative)
