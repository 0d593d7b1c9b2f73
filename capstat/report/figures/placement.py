"""Two placements: their curves and difference, the pairs of the same patients, and standardised curves."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from capstat.report.figures.canvas import COLOURS, DASHES, MARKERS, new_axes, render
from capstat.report.figures.curves import curve_range, draw_curve
from capstat.report.wording import percentage_points, plain_name

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from capstat.analysis.covariate_analysis import CovariateAnalysis
    from capstat.placement import PairedIntervals, PlacementComparison
    from capstat.placement.pair_quantities import PairCurves
    from capstat.report.figures.canvas import Picture
    from capstat.results import Curve

__all__ = ["difference_picture", "pairs_picture", "smooth_curves", "standardised_picture", "within_picture"]


def difference_picture(comparison: PlacementComparison, name: str) -> Picture:
    """Both placements' curves, and their difference below."""
    figure, (top, bottom) = new_axes(6.2, 2, (1.5, 1.0))
    curves = [summary.curve for summary in comparison.summaries]
    for k, summary in enumerate(comparison.summaries):
        draw_curve(top, summary.curve, k, summary.label)
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
        xlim=(curve_range(curves)[0], float(difference.x[-1]) + 8),
    )  # fmt: skip
    figure.suptitle(f"{comparison.first} and {comparison.minus} ({name} capture)", fontsize=12)
    return render(
        figure,
        f"placement_{name}",
        f"Above: capture by placement. Below: {comparison.first} minus {comparison.minus}, with "
        f"{100 * difference.level:g} % confidence limits at one current at a time; a thick bar marks a current at which "
        f"the data only bound the difference. Dotted line: {comparison.common_maximum_ma:g} mA, the highest current that every "
        "device could give.",
        f"Capture curves of {comparison.first} and {comparison.minus}, and their difference in percentage points.",
    )


def pairs_picture(pairs: PairedIntervals, comparison: PlacementComparison, name: str) -> Picture:
    """Both thresholds of each patient, one row each."""
    figure, (axis,) = new_axes(min(max(3.6, 1.6 + 0.19 * len(pairs.first)), 14.0))
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
    return render(
        figure,
        f"paired_thresholds_{name}",
        "Each row is a patient. A bar is the interval that holds the threshold; an arrow marks the highest current tried "
        "without capture. No value is made up for an attempt without capture.",
        f"Intervals of the thresholds of {len(pairs.first)} patients with both placements.",
    )


def smooth_curves(curves: tuple[Curve, Curve], difference: Curve, labels: list[str]) -> Figure:
    """Two smooth capture curves with their limits, and their difference below."""
    figure, (top, bottom) = new_axes(6.2, 2, (1.5, 1.0))
    for k, curve in enumerate(curves):
        top.fill_between(
            curve.x, 100 * curve.band_lower, 100 * curve.band_upper, color=COLOURS[k], alpha=0.15, linewidth=0
        )
        for limit in (curve.band_lower, curve.band_upper):
            top.plot(curve.x, 100 * limit, color=COLOURS[k], linewidth=0.8, linestyle=DASHES[k])
        top.plot(
            curve.x, 100 * curve.lower, color=COLOURS[k], linewidth=2.0, linestyle=DASHES[k], marker=MARKERS[k],
            markersize=5, markevery=(3 * k + 2, 8), label=labels[k],
        )  # fmt: skip
    top.set(ylabel="patients captured, %", ylim=(-2, 102))
    top.legend(loc="lower right", frameon=True, handlelength=3.5)
    bottom.axhline(0, color="black", linewidth=0.9)
    bottom.fill_between(
        difference.x, 100 * difference.band_lower, 100 * difference.band_upper, color="#999999", alpha=0.35, linewidth=0
    )
    bottom.plot(difference.x, 100 * difference.lower, color="black", linewidth=1.8)
    bottom.set(
        xlabel="current, mA", ylabel="difference,\npercentage points",
        xlim=(float(difference.x[0]), float(difference.x[-1])),
    )  # fmt: skip
    return figure


def within_picture(curves: PairCurves, comparison: PlacementComparison, name: str) -> Picture:
    """Capture curves of the same patients with either placement."""
    labels = [comparison.first, comparison.minus]
    figure = smooth_curves(curves.curves, curves.difference, labels)
    figure.suptitle(f"The same patients with either placement ({name} capture)", fontsize=12)
    return render(
        figure,
        f"placement_within_{name}",
        f"Model of both thresholds of a patient ({curves.model}). Below: {labels[0]} minus {labels[1]}. Areas: "
        f"{100 * curves.difference.level:g} % confidence limits at one current at a time; they hold only if the model is right.",
        f"Modelled share captured against current with {labels[0]} and {labels[1]} in the same patients, and their difference.",
    )


def standardised_picture(covariates: CovariateAnalysis, name: str) -> Picture | None:
    """Curves if everybody had the one placement and if everybody had the other; ``None`` where there are none."""
    standardised = covariates.standardised
    if standardised is None:
        return None
    labels = [curve.label.removeprefix("share captured, placement ") for curve in standardised.curves]
    difference = standardised.difference
    figure = smooth_curves(standardised.curves, difference, [f"if all had {label} pads" for label in labels])
    ceiling = (
        "The model has a share of patients never captured, the same with both placements."
        if covariates.never_captured
        else "The model lets every patient be captured at some current, so near the top its curves may be too high: compare those without a model."
    )
    widest = int(np.argmax(np.abs(difference.lower)))
    others = [plain_name(column) for column in covariates.names if column != "placement"]
    held = f"with {', '.join(others)} as they are" if others else "with no other covariate to hold"
    figure.suptitle(f"The same patients under both placements, by a model ({name} capture)", fontsize=12)
    return render(
        figure,
        f"standardised_{name}",
        f"Above: the share of these patients that a regression model expects to be captured if every one had {labels[0]} pads "
        f"and if every one had {labels[1]} pads, {held} ({covariates.n_complete} of {covariates.n_total} attempts have "
        f"everything that the model needs). Below: {labels[0]} minus {labels[1]}. Areas: {100 * difference.level:g} % "
        f"confidence limits at one current at a time; they hold only if the model is right. {ceiling} The "
        "difference may be read as an effect of the pads only "
        "if nothing else sets the patients with one placement apart from those with the other.",
        f"Modelled share captured against current for {labels[0]} and {labels[1]} in the same patients, and the difference "
        f"in percentage points, largest at {difference.x[widest]:.0f} mA: {percentage_points(float(difference.lower[widest]))} "
        f"({percentage_points(float(difference.band_lower[widest]))} to {percentage_points(float(difference.band_upper[widest]))}).",
    )
