"""The one-page brief for a committee, in words."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Final

from capstat.report.literature_sentences import reanalysis_sentences, unbounded
from capstat.report.literature_words import MEASURE_TITLES, count_text, definition_words
from capstat.report.wording import (
    CAUTIONS,
    NOT_BOUNDED,
    confidence_text,
    counted,
    estimate_text,
    interval_text,
    listed,
    p_text,
    percent,
    plain_name,
)
from capstat.synthesis.judgements_parts import DOMAIN_WORDS, DOMAINS
from capstat.synthesis.scales import SCALES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from capstat.analysis import BriefPart, EvidenceBrief, LocalBrief, Reanalysis
    from capstat.analysis.evidence_brief import Frequency
    from capstat.synthesis.judgements import CertaintyJudgement
    from capstat.synthesis.study_arm import StudyArm
    from capstat.synthesis.study_effect import Measure

__all__ = ["BriefText", "brief_text", "brief_words"]

QUESTIONS: Final = {
    "ratio": "Does one pad placement capture the heart at a lower current than another?",
    "capture-ratio": "Does one pad placement capture more patients than another?",
    "difference": "Does one pad placement capture the heart at a lower current than another?",
    "threshold": "At what current is the heart captured?",
    "capture": "How many patients are captured?",
    "outcome": "Do patients allocated to pacing do better than those allocated to other care?",
}

SHORT_TITLES: Final[dict[Measure, str]] = {
    "threshold": "Threshold",
    "capture": "Share captured",
    "ratio": "Ratio of thresholds",
    "difference": "Difference of thresholds",
    "capture-ratio": "Ratio of shares captured",
    "outcome": "Outcome",
}

BY_CHANCE: Final = ("randomised", "crossover")
"""Designs that fit a start at randomised."""

FEW_STUDIES: Final = 10

NOT_JUDGED: Final = (
    "No judgement of certainty was given. capstat does not invent one: the facts that bear on each domain are listed, "
    "and a committee rates them (capstat pool --template judgements)."
)


@dataclass(frozen=True, slots=True)
class BriefText:
    """The brief in paragraphs.

    Attributes
    ----------
    question : str
        What was asked.
    studied : tuple of str
        Who was studied, and how many.
    found : tuple of str
        Results with intervals.
    frequencies : tuple of str
        The same as numbers of 100 patients.
    certainty : str
        The user's rating with its arithmetic, for whom and by whom, or that there is none.
    domains : tuple of (str, str, str)
        Domain, the user's rating with reason, and the facts that bear on it.
    weighed : tuple of str
        What the user weighed besides the evidence.
    change : tuple of str
        What would change the conclusion.
    cautions : tuple of str
        Standing cautions.
    """

    question: str
    studied: tuple[str, ...]
    found: tuple[str, ...]
    frequencies: tuple[str, ...]
    certainty: str
    domains: tuple[tuple[str, str, str], ...]
    weighed: tuple[str, ...]
    change: tuple[str, ...]
    cautions: tuple[str, ...]


def brief_text(brief: EvidenceBrief) -> BriefText:
    """Put a brief into words."""
    judgement = brief.judgements[0] if brief.judgements else None
    return BriefText(
        (judgement.question if judgement is not None else "") or QUESTIONS[brief.measure],
        tuple(_studied(brief)),
        tuple(_found(brief)),
        tuple(_frequencies(brief)),
        _certainty(brief, judgement),
        tuple(_domains(brief, judgement)),
        tuple(_weighed(judgement)),
        tuple(_change(brief, judgement)),
        (*_own_cautions(brief), *CAUTIONS),
    )


def brief_words(text: BriefText) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Headings and sentences in their order, for a terminal and for the page."""
    domains = tuple(
        f"{name}: {rating or 'not judged'}. Facts: {facts}" if facts else f"{name}: {rating or 'not judged'}."
        for name, rating, facts in text.domains
    )
    return (
        ("Question", (text.question,)),
        ("Who was studied", text.studied),
        ("What was found", text.found),
        ("In natural frequencies", text.frequencies),
        ("Certainty", (text.certainty, *domains)),
        *((("What else was weighed", text.weighed),) if text.weighed else ()),
        ("What would change this", text.change),
        ("Cautions", text.cautions),
    )


def _conditions(part: BriefPart) -> str:
    return part.pooled.question.conditions or "all records"


def _label(part: BriefPart) -> str:
    return f"{MEASURE_TITLES[part.pooled.question.measure]} ({_conditions(part)})"


def _short_label(part: BriefPart) -> str:
    return f"{SHORT_TITLES[part.pooled.question.measure]} ({_conditions(part)})"


def _ended(words: str) -> str:
    words = words.strip()
    return words if words.endswith((".", "?", "!")) else f"{words}."


def _studied(brief: EvidenceBrief) -> Iterable[str]:
    for people in brief.people:
        k = len(people.studies)
        number = "1 published study" if k == 1 else f"{k} published studies"
        yield (
            f"{number} ({listed(list(people.designs))}), {counted(people.n, 'patient')}: "
            f"{'; '.join(people.populations)}."
        )
    if not brief.parts:
        yield "No published study in the evidence table answers this."
    if brief.local is not None:
        how = "allocated by chance" if brief.local.randomised else "not allocated by chance"
        yield f"Your own records: {counted(brief.local.n, 'patient')} in the comparison, placements {how}."
        if brief.parts:
            yield "Whether your patients are like these is for the committee to judge."
    if brief.not_compared:
        yield f"Your own records are not compared: {_ended(brief.not_compared)}"


def _how(part: BriefPart) -> str:
    """Where a value comes from."""
    if part.pooled.headline is None:
        return part.informative[0].effect.label
    return "pooled, the reanalysed crossover among the studies" if part.reanalysed else "pooled"


def _crossover_sentences(found: Reanalysis) -> tuple[str, str]:
    """What was printed of the published crossover, and what it was reanalysed to."""
    one = found.crossover
    printed = (
        f"Printed: mean thresholds {one.first_mean_ma:g} mA ({one.first}) and {one.second_mean_ma:g} mA ({one.second}) "
        f"of the {one.n_pairs} patients captured at least once, with {one.imputed_as_ma:g} mA for 'not captured': "
        f"ratio {one.printed_ratio:.2f} ({found.effect.label})."
    )
    again = (
        f"Reanalysed from that summary, with 'not captured' read as above {one.maximum_ma:g} mA: ratio "
        f"{estimate_text(one.ratio)}, {one.ratio.direction}."
    )
    return printed, again


def _found(brief: EvidenceBrief) -> Iterable[str]:
    if brief.reanalysis is not None:
        yield from _crossover_sentences(brief.reanalysis)
    for part in brief.parts:
        if part.value is None:
            yield f"{_label(part)}: {part.pooled.not_pooled.rstrip('.')}."
        elif unbounded(part.value):
            counts = ", ".join(f"{s.effect.label} {count_text(s.effect)}" for s in part.pooled.studies)
            yield f"{_label(part)}: {counts}; together they bound nothing, if services differ enough."
        elif part.pooled.headline is not None or not part.reanalysed:
            whom = f", {part.pooled.direction}" if part.pooled.direction else ""
            yield f"{_label(part)}: {estimate_text(part.value)}{whom}, {_how(part)}."
    local = brief.local
    if local is not None:
        adjusted = f", adjusted for {_names(local)}" if local.adjusted_for else ""
        yield (
            f"Your own records: ratio of capture thresholds, {local.first} to {local.minus}, "
            f"{estimate_text(local.ratio)}{adjusted}"
            + ("." if local.randomised else " (an association, not proof of an effect).")
        )


def _names(local: LocalBrief) -> str:
    return listed([plain_name(name) for name in local.adjusted_for])


def _not_by_chance(part: BriefPart) -> list[StudyArm]:
    """Records of comparisons without allocation by chance; those of single arms compare nothing."""
    if SCALES[part.pooled.question.measure].null is None:
        return []
    return [arm for arm in part.pooled.gathered.arms if arm.design not in ("randomised", "crossover")]


def _frequency(rows: tuple[Frequency, ...], where: str) -> str:
    told = []
    for row in rows:
        share = row.share
        limits = interval_text(share).removesuffix(" %")
        limits = limits if limits == NOT_BOUNDED else f"{100 * share.level:g} % CI {limits}"
        value = "unknown" if share.value is None else percent(share.value)
        counts = "" if row.events is None else f", {row.events} of {share.n}"
        told.append(f"{row.who}: {value} of 100 {row.event} ({limits}){counts}")
    return f"{where}: {'; '.join(told)}."


def _published_frequency(part: BriefPart) -> str:
    k = len(part.informative)
    whose = part.informative[0].effect.label if k == 1 else f"{k} studies"
    words = _frequency(part.frequencies, f"Published, {_conditions(part)} ({whose})")
    if any(row.applied for row in part.frequencies):
        words += " The first share is taken as known; the second is that share times the pooled ratio."
    return words


def _local_frequency(local: LocalBrief) -> str:
    capture = f" ({local.capture.removesuffix(' capture')} capture)" if local.capture else ""
    where = f"Your own records{capture}, at {local.current_ma:g} mA"
    if local.withheld_below:
        return f"{where}: withheld, because a count behind them is below {local.withheld_below}."
    if local.paired:
        how = "in the same patients" if local.all_both else "mostly in the same patients"
    else:
        how = "with nothing adjusted for"
    words = _frequency(local.frequencies, f"{where}, {how}")
    if local.adjusted:
        return f"{words} {_ended(local.adjusted)}"
    if local.adjusted_for:
        return f"{words} The ratio above is adjusted for {_names(local)}; these shares are not."
    return words


def _frequencies(brief: EvidenceBrief) -> Iterable[str]:
    for part in brief.parts:
        if part.frequencies and part.value is not None and not unbounded(part.value):
            yield _published_frequency(part)
    if brief.local is not None:
        yield _local_frequency(brief.local)


def _certainty(brief: EvidenceBrief, judgement: CertaintyJudgement | None) -> str:
    if judgement is None:
        return NOT_JUDGED
    if judgement.certainty is None:
        rating = f"Certainty cannot be worked out. {judgement.reason}"
    else:
        steps = "; ".join(judgement.steps)
        rating = f"Certainty of the published evidence, as judged: {judgement.certainty.upper()} ({steps})."
    others = len(brief.judgements) - 1
    more = f"The file holds {counted(others, 'more judgement')} of this measure." if others else ""
    told = (rating, _misfit(brief, judgement), *_judged_for(judgement), more, _judged_by(judgement))
    return " ".join(filter(None, told))


def _misfit(brief: EvidenceBrief, judgement: CertaintyJudgement) -> str:
    """That the start of a judgement does not fit the designs of the studies; empty when it does."""
    designs = {arm.design for part in brief.parts for arm in part.pooled.gathered.arms}
    if designs and judgement.start == "randomised" and not designs & set(BY_CHANCE):
        return "The start (randomised) does not fit the facts: no study here is randomised or a crossover."
    if judgement.start == "observational" and designs == {"randomised"}:
        return "The start (observational) does not fit the facts: every study here is randomised."
    return ""


def _judged_for(judgement: CertaintyJudgement) -> Iterable[str]:
    for name, words in (("Population", judgement.population), ("Placement", judgement.placement)):
        if words:
            yield f"{name}, as judged: {_ended(words)}"


def _judged_by(judgement: CertaintyJudgement) -> str:
    day = "" if judgement.judged_on is None else f"on {judgement.judged_on.isoformat()}"
    if judgement.judged_by:
        return f"Judged by: {', '.join(filter(None, (judgement.judged_by, day)))}."
    return f"Judged {day}." if day else ""


def _weighed(judgement: CertaintyJudgement | None) -> Iterable[str]:
    if judgement is not None:
        for part in fields(judgement.decision_context):
            words = getattr(judgement.decision_context, part.name)
            if words:
                yield f"{part.name}: {_ended(words)}"


def _domains(brief: EvidenceBrief, judgement: CertaintyJudgement | None) -> Iterable[tuple[str, str, str]]:
    rated = (
        {} if judgement is None else {j.domain: f"{j.rating} ({j.reason.rstrip('.')})" for j in judgement.judgements}
    )
    facts = {
        "risk-of-bias": _bias_facts(brief),
        "inconsistency": _by_question(brief, _difference_facts),
        "indirectness": _by_question(brief, _indirect_facts),
        "imprecision": _by_question(brief, _precision_facts),
        "small-study-effects": _by_question(brief, _asymmetry_facts),
    }
    for domain in DOMAINS:
        yield DOMAIN_WORDS[domain], rated.get(domain, ""), facts.get(domain, "")


def _by_question(brief: EvidenceBrief, of: Callable[[BriefPart], str]) -> str:
    """Facts, each with the question that it belongs to."""
    told: dict[str, list[str]] = {}
    for part in brief.parts:
        told.setdefault(of(part), []).append(_short_label(part))
    if len(brief.parts) > 1 and len(told) == 1:
        return "".join(f"Each question: {fact}" for fact in told if fact)
    return " ".join(f"{' and '.join(labels)}: {fact}" for fact, labels in told.items() if fact)


def _bias_facts(brief: EvidenceBrief) -> str:
    words = [_by_question(brief, _allocation_facts)]
    if brief.reanalysis is not None:
        words.append(
            "A number stood for 'not captured' in the published crossover; it is reanalysed here from its summary."
        )
    if brief.local is not None and not brief.local.randomised:
        words.append("Your own placements were chosen, not allocated.")
    return " ".join(filter(None, words))


def _allocation_facts(part: BriefPart) -> str:
    arms = part.pooled.gathered.arms
    allocated = {arm.study for arm in arms if arm.design in BY_CHANCE}
    studies = {arm.study for arm in arms}
    words = f"{len(allocated)} of {len(studies)} with allocation by chance or both placements in each patient."
    imputed = {arm.short_citation for arm in arms if arm.imputed_as_ma is not None}
    return words + (f" A number stood for 'not captured' in {listed(sorted(imputed))}." if imputed else "")


def _difference_facts(part: BriefPart) -> str:
    pooled = part.pooled
    if len(pooled.studies) == 1:
        return "One study, so whether others would agree cannot be seen."
    if pooled.headline is None:
        return (
            f"{len(part.informative)} of {len(pooled.studies)} studies with a value and nothing pooled, so whether they "
            "agree cannot be seen."
        )
    if len(pooled.heterogeneity) > 1:
        i2 = pooled.heterogeneity[1]
        return f"I-squared {percent(i2.value or 0)} % ({interval_text(i2)})."
    counts = ", ".join(f"{s.effect.label} {count_text(s.effect)}" for s in pooled.studies)
    test = "" if pooled.heterogeneity_p is None else f"; test of differences {p_text(pooled.heterogeneity_p)}"
    return f"{counts}{test}."


def _indirect_facts(part: BriefPart) -> str:
    arms = part.pooled.gathered.arms
    settings = dict.fromkeys(f"{arm.urgency}, {arm.setting.replace('-', ' ')}" for arm in arms)
    definitions = dict.fromkeys(definition_words(arm.capture_definition) for arm in arms if arm.capture_definition)
    words = f"Studied: {'; '.join(settings)}."
    if part.pooled.question.measure == "outcome":
        # who was treated in fact, and with what the others were, stands in the notes
        words += "".join(f" {arm.short_citation}: {_ended(arm.notes)}" for arm in arms if arm.notes)
    return words + (f" Capture meant: {'; '.join(definitions)}." if definitions else "")


def _precision_facts(part: BriefPart) -> str:
    value = part.value
    if value is None:
        return f"{counted(part.pooled.n, 'patient')}; no limits."
    again = "reanalysed, " if part.reanalysed and part.pooled.headline is None else ""
    return f"{counted(value.n, 'patient')}; {again}{confidence_text(value)}."


def _asymmetry_facts(part: BriefPart) -> str:
    pooled = part.pooled
    if pooled.asymmetry is not None and not pooled.asymmetry.too_few:
        return f"{pooled.asymmetry.method}: {p_text(pooled.asymmetry.p_value)}."
    if len(pooled.studies) < FEW_STUDIES:
        return f"{len(pooled.studies)} of the {FEW_STUDIES} studies that a test needs."
    return f"Not tested: {pooled.not_tested.rstrip('.')}."


def _change(brief: EvidenceBrief, judgement: CertaintyJudgement | None) -> Iterable[str]:
    for part in brief.parts:
        if part.turning:
            yield f"{_label(part)}: without {listed(list(part.turning))} the interval would say something else."
        if part.pooled.headline is None and part.value is not None:
            yield f"{_label(part)}: it rests on one study; a second one may change it."
    if brief.reanalysis is not None:
        yield reanalysis_sentences(brief.reanalysis)[2]
    if judgement is not None and judgement.what_would_change:
        yield f"As judged: {judgement.what_would_change.rstrip('.')}."


def _own_cautions(brief: EvidenceBrief) -> Iterable[str]:
    chosen = {arm.short_citation for part in brief.parts for arm in _not_by_chance(part)}
    if chosen:
        yield (
            f"In {listed(sorted(chosen))} patients were not allocated by chance: what was found there is an association."
        )
    local: LocalBrief | None = brief.local
    if local is not None and not local.randomised:
        yield "Results from observational records show association; they do not prove that a placement causes a difference."
    yield "Nothing here is a recommendation."
