"""The comparison of placements in sentences that a committee member reads correctly."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from capstat.placement import Assignment
from capstat.report.wording import (
    LARGEST_RATIO,
    NOT_BOUNDED,
    SMALLEST_RATIO,
    confidence_text,
    counted,
    interval_text,
    listed,
    milliampere,
    p_text,
    percent,
    percentage_points,
    plain_name,
    ratio_text,
    share_of_patients,
)

if TYPE_CHECKING:
    from capstat.analysis.covariate_analysis import CovariateAnalysis
    from capstat.placement import PlacementComparison

__all__ = [
    "assignment_sentence",
    "comparison_sentences",
    "comparison_text",
    "headline_ratio",
    "paired_capture_sentence",
    "ratios_sentence",
    "regression_ratio_sentence",
    "same_patient_sentence",
    "speaks_of_effects",
    "who",
    "why_sentence",
]

# fewer captured patients than this in a group: say so beside every comparison
FEW_PATIENTS = 20


def who(comparison: PlacementComparison, name: str) -> str:
    """One of the two groups, in words."""
    return f"{name} pads" if comparison.by == "placement" else f"{plain_name(comparison.by)} '{name}'"


def _begin(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]


def _range_words(low: float, high: float) -> str:
    less = _at_most(1 - low, "less") if low >= SMALLEST_RATIO else "any amount less"
    more = "any amount more" if high > LARGEST_RATIO else _at_most(high - 1, "more")
    return f"{less} or {more}"


def _at_most(change: float, word: str) -> str:
    return f"up to {100 * change:.0f} % {word}" if change >= 0.005 else f"hardly any {word}"


def _less_or_more(comparison: PlacementComparison, adjusted: str) -> str:
    ratio = comparison.ratio
    value, low, high = ratio.value or 1.0, ratio.lower or 0.0, ratio.upper or np.inf
    if interval_text(ratio) == NOT_BOUNDED:
        return (
            f"There are too few patients to say whether {who(comparison, comparison.first)} and {who(comparison, comparison.minus)} need different "
            "currents."
        )
    limits = f"ratio {ratio_text(value)}, {confidence_text(ratio)}"
    verb = "needed" if speaks_of_effects(comparison) else "went with"
    if low > 1 or high < 1:
        word = "less" if value < 1 else "more"
        return (
            f"{_begin(who(comparison, comparison.first))} {verb} about {100 * abs(1 - value):.0f} % {word} current than "
            f"{who(comparison, comparison.minus)}{adjusted} ({limits})."
        )
    return (
        f"The current needed with {who(comparison, comparison.first)} and with {who(comparison, comparison.minus)} did not differ clearly{adjusted} "
        f"({limits}): the data are compatible with no difference, and with {_range_words(low, high)}."
    )


def _adjustment(comparison: PlacementComparison) -> str:
    if comparison.paired:
        return " in the same patient"
    detail = comparison.unpaired_ratio
    if detail is None or not detail.adjusted_for:
        return ""
    return f" in patients alike in {listed([plain_name(name) for name in detail.adjusted_for])}"


def headline_ratio(comparison: PlacementComparison) -> str:
    """The main comparison in one sentence."""
    ratio = comparison.ratio
    if ratio.value is None:
        bounded = (ratio.lower or 0) > 0 or (ratio.upper is not None and np.isfinite(ratio.upper))
        told = f" The data still bound the ratio: {interval_text(ratio)}." if bounded else ""
        return (
            f"How much more or less current {who(comparison, comparison.first)} need than {who(comparison, comparison.minus)} cannot be "
            f"estimated: {ratio.reason.rstrip('.')}.{told}"
        )
    return _less_or_more(comparison, _adjustment(comparison))


def _difference_sentence(comparison: PlacementComparison) -> str:
    estimate = comparison.difference_at_maximum
    if estimate.value is None:
        return ""
    shares = [
        share_of_patients(e.value, s.fit.n_patients)
        for s, e in zip(comparison.summaries, comparison.shares_at_maximum, strict=True)
        if e.value is not None
    ]
    adjusted = comparison.unpaired_ratio is not None and comparison.unpaired_ratio.adjusted_for
    plain = ", with nothing adjusted for" if adjusted else ""
    return (
        f"At {milliampere(comparison.common_maximum_ma)} mA, the highest current that every device could give, "
        f"{shares[0]} were captured with {who(comparison, comparison.first)} and {shares[1]} with {who(comparison, comparison.minus)}{plain} "
        f"(difference {percentage_points(estimate.value)} percentage points, {confidence_text(estimate)})."
    )


def _constant_order(comparison: PlacementComparison) -> bool:
    return comparison.paired_ratio is not None and comparison.paired_ratio.constant_order


def speaks_of_effects(comparison: PlacementComparison) -> bool:
    """Whether the design allows the word effect."""
    randomised = comparison.by == "placement" and comparison.assignment is Assignment.RANDOMISED
    return randomised and not _constant_order(comparison)


def assignment_sentence(comparison: PlacementComparison) -> str:
    """What the way in which placements were decided allows one to say."""
    if comparison.by != "placement":
        return (
            f"This is an association: patients differ in more than {plain_name(comparison.by)}, and the difference is not "
            "proof of a cause."
        )
    if _constant_order(comparison):
        return (
            "Every patient had the placements in the same order, so an effect of the order cannot be told from an effect of "
            "the placement."
        )
    if comparison.assignment is Assignment.RANDOMISED:
        within = comparison.paired_ratio
        order = ""
        if within is not None and within.n_order_unknown:
            order = (
                f" In {counted(within.n_order_unknown, 'patient')} the order of the attempts is not recorded, so a difference between "
                "first and second attempts is not fully allowed for."
            )
        return (
            "The placement was decided by chance, so the difference can be read as an effect of the placement in patients "
            f"like these; other patients, pads and devices may differ.{order}"
        )
    how = {
        Assignment.CHOSEN: "The placement was chosen, not decided by chance",
        Assignment.MIXED: "The placement was decided by chance in some attempts only",
        Assignment.UNKNOWN: "How the placement was decided is not recorded",
    }[comparison.assignment]
    return (
        f"{how}, so this is an association: patients given one placement may have differed in ways that were not recorded, "
        "and the difference is not proof that the placement causes it."
    )


def _few_sentence(comparison: PlacementComparison, suppress_below: int) -> str:
    counts = (comparison.n_captured_first, comparison.n_captured_minus)
    if min(counts) >= FEW_PATIENTS or comparison.ratio.value is None:
        return ""
    told = ""
    # beside the sizes of the groups these would give the numbers without capture
    if suppress_below <= 1:
        told = f" ({counts[0]} with {who(comparison, comparison.first)}, {counts[1]} with {who(comparison, comparison.minus)})"
    return f"Few patients with capture inform this comparison{told}, so it is uncertain and leans on its model."


def comparison_sentences(comparison: PlacementComparison, suppress_below: int = 1) -> tuple[str, ...]:
    """Direction, size, uncertainty, and what the comparison does not show."""
    headline = " ".join(filter(None, (headline_ratio(comparison), _few_sentence(comparison, suppress_below))))
    sentences = [headline, _difference_sentence(comparison), assignment_sentence(comparison)]
    return tuple(sentence for sentence in sentences if sentence)


def why_sentence(comparison: PlacementComparison, suppress_below: int = 1) -> str:
    """Which comparison was made and why."""
    either = comparison.n_either
    if comparison.by != "placement" and not comparison.paired:
        return f"Patients are compared by {plain_name(comparison.by)}, each by the first attempt."
    if comparison.paired:
        single = either - comparison.n_both
        text = (
            f"{comparison.n_both} of {counted(either, 'patient')} were paced with both {comparison.first} and "
            f"{comparison.minus} placement and are compared with themselves"
        )
        if not single:
            return f"{text}."
        if single < suppress_below:
            return "Most patients were paced with both placements and are compared with themselves."
        shown = counted(single, "patient")
        return f"{text}; {shown} with only one of the two inform the comparison through its model."
    if not comparison.n_both_recorded:
        return "No patient was paced with both placements, so different patients are compared."
    if comparison.n_both_recorded < suppress_below or comparison.n_first_failed < suppress_below:
        count = "Few patients were paced with both placements. They"
    else:
        verb = "was" if comparison.n_both_recorded == 1 else "were"
        failed = "all" if comparison.n_first_failed == comparison.n_both_recorded else f"{comparison.n_first_failed}"
        count = (
            f"Only {comparison.n_both_recorded} of {counted(either, 'patient')} {verb} paced with both placements, and in "
            f"{failed} of them the first attempt had not captured. They"
        )
    return f"{count} are not a fair sample, so different patients are compared, each by the first attempt."


def same_patient_sentence(comparison: PlacementComparison) -> str:
    """How often the first needs less in the same patient, and how alike a patient's thresholds are; empty if unknown."""
    within = comparison.paired_ratio
    if within is None or within.probability_less.value is None:
        return ""
    less = within.probability_less
    text = (
        f"In the same patient, {who(comparison, comparison.first)} are expected to need less current than "
        f"{who(comparison, comparison.minus)} in {percent(within.probability_less.value)} of 100 ({confidence_text(less)})"
    )
    if within.correlation.lower is not None:
        text += f"; the two log thresholds of a patient have a correlation of {within.correlation.value:.2f}"
    return text + "."


def ratios_sentence(comparison: PlacementComparison) -> str:
    """Why an adjusted and an unadjusted ratio differ; empty where there is one only."""
    detail = comparison.unpaired_ratio
    if detail is None or not detail.adjusted_for or detail.ratio.value is None or detail.unadjusted.value is None:
        return ""
    names = listed([plain_name(name) for name in detail.adjusted_for])
    return (
        f"Two ratios answer two questions: with nothing held alike it is {ratio_text(detail.unadjusted.value)}; among patients alike "
        f"in {names} it is {ratio_text(detail.ratio.value)}, the main analysis, fixed beforehand."
    )


def regression_ratio_sentence(covariates: CovariateAnalysis | None, comparison: PlacementComparison) -> str:
    """Why the regression of thresholds gives yet another ratio of the placements; empty where it gives none."""
    if covariates is None or comparison.by != "placement" or comparison.unpaired_ratio is None:
        return ""
    direction = f"{comparison.first} relative to {comparison.minus}"
    found = [ratio for ratio in covariates.ratios if direction in ratio.quantity and ratio.value is not None]
    if not found:
        return ""
    others = [plain_name(name) for name in covariates.names if name != "placement"]
    held = f"holds {listed(others)} alike" if others else "holds nothing else alike"
    never = " and has a share of patients never captured" if covariates.never_captured else ""
    return (
        f"The regression under Thresholds gives {ratio_text(found[0].value or 1.0)} for the same placements, because it {held}{never}; it was "
        "declared to describe thresholds, not to compare placements."
    )


def paired_capture_sentence(comparison: PlacementComparison) -> str:
    """The exact paired test in one sentence; empty when there is none."""
    pairs = comparison.paired_capture
    if pairs is None:
        return ""
    judged = (
        f"; {counted(pairs.undetermined, 'patient')} could not be judged, because a ramp stopped before this current"
        if pairs.undetermined
        else ""
    )
    return (
        f"At {milliampere(pairs.current_ma)} mA, {counted(pairs.first_only, 'patient')} had capture with {comparison.first} "
        f"pads only and {pairs.second_only} with {who(comparison, comparison.minus)} only (exact McNemar test, "
        f"{p_text(pairs.test.p_exact)}; mid-p version, {p_text(pairs.test.p_mid)}); {pairs.both} had it with both and "
        f"{pairs.neither} with neither{judged}."
    )


def comparison_text(comparison: PlacementComparison, suppress_below: int = 1) -> tuple[str, ...]:
    """Everything that is said about a comparison, in order."""
    sentences = (
        why_sentence(comparison, suppress_below),
        *comparison_sentences(comparison, suppress_below),
        same_patient_sentence(comparison),
        paired_capture_sentence(comparison),
        ratios_sentence(comparison),
    )
    return tuple(sentence for sentence in sentences if sentence)
