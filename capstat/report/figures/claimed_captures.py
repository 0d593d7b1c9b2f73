"""Of 100 claimed captures, and of 100 settings with a sign, how many are capture: icon arrays for those who teach."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from matplotlib.lines import Line2D

from capstat.report.confirmation_words import claim_words, reference_words
from capstat.report.figures.canvas import COLOURS, blank_figure, render, wrapped
from capstat.report.figures.icons import draw_array, icon_counts, icon_words
from capstat.report.wording import FEWEST_FOR_PERCENT, counted

if TYPE_CHECKING:
    from capstat.analysis import FalseCaptureAnalysis, ReferenceAnalysis
    from capstat.capture import SignAccuracy
    from capstat.report.figures.canvas import Picture
    from capstat.results import Estimate

__all__ = ["claimed_captures_picture"]

IN_A_ROW = 4
ARRAYS = 2 * IN_A_ROW


def _upheld(false: Estimate) -> Estimate:
    """The share that is left."""
    if false.value is None or false.lower is None or false.upper is None:
        return false
    return replace(false, value=1 - false.value, lower=1 - false.upper, upper=1 - false.lower)


def _shown_signs(signs: tuple[SignAccuracy, ...]) -> list[SignAccuracy]:
    """Single signs, then rules of two, those looked for most often first; not those seen in few patients."""
    often = [
        sign
        for sign in signs
        if sign.accuracy.positive_predictive_value.value is not None
        and sign.accuracy.positive_predictive_value.n >= FEWEST_FOR_PERCENT
    ]
    often.sort(key=lambda sign: -sign.n_steps)
    single = [sign for sign in often if not _rule(sign)]
    return [*single, *(sign for sign in often if _rule(sign))][: ARRAYS - 1]


def _rule(sign: SignAccuracy) -> bool:
    return " and " in sign.name


def claimed_captures_picture(found: FalseCaptureAnalysis, signs: ReferenceAnalysis | None) -> Picture | None:
    """Icon arrays of the judged claims and of each sign against the same reference; ``None`` with few claims."""
    audit = found.audit
    if audit.share.value is None or audit.share.n < FEWEST_FOR_PERCENT:
        return None
    reference = reference_words(found.reference)
    arrays = [(f"{claim_words(found.claim)} claimed", counted(audit.judged, "setting"), _upheld(audit.share))]
    shown = _shown_signs(signs.signs) if signs is not None else []
    for sign in shown:
        seen = sign.accuracy.table.true_positive + sign.accuracy.table.false_positive
        arrays.append((f"{sign.label} seen", counted(seen, "setting"), sign.accuracy.positive_predictive_value))
    columns = min(IN_A_ROW, len(arrays)) if len(arrays) > 1 else 2
    rows = -(-len(arrays) // columns)
    figure = blank_figure(rows * 2.75 + 1.0)
    axes = figure.subplots(rows, columns, squeeze=False).ravel()
    told = []
    for k, axis in enumerate(axes):
        axis.set_visible(k < len(arrays))
        if k >= len(arrays):
            continue
        label, behind, share = arrays[k]
        draw_array(axis, icon_counts(share), COLOURS[1] if k == 0 else COLOURS[0])
        axis.set_title(wrapped((label, f"({behind})"), 24), fontsize=8.8)
        axis.set_xlabel(icon_words(share), fontsize=9)
        told.append(f"{label} ({behind}): {icon_words(share).replace(chr(10), ' ')}.")
    figure.suptitle(f"Of 100 such settings, how many does {reference} show to capture?", fontsize=11.5)
    figure.legend(
        handles=[
            Line2D([], [], linestyle="none", marker="o", color="#333333", markersize=6, label="capture by the reference"),
            Line2D(
                [], [], linestyle="none", marker="s", color="#333333", markersize=6, fillstyle="none",
                label="no capture by the reference",
            ),
        ],
        loc="outside lower center", ncols=2, frameon=False, fontsize=9.5,
    )  # fmt: skip
    level = f"{100 * audit.share.level:g} %"
    return render(
        figure,
        "claimed_captures",
        f"First array: claims, that is first settings of an attempt read as {claim_words(found.claim)} at the bedside, that the "
        f"reference ({reference}) judged. "
        + (
            "Other arrays: settings at which the sign was seen, whether or not capture was claimed there, so they are not the same "
            "settings. "
            if shown
            else ""
        )
        + f"Each array is scaled to 100; in brackets below it {level} confidence limits of the number of 100. "
        + (
            f"Signs seen in fewer than {FEWEST_FOR_PERCENT} patients, and rules of two signs beyond those looked for most often, "
            "are in the table only. "
            if signs is not None and len(shown) < len(signs.signs)
            else ""
        )
        + "The arrays speak of settings like those that were looked at and judged; how many of 100 are captured depends on how "
        "often capture was present among them. They do not say that a sign brings capture about, nor whether the next "
        "patient is captured.",
        " ".join([f"Icon arrays of how many of 100 settings {reference} shows to capture.", *told]),
    )
