"""What hangs on a comparison of placements: confounding, for whom, missing covariates, and reading it as a decision."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.covariates import PLACEMENT
from capstat.placement import Assignment, first_attempt_of_each_patient
from capstat.placement.decision import Claim, Decision, decide
from capstat.placement.imputation import ImputedRatio, imputed_ratio
from capstat.placement.modifiers import SubgroupForest, subgroup_forest
from capstat.placement.observational import ObservationalAnalysis, observational_analysis
from capstat.placement.posterior import Posterior, posterior_probability
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.placement import PlacementComparison
    from capstat.thresholds import CensoredThresholds

__all__ = ["DEFAULT_MODIFIERS", "DecisionQuestion", "PlacementDetail", "detail_comparison"]

# looked at in every study that has them, fixed beforehand so that no subgroup is picked by its result
DEFAULT_MODIFIERS = ("body_mass_index", "sex", "arrest")
# a modifier is used when most attempts have it and its second value occurs this often
ENOUGH_RECORDED, FEWEST_OF_SECOND = 0.6, 10
REPLICATES = 300


@dataclass(frozen=True, slots=True)
class DecisionQuestion:
    """What a committee asks of the interval.

    Attributes
    ----------
    claim : Claim or None
        Claim for the first placement beside superiority, which is always read.
    margin : float or None
        Its margin, as a ratio of thresholds above 1.
    at_least_ma : float or None
        Posterior probability that the first placement needs at least so many mA less at the median.
    """

    claim: Claim | None = None
    margin: float | None = None
    at_least_ma: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class PlacementDetail:
    """Everything beside the comparison itself.

    Attributes
    ----------
    observational : ObservationalAnalysis or None
        Where different patients are compared and the placement was not decided by chance in all.
    forest : SubgroupForest or None
        Ratio by modifiers with tests of interaction, between patients.
    imputed : ImputedRatio or None
        The adjusted ratio with missing covariates imputed, and how far off they would have to be.
    decisions : tuple of Decision
        Superiority, and the claim that was asked for.
    posterior : Posterior or None
        Probability that was asked for.
    reasons : tuple of str
        Why parts are missing, in sentences.
    """

    observational: ObservationalAnalysis | None
    forest: SubgroupForest | None
    imputed: ImputedRatio | None
    decisions: tuple[Decision, ...]
    posterior: Posterior | None
    reasons: tuple[str, ...]


def _usable_modifiers(thresholds: CensoredThresholds, wanted: Sequence[str] | None) -> tuple[str, ...]:
    """Those asked for, else the default ones that were recorded often enough and vary."""
    if wanted is not None:
        return tuple(wanted)
    usable = []
    for name in DEFAULT_MODIFIERS:
        if name not in thresholds.covariates:
            continue
        known = thresholds.covariates[name].dropna()
        counts = known.value_counts()
        enough = len(known) >= ENOUGH_RECORDED * len(thresholds) and len(counts) > 1
        if enough and (len(counts) > 10 or int(counts.iloc[1]) >= FEWEST_OF_SECOND):
            usable.append(name)
    return tuple(usable)


def _currents(comparison: PlacementComparison) -> tuple[float, ...]:
    """Currents of the difference in share captured, the highest common one included."""
    told = [e.quantity.removeprefix("difference in share captured at ") for e in comparison.difference.at_currents]
    return tuple(float(words.removesuffix(" mA")) for words in told)


def _decisions(comparison: PlacementComparison, question: DecisionQuestion) -> tuple[Decision, ...]:
    if comparison.ratio.value is None:
        return ()
    within = comparison.paired_ratio
    # allocation says nothing of another grouping, and an order that never changed cannot be told from the placement
    randomised = (
        comparison.assignment is Assignment.RANDOMISED
        and comparison.by == PLACEMENT
        and not (within is not None and within.constant_order)
    )
    found = [decide(comparison.ratio, Claim.SUPERIORITY, randomised=randomised)]
    if question.claim is not None and question.claim is not Claim.SUPERIORITY:
        found.append(decide(comparison.ratio, question.claim, margin=question.margin, randomised=randomised))
    return tuple(found)


def detail_comparison(
    thresholds: CensoredThresholds,
    comparison: PlacementComparison,
    *,
    adjust_for: Sequence[str] | None,
    modifiers: Sequence[str] | None,
    question: DecisionQuestion,
    seed: int,
) -> PlacementDetail:
    """Work out what hangs on a comparison.

    Parameters
    ----------
    thresholds : CensoredThresholds
        The attempts that were given to :func:`capstat.placement.compare_placements`.
    comparison : PlacementComparison
        Its result.
    adjust_for : sequence of str or None
        Declared confounders as they were asked for; the default ones when ``None``.
    modifiers : sequence of str or None
        For whom the ratio may differ; those of ``DEFAULT_MODIFIERS`` that were recorded when ``None``.
    question : DecisionQuestion
        What the interval is read against.
    seed : int
        Of the bootstrap and the imputations.

    Raises
    ------
    UsageError
        When a modifier does not exist or is settled only with or after the placement, or a margin makes no sense.
    """
    level, reasons = comparison.ratio.level, []
    observational = forest = imputed = None
    between = comparison.unpaired_ratio
    if between is None:
        if modifiers:
            raise UsageError(
                "Most patients are compared with themselves, and modifiers are looked at between patients only; leave "
                "--modifiers out."
            )
        reasons.append("For whom the ratio may differ is looked at between patients only.")
    else:
        first, minus, names = comparison.first, comparison.minus, between.adjusted_for
        initial = first_attempt_of_each_patient(thresholds)
        used = initial.subset(np.isin(initial.placement, (first, minus)))
        if comparison.by == PLACEMENT and comparison.assignment is not Assignment.RANDOMISED:
            try:
                observational = observational_analysis(
                    used, first, minus, confounders=adjust_for, currents_ma=_currents(comparison), level=level,
                    replicates=REPLICATES, seed=seed,
                )  # fmt: skip
            except NotEstimableError as error:
                reasons.append(str(error))
        chosen = _usable_modifiers(used, modifiers)
        if chosen:
            try:
                forest = subgroup_forest(used, first, minus, chosen, adjust_for=names, level=level)
            except NotEstimableError as error:
                reasons.append(str(error))
        if names and between.n_complete < between.n_total:
            try:
                imputed = imputed_ratio(used, first, minus, adjust_for=names, level=level, seed=seed)
            except NotEstimableError as error:
                reasons.append(str(error))
    posterior = None
    if question.at_least_ma is not None:
        posterior = posterior_probability(comparison.difference_at_median, at_least=question.at_least_ma)
    return PlacementDetail(observational, forest, imputed, _decisions(comparison, question), posterior, tuple(reasons))
