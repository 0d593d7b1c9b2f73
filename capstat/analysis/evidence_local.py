"""The user's own study as one more study: the same quantities on the same scales."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import stats

from capstat.analysis.facts import ALL_PLACEMENTS
from capstat.analysis.threshold_detail import summarise_models
from capstat.placement import compare_placements, paired_by_design
from capstat.placement.order import first_attempt_of_each_patient, first_attempt_with_each_placement
from capstat.results import NotEstimableError
from capstat.synthesis.evidence_words import MECHANICAL_DEFINITIONS
from capstat.synthesis.study_effect import StudyEffect
from capstat.thresholds import Ending, derive_thresholds

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from capstat.analysis.study_analysis import AnalysisOptions
    from capstat.attempts import Study
    from capstat.placement import PlacementComparison
    from capstat.results import Estimate
    from capstat.synthesis.questions import EvidenceQuestion, Gathered
    from capstat.thresholds import CaptureDefinition, CensoredThresholds

__all__ = [
    "LOCAL",
    "LocalStudy",
    "describe_local",
    "local_capture",
    "local_effects",
    "local_ratio",
    "local_threshold",
    "local_words",
    "matching_definitions",
]

LOCAL: Final = "local"
"""Code and label of the user's own study."""

FEWEST_REPLICATES: Final = 100

_ELECTRICAL: Final = (
    "ecg-response", "share-of-beats", "sustained", "intracardiac", "as-claimed", "electrical-undescribed",
)  # fmt: skip
_READ_AFTERWARDS: Final = ("qrs-and-t",)


@dataclass(frozen=True, slots=True, eq=False)
class LocalStudy:
    """What the user's own study offers.

    Attributes
    ----------
    study : Study
        The records, for the reasons of the range checks.
    by_definition : tuple of (CaptureDefinition, CensoredThresholds)
        Thresholds under each definition of capture that was recorded, the leading one first.
    comparison : PlacementComparison or None
        Of the two placements, under the leading definition.
    compared : tuple of str
        The two placements.
    not_compared : str
        Why there is no comparison; empty when there is one.
    """

    study: Study
    by_definition: tuple[tuple[CaptureDefinition, CensoredThresholds], ...]
    comparison: PlacementComparison | None
    compared: tuple[str, str]
    not_compared: str = ""


def describe_local(
    study: Study,
    options: AnalysisOptions,
    definitions: Sequence[CaptureDefinition],
    comparison: PlacementComparison | None = None,
) -> LocalStudy:
    """Thresholds of a study under several definitions of capture, the leading one first.

    Parameters
    ----------
    study : Study
        Checked records.
    options : AnalysisOptions
        How ramps are read, and which placements are compared.
    definitions : sequence of CaptureDefinition
        Definitions of capture.
    comparison : PlacementComparison, optional
        Of the two placements under the leading definition, where it was worked out already.

    Raises
    ------
    NotEstimableError
        When no attempt was assessed under the leading definition.
    """
    found = [(capture, derive_thresholds(study, capture=capture, rule=options.rule)) for capture in definitions]
    if not found or len(found[0][1]) == 0:
        raise NotEstimableError("No attempt was assessed for capture, so that there is no local study to compare.")
    reason = ""
    if comparison is None:
        try:
            # the ratio needs no replicates; the curves that do are not shown here
            comparison = compare_placements(
                found[0][1], options.first, minus=options.minus, adjust_for=options.adjust_for, level=options.level,
                replicates=FEWEST_REPLICATES, seed=options.seed,
            )  # fmt: skip
        except NotEstimableError as error:
            reason = str(error)
    used = tuple((capture, thresholds) for capture, thresholds in found if len(thresholds))
    return LocalStudy(study, used, comparison, (options.first, options.minus), reason)


def matching_definitions(capture: CaptureDefinition) -> tuple[str, ...]:
    """Published definitions of the same kind as one of the study's own."""
    by_name = {
        "electrical": _ELECTRICAL,
        "mechanical": tuple(sorted(MECHANICAL_DEFINITIONS)),
        "adjudicated": _READ_AFTERWARDS,
    }
    # what was not described may be anything
    return (*by_name.get(capture.name, ()), "undescribed")


def _log_error(estimate: Estimate) -> tuple[float, float]:
    """Value and standard error on the log scale, read from the limits as if they were normal."""
    if estimate.value is None or estimate.lower is None or estimate.upper is None:
        raise NotEstimableError(f"the local {estimate.quantity} is not estimable: {estimate.reason or 'no limits'}")
    if not (estimate.lower > 0 and np.isfinite(estimate.upper)):
        raise NotEstimableError(f"the local {estimate.quantity} has an open limit")
    half = float(np.log(estimate.upper / estimate.lower)) / 2
    return float(np.log(estimate.value)), half / float(stats.norm.ppf(0.5 + estimate.level / 2))


def _degrees(captured: int) -> float | None:
    """Degrees of freedom as the limits of the package count them: captured patients less two parameters."""
    return float(captured - 2) if captured > 2 else None


def local_threshold(thresholds: CensoredThresholds, label: str, level: float) -> StudyEffect:
    """Median threshold under the model with the lowest AIC; ``thresholds`` holds one attempt of each patient.

    Raises
    ------
    NotEstimableError
        When no model has a median with limits.
    """
    finite = thresholds.upper_ma[np.isfinite(thresholds.upper_ma)]
    top = max(float(thresholds.lower_ma.max(initial=0.0)), float(finite.max(initial=0.0)))
    models = summarise_models(thresholds, top, (0.5,), level)
    if not models.currents:
        raise NotEstimableError("no model of the local thresholds could be fitted")
    value, se = _log_error(models.currents[0])
    return StudyEffect(
        arm=LOCAL, label=label, measure="threshold", value=value, se=se, n=models.currents[0].n, local=True,
        df=_degrees(finite.size),
        method=f"interval-censored thresholds, {models.currents[0].method}",
        assumptions=(
            "nobody is left out: patients who were not captured count as above the highest current tried",
        ),
    )  # fmt: skip


def local_capture(thresholds: CensoredThresholds, label: str) -> StudyEffect:
    """Share captured, as published counts are made; ``thresholds`` holds one attempt of each patient."""
    used = thresholds
    captured = np.isfinite(used.upper_ma)
    at_maximum = np.array([ending is Ending.MAXIMUM_REACHED for ending in used.ending], dtype=bool)
    early = int((~captured & ~at_maximum).sum())
    notes: tuple[str, ...] = ("an attempt that ended without capture counts as not captured, as in published counts",)
    if early:
        notes = (*notes, f"{early} of {len(used)} attempts ended without capture below the highest current")
    return StudyEffect(
        arm=LOCAL, label=label, measure="capture", n=len(used), events=int(captured.sum()), total=len(used), local=True,
        method="captured, of one attempt of each patient", assumptions=notes,
    )  # fmt: skip


def local_ratio(comparison: PlacementComparison) -> StudyEffect:
    """Ratio of thresholds of the local comparison of placements.

    Raises
    ------
    NotEstimableError
        When the ratio has no value or an open limit.
    """
    value, se = _log_error(comparison.ratio)
    return StudyEffect(
        arm=LOCAL, other=LOCAL, label=LOCAL, measure="ratio", value=value, se=se, n=comparison.ratio.n, local=True,
        # for the suppression of small groups
        total=comparison.n_first, other_total=comparison.n_minus,
        df=_degrees(
            comparison.n_both if comparison.paired else comparison.n_captured_first + comparison.n_captured_minus
        ),
        method=comparison.ratio.method, assumptions=comparison.ratio.notes,
    )  # fmt: skip


def _one_of_each_patient(
    thresholds: CensoredThresholds, placement: str, compared: tuple[str, str]
) -> CensoredThresholds:
    """One attempt of each patient: the first of all, or in a crossover the first with that placement."""
    if placement and paired_by_design(thresholds, *compared):
        return first_attempt_with_each_placement(thresholds).for_placement(placement)
    used = first_attempt_of_each_patient(thresholds)
    return used.for_placement(placement) if placement else used


def _matching(local: LocalStudy, question: EvidenceQuestion) -> tuple[CaptureDefinition, CensoredThresholds] | None:
    """The local definition of capture of the same kind as the question's; the leading one where it names none."""
    wanted = dict(question.where).get("capture_definition")
    for capture, thresholds in local.by_definition:
        if wanted is None or set(wanted) & set(matching_definitions(capture)):
            return capture, thresholds
    return None


def _same_way(effect: StudyEffect, own: tuple[str, str], compared: tuple[str, str] | None) -> StudyEffect | None:
    """The local ratio with the placements in the order of the published ones; ``None`` for other placements."""
    if compared in (None, own):
        return effect
    if compared != own[::-1]:
        return None
    return replace(
        effect, value=None if effect.value is None else -effect.value, total=effect.other_total,
        other_total=effect.total, assumptions=(*effect.assumptions, f"turned round: {compared[0]} to {compared[1]}"),
    )  # fmt: skip


def _alike(local: LocalStudy, question: EvidenceQuestion, thresholds: CensoredThresholds) -> CensoredThresholds | None:
    """The local attempts that may stand beside the studies of a question, or ``None``.

    Nothing stands beside children.  Attempts in cardiac arrest and others are told apart where that was recorded for
    any; those in which it was not are then in neither group.
    """
    chosen = dict(question.where)
    if chosen.get("age_group") == ("children",):
        return None
    urgency = chosen.get("urgency", ())
    recorded = "arrest" in thresholds.covariates and bool(thresholds.covariates["arrest"].notna().any())
    if not recorded or len(urgency) != 1 or urgency[0] == "mixed":
        return None if urgency == ("arrest",) else thresholds
    arrest = thresholds.covariates["arrest"]
    keep = (arrest.fillna(False) if urgency[0] == "arrest" else ~arrest.fillna(True)).to_numpy(dtype=bool)
    used = thresholds.subset(keep)
    return used if len(used) else None


def _arrest(question: EvidenceQuestion) -> bool:
    return dict(question.where).get("urgency") == ("arrest",)


def _beside_ratio(question: EvidenceQuestion) -> bool:
    """Whether the local comparison, of all its patients, may stand beside the studies of a question."""
    return dict(question.where).get("age_group") != ("children",) and not _arrest(question)


def local_words(local: LocalStudy) -> str:
    """Who the local patients are, as far as it was recorded: settings, and the share in cardiac arrest."""
    attempts = local.study.attempts
    settings = attempts["setting"].dropna().astype(str).value_counts()
    told = [f"{str(name).replace('-', ' ')} {100 * count / settings.sum():.0f} %" for name, count in settings.items()]
    arrest = attempts["arrest"].dropna()
    unknown = 1 - len(arrest) / len(attempts)
    told += [f"in cardiac arrest {100 * float(arrest.mean()):.0f} %"] if len(arrest) else ["arrest not recorded"]
    told += [f"not recorded for {100 * unknown:.0f} %"] if len(arrest) and unknown > 0 else []
    return ", ".join(told)


def local_effects(local: LocalStudy, gathered: Gathered, level: float) -> Iterator[tuple[StudyEffect, str]]:
    """What the local study says about a question, with the definition of capture; nothing where it cannot be had.

    For a single arm all placements come first, then each of the compared ones; or the one that the question names.  A
    ratio is turned as the published ones are, and nothing is said where those are of other placements.  Nor is anything
    said beside studies of children; beside those of cardiac arrest stand the local attempts in arrest.
    """
    question = gathered.question
    if question.measure == "ratio" and local.comparison is not None and _beside_ratio(question):
        try:
            ratio = _same_way(local_ratio(local.comparison), local.compared, gathered.compared)
            if ratio is not None:
                yield ratio, local.by_definition[0][0].name
        except NotEstimableError:
            return
    found = _matching(local, question)
    if found is None or question.measure not in ("threshold", "capture"):
        return
    capture, thresholds = found
    alike = _alike(local, question, thresholds)
    if alike is None:
        return
    split = "" if len(alike) == len(thresholds) else (", in arrest" if _arrest(question) else ", not in arrest")
    thresholds = alike
    named = dict(question.where).get("placement", ())
    for placement in named or ("", *(name for name in local.compared if name in thresholds.placements)):
        used = _one_of_each_patient(thresholds, placement, local.compared)
        label = f"{LOCAL}, {placement or ALL_PLACEMENTS}{split}"
        try:
            if len(used) and question.measure == "threshold":
                yield local_threshold(used, label, level), capture.name
            elif len(used):
                yield local_capture(used, label), capture.name
        except NotEstimableError:
            continue
