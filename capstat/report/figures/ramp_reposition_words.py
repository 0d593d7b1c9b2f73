"""Words and keys of the figure that compares going on with moving the pads."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from capstat.report.figures.canvas import COLOURS
from capstat.report.figures.ramp_marks import CAUTION
from capstat.report.wording import counted, listed, milliampere, percent

if TYPE_CHECKING:
    from matplotlib.artist import Artist

    from capstat.protocol.reposition import RepositionCurve

__all__ = [
    "BROKEN",
    "GOING_ON",
    "MOVING",
    "ONE",
    "SOON",
    "WITHIN_S",
    "middle_of",
    "reposition_caption",
    "reposition_handles",
    "reposition_told",
]

GOING_ON, MOVING = COLOURS[0], COLOURS[1]
# dashes of moving: under several assumed correlations, and where it was estimated; and of what is captured soon
BROKEN: Final = ((0, (1, 1.6)), (0, (3, 1.6)), "-", (0, (7, 1.6, 1.2, 1.6)))
ONE: Final = (0, (6, 1.8))
SOON: Final = (0, (4, 3))
WITHIN_S = 60.0


def middle_of(curves: tuple[RepositionCurve, ...]) -> RepositionCurve:
    """Return the one that is drawn with limits."""
    return curves[len(curves) // 2]


def reposition_handles(curve: RepositionCurve, *, assumed: bool, timed: bool, crossed: bool) -> list[Artist]:
    level = f"{100 * curve.captured_here.level:g} %"
    on = f"going on, up to {curve.highest_here_ma:g} mA"
    move = f"moving, then up to {curve.highest_there_ma:g} mA"
    handles: list[Artist] = [
        Line2D([], [], color=GOING_ON, linewidth=2.2, marker="o", markersize=4.5, label=on),
        Line2D(
            [], [], color=MOVING, linewidth=1.9, linestyle="-" if assumed else ONE,
            label=move + (",\nnumber: ASSUMED correlation" if assumed else ""),
        ),
        Patch(facecolor=MOVING, alpha=0.3, hatch="////", label=f"{level} limits, moving" + (f" (if {curve.correlation:g})" if assumed else "")),
    ]  # fmt: skip
    if timed:
        name = f"moving, captured within {WITHIN_S:g} s" + (f" (if {curve.correlation:g})" if assumed else "")
        handles.append(Line2D([], [], color="black", linewidth=1.0, linestyle=SOON, label=name))
    if crossed:
        name = "both are as likely to capture"
        handles.append(
            Line2D(
                [], [], color="black", marker="D", markerfacecolor="white", linestyle="none", markersize=6, label=name
            )
        )
    return handles


def reposition_caption(
    panels: tuple[tuple[RepositionCurve, ...], ...], *, assumed: bool, timed: bool, parted: bool
) -> str:
    first = middle_of(panels[0])
    timing = first.times.timing if first.times is not None else None
    correlations = listed([f"{curve.correlation:g}" for curve in panels[0]])
    return (
        "Of the patients who had no capture up to a current, every judgement being right: the share that more current captures, and the "
        "share that the other placement captures after the pads are moved. On top: how many of all patients are still without "
        "capture there; far to the right they are few. Areas, hatched for moving: limits. "
        + (
            f"ASSUMED: no patients had both placements by design, so nobody saw how alike a patient's two thresholds "
            f"are; the lines of moving suppose a correlation of {correlations}. None of them is an estimate, and the limits, of "
            f"{first.correlation:g} alone, leave that doubt out. The two placements were used in different patients, and nothing is "
            "adjusted for: a difference may lie in the patients and not in the pads. The larger the correlation, the less a move promises to those "
            "whom much current did not capture."
            if assumed
            else f"Estimated from {counted(first.n_patients, 'patient')} with both placements (correlation of the two log "
            f"thresholds {first.correlation:.2f})."
        )
        + (
            f" The move is taken to last {timing.seconds:g} s without pacing; then the ramp begins again at {timing.restart_ma:g} mA, "
            f"{timing.step_ma:g} mA every {timing.dwell_s:g} s."
            if timing is not None
            else ""
        )
        + (
            f" Thin broken lines: captured within {WITHIN_S:g} s of the decision"
            + (f" if the correlation is {first.correlation:g}" if assumed else "")
            + (", also by going on." if parted else "; going on has captured by then all whom it captures.")
            if timed
            else ""
        )
        + f" {CAUTION}"
    )


def reposition_told(curves: tuple[RepositionCurve, ...]) -> str:
    first, middle = curves[0], middle_of(curves)
    here = middle.captured_here
    k = int(np.argmin(np.abs(here.x - (here.x[0] + here.x[-1]) / 2)))
    moving = "; ".join(
        f"{percent(float(curve.captured_there.lower[k]))} %"
        + (f" if the correlation is {curve.correlation:g}" if len(curves) > 1 else "")
        for curve in curves
    )
    crossings = [
        curve.crossing.reason
        if curve.crossing.value is None
        else f"moving is as likely to capture from {milliampere(curve.crossing.value)} mA on"
        for curve in curves
    ]
    if len(set(crossings)) > 1:
        crossings = [
            f"{words} (correlation {curve.correlation:g})" for words, curve in zip(crossings, curves, strict=True)
        ]
    return (
        f"Pads now {first.here}, no capture up to {milliampere(float(here.x[k]))} mA: going on captures "
        f"{percent(float(here.lower[k]))} %, moving {moving}. Crossing: {'; '.join(dict.fromkeys(crossings))}."
    )
