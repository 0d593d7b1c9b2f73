"""How often capture is lost again with each margin after the first policy."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import seaborn as sns
from matplotlib.lines import Line2D

from capstat.report.figures.canvas import COLOURS, blank_figure, render
from capstat.report.figures.ramp_marks import CAUTION, group_name, shown_groups
from capstat.report.wording import percent

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from capstat.analysis.ramp_analysis import RampAnalysis
    from capstat.analysis.ramp_margins import PolicyMargins
    from capstat.protocol import Margin
    from capstat.report.figures.canvas import Picture
    from capstat.results import Estimate

__all__ = ["ramp_loss_picture"]

Dashes = Literal["-"] | tuple[float, tuple[float, ...]]
ASSUMED = "ASSUMED drift: nobody measured it here"
# light for little drift, dark for much; each with a marker and dashes of its own
LINES: tuple[tuple[str, str, Dashes], ...] = (
    ("#9a9a9a", "o", (0, (1, 1.6))),
    ("#7a7a7a", "s", (0, (4, 2))),
    (COLOURS[0], "D", (0, (5, 2, 1, 2))),
    (COLOURS[1], "^", "-"),
    ("#000000", "v", "-"),
)


def ramp_loss_picture(found: RampAnalysis) -> Picture | None:
    """Chance of losing capture by margin after the first policy; ``None`` where there is nothing of margins."""
    groups = [group for group in shown_groups(found.parts[0]) if group.margins]
    if not groups:
        return None
    group, minutes = groups[0], found.question.minutes
    policy = group.margins[0].policy
    laws = [one for one in group.margins if one.policy is policy][: len(LINES)]
    assumed = laws[0].assumed_sd is not None
    # the same margins under every law, the least current on top
    order = sorted(range(len(laws[0].usual)), key=lambda k: laws[0].usual[k].mean_final_ma.value or 0.0)
    with sns.axes_style("whitegrid"), sns.plotting_context("notebook", font_scale=0.85):
        figure = blank_figure(1.9 + 0.4 * len(order) + (0.5 if assumed else 0.0))
        axes = figure.subplots(1, len(minutes), sharex=True, sharey=True, squeeze=False).ravel()
    for t, axis in enumerate(axes):
        sns.despine(ax=axis)
        axis.set_title(f"within {minutes[t]:g} minutes", fontsize=10)
        for k, law in enumerate(laws):
            _draw_law(axis, [law.usual[row].loss[t] for row in order], k, assumed=assumed)
        if assumed:
            axis.text(
                0.62, 0.4, "ASSUMED", transform=axis.transAxes, rotation=55, ha="center", va="center", fontsize=25,
                color="#e2e2e2", fontweight="bold", zorder=0,
            )  # fmt: skip
    finals = [laws[0].usual[row].mean_final_ma.value for row in order]
    names = [_margin_words(laws[0].usual[row].margin, policy.margin) for row in order]
    axes[0].set(
        ylim=(len(order) - 0.5, -0.5), yticks=range(len(order)),
        yticklabels=[f"{name}\n({ma or 0.0:.0f} mA)" for name, ma in zip(names, finals, strict=True)],
    )  # fmt: skip
    axes[0].set_xlim(left=-0.02 * axes[0].get_xlim()[1])
    axes[0].set_ylabel("margin (mean current left on)")
    axes[len(axes) // 2].set_xlabel("capture lost again, % of those captured")
    who = group_name(group, found.question.by)
    figure.suptitle(f"What a margin is worth after \u201c{policy.name}\u201d\n{who}", fontsize=11)
    if assumed:
        _say_assumed(figure, laws)
    return render(figure, "ramp_loss", _caption(found, laws, assumed=assumed), _told(found, laws, order, names, who))


def _draw_law(axis: Axes, losses: Sequence[Estimate], k: int, *, assumed: bool) -> None:
    known = [(row, loss) for row, loss in enumerate(losses) if loss.value is not None]
    rows, values = [row for row, _ in known], [100 * (loss.value or 0.0) for _, loss in known]
    if assumed:
        colour, marker, dashes = LINES[k]
        axis.plot(values, rows, color=colour, marker=marker, linestyle=dashes, linewidth=1.4, markersize=4.5, zorder=3)
        return
    for row, loss in known:
        if loss.lower is not None and loss.upper is not None:
            axis.hlines(row, 100 * loss.lower, 100 * loss.upper, color="#6e6e6e", linewidth=2.2, zorder=2)
    axis.plot(values, rows, linestyle="none", marker="o", markersize=6, color="black", zorder=3)


def _say_assumed(figure: Figure, laws: Sequence[PolicyMargins]) -> None:
    handles = [
        Line2D([], [], color=colour, marker=marker, linestyle=dashes, linewidth=1.4, label=f"{_percent(law)} %")
        for law, (colour, marker, dashes) in zip(laws, LINES, strict=False)
    ]
    legend = figure.legend(
        handles=handles, loc="outside lower center", ncols=len(handles), frameon=True, fontsize=9, handlelength=3.2,
        title=f"{ASSUMED}\nhow much a threshold changes in 30 minutes (SD)",
    )  # fmt: skip
    legend.get_title().set(fontsize=10, fontweight="bold", multialignment="center")


def _percent(law: PolicyMargins) -> str:
    return f"{100 * (law.assumed_sd or 0.0):g}"


def _margin_words(margin: Margin, own: Margin) -> str:
    return f"{margin.words} *" if margin == own else margin.words


def _caption(found: RampAnalysis, laws: Sequence[PolicyMargins], *, assumed: bool) -> str:
    first = laws[0].usual[0].loss[0]
    own = any(row.margin == laws[0].policy.margin for row in laws[0].usual)
    return (
        "Chance that capture is lost at some time within the minutes named, of those whom the search captured, by what is added "
        "to the current found. A search stops up to one step above the threshold, and what is added is rounded up to what the device can "
        "give, but never above the maximum of the policy: those captured near it can lose capture with any margin."
        + (" *: the margin of the policy itself." if own else "")
        + (
            f" {ASSUMED}: each line supposes that a threshold wanders at random with the standard deviation named. None of "
            "the lines is an estimate; they show how much hangs on what is not known."
            if assumed
            else f" Bars: {100 * first.level:g} % limits. The drift is the one estimated from repeated checks of the "
            "same patients."
        )
        + f" A margin costs current, and more current may hurt. {CAUTION}"
    )


def _told(
    found: RampAnalysis, laws: Sequence[PolicyMargins], order: Sequence[int], names: Sequence[str], who: str
) -> str:
    minutes, middle = found.question.minutes, len(found.question.minutes) // 2
    words = []
    for law in laws:
        losses = [law.usual[row].loss[middle].value for row in order]
        told = ", ".join(
            f"{name.removesuffix(' *')} {percent(loss)} %"
            for name, loss in zip(names, losses, strict=True)
            if loss is not None
        )
        words.append(told if law.assumed_sd is None else f"assumed change {_percent(law)} %: {told}")
    return (
        f"Chance of losing capture again by margin, {who}. Within {minutes[middle]:g} minutes: {'; '.join(words)}."
        + (f" {ASSUMED}." if laws[0].assumed_sd is not None else "")
    )
