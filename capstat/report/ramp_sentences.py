"""What ramp policies would do, in sentences that a committee member reads correctly."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from capstat.analysis.ramp_question import RampQuestion
from capstat.report.ramp_margin_tables import left_out_words, trend_words
from capstat.report.ramp_words import errors_words, group_words
from capstat.report.wording import confidence_text, counted, listed, milliampere, percent

if TYPE_CHECKING:
    from capstat.analysis.ramp_analysis import RampAnalysis, RampGroup, RampPart
    from capstat.protocol.compare_policies import PolicyComparison
    from capstat.protocol.consequences import PolicyConsequences
    from capstat.protocol.reposition import RepositionCurve
    from capstat.results import Curve, Estimate

__all__ = ["RampSentences", "as_read_sentence", "ramp_sentences", "ramp_summary"]

# current without capture that sentences on other pads speak of
EXAMPLE_MA = 100.0
# up to so many policies have a sentence of their own
FEW = 3
# fewer patients than this do not show the shape of a distribution
FEW_PATIENTS = 20
# Akaike criteria closer than this do not tell two models apart
CLOSE_AIC = 2.0
# share of draws from which one policy is said to beat another without a reservation
SETTLED = 0.95
THREE = (
    "Three numbers are compared: time without output during the search, pulses above the level of discomfort, and share not captured. "
    "False capture, margin and loss of capture are not among them, so that a policy that waits to confirm capture can only look worse. Costs "
    "in the table rest on weights; those that nobody stated are for illustration, and other weights give another order."
)
# regret in seconds without output that is none
SMALL_REGRET = 0.05
QUICK = (
    "Short settings look good here because capture is taken to be recognised at once and rightly, however short they are; whether "
    "a crew can do that is not in these numbers. Patients who are never captured count up to the end of the search, so that a policy "
    "that gives up sooner has less time without output."
)


@dataclass(frozen=True, slots=True)
class RampSentences:
    """Sentences by part of the section.

    Attributes
    ----------
    consequences, comparison, margins, reposition : tuple of str
        What each policy would do; policies beside each other; drift and margins; more current or other pads.
    """

    consequences: tuple[str, ...]
    comparison: tuple[str, ...]
    margins: tuple[str, ...]
    reposition: tuple[str, ...]


def _begin(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]


def _number(estimate: Estimate) -> str:
    return "" if estimate.value is None else milliampere(estimate.value)


def _who(group: RampGroup, by: str) -> str:
    return f"thresholds as with {group_words(group.label, by)} in this study ({group.n_patients} patients)"


def _time(estimate: Estimate, share: str) -> str:
    if estimate.value is None:
        return f"{share} never"
    return f"{share} at the first pulse" if estimate.value == 0 else f"{share} within {milliampere(estimate.value)} s"


def policy_sentence(c: PolicyConsequences) -> str:
    """One sentence on one policy."""
    half, most = c.time_to_capture
    text = (
        f"'{c.policy.name}': {percent(1 - (c.not_captured.value or 0.0))} % captured, {_time(half, 'half of all')}, "
        f"{_time(most, 'nine in ten')}; on average {_number(c.without_output_s)} s without output and "
        f"{_number(c.pulses_above_discomfort)} pulses above {milliampere(c.discomfort_ma)} mA during the search"
    )
    if c.excess_ma.value is not None:
        text += f"; those captured are left on a current {_number(c.excess_ma)} mA above their threshold on average"
    return f"{text}."


def _extremes(policies: tuple[PolicyConsequences, ...], name: str, unit: str) -> str:
    """Between which policies a mean lies."""
    ordered = sorted(policies, key=lambda c: getattr(c, name).value or 0.0)
    low, high = ordered[0], ordered[-1]
    return (
        f"{_number(getattr(low, name))} {unit} ('{low.policy.name}') to {_number(getattr(high, name))} {unit} "
        f"('{high.policy.name}')"
    )


def _many_sentences(group: RampGroup, by: str) -> list[str]:
    """What many policies span; each has its row in the table."""
    c = group.policies[0]
    return [
        (
            f"If {len(group.policies)} policies met {_who(group, by)}, {_percents(group)} % would not be captured at the end. During the "
            f"search there would on average be {_extremes(group.policies, 'without_output_s', 's')} without output, and "
            f"{_extremes(group.policies, 'pulses_above_discomfort', 'pulses')} above {milliampere(c.discomfort_ma)} mA."
        ),
    ]


def _range(values: list[float]) -> str:
    low, high = min(values), max(values)
    return milliampere(low) if milliampere(low) == milliampere(high) else f"{milliampere(low)} to {milliampere(high)}"


def _consequence_sentences(part: RampPart, found: RampAnalysis) -> tuple[str, ...]:
    by, sentences = found.question.by, []
    for group in part.groups:
        if 0 < group.n_patients < FEW_PATIENTS and group.laws is not None:
            sentences.append(
                f"Only {counted(group.n_patients, 'patient')} ({group_words(group.label, by)}): the shape of the model does the talking."
            )
        if group.laws is None:
            seen = "; the table without a model has what was seen" if group.without_model else ""
            sentences.append(
                f"{_begin(group_words(group.label, by))}: no model can be used, because {_end(group.reason)[:-1]}{seen}."
            )
            continue
        first = group is next(g for g in part.groups if g.laws is not None)
        if len(group.policies) > FEW:
            sentences += _many_sentences(group, by)
        elif first:
            sentences.append(f"If {'policies' if len(group.policies) > 1 else 'this policy'} met {_who(group, by)}:")
            sentences += [policy_sentence(c) for c in group.policies]
        else:
            sentences.append(
                f"With {_who(group, by)}, {'they leave' if len(group.policies) > 1 else 'it leaves'} {_percents(group)} % not captured, with "
                f"{_range([c.without_output_s.value or 0 for c in group.policies])} s without output and "
                f"{_range([c.pulses_above_discomfort.value or 0 for c in group.policies])} pulses above "
                f"{milliampere(found.question.discomfort_ma)} mA on average."
            )
        if group.misjudged:
            who = group_words(group.label, by)
            sentences.append(_false_stops(group.misjudged, "With the stated errors of judgement", who))
    if any(group.laws is not None for group in part.groups):
        sentences.append(QUICK)
    return tuple(sentences)


def _end(reason: str) -> str:
    return f"{reason[:1].lower()}{reason[1:].rstrip('.')}."


def _percents(group: RampGroup) -> str:
    values = sorted(c.not_captured.value or 0.0 for c in group.policies)
    low, high = percent(values[0]), percent(values[-1])
    return low if low == high else f"{low} to {high}"


def _false_stops(policies: tuple[PolicyConsequences, ...], errors: str, who: str) -> str:
    shares = [c.stopped_at_false_capture.value or 0.0 for c in policies]
    worst, best = shares.index(max(shares)), shares.index(min(shares))
    name = policies[worst].policy.name
    if worst == best:
        return f"{errors} '{name}' would stop at a false capture in {percent(shares[worst])} % of patients ({who})."
    return (
        f"{errors} a policy would stop at a false capture in {percent(shares[best])} % ('{policies[best].policy.name}') to "
        f"{percent(shares[worst])} % ('{name}') of patients ({who}): every step below the threshold is another chance to be misled."
    )


def as_read_sentence(found: RampAnalysis) -> str:
    """What misreading as in the study would do to the policies; empty where nothing shows how often that happens."""
    read = found.as_read
    if read is None:
        why = _end(found.not_as_read) if found.not_as_read else ""
        return f"What would happen if capture were judged as in this study is not known, because {why}" if why else ""
    return _false_stops(
        read.policies,
        f"If {read.claim} capture were judged as in this study ({errors_words(read.errors)})",
        "all placements",
    )


def _choice_words(comparison: PolicyComparison, notes: tuple[str, ...]) -> str:
    """Which policy costs least under the weights that were stated, now and if thresholds were higher."""
    told = []
    for choice in comparison.choices:
        best, regret = comparison.policies[choice.best].policy.name, choice.regret[choice.best].value or 0.0
        share = f" (in {percent(choice.share_best[choice.best])} % of draws)" if choice.share_best else ""
        if any(f"'{best}'" in note and "assumed" in note for note in notes):
            share += ", on an assumed correlation"
        higher = f"{100 * (comparison.factor - 1):.0f} % higher"
        then = (
            f"and still would if thresholds were {higher}"
            if regret < SMALL_REGRET
            else f"and {milliampere(regret)} s more than the one with the lowest cost then if thresholds were {higher}"
        )
        if choice.share_best and choice.share_best[choice.best] < SETTLED:
            told.append(f"under {choice.weights.name} weights no policy clearly costs least ('{best}' does{share})")
        else:
            told.append(f"under {choice.weights.name} weights '{best}' costs least{share}, {then}")
    return f" {_begin('; '.join(told))}: other weights, another order."


def _dominated_words(comparison: PolicyComparison) -> str:
    """Which policies another one beats, by which one, and in how many of the draws."""
    names = [c.policy.name for c in comparison.policies]
    told = []
    for k, by in enumerate(comparison.dominated_by):
        if by:
            others = listed([str(1 + names.index(name)) for name in by])
            share = comparison.share_dominated[k] if comparison.share_dominated else 1.0
            unsettled = "" if share >= SETTLED else f"; in {percent(share)} % of draws only: not settled"
            told.append(f"{1 + k} (by {others}{unsettled})")
    return f"policies {listed(told)}" if len(told) > 1 else f"policy {told[0]}" if told else ""


def _comparison_sentences(part: RampPart, found: RampAnalysis) -> tuple[str, ...]:
    sentences = []
    own_weights = found.question.weights != RampQuestion().weights
    for group in part.groups:
        comparison = group.comparison
        if comparison is None or len(comparison.policies) < 2:
            continue
        dominated = _dominated_words(comparison)
        text = (
            f"{dominated} of the list: another one is at least as good in all three numbers, and better in one."
            if dominated
            else "no policy is at least as good as another in all three numbers, and better in one."
        )
        choice = _choice_words(comparison, group.notes) if own_weights else ""
        sentences.append(f"{_begin(group_words(group.label, found.question.by))}: {text}{choice}")
    return (THREE, *sentences) if sentences else ()


def _margin_sentences(part: RampPart, found: RampAnalysis) -> tuple[str, ...]:
    sentences = []
    drift = part.drift
    if drift.fits and drift.needed is not None:
        best = drift.fits[0]
        change = best.typical_change(30.0)
        close = [fit for fit in drift.fits[1:] if fit.aic - best.aic < CLOSE_AIC]
        sentences.append(
            f"In {drift.checks.n_patients} patients with repeated threshold checks the threshold changes by "
            f"{milliampere(change.value or 0)} % (one standard deviation) in 30 minutes ({confidence_text(change)}; "
            f"{best.model.value}). A current {milliampere(drift.needed.value or 0)} % above the threshold itself would lose capture "
            f"in at most 5 % within 30 minutes ({confidence_text(drift.needed)})."
            + "".join(
                f" The data hardly tell this from the {fit.model.value} model, by which the change is "
                f"{milliampere(fit.typical_change(30.0).value or 0)} %."
                for fit in close
            )
            + trend_words(drift)
        )
    else:
        checks = part.drift.checks
        have = (
            f"{counted(len(checks), 'repeated threshold check')} of {counted(checks.n_patients, 'patient')} do not tell how thresholds "
            f"change within a patient ({' '.join(part.drift.reasons).rstrip('.')})"
            if len(checks)
            else "No usable repeated threshold checks tell how thresholds change within a patient"
        )
        left_out = left_out_words(part.drift)
        sentences.append(
            f"{have}, and no published variability was found: what follows rests on assumed changes and says only what would be if "
            f"they were true.{f' {left_out}' if left_out else ''}"
        )
    group = next((g for g in part.groups if g.margins), None)
    if group is not None and found.question.minutes:
        entries = group.margins if drift.fits else [e for e in group.margins if e.assumed_sd == 0.1]
        middle = len(found.question.minutes) // 2
        minutes = f"{found.question.minutes[middle]:g} minutes"
        told = [
            f"'{e.policy.name}' ({e.policy.margin.words}) {percent(e.own.loss[middle].value or 0.0)} %" for e in entries
        ]
        if told:
            how = "" if drift.fits else ", if thresholds changed by 10 % (assumed) in 30 minutes"
            sentences.append(
                f"Lost at some time within {minutes} of capture{how} ({group_words(group.label, found.question.by)}): {listed(told)}."
            )
    return tuple(sentences)


def _at(curve: Curve, current: float) -> float | None:
    return next((float(y) for x, y in zip(curve.x, curve.lower, strict=True) if abs(x - current) < 1e-6), None)


def _limits(crossing: Estimate) -> str:
    if crossing.lower is None or crossing.upper is None:
        return ""
    return f" ({100 * crossing.level:g} % confidence interval {milliampere(crossing.lower)} to {milliampere(crossing.upper)} mA)"


def _reposition_sentence(curves: tuple[RepositionCurve, ...]) -> str:
    first = curves[0]
    told = []
    for c in curves:
        on, moved = (_at(curve, EXAMPLE_MA) for curve in (c.captured_here, c.captured_there))
        if on is None or moved is None:
            return ""
        told.append((c, on, moved))
    on = told[0][1]
    text = (
        f"Without capture up to {EXAMPLE_MA:g} mA with {first.here} pads, {percent(on)} % are captured after going on to "
        f"{milliampere(first.highest_here_ma)} mA"
    )
    if not first.is_assumed:
        crossing = first.crossing
        where = (
            f"; moving is at least as likely to capture from {milliampere(crossing.value)} mA on{_limits(crossing)}"
            if crossing.value is not None
            else f"; {_end(crossing.reason).rstrip('.')}"
        )
        return f"{text}, {percent(told[0][2])} % after moving to {first.there}{where}."
    low, high = min(m for _, _, m in told), max(m for _, _, m in told)
    return (
        f"{text}, and {percent(low)} to {percent(high)} % after moving to {first.there}, depending on how alike two thresholds of a "
        f"patient are (assumed correlations {listed([f'{c.correlation:g}' for c in curves])}; no patient shows it here)."
    )


def _reposition_sentences(part: RampPart) -> tuple[str, ...]:
    if part.reposition.reason:
        return (f"More current or other pads? Nothing can be said, because {_end(part.reposition.reason)}",)
    told = [sentence for curves in part.reposition.curves if (sentence := _reposition_sentence(curves))]
    if told and part.reposition.curves[0][0].is_assumed:
        told.append(
            "The two placements were used in different patients and nothing is adjusted for: the difference may lie in the patients and "
            "not in the pads."
        )
    if told:
        told.append(
            "Moving the pads takes time without output; the CSV file has the shares captured within 30, 60 and 120 s, too."
        )
    return tuple(told)


def ramp_sentences(part: RampPart, found: RampAnalysis) -> RampSentences:
    """Every sentence on the policies that look for one kind of capture."""
    return RampSentences(
        _consequence_sentences(part, found),
        _comparison_sentences(part, found),
        _margin_sentences(part, found),
        _reposition_sentences(part),
    )


def ramp_summary(found: RampAnalysis) -> str:
    """One sentence for the summary of the report; empty where no policy could be applied."""
    group = next((g for g in found.parts[0].groups if g.laws is not None), None)
    if group is None:
        return ""
    seconds = [c.without_output_s.value or 0.0 for c in group.policies]
    pulses = [c.pulses_above_discomfort.value or 0.0 for c in group.policies]
    whose = "example policies" if found.examples else "policies"
    count = len(group.policies)
    what = f"{count} {whose}" if count > 1 else f"'{group.policies[0].policy.name}'"
    return (
        f"In patients with such thresholds ({group_words(group.label, found.question.by)}) {what} would take a search with "
        f"{_range(seconds)} s without output and {_range(pulses)} pulses above {milliampere(found.question.discomfort_ma)} mA on average, "
        f"and leave {_percents(group)} % not captured at its end. Nothing here is a recommendation."
    )
