"""Receiver operating characteristic curves of the signs that are numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import seaborn as sns
from matplotlib.lines import Line2D

from capstat.report.confirmation_words import both, reference_words
from capstat.report.figures.canvas import COLOURS, DASHES, MARKERS, blank_figure, render, wrapped
from capstat.report.figures.signs import strip_caution
from capstat.report.wording import counted

if TYPE_CHECKING:
    from matplotlib.artist import Artist

    from capstat.analysis import ReferenceAnalysis
    from capstat.capture import ContinuousSignAccuracy
    from capstat.report.figures.canvas import Picture

__all__ = ["roc_picture"]


def _legend_words(sign: ContinuousSignAccuracy) -> str:
    return wrapped(
        (sign.label, counted(sign.n_steps, "setting"), f"area {both(sign.area)}", f"best cut: {_cut_words(sign)}"), 34
    )


def _cut_words(sign: ContinuousSignAccuracy) -> str:
    """The cut without the name of the sign, which stands before it."""
    return sign.best.words.removeprefix(f"{sign.label} of ") or "none"


def roc_picture(found: ReferenceAnalysis) -> Picture | None:
    """Curves of the measured signs with their best cuts; ``None`` without such signs."""
    shown = found.continuous[: len(COLOURS)]
    if not shown:
        return None
    reference = reference_words(found.reference)
    with sns.axes_style("whitegrid"), sns.plotting_context("notebook", font_scale=0.9):
        figure = blank_figure(4.6)
        axis = figure.subplots()
    sns.despine(ax=axis)
    handles: list[Artist] = [
        *axis.plot(
            [0, 100], [0, 100], color="#777777", linewidth=1.2, linestyle=(0, (1, 2)), label="no better than chance"
        )
    ]
    told = []
    for k, sign in enumerate(shown):
        false_alarms, hits = 100 * (1 - sign.curve.specificity), 100 * sign.curve.sensitivity
        look: dict[str, Any] = {"color": COLOURS[k], "linewidth": 1.9, "linestyle": DASHES[k]}
        axis.plot(false_alarms, hits, **look)
        handles.append(Line2D([], [], marker=MARKERS[k], markersize=8, label=_legend_words(sign), **look))
        best = sign.best
        if best.apparent_sensitivity.value is not None and best.apparent_specificity.value is not None:
            axis.plot(
                [100 * (1 - best.apparent_specificity.value)], [100 * best.apparent_sensitivity.value], linestyle="none",
                marker=MARKERS[k], color=COLOURS[k], markersize=9, markeredgecolor="white", zorder=4,
            )  # fmt: skip
        told.append(
            f"{sign.label}: area {both(sign.area)}; best cut {_cut_words(sign)}, there sensitivity {both(best.sensitivity)} and "
            f"specificity {both(best.specificity)} after correction."
        )
    axis.set(
        xlim=(-2, 102), ylim=(-2, 102), xlabel="1 \u2212 specificity, % of settings without capture",
        ylabel="sensitivity, % of settings with capture",
    )  # fmt: skip
    axis.set_box_aspect(1)
    # there is room on the right of the square; in the middle its label would touch the edge of the page
    axis.set_anchor("E")
    figure.legend(
        handles=handles, loc="outside right center", frameon=False, fontsize=8.5, handlelength=3.2, labelspacing=0.9
    )
    figure.suptitle(f"Measured signs against {reference}", fontsize=12)
    level = f"{100 * shown[0].area.level:g} %"
    return render(
        figure,
        f"roc_{found.reference}",
        "Each line goes through all cuts of a sign, from the highest (lower left) to the lowest. A line far above the dotted "
        f"diagonal tells capture apart; area 0.5 is no better than chance, 1 is perfect ({level} confidence limits in brackets). "
        "Large marker: the cut with the largest sum of sensitivity and specificity, drawn where the data that "
        "chose it put it, which flatters it; the table has the corrected shares. "
        + strip_caution(found.reference)
        + "Each line rests on the settings at which that number was recorded.",
        " ".join([f"Receiver operating characteristic curves against {reference}.", *told]),
    )
