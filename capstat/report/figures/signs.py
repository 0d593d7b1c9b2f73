"""Sensitivity and specificity of every sign against one reference."""

from __future__ import annotations

from typing import TYPE_CHECKING

import seaborn as sns
from matplotlib.lines import Line2D

from capstat.report.confirmation_words import both, reference_words
from capstat.report.figures.canvas import COLOURS, blank_figure, render
from capstat.report.figures.rows import draw_share, set_rows
from capstat.report.wording import counted

if TYPE_CHECKING:
    from capstat.analysis import ReferenceAnalysis
    from capstat.report.figures.canvas import Picture

__all__ = ["signs_picture", "strip_caution"]

# how far above and below the middle of its row a sign is drawn as counted and corrected
APART = 0.17


def strip_caution(reference: str) -> str:
    """What a strip cannot show, where it is the reference."""
    if reference != "adjudicated_capture":
        return ""
    return (
        "A strip shows that the heart was excited, not that it ejected: a pulse, a pressure or a contraction missing there need not be a "
        "sign that failed. "
    )


def signs_picture(found: ReferenceAnalysis) -> Picture | None:
    """Forest of both shares, as counted and corrected for verification; ``None`` without yes/no signs."""
    if not found.signs:
        return None
    corrected = dict(found.verification)
    reference = reference_words(found.reference)
    with sns.axes_style("whitegrid"), sns.plotting_context("notebook", font_scale=0.85):
        figure = blank_figure(1.9 + 0.56 * len(found.signs))
        left, right = figure.subplots(1, 2, sharey=True, sharex=True)
    heights, labels, told = [], [], []
    for row, sign in enumerate(found.signs):
        height, correction = -float(row), corrected.get(sign.label)
        up = APART if correction is not None else 0.0
        draw_share(left, sign.accuracy.sensitivity, height + up, "o", COLOURS[0])
        draw_share(right, sign.accuracy.specificity, height + up, "o", COLOURS[0])
        if correction is not None:
            draw_share(left, correction.sensitivity, height - up, "s", COLOURS[1], hollow=True)
            draw_share(right, correction.specificity, height - up, "s", COLOURS[1], hollow=True)
        heights.append(height)
        behind = f"{counted(sign.n_steps, 'setting')}, {counted(sign.n_patients, 'patient')}"
        labels.append(f"{sign.label.replace(' and ', chr(10) + 'and ')}\n{behind}")
        words = f"sensitivity {both(sign.accuracy.sensitivity)}, specificity {both(sign.accuracy.specificity)}"
        if correction is not None:
            words += f"; corrected {both(correction.sensitivity)} and {both(correction.specificity)}"
        told.append(f"{sign.label}: {words}.")
    for axis, title, of in (
        (left, "sensitivity", "with capture, sign seen"),
        (right, "specificity", "without capture, sign not seen"),
    ):
        sns.despine(ax=axis)
        set_rows(axis, heights, labels)
        axis.set(xlim=(0, 100), xlabel=f"settings {of}, %", xticks=range(0, 101, 20))
        axis.set_title(title, fontsize=10.5)
        axis.tick_params(axis="y", labelsize=8.5)
        axis.xaxis.label.set_size(9)
    figure.suptitle(f"Signs of capture against {reference}", fontsize=12)
    level = f"{100 * found.signs[0].accuracy.sensitivity.level:g} %"
    if corrected:
        figure.legend(
            handles=[
                Line2D([], [], color=COLOURS[0], marker="o", label="as counted"),
                Line2D(
                    [], [], color=COLOURS[1], marker="s", markerfacecolor="white", linewidth=1.0,
                    label="corrected for settings that the reference did not judge",
                ),
            ],
            loc="outside lower center", ncols=2, frameon=False, fontsize=9,
        )  # fmt: skip
    return render(
        figure,
        f"signs_{found.reference}",
        f"Bars: {level} confidence limits, allowing for several settings of a patient. A sign helps when both shares are high; "
        "a sign with a low specificity is often seen without capture. "
        + (
            "Signs joined by “and” count as seen when both are. "
            if any(" and " in s.label for s in found.signs)
            else ""
        )
        + (
            "The corrected shares use every setting at which the sign was looked for; they assume that, given the signs used for "
            "the correction, whether the reference was recorded did not depend on capture. "
            if corrected
            else ""
        )
        + strip_caution(found.reference)
        + "Each row rests on the settings at which that sign was looked for, so rows differ in more than the sign.",
        " ".join([f"Forest of sensitivity and specificity of signs against {reference}.", *told]),
    )
