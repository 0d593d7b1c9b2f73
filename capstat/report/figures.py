"""Figures from curves and intervals; the only module that imports a plotting library.

What the data do not identify is drawn as a shaded rectangle, never as a line through its middle.  Groups differ
by colour and by marker.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
import seaborn as sns
from matplotlib.figure import Figure

from capstat.analysis import ALL_PLACEMENTS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from capstat.analysis import CaptureAnalysis
    from capstat.placement import PairedIntervals, PlacementComparison
    from capstat.results import Curve

__all__ = ["Picture", "figures_of_capture"]

# Okabe-Ito colours (Okabe & Ito 2008), told apart by colour-blind readers and by lightness in grey
COLOURS = ("#0072B2", "#D55E00", "#000000", "#009E73")
MARKERS = ("o", "s", "D", "^")


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


def _render(figure: Figure, name: str, caption: str, alternative: str) -> Picture:
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
    return Picture(name, caption, alternative, files["svg"], files["png"])


def _new_axes(height: float = 4.4, rows: int = 1, ratios: tuple[float, ...] = (1.0,)) -> tuple[Figure, list[Axes]]:
    with sns.axes_style("whitegrid"), sns.plotting_context("notebook", font_scale=0.95):
        figure = Figure(figsize=(7.4, height), layout="constrained")
        axes = figure.subplots(rows, 1, sharex=True, gridspec_kw={"height_ratios": ratios}, squeeze=False)[:, 0]
    for axis in axes:
        sns.despine(ax=axis)
    return figure, list(axes)


def _staircase(
    x: np.ndarray[Any, Any], values: np.ndarray[Any, Any]
) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    """Points of a right-continuous step function."""
    return np.repeat(x, 2)[1:], np.repeat(values, 2)[:-1]


def _draw_curve(axis: Axes, curve: Curve, k: int, label: str) -> None:
    x = np.concatenate(([0.0], curve.x))
    colour = COLOURS[k]
    # between two currents the curve lies between its value at the lower and at the upper one
    low_x, low = _staircase(x, np.concatenate(([0.0], curve.lower)))
    _, high = _staircase(x, np.concatenate((curve.upper, curve.upper[-1:])))
    _, band_low = _staircase(x, np.concatenate(([0.0], curve.band_lower)))
    _, band_high = _staircase(x, np.concatenate((curve.band_upper, curve.band_upper[-1:])))
    axis.fill_between(low_x, 100 * band_low, 100 * band_high, color=colour, alpha=0.13, linewidth=0)
    axis.fill_between(low_x, 100 * low, 100 * high, color=colour, alpha=0.45, linewidth=0)
    settled = np.isclose(curve.lower, curve.upper)
    axis.plot(
        curve.x[settled], 100 * curve.lower[settled], linestyle="none", marker=MARKERS[k], markersize=4.5,
        color=colour, markeredgecolor="white", markeredgewidth=0.5, label=label,
    )  # fmt: skip


def _range(curves: list[Curve]) -> tuple[float, float]:
    start = min(float(c.x[np.argmax(c.upper > 0.001)]) for c in curves)
    return max(0.0, start - 15), max(float(c.x[-1]) for c in curves) + 8


def _curves_picture(capture: CaptureAnalysis, shown: list[int]) -> Picture:
    figure, (axis,) = _new_axes()
    curves = [capture.groups[i].summary.curve for i in shown]
    labels = [capture.groups[i].summary.label for i in shown]
    for k, (curve, label) in enumerate(zip(curves, labels, strict=True)):
        _draw_curve(axis, curve, k, label)
    axis.set(
        xlabel="current, mA", ylabel="patients captured, %", xlim=_range(curves), ylim=(-2, 102),
        title=f"Share of patients captured at each current ({capture.capture.name} capture)",
    )  # fmt: skip
    axis.legend(loc="lower right", frameon=True, markerscale=1.4)
    level = f"{100 * curves[0].level:g} %"
    middle = [
        f"{label}: {summary.capture_currents[0].value:g} mA captures at least half."
        for label, summary in ((capture.groups[i].summary.label, capture.groups[i].summary) for i in shown)
        if summary.capture_currents and summary.capture_currents[0].value is not None
    ]
    return _render(
        figure,
        f"capture_curve_{capture.capture.name}",
        "Points: currents at which the share captured is known. Dark steps: between two tested currents the share is only "
        f"known to lie within the step. Light area: {level} confidence limits at one current at a time.",
        " ".join(["Share of patients captured against current in mA.", *middle]),
    )


def _difference_picture(comparison: PlacementComparison, name: str) -> Picture:
    figure, (top, bottom) = _new_axes(6.2, 2, (1.5, 1.0))
    curves = [summary.curve for summary in comparison.summaries]
    for k, summary in enumerate(comparison.summaries):
        _draw_curve(top, summary.curve, k, summary.label)
    top.set(ylabel="patients captured, %", ylim=(-2, 102))
    top.legend(loc="lower right", frameon=True, markerscale=1.4)
    difference = comparison.difference.curve
    bottom.axhline(0, color="black", linewidth=0.9)
    for axis in (top, bottom):
        axis.axvline(comparison.common_maximum_ma, color="black", linewidth=0.8, linestyle=":")
    settled = np.isclose(difference.lower, difference.upper)
    limited = difference.band_upper - difference.band_lower < 2
    bottom.vlines(
        difference.x[limited], 100 * difference.band_lower[limited], 100 * difference.band_upper[limited],
        color="#555555", linewidth=1.6, alpha=0.6,
    )  # fmt: skip
    bottom.plot(
        difference.x[settled], 100 * difference.lower[settled], linestyle="none", marker="o", markersize=4.2,
        color="black",
    )  # fmt: skip
    unsettled = ~settled
    bottom.vlines(
        difference.x[unsettled], 100 * difference.lower[unsettled], 100 * difference.upper[unsettled], color="black",
        linewidth=3,
    )  # fmt: skip
    bottom.set(
        xlabel="current, mA", ylabel="difference,\npercentage points",
        xlim=(_range(curves)[0], float(difference.x[-1]) + 8),
    )  # fmt: skip
    figure.suptitle(f"{comparison.first} and {comparison.minus} ({name} capture)", fontsize=12)
    return _render(
        figure,
        f"placement_{name}",
        f"Above: capture by placement. Below: {comparison.first} minus {comparison.minus}, with "
        f"{100 * difference.level:g} % confidence limits at one current at a time; a thick bar marks a current at which "
        f"the data only bound the difference. Dotted line: {comparison.common_maximum_ma:g} mA, the highest current that every "
        "device could give.",
        f"Capture curves of {comparison.first} and {comparison.minus}, and their difference in percentage points.",
    )


def _pairs_picture(pairs: PairedIntervals, comparison: PlacementComparison, name: str) -> Picture:
    figure, (axis,) = _new_axes(min(max(3.6, 1.6 + 0.19 * len(pairs.first)), 14.0))
    height = np.arange(len(pairs.first), dtype=float)
    ends = [np.where(np.isfinite(rows[:, 1]), rows[:, 1], rows[:, 0]) for rows in (pairs.first, pairs.second)]
    axis.hlines(height, np.minimum(*ends), np.maximum(*ends), color="#bbbbbb", linewidth=0.7, zorder=1)
    for k, (rows, label) in enumerate(((pairs.first, comparison.first), (pairs.second, comparison.minus))):
        at = height + (0.2 if k else -0.2)
        captured = np.isfinite(rows[:, 1])
        axis.hlines(at[captured], rows[captured, 0], rows[captured, 1], color=COLOURS[k], linewidth=3.0)
        axis.plot(
            rows[captured, 1], at[captured], linestyle="none", marker=MARKERS[k], color=COLOURS[k],
            markersize=4.2, label=f"{label}: interval up to the lowest current that captured",
        )  # fmt: skip
        axis.plot(
            rows[~captured, 0] + 0.8, at[~captured], linestyle="none", marker=">", color=COLOURS[k], markersize=5.5,
            markerfacecolor="white" if k == 0 else COLOURS[k],
            label=f"{label}: no capture up to this current",
        )  # fmt: skip
    axis.set(
        xlabel="current, mA", ylabel="patients, sorted", yticks=[],
        title=f"Thresholds of the same patients ({name} capture)",
    )  # fmt: skip
    axis.margins(x=0.06, y=0.02)
    axis.legend(loc="upper center", bbox_to_anchor=(0.5, -0.09), ncols=1, frameon=False, fontsize=9)
    return _render(
        figure,
        f"paired_thresholds_{name}",
        "Each row is a patient. A bar is the interval that holds the threshold; an arrow marks the highest current tried "
        "without capture. No value is made up for an attempt without capture.",
        f"Intervals of the thresholds of {len(pairs.first)} patients with both placements.",
    )


def figures_of_capture(capture: CaptureAnalysis) -> tuple[Picture, ...]:
    """Draw the figures of one definition of capture."""
    named = [i for i, group in enumerate(capture.groups) if group.summary.label != ALL_PLACEMENTS]
    pictures = [_curves_picture(capture, (named if len(named) > 1 else [0])[: len(COLOURS)])]
    comparison = capture.comparison
    if comparison is not None:
        pictures.append(_difference_picture(comparison, capture.capture.name))
        pairs = comparison.paired_intervals
        if pairs is not None and len(pairs.first):
            pictures.append(_pairs_picture(pairs, comparison, capture.capture.name))
    return tuple(pictures)
