"""Signs without a reference: how much of the answer rests on an assumption."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import seaborn as sns

from capstat.report.figures.canvas import COLOURS, DASHES, MARKERS, blank_figure, render
from capstat.report.wording import listed, percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.lines import Line2D
    from numpy.typing import NDArray

    from capstat.analysis import LatentAnalysis
    from capstat.report.figures.canvas import Picture

__all__ = ["latent_dependence_picture"]

# twice the log-likelihood lost from which an assumed correlation fits badly: near the 95 % point of one degree of freedom
BAD_FIT = 4.0


def _draw(
    axis: Axes, x: NDArray[np.float64], y: NDArray[np.float64], fits: NDArray[np.bool_], colour: str, marker: str, dash: str,
    label: str,
) -> Line2D:  # fmt: skip
    axis.plot(x, 100 * y, color=colour, linestyle=dash, linewidth=1.4)
    axis.plot(
        x[~fits], 100 * y[~fits], color=colour, linestyle="none", marker=marker, markersize=7, markerfacecolor="white",
        clip_on=False, zorder=3,
    )  # fmt: skip
    axis.plot(
        x[fits], 100 * y[fits], color=colour, linestyle="none", marker=marker, markersize=7, clip_on=False, zorder=3
    )
    (handle,) = axis.plot([], [], color=colour, linestyle=dash, marker=marker, markersize=7, label=label)
    return handle


def latent_dependence_picture(found: LatentAnalysis) -> Picture | None:
    """Sensitivity and specificity of each sign against the assumed correlation; ``None`` when none was assumed."""
    if len(found.dependence) < 2 or len(found.labels) > len(COLOURS):
        return None
    x = np.array([point.correlation for point in found.dependence])
    fits = np.array([point.misfit <= BAD_FIT for point in found.dependence])
    with sns.axes_style("whitegrid"), sns.plotting_context("notebook", font_scale=0.85):
        figure = blank_figure(4.4)
        left, right = figure.subplots(1, 2, sharex=True, sharey=True)
    handles, told = [], []
    for k, label in enumerate(found.labels):
        sensitivity = np.array([point.sensitivity[k] for point in found.dependence])
        specificity = np.array([point.specificity[k] for point in found.dependence])
        handles.append(_draw(left, x, sensitivity, fits, COLOURS[k], MARKERS[k], DASHES[k], label))
        _draw(right, x, specificity, fits, COLOURS[k], MARKERS[k], DASHES[k], label)
        told.append(
            f"{label}: sensitivity {percent(sensitivity[0])} to {percent(sensitivity[-1])} %, specificity "
            f"{percent(specificity[0])} to {percent(specificity[-1])} %."
        )
    prevalence = np.array([point.prevalence for point in found.dependence])
    handles.append(_draw(left, x, prevalence, fits, "#777777", "v", "-", "settings with capture (left)"))
    for axis, title in ((left, "sensitivity, and share with capture"), (right, "specificity")):
        sns.despine(ax=axis)
        axis.set(ylim=(0, 103), xlabel="assumed correlation")
        axis.tick_params(labelleft=True)
        axis.set_title(title, fontsize=10.5)
    left.set_ylabel("settings, %")
    labels = dict(zip(found.model.names, found.labels, strict=True))
    first, second = (labels[name] for name in found.pair)
    figure.suptitle(f"What if {first} and {second} are misled together?", fontsize=12)
    figure.legend(handles=handles, loc="outside lower center", ncols=2, frameon=False, fontsize=9, handlelength=3.2)
    bad = [f"{at:g}" for at in x[~fits]]
    return render(
        figure,
        "latent_dependence",
        f"Without a reference the signs are held against each other. The answer hangs on how far {first} and {second} are wrong "
        "together beyond what capture explains, which is assumed here: 0 is not at all. "
        + (
            f"Hollow: the signs as recorded speak against that correlation (misfit above {BAD_FIT:g}, at {listed(bad)}). "
            if bad
            else "The signs as recorded speak against none of these correlations. "
        )
        + "Lines that rise or fall steeply show what these data cannot tell without a reference. No limits are drawn; they add to it.",
        f"Sensitivity and specificity of {listed(found.labels)} without a reference, against an assumed correlation of "
        f"{first} and {second} from {x[0]:g} to {x[-1]:g}. {' '.join(told)} Share of settings with capture "
        f"{percent(prevalence[0])} to {percent(prevalence[-1])} %.",
    )
