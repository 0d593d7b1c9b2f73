"""Whether the hazard ratio of capture changes with time: scaled Schoenfeld residuals with a smooth line."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import seaborn as sns
from matplotlib.lines import Line2D

from capstat.report.figures.canvas import COLOURS, blank_figure, render, wrapped
from capstat.report.figures.forest import log_ticks
from capstat.report.figures.outcome_marks import GREY, ratio_told
from capstat.report.wording import counted, p_text, plain_name

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from capstat.analysis.outcome_analysis import OutcomeAnalysis
    from capstat.outcomes.time_proportional import ProportionalityCheck, TermTest
    from capstat.outcomes.time_regression import TimeRegression
    from capstat.report.figures.canvas import Picture
    from capstat.results import Estimate

__all__ = ["hazards_over_time_picture"]

MOST_TERMS: Final = 4
# single residuals may lie anywhere; the axis holds the line and the middle nine tenths of them
LEAST, WIDEST = float(np.log(1.25)), float(np.log(100.0))


def hazards_over_time_picture(found: OutcomeAnalysis) -> Picture | None:
    """One panel for the compared group and for each of up to three covariates; ``None`` without a test."""
    regression = found.regression
    if regression is None or not regression.proportionality.terms or not regression.proportionality.minutes.size:
        return None
    check = regression.proportionality
    columns = _shown(check)
    figure, axes = _panels(len(columns))
    places = _even(check, check.minutes)
    for k, (axis, column) in enumerate(zip(axes, columns, strict=True)):
        _draw_panel(axis, check, column, places)
        overall = _overall(regression, column)
        if overall is not None and overall.value is not None and overall.value > 0:
            axis.axhline(np.log(overall.value), color="black", linewidth=1.1, linestyle="--")
        name = f"{regression.first} against {regression.minus}" if column == 0 else plain_name(check.names[column])
        term = _term_of(check, column)
        test = f"change with time: {p_text(term.p_value)}" if term is not None else ""
        axis.set_title(wrapped((name, test), 46), fontsize=9, fontweight="bold" if k == 0 else "normal")
        _mark_minutes(axis, check)
        _set_ratios(axis, check, column)
    figure.suptitle("Does the hazard ratio of capture stay the same over time?", fontsize=12)
    figure.legend(
        handles=[
            Line2D([], [], linestyle="none", marker="o", markersize=4, color=GREY, alpha=0.6, label="one capture"),
            Line2D([], [], color=COLOURS[0], linewidth=2.2, label="smooth line through them"),
            Line2D([], [], color="black", linewidth=1.1, linestyle="--", label="hazard ratio of the model"),
            Line2D([], [], color="black", linewidth=0.8, label="no association (1)"),
        ],
        loc="outside lower center", ncols=2, frameon=False, fontsize=8.5,
    )  # fmt: skip
    left_out = len(check.terms) - len(columns)
    return render(
        figure,
        "hazards_over_time",
        f"{counted(regression.n, 'patient')}, {counted(int(check.minutes.size), 'capture')}. Each point: the hazard ratio that one capture alone speaks for (scaled "
        "Schoenfeld residual); line: their smooth course. A line that is level supports one ratio for all times; one that "
        "falls or rises says that the ratio of the model is an average over them. A small p-value says that the ratio changes; a large one does "
        "not show that it stays the same. The last points rest on few patients still waiting. Points beyond an axis are at its edge, and the axes differ."
        + (
            f" {left_out} further {'covariate is' if left_out == 1 else 'covariates are'} in the table only."
            if left_out > 0
            else ""
        )
        + " Above 1: captured sooner. Hazard ratios of groups as they came about are associations."
        * (not found.randomised),
        " ".join(
            [
                f"Scaled Schoenfeld residuals of {counted(int(check.minutes.size), 'capture')} over time.",
                *(_told(regression, column) for column in columns),
            ]
        ),
    )


def _panels(count: int) -> tuple[Figure, list[Axes]]:
    """Panels at most two side by side; each has an axis of its own, as ratios per year and per group differ in size."""
    columns = min(count, 2)
    rows = -(-count // columns)
    with sns.axes_style("whitegrid"), sns.plotting_context("notebook", font_scale=0.85):
        figure = blank_figure(rows * (2.7 if count > 1 else 3.6) + 0.9)
        axes = list(figure.subplots(rows, columns, squeeze=False).ravel())
    for k, axis in enumerate(axes):
        sns.despine(ax=axis)
        axis.set_visible(k < count)
        axis.set(
            xlabel="minutes, spaced by captures",
            ylabel="hazard ratio of capture" if k % columns == 0 else "",
        )
    return figure, axes[:count]


def _shown(check: ProportionalityCheck) -> list[int]:
    """First column of the compared group, then of the terms with the smallest p-values."""
    group, *others = check.terms
    first = {term.name: place for term, place in zip(check.terms, _starts(check), strict=True)}
    others.sort(key=lambda term: term.p_value)
    return [first[group.name], *(first[term.name] for term in others[: MOST_TERMS - 1])]


def _starts(check: ProportionalityCheck) -> list[int]:
    return [int(start) for start in np.cumsum([0, *(term.df for term in check.terms[:-1])])]


def _term_of(check: ProportionalityCheck, column: int) -> TermTest | None:
    return next((term for term, start in zip(check.terms, _starts(check), strict=True) if start == column), None)


def _even(check: ProportionalityCheck, minutes: np.ndarray) -> np.ndarray:
    """Times as ranks among the captures, so that early ones are not on top of one another."""
    order = np.arange(check.minutes.size, dtype=float) / max(check.minutes.size - 1, 1)
    times, first = np.unique(check.minutes, return_index=True)
    found: np.ndarray = np.interp(minutes, times, order[first])
    return found


def _draw_panel(axis: Axes, check: ProportionalityCheck, column: int, places: np.ndarray) -> None:
    axis.axhline(0, color="black", linewidth=0.8)
    low, high = _reach(check, column)
    axis.plot(
        places, np.clip(check.log_ratios[:, column], low, high), linestyle="none", marker="o", markersize=3, color=GREY, alpha=0.45,
    )  # fmt: skip
    if check.smooth_minutes.size:
        axis.plot(_even(check, check.smooth_minutes), check.smooth[:, column], color=COLOURS[0], linewidth=2.2)


def _reach(check: ProportionalityCheck, column: int) -> tuple[float, float]:
    parts = [np.quantile(check.log_ratios[:, column], [0.05, 0.95]), check.smooth[:, column]]
    values = np.clip(np.concatenate(parts), -WIDEST, WIDEST)
    return min(-LEAST, float(values.min())), max(LEAST, float(values.max()))


def _set_ratios(axis: Axes, check: ProportionalityCheck, column: int) -> None:
    low, high = _reach(check, column)
    ticks = log_ticks(float(np.exp(low)), float(np.exp(high)))
    axis.set(ylim=(1.05 * low, 1.05 * high), xlim=(-0.02, 1.02))
    axis.set_yticks([float(np.log(tick)) for tick in ticks], [f"{tick:g}" for tick in ticks])


def _mark_minutes(axis: Axes, check: ProportionalityCheck) -> None:
    """A few times at their places among the captures."""
    at = np.quantile(check.minutes, [0.0, 0.25, 0.5, 0.75, 1.0], method="nearest")
    at = np.unique(at)
    axis.set_xticks(list(_even(check, at)), [f"{minute:.2g}" if minute < 10 else f"{minute:.0f}" for minute in at])


def _overall(regression: TimeRegression, column: int) -> Estimate | None:
    ratios = regression.capture.ratios
    return ratios[column] if column < len(ratios) else None


def _told(regression: TimeRegression, column: int) -> str:
    check = regression.proportionality
    name = f"{regression.first} against {regression.minus}" if column == 0 else plain_name(check.names[column])
    overall, term = _overall(regression, column), _term_of(check, column)
    parts = [f"hazard ratio {ratio_told(overall)}"] if overall is not None else []
    if check.smooth_minutes.size:
        start, end = np.exp(check.smooth[[0, -1], column])
        parts.append(f"smooth line from {start:.2f} to {end:.2f}")
    parts += [f"change with time {p_text(term.p_value)}"] if term is not None else []
    return f"{name}: {'; '.join(parts)}."
