"""A comparison of patients whose placement was chosen: scores, balance, and curves that allow for confounders."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from capstat.report.figures.canvas import COLOURS, MARKERS, new_axes, render
from capstat.report.figures.placement import smooth_curves
from capstat.report.wording import plain_name

if TYPE_CHECKING:
    from capstat.placement.observational import ObservationalAnalysis
    from capstat.report.figures.canvas import Picture

__all__ = ["balance_picture", "overlap_picture", "robust_picture"]


def overlap_picture(analysis: ObservationalAnalysis, name: str) -> Picture | None:
    """Propensity scores of both groups, one above and one below the line; ``None`` without scores."""
    overlap = analysis.overlap
    if overlap is None:
        return None
    figure, (axis,) = new_axes(3.4)
    width = float(overlap.edges[1] - overlap.edges[0])
    middle = overlap.edges[:-1] + width / 2
    for k, group in enumerate(overlap.groups):
        share = 100 * group.counts / group.n * (1 if k == 0 else -1)
        axis.bar(
            middle, share, width=0.9 * width, color=COLOURS[k], hatch="" if k == 0 else "///", edgecolor="white",
            label=f"{group.placement} ({group.n})",
        )  # fmt: skip
    axis.axhline(0, color="black", linewidth=0.9)
    axis.set(
        xlabel=f"probability of {overlap.groups[0].placement} placement, given the declared confounders",
        ylabel="attempts in each\ngroup, %", xlim=(0, 1), title=f"Could every patient have had either? ({name} capture)",
    )  # fmt: skip
    axis.yaxis.set_major_formatter(lambda value, _: f"{abs(value):g}")
    axis.legend(frameon=True, fontsize=9)
    return render(
        figure,
        f"overlap_{name}",
        "Propensity scores. Where only one of the two groups has bars, patients of that kind had hardly any chance of the other "
        "placement, and nothing in the data says what it would have done for them.",
        f"Histogram of propensity scores of {overlap.groups[0].placement} and {overlap.groups[1].placement}.",
    )


def balance_picture(analysis: ObservationalAnalysis, name: str) -> Picture | None:
    """Standardised differences before and after weighting, one row for each confounder; ``None`` without them."""
    if analysis.balance is None:
        return None
    rows = sorted(analysis.balance.rows, key=lambda row: abs(row.before))
    figure, (axis,) = new_axes(1.9 + 0.34 * len(rows))
    height = np.arange(len(rows), dtype=float)
    before = np.array([row.before for row in rows])
    after = np.array([row.after_inverse_probability for row in rows])
    axis.hlines(height, np.minimum(before, after), np.maximum(before, after), color="#bbbbbb", linewidth=1.2, zorder=1)
    for k, (values, label) in enumerate((
        (before, "as it was"),
        (after, "inverse-probability weights"),
        (np.array([row.after_overlap for row in rows]), "overlap weights"),
    )):  # fmt: skip
        axis.plot(values, height, linestyle="none", marker=MARKERS[k], color=COLOURS[k], markersize=6, label=label)
    for bound in (-analysis.balance.threshold, analysis.balance.threshold):
        axis.axvline(bound, color="black", linewidth=0.9, linestyle=":")
    axis.axvline(0, color="black", linewidth=0.9)
    axis.set(
        yticks=height, yticklabels=[plain_name(row.name) for row in rows], ylim=(-0.6, len(rows) - 0.4),
        xlabel=f"standardised difference,\n{analysis.first} minus {analysis.minus}", title=f"Were the patients alike? ({name} capture)",
    )  # fmt: skip
    axis.legend(
        loc="upper center", bbox_to_anchor=(0.5, -0.22 - 0.7 / max(len(rows), 3)), ncols=3, frameon=False, fontsize=9
    )
    return render(
        figure,
        f"balance_{name}",
        f"Differences of means in standard deviations. Between the dotted lines (0.1, common practice, no source) a difference is "
        f"taken as negligible. Only declared confounders are shown; what was not recorded may differ all the same. First is "
        f"{analysis.first}, second {analysis.minus}.",
        f"Standardised differences of {len(rows)} confounders before and after weighting.",
    )


def robust_picture(analysis: ObservationalAnalysis, name: str) -> Picture | None:
    """Doubly robust capture curves and their difference; ``None`` where they could not be had."""
    robust = analysis.doubly_robust
    if robust is None:
        return None
    labels = (analysis.first, analysis.minus)
    difference = robust.difference
    figure = smooth_curves(robust.curves, difference, [f"{label}, adjusted" for label in labels])
    figure.suptitle(f"Capture with the declared confounders allowed for ({name} capture)", fontsize=12)
    return render(
        figure,
        f"robust_{name}",
        f"Doubly robust estimate from a model of the threshold and a model of who got which placement; it holds if either is "
        f"right and nothing else sets the groups apart than {', '.join(map(plain_name, analysis.confounders))}. Below: {labels[0]} minus "
        f"{labels[1]}. Areas: {100 * difference.level:g} % confidence limits at one current at a time.",
        f"Capture curves of {labels[0]} and {labels[1]} that allow for confounders, and their difference.",
    )
