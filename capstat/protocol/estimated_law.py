"""Laws of thresholds from estimates of capstat, with bootstrap draws of patients."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from capstat.distributions.parametric_bootstrap import bootstrap_parameters
from capstat.protocol.threshold_law import ModelLaw, StepLaw

if TYPE_CHECKING:
    from capstat.distributions import ParametricFit
    from capstat.distributions.bootstrap import BootstrapCurve
    from capstat.thresholds import CensoredThresholds

__all__ = ["law_of_fit", "law_of_model", "law_without_model"]


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


def law_of_fit(fit: ParametricFit, label: str, *, draws: int, seed: int) -> ModelLaw:
    """Law of a fitted model, its parameters drawn from the normal law that its covariance describes.

    For fits that cannot be repeated on resamples quickly, such as those that allow for misjudged capture.
    """
    model = fit.model
    rng = np.random.default_rng(seed)
    drawn = rng.multivariate_normal(model.parameters, model.covariance, size=draws, method="eigh")
    rows = np.concatenate((model.parameters[None], drawn))
    size = 1 + len(fit.family.ancillary_names)
    share = special.expit(rows[:, size]) if fit.never_captured else np.ones(rows.shape[0])
    return ModelLaw(
        fit.family, rows[:, 0], rows[:, 1:size], share, fit.n_patients, label,
        f"{fit.name} model; draws from the covariance of its parameters, seed {seed}",
    )  # fmt: skip


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
