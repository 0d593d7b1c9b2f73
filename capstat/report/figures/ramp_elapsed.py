"""How much a patient's threshold changes with time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.lines import Line2D

from capstat.report.figures.canvas import COLOURS, DASHES, new_axes, render
from capstat.report.figures.ramp_marks import CAUTION
from capstat.report.wording import counted, listed

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from capstat.analysis.ramp_analysis import RampAnalysis
    from capstat.protocol.drift_fit import DriftFit
    from capstat.protocol.drift_variance import ElapsedChange
    from capstat.report.figures.canvas import Picture
    from capstat.results import Estimate

__all__ = ["ramp_elapsed_picture"]

# the axis ends at this multiple of the largest estimate, where a limit reaches further
ROOM = 2.5


def ramp_elapsed_picture(found: RampAnalysis) -> Picture | None:
    """Typical change of a threshold by elapsed time, with the fitted models; ``None`` without a model."""
    part = found.parts[0]
    drift = part.drift
    if not drift.fits:
        return None
    figure, (axis,) = new_axes(4.2)
    known = [change for change in drift.elapsed if change.percent.value is not None]
    last = max([change.to_minutes for change in known] + [60.0])
    # closer at the start, where curves bend
    minutes = last * np.linspace(0.03, 1.0, 60) ** 2
    handles = [_draw_model(axis, fit, minutes, k) for k, fit in enumerate(drift.fits)]
    for change in known:
        _draw_bin(axis, change)
    drawn = [change.percent.value or 0.0 for change in known]
    drawn += [fit.typical_change(last).value or 0.0 for fit in drift.fits]
    axis.set(
        xlabel="minutes since the first check", ylabel="typical change of the threshold (SD), %", xlim=(0, last),
        ylim=(0, min(ROOM * max(drawn), axis.get_ylim()[1])), title=f"How much a threshold changes with time ({part.capture.name} capture)",
    )  # fmt: skip
    level = f"{100 * drift.fits[0].level:g} %"
    if known:
        label = f"checks in an interval of time, with {level} limits"
        handles.append(Line2D([], [], color="black", marker="o", linestyle="none", label=label))
    axis.legend(handles=handles, loc="upper left", frameon=True, fontsize=9, handlelength=3.5)
    lacking = [
        f"{change.from_minutes:g} to {change.to_minutes:g}" for change in drift.elapsed if change.percent.value is None
    ]
    return render(
        figure,
        "ramp_elapsed",
        f"{counted(drift.checks.n_patients, 'patient')} with repeated checks of the same placement. Points: change since the first check, "
        f"each interval of time by itself; the horizontal bar is the interval, n its patients. Lines: models of the whole "
        f"course; area: {level} limits of the one with the lowest Akaike criterion. The change is one standard deviation of the "
        "log threshold, as a percentage upwards: in about two of three patients the threshold changes by less."
        + (f" No estimate for {listed(lacking)} minutes." if lacking else "")
        + " Checks are made where somebody had a reason to make them, and a check may itself be wrong."
        + f" {CAUTION}",
        " ".join(
            [
                "Typical change of a patient's threshold by minutes since the first check.",
                *(
                    _told(f"{change.from_minutes:g} to {change.to_minutes:g} minutes", change.percent)
                    for change in known
                ),
                *(_told(f"{fit.model.value} over 30 minutes", fit.typical_change()) for fit in drift.fits),
            ]
        ),
    )


def _draw_model(axis: Axes, fit: DriftFit, minutes: np.ndarray, k: int) -> Line2D:
    changes = [fit.typical_change(float(at)) for at in minutes]
    colour = COLOURS[k]
    if k == 0:
        limits = [(change.lower, change.upper) for change in changes]
        if all(low is not None and high is not None for low, high in limits):
            axis.fill_between(minutes, *np.array(limits, dtype=float).T, color=colour, alpha=0.15, linewidth=0)
    name = fit.model.value + (" (lowest Akaike criterion)" if k == 0 else "")
    (line,) = axis.plot(
        minutes,
        [change.value or 0.0 for change in changes],
        color=colour,
        linestyle=DASHES[k],
        linewidth=1.8,
        label=name,
    )
    return line


def _draw_bin(axis: Axes, change: ElapsedChange) -> None:
    middle, value = change.minutes or 0.0, change.percent.value or 0.0
    low, high = change.percent.lower, change.percent.upper
    axis.hlines(value, change.from_minutes, change.to_minutes, color="#8a8a8a", linewidth=0.9, zorder=3)
    if low is not None and high is not None:
        axis.vlines(middle, low, high, color="black", linewidth=1.4, zorder=3)
    axis.plot([middle], [value], marker="o", color="black", markersize=6, zorder=4)
    axis.text(
        middle, 0.03, f"n = {change.percent.n}", transform=axis.get_xaxis_transform(), ha="center", fontsize=8.5, zorder=4,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
    )  # fmt: skip


def _told(name: str, change: Estimate) -> str:
    limits = "" if change.lower is None or change.upper is None else f" ({change.lower:.1f} to {change.upper:.1f})"
    return f"{name}: {change.value or 0.0:.1f} %{limits}."
