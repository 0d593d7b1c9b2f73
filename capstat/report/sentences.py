"""Plain sentences for a reader without statistics."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.analysis import ALL_PLACEMENTS
from capstat.report.confirmation_sentences import confirmation_summary
from capstat.report.outcome_sentences import outcome_summary
from capstat.report.placement_detail_text import adjusted_share_sentence
from capstat.report.placement_sentences import comparison_sentences, speaks_of_effects
from capstat.report.ramp_sentences import ramp_summary
from capstat.report.range_tables import range_sentences
from capstat.report.wording import (
    CAUTIONS,
    OBSERVATIONAL_CAUTION,
    RANDOMISED_CAUTION,
    confidence_text,
    counted,
    listed,
    milliampere,
    plain_name,
)

if TYPE_CHECKING:
    from capstat.analysis import CaptureAnalysis, GroupAnalysis, StudyAnalysis
    from capstat.distributions import CaptureSummary
    from capstat.results import Estimate

__all__ = [
    "cautions_for",
    "summary_sentences",
    "threshold_sentence",
]


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
        names = listed([plain_name(name) for name in detail.adjusted_for])
        text += f" The comparison adjusted for {names} rests on the {detail.n_complete} attempts that have it."
    return text


def cautions_for(analysis: StudyAnalysis) -> tuple[str, ...]:
    """The usual cautions, and the one that fits how placements were decided."""
    compared = [capture.comparison for capture in analysis.captures if capture.comparison is not None]
    randomised = bool(compared) and all(speaks_of_effects(c) for c in compared)
    return (*CAUTIONS, RANDOMISED_CAUTION if randomised else OBSERVATIONAL_CAUTION)


def _further(analysis: StudyAnalysis) -> list[str]:
    """Confirmation, outcome, and what ramps would do."""
    confirmation, outcomes, ramps = analysis.confirmation, analysis.outcomes, analysis.ramps
    followed = "" if outcomes is None else outcome_summary(outcomes)
    applied = "" if ramps is None else ramp_summary(ramps)
    # one statement, so that there are no more than eight
    return ["" if confirmation is None else confirmation_summary(confirmation), f"{followed} {applied}".strip()]


def summary_sentences(analysis: StudyAnalysis, suppress_below: int = 1) -> tuple[str, ...]:
    """Three to eight statements for a committee."""
    if not analysis.captures:
        return (f"The study holds {analysis.facts.n_attempts} attempts, none of which can be read as a threshold.",)
    capture = analysis.captures[0]
    sentences = [_data_sentence(analysis, capture, suppress_below)]
    comparison = capture.comparison
    beside = ""
    if analysis.evidence is not None and analysis.evidence.ranges is not None:
        beside = f" {range_sentences(analysis.evidence.ranges)[0]}"
    if comparison is None:
        sentences += [threshold_sentence(g.summary, analysis.options.fractions) for g in capture.groups[:1]]
    else:
        sentences.append(" ".join(threshold_sentence(s, analysis.options.fractions) for s in comparison.summaries))
    sentences[-1] += beside
    if comparison is not None:
        told = [*comparison_sentences(comparison, suppress_below)]
        adjusted = adjusted_share_sentence(capture.placement_detail, comparison)
        if adjusted and len(told) > 1:
            told[1] = f"{told[1]} {adjusted}"
        sentences += told
    not_captured = _not_captured_sentence(capture, suppress_below)
    if not_captured:
        sentences.insert(-1 if comparison else len(sentences), not_captured)
    sentences += _further(analysis)
    if comparison is None and capture.not_compared:
        sentences.append(f"The placements are not compared: {capture.not_compared.rstrip('.')}.")
    return tuple(filter(None, sentences))
