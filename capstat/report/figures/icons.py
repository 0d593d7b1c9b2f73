"""Of 100 patients, how many are captured: icon arrays for those who teach."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.lines import Line2D

from capstat.report.figures.canvas import COLOURS, blank_figure, render, wrapped
from capstat.report.wording import FEWEST_FOR_PERCENT, counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from capstat.analysis import CaptureAnalysis, GroupAnalysis
    from capstat.distributions import CaptureSummary
    from capstat.report.figures.canvas import Picture
    from capstat.results import Estimate

__all__ = ["IconCounts", "draw_array", "icon_counts", "icon_words", "icons_picture"]

# currents that readers know from protocols; the highest common one is added
NEAR_MA = (60.0, 80.0, 100.0, 120.0)
SIDE = 10
# a share this close to 0 or 1 differs from it only by rounding of the computation
EXACT = 1e-9


@dataclass(frozen=True, slots=True)
class IconCounts:
    """Of 100 patients.

    Attributes
    ----------
    captured, unknown, not_captured : int
        They add up to 100; ``unknown`` is what the data do not tell.
    """

    captured: int
    unknown: int
    not_captured: int


def icon_counts(share: Estimate) -> IconCounts:
    """Share out 100 icons by a proportion.

    A known share is rounded, but to neither all nor none unless it is that (to rounding of the computation).  Of a share
    that is only bounded both bounds are rounded, outwards where otherwise no icon would be left for what is not known.
    """
    if share.value is not None:
        captured = round(100 * share.value)
        if EXACT < share.value < 1 - EXACT:
            captured = min(max(captured, 1), 99)
        return IconCounts(captured, 0, 100 - captured)
    low, high = share.identified or (0.0, 1.0)
    captured, most = round(100 * low), round(100 * high)
    if captured == most:
        captured, most = math.floor(100 * low), math.ceil(100 * high)
    return IconCounts(captured, most - captured, 100 - most)


def icon_words(share: Estimate) -> str:
    """The numbers under an array, with the confidence limits of the share."""
    counts = icon_counts(share)
    most = counts.captured + counts.unknown
    words = f"{counts.captured} of 100" if share.value is not None else f"{counts.captured} to {most} of 100"
    if share.lower is None or share.upper is None:
        return words
    # rounding must not put the number outside its own limits
    low, high = min(round(100 * share.lower), counts.captured), max(round(100 * share.upper), most)
    return f"{words}\n({low} to {high})"


def _shares(summary: CaptureSummary) -> dict[float, Estimate]:
    """Shares by current, which their names end in."""
    return {
        float(share.quantity.rsplit(" at ", 1)[1].removesuffix(" mA")): share for share in summary.capture_probabilities
    }


def _currents(rows: Sequence[dict[float, Estimate]]) -> list[float]:
    common = sorted(set(rows[0]).intersection(*rows[1:]))
    if not common:
        return []
    return sorted({common[-1], *(min(common, key=lambda c: abs(c - near)) for near in NEAR_MA)})


def draw_array(axis: Axes, counts: IconCounts, colour: str) -> None:
    """Draw 100 icons in rows of ten: filled circles, half-filled diamonds, then hollow squares."""
    place = np.arange(SIDE * SIDE)
    x, y = place % SIDE, -(place // SIDE)
    known, seen = counts.captured, counts.captured + counts.unknown
    common = {"linestyle": "none", "markersize": 4.6, "markeredgewidth": 0.8}
    axis.plot(x[:known], y[:known], marker="o", color=colour, markeredgecolor=colour, **common)  # type: ignore[arg-type]
    axis.plot(
        x[known:seen], y[known:seen], marker="D", color="#555555", fillstyle="left", markerfacecoloralt="white",
        **(common | {"markersize": 4.0}),  # type: ignore[arg-type]
    )  # fmt: skip
    axis.plot(x[seen:], y[seen:], marker="s", color=colour, fillstyle="none", **(common | {"markersize": 4.2}))  # type: ignore[arg-type]
    axis.set(xlim=(-0.7, SIDE - 0.3), ylim=(-SIDE + 0.3, 0.7), xticks=[], yticks=[], aspect="equal")
    for spine in axis.spines.values():
        spine.set_visible(False)


def _legend_handles(*, some_unknown: bool) -> list[Line2D]:
    def handle(label: str, marker: str, fill: str) -> Line2D:
        return Line2D(
            [], [], linestyle="none", marker=marker, color="#333333", markersize=6, label=label,
            fillstyle=fill, markerfacecoloralt="white",  # type: ignore[arg-type]
        )  # fmt: skip

    unknown = [handle("not known", "D", "left")] if some_unknown else []
    return [handle("captured", "o", "full"), *unknown, handle("not captured", "s", "none")]


def icons_picture(capture: CaptureAnalysis, shown: Sequence[GroupAnalysis]) -> Picture | None:
    """Icon arrays at a few currents, a row for each placement; ``None`` where groups are too small."""
    compared = capture.comparison
    names = (compared.first, compared.minus) if compared is not None else tuple(g.summary.label for g in shown)
    # a group keeps the colour that it has in the other figures
    groups = [
        (k, group)
        for k, group in enumerate(shown)
        if group.summary.label in names and group.counts.patients >= FEWEST_FOR_PERCENT
    ]
    rows = [_shares(group.summary) for _, group in groups]
    currents = _currents(rows) if rows else []
    if not currents:
        return None
    figure = blank_figure(len(groups) * 2.05 + 0.9)
    axes = figure.subplots(len(groups), len(currents), squeeze=False)
    told, some_unknown = [], False
    for row, ((k, group), shares) in enumerate(zip(groups, rows, strict=True)):
        for j, current in enumerate(currents):
            counts, words = icon_counts(shares[current]), icon_words(shares[current])
            some_unknown |= counts.unknown > 0
            draw_array(axes[row, j], counts, COLOURS[k])
            axes[row, j].set_title(f"{current:g} mA", fontsize=10)
            axes[row, j].set_xlabel(words, fontsize=9)
            told.append(f"{group.summary.label} at {current:g} mA: {words.replace(chr(10), ' ')}.")
        head = (group.summary.label, f"({counted(group.counts.patients, 'patient')})")
        axes[row, 0].set_ylabel(wrapped(head, 22), fontsize=9.5)
    figure.suptitle(f"Of 100 such patients, how many are captured? ({capture.capture.name} capture)", fontsize=12)
    figure.legend(
        handles=_legend_handles(some_unknown=some_unknown),
        loc="outside lower center",
        ncols=3,
        frameon=False,
        fontsize=9.5,
    )
    fewest = min(group.counts.patients for _, group in groups)
    level = f"{100 * rows[0][currents[0]].level:g} %"
    return render(
        figure,
        f"icons_{capture.capture.name}",
        "Each array is 100 patients like those studied, at one current. Filled circle: captured at or below it; hollow square: "
        "not captured at it. "
        + ("Half-filled diamond: these records do not tell. " if some_unknown else "")
        + f"In brackets: {level} confidence limits of the number of 100. "
        + ("Shares of fewer than 100 patients are scaled up to 100. " if fewest < 100 else "")
        + (
            "The rows are different patients, who may differ in more than the pads. "
            if len(groups) > 1 and not (compared is not None and compared.paired)
            else ""
        )
        + "The arrays speak of groups; they do not say which patient will be captured.",
        " ".join(["Icon arrays of how many of 100 patients are captured.", *told]),
    )
