"""Control charts of false capture: share by month, or upheld claims between false ones."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.ticker import MaxNLocator

from capstat.report.confirmation_words import claim_words, full_sentences, reference_words
from capstat.report.figures.canvas import COLOURS, new_axes, render
from capstat.report.wording import counted, percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from capstat.analysis import FalseCaptureAnalysis
    from capstat.capture import FalseCaptureChart
    from capstat.capture.run_chart import GapChart
    from capstat.report.figures.canvas import Picture

__all__ = ["false_capture_chart_picture"]

ACTION: dict[str, Any] = {"color": "black", "linewidth": 1.5, "linestyle": "-"}
WARNING: dict[str, Any] = {"color": "#555555", "linewidth": 1.2, "linestyle": (0, (4, 2))}
CENTRE: dict[str, Any] = {"color": COLOURS[3], "linewidth": 1.6, "linestyle": (0, (7, 2, 1.5, 2))}
POINTS: dict[str, Any] = {"color": COLOURS[0], "linewidth": 0.8, "marker": "o", "markersize": 5.5, "zorder": 3}
BEYOND: dict[str, Any] = {
    "linestyle": "none", "marker": "D", "markersize": 9.5, "color": COLOURS[1], "markeredgecolor": "black", "zorder": 4,
}  # fmt: skip
ACTION_LABEL, WARNING_LABEL, BEYOND_LABEL = "action limits (0.27 %)", "warning limits (5 %)", "beyond the action limits"


def false_capture_chart_picture(found: FalseCaptureAnalysis) -> Picture | None:
    """Draw the chosen chart; ``None`` without a chart, or with a single month."""
    chart = found.chart
    if chart is None or chart.month.size < 2:
        return None
    change = None if found.before_after is None else found.before_after.change_month
    if chart.chosen == "g-chart" and chart.gaps is not None:
        figure, words, told = _gap_chart(chart.gaps, change)
    else:
        figure, words, told = _share_chart(chart, change)
    figure.suptitle(f"False {claim_words(found.claim)} over time", fontsize=12)
    dotted = (
        ""
        if change is None
        else f" Dotted vertical line: the stated change in month {change:g}; what else changed then is not known."
    )
    notes = " ".join(full_sentences([chart.verdict, *chart.notes]))
    return render(
        figure,
        "false_capture_chart",
        f"False: {reference_words(found.reference)} does not uphold the claim. {words}{dotted} {notes} A signal says that the "
        "share changed in time, not why; no signal does not say that it stayed the same.",
        f"Control chart ({chart.chosen}) of false captures over {counted(chart.month.size, 'month')}. {told} {chart.verdict}",
    )


def _draw_change(axes: list[Axes], at: float, change: float) -> None:
    for axis in axes:
        axis.axvline(at, color=COLOURS[1], linewidth=1.6, linestyle=":")
    axes[0].annotate(
        f"change (month {change:g})", (at, 1.0), xycoords=("data", "axes fraction"), xytext=(4, -3),
        textcoords="offset points", va="top", fontsize=8.5, bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
    )  # fmt: skip


def _beyond(value: NDArray[Any], low: NDArray[Any] | int, high: NDArray[Any] | int) -> NDArray[np.bool_]:
    return np.asarray((value < low) | (value > high), dtype=bool)


def _legend(figure: Figure, axis: Axes, columns: int) -> None:
    figure.legend(
        *axis.get_legend_handles_labels(), loc="outside lower center", ncols=columns, frameon=False, fontsize=8.8,
        handlelength=3.2,
    )  # fmt: skip


def _share_chart(chart: FalseCaptureChart, change: float | None) -> tuple[Figure, str, str]:
    figure, (top, bottom) = new_axes(5.6, 2, (2.6, 1.0))
    month, share = chart.month, 100 * chart.share
    top.step(month, 100 * chart.action_upper, where="mid", label=ACTION_LABEL, **ACTION)
    top.step(month, 100 * chart.warning_upper, where="mid", label=WARNING_LABEL, **WARNING)
    # lower limits that are 0 everywhere would only hide the points there
    has_lower = bool((chart.warning_lower > 0).any())
    if has_lower:
        top.step(month, 100 * chart.action_lower, where="mid", **ACTION)
        top.step(month, 100 * chart.warning_lower, where="mid", **WARNING)
    top.axhline(100 * chart.median, label="median", **CENTRE)
    top.plot(month, share, label="share of a month", **POINTS)
    beyond = _beyond(chart.share, chart.action_lower, chart.action_upper)
    if beyond.any():
        top.plot(month[beyond], share[beyond], label=BEYOND_LABEL, **BEYOND)
    top.set(ylabel="judged claims\nthat were false, %", ylim=(-3, 112), yticks=range(0, 101, 20))
    bottom.bar(month, chart.judged, color="white", edgecolor="#333333", width=0.7, linewidth=0.9, label="judged")
    bottom.bar(month, chart.false, color="#444444", edgecolor="#333333", width=0.7, linewidth=0.9, label="false")
    bottom.set(
        xlim=(month[0] - 0.8, month[-1] + 0.8), xlabel="study month", ylabel="claims", ylim=(0, 1.35 * float(chart.judged.max())),
    )  # fmt: skip
    bottom.legend(loc="upper right", ncols=2, frameon=False, fontsize=8.5, borderaxespad=0.0)
    bottom.xaxis.set_major_locator(MaxNLocator(13, integer=True))
    bottom.yaxis.set_major_locator(MaxNLocator(4, integer=True))
    _legend(figure, top, 3 if beyond.any() else 4)
    if change is not None:
        _draw_change([top, bottom], change - 0.5, change)
    words = (
        "Above: share of the judged claims of each month. The limits are those of chance if the share were always "
        f"{percent(chart.expected)} %; they widen where few claims were judged (below)."
        + (
            ""
            if has_lower
            else " There are no lower limits: with so few claims in a month even no false claim can be chance."
        )
    )
    false, judged = int(chart.false.sum()), int(chart.judged.sum())
    told = f"{false} of {judged} judged claims were false; median of the monthly shares {percent(chart.median)} %."
    return figure, words, told


def _gap_chart(gaps: GapChart, change: float | None) -> tuple[Figure, str, str]:
    figure, (axis,) = new_axes(4.6)
    place = np.arange(1, gaps.gap.size + 1)
    for limits, style, label in ((gaps.action, ACTION, ACTION_LABEL), (gaps.warning, WARNING, WARNING_LABEL)):
        axis.axhline(limits[1], label=label, **style)
        if limits[0] > 0:
            axis.axhline(limits[0], **style)
    axis.axhline(gaps.centre, label="median expected", **CENTRE)
    axis.plot(place, gaps.gap, label="upheld since the false claim before", **POINTS)
    beyond = _beyond(gaps.gap, *gaps.action)
    if beyond.any():
        axis.plot(place[beyond], gaps.gap[beyond], label=BEYOND_LABEL, **BEYOND)
    axis.plot(
        [place[-1] + 1], [gaps.since_last], linestyle="none", marker="^", color=COLOURS[0], markerfacecolor="white",
        markersize=7, label="upheld since the last false claim, still open",
    )  # fmt: skip
    top = max(gaps.action[1], int(gaps.gap.max()), gaps.since_last)
    axis.set(
        xlim=(0.4, place[-1] + 1.6), ylim=(-0.04 * top, 1.15 * top), ylabel="upheld claims in a row",
        xlabel="false claims in order of time (study month)",
    )  # fmt: skip
    every = -(-place.size // 16)
    axis.set_xticks(place[::every], [f"{month:g}" for month in gaps.month[::every]])
    _legend(figure, axis, 2)
    if change is not None:
        _draw_change([axis], 0.5 + float((gaps.month < change).sum()), change)
    words = (
        "Each point is a false claim (its month below): how many judged claims in a row were upheld since the false one "
        "before. Low points: false claims close together; high points: long without one. The limits are those of chance "
        "if the share of false claims stayed the same."
    )
    told = f"Between two false claims up to {counted(int(gaps.gap.max()), 'upheld claim')}, {gaps.since_last} since the last."
    return figure, words, told
