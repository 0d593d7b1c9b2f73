"""Plain sentences for a reader without statistics."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from capstat.analysis import ALL_PLACEMENTS
from capstat.report.wording import (
    interval_text,
    milliampere,
    of_hundred,
    p_text,
    percentage_points,
    ratio_text,
)

if TYPE_CHECKING:
    from capstat.analysis import CaptureAnalysis, StudyAnalysis
    from capstat.distributions import CaptureSummary
    from capstat.placement import PlacementComparison
    from capstat.results import Estimate

__all__ = ["comparison_sentences", "headline_ratio", "summary_sentences", "threshold_sentence"]


def _limits(estimate: Estimate) -> str:
    return f"{100 * estimate.level:g} % confidence interval {interval_text(estimate)}"


def _current(estimate: Estimate, share: str) -> str:
    if estimate.value is None:
        low = "" if estimate.lower is None else f" (it is likely {milliampere(estimate.lower)} mA or more)"
        return f"the current for {share} was not reached{low}"
    return f"{milliampere(estimate.value)} mA captured {share} ({_limits(estimate)} mA)"


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
    group = "Over all placements" if summary.label == ALL_PLACEMENTS else f"With {summary.label} pads"
    return f"{group}, {' and '.join(parts)}."


def _less_or_more(comparison: PlacementComparison, adjusted: str) -> str:
    ratio = comparison.ratio
    value, low, high = ratio.value or 1.0, ratio.lower or 0.0, ratio.upper or np.inf
    change = abs(1 - value)
    limits = f"ratio {ratio_text(value)}, {_limits(ratio)}"
    verb = "needed" if comparison.randomised else "went with"
    if low > 1 or high < 1:
        word = "less" if value < 1 else "more"
        return (
            f"{comparison.first.capitalize()} pads {verb} about {100 * change:.0f} % {word} current than "
            f"{comparison.minus} pads{adjusted} ({limits})."
        )
    return (
        f"The current needed with {comparison.first} and with {comparison.minus} pads did not differ clearly{adjusted} "
        f"({limits}): the data are compatible with no difference, and with {_range_words(low, high)}."
    )


def _range_words(low: float, high: float) -> str:
    less = f"up to {100 * (1 - low):.0f} % less"
    more = "any amount more" if np.isinf(high) else f"up to {100 * (high - 1):.0f} % more"
    return f"{less} or {more}"


def headline_ratio(comparison: PlacementComparison) -> str:
    """The main comparison in one sentence."""
    ratio = comparison.ratio
    adjusted = ""
    if comparison.paired:
        adjusted = " in the same patient"
    elif comparison.unpaired_ratio and comparison.unpaired_ratio.adjusted_for:
        names = " and ".join(name.replace("_", " ") for name in comparison.unpaired_ratio.adjusted_for)
        for unit in (" kg", " cm", " years"):
            names = names.replace(unit, "")
        adjusted = f" in patients of the same {names}"
    if ratio.value is None:
        bound = interval_text(ratio)
        told = f" The data still bound the ratio: {bound}." if bound else ""
        return (
            f"How much more or less current {comparison.first} pads need than {comparison.minus} pads cannot be "
            f"estimated: {ratio.reason}.{told}"
        )
    return _less_or_more(comparison, adjusted)


def _difference_sentence(comparison: PlacementComparison) -> str:
    estimates = [e for e in comparison.difference.at_currents if e.value is not None]
    if not estimates:
        return ""
    last = estimates[-1]
    shares = []
    for summary in comparison.summaries:
        match = [e for e in summary.capture_probabilities if e.quantity == last.quantity.replace("difference in ", "")]
        if not match or match[0].value is None:
            return ""
        shares.append(of_hundred(match[0].value))
    current = last.quantity.split(" at ")[-1]
    plain = (
        ", body size not allowed for" if comparison.unpaired_ratio and comparison.unpaired_ratio.adjusted_for else ""
    )
    return (
        f"At {current}, {shares[0]} patients were captured with {comparison.first} and {shares[1]} with "
        f"{comparison.minus} pads{plain} (difference {percentage_points(last.value or 0.0)} percentage points, {_limits(last)})."
    )


def _cannot_conclude(comparison: PlacementComparison) -> str:
    if comparison.randomised:
        return (
            "The placement was decided by chance, so the difference can be read as an effect of the placement in patients "
            "like these; other patients, pads and devices may differ."
        )
    return (
        "The placement was chosen, not decided by chance, so this is an association: patients given one placement may have "
        "differed in ways that were not recorded, and the difference is not proof that the placement causes it."
    )


def comparison_sentences(comparison: PlacementComparison) -> tuple[str, ...]:
    """Direction, size, uncertainty, and what the comparison does not show."""
    sentences = [headline_ratio(comparison), _difference_sentence(comparison), _cannot_conclude(comparison)]
    return tuple(sentence for sentence in sentences if sentence)


def paired_capture_sentence(comparison: PlacementComparison) -> str:
    """The exact paired test in one sentence; empty when there is none."""
    pairs = comparison.paired_capture
    if pairs is None:
        return ""
    return (
        f"At {milliampere(pairs.current_ma)} mA, {pairs.first_only} patients were captured with {comparison.first} pads "
        f"only and {pairs.second_only} with {comparison.minus} pads only (exact McNemar test, {p_text(pairs.test.p_exact)}; "
        f"mid-p version, {p_text(pairs.test.p_mid)}); {pairs.both} were captured with both and {pairs.neither} with neither."
    )


def _not_captured_sentence(capture: CaptureAnalysis) -> str:
    estimates = [group.summary.not_captured for group in capture.groups]
    overall = estimates[0]
    if len(capture.groups) > 1 and capture.groups[0].summary.label != ALL_PLACEMENTS:
        told = " and ".join(
            f"{of_hundred(e.value)} with {g.summary.label} pads"
            for g, e in zip(capture.groups, estimates, strict=True)
            if e.value is not None
        )
    elif overall.value is not None:
        told = f"{of_hundred(overall.value)} patients ({_limits(overall)} %)"
    else:
        return ""
    where = overall.quantity.split(" at ")[1].split(",")[0]
    return (
        f"No capture was seen at {where}, the highest current tested, in {told}; nobody knows what a higher current would "
        "have done, and a patient without capture is not given a made-up threshold here."
        if told
        else ""
    )


def summary_sentences(analysis: StudyAnalysis) -> tuple[str, ...]:
    """Three to six sentences for a committee."""
    facts = analysis.facts
    if not analysis.captures:
        return (f"The study holds {facts.n_attempts} attempts, none of which can be read as a threshold.",)
    capture = analysis.captures[0]
    kind = "as the file records it" if capture.capture.name == "as-recorded" else f"{capture.capture.name}"
    sentences = [
        (
            f"{facts.n_patients} patients with {facts.n_attempts} pacing attempts were analysed for capture "
            f"({kind}: {capture.capture.meaning})."
        )
    ]
    comparison = capture.comparison
    if comparison is None:
        sentences += [threshold_sentence(g.summary, analysis.options.fractions) for g in capture.groups[:1]]
    else:
        sentences.append(" ".join(threshold_sentence(s, analysis.options.fractions) for s in comparison.summaries))
        sentences += comparison_sentences(comparison)
    not_captured = _not_captured_sentence(capture)
    if not_captured:
        sentences.insert(-1 if comparison else len(sentences), not_captured)
    return tuple(sentences)
