"""Capture curves: without a model, and with one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from capstat.report.figures.canvas import COLOURS, MARKERS, group_panels, new_axes, render, staircase, wrapped
from capstat.report.wording import FEWEST_FOR_PERCENT, counted, p_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from capstat.analysis import GroupAnalysis
    from capstat.report.figures.canvas import Picture
    from capstat.results import Curve

__all__ = ["curve_range", "curves_picture", "draw_curve", "model_fit_picture"]


def draw_curve(axis: Axes, curve: Curve, k: int, label: str) -> None:
    """Draw what is known of a capture curve with its limits, in the k-th colour and marker."""
    _draw_band(axis, curve, COLOURS[k], 0.13)
    _draw_identified(axis, curve, k, label)


def _draw_band(axis: Axes, curve: Curve, colour: str, alpha: float) -> None:
    x = np.concatenate(([0.0], curve.x))
    at, low = staircase(x, np.concatenate(([0.0], curve.band_lower)))
    _, high = staircase(x, np.concatenate((curve.band_upper, curve.band_upper[-1:])))
    axis.fill_between(at, 100 * low, 100 * high, color=colour, alpha=alpha, linewidth=0)


def _draw_identified(axis: Axes, curve: Curve, k: int, label: str) -> None:
    # between two currents the curve lies between its value at the lower and at the upper one
    x = np.concatenate(([0.0], curve.x))
    at, low = staircase(x, np.concatenate(([0.0], curve.lower)))
    _, high = staircase(x, np.concatenate((curve.upper, curve.upper[-1:])))
    axis.fill_between(at, 100 * low, 100 * high, color=COLOURS[k], alpha=0.45, linewidth=0)
    settled = np.isclose(curve.lower, curve.upper)
    axis.plot(
        curve.x[settled], 100 * curve.lower[settled], linestyle="none", marker=MARKERS[k], markersize=4.5,
        color=COLOURS[k], markeredgecolor="white", markeredgewidth=0.5, label=label, zorder=3,
    )  # fmt: skip


def curve_range(curves: Sequence[Curve]) -> tuple[float, float]:
    """Currents worth showing, in mA."""
    start = min(float(c.x[np.argmax(c.upper > 0.001)]) for c in curves)
    return max(0.0, start - 15), max(float(c.x[-1]) for c in curves) + 8


def curves_picture(shown: Sequence[GroupAnalysis], name: str) -> Picture:
    """Capture curves of the groups in one panel."""
    figure, (axis,) = new_axes()
    summaries = [group.summary for group in shown]
    for k, summary in enumerate(summaries):
        draw_curve(axis, summary.curve, k, summary.label)
    curves = [summary.curve for summary in summaries]
    axis.set(
        xlabel="current, mA", ylabel="patients captured, %", xlim=curve_range(curves), ylim=(-2, 102),
        title=f"Share of patients captured at each current ({name} capture)",
    )  # fmt: skip
    axis.legend(loc="lower right", frameon=True, markerscale=1.4)
    level = f"{100 * curves[0].level:g} %"
    middle = [
        f"{summary.label}: {summary.capture_currents[0].value:g} mA captures at least half."
        for summary in summaries
        if summary.capture_currents and summary.capture_currents[0].value is not None
    ]
    return render(
        figure,
        f"capture_curve_{name}",
        "Points: currents at which the share captured is known. Dark steps: between two tested currents the share is only "
        f"known to lie within the step. Light area: {level} confidence limits at one current at a time.",
        " ".join(["Share of patients captured against current in mA.", *middle]),
    )


def _draw_model(axis: Axes, curve: Curve) -> None:
    for limit in (curve.band_lower, curve.band_upper):
        axis.plot(curve.x, 100 * limit, color="black", linewidth=0.9, linestyle=(0, (4, 2)))
    axis.plot(curve.x, 100 * curve.lower, color="black", linewidth=1.5)


def _model_words(group: GroupAnalysis) -> tuple[str, str]:
    """The model, and how far it can be told from the data."""
    best = group.models.best
    if best is None:
        return "no model could be fitted", ""
    check = group.detail.fit_check if group.detail is not None else None
    return f"model: {best.name}", "" if check is None else f"goodness of fit: {p_text(check.p_value)}"


def model_fit_picture(shown: Sequence[GroupAnalysis], name: str) -> Picture | None:
    """The best model of each group over its curve without a model; ``None`` when no group has a model."""
    if all(group.models.curve is None for group in shown):
        return None
    figure, axes = group_panels(len(shown), 3.1, "current, mA", "patients captured, %")
    told = []
    for k, (axis, group) in enumerate(zip(axes, shown, strict=True)):
        summary, (model, check) = group.summary, _model_words(group)
        _draw_band(axis, summary.simultaneous, "#999999", 0.28)
        _draw_identified(axis, summary.curve, k, summary.label)
        if group.models.curve is not None:
            _draw_model(axis, group.models.curve)
        head = f"{summary.label}, {counted(group.counts.patients, 'patient')}"
        axis.set_title(wrapped((head, model, check), 46), fontsize=9)
        told.append(f"{head}: {model}{', ' if check else ''}{check}.")
    axes[0].set(xlim=curve_range([group.summary.curve for group in shown]), ylim=(-2, 102))
    figure.suptitle(f"Does the model follow the data? ({name} capture)", fontsize=12)
    level = f"{100 * shown[0].summary.simultaneous.level:g} %"
    figure.legend(
        handles=[
            Line2D([], [], linestyle="none", marker="o", color="#555555", label="known share, no model"),
            Patch(color="#777777", alpha=0.7, label="known only to lie within the step"),
            Patch(color="#999999", alpha=0.28, label=f"{level} band for the whole curve"),
            Line2D([], [], color="black", linewidth=1.5, label="best model"),
            Line2D([], [], color="black", linewidth=0.9, linestyle=(0, (4, 2)), label=f"its {level} limits"),
        ],
        loc="outside lower center", ncols=2, frameon=False, fontsize=8.5,
    )  # fmt: skip
    return render(
        figure,
        f"model_fit_{name}",
        "Points and dark steps: the share captured without a model. Grey area: a band that holds that whole curve at once "
        f"with {level} confidence. Line: the best-fitting model, with its limits at one current at a time (dashed), which "
        "hold only if the model is right. A model line outside the grey area speaks against the model; one inside it is "
        "not thereby shown to be right, least of all beyond the highest current tested."
        + (
            " A small goodness-of-fit p-value speaks against the model; a large one from few patients says little."
            if any("goodness" in words for words in told)
            else ""
        )
        + (
            f" Fewer than {FEWEST_FOR_PERCENT} patients cannot tell one model from another."
            if any(group.counts.patients < FEWEST_FOR_PERCENT for group in shown)
            else ""
        ),
        " ".join(["Capture curves without a model and under the best model, one panel for each group.", *told]),
    )
