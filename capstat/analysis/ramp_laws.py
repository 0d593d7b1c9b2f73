"""The distributions of thresholds that policies are applied to: by group, and for two placements of one patient."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from capstat.analysis.paired_law_of import paired_law_of
from capstat.analysis.threshold_detail import model_families
from capstat.distributions import LOGNORMAL, compare_families
from capstat.distributions.bootstrap import bootstrap_curves
from capstat.placement import paired_by_design, paired_ratio
from capstat.protocol.estimated_law import law_of_model, law_without_model
from capstat.protocol.paired_law import MarginalLaw, PairedLaw
from capstat.protocol.threshold_law import ModelLaw
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.distributions import Family, ParametricFit
    from capstat.protocol.threshold_law import StepLaw
    from capstat.thresholds import CensoredThresholds

__all__ = ["GroupLaws", "PairLaws", "group_laws", "law_of_pair", "pair_laws"]


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
    model : ModelLaw
        Its law, with bootstrap draws.
    steps : StepLaw
        The estimate without a model.
    """

    label: str
    n_attempts: int
    n_patients: int
    model_name: str
    model: ModelLaw
    steps: StepLaw


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
        """Law with ``here`` first; with an assumed correlation where nothing was estimated; ``None`` without any.

        With an assumed correlation the share that no current captures is that of ``here`` with both placements.
        """
        law = self.estimated
        if law is None and self.marginals is not None:
            one, other = self.marginals
            if one.name != here:
                one, other = other, one
            law = PairedLaw.assumed(one, replace(other, capturable=one.capturable), correlation)
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


def _best(thresholds: CensoredThresholds, families: Sequence[Family]) -> ParametricFit:
    found = compare_families(thresholds, families).rows[0]
    if found.fit is None:
        raise NotEstimableError(found.reason)
    return found.fit


def group_laws(
    thresholds: CensoredThresholds, label: str, *, best: ParametricFit | None = None, draws: int, seed: int
) -> GroupLaws:
    """Law of one group: the model with the lowest Akaike criterion, and beside it the estimate without a model.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts of the group.
    label : str
        The group.
    best : ParametricFit, optional
        That model, where it is known already.
    draws, seed : int
        Bootstrap size and seed.

    Raises
    ------
    NotEstimableError
        When no model can be fitted, or too many resamples have no estimate.
    """
    fit = best or _best(thresholds, model_families(thresholds))
    # shown beside the model without limits: percentiles of a share that is 0 or 100 % collapse
    (curve,) = bootstrap_curves([thresholds], replicates=1, seed=seed)
    return GroupLaws(
        label,
        len(thresholds),
        thresholds.n_patients,
        fit.name,
        law_of_model(thresholds, fit, label, replicates=draws, seed=seed),
        law_without_model(curve, label).without_draws(),
    )


def _marginal(thresholds: CensoredThresholds, name: str, *, draws: int, seed: int) -> MarginalLaw:
    """Lognormal law of one placement, with a share never captured where that has the lower Akaike criterion."""
    law = law_of_model(thresholds, _best(thresholds, (LOGNORMAL,)), name, replicates=draws, seed=seed)
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
