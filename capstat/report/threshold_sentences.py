"""Plain sentences on how thresholds are distributed: does a model fit, who is never captured, what shortcuts would say."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.analysis import ALL_PLACEMENTS
from capstat.report.wording import confidence_text, p_text, percent, plain_name, ratio_text, value_text

if TYPE_CHECKING:
    from capstat.analysis import CaptureAnalysis, CovariateAnalysis, GroupAnalysis
    from capstat.distributions import NeverCaptured

__all__ = ["covariate_sentence", "fit_sentences", "never_captured_sentence", "shortcut_sentence"]

# a p-value below this speaks against a model
POOR_FIT = 0.05


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
        text = f"{_pads(group)}, the {best.name} model describes the thresholds best of those tried"
        check = None if group.detail is None else group.detail.fit_check
        if check is not None:
            verdict = (
                "and yet it does not fit well; use the estimates without assumption"
                if check.p_value < POOR_FIT
                else "and nothing speaks against it"
            )
            text += f" {verdict} ({p_text(check.p_value)})"
        sentences.append(f"{text[0].upper()}{text[1:]}.")
    return tuple(sentences)


def never_captured_sentence(capture: CaptureAnalysis) -> str:
    """Range of the share never captured over the families, and whether to believe it; empty when there is none."""
    group = next((g for g in capture.groups if g.detail is not None and g.detail.never_captured), None)
    if group is None or group.detail is None:
        return ""
    found = group.detail.never_captured
    shares = [never.share.value or 0.0 for never in found]
    if max(shares) < 0.0005:
        highest = max(never.share.upper or 0.0 for never in found)
        return (
            f"Nothing suggests {_pads(group)} that some patients cannot be captured at any current; up to {percent(highest)} % "
            "would still agree with the data."
        )
    low, high = percent(min(shares)), percent(max(shares))
    between = f"{high} %" if low == high else f"{low} to {high} %, depending on the shape assumed"
    return (
        f"Models put the share of patients whom no current would capture {_pads(group)} at {between} "
        f"({_widest(found)}). {_reach_verdict(found[0])}"
    )


def _widest(found: tuple[NeverCaptured, ...]) -> str:
    low = min(never.share.lower or 0.0 for never in found)
    high = max(never.share.upper or 0.0 for never in found)
    return f"confidence limits from {percent(low)} to {percent(high)} % over all shapes"


def _reach_verdict(never: NeverCaptured) -> str:
    if never.follow_up.sufficient:
        return "The currents tested reach beyond those at which patients were captured, so the data can tell something about it."
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
    low, high = mean.identified
    return (
        f'Published work has recorded non-capture as "maximum + 1 mA" or left such attempts out. Here that would have given a mean '
        f"threshold of {value_text(found.maximum_plus_one.mean)} or {value_text(found.dropped.mean)} {_pads(group)}; without either, "
        f"the {mean.quantity} lies between {low:.1f} and {high:.1f} mA ({confidence_text(mean)})."
    )


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
