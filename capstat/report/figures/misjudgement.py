"""What would follow if readings were so good or so bad: capture currents, and the ratio of two placements."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from capstat.capture.differential import AGAINST
from capstat.report.confirmation_words import both
from capstat.report.figures.canvas import COLOURS, blank_figure, render
from capstat.report.figures.cells import DASH, EMPTY, Cell, draw_cells, spoken_against
from capstat.report.wording import listed, milliampere, percent, ratio_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.artist import Artist
    from matplotlib.figure import Figure

    from capstat.analysis import CorrectedAnalysis
    from capstat.capture import DifferentialMisjudgement, JudgementErrors, SurfacePoint
    from capstat.capture.differential import RatioAt
    from capstat.report.figures.canvas import Picture

__all__ = ["misjudgement_ratio_picture", "misjudgement_surface_picture"]

PANELS = 2
HATCHED_WORDS = f"Hatched: the readings themselves speak against that pair (log-likelihood more than {-AGAINST:g} below the best pair)."


def _falling(values: Sequence[float]) -> list[float]:
    return sorted(set(values), reverse=True)


def _nearest(value: float, grid: Sequence[float]) -> float:
    return min(grid, key=lambda one: abs(one - value))


def _current_cell(point: SurfacePoint | None, k: int, *, framed: bool) -> Cell:
    current = None if point is None else point.currents_ma[k]
    if point is None or point.log_likelihood is None:
        return EMPTY
    hatched = spoken_against(point.log_likelihood)
    if current is None:
        return Cell(DASH, None, hatched, framed)
    return Cell(milliampere(current[1]), current[1], hatched, framed)


def _legend(figure: Figure, framed: str, *, hatched: bool, ringed: bool = False) -> None:
    handles: list[Artist] = []
    if framed:
        handles.append(Rectangle((0, 0), 1, 1, fill=False, edgecolor=COLOURS[1], linewidth=2.4, label=framed))
    if hatched:
        handles.append(
            Patch(
                facecolor="#e8e8e8",
                edgecolor="#8a8a8a",
                hatch="////",
                linewidth=0,
                label="the readings speak against it",
            )
        )
    if ringed:
        handles.append(
            Line2D(
                [],
                [],
                linestyle="none",
                marker="o",
                color="black",
                markerfacecolor="white",
                label="interval includes 1",
            )
        )
    if handles:
        figure.legend(handles=handles, loc="outside lower center", ncols=3, frameon=False, fontsize=9)


def misjudgement_surface_picture(found: CorrectedAnalysis) -> Picture | None:
    """Currents that capture the first two of the shares wanted, by assumed errors; ``None`` without any."""
    points = {(point.sensitivity, point.specificity): point for point in found.surface}
    if not any(current is not None for point in found.surface for current in point.currents_ma[:PANELS]):
        return None
    rows, columns = _falling([pair[0] for pair in points]), _falling([pair[1] for pair in points])
    errors = _errors(found)
    near = None if errors is None else (_nearest(errors.sensitivity, rows), _nearest(errors.specificity, columns))
    fractions = found.fractions[:PANELS]
    figure = blank_figure(1.9 + 0.42 * len(rows))
    told = []
    for k, (axis, fraction) in enumerate(
        zip(figure.subplots(1, len(fractions), squeeze=False).ravel(), fractions, strict=True)
    ):
        draw_cells(
            axis,
            [[_current_cell(points.get((se, sp)), k, framed=(se, sp) == near) for sp in columns] for se in rows],
            [percent(se) for se in rows], [percent(sp) for sp in columns],
        )  # fmt: skip
        axis.set_title(f"current that captures {100 * fraction:g} %, mA", fontsize=10)
        axis.set_xlabel("specificity, %", fontsize=9.5)
        axis.set_ylabel("sensitivity, %" if k == 0 else "", fontsize=9.5)
        told += [
            f"{100 * fraction:g} % at sensitivity {percent(se)} %, specificity {percent(sp)} %: "
            f"{_current_cell(points.get((se, sp)), k, framed=False).text} mA."
            for se in rows[:1]
            for sp in columns
        ]
    figure.suptitle(f"If readings of {found.claim} capture were so good or so bad", fontsize=12)
    hatched = any(spoken_against(point.log_likelihood) for point in found.surface)
    _legend(figure, "" if near is None else f"nearest to the {_how(found)} errors", hatched=hatched)
    return render(
        figure,
        "misjudgement_surface",
        "Sensitivity: share of settings with capture that are read as capture. Specificity: share of settings without it that "
        "are not, here the same at every current. Each number is the lowest tested current that would then capture the share, from "
        "the readings alone; darker is more current, each table on its own scale. A dash: not reached, or no estimate. "
        + (HATCHED_WORDS if hatched else "")
        + (
            ""
            if errors is None
            else f" Framed: nearest to the {_how(found)} errors (sensitivity {percent(errors.sensitivity)} %, specificity "
            f"{percent(errors.specificity)} % at 80 mA). The corrected curve need not give the framed number: "
            f"{_unlike_the_table(found, errors)}."
        ),
        " ".join(["Tables of the current that captures a share, by assumed sensitivity and specificity.", *told]),
    )


def _errors(found: CorrectedAnalysis) -> JudgementErrors | None:
    overall = found.overall
    return None if overall is None or overall.result is None else overall.result.errors


def _unlike_the_table(found: CorrectedAnalysis, errors: JudgementErrors) -> str:
    """Why the corrected curve may differ from the table."""
    reasons = ["its errors need not be in the table"]
    if errors.odds_ratio_per_10_ma != 1:
        reasons.append("its specificity changes with the current")
    if found.reference:
        reasons.append("it also uses the reference")
    return listed(reasons)


def _how(found: CorrectedAnalysis) -> str:
    return "given" if found.model.fixed else "estimated"


def _ratio_cell(point: RatioAt | None, *, framed: bool) -> Cell:
    ratio = None if point is None else point.ratio
    if point is None or ratio is None or ratio.value is None:
        return EMPTY
    open_to_one = ratio.lower is None or ratio.upper is None or ratio.lower <= 1 <= ratio.upper
    return Cell(
        ratio_text(ratio.value), abs(math.log(ratio.value)), spoken_against(point.log_likelihood), framed, open_to_one
    )


def misjudgement_ratio_picture(found: DifferentialMisjudgement) -> Picture | None:
    """Ratio of thresholds for every pair of assumed specificities; ``None`` where none can be had."""
    points = {(point.specificity_first, point.specificity_minus): point for point in found.grid}
    if not any(point.ratio is not None and point.ratio.value is not None for point in found.grid):
        return None
    rows, columns = _falling([pair[0] for pair in points]), _falling([pair[1] for pair in points])
    cells = [[_ratio_cell(points.get((one, other)), framed=one == other) for other in columns] for one in rows]
    figure = blank_figure(1.9 + 0.52 * len(rows))
    axis = figure.subplots()
    draw_cells(axis, cells, [percent(one) for one in rows], [percent(other) for other in columns])
    axis.set_xlabel(f"specificity of readings with {found.minus} pads, %", fontsize=9.5)
    axis.set_ylabel(f"specificity of readings with\n{found.first} pads, %", fontsize=9.5)
    figure.suptitle(f"Ratio of thresholds, {found.first} over {found.minus}", fontsize=12)
    hatched = any(cell.hatched for line in cells for cell in line)
    ringed = any(cell.ringed for line in cells for cell in line)
    _legend(figure, "the same specificity in both", hatched=hatched, ringed=ringed)
    low, high = found.range_of_ratios
    level = f"{100 * found.alike.level:g} %"
    return render(
        figure,
        "misjudgement_ratio",
        f"Below 1: less current with {found.first}. Specificity: share of settings of 80 mA without capture that are not read as "
        "capture. Each cell supposes one pair, from the readings alone; darker is further from 1. "
        + (
            f"Ring: the {level} confidence interval includes 1. "
            if ringed
            else f"In no cell does the {level} confidence interval include 1. "
        )
        + (f"{HATCHED_WORDS} " if hatched else "")
        + f"Every reading believed: {both(found.as_claimed)}; the errors of all ramps in both: {both(found.alike)}. The difference "
        "is an association; who was given which placement is not allowed for.",
        f"Table of ratios of thresholds by assumed specificities, from {ratio_text(low)} to {ratio_text(high)}. With the same "
        "specificity in both: "
        + "; ".join(
            f"{percent(one)} %: {_ratio_cell(points[one, one], framed=True).text}"
            for one in rows
            if (one, one) in points
        )
        + ".",
    )
