"""Where paced patients are at each minute, as stacked bands."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from capstat.report.figures.canvas import WIDTH, new_axes, render
from capstat.report.figures.forest import fitted, text_width
from capstat.report.figures.outcome_marks import GREY
from capstat.report.wording import ENOUGH_FOR_HUNDRED, counted

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from capstat.analysis.outcome_analysis import OutcomeAnalysis
    from capstat.outcomes.states import StateOccupation
    from capstat.report.figures.canvas import Picture

__all__ = ["patients_over_time_picture"]


class _Look(NamedTuple):
    face: str
    hatch: str
    words: str


# told apart by lightness and hatching, in grey as in colour; from the bottom upwards
LOOKS: Final = {
    "captured": _Look("#0072B2", "", "white"),
    "capture lost": _Look("#F0B860", "///", "black"),
    "paced, not captured": _Look("#D9D9D9", "", "black"),
    "circulation lost or dead": _Look("#1A1A1A", "", "white"),
    "handed over, still paced": _Look("#FFFFFF", "..", "black"),
    "ended, alive": _Look("#BFE3D5", "\\\\\\", "black"),
}
TOLD_MIN: Final = (2.0, 10.0, 30.0)
# shares, in percent: what a label inside needs, and what is worth one outside
INSIDE, OUTSIDE = 8.0, 0.4
APART: Final = 7.0
SIZE: Final = 9.0
POINTS: Final = 500


def patients_over_time_picture(found: OutcomeAnalysis) -> Picture | None:
    """Stacked share of patients in each state over time; ``None`` without states."""
    states = found.states
    if states is None:
        return None
    figure, (axis,) = new_axes(4.9)
    order = [states.states.index(name) for name in LOOKS]
    told = _told(states)
    # finer than a printed point; thousands of changes would make a file of megabytes
    at = np.unique(np.append(np.linspace(0, states.horizon_min, POINTS), told))
    shares = 100 * states.probability[order][:, np.searchsorted(states.times_min, at, side="right") - 1]
    tops = np.cumsum(shares, axis=0)
    for look, low, high in zip(LOOKS.values(), tops - shares, tops, strict=True):
        axis.fill_between(
            at, low, high, step="post", facecolor=look.face, hatch=look.hatch, edgecolor="#555555", linewidth=0.4,
        )  # fmt: skip
    for minute in told[:-1] if told and told[-1] == states.horizon_min else told:
        axis.axvline(minute, color="white", linewidth=2.0, zorder=3)
        axis.axvline(minute, color="black", linewidth=0.9, linestyle=":", zorder=3)
    axis.set(xlim=(0, states.horizon_min), ylim=(0, 100), ylabel="patients, %")
    axis.grid(visible=False)
    axis.set_title("Where are paced patients at each minute?")
    _label_bands(axis, at, shares, tops, told)
    _write_observed(axis, states)
    level = f"{100 * states.level:g} %"
    absent = [name for name, share in zip(LOOKS, shares, strict=True) if share.max() <= OUTSIDE]
    return render(
        figure,
        "patients_over_time",
        f"{counted(states.n, 'patient')}; the height of a band is the share of patients in that state at that minute. "
        + " ".join(states.sentence(minute) for minute in told)
        + (f" There are only {states.n}; of 100 is a way of telling." if states.n < ENOUGH_FOR_HUNDRED else "")
        + (f" Too few to see: {'; '.join(absent)}." if absent else "")
        + f" Limits ({level}) are in the table, not drawn. Dotted lines: the minutes told here. Numbers below: patients under "
        "observation who were still paced; those whose end is not known leave the count and are taken to fare like the rest "
        '(independent censoring, assumed). "Captured" is what was recorded, not what pacing brought about.',
        " ".join(
            [
                f"Stacked bands of {counted(states.n, 'patient')} over {states.horizon_min:g} minutes.",
                *(states.sentence(minute) for minute in told),
            ]
        ),
    )


def _told(states: StateOccupation) -> list[float]:
    """Minutes of the sentences: the usual ones within the horizon, and its end."""
    usual = [minute for minute in TOLD_MIN if minute < 0.9 * states.horizon_min]
    whole = float(np.floor(states.horizon_min))
    return [*usual, whole if whole > 0 else states.horizon_min]


def _write_observed(axis: Axes, states: StateOccupation) -> None:
    """Numbers under observation below the axis, as a second row of tick labels."""
    counts = states.at_risk.sum(axis=0)
    ticks = list(states.risk_times_min)
    axis.set_xticks(ticks, [f"{minute:.3g}\n{int(count)}" for minute, count in zip(ticks, counts, strict=True)])
    axis.set_xlabel(f"minutes since {states.origin}\n(second row: patients still paced and under observation)")


def _label_bands(
    axis: Axes, at: NDArray[np.float64], shares: NDArray[np.float64], tops: NDArray[np.float64], told: list[float]
) -> None:
    """Words inside a band where they have room, else to its right with a line to it, else beside it with an arrow."""
    end = float(at[-1])
    outside: list[tuple[float, str]] = []
    thin: list[tuple[str, NDArray[np.float64], NDArray[np.float64]]] = []
    taken: list[tuple[float, float, float]] = []
    for name, share, top in zip(LOOKS, shares, tops, strict=True):
        if share.max() <= OUTSIDE:
            continue
        width = _width(name, end)
        place = _room(at, share, top, width, told)
        if place is not None:
            axis.text(*place, name, ha="center", va="center", **_style(name))
            taken.append((place[0] - width / 2, place[0] + width / 2, place[1]))
        elif share[-1] > OUTSIDE:
            outside.append((float(top[-1] - share[-1] / 2), name))
        else:
            thin.append((name, share, top))
    for name, share, top in thin:
        taken.append(_point_at(axis, at, share, top, name, taken))
    height = -np.inf
    for middle, name in sorted(outside):
        lines = fitted(name, 1.25, 2, SIZE)
        height = max(middle, height + APART + 4 * (len(lines) - 1))
        axis.annotate(
            "\n".join(lines), (end, middle), xytext=(1.03 * end, min(height, 100.0)), va="center", fontsize=SIZE,
            annotation_clip=False, arrowprops={"arrowstyle": "-", "color": GREY, "linewidth": 0.7},
        )  # fmt: skip


def _width(name: str, end: float) -> float:
    # minutes; the right side of the figure is kept for words outside
    return text_width(name, SIZE, "bold") * end / (WIDTH - 2.5) * 1.1


def _style(name: str) -> dict[str, Any]:
    look = LOOKS[name]
    ground = {"facecolor": look.face, "edgecolor": "none", "pad": 1.5}
    return {"fontsize": SIZE, "fontweight": "bold", "color": look.words, "zorder": 6, "bbox": ground}


def _point_at(
    axis: Axes, at: NDArray[np.float64], share: NDArray[np.float64], top: NDArray[np.float64], name: str,
    taken: list[tuple[float, float, float]],
) -> tuple[float, float, float]:  # fmt: skip
    """Words beside a band that is thin and gone at the end, with an arrow to where it is thickest; their place."""
    end = float(at[-1])
    k = int(np.argmax(np.where(at >= 0.02 * end, share, -1.0)))
    middle, width = float(top[k] - share[k] / 2), _width(name, end)
    right = at[k] < end / 2
    start = float(at[k]) + 0.1 * end if right else float(at[k]) - 0.1 * end - width

    def free(y: float) -> bool:
        return all(start > b or start + width < a or abs(y - other) > APART for a, b, other in taken)

    heights = sorted(np.linspace(4, 96, 24), key=lambda y: abs(y - middle))
    y = float(next((y for y in heights if free(y)), heights[0]))
    axis.annotate(
        name, (float(at[k]), middle), xytext=(start if right else start + width, y), ha="left" if right else "right",
        va="center", arrowprops={"arrowstyle": "->", "color": "black", "linewidth": 1.0}, **_style(name),
    )  # fmt: skip
    return start, start + width, y


def _room(
    at: NDArray[np.float64], share: NDArray[np.float64], top: NDArray[np.float64], width: float, told: list[float]
) -> tuple[float, float] | None:
    """Middle of the place where a band is highest over the whole width of its words."""
    best, place = INSIDE, None
    for start in np.linspace(0, at[-1] - width, 60) if width < at[-1] else ():
        grid = np.linspace(start, start + width, 15)
        row = np.searchsorted(at, grid, side="right") - 1
        low, high = float((top - share)[row].max()), float(top[row].min())
        crossed = any(start < minute < start + width for minute in told)
        if high - low - 4.0 * crossed > best:
            best, place = high - low - 4.0 * crossed, (float(start + width / 2), (low + high) / 2)
    return place
