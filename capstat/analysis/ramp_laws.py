"""The distributions of thresholds that policies are applied to: by group, and for two placements of one patient."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from capstat.analysis.paired_law_of import paired_law_of
from capstat.distributions import LOGLOGISTIC, LOGNORMAL, WEIBULL, compare_families
from capstat.distributions.bootstrap import bootstrap_curves
from capstat.placement import paired_by_design, paired_ratio
from capstat.protocol.estimated_law import law_of_best, law_of_model, law_without_model
from capstat.protocol.paired_law import MarginalLaw, PairedLaw
from capstat.protocol.threshold_law import ModelLaw
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.distributions import Family, ParametricFit
    from capstat.protocol.threshold_law import ContinuousLaw, StepLaw
    from capstat.thresholds import CensoredThresholds

__all__ = ["GroupLaws", "PairLaws", "group_laws", "law_of_pair", "pair_laws", "steps_of_group"]

# families that resamples of few patients have estimates of, quickly
CANDIDATES = (LOGNORMAL, WEIBULL, LOGLOGISTIC)


@dataclass(frozen=True, slots=True, eq=False)
class GroupLaws:
    """Thresholds of one group.

    Attributes
    ----------
    label : str
        The group.
    n_attempts, n_patients : int
        Attempts and patients.
    model_name : str
        The model with the lowest Akaike criterion.
    model : ModelLaw or SelectedLaw
        Its law, with bootstrap draws.
    """

    label: str
    n_attempts: int
    n_patients: int
    model_name: str
    model: ContinuousLaw


@dataclass(frozen=True, slots=True, eq=False)
class PairLaws:
    """Thresholds with two placements in one patient.

    Attributes
    ----------
    estimated : PairedLaw or None
        From patients with both placements; ``None`` where too few had both.
    marginals : tuple of MarginalLaw, or None
        Lognormal laws of two groups of patients where there is no estimate of both.
    reason : str
        Why there is neither; empty otherwise.
    """

    estimated: PairedLaw | None
    marginals: tuple[MarginalLaw, MarginalLaw] | None
    reason: str

    def between(self, here: str, there: str, correlation: float) -> PairedLaw | None:
        """Law with ``here`` first; with an assumed correlation where nothing was estimated; ``None`` without any."""
        law = self.estimated
        if law is None and self.marginals is not None:
            one, other = self.marginals
            if one.name != here:
                one, other = other, one
            law = PairedLaw.assumed(one, other, correlation)
        if law is None or {here, there} != set(law.names):
            return None
        return law if law.names[0] == here else law.swapped()


def law_of_pair(pair: PairedLaw) -> ModelLaw:
    """Law of the first placement of a pair, with the draws of the pair."""
    one = pair.marginal(0)
    return ModelLaw(
        LOGNORMAL, one.log_mean, np.log(one.log_sd)[:, None], one.capturable,
        pair.n_patients, one.name,
        f"lognormal thresholds with two placements: {pair.source}",
    )  # fmt: skip


def _candidates(thresholds: CensoredThresholds, families: Sequence[Family]) -> list[ParametricFit]:
    """Models that fit, the one with the lowest Akaike criterion first."""
    found = compare_families(thresholds, families).rows
    if found[0].fit is None:
        raise NotEstimableError(found[0].reason)
    return [row.fit for row in found if row.fit is not None]


def steps_of_group(thresholds: CensoredThresholds, label: str, *, seed: int) -> StepLaw:
    """The estimate without a model, alone: percentiles of a share that is 0 or 100 % collapse."""
    (curve,) = bootstrap_curves([thresholds], replicates=1, seed=seed)
    return law_without_model(curve, label).without_draws()


def group_laws(thresholds: CensoredThresholds, label: str, *, draws: int, seed: int) -> GroupLaws:
    """Law of one group: lognormal, Weibull or log-logistic, with or without a share never captured.

    The one with the lowest Akaike criterion is taken, and chosen anew in every draw.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts of the group.
    label : str
        The group.
    draws, seed : int
        Bootstrap size and seed.

    Raises
    ------
    NotEstimableError
        When no model can be fitted, or too many resamples have no estimate.
    """
    fits = _candidates(thresholds, CANDIDATES)
    law = law_of_best(thresholds, fits, label, replicates=draws, seed=seed)
    return GroupLaws(label, len(thresholds), thresholds.n_patients, fits[0].name, law)


def _marginal(thresholds: CensoredThresholds, name: str, *, draws: int, seed: int) -> MarginalLaw:
    """Lognormal law of one placement, with a share never captured where that has the lower Akaike criterion."""
    law = law_of_model(thresholds, _candidates(thresholds, (LOGNORMAL,))[0], name, replicates=draws, seed=seed)
    return MarginalLaw(name, law.location, np.exp(law.ancillary[:, 0]), law.capturable, thresholds.n_patients)


def _first(law: MarginalLaw, rows: int) -> MarginalLaw:
    return replace(law, log_mean=law.log_mean[:rows], log_sd=law.log_sd[:rows], capturable=law.capturable[:rows])


def pair_laws(
    thresholds: CensoredThresholds, used: CensoredThresholds, first: str, minus: str, *, draws: int, seed: int
) -> PairLaws:
    """Joint law of two placements: from pairs where most patients have both, else two laws without a correlation.

    Parameters
    ----------
    thresholds, used : CensoredThresholds
        All attempts, and those that groups are described by.
    first, minus : str
        The placements.
    draws, seed : int
        Draws of the parameters, and their seed.
    """
    try:
        if paired_by_design(thresholds, first, minus):
            return PairLaws(paired_law_of(paired_ratio(thresholds, first, minus), draws, seed), None, "")
        missing = [name for name in (first, minus) if name not in used.placements]
        if missing:
            return PairLaws(None, None, f"there is no attempt with {' and none with '.join(missing)}")
        one, other = (_marginal(used.for_placement(name), name, draws=draws, seed=seed) for name in (first, minus))
    except NotEstimableError as error:
        return PairLaws(None, None, str(error))
    # a resample without an estimate is left out of one law only
    kept = min(one.log_mean.size, other.log_mean.size)
    return PairLaws(None, (_first(one, kept), _first(other, kept)), "")
