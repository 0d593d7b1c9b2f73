"""What the analysis of confirmation says, in sentences."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from capstat.report.confirmation_words import claim_words, full_sentences, limits_in_brackets, reference_words
from capstat.report.table import parts
from capstat.report.wording import (
    NOT_BOUNDED,
    confidence_text,
    counted,
    interval_text,
    listed,
    milliampere,
    p_text,
    percent,
    ratio_text,
    value_text,
)

if TYPE_CHECKING:
    from capstat.analysis import (
        ConfirmationAnalysis,
        CorrectedAnalysis,
        FalseCaptureAnalysis,
        LatentAnalysis,
        ReferenceAnalysis,
    )
    from capstat.capture import CorrectedCapture, SignAccuracy, SurfacePoint
    from capstat.capture.false_capture import GroupTest
    from capstat.results import Estimate

__all__ = ["ConfirmationSentences", "confirmation_sentences", "confirmation_summary"]

SMALL_P = 0.05
# a strip shows that the heart was excited: a pulse missing there is not a sign that failed
ELECTRICAL_REFERENCE = "adjudicated_capture"
# judged settings from which a sign's own shares are put into a sentence
ENOUGH_SETTINGS = 30
# false claims seen by the reference below which corrected limits are doubted: with none they were too narrow in
# simulations (DEVELOPERS.md), three is a rule of thumb
FEW_FALSE = 3
# smallest difference of shares, counted and corrected, that is told
WORTH_TELLING = 0.03


@dataclass(frozen=True, slots=True)
class ConfirmationSentences:
    """Sentences by part of the section; a part that cannot be had says why.

    Attributes
    ----------
    false_capture, signs, without_reference, corrected, consequences : tuple of str
    """

    false_capture: tuple[str, ...]
    signs: tuple[str, ...]
    without_reference: tuple[str, ...]
    corrected: tuple[str, ...]
    consequences: tuple[str, ...]


def confirmation_sentences(found: ConfirmationAnalysis, suppress_below: int = 1) -> ConfirmationSentences:
    """Put an analysis into sentences."""
    false_capture = full_sentences(found.reasons)
    if found.false_capture is not None:
        false_capture += _false_capture(found.false_capture, suppress_below)
    signs = [sentence for reference in found.signs.references for sentence in _reference(reference)]
    signs += list(full_sentences(found.signs.left_out))
    if not signs and found.signs.references:
        signs = [
            f"Too few settings have both a sign and a reference for a sentence (fewer than {ENOUGH_SETTINGS}); see the tables."
        ]
    elif not signs:
        signs = [
            "No setting has both a sign of capture and a reference to hold it against often enough to judge the sign."
        ]
    if found.signs.agreement is not None and found.signs.agreement.kappa.value is not None:
        signs.append(
            f"Two reviewers of the same strips agreed beyond chance with kappa {_with_limits(found.signs.agreement.kappa)}."
        )
    without = _without_reference(found)
    corrected = () if found.corrected is None else _corrected(found.corrected)
    consequences = () if found.corrected is None else _consequences(found.corrected)
    return ConfirmationSentences(false_capture, tuple(signs), without, corrected, consequences)


def _with_limits(estimate: Estimate) -> str:
    return f"{value_text(estimate)} ({confidence_text(estimate)})"


def _inside(estimate: Estimate) -> str:
    """Value and limits for use inside brackets."""
    return f"{value_text(estimate)}, {confidence_text(estimate)}"


def _false_capture(found: FalseCaptureAnalysis, suppress_below: int) -> tuple[str, ...]:
    false, judged = found.audit.false, found.audit.judged
    claim, reference = claim_words(found.claim), reference_words(found.reference)
    share = found.audit.share
    sentences = []
    if share.value is None:
        sentences.append(f"How many claimed captures were false is not known: {share.reason.rstrip('.')}.")
    elif false == 0:
        sentences.append(
            f"{reference[:1].upper()}{reference[1:]} upheld all {judged} claims of {claim} that it judged; as many as "
            f"{percent(share.upper or 1.0)} % false are compatible with that."
        )
    else:
        shown = parts([false, judged - false], suppress_below)[0]
        sentences.append(
            f"Of {judged} settings at which {claim} was first claimed and which {reference} judged, {shown} had no capture: "
            f"{_with_limits(share)} of the claims were false."
        )
    sentences.append(found.judged.sentence)
    differing = [_grouping(found, test) for test in found.audit.tests if _clear(test)]
    if differing:
        sentences += [*differing, "Such differences are associations: the groups may differ in other ways"]
    if found.currents is not None and found.currents.shift.value is not None:
        shift = found.currents.shift
        told = _clearly(shift, "a clear difference", "no clear difference")
        sentences.append(
            f"False claims were made at a median of {value_text(found.currents.false_median)}, upheld ones at "
            f"{value_text(found.currents.upheld_median)} (typical difference {_inside(shift)}): {told}."
        )
    if found.chart is not None:
        sentences.append(f"Over the study months: {found.chart.verdict[:1].lower()}{found.chart.verdict[1:]}")
    sentences += _change(found)
    sentences += list(found.reasons)
    return full_sentences(sentences)


def _clearly(difference: Estimate, yes: str, no: str) -> str:
    """What limits around a difference say; nothing where there are none."""
    if interval_text(difference) == NOT_BOUNDED or difference.lower is None or difference.upper is None:
        return "too few to tell"
    return no if difference.lower <= 0 <= difference.upper else yes


def _clear(test: GroupTest) -> bool:
    return test.adjusted_p_value is not None and test.adjusted_p_value < SMALL_P


def _grouping(found: FalseCaptureAnalysis, test: GroupTest) -> str:
    rows = [
        row
        for row in found.audit.groups
        if row.grouping == test.grouping and row.share.value is not None and row.label != "not recorded"
    ]
    told = listed([f"{value_text(row.share)} ({row.label})" for row in rows])
    return (
        f"False claims were not equally frequent by {test.grouping}: {told} ({p_text(test.adjusted_p_value)}, allowing for "
        "the several groupings that were looked at)."
    )


def _change(found: FalseCaptureAnalysis) -> list[str]:
    change = found.before_after
    if change is None or change.difference.value is None:
        return []
    d = change.difference
    return [
        f"Before study month {change.change_month:g}, {value_text(change.before)} of the judged claims were false, from "
        f"then on {value_text(change.after)} (difference {_inside(d)}): "
        + _clearly(d, "a change in time, whatever it came from", "the records do not show whether anything changed")
    ]


def _best(estimates: list[tuple[str, Estimate]]) -> tuple[str, Estimate] | None:
    """The one whose lower limit is highest: good, and known to be good."""
    usable = [(label, e) for label, e in estimates if e.value is not None and e.lower is not None]
    return max(usable, key=lambda pair: (pair[1].lower or 0.0, pair[1].value or 0.0), default=None)


def _reference(found: ReferenceAnalysis) -> list[str]:
    """Which sign to trust, seen and not seen; corrected for verification where it could be."""
    corrected = dict(found.verification)
    signs = [sign for sign in found.signs if sign.n_steps >= ENOUGH_SETTINGS]

    def specificity(sign: SignAccuracy) -> Estimate:
        better = corrected.get(sign.label)
        return (
            better.specificity
            if better is not None and better.specificity.value is not None
            else sign.accuracy.specificity
        )

    def sensitivity(sign: SignAccuracy) -> Estimate:
        better = corrected.get(sign.label)
        return (
            better.sensitivity
            if better is not None and better.sensitivity.value is not None
            else sign.accuracy.sensitivity
        )

    single = [sign for sign in signs if " and " not in sign.label]
    rules = [sign for sign in signs if " and " in sign.label]
    reference = reference_words(found.reference)
    sentences = []
    seen = _best([(sign.label, specificity(sign)) for sign in single])
    missed = _best([(sign.label, sensitivity(sign)) for sign in single])
    if seen is not None:
        sentences.append(
            f"Against {reference}, the sign that misled least when seen was {seen[0]}: absent in {_with_limits(seen[1])} of "
            "settings without capture."
        )
    shows_contraction = found.reference != ELECTRICAL_REFERENCE
    if missed is not None and shows_contraction:
        sentences.append(
            f"The sign whose absence told most was {missed[0]}: present in {_with_limits(missed[1])} of settings with capture."
        )
    worst = [
        (sign.label, specificity(sign))
        for sign in single
        if (specificity(sign).upper or 1.0) < ((seen and seen[1].lower) or 0)
    ]
    if worst:
        told = listed([f"{label} in {percent(1 - (e.value or 0.0))} %" for label, e in worst])
        sentences.append(f"Seen without capture more often: {told} of settings without it.")
    sentences += _selective(found, single)
    rule = _best([(sign.label, specificity(sign)) for sign in rules])
    if rule is not None and seen is not None and (rule[1].value or 0) > (seen[1].value or 0):
        chosen = next(sign for sign in rules if sign.label == rule[0])
        missing = percent(1 - (sensitivity(chosen).value or 0.0))
        sentences.append(
            f"Asking for {rule[0]} together was right in {_with_limits(rule[1])} of settings without capture"
            + (f", and missed {missing} % of those with it." if shows_contraction else ".")
        )
    if not shows_contraction:
        return sentences
    return sentences + [
        f"The {number.label} told settings with and without capture apart with an area under the curve of "
        f"{_with_limits(number.area)}; 1 is perfect, 0.5 is chance."
        for number in found.continuous
    ]


def _selective(found: ReferenceAnalysis, single: list[SignAccuracy]) -> list[str]:
    """Where counting the judged settings alone would mislead most, and why."""
    corrected = dict(found.verification)
    moved = [
        (abs(v.uncorrected_specificity.value - v.specificity.value), sign.label, v)
        for sign in single
        if (v := corrected.get(sign.label)) is not None
        and v.specificity.value is not None
        and v.uncorrected_specificity.value is not None
        and abs(v.uncorrected_specificity.value - v.specificity.value) >= WORTH_TELLING
        and not (v.specificity.lower or 0.0) <= v.uncorrected_specificity.value <= (v.specificity.upper or 1.0)
    ]
    if not moved:
        return []
    _, label, v = max(moved, key=lambda one: one[0])
    return [
        (
            f"These shares allow for which settings were judged, as far as that hung on what was found there: {reference_words(found.reference)} was recorded at "
            f"{value_text(v.verified_present)} of settings with {label} and at {value_text(v.verified_absent)} of those without. "
            f"Counting the judged settings alone would say {value_text(v.uncorrected_specificity)} for the specificity of {label}, not "
            f"{value_text(v.specificity)}."
        )
    ]


def _without_reference(found: ConfirmationAnalysis) -> tuple[str, ...]:
    latent = found.signs.latent
    if latent is None:
        return full_sentences([f"No model of the signs alone: {found.signs.not_latent}"])
    told = [
        f"{label} {percent(se.value)} % and {percent(sp.value)} %"
        for label, se, sp in zip(latent.labels, latent.model.sensitivity, latent.model.specificity, strict=True)
        if se.value is not None and sp.value is not None
    ]
    sentences = [
        (
            f"Without any reference, from how {counted(len(latent.labels), 'sign')} go together at "
            f"{latent.model.rows} settings, sensitivity and specificity would be: {listed(told)}."
        )
    ]
    sentences += _contradictions(found, latent)
    if latent.dependence:
        low, high = (bound(point.prevalence for point in latent.dependence) for bound in (min, max))
        names = dict(zip(latent.model.names, latent.labels, strict=True))
        first, second = (names[name] for name in latent.pair)
        sentences.append(
            f"That rests on an assumption: were {first} and {second} misled together, the share of settings with capture "
            f"would be anything from {percent(low)} to {percent(high)} % over the correlations tried."
        )
    return full_sentences(sentences)


def _contradictions(found: ConfirmationAnalysis, latent: LatentAnalysis) -> list[str]:
    """Signs whose limits without a reference lie apart from those against one that shows contraction."""
    apart = []
    for reference in found.signs.references:
        if reference.reference == ELECTRICAL_REFERENCE:
            continue
        corrected = dict(reference.verification)
        counted_shares = {sign.label: sign.accuracy.specificity for sign in reference.signs}
        for label, alone in zip(latent.labels, latent.model.specificity, strict=True):
            against = corrected[label].specificity if label in corrected else counted_shares.get(label)
            if against is None or None in (against.upper, alone.lower, against.lower, alone.upper):
                continue
            if (alone.lower or 0) > (against.upper or 1) or (alone.upper or 1) < (against.lower or 0):
                apart.append(f"{label} {percent(against.value or 0)} %")
        if apart:
            return [
                (
                    f"Against {reference_words(reference.reference)} the specificity is another: {listed(apart)}. "
                    "Signs that are misled together, a reference that is itself wrong at times, or other settings can each be "
                    "behind that; the data do not say which."
                )
            ]
    return []


def _current_words(estimate: Estimate) -> str:
    if estimate.value is None:
        low = "" if not estimate.lower else f" ({milliampere(estimate.lower)} mA or more)"
        return f"not reached{low}"
    return f"{milliampere(estimate.value)} mA ({limits_in_brackets(estimate)})"


def _plain_current(estimate: Estimate) -> str:
    return "not reached" if estimate.value is None else f"{milliampere(estimate.value)} mA"


def _corrected(found: CorrectedAnalysis) -> tuple[str, ...]:
    overall = found.overall
    if overall is not None and overall.result is None:
        return full_sentences([f"Not corrected: {overall.reason}", *_surface(found)])
    sentences = [] if overall is None or overall.result is None else [_errors(found, overall.result)]
    for group in found.groups:
        if group.result is None:
            continue
        pairs = [
            f"the current that captures {100 * fraction:g} % is {_current_words(after)}, as claimed {_plain_current(before)}"
            for fraction, before, after in list(
                zip(
                    found.fractions, group.result.as_claimed.capture_currents, group.result.corrected.capture_currents,
                    strict=True,
                )
            )[:2]
        ]  # fmt: skip
        who = "Over all placements" if group is overall else f"With {group.label} pads"
        sentences.append(f"{who}, corrected for misjudged {found.claim} capture, {'; '.join(pairs)}.")
    if overall is not None and overall.result is not None and overall.n_reviewed:
        sentences += _how_sure(found, overall.result)
    return full_sentences(sentences)


def _how_sure(found: CorrectedAnalysis, result: CorrectedCapture) -> list[str]:
    """On what the estimated errors rest."""
    sentences = [
        (
            "This takes for granted that which settings the reference judged hung on nothing but what was read up to the claim: "
            "strips pulled because a claim was contradicted later, or looked doubtful, make readings seem worse than they are."
        )
    ]
    sentences += [found.selected] if found.selected else []
    if found.model.specificity is None and result.n_false_seen < FEW_FALSE:
        sentences.append(
            f"The reference saw {counted(result.n_false_seen, 'false claim')} in ramps up to their claim: how often readings "
            "without capture are wrong is hardly known, and the limits of the corrected currents may be too narrow"
        )
    return sentences


def _errors(found: CorrectedAnalysis, result: CorrectedCapture) -> str:
    at = min(result.specificities, key=lambda pair: abs(pair[0] - 80.0))
    several = len(result.specificities) > 1
    where = f" at {at[0]:g} mA" if several else ""
    sensitivity, specificity = (
        f"{value_text(e)} (given)" if e.lower is None else _with_limits(e) for e in (result.sensitivity, at[1])
    )
    rise = ""
    if result.odds_ratio is not None:
        rise = (
            f"; the odds of a false claim changed by a factor of {_with_limits(result.odds_ratio)} for each 10 mA more"
        )
    return (
        f"The reading of {found.claim} capture was right at {sensitivity} of settings that captured and at {specificity} of "
        f"those that did not{where}{rise}. Even few wrong readings add up, because a ramp offers many settings to be wrong at."
    )


def _surface(found: CorrectedAnalysis) -> list[str]:
    """What one stated error more would do to the second share wanted, for a reader without a reference."""
    k = min(1, len(found.fractions) - 1)
    never_wrong = _point(found.surface, 1.0)
    wrong = _point(found.surface, 0.96)
    if never_wrong is None or wrong is None or never_wrong.currents_ma[k] is None or wrong.currents_ma[k] is None:
        return []
    low, high = (point.currents_ma[k] for point in (never_wrong, wrong))
    return [
        (
            f"If 4 of 100 settings without capture were read as capture, whatever a reference said, {100 * found.fractions[k]:g} % "
            f"would be captured at {milliampere(high[1] if high else 0)} mA; if none were, at {milliampere(low[1] if low else 0)} mA."
        )
    ]


def _point(surface: tuple[SurfacePoint, ...], specificity: float) -> SurfacePoint | None:
    return next((p for p in surface if p.sensitivity == 1.0 and p.specificity == specificity), None)


def _consequences(found: CorrectedAnalysis) -> tuple[str, ...]:
    d = found.differential
    if d is None:
        why = found.not_differential.rstrip(".")
        return full_sentences(
            [f"How far misjudgement could explain a difference between placements is not known: {why}"]
        )
    sentences = [
        (
            f"{d.first} over {d.minus}, ratio of thresholds: {_with_limits(d.as_claimed)} with every reading believed, "
            f"{_with_limits(d.alike)} if readings were as often wrong with either placement (nothing adjusted for)."
        )
    ]
    for tip in d.tipping:
        what = tip.what[:1].lower() + tip.what[1:]
        if tip.specificity is None:
            sentences.append(
                f"No specificity that was tried, with {tip.placement} pads alone, makes it so that {what}."
            )
        else:
            sentences.append(
                f"For readings with {tip.placement} pads to be bad enough that {what}, their specificity would have to be "
                f"{percent(tip.specificity)} % or less, if it were {percent(tip.other)} %, the figure of both together, with the other pads."
            )
    own = [
        f"{value_text(min(group.result.specificities, key=lambda pair: abs(pair[0] - 80.0))[1])} with {group.label} pads"
        for group in found.groups
        if group is not found.overall
        and group.result is not None
        and group.result.specificities[0][1].lower is not None
    ]
    if own:
        sentences.append(f"As estimated from what was reviewed with each, it is {listed(own)}.")
    if found.own_errors is not None and found.own_errors.value is not None:
        sentences.append(_answer(found.own_errors, d.as_claimed))
    low, high = d.range_of_ratios
    sentences.append(
        f"Over the pairs of the stated range that the readings do not speak against, the ratio lies between {ratio_text(low)} "
        f"and {ratio_text(high)}."
    )
    return full_sentences(sentences)


def _answer(own: Estimate, claimed: Estimate) -> str:
    """Whether the difference stays when each placement has its own errors."""
    told = f"With the errors estimated for each placement the ratio is {_with_limits(own)}, limits taking these errors as known"
    if None in (own.lower, own.upper, claimed.lower, claimed.upper):
        return told
    if (claimed.lower or 0) <= 1 <= (claimed.upper or 0):
        return f"{told}; as claimed there was no clear difference to explain"
    if (own.upper or 0) < 1 or (own.lower or 0) > 1:
        return f"{told}: misjudgement of the kind that was seen does not explain the difference"
    return f"{told}: misjudgement of the kind that was seen could explain the difference"


def confirmation_summary(found: ConfirmationAnalysis) -> str:
    """One statement for the summary of a report; empty when there is nothing to say."""
    corrected = found.corrected
    claim = claim_words(found.claim) if found.claim else ""
    if not claim:
        return ""
    text = ""
    if found.false_capture is None and found.reference:
        text = found.reasons[-1] if found.reasons else ""
    elif found.false_capture is None:
        text = f"Nobody checked whether what was called {claim} was capture."
    elif found.false_capture.audit.share.value is not None:
        share, reference = found.false_capture.audit.share, reference_words(found.reference)
        judged = found.false_capture.judged
        of_all = f" of {judged.claims}" if judged.sentence.startswith("The reference judged") else ""
        text = (
            f"Was it capture? {reference[:1].upper()}{reference[1:]} judged {found.false_capture.audit.judged}{of_all} claims of "
            f"{claim}; {_with_limits(share)} of those were false."
        )
    overall = corrected.overall if corrected is not None else None
    result = overall.result if overall is not None else None
    if corrected is not None and result is not None:
        k = min(1, len(corrected.fractions) - 1)
        before, after = result.as_claimed.capture_currents[k], result.corrected.capture_currents[k]
        told = _clearly(result.shift, "", ", a difference that the data do not settle")
        text += (
            f" Corrected for misreading, the current at which {100 * corrected.fractions[k]:g} % have {claim}, over all "
            f"placements, is {_current_words(after)}; as claimed it is {_plain_current(before)}{told}."
            if told != "too few to tell"
            else ""
        )
    elif corrected is not None:
        text += "".join(f" {sentence}" for sentence in _surface(corrected))
    return text
