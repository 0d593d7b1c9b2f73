"""Plain sentences for a reader without statistics."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from capstat.analysis import ALL_PLACEMENTS
from capstat.placement import Assignment
from capstat.report.wording import (
    CAUTIONS,
    LARGEST_RATIO,
    NOT_BOUNDED,
    OBSERVATIONAL_CAUTION,
    RANDOMISED_CAUTION,
    SMALLEST_RATIO,
    confidence_text,
    counted,
    interval_text,
    milliampere,
    p_text,
    percentage_points,
    plain_name,
    ratio_text,
    share_of_patients,
)

if TYPE_CHECKING:
    from capstat.analysis import CaptureAnalysis, GroupAnalysis, StudyAnalysis
    from capstat.distributions import CaptureSummary
    from capstat.placement import PlacementComparison
    from capstat.results import Estimate

__all__ = [
    "assignment_sentence",
    "cautions_for",
    "comparison_sentences",
    "headline_ratio",
    "paired_capture_sentence",
    "summary_sentences",
    "threshold_sentence",
    "why_sentence",
]

# fewer captured patients than this in a group: say so beside every comparison
FEW_PATIENTS = 20


def _current(estimate: Estimate, share: str) -> str:
    if estimate.value is None:
        low = "" if not estimate.lower else f" (it is likely {milliampere(estimate.lower)} mA or more)"
        return f"the current for {share} was not reached{low}"
    return f"{milliampere(estimate.value)} mA captured at least {share} ({confidence_text(estimate)})"


def _share_words(fraction: float) -> str:
    return {0.5: "half of the patients", 0.9: "nine in ten", 0.75: "three in four"}.get(
        fraction, f"{100 * fraction:g} % of the patients"
    )


def threshold_sentence(summary: CaptureSummary, fractions: tuple[float, ...]) -> str:
    """One sentence on the capture currents of a group."""
    parts = [
        _current(estimate, _share_words(fraction))
        for estimate, fraction in zip(summary.capture_currents[:2], fractions[:2], strict=True)
    ]
    size = counted(summary.fit.n_patients, "patient")
    group = "Over all placements" if summary.label == ALL_PLACEMENTS else f"With {summary.label} pads"
    return f"{group} ({size}), {' and '.join(parts)}."


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
            f"There are too few patients to say whether {comparison.first} and {comparison.minus} pads need different "
            "currents."
        )
    limits = f"ratio {ratio_text(value)}, {confidence_text(ratio)}"
    verb = "needed" if _speaks_of_effects(comparison) else "went with"
    if low > 1 or high < 1:
        word = "less" if value < 1 else "more"
        return (
            f"{comparison.first.capitalize()} pads {verb} about {100 * abs(1 - value):.0f} % {word} current than "
            f"{comparison.minus} pads{adjusted} ({limits})."
        )
    return (
        f"The current needed with {comparison.first} and with {comparison.minus} pads did not differ clearly{adjusted} "
        f"({limits}): the data are compatible with no difference, and with {_range_words(low, high)}."
    )


def _adjustment(comparison: PlacementComparison) -> str:
    if comparison.paired:
        return " in the same patient"
    detail = comparison.unpaired_ratio
    if detail is None or not detail.adjusted_for:
        return ""
    return f" in patients of the same {' and '.join(plain_name(name) for name in detail.adjusted_for)}"


def headline_ratio(comparison: PlacementComparison) -> str:
    """The main comparison in one sentence."""
    ratio = comparison.ratio
    if ratio.value is None:
        bounded = (ratio.lower or 0) > 0 or (ratio.upper is not None and np.isfinite(ratio.upper))
        told = f" The data still bound the ratio: {interval_text(ratio)}." if bounded else ""
        return (
            f"How much more or less current {comparison.first} pads need than {comparison.minus} pads cannot be "
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
        f"{shares[0]} were captured with {comparison.first} pads and {shares[1]} with {comparison.minus} pads{plain} "
        f"(difference {percentage_points(estimate.value)} percentage points, {confidence_text(estimate)})."
    )


def _constant_order(comparison: PlacementComparison) -> bool:
    return comparison.paired_ratio is not None and comparison.paired_ratio.constant_order


def _speaks_of_effects(comparison: PlacementComparison) -> bool:
    return comparison.assignment is Assignment.RANDOMISED and not _constant_order(comparison)


def assignment_sentence(comparison: PlacementComparison) -> str:
    """What the way in which placements were decided allows one to say."""
    if _constant_order(comparison):
        return (
            "Every patient had the placements in the same order, so an effect of the order cannot be told from an effect of "
            "the placement."
        )
    if comparison.assignment is Assignment.RANDOMISED:
        return (
            "The placement was decided by chance, so the difference can be read as an effect of the placement in patients "
            "like these; other patients, pads and devices may differ."
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
        told = f" ({counts[0]} with {comparison.first}, {counts[1]} with {comparison.minus} pads)"
    return f"Few patients were captured{told}, so this comparison is uncertain and leans on its model."


def comparison_sentences(comparison: PlacementComparison, suppress_below: int = 1) -> tuple[str, ...]:
    """Direction, size, uncertainty, and what the comparison does not show."""
    headline = " ".join(filter(None, (headline_ratio(comparison), _few_sentence(comparison, suppress_below))))
    sentences = [headline, _difference_sentence(comparison), assignment_sentence(comparison)]
    return tuple(sentence for sentence in sentences if sentence)


def why_sentence(comparison: PlacementComparison, suppress_below: int = 1) -> str:
    """Which comparison was made and why."""
    either = comparison.n_either
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
        f"pads only and {pairs.second_only} with {comparison.minus} pads only (exact McNemar test, "
        f"{p_text(pairs.test.p_exact)}; mid-p version, {p_text(pairs.test.p_mid)}); {pairs.both} had it with both and "
        f"{pairs.neither} with neither{judged}."
    )


def _seen_without_capture(group: GroupAnalysis, suppress_below: int) -> str:
    """What was seen, before anything is estimated; empty when a count is too small to be shown."""
    c = group.counts
    failed = c.maximum_reached + c.stopped_early + c.ending_unknown
    parts = [
        (c.maximum_reached, "at the device maximum"),
        (c.stopped_early, "stopped before it"),
        (c.ending_unknown, "with the ending not recorded"),
    ]
    if any(0 < count < suppress_below for count, _ in parts):
        return ""
    unit = "patient" if c.patients == c.attempts else "attempt"
    pads = "" if group.summary.label == ALL_PLACEMENTS else f" with {group.summary.label} pads"
    told = ", ".join(f"{count} {words}" for count, words in parts if count)
    return f"{failed} of {counted(c.attempts, unit)}{pads} had no capture" + (f" ({told})" if failed else "")


def _expected_without_capture(group: GroupAnalysis) -> str:
    estimate = group.summary.not_captured
    if estimate.value is None:
        return ""
    pads = "" if group.summary.label == ALL_PLACEMENTS else f" with {group.summary.label} pads"
    top = milliampere(float(group.summary.curve.x[-1]))
    return f"{100 * estimate.value:.0f} %{pads} at {top} mA ({confidence_text(estimate)})"


def _not_captured_sentence(capture: CaptureAnalysis, suppress_below: int) -> str:
    overall = capture.groups[0].summary
    groups = capture.groups[:1] if overall.label == ALL_PLACEMENTS else capture.groups
    if all(group.summary.not_captured.value == 0 for group in groups):
        top = max(float(group.summary.fit.support[-1, 1]) for group in groups)
        who = f"All {counted(overall.fit.n_patients, 'patient')}" if len(groups) == 1 else "All patients"
        return f"{who} were captured, at {milliampere(top)} mA or less."
    seen = " and ".join(filter(None, (_seen_without_capture(group, suppress_below) for group in groups)))
    expected = " and ".join(filter(None, (_expected_without_capture(group) for group in groups)))
    sentences = [
        f"{seen}." if seen else "",
        f"Had everybody been taken to the highest current tried, an estimated {expected} would not have been captured."
        if expected
        else "",
        "Nobody knows what a higher current would have done, and no patient without capture is given a made-up threshold.",
    ]
    return " ".join(filter(None, sentences))


def _data_sentence(analysis: StudyAnalysis, capture: CaptureAnalysis, suppress_below: int) -> str:
    facts = analysis.facts
    if capture.capture.name == "as-recorded":
        kind = "capture as the file records it"
    else:
        kind = f"{capture.capture.name} capture ({capture.capture.meaning})"
    read = f"{counted(facts.n_attempts, 'pacing attempt')} in {counted(facts.n_patients, 'patient')} were read"
    if capture.n_analysed == facts.n_attempts:
        text = f"{read}; all are analysed for {kind}."
    else:
        text = f"{read}; {capture.n_analysed} of them ({capture.selection}) are analysed for {kind}."
    lost = capture.derivation.not_assessed if capture.derivation is not None else 0
    if lost and capture.capture.step_column is not None:
        text += (
            f" In {counted(lost, 'attempt')} this was not looked at; leaving those out can make the share not captured too "
            "high."
        )
    comparison = capture.comparison
    detail = comparison.unpaired_ratio if comparison is not None else None
    if detail is not None and detail.n_total - detail.n_complete >= max(suppress_below, 1):
        names = " and ".join(plain_name(name) for name in detail.adjusted_for)
        text += f" The comparison adjusted for {names} rests on the {detail.n_complete} attempts that have it."
    return text


def cautions_for(analysis: StudyAnalysis) -> tuple[str, ...]:
    """The usual cautions, and the one that fits how placements were decided."""
    compared = [capture.comparison for capture in analysis.captures if capture.comparison is not None]
    randomised = bool(compared) and all(_speaks_of_effects(c) for c in compared)
    return (*CAUTIONS, RANDOMISED_CAUTION if randomised else OBSERVATIONAL_CAUTION)


def summary_sentences(analysis: StudyAnalysis, suppress_below: int = 1) -> tuple[str, ...]:
    """Three to six statements for a committee."""
    if not analysis.captures:
        return (f"The study holds {analysis.facts.n_attempts} attempts, none of which can be read as a threshold.",)
    capture = analysis.captures[0]
    sentences = [_data_sentence(analysis, capture, suppress_below)]
    comparison = capture.comparison
    if comparison is None:
        sentences += [threshold_sentence(g.summary, analysis.options.fractions) for g in capture.groups[:1]]
    else:
        sentences.append(" ".join(threshold_sentence(s, analysis.options.fractions) for s in comparison.summaries))
        sentences += comparison_sentences(comparison, suppress_below)
    not_captured = _not_captured_sentence(capture, suppress_below)
    if not_captured:
        sentences.insert(-1 if comparison else len(sentences), not_captured)
    if comparison is None and capture.not_compared:
        sentences.append(f"The placements are not compared: {capture.not_compared.rstrip('.')}.")
    return tuple(sentences)
