"""One function from a checked study to every result that a report shows."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from capstat.analysis.confirmation import ConfirmationAnalysis, analyse_confirmation
from capstat.analysis.confirmation_question import ConfirmationQuestion
from capstat.analysis.covariate_analysis import CovariateAnalysis, analyse_covariates
from capstat.analysis.evidence_analysis import EvidenceAnalysis, analyse_evidence
from capstat.analysis.evidence_local import describe_local
from capstat.analysis.evidence_question import LiteratureQuestion
from capstat.analysis.facts import ALL_PLACEMENTS, CensoringCounts, StudyFacts, count_censoring, study_facts
from capstat.analysis.outcome_analysis import OutcomeAnalysis, analyse_outcomes
from capstat.analysis.outcome_question import OutcomeQuestion
from capstat.analysis.placement_detail import DecisionQuestion, PlacementDetail, detail_comparison
from capstat.analysis.ramp_analysis import RampAnalysis, analyse_ramps
from capstat.analysis.ramp_question import RampQuestion
from capstat.analysis.threshold_detail import ModelSummary, ThresholdDetail, describe_thresholds, summarise_models
from capstat.distributions import CaptureSummary, summarise_capture
from capstat.placement import (
    ANTERIOR_LATERAL,
    ANTERIOR_POSTERIOR,
    PlacementComparison,
    compare_placements,
    first_attempt_of_each_patient,
    paired_by_design,
)
from capstat.results import NotEstimableError
from capstat.thresholds import (
    ADJUDICATED_CAPTURE,
    AS_RECORDED_CAPTURE,
    ELECTRICAL_CAPTURE,
    MECHANICAL_CAPTURE,
    NonMonotoneRule,
    derive_thresholds,
)

if TYPE_CHECKING:
    from capstat.attempts import Study
    from capstat.thresholds import CaptureDefinition, CensoredThresholds, Derivation

__all__ = [
    "ALL_PLACEMENTS",
    "AnalysisOptions",
    "CaptureAnalysis",
    "GroupAnalysis",
    "StudyAnalysis",
    "StudyFacts",
    "analyse_study",
    "capture_definitions_for",
]

# A definition of capture leads the report only if it covers at least this share of the attempts that the
# best-covered definition has.
LEADING_SHARE = 0.5
FEWEST_ATTEMPTS = 5


@dataclass(frozen=True, slots=True)
class AnalysisOptions:
    """Choices of an analysis; all are printed in the report.

    Attributes
    ----------
    capture : CaptureDefinition or None
        What counts as capture; every definition that was recorded, mechanical first, when ``None``.
    rule : NonMonotoneRule
        How ramps that contradict themselves are read.
    first, minus : str
        Placements to compare.
    fractions : tuple of float
        Capture currents wanted.
    currents_ma : tuple of float or None
        Currents at which shares are wanted; a round grid when ``None``.
    adjust_for : tuple of str or None
        Declared confounders of the comparison between patients; the default ones that were recorded when ``None``.
    covariates : tuple of str or None
        Covariates of the regression of thresholds; placement, body size, arrest, consciousness and pulse width where
        recorded when ``None``.
    modifiers : tuple of str or None
        For whom the comparison may differ; body mass index, sex and arrest where recorded when ``None``.
    question : DecisionQuestion
        What the interval of the comparison is read against.
    confirmation : ConfirmationQuestion
        Whose judgement of capture is questioned, and what it is held against.
    ramps : RampQuestion
        Ramp policies, and what is asked of them.
    literature : LiteratureQuestion
        What is asked of the published studies.
    outcomes : OutcomeQuestion
        What is asked of time to capture and outcome.
    level : float
        Confidence level.
    replicates, seed : int
        Bootstrap size and seed.
    """

    capture: CaptureDefinition | None = None
    rule: NonMonotoneRule = NonMonotoneRule.SUSTAINED
    first: str = ANTERIOR_POSTERIOR
    minus: str = ANTERIOR_LATERAL
    fractions: tuple[float, ...] = (0.5, 0.9, 0.95)
    currents_ma: tuple[float, ...] | None = None
    adjust_for: tuple[str, ...] | None = None
    covariates: tuple[str, ...] | None = None
    modifiers: tuple[str, ...] | None = None
    question: DecisionQuestion = field(default_factory=DecisionQuestion)
    confirmation: ConfirmationQuestion = field(default_factory=ConfirmationQuestion)
    ramps: RampQuestion = field(default_factory=RampQuestion)
    literature: LiteratureQuestion = field(default_factory=LiteratureQuestion)
    outcomes: OutcomeQuestion = field(default_factory=OutcomeQuestion)
    level: float = 0.95
    replicates: int = 1000
    seed: int = 1


@dataclass(frozen=True, slots=True, eq=False)
class GroupAnalysis:
    """One group of thresholds: nonparametric summary, and the models beside it.

    Attributes
    ----------
    counts : CensoringCounts
        What was seen.
    summary : CaptureSummary
        Nonparametric estimates.
    models : ModelSummary
        Families of distributions beside them.
    detail : ThresholdDetail or None
        Checks of the models and what hangs on them; only under the leading definition of capture.
    """

    counts: CensoringCounts
    summary: CaptureSummary
    models: ModelSummary
    detail: ThresholdDetail | None


@dataclass(frozen=True, slots=True, eq=False)
class CaptureAnalysis:
    """Everything under one definition of capture.

    Attributes
    ----------
    capture : CaptureDefinition
        The definition.
    derivation : Derivation or None
        How attempts became thresholds; ``None`` after suppression.
    selection : str
        Which attempts are analysed, in words.
    n_analysed : int
        Attempts analysed.
    groups : tuple of GroupAnalysis
        All placements together first (unless patients have several by design), then each placement.
    covariates : CovariateAnalysis or None
        What goes with a higher threshold.
    comparison : PlacementComparison or None
        Of the two placements.
    placement_detail : PlacementDetail or None
        What hangs on the comparison; only under the leading definition of capture.
    not_compared : str
        Why there is no comparison; empty when there is one.
    """

    capture: CaptureDefinition
    derivation: Derivation | None
    selection: str
    n_analysed: int
    groups: tuple[GroupAnalysis, ...]
    covariates: CovariateAnalysis | None
    comparison: PlacementComparison | None
    placement_detail: PlacementDetail | None
    not_compared: str


@dataclass(frozen=True, slots=True, eq=False)
class StudyAnalysis:
    """All results of a study.

    Attributes
    ----------
    facts : StudyFacts
        Plain counts.
    options : AnalysisOptions
        Choices made.
    captures : tuple of CaptureAnalysis
        One for each definition of capture, the leading one first; may be empty.
    confirmation : ConfirmationAnalysis or None
        Whether it was capture at all; ``None`` without steps.
    ramps : RampAnalysis or None
        What ramp policies would do; ``None`` where that was not asked, or without thresholds.
    evidence : EvidenceAnalysis or None
        The study beside the published ones; ``None`` where that was not asked, or without thresholds.
    outcomes : OutcomeAnalysis or None
        Time to capture and outcome; ``None`` where that was not asked, or a study records neither.
    not_followed : str
        Why times and outcomes that are recorded have no analysis; empty otherwise.
    fingerprint : str
        SHA-256 of the input.
    sources : tuple of str
        Names of the input files.
    """

    facts: StudyFacts
    options: AnalysisOptions
    captures: tuple[CaptureAnalysis, ...]
    confirmation: ConfirmationAnalysis | None
    ramps: RampAnalysis | None
    evidence: EvidenceAnalysis | None
    outcomes: OutcomeAnalysis | None
    not_followed: str
    fingerprint: str
    sources: tuple[str, ...]


def capture_definitions_for(study: Study) -> tuple[CaptureDefinition, ...]:
    """Definitions of capture that a study recorded, the leading one first.

    Mechanical capture leads where it was recorded for at least half as many attempts as the best-covered
    definition; what a file's summary columns mean is used only when they name no definition.
    """
    usable = {
        capture: len(derive_thresholds(study, capture=capture))
        for capture in (MECHANICAL_CAPTURE, ELECTRICAL_CAPTURE, ADJUDICATED_CAPTURE, AS_RECORDED_CAPTURE)
    }
    named = {capture: count for capture, count in usable.items() if capture is not AS_RECORDED_CAPTURE and count}
    if not named or max(named.values()) < LEADING_SHARE * usable[AS_RECORDED_CAPTURE]:
        return (AS_RECORDED_CAPTURE,)
    enough = LEADING_SHARE * max(named.values())
    leading = [capture for capture, count in named.items() if count >= enough]
    beside = [capture for capture, count in named.items() if capture not in leading and count >= FEWEST_ATTEMPTS]
    return (*leading, *beside)


def _group(
    thresholds: CensoredThresholds, summary: CaptureSummary, options: AnalysisOptions, *, leading: bool
) -> GroupAnalysis:
    models = summarise_models(thresholds, float(summary.curve.x[-1]), options.fractions, options.level)
    detail = None
    if leading:
        detail = describe_thresholds(thresholds, summary, models, options.fractions, options.level, options.seed)
    return GroupAnalysis(count_censoring(thresholds, summary.label), summary, models, detail)


def _round_currents(thresholds: CensoredThresholds) -> tuple[float, ...]:
    finite = thresholds.upper_ma[np.isfinite(thresholds.upper_ma)]
    top = max(float(thresholds.lower_ma.max()), float(finite.max(initial=0.0)))
    return tuple(float(c) for c in range(40, 201, 20) if c <= top)


def _analyse_capture(
    study: Study, capture: CaptureDefinition, options: AnalysisOptions, *, leading: bool
) -> CaptureAnalysis:
    thresholds = derive_thresholds(study, capture=capture, rule=options.rule)
    derivation = thresholds.derivation
    if derivation is None or len(thresholds) == 0:
        raise NotEstimableError(f"No attempt was assessed for {capture.name} capture.")
    paired = paired_by_design(thresholds, options.first, options.minus)
    used = thresholds if paired else first_attempt_of_each_patient(thresholds)
    everything = paired or len(used) == len(thresholds)
    selection = "those with a usable threshold" if everything else "the first attempt of each patient"
    currents = options.currents_ma or _round_currents(used)

    comparison, reason = None, ""
    try:
        comparison = compare_placements(
            thresholds, options.first, minus=options.minus, currents_ma=options.currents_ma,
            adjust_for=options.adjust_for, fractions=options.fractions, level=options.level,
            replicates=options.replicates, seed=options.seed,
        )  # fmt: skip
    except NotEstimableError as error:
        reason = str(error)
    detail = None
    if comparison is not None and leading:
        detail = detail_comparison(
            thresholds, comparison, adjust_for=options.adjust_for, modifiers=options.modifiers,
            question=options.question, seed=options.seed,
        )  # fmt: skip
    compared = {summary.label: summary for summary in comparison.summaries} if comparison else {}

    def summarise(part: CensoredThresholds, label: str) -> CaptureSummary:
        return compared.get(label) or summarise_capture(
            part, label=label, fractions=options.fractions, currents_ma=currents, level=options.level,
            replicates=options.replicates, seed=options.seed,
        )  # fmt: skip

    groups = []
    if not paired:
        groups.append(_group(used, summarise(used, ALL_PLACEMENTS), options, leading=leading))
    if len(used.placements) > 1 or paired:
        # the compared placements first, in the order of the comparison: figures and tables then agree
        compared_first = [name for name in (options.first, options.minus) if name in used.placements]
        for name in (*compared_first, *(other for other in used.placements if other not in compared_first)):
            part = used.for_placement(name)
            groups.append(_group(part, summarise(part, name), options, leading=leading))
    # in a crossover the placements are compared within patients, which is the next section's business
    covariates = None
    if not paired:
        covariates = analyse_covariates(used, (options.first, options.minus), options.level, options.covariates)
    return CaptureAnalysis(
        capture, derivation, selection, len(used), tuple(groups), covariates, comparison, detail, reason
    )


def analyse_study(
    study: Study,
    options: AnalysisOptions | None = None,
    *,
    confirmation: bool = True,
    ramps: bool = True,
    literature: bool = True,
    outcomes: bool = True,
) -> StudyAnalysis:
    """Estimate everything that a report shows.

    Parameters
    ----------
    study : Study
        Checked records.
    options : AnalysisOptions, optional
        Choices; the defaults when omitted.
    confirmation : bool
        Whether to ask as well if claimed captures were captures, which takes as long as all the rest.
    ramps : bool
        Whether to ask as well what ramp policies would do.
    literature : bool
        Whether to place the study beside the published ones.
    outcomes : bool
        Whether to ask as well for time to capture and outcome.

    Raises
    ------
    NotEstimableError
        When the requested kind of capture was assessed in no attempt.
    """
    options = options or AnalysisOptions()
    wanted = (options.capture,) if options.capture else capture_definitions_for(study)
    captures = tuple(_analyse_capture(study, capture, options, leading=i == 0) for i, capture in enumerate(wanted))
    confirmed = analyse_confirmation(study, options) if confirmation else None
    applied = None
    if ramps:
        corrected = None if confirmed is None else confirmed.corrected
        applied = analyse_ramps(study, options, options.ramps, wanted[0], corrected)
    beside = None
    if literature:
        local = describe_local(study, options, wanted, captures[0].comparison)
        beside = analyse_evidence(options.literature, local, level=options.level, seed=options.seed)
    followed, not_followed = None, ""
    if outcomes:
        try:
            pair = (options.first, options.minus)
            followed = analyse_outcomes(study, options, options.outcomes, wanted[0], pair=pair)
        except NotEstimableError as error:
            not_followed = str(error)
    return StudyAnalysis(
        study_facts(study), options, captures, confirmed, applied, beside, followed, not_followed, study.fingerprint,
        study.sources,
    )  # fmt: skip
