"""Outcomes of the two groups: differences in risk as they are and after adjustment, the declared outcome first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle

from capstat.report.figures.canvas import COLOURS, WIDTH, blank_figure, render
from capstat.report.figures.forest import fitted, inch_axes, put
from capstat.report.figures.outcome_marks import GREY, basis, draw_limits, points_axis, points_told
from capstat.report.wording import listed, plain_name

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from capstat.analysis.outcome_analysis import OutcomeAnalysis
    from capstat.outcomes.outcome_compare import OutcomeComparison
    from capstat.report.figures.canvas import Picture
    from capstat.results import Estimate

__all__ = ["outcomes_picture"]

# inches: words, the panel, numbers; heights of a heading and of a row
LABELS, NUMBERS, HEAD, ROW, TOP = 2.15, 1.75, 0.33, 0.2, 0.75
METHODS: Final = ("unadjusted", "standardised", "inverse-probability weights", "overlap weights")
MARKS: Final = ("o", "s", "D", "^")
SHADE: Final = "#eef3f8"


@dataclass(frozen=True, slots=True)
class _Line:
    """One line of the picture: a heading, an estimate with the place of its method, or a reason."""

    words: str
    y: float
    estimate: Estimate | None = None
    method: int = 0
    kind: str = "row"
    ground: str = "white"


def outcomes_picture(found: OutcomeAnalysis) -> Picture | None:
    """Forest of risk differences of every outcome; ``None`` when none was compared."""
    if not found.outcomes:
        return None
    lines = list(_lines(found))
    height = lines[-1].y + 0.25
    figure = blank_figure(TOP + height + 1.0)
    figure.set_layout_engine("none")
    left, width = 0.1 + LABELS, WIDTH - LABELS - NUMBERS - 0.35
    axis = inch_axes(figure, left, TOP, width, height)
    axis.set_ylim(height, 0)
    estimates = [line.estimate for line in lines if line.estimate is not None]
    points_axis(axis, estimates, 100.0)
    axis.axvline(0, color="black", linewidth=1.0, zorder=1.5)
    _shade_declared(figure, found, lines, height)
    for line in lines:
        _draw_line(figure, axis, line, left + width + 0.15)
    put(figure, WIDTH / 2, 0.22, ("Outcomes of the two groups: difference in risk",), fontsize=12, ha="center")
    put(figure, left + width + 0.15, TOP - 0.17, ("points (limits)",), color=GREY)
    below = f"percentage points, {found.first} minus {found.minus}"
    put(figure, left + width / 2, TOP + height + 0.38, fitted(below, WIDTH - 0.4, 1), ha="center")
    _draw_key(figure)
    return render(figure, "outcomes", _caption(found), _alternative(found))


def _name(one: OutcomeComparison) -> str:
    return plain_name(one.outcome)


def _lines(found: OutcomeAnalysis) -> Iterator[_Line]:
    y, told = 0.16, False
    for one in found.outcomes:
        declared = one.role == "declared"
        ground = SHADE if declared else "white"
        if declared:
            yield _Line("DECLARED BEFOREHAND", y, kind="part", ground=ground)
            y += HEAD - 0.08
        elif not told:
            yield _Line("EXPLORATORY: not declared, not corrected for looking at several", y, kind="part")
            y, told = y + HEAD - 0.08, True
        first, minus = one.risks.groups
        counts = f"{first.events} of {first.known} against {minus.events} of {minus.known}"
        yield _Line(f"{_name(one)}: {counts}", y, kind="head", ground=ground)
        y += ROW + 0.02
        parts = [
            one.risks.difference,
            one.standardised.difference,
            one.inverse_probability.difference,
            one.overlap.difference,
        ]
        if len({part.reason for part in parts[1:]}) == 1 and all(part.value is None for part in parts[1:]):
            yield _Line("unadjusted", y, parts[0], ground=ground)
            y += ROW
            yield _Line("adjusted", y, parts[1], 1, ground=ground)
            y += ROW
        else:
            for method, (words, part) in enumerate(zip(METHODS, parts, strict=True)):
                yield _Line(words, y, part, method, ground=ground)
                y += ROW
        y += HEAD - ROW + (0.12 if declared else 0.0)


def _shade_declared(figure: Figure, found: OutcomeAnalysis, lines: list[_Line], height: float) -> None:
    """A box around the declared outcome."""
    if found.outcomes[0].role != "declared":
        return
    parts = [line.y for line in lines if line.kind == "part"]
    end = parts[1] - 0.16 if len(parts) > 1 else height
    whole = figure.get_size_inches()[1]
    figure.add_artist(
        Rectangle(
            (0.008, 1 - (TOP + end) / whole), 0.984, end / whole, facecolor=SHADE, edgecolor="black", linewidth=0.8, zorder=-1,
        )
    )  # fmt: skip


def _draw_line(figure: Figure, axis: Axes, line: _Line, right: float) -> None:
    y = TOP + line.y
    if line.kind != "row":
        head = line.kind == "head"
        # a ground keeps lines of the axis out of words that reach into it
        put(
            figure, 0.15, y, fitted(line.words, WIDTH - 0.4, 1, weight="bold" if head else "normal"),
            fontweight="bold" if head else "normal", color="black" if head else GREY, zorder=5,
            bbox={"facecolor": line.ground, "edgecolor": "none", "pad": 1.0},
        )  # fmt: skip
        return
    put(figure, 0.3, y, fitted(line.words, LABELS - 0.2, 1))
    one = line.estimate
    if one is None:
        return
    if one.value is None:
        put(
            figure,
            0.1 + LABELS + 0.05,
            y,
            fitted(f"no value: {one.reason}", WIDTH - LABELS - 0.3, 1),
            fontstyle="italic",
            color=GREY,
            zorder=5,
            bbox={"facecolor": line.ground, "edgecolor": "none", "pad": 1.0},
        )
        return
    draw_limits(
        axis, one, line.y, marker=MARKS[line.method], colour=COLOURS[2] if line.method == 0 else COLOURS[0], hollow=line.method == 0, factor=100.0, size=5.5,
    )  # fmt: skip
    put(figure, right, y, fitted(points_told(one), NUMBERS, 1))


def _draw_key(figure: Figure) -> None:
    figure.legend(
        handles=[
            Line2D(
                [], [], marker=MARKS[k], color=COLOURS[2] if k == 0 else COLOURS[0], markerfacecolor="white" if k == 0 else COLOURS[0],
                markersize=5.5, linewidth=1.5, label=name,
            )
            for k, name in enumerate(METHODS)
        ],
        loc="lower center", ncols=4, frameon=False, fontsize=8.5, handlelength=2.6, columnspacing=1.4,
    )  # fmt: skip


def _caption(found: OutcomeAnalysis) -> str:
    one = found.outcomes[0]
    adjusted = listed([plain_name(name) for name in one.confounders] or [""])
    missing = [
        f"{_name(each)} in {sum(part.missing for part in each.risks.groups)}"
        for each in found.outcomes
        if any(part.missing for part in each.risks.groups)
    ]
    declared = one.role == "declared"
    return (
        f"Difference in risk, {one.direction}, in percentage points; above 0: more often in the group {found.first}. Beside each outcome: "
        f"patients with it of those in whom it is known, {found.first} against {found.minus}. Open circle: as they are; filled: after adjustment"
        + (f" for {adjusted}, three ways" if adjusted else "")
        + f". Bars: {100 * found.level:g} % confidence limits; arrow: a limit lies beyond the axis. Vertical line: no association. "
        + (
            f"{_name(one).capitalize()} was declared beforehand and stands apart; "
            if declared
            else "No outcome was declared beforehand; "
        )
        + ("the rest is exploratory. " if declared else "everything here is exploratory. ")
        + (f"Outcome not known: {listed(missing)} patients. " if missing else "")
        + basis(found)
    )


def _alternative(found: OutcomeAnalysis) -> str:
    told = [
        f"Forest of differences in risk of {len(found.outcomes)} outcomes, {found.outcomes[0].direction}, in percentage points."
    ]
    for one in found.outcomes:
        parts = (
            one.risks.difference,
            one.standardised.difference,
            one.inverse_probability.difference,
            one.overlap.difference,
        )
        words = [
            f"{name} {points_told(part)}" for name, part in zip(METHODS, parts, strict=True) if part.value is not None
        ]
        told.append(f"{_name(one)} ({one.role}): {'; '.join(words) if words else 'no value'}.")
    return " ".join(told)
