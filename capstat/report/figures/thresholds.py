"""How far the models of a group can be trusted: quantile-quantile plot, and the share never captured by family."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.ticker import MaxNLocator

from capstat.report.figures.canvas import COLOURS, MARKERS, group_panels, new_axes, render, wrapped
from capstat.report.wording import counted, interval_text, value_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from capstat.analysis import GroupAnalysis
    from capstat.distributions import QuantilePairs
    from capstat.report.figures.canvas import Picture
    from capstat.results import Estimate

__all__ = ["never_captured_picture", "quantiles_picture"]


def _square(pairs: Sequence[QuantilePairs]) -> tuple[float, float]:
    """Currents that both axes show: all of the observed ones, and the model's unless far away, in mA."""
    seen = np.concatenate([p.current_ma for p in pairs])
    model = np.concatenate([p.model_ma for p in pairs])
    low, high = float(seen.min()), float(seen.max())
    near = model[np.isfinite(model) & (model < 1.5 * high)]
    low, high = min(low, float(near.min(initial=low))), max(high, float(near.max(initial=high)))
    room = 0.08 * (high - low) + 5
    return max(0.0, low - room), high + room


def _draw_pairs(axis: Axes, pairs: QuantilePairs, k: int, ends: tuple[float, float]) -> None:
    low, high = ends
    axis.plot(ends, ends, color="black", linewidth=0.9, linestyle="--")
    if pairs.lower_ma is not None and pairs.upper_ma is not None:
        axis.vlines(
            pairs.current_ma, pairs.lower_ma.clip(low, high), pairs.upper_ma.clip(low, high), color=COLOURS[k],
            linewidth=1.4, alpha=0.6,
        )  # fmt: skip
        inside = 0.015 * (high - low)
        for beyond, at, marker in (
            ((pairs.upper_ma > high) & (pairs.model_ma <= high), high - inside, "^"),
            (pairs.lower_ma < low, low + inside, "v"),
        ):
            axis.plot(
                pairs.current_ma[beyond], np.full(beyond.sum(), at), linestyle="none", marker=marker, color=COLOURS[k],
                markersize=4.5,
            )  # fmt: skip
    there = pairs.model_ma <= high
    # where the curve is flat the share has no single current: agreement is a line that meets the diagonal
    same = there[:-1] & (np.diff(pairs.share) < 1e-9)
    axis.hlines(
        pairs.model_ma[:-1][same],
        pairs.current_ma[:-1][same],
        pairs.current_ma[1:][same],
        color=COLOURS[k],
        linewidth=2.2,
    )
    axis.plot(
        pairs.current_ma[there], pairs.model_ma[there], linestyle="none", marker=MARKERS[k], color=COLOURS[k],
        markersize=4.5, markeredgecolor="white", markeredgewidth=0.5,
    )  # fmt: skip
    # the model's current itself is outside: a hollow arrow, larger than those of the limits
    axis.plot(
        pairs.current_ma[~there], np.full((~there).sum(), high - 0.03 * (high - low)), linestyle="none", marker="^",
        color=COLOURS[k], markerfacecolor="white", markersize=8,
    )  # fmt: skip


def quantiles_picture(shown: Sequence[GroupAnalysis], name: str) -> Picture | None:
    """Quantile-quantile plots for censored thresholds; ``None`` where no group has a model and known shares."""
    found = [
        (k, group, group.detail.pairs)
        for k, group in enumerate(shown)
        if group.detail is not None and group.detail.pairs is not None and group.detail.pairs.current_ma.size
    ]
    if not found:
        return None
    figure, axes = group_panels(
        len(found), 3.6, "current seen to capture a share, mA", "current for that share by the model, mA"
    )
    ends = _square([pairs for _, _, pairs in found])
    for axis, (k, group, pairs) in zip(axes, found, strict=True):
        _draw_pairs(axis, pairs, k, ends)
        axis.set(aspect="equal", xlim=ends, ylim=ends)
        for side in (axis.xaxis, axis.yaxis):
            side.set_major_locator(MaxNLocator(7, steps=[1, 2, 2.5, 5, 10]))
        axis.set_title(wrapped((group.summary.label, f"model: {pairs.label}"), 46), fontsize=9)
    figure.suptitle(f"Currents seen, and currents by the model ({name} capture)", fontsize=12)
    level = f"{100 * found[0][1].summary.curve.level:g} %"
    return render(
        figure,
        f"quantiles_{name}",
        "Each point is a current at which the share captured is known, against the current at which the model has the same "
        "share; on the dashed diagonal the model agrees. A thick level "
        "line joins currents with the same share; there the model agrees if the line meets the diagonal. Bars carry the limits of the share over "
        f"({level}, one at a time); an arrow at the edge: the limit lies beyond the figure. Neighbouring points rest on the "
        "same patients and stray together."
        + (
            " A large hollow arrow: the model puts that share beyond the figure, or holds that it is never captured."
            if any((pairs.model_ma > ends[1]).any() for _, _, pairs in found)
            else ""
        ),
        "Quantile-quantile plot of thresholds, one panel for each group: "
        + "; ".join(f"{g.summary.label}, {counted(p.current_ma.size, 'point')}, model: {p.label}" for _, g, p in found)
        + ".",
    )


def _draw_share(axis: Axes, share: Estimate, height: float, marker: str, colour: str, *, filled: bool) -> None:
    if share.lower is not None and share.upper is not None:
        axis.hlines(height, 100 * share.lower, 100 * share.upper, color=colour, linewidth=1.8)
    if share.value is None and share.identified is not None:
        low, high = share.identified
        axis.barh(height, 100 * (high - low), left=100 * low, height=0.3, color=colour, alpha=0.45, linewidth=0)
    elif share.value is not None:
        axis.plot(
            100 * share.value, height, linestyle="none", marker=marker, markersize=8, color=colour,
            markerfacecolor=colour if filled else "white", markeredgewidth=1.6, zorder=3,
        )  # fmt: skip


def never_captured_picture(groups: Sequence[GroupAnalysis], name: str) -> Picture | None:
    """Share never captured by family, of the first group that has one; ``None`` where none has."""
    for group in groups:
        if group.detail is not None and group.detail.never_captured:
            break
    else:
        return None
    found, summary = group.detail.never_captured, group.summary
    sufficient = found[0].follow_up.sufficient
    figure, (axis,) = new_axes(2.1 + 0.42 * len(found))
    _draw_share(axis, summary.not_captured, 0.0, "s", "black", filled=True)
    for row, never in enumerate(found, start=1):
        _draw_share(axis, never.share, -float(row), "o", COLOURS[0], filled=sufficient)
    axis.axhline(-0.5, color="black", linewidth=0.8, linestyle=":")
    highest = f"{summary.curve.x[-1]:g} mA"
    axis.set_yticks(
        [-float(row) for row in range(len(found) + 1)],
        [f"not captured at\n{highest} (no model)", *(f"never, {n.family.name}" for n in found)],
    )
    reading = "" if sufficient else "\nhollow: rests on the shape of the family, not on what was seen"
    axis.set_xlabel(f"patients, %{reading}", fontsize=10)
    axis.set_ylim(-len(found) - 0.6, 0.6)
    axis.set_xlim(left=-0.02 * axis.get_xlim()[1])
    who = f"{summary.label}, {counted(group.counts.patients, 'patient')}"
    figure.suptitle(f"Share that no current would capture\n({name} capture; {who})", fontsize=12)
    warning = (
        ""
        if sufficient
        else " Hollow circles: the currents tested do not clearly reach beyond the thresholds, so these shares rest on the "
        "shape of each family and not on what was seen."
    )
    return render(
        figure,
        f"never_captured_{name}",
        f"Top row: the share not captured at the highest current tested, {highest}, without a model. Below: the share that "
        "would never be captured at any current if thresholds followed each family. Bars: "
        f"{100 * summary.not_captured.level:g} % limits (profile likelihood below the dotted line). Where the families "
        f"disagree, these data do not tell.{warning}",
        f"Share never captured by family, {who}: "
        + "; ".join(f"{n.family.name} {value_text(n.share)} ({interval_text(n.share)})" for n in found)
        + ".",
    )
