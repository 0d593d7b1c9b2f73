"""The one-page brief for a committee, in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from capstat.report.literature_sentences import reanalysis_sentences
from capstat.report.literature_words import MEASURE_TITLES, definition_words
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
)
from capstat.synthesis.judgements_parts import DOMAIN_WORDS, DOMAINS

if TYPE_CHECKING:
    from collections.abc import Iterable

    from capstat.analysis import BriefPart, EvidenceBrief, LocalBrief
    from capstat.analysis.evidence_brief import Frequency
    from capstat.synthesis.judgements import CertaintyJudgement
    from capstat.synthesis.pooled_record import PooledEvidence

__all__ = ["BriefText", "brief_text", "brief_words"]

QUESTIONS: Final = {
    "ratio": "Does one pad placement capture the heart at a lower current than another?",
    "capture-ratio": "Does one pad placement capture more patients than another?",
    "difference": "Does one pad placement capture the heart at a lower current than another?",
    "threshold": "At what current is the heart captured?",
    "capture": "How many patients are captured?",
    "outcome": "Do patients who are paced do better than patients who are not?",
}

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
        The user's rating with its arithmetic, or that there is none.
    domains : tuple of (str, str, str)
        Domain, the user's rating with reason, and the facts that bear on it.
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
        _certainty(judgement),
        tuple(_domains(brief, judgement)),
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
        ("What would change this", text.change),
        ("Cautions", text.cautions),
    )


def _label(part: BriefPart) -> str:
    return f"{MEASURE_TITLES[part.pooled.question.measure]} ({part.pooled.question.conditions or 'all records'})"


def _studied(brief: EvidenceBrief) -> Iterable[str]:
    seen: set[str] = set()
    for part in brief.parts:
        arms = part.pooled.gathered.arms
        studies = dict.fromkeys(arm.study for arm in arms)
        if seen >= set(studies):
            continue
        seen |= set(studies)
        number = "1 published study" if len(studies) == 1 else f"{len(studies)} published studies"
        yield (
            f"{number} ({listed(list(part.designs))}), {counted(part.pooled.n, 'patient')}: "
            f"{'; '.join(part.populations)}."
        )
    if not brief.parts:
        yield "No published study in the evidence table answers this."
    if brief.local is not None:
        how = "allocated by chance" if brief.local.randomised else "not allocated by chance"
        yield f"Your own records: {counted(brief.local.n, 'patient')} in the comparison, placements {how}."


def _only(pooled: PooledEvidence) -> str:
    return next(study.effect.label for study in pooled.studies if study.estimate.value is not None)


def _found(brief: EvidenceBrief) -> Iterable[str]:
    for part in brief.parts:
        if part.value is None:
            yield f"{_label(part)}: {part.pooled.not_pooled.rstrip('.')}."
            continue
        how = "pooled" if part.pooled.headline is not None else _only(part.pooled)
        whom = f", {part.pooled.direction}" if part.pooled.direction else ""
        yield f"{_label(part)}: {estimate_text(part.value)}{whom}, {how}."
    if brief.reanalysis is not None:
        yield reanalysis_sentences(brief.reanalysis)[1]
    if brief.local is not None:
        yield (
            f"Your own records: ratio of capture thresholds, {brief.local.first} to {brief.local.minus}, "
            f"{estimate_text(brief.local.ratio)}"
            + ("." if brief.local.randomised else " (an association, not proof of an effect).")
        )


def _frequency(rows: tuple[Frequency, ...], where: str) -> str:
    told = []
    for row in rows:
        share = row.share
        limits = interval_text(share).removesuffix(" %")
        limits = limits if limits == NOT_BOUNDED else f"{100 * share.level:g} % CI {limits}"
        value = "unknown" if share.value is None else percent(share.value)
        told.append(f"{row.who}: {value} of 100 {row.event} ({limits})")
    return f"{where}: {'; '.join(told)}."


def _frequencies(brief: EvidenceBrief) -> Iterable[str]:
    for part in brief.parts:
        if part.frequencies:
            yield _frequency(part.frequencies, "Published studies")
    if brief.local is not None:
        yield _frequency(brief.local.frequencies, f"Your own records, at {brief.local.current_ma:g} mA")


def _certainty(judgement: CertaintyJudgement | None) -> str:
    if judgement is None:
        return NOT_JUDGED
    if judgement.certainty is None:
        return f"Certainty cannot be worked out. {judgement.reason}"
    by = f" Judged by: {judgement.judged_by}." if judgement.judged_by else ""
    return f"Certainty as judged: {judgement.certainty.upper()} ({'; '.join(judgement.steps)}).{by}"


def _domains(brief: EvidenceBrief, judgement: CertaintyJudgement | None) -> Iterable[tuple[str, str, str]]:
    rated = (
        {} if judgement is None else {j.domain: f"{j.rating} ({j.reason.rstrip('.')})" for j in judgement.judgements}
    )
    facts = {
        "risk-of-bias": _bias_facts(brief),
        "inconsistency": _each(brief, _difference_facts),
        "indirectness": _indirect_facts(brief),
        "imprecision": _each(brief, _precision_facts),
        "small-study-effects": _each(brief, _asymmetry_facts),
    }
    for domain in DOMAINS:
        yield DOMAIN_WORDS[domain], rated.get(domain, ""), facts.get(domain, "")


def _each(brief: EvidenceBrief, of: object) -> str:
    sentences = dict.fromkeys(of(part.pooled) for part in brief.parts)  # type: ignore[operator]
    return " ".join(filter(None, sentences))


def _bias_facts(brief: EvidenceBrief) -> str:
    arms = [arm for part in brief.parts for arm in part.pooled.gathered.arms]
    randomised = {arm.study for arm in arms if arm.design in ("randomised", "crossover")}
    studies = {arm.study for arm in arms}
    words = f"{len(randomised)} of {len(studies)} with allocation by chance or both placements in each patient."
    imputed = {arm.short_citation for arm in arms if arm.imputed_as_ma is not None}
    if imputed:
        words += f" A number stood for 'not captured' in {listed(sorted(imputed))}."
    if brief.reanalysis is not None:
        words += (
            " A number stood for 'not captured' in the published crossover; it is reanalysed here from its summary."
        )
    if brief.local is not None and not brief.local.randomised:
        words += " Your own placements were chosen, not allocated."
    return words if studies or brief.local else ""


def _difference_facts(pooled: PooledEvidence) -> str:
    if pooled.headline is None:
        return "One study: whether others would agree cannot be seen." if pooled.studies else ""
    if len(pooled.heterogeneity) > 1:
        i2 = pooled.heterogeneity[1]
        return f"I-squared {percent(i2.value or 0)} % ({interval_text(i2)})."
    return ""


def _indirect_facts(brief: EvidenceBrief) -> str:
    arms = [arm for part in brief.parts for arm in part.pooled.gathered.arms]
    if not arms:
        return ""
    settings = dict.fromkeys(f"{arm.urgency}, {arm.setting.replace('-', ' ')}" for arm in arms)
    definitions = dict.fromkeys(definition_words(arm.capture_definition) for arm in arms if arm.capture_definition)
    words = f"Studied: {'; '.join(settings)}."
    return words + (f" Capture meant: {'; '.join(definitions)}." if definitions else "")


def _precision_facts(pooled: PooledEvidence) -> str:
    if not pooled.studies:
        return ""
    told = [study.estimate for study in pooled.studies if study.estimate.value is not None]
    if pooled.headline is None and len(told) != 1:
        return f"{counted(pooled.n, 'patient')}; no limits."
    value = pooled.headline or told[0]
    return f"{counted(value.n, 'patient')}; {confidence_text(value)}."


def _asymmetry_facts(pooled: PooledEvidence) -> str:
    if pooled.asymmetry is not None and not pooled.asymmetry.too_few:
        return f"{pooled.asymmetry.method}: {p_text(pooled.asymmetry.p_value)}."
    if len(pooled.studies) < FEW_STUDIES:
        return f"{len(pooled.studies)} of the {FEW_STUDIES} studies that a test needs." if pooled.studies else ""
    return f"Not tested: {pooled.not_tested.rstrip('.')}."


def _change(brief: EvidenceBrief, judgement: CertaintyJudgement | None) -> Iterable[str]:
    for part in brief.parts:
        if part.turning:
            yield f"{_label(part)}: without {listed(list(part.turning))} the interval would say something else."
        if part.pooled.headline is None and part.pooled.studies:
            yield f"{_label(part)}: it rests on one study; a second one may change it."
    if brief.reanalysis is not None:
        yield reanalysis_sentences(brief.reanalysis)[2]
    if judgement is not None and judgement.what_would_change:
        yield f"As judged: {judgement.what_would_change.rstrip('.')}."


def _own_cautions(brief: EvidenceBrief) -> Iterable[str]:
    local: LocalBrief | None = brief.local
    if local is not None and not local.randomised:
        yield "Results from observational records show association; they do not prove that a placement causes a difference."
    yield "Nothing here is a recommendation."
