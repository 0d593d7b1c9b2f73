"""For whom: ratios by subgroup with their tests of interaction, and along a number."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from capstat.report.figures.canvas import COLOURS, new_axes, render
from capstat.report.wording import LARGEST_RATIO, SMALLEST_RATIO, p_text, plain_name

if TYPE_CHECKING:
    from capstat.placement import PlacementComparison
    from capstat.placement.modifiers import SubgroupForest
    from capstat.report.figures.canvas import Picture

__all__ = ["forest_picture", "modifier_picture"]


def forest_picture(forest: SubgroupForest, comparison: PlacementComparison, name: str) -> Picture | None:
    """Ratio in every subgroup, the whole comparison on top; ``None`` where no subgroup has a ratio."""
    rows = [("all", "", comparison.ratio)]
    for modifier in forest.modifiers:
        head = f"{plain_name(modifier.modifier)}, interaction {p_text(modifier.p_value)}"
        rows.append((head, "head", comparison.ratio))
        rows += [(f"{row.level} ({row.n_first} and {row.n_minus})", "row", row.ratio) for row in modifier.rows]
    if not any(kind == "row" and ratio.value is not None for _, kind, ratio in rows):
        return None
    figure, (axis,) = new_axes(1.5 + 0.33 * len(rows))
    height = -np.arange(len(rows), dtype=float)
    for y, (_, kind, ratio) in zip(height, rows, strict=True):
        if kind == "head":
            continue
        if ratio.value is None or ratio.lower is None or ratio.upper is None:
            axis.annotate("too few", (1.0, y), ha="center", va="center", fontsize=8, color="#555555")
            continue
        low, high = max(ratio.lower, SMALLEST_RATIO), min(ratio.upper, LARGEST_RATIO)
        colour = COLOURS[2] if not kind else COLOURS[0]
        axis.hlines(y, low, high, color=colour, linewidth=2.2 if not kind else 1.6)
        axis.plot([ratio.value], [y], marker="D" if not kind else "s", color=colour, markersize=7 if not kind else 5)
    axis.axvline(1, color="black", linewidth=0.9)
    if comparison.ratio.value is not None:
        axis.axvline(comparison.ratio.value, color="black", linewidth=0.8, linestyle=":")
    axis.set(
        xscale="log", yticks=height, ylim=(height[-1] - 0.7, 0.7),
        yticklabels=[label if kind != "row" else f"   {label}" for label, kind, _ in rows],
        xlabel=f"ratio of thresholds,\n{comparison.first} relative to {comparison.minus}",
        title=f"For whom? ({name} capture)",
    )  # fmt: skip
    axis.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
    axis.xaxis.set_minor_formatter(lambda value, _: f"{value:g}")
    axis.tick_params(axis="x", which="both", labelsize=9)
    axis.grid(visible=False, axis="y")
    for label, (_, kind, _) in zip(axis.get_yticklabels(), rows, strict=True):
        label.set_fontweight("normal" if kind == "row" else "bold")
    return render(
        figure,
        f"forest_{name}",
        f"In brackets: patients with {comparison.first} and with {comparison.minus}. Below 1: less current with {comparison.first}. Bars: {100 * comparison.ratio.level:g} % confidence limits. Dotted: the whole "
        "comparison. Subgroups mislead: read the test of interaction above each, not whether one bar crosses 1 and another does not.",
        f"Forest of ratios of thresholds in {len(rows) - 1 - len(forest.modifiers)} subgroups.",
    )


def modifier_picture(forest: SubgroupForest, comparison: PlacementComparison, name: str) -> Picture | None:
    """Ratio along the first modifier that is a number; ``None`` where there is none."""
    for modifier in forest.modifiers:
        curve = modifier.curve
        if curve is None:
            continue
        figure, (axis,) = new_axes(3.6)
        axis.fill_between(curve.x, curve.band_lower, curve.band_upper, color=COLOURS[0], alpha=0.18, linewidth=0)
        axis.plot(curve.x, curve.lower, color=COLOURS[0], linewidth=2.0)
        axis.axhline(1, color="black", linewidth=0.9)
        axis.set(
            xlabel=plain_name(modifier.modifier), ylabel="ratio of thresholds", yscale="log",
            title=f"Ratio along {plain_name(modifier.modifier)}, interaction {p_text(modifier.p_value)} ({name} capture)",
        )  # fmt: skip
        axis.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
        axis.yaxis.set_minor_formatter(lambda value, _: f"{value:g}")
        return render(
            figure,
            f"modifier_{name}",
            f"{comparison.first} relative to {comparison.minus}; below 1: less current with {comparison.first}. The log ratio is taken to "
            f"change along a straight line (test of a bend: {p_text(modifier.bend_p) or 'not available'}). Area: "
            f"{100 * curve.level:g} % confidence limits for one value at a time, from the 5th to the 95th centile of those observed.",
            f"Ratio of thresholds against {plain_name(modifier.modifier)}.",
        )
    return None
