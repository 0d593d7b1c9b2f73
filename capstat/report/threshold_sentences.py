"""Plain sentences on how thresholds are distributed: does a model fit, who is never captured, what shortcuts would say."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.analysis import ALL_PLACEMENTS
from capstat.report.wording import confidence_text, p_text, percent, plain_name, ratio_text, value_text

if TYPE_CHECKING:
    from capstat.analysis import CaptureAnalysis, CovariateAnalysis, GroupAnalysis
    from capstat.distributions import NeverCaptured

__all__ = ["covariate_sentence", "fit_sentences", "never_captured_sentences", "shortcut_sentence"]

# a p-value below this speaks against a model
POOR_FIT = 0.05
# models closer than this in AIC are not told apart by it
CLOSE = 2.0
# with fewer captured patients no model is worth naming
FEWEST_TO_TELL = 10


def _pads(group: GroupAnalysis) -> str:
    label = group.summary.label
    return "over all placements" if label == ALL_PLACEMENTS else f"with {label} pads"


def fit_sentences(capture: CaptureAnalysis) -> tuple[str, ...]:
    """Which model describes each group best, and whether it fits."""
    sentences = []
    for group in capture.groups:
        best = group.models.best
        if best is None:
            sentences.append(f"No model could be fitted {_pads(group)}: {group.models.families.rows[0].reason}")
            continue
        if best.model.n_captured < FEWEST_TO_TELL:
            sentences.append(f"There are too few captured patients {_pads(group)} to tell models apart.")
            continue
        rows = group.models.families.rows
        close = sum(1 for row in rows if row.difference is not None and row.difference < CLOSE)
        text = f"{_pads(group)}, the model with the lowest AIC is {best.name}"
        if close > 1:
            text += f"; {close - 1} more fit about as well, so the average of the models is the better guide"
        check = None if group.detail is None else group.detail.fit_check
        if check is not None:
            text += (
                f". The test of fit speaks against it ({p_text(check.p_value)}): use the estimates without assumption"
                if check.p_value < POOR_FIT
                else f". The test of fit found no misfit ({p_text(check.p_value)})"
            )
        sentences.append(f"{text[0].upper()}{text[1:]}.")
    return tuple(sentences)


def never_captured_sentences(capture: CaptureAnalysis) -> tuple[str, ...]:
    """Range of the share never captured over the families, and whether to believe it, for every group that has it."""
    return tuple(
        _never_captured(group, group.detail.never_captured)
        for group in capture.groups
        if group.detail is not None and group.detail.never_captured
    )


def _never_captured(group: GroupAnalysis, found: tuple[NeverCaptured, ...]) -> str:
    shares = [never.share.value or 0.0 for never in found]
    pads = _pads(group)
    if max(shares) < 0.0005:
        highest = max(never.share.upper or 0.0 for never in found)
        return (
            f"{pads[0].upper()}{pads[1:]}, nothing suggests that some patients cannot be captured at any current; up to "
            f"{percent(highest)} % would still agree with the data."
        )
    low, high = percent(min(shares)), percent(max(shares))
    between = f"{high} %" if low == high else f"{low} to {high} %, depending on the shape assumed"
    return (
        f"{pads[0].upper()}{pads[1:]}, models put the share of patients whom no current would capture at {between} "
        f"({_widest(found)}). {_reach_verdict(found[0])}"
    )


def _widest(found: tuple[NeverCaptured, ...]) -> str:
    low = min(never.share.lower or 0.0 for never in found)
    high = max(never.share.upper or 0.0 for never in found)
    return f"confidence limits from {percent(low)} to {percent(high)} % over all shapes"


def _reach_verdict(never: NeverCaptured) -> str:
    reached = never.follow_up
    if reached.sufficient:
        return (
            f"Attempts went on to {reached.highest_tested_ma:g} mA while the last capture was at {reached.last_capture_ma:g} mA, "
            "so there is something to go by."
        )
    return (
        "The currents tested do not clearly reach beyond those at which patients were captured, so this rests on the shape of the "
        "model more than on anything seen."
    )


def shortcut_sentence(capture: CaptureAnalysis) -> str:
    """What two shortcuts would have made of the first group; empty where nobody went without capture."""
    group = next((g for g in capture.groups if g.detail is not None), None)
    if group is None or group.detail is None or not group.counts.right:
        return ""
    found, mean = group.detail.shortcuts, group.summary.restricted_mean
    if mean.identified is None or found.dropped.mean.value is None:
        return ""
    tails = [value_text(summary.nine_in_ten) for summary in (found.maximum_plus_one, found.dropped)]
    low, high = mean.identified
    text = (
        f'Published work has recorded non-capture as "maximum + 1 mA" or left such attempts out. Here that would have given a mean '
        f"threshold of {value_text(found.maximum_plus_one.mean)} or {value_text(found.dropped.mean)} {_pads(group)}; with nothing made up and nobody left out, "
        f"the {mean.quantity} lies between {low:.1f} and {high:.1f} mA ({confidence_text(mean)})."
    )
    nine = next((e for e in group.summary.capture_currents if "captures 90 %" in e.quantity), None)
    if nine is not None and nine.value is not None and found.dropped.nine_in_ten.value is not None:
        text += (
            f" The current for nine in ten, worked out from their mean and SD, would be {tails[0]} or {tails[1]}; without a "
            f"shortcut it is {value_text(nine)} ({confidence_text(nine)})."
        )
    return text


def covariate_sentence(covariates: CovariateAnalysis | None) -> str:
    """Say what went with a higher threshold, by the sign of its limits; empty without a model."""
    if covariates is None:
        return ""
    clear = [
        e for e in covariates.ratios if e.lower is not None and e.upper is not None and (e.lower > 1 or e.upper < 1)
    ]
    if not clear:
        return "Nothing that was recorded went clearly with a higher or lower threshold."
    parts = [
        f"{plain_name(e.quantity.removeprefix('ratio of capture thresholds, '))} (ratio {ratio_text(e.value or 1.0)})"
        for e in clear
    ]
    return f"In one regression, these went clearly with a higher or lower threshold: {'; '.join(parts)}."
