"""Laws of thresholds from estimates of capstat, with bootstrap draws of patients."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.parametric_bootstrap import bootstrap_parameters
from capstat.protocol.threshold_law import ModelLaw, StepLaw

if TYPE_CHECKING:
    from capstat.distributions import ParametricFit
    from capstat.distributions.bootstrap import BootstrapCurve
    from capstat.thresholds import CensoredThresholds

__all__ = ["law_of_model", "law_without_model"]


def law_of_model(
    thresholds: CensoredThresholds, fit: ParametricFit, label: str, *, replicates: int, seed: int
) -> ModelLaw:
    """Law of a fitted model, its parameters drawn by a bootstrap of patients.

    Parameters
    ----------
    thresholds : CensoredThresholds
        What the model was fitted to.
    fit : ParametricFit
        The model, with or without a share never captured.
    label : str
        Whose thresholds.
    replicates, seed : int
        Bootstrap size and seed.

    Raises
    ------
    NotEstimableError
        When more than one resample in twenty has no finite estimate.
    """
    drawn = bootstrap_parameters(thresholds, fit, replicates=replicates, seed=seed)
    lost = f", {drawn.lost} of {replicates} resamples without an estimate left out" if drawn.lost else ""
    return ModelLaw(
        fit.family,
        np.append(fit.mu, drawn.location),
        np.concatenate((fit.model.ancillary[None], drawn.ancillary)),
        np.append(fit.share_capturable, drawn.capturable),
        fit.n_patients,
        label,
        f"{fit.name} model; bootstrap of patients, {replicates} replicates, seed {seed}{lost}",
    )


def law_without_model(curve: BootstrapCurve, label: str) -> StepLaw:
    """Law of the nonparametric estimate and its bootstrap replicates."""
    carries = (curve.mass > 0) | (curve.masses > 0).any(axis=0)
    return StepLaw(
        curve.intervals[carries, 0],
        curve.intervals[carries, 1],
        np.concatenate((curve.mass[None], curve.masses))[:, carries],
        curve.thresholds.n_patients,
        label,
        f"without a model; bootstrap of patients, {curve.masses.shape[0]} replicates, seed {curve.seed}",
    )
