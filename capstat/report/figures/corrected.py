"""Capture curves when every claim is believed, and when misjudgement is allowed for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.report.confirmation_words import both, reference_words
from capstat.report.figures.canvas import group_panels, render, wrapped
from capstat.report.figures.curves import curve_range, draw_curve
from capstat.report.wording import counted

if TYPE_CHECKING:
    from capstat.analysis import CorrectedAnalysis
    from capstat.analysis.corrected_analysis import CorrectedGroup
    from capstat.capture import CorrectedCapture
    from capstat.report.figures.canvas import Picture

__all__ = ["corrected_curve_picture"]

MOST_PANELS = 4


def _median_words(result: CorrectedCapture) -> str:
    """Current that captures the first of the wanted shares, both ways; empty where neither is known."""
    pair = result.as_claimed.capture_currents[:1] + result.corrected.capture_currents[:1]
    if any(current.value is None for current in pair):
        return ""
    return f" {pair[0].quantity}: as claimed {both(pair[0])}, corrected {both(pair[1])}."


def corrected_curve_picture(found: CorrectedAnalysis) -> Picture | None:
    """Both curves of every group, a panel each; ``None`` when no group could be corrected."""
    shown: list[tuple[CorrectedGroup, CorrectedCapture]] = [
        (group, group.result) for group in found.groups if group.result is not None
    ][:MOST_PANELS]
    if not shown:
        return None
    figure, axes = group_panels(len(shown), 3.0, "current, mA", "captured, %")
    told = []
    for axis, (group, result) in zip(axes, shown, strict=True):
        draw_curve(axis, result.as_claimed.curve, 0, "as claimed")
        draw_curve(axis, result.corrected.curve, 1, "corrected")
        behind = f"{counted(group.n_ramps, 'ramp')}, {group.n_reviewed} judged by the reference"
        axis.set_title(wrapped((group.label, behind), 46), fontsize=9)
        told.append(f"{group.label} ({behind}).{_median_words(result)}")
    curves = [curve for _, result in shown for curve in (result.as_claimed.curve, result.corrected.curve)]
    axes[0].set(xlim=curve_range(curves), ylim=(-2, 102))
    handles, labels = axes[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=2, frameon=False, fontsize=9.5, markerscale=1.5)
    figure.suptitle("Share captured at each current, as claimed and corrected", fontsize=12)
    level = f"{100 * curves[0].level:g} %"
    return render(
        figure,
        "corrected_curve",
        f"Circles: every reading of {found.claim} capture believed. Squares: corrected for readings that were wrong, by the "
        f"errors {_source(found)}. Dark steps: between two tested currents the share is only known to lie within the step. "
        f"Light areas: {level} confidence limits at one current at a time"
        + (" (they do not tell how unsure the given errors are)" if found.model.fixed else "")
        + ". Where the squares lie below the circles, fewer are captured at a current than claims suggest. Panels are different "
        "ramps, which may differ in more than the placement; each has its own errors.",
        " ".join(["Capture curves as claimed and corrected for misjudgement, one panel for each group.", *told]),
    )


def _source(found: CorrectedAnalysis) -> str:
    if found.model.fixed:
        return "that were given"
    return (
        f"estimated where {reference_words(found.reference)} judged the same settings"
        if found.reference
        else "estimated"
    )
