"""More current, or other pads: the share captured by either choice after each current without capture."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import seaborn as sns

from capstat.report.figures.canvas import blank_figure, render
from capstat.report.figures.ramp_reposition_words import (
    BROKEN,
    GOING_ON,
    MOVING,
    ONE,
    SOON,
    WITHIN_S,
    middle_of,
    reposition_caption,
    reposition_handles,
    reposition_told,
)
from capstat.report.wording import percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from capstat.analysis.ramp_analysis import RampAnalysis
    from capstat.protocol.reposition import RepositionCurve
    from capstat.report.figures.canvas import Picture
    from capstat.results import Curve

__all__ = ["ramp_reposition_picture"]

# labels of lines are at least so far apart, in percent
APART = 5.5
# a difference below this, as a share, is not seen
UNSEEN = 0.005


def ramp_reposition_picture(found: RampAnalysis) -> Picture | None:
    """Going on and moving the pads, one panel for each present placement; ``None`` without either."""
    part = found.parts[0]
    panels = part.reposition.curves
    if not panels:
        return None
    with sns.axes_style("whitegrid"), sns.plotting_context("notebook", font_scale=0.85):
        figure = blank_figure(4.9)
        axes = figure.subplots(1, len(panels), sharex=True, sharey=True, squeeze=False).ravel()
    axes[0].set(xlim=_range(panels), ylim=(-2, 102))
    told, timed, parted = [], False, False
    for k, (axis, curves) in enumerate(zip(axes, panels, strict=True)):
        sns.despine(ax=axis)
        axis.set(
            xlabel="current without capture so far, mA",
            ylabel="captured, % of those without capture so far" if k == 0 else "",
        )
        axis.set_title(f"pads now {curves[0].here}", fontsize=10, pad=31)
        _draw_panel(axis, curves)
        slower, apart = _draw_within(axis, middle_of(curves))
        timed, parted = timed or slower, parted or apart
        _draw_reached(axis, curves[0].reached)
        told.append(reposition_told(curves))
    figure.suptitle(f"More current, or other pads? ({part.capture.name} capture)", fontsize=12)
    assumed = len(panels[0]) > 1
    crossed = any(_inside(axes[0], curve) for curves in panels for curve in curves)
    figure.legend(
        handles=reposition_handles(middle_of(panels[0]), assumed=assumed, timed=timed, crossed=crossed), loc="outside lower center",
        ncols=2, frameon=False, fontsize=8.5, handlelength=3.4,
    )  # fmt: skip
    return render(
        figure,
        "ramp_reposition",
        reposition_caption(panels, assumed=assumed, timed=timed, parted=parted),
        " ".join(["Share captured by going on and by moving the pads, of patients without capture so far.", *told]),
    )


def _range(panels: tuple[tuple[RepositionCurve, ...], ...]) -> tuple[float, float]:
    """Currents from the first setting of the ramp on, with room for labels on the right."""
    first, last = (end(float(c.captured_here.x[k]) for p in panels for c in p) for end, k in ((min, 0), (max, -1)))
    starts = [c.times.timing.restart_ma for p in panels for c in p if c.times is not None]
    first = max(first, min([*starts, last - 10]))
    return first, last + 0.13 * (last - first)


def _line(axis: Axes, curve: Curve, **style: object) -> None:
    axis.plot(curve.x, 100 * curve.lower, **style)  # type: ignore[arg-type]


def _band(axis: Axes, curve: Curve, colour: str, hatch: str) -> None:
    axis.fill_between(
        curve.x, 100 * curve.band_lower, 100 * curve.band_upper, facecolor=colour, alpha=0.16, linewidth=0, zorder=1
    )
    # the two bands are told apart in grey by the strokes in one of them
    axis.fill_between(
        curve.x, 100 * curve.band_lower, 100 * curve.band_upper, facecolor="none", edgecolor=colour, alpha=0.35,
        linewidth=0, hatch=hatch, zorder=1,
    )  # fmt: skip


def _draw_panel(axis: Axes, curves: tuple[RepositionCurve, ...]) -> None:
    middle, several = middle_of(curves), len(curves) > 1
    _band(axis, middle.captured_here, GOING_ON, "")
    _band(axis, middle.captured_there, MOVING, "////")
    _line(axis, middle.captured_here, color=GOING_ON, linewidth=2.2, marker="o", markersize=4.5, markevery=2, zorder=3)
    for k, curve in enumerate(curves):
        dashes = BROKEN[k % len(BROKEN)] if several else ONE
        _line(axis, curve.captured_there, color=MOVING, linewidth=1.9, linestyle=dashes, zorder=4)
        if _inside(axis, curve):
            at = float(curve.crossing.value or 0.0)
            share = 100 * np.interp(at, curve.captured_here.x, curve.captured_here.lower)
            axis.plot(
                [at],
                [share],
                marker="D",
                markersize=6,
                color="black",
                markerfacecolor="white",
                linestyle="none",
                zorder=6,
            )
    if several:
        order = sorted(range(len(curves)), key=lambda k: float(curves[k].captured_there.lower[-1]))
        above = -APART
        for k in order:
            line = curves[k].captured_there
            above = max(100 * float(line.lower[-1]), above + APART)
            axis.text(float(line.x[-1]) + 1.5, above, f"{curves[k].correlation:g}", va="center", fontsize=8.5, zorder=6)


def _inside(axis: Axes, curve: RepositionCurve) -> bool:
    """Whether the crossing lies among the currents that are drawn."""
    at = curve.crossing.value
    return at is not None and max(axis.get_xlim()[0], curve.captured_here.x[0]) <= at <= curve.captured_here.x[-1]


def _within(curve: RepositionCurve) -> tuple[Curve, Curve] | None:
    times = curve.times
    if times is None or WITHIN_S not in times.timing.within_s:
        return None
    k = times.timing.within_s.index(WITHIN_S)
    return times.here_within[k], times.there_within[k]


def _draw_within(axis: Axes, curve: RepositionCurve) -> tuple[bool, bool]:
    """Thin lines for what is captured soon; whether there are any, and whether going on has one of its own."""
    soon = _within(curve)
    if soon is None:
        return False, False
    apart = bool(np.max(curve.captured_here.lower - soon[0].lower) > UNSEEN)
    if apart:
        _line(axis, soon[0], color=GOING_ON, linewidth=1.0, linestyle=SOON, zorder=3)
    _line(axis, soon[1], color="black", linewidth=1.0, linestyle=SOON, zorder=3)
    return True, apart


def _draw_reached(axis: Axes, reached: Curve) -> None:
    """How many of all patients get to a current without capture, on top."""
    start, end = axis.get_xlim()
    axis.text(
        0.0, 1.075, "still without capture, % of all patients:", transform=axis.transAxes, fontsize=8, va="bottom"
    )
    for at in _round_currents(start, float(reached.x[-1])):
        share = float(np.interp(at, reached.x, reached.lower))
        axis.text(
            (at - start) / (end - start),
            1.02,
            percent(share),
            transform=axis.transAxes,
            fontsize=8,
            ha="center",
            va="bottom",
        )


def _round_currents(start: float, end: float) -> NDArray[np.float64]:
    return np.arange(20.0 * np.ceil(start / 20), end + 1, 20.0)
