"""Time without output against pulses above the level of discomfort, for every policy."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matplotlib.lines import Line2D

from capstat.report.figures.canvas import group_panels, render, wrapped
from capstat.report.figures.ramp_marks import (
    CAUTION,
    MOST_POLICIES,
    Numbered,
    draw_numbered,
    group_name,
    left_out_words,
    policy_key,
    shown_groups,
)
from capstat.report.wording import percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from capstat.analysis.ramp_analysis import RampAnalysis, RampGroup
    from capstat.protocol.consequences import PolicyConsequences
    from capstat.report.figures.canvas import Picture
    from capstat.results import Estimate

__all__ = ["ramp_tradeoff_picture"]

# points closer than this, in seconds and pulses, are one point
SAME = 1e-6
ROW_HEIGHT = 3.3


def ramp_tradeoff_picture(found: RampAnalysis) -> Picture | None:
    """Both costs of every policy, one panel for each group; ``None`` without a group that has results."""
    part = found.parts[0]
    groups = shown_groups(part)
    if not groups:
        return None
    discomfort = f"{found.question.discomfort_ma:g} mA"
    figure, axes = group_panels(
        len(groups), ROW_HEIGHT, "mean time without output during the search, s", f"mean pulses above {discomfort}"
    )
    for axis, group in zip(axes, groups, strict=True):
        _draw_whiskers(axis, group)
    axes[0].set(xlim=(0, 1.04 * axes[0].get_xlim()[1]), ylim=(0, 1.06 * axes[0].get_ylim()[1]))
    usual = [_usual_share(group) for group in groups]
    names = [group_name(group, found.question.by) for group in groups]
    for axis, group, name, share in zip(axes, groups, names, usual, strict=True):
        differs = any(_missed(one) != share for one in _drawn(group))
        words = f"not captured: {share} %" + (" unless noted" if differs else " with every policy")
        axis.set_title(wrapped((name, words), 44), fontsize=9)
    figure.suptitle(f"Time without output against pulses above {discomfort} ({part.capture.name} capture)", fontsize=12)
    policy_key(figure, part, extra=_marks())
    # numbers are placed at the final limits and sizes
    figure.draw_without_rendering()
    for axis, group, share in zip(axes, groups, usual, strict=True):
        draw_numbered(axis, _points(group, share))
    told = [f"{name}: {_told(group)}." for name, group in zip(names, groups, strict=True)]
    level = f"{100 * groups[0].policies[0].not_captured.level:g} %"
    return render(
        figure,
        "ramp_tradeoff",
        "Towards the lower left is less of both. Mean of all patients of the group: seconds up to the end of the search in "
        f"which pulses did not capture, and pulses of the search above {discomfort}. Bars: {level} limits. Hollow: another policy does at "
        "least as well in time without output, in these pulses and in the share not captured, and better in one of them. "
        "Patients who are never captured count up to the end of the search: a policy that gives up sooner has less time without "
        "output. Judgements are taken to be right, however short a setting; false capture, margin and loss of capture are not in "
        "these numbers. "
        f"Whether a second is worth a pulse is for those who treat the patient to say.{left_out_words(part)} {CAUTION}",
        " ".join(["Mean time without output and mean pulses above the level of discomfort, by policy.", *told]),
    )


def _drawn(group: RampGroup) -> tuple[PolicyConsequences, ...]:
    return group.policies[:MOST_POLICIES]


def _marks() -> list[Line2D]:
    words = "as good in time, pulses and capture"
    return [
        Line2D(
            [],
            [],
            linestyle="none",
            marker="o",
            markersize=9,
            markeredgecolor="black",
            markerfacecolor=face,
            label=label,
        )
        for face, label in (("black", f"no other {words}"), ("white", f"another {words}"))
    ]


def _place(one: PolicyConsequences) -> tuple[float, float]:
    x, y = one.without_output_s.value, one.pulses_above_discomfort.value
    assert x is not None and y is not None  # noqa: S101, PT018 means under a model are numbers
    return x, y


def _reach(estimate: Estimate, value: float) -> list[list[float]]:
    low, high = estimate.lower, estimate.upper
    return [[max(0.0, value - (value if low is None else low))], [max(0.0, (value if high is None else high) - value)]]


def _draw_whiskers(axis: Axes, group: RampGroup) -> None:
    for one in _drawn(group):
        x, y = _place(one)
        axis.errorbar(
            x, y, xerr=_reach(one.without_output_s, x), yerr=_reach(one.pulses_above_discomfort, y), fmt=".",
            color="#6e6e6e", markersize=4, elinewidth=1.3, capsize=0, zorder=3,
        )  # fmt: skip


def _missed(one: PolicyConsequences) -> str:
    share = one.not_captured.value
    return "?" if share is None else percent(share)


def _usual_share(group: RampGroup) -> str:
    shares = [_missed(one) for one in _drawn(group)]
    return max(shares, key=shares.count)


def _points(group: RampGroup, usual: str) -> list[Numbered]:
    """One point for all policies at the same point; those that are not dominated first."""
    together: list[tuple[float, float, bool, str, list[str]]] = []
    for k, one in enumerate(_drawn(group)):
        (x, y), missed = _place(one), _missed(one)
        best = group.comparison is None or not group.comparison.dominated_by[k]
        for u, v, best_of, share, numbers in together:
            if abs(u - x) < SAME and abs(v - y) < SAME and best_of == best and share == missed:
                numbers.append(str(k + 1))
                break
        else:
            together.append((x, y, best, missed, [str(k + 1)]))
    points = [
        Numbered(x, y, ", ".join(numbers), best_of, "" if share == usual else f"{share} % not captured")
        for x, y, best_of, share, numbers in together
    ]
    return sorted(points, key=lambda point: not point.filled)


def _told(group: RampGroup) -> str:
    return "; ".join(
        f"{k} ({one.policy.name}) {_place(one)[0]:.1f} s, {_place(one)[1]:.1f} pulses, {_missed(one)} % not captured"
        for k, one in enumerate(_drawn(group), start=1)
    )
