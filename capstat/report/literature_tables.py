"""Tables of the section on published studies."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pandas as pd

from capstat.report.literature_words import count_text, definition_words, file_name, question_title
from capstat.report.table import Table, estimates_frame, level_text, shown_estimate
from capstat.report.wording import interval_text, milliampere, p_text, percent
from capstat.results import Estimate
from capstat.synthesis.scales import SCALES

if TYPE_CHECKING:
    from collections.abc import Iterable

    from capstat.analysis import EvidenceAnalysis, EvidencePart, LocalBeside, Reanalysis
    from capstat.synthesis.pooled_record import PooledEvidence
    from capstat.synthesis.study_arm import EvidenceTable, StudyArm

__all__ = ["evidence_list_table", "literature_tables", "reanalysis_table", "tables_of_question"]


PRINTED_WORDS: Final = "Ratio of the printed means: {:.2f}, with {:g} mA for every patient who was not captured."

CONFLICT_WORDS: Final = (
    "Conflict of published and local: {} (chance of local data at least as far away, were the published studies right for "
    "this service)."
)


def _current_words(arm: StudyArm) -> str:
    """The currents of a record as they were reported."""
    words = []
    if arm.mean_ma is not None:
        words.append(f"mean {milliampere(arm.mean_ma)}" + (f" (SD {arm.sd_ma:g})" if arm.sd_ma is not None else ""))
    if arm.median_ma is not None:
        words.append(f"median {milliampere(arm.median_ma)}")
    if arm.q1_ma is not None and arm.q3_ma is not None:
        words.append(f"quartiles {milliampere(arm.q1_ma)} to {milliampere(arm.q3_ma)}")
    if arm.minimum_ma is not None and arm.maximum_ma is not None:
        words.append(f"range {milliampere(arm.minimum_ma)} to {milliampere(arm.maximum_ma)}")
    if not words:
        return ""
    kind = " applied, not a threshold" if arm.current_means == "applied" else ""
    return ", ".join(words) + " mA" + kind


def _non_capture_words(arm: StudyArm) -> str:
    if arm.imputed_as_ma is not None:
        return f"entered as {milliampere(arm.imputed_as_ma)} mA"
    return arm.non_capture.replace("-", " ")


def evidence_list_table(table: EvidenceTable) -> Table:
    """Every record, with its definition of capture and how it is known."""
    rows = tuple(
        (
            arm.arm,
            arm.short_citation,
            f"{arm.age_group}, {arm.urgency}, {arm.setting}",
            arm.placement,
            "" if arm.n is None else f"{arm.n}",
            "" if arm.n_captured is None else f"{arm.n_captured}",
            arm.capture_definition,
            _current_words(arm),
            _non_capture_words(arm),
            f"{arm.provenance}, {arm.seen_in}",
        )
        for arm in table
    )
    used = dict.fromkeys(arm.capture_definition for arm in table if arm.capture_definition)
    return Table(
        "published_studies", "Records of the evidence table",
        ("record", "study", "who, why, where", "placement", "n", "captured", "capture means", "currents",
         "not captured", "how known"),
        rows,
        pd.DataFrame([{"arm": arm.arm, "study": arm.study, "citation": arm.citation, "doi": arm.doi,
                       "pmid": arm.pmid, "population": arm.population, "capture_definition": arm.capture_definition,
                       "n": arm.n, "n_captured": arm.n_captured, "currents": _current_words(arm),
                       "not_captured": _non_capture_words(arm), "overlaps": " ".join(arm.overlaps),
                       "not_pooled": arm.not_pooled, "provenance": arm.provenance, "seen_in": arm.seen_in,
                       "derived": arm.derived, "notes": arm.notes} for arm in table]),
        (
            *(f"{name}: {definition_words(name)}." for name in used),
            "Records from memory hold no numbers.",
        ),
    )  # fmt: skip


def _weight(value: float | None) -> str:
    return "" if value is None else percent(value)


def _studies_table(part: EvidencePart, name: str) -> Table:
    pooled = part.pooled
    rows: list[tuple[str, ...]] = []
    listed: list[tuple[str, Estimate]] = []
    for study, arm in zip(pooled.studies, pooled.gathered.arms, strict=True):
        value, limits = shown_estimate(study.estimate)
        rows.append(
            (study.effect.label, arm.placement, arm.capture_definition or "not recorded", count_text(study.effect),
             value, limits, _weight(study.weight_random))
        )  # fmt: skip
        listed.append((study.effect.label, study.estimate))
    for one, estimate in part.same_people:
        value, limits = shown_estimate(estimate)
        rows.append((one.label, "", "the same people, not pooled", count_text(one), value, limits, ""))
        listed.append((one.label, estimate))
    for beside in part.local if pooled.studies else ():
        value, limits = shown_estimate(beside.estimate)
        rows.append(
            (beside.effect.label, "", f"{beside.capture} (own records)", count_text(beside.effect), value, limits, "")
        )
        listed.append((beside.effect.label, beside.estimate))
    told = [(study.effect.label, study.effect) for study in pooled.studies]
    pairs = [
        (label, f"{words[0].upper()}{words[1:].rstrip('.')}")
        for label, effect in told
        for words in (effect.method, *effect.assumptions)
    ]
    # each sentence once, with the studies that it is about
    about = {sentence: [label for label, same in pairs if same == sentence] for _, sentence in pairs}
    everybody = len(told)
    notes = [
        f"{sentence}." if len(labels) == everybody else f"{sentence} ({'; '.join(labels)})."
        for sentence, labels in about.items()
    ]
    return Table(
        name, question_title(pooled.question),
        ("study", "placement", "capture means", "n", "result", f"{100 * pooled.level:g} % CI", "weight, %"),
        tuple(rows), estimates_frame(listed),
        (*(f"{words[0].upper()}{words[1:].rstrip('.')}." for words in [pooled.not_pooled] if words), *notes),
    )  # fmt: skip


def _pooled_table(pooled: PooledEvidence, name: str) -> Table:
    """The pooled value by every estimator, the headline first."""
    estimates = [*([] if pooled.headline is None else [pooled.headline]), *pooled.others]
    return Table(
        f"{name}_pooled", f"Pooled: {question_title(pooled.question)}",
        ("what", "result", f"{100 * pooled.level:g} % CI", "method"),
        tuple((e.quantity, *shown_estimate(e), e.method) for e in estimates),
        estimates_frame([("pooled", e) for e in estimates]), tuple(_spread_notes(pooled)),
    )  # fmt: skip


def _spread_notes(pooled: PooledEvidence) -> Iterable[str]:
    if pooled.headline is None:
        return
    for estimate in pooled.heterogeneity:
        value, limits = shown_estimate(estimate)
        if estimate.value is not None and not limits.startswith("too few"):
            yield f"{estimate.quantity[0].upper()}{estimate.quantity[1:]}: {value} ({level_text(estimate)} {limits})."
    if pooled.heterogeneity_test:
        yield f"Test of differences between studies: {pooled.heterogeneity_test}, {p_text(pooled.heterogeneity_p)}."
    if pooled.prediction is not None:
        yield _prediction_words(pooled)
    if pooled.asymmetry is not None:
        few = " With fewer than ten studies such a test says next to nothing." if pooled.asymmetry.too_few else ""
        yield f"Small-study effects: {pooled.asymmetry.method}, {p_text(pooled.asymmetry.p_value)}.{few}"
    elif pooled.not_tested:
        yield f"Small-study effects are not tested: {pooled.not_tested.rstrip('.')}."


def _prediction_words(pooled: PooledEvidence) -> str:
    found = pooled.prediction
    if found is None or found.lower is None or found.upper is None:
        reason = "" if found is None else found.reason
        return f"No prediction for a further study: {reason.rstrip('.')}."
    scale = SCALES[pooled.question.measure]
    # limits that say nothing are told in words, as those of the pooled value
    expected = Estimate(
        scale.quantity, None, found.lower, found.upper, pooled.level, scale.unit, scale.name, pooled.n, found.method,
        direction="difference" if scale.null == 0 else "", reason="a range",
    )  # fmt: skip
    return f"True value of a further study like these ({100 * pooled.level:g} % prediction): {interval_text(expected)}."


def _left_out_table(pooled: PooledEvidence, name: str) -> Table:
    return Table(
        f"{name}_not_pooled", f"Records not pooled: {question_title(pooled.question)}",
        ("study", "record", "why"),
        tuple((e.label, e.arm, e.reason) for e in pooled.gathered.excluded),
        pd.DataFrame([{"arm": e.arm, "study": e.label, "reason": e.reason} for e in pooled.gathered.excluded]),
    )  # fmt: skip


def _robustness_table(pooled: PooledEvidence, name: str) -> Table:
    influence = {row.label: row for row in pooled.influence}
    rows, frame = [], []
    for left in pooled.leave_one_out:
        value, limits = shown_estimate(left.estimate)
        case = influence.get(left.label)
        shown = ("", "") if case is None else (f"{case.rstudent:.2f}", f"{case.cook_d:.2f}")
        rows.append((left.label, value, limits, *shown))
        frame.append(
            {"without": left.label, "value": left.estimate.value, "lower": left.estimate.lower,
             "upper": left.estimate.upper}
            | ({} if case is None else {"rstudent": case.rstudent, "cook_d": case.cook_d, "dffits": case.dffits,
                                        "cov_r": case.cov_r, "hat": case.hat})
        )  # fmt: skip
    notes: tuple[str, ...] = ()
    if influence:
        notes = (
            (
                "Residual: how far the study lies from the others, in standard errors. Cook's distance: how far the pooled "
                "value moves without it."
            ),
        )
    return Table(
        f"{name}_without_each", f"Without each study: {question_title(pooled.question)}",
        ("without", "pooled", f"{100 * pooled.level:g} % CI", "residual", "Cook's distance"),
        tuple(rows), pd.DataFrame(frame), notes,
    )  # fmt: skip


def _moderator_tables(part: EvidencePart, name: str) -> list[Table]:
    found = []
    for moderator in part.moderators:
        cells = [(label, f"{e.n}", *shown_estimate(e)) for label, e in moderator.rows]
        notes = (
            [f"{moderator.reason.rstrip('.')}."]
            if moderator.reason
            else [f"{moderator.test}, {p_text(moderator.p_value)}."]
        )
        found.append(
            Table(
                f"{name}_by_{moderator.column}",
                f"By {moderator.column}: {question_title(part.pooled.question)}",
                (moderator.column, "n", "pooled", f"{100 * part.pooled.level:g} % CI"),
                tuple(cells) or (("not worked out", "", "", ""),), estimates_frame(moderator.rows),
                (*notes, *moderator.notes),
            )
        )  # fmt: skip
    return found


def _update_table(part: EvidencePart, beside: LocalBeside, name: str) -> Table | None:
    update = beside.update
    if update is None:
        return None
    rows = [("published studies alone, for a further service", "", update.prior)]
    rows += [("local study", "0", beside.estimate)]
    rows += [("both", f"{weight:g}", estimate) for weight, estimate in update.by_weight if weight > 0]
    return Table(
        f"{name}_with_local", f"Local study with the published ones as a prior: {question_title(part.pooled.question)}",
        ("from", "weight of published", "result", "95 % interval" if part.pooled.level == 0.95 else "interval"),
        tuple((words, weight, *shown_estimate(e)) for words, weight, e in rows),
        estimates_frame([(f"{words}, weight {weight or 1}", e) for words, weight, e in rows]),
        (
            f"{beside.effect.label}. How much the published studies count is an assumption; every weight is shown.",
            CONFLICT_WORDS.format(p_text(update.conflict_p)),
            *(f"{note[0].upper()}{note[1:]}." for note in update.notes),
        ),
    )  # fmt: skip


def tables_of_question(part: EvidencePart, position: int) -> tuple[Table, ...]:
    """Tables of one question; those without rows are left away."""
    name = file_name(part.pooled.question, position)
    tables = [_studies_table(part, name), _pooled_table(part.pooled, name)]
    if part.pooled.gathered.excluded:
        tables.append(_left_out_table(part.pooled, name))
    if part.pooled.leave_one_out:
        tables.append(_robustness_table(part.pooled, name))
    tables += _moderator_tables(part, name)
    if part.local and part.pooled.studies:
        updated = _update_table(part, part.local[0], name)
        tables += [] if updated is None else [updated]
    return tuple(table for table in tables if table.rows)


def reanalysis_table(found: Reanalysis) -> Table:
    """The published crossover from its summary, under every assumption on what was not published."""
    crossover = found.crossover
    level = f"{100 * crossover.ratio.level:g} % interval"
    rows = tuple(
        (
            row.assumption or "as reconstructed",
            "" if row.probability is None else percent(row.probability),
            *shown_estimate(row.ratio),
            *shown_estimate(row.difference),
        )
        for row in crossover.rows
    )
    estimates = [
        (row.assumption or "as reconstructed", e) for row in crossover.rows for e in (row.ratio, row.difference)
    ]
    return Table(
        "literature_reanalysis",
        f"The 2022 crossover from its summary: ratio of capture thresholds, {crossover.ratio.direction}",
        ("assumption", "probability, %", "ratio", level, "difference", level), rows, estimates_frame(estimates),
        (
            PRINTED_WORDS.format(crossover.printed_ratio, crossover.imputed_as_ma),
            "Reconstructed thresholds are not patient data: they agree with the printed numbers, nothing more.",
            *(f"{note[0].upper()}{note[1:]}." for note in crossover.ratio.notes),
        ),
    )  # fmt: skip


def literature_tables(found: EvidenceAnalysis) -> tuple[Table, ...]:
    """Every table of the section but those of the range checks and of the reanalysis."""
    parts = [table for k, part in enumerate(found.parts, 1) for table in tables_of_question(part, k)]
    return (evidence_list_table(found.table), *parts)
