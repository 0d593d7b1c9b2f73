"""Which records answer which question, and why the others do not."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from capstat.results import NotEstimableError, UsageError
from capstat.synthesis.contrast_effects import difference_effect, ratio_effect
from capstat.synthesis.count_effects import capture_effect, capture_ratio_effect, outcome_effect
from capstat.synthesis.evidence_fields import EVIDENCE_FIELDS
from capstat.synthesis.threshold_effects import borrowed_log_sd, threshold_effect

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from capstat.synthesis.study_arm import EvidenceTable, StudyArm
    from capstat.synthesis.study_effect import Measure, StudyEffect
    from capstat.synthesis.threshold_effects import ThresholdSummary

__all__ = [
    "GROUPING",
    "EvidenceQuestion",
    "Excluded",
    "Gathered",
    "canonical_words",
    "gather",
    "questions_of",
    "records_of",
]

GROUPING: Final[dict[Measure, tuple[str, ...]]] = {
    "threshold": ("age_group", "urgency", "capture_definition"),
    "capture": ("age_group", "urgency", "capture_definition"),
    "ratio": ("age_group", "urgency", "capture_definition"),
    "difference": ("age_group", "urgency", "capture_definition"),
    "capture-ratio": ("age_group", "urgency", "capture_definition"),
    "outcome": ("age_group", "urgency", "outcome"),
}
"""Columns whose values are never mixed unless somebody asks for it."""

_TOGETHER: Final = {"age_group": {"adults": ("adults", "mixed"), "mixed": ("adults", "mixed")}}
"""Values that are not told apart: studies that do not give ages are nearly all of adults."""

_CHOSEN_BY: Final = frozenset(f.name for f in EVIDENCE_FIELDS if f.kind == "category") | {"outcome", "study", "arm"}


@dataclass(frozen=True, slots=True)
class EvidenceQuestion:
    """What is asked of the published studies.

    Attributes
    ----------
    measure : str
        What is measured.
    where : tuple of (str, tuple of str)
        Columns, and the values of them that count.
    """

    measure: Measure
    where: tuple[tuple[str, tuple[str, ...]], ...] = ()

    def __post_init__(self) -> None:
        """Refuse a column that holds no words to choose by, one named twice, and a word that it never holds."""
        names = [name for name, _ in self.where]
        for name, words in self.where:
            if name not in _CHOSEN_BY:
                raise UsageError(f"Records cannot be chosen by {name}; accepted are {', '.join(sorted(_CHOSEN_BY))}.")
            if names.count(name) > 1:
                raise UsageError(f"The column {name} is named more than once; give its words together, as {name}=A,B.")
            accepted = _words_of(name)
            unknown = [word for word in words if accepted and word and word not in accepted]
            if unknown:
                raise UsageError(f"The column {name} never holds '{unknown[0]}'; accepted are {', '.join(accepted)}.")

    @property
    def conditions(self) -> str:
        """The values of the columns in words, such as ``adults, elective``."""
        return ", ".join(
            "adults or not said" if values == ("adults", "mixed") else " or ".join(v or "not recorded" for v in values)
            for _, values in self.where
        )

    def takes(self, arm: StudyArm) -> bool:
        """Whether a record fits every condition."""
        return all(_text(arm, name) in values for name, values in self.where)


@dataclass(frozen=True, slots=True)
class Excluded:
    """A record that is not pooled.

    Attributes
    ----------
    arm, label : str
        Which one.
    reason : str
        Why, as one sentence.
    effect : StudyEffect or None
        What it says all the same, where it is left out only because others are of the same people.
    """

    arm: str
    label: str
    reason: str
    effect: StudyEffect | None = None


@dataclass(frozen=True, slots=True)
class Gathered:
    """What the records say about one question before they are pooled.

    Attributes
    ----------
    question : EvidenceQuestion
        The question.
    effects : tuple of StudyEffect
        One for each record that counts.
    excluded : tuple of Excluded
        Records with something to say that are not pooled.
    arms : tuple of StudyArm
        The records behind ``effects``, in the same order.
    compared : tuple of str or None
        The two placements, first against second, where two are compared and a record counts.
    """

    question: EvidenceQuestion
    effects: tuple[StudyEffect, ...]
    excluded: tuple[Excluded, ...]
    arms: tuple[StudyArm, ...]
    compared: tuple[str, str] | None = None

    @property
    def direction(self) -> str:
        """Who is compared with whom; empty for a measure of one arm."""
        if self.question.measure == "outcome":
            return "paced against not paced"
        return "" if self.compared is None else " against ".join(self.compared)

    @property
    def definitions(self) -> tuple[str, ...]:
        """Definitions of capture among the records that count."""
        return tuple(dict.fromkeys(arm.capture_definition or "undescribed" for arm in self.arms))


def _words_of(name: str) -> tuple[str, ...]:
    """Words that a column may hold; empty where it may hold any."""
    allowed = next((f.allowed for f in EVIDENCE_FIELDS if f.name == name), None)
    return () if allowed is None else allowed.values


def canonical_words(name: str, words: Iterable[str]) -> tuple[str, ...]:
    """The stored words of a column for spellings that are accepted in files, such as ``AP``; others as they are."""
    allowed = next((f.allowed for f in EVIDENCE_FIELDS if f.name == name), None)

    def stored(word: str) -> str:
        try:
            return word if allowed is None else allowed.match(word) or word
        except KeyError:
            return word

    return tuple(dict.fromkeys(map(stored, words)))


def _alike(name: str, value: str) -> tuple[str, ...]:
    return _TOGETHER.get(name, {}).get(value, (value,))


def _text(arm: StudyArm, name: str) -> str:
    value = getattr(arm, name)
    return ("yes" if value else "no") if isinstance(value, bool) else str(value)


def _speaks_of(arm: StudyArm, measure: Measure) -> bool:
    """Whether a record has any number that bears on a measure."""
    if measure == "threshold":
        return arm.mean_ma is not None or arm.median_ma is not None
    if measure == "capture":
        return arm.n_captured is not None
    if measure == "ratio":
        # a difference alone says why it gives no ratio
        return arm.ratio is not None or arm.difference_ma is not None
    if measure == "difference":
        return arm.difference_ma is not None
    if measure == "capture-ratio":
        return bool(arm.compared_with) and arm.n_captured is not None
    return bool(arm.compared_with) and arm.outcome_events is not None


def questions_of(
    table: EvidenceTable,
    measures: Iterable[Measure],
    *,
    where: Sequence[tuple[str, tuple[str, ...]]] = (),
    by: Sequence[str] | None = None,
) -> tuple[EvidenceQuestion, ...]:
    """Questions that the records can answer: one for each combination of values of the grouping columns.

    Parameters
    ----------
    table : EvidenceTable
        The records.
    measures : iterable of str
        What is wanted.
    where : sequence of (str, tuple of str)
        Columns and the values that count; a column named here no longer separates its values.
    by : sequence of str, optional
        Grouping columns in place of `GROUPING`.

    Raises
    ------
    UsageError
        For a column that holds no words to choose by.
    """
    named = {name for name, _ in where}
    found: list[EvidenceQuestion] = []
    for measure in measures:
        everything = EvidenceQuestion(measure, tuple(where))
        columns = [name for name in (GROUPING[measure] if by is None else by) if name not in named]
        groups: dict[tuple[tuple[str, ...], ...], None] = {}
        # a column by which nothing can be chosen is refused before its values are looked up
        EvidenceQuestion(measure, tuple((name, ()) for name in columns))
        for arm in table:
            if everything.takes(arm) and _speaks_of(arm, measure):
                groups[tuple(_alike(name, _text(arm, name)) for name in columns)] = None
        found += [EvidenceQuestion(measure, (*where, *zip(columns, values, strict=True))) for values in groups]
    return tuple(found)


def records_of(table: EvidenceTable, where: Sequence[tuple[str, tuple[str, ...]]]) -> EvidenceTable:
    """The records that fit conditions on their columns."""
    chosen = EvidenceQuestion("capture", tuple(where))
    return replace(table, arms=tuple(arm for arm in table if chosen.takes(arm)))


def _barred(arm: StudyArm, measure: Measure) -> str:
    """Why a record may not be pooled whatever it reports; empty when it may."""
    if arm.provenance == "memory":
        return "nothing of it was read, only remembered"
    if arm.design == "review":
        return "numbers pooled by a review, which hold the primary studies again"
    if arm.not_pooled:
        return arm.not_pooled
    if not arm.paced and measure in ("threshold", "capture"):
        return "a control that was not paced"
    return ""


def _other(table: EvidenceTable, arm: StudyArm) -> StudyArm:
    if not arm.compared_with:
        raise NotEstimableError("it names no arm that it was compared with")
    other = table.arm(arm.compared_with)
    reason = _barred(other, "outcome")
    if reason:
        raise NotEstimableError(f"the arm that it was compared with is not pooled: {reason}")
    return other


def _contrast(table: EvidenceTable, arm: StudyArm, measure: Measure) -> StudyEffect:
    other = _other(table, arm)
    if measure == "ratio":
        return ratio_effect(arm, other)
    if measure == "difference":
        return difference_effect(arm, other)
    if measure == "capture-ratio":
        return capture_ratio_effect(arm, other)
    return outcome_effect(arm, other)


def _thresholds(arms: Sequence[StudyArm], *, borrow: bool) -> dict[str, ThresholdSummary | NotEstimableError]:
    """Threshold of each record; where asked, a spread lent by the others to those that report none."""
    found: dict[str, ThresholdSummary | NotEstimableError] = {}
    for arm in arms:
        try:
            found[arm.arm] = threshold_effect(arm)
        except NotEstimableError as error:
            found[arm.arm] = error
    lenders = [summary for summary in found.values() if not isinstance(summary, NotEstimableError)]
    if borrow and lenders:
        lent = borrowed_log_sd(lenders)
        put_in = {arm.study for arm in arms if arm.imputed_as_ma is not None}
        for arm in arms:
            if isinstance(found[arm.arm], NotEstimableError) and arm.study in put_in:
                found[arm.arm] = NotEstimableError(
                    f"{found[arm.arm]} None is borrowed for it: a number stands for 'not captured' in another arm of "
                    "this study, whose reanalysis shows a wider spread."
                )
            elif isinstance(found[arm.arm], NotEstimableError):
                try:
                    found[arm.arm] = threshold_effect(arm, borrowed_log_sd=lent)
                except NotEstimableError as error:
                    found[arm.arm] = error
    return found


def gather(
    table: EvidenceTable,
    question: EvidenceQuestion,
    *,
    borrow_spread: bool = False,
    reanalysed: Mapping[str, StudyEffect] | None = None,
) -> Gathered:
    """Turn every record that bears on a question into an effect, or say why not.

    Of records that hold some of the same people, those of the arm that they are compared with included, only the one
    with the most patients counts, the first of them in the table where that is a tie.  Comparisons are turned so that
    all have the same arm first: that of the first record in the table, and for outcomes the one that was paced.

    Parameters
    ----------
    table : EvidenceTable
        The records.
    question : EvidenceQuestion
        What is asked.
    borrow_spread : bool
        Whether studies of thresholds that report no spread are given the pooled spread of the others (an assumption).
    reanalysed : mapping of str to StudyEffect, optional
        Effects worked out from a record's summary by other means, by the code of the record; they take the place of
        what the record itself would give.
    """
    other_means = {code: e for code, e in (reanalysed or {}).items() if e.measure == question.measure}
    fitting = [arm for arm in table if question.takes(arm) and _speaks_of(arm, question.measure)]
    excluded: dict[str, str] = {}
    for arm in fitting:
        reason = _barred(arm, question.measure)
        if reason:
            excluded[arm.arm] = reason
    allowed = [arm for arm in fitting if arm.arm not in excluded]
    found: dict[str, StudyEffect] = {}
    if question.measure == "threshold":
        for code, summary in _thresholds(allowed, borrow=borrow_spread).items():
            if isinstance(summary, NotEstimableError):
                excluded[code] = str(summary)
            else:
                found[code] = replace(summary.effect, df=summary.log_sd_degrees)
    else:
        for arm in allowed:
            if arm.arm in other_means:
                found[arm.arm] = other_means[arm.arm]
                continue
            try:
                found[arm.arm] = (
                    capture_effect(arm) if question.measure == "capture" else _contrast(table, arm, question.measure)
                )
            except NotEstimableError as error:
                excluded[arm.arm] = str(error)
    if question.measure == "outcome":
        _one_outcome(allowed, found, excluded)
    compared = _oriented(table, question.measure, found, excluded)
    kept = _without_overlap(table, [arm for arm in allowed if arm.arm in found], found, excluded)
    labels = _labels(fitting)
    labels |= {code: f"{labels[code]}, reanalysed" for code in other_means if code in labels}
    return Gathered(
        question,
        tuple(_with_origin(replace(found[arm.arm], label=labels[arm.arm]), arm) for arm in kept),
        tuple(
            Excluded(
                arm.arm,
                labels[arm.arm],
                excluded[arm.arm].removeprefix(f"{arm.arm}: "),
                replace(found[arm.arm], label=labels[arm.arm]) if arm.arm in found else None,
            )
            for arm in fitting
            if arm.arm in excluded
        ),
        tuple(table.arm(found[arm.arm].arm) for arm in kept),
        compared,
    )


def _with_origin(effect: StudyEffect, arm: StudyArm) -> StudyEffect:
    """What was worked out here and not printed is told with the effect."""
    if not arm.derived:
        return effect
    return replace(effect, assumptions=(*effect.assumptions, f"Worked out here, not printed: {arm.derived}"))


def _one_outcome(arms: Sequence[StudyArm], found: dict[str, StudyEffect], excluded: dict[str, str]) -> None:
    """Take out outcomes that are not the first one."""
    told = [arm for arm in arms if arm.arm in found]
    for arm in told[1:]:
        if arm.outcome.casefold() != told[0].outcome.casefold():
            del found[arm.arm]
            excluded[arm.arm] = f"another outcome ({arm.outcome}) than that of {told[0].arm} ({told[0].outcome})"


def _labels(arms: Sequence[StudyArm]) -> dict[str, str]:
    """A name for each record; more of its code is told where names would be the same."""
    names = [arm.short_citation for arm in arms]
    told = {
        arm.arm: name
        if names.count(name) == 1
        else f"{name}, {arm.arm.removeprefix(arm.study).strip('_-. ') or arm.arm}"
        for arm, name in zip(arms, names, strict=True)
    }
    shown = list(told.values())
    twice = {arm.arm: f"{arm.short_citation}, {arm.arm}" for arm in arms if shown.count(told[arm.arm]) > 1}
    return told | twice


def _turned(effect: StudyEffect) -> StudyEffect:
    """The same comparison with the other arm first."""
    return replace(
        effect,
        told=None,
        arm=effect.other,
        other=effect.arm,
        value=None if effect.value is None else -effect.value,
        events=effect.other_events,
        total=effect.other_total,
        other_events=effect.events,
        other_total=effect.total,
        assumptions=(*effect.assumptions, "It was reported the other way round and turned."),
    )


def _oriented(
    table: EvidenceTable, measure: Measure, found: dict[str, StudyEffect], excluded: dict[str, str]
) -> tuple[str, str] | None:
    """Turn comparisons so that all have the same arm first; others than of these two arms are left out."""
    wanted: tuple[str, str] | None = None
    for code, effect in list(found.items()):
        if not effect.other:
            continue
        first, second = table.arm(effect.arm), table.arm(effect.other)
        if measure == "outcome":
            if first.paced == second.paced:
                excluded[code] = f"{'both arms were' if first.paced else 'neither arm was'} paced"
                del found[code]
            elif not first.paced:
                found[code] = _turned(effect)
            continue
        pair = (first.placement, second.placement)
        wanted = pair if wanted is None else wanted
        if pair == wanted:
            continue
        if pair[::-1] == wanted:
            found[code] = _turned(effect)
            continue
        excluded[code] = f"it compares {' with '.join(pair)}, and the first record {' with '.join(wanted)}"
        del found[code]
    return wanted


def _without_overlap(
    table: EvidenceTable, arms: Sequence[StudyArm], effects: dict[str, StudyEffect], excluded: dict[str, str]
) -> list[StudyArm]:
    own = {arm.arm: {arm.arm, effects[arm.arm].arm, effects[arm.arm].other} - {""} for arm in arms}
    shared = {code: set().union(*(table.arm(one).overlaps for one in codes), codes) for code, codes in own.items()}
    kept: list[StudyArm] = []
    # sorting is stable: the first in the table wins a tie
    for arm in sorted(arms, key=lambda arm: -effects[arm.arm].n):
        twin = next((k for k in kept if own[arm.arm] & shared[k.arm] or own[k.arm] & shared[arm.arm]), None)
        if twin is None:
            kept.append(arm)
        else:
            excluded[arm.arm] = f"holds, or may hold, some of the same people as {twin.arm}"
    return [arm for arm in arms if arm in kept]
