"""Laws of thresholds from estimates of capstat, with bootstrap draws of patients."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from capstat.distributions.parametric_bootstrap import bootstrap_parameters, bootstrap_selection
from capstat.numerics.small_sample import wald_multiplier
from capstat.protocol.threshold_law import ModelLaw, SelectedLaw, StepLaw
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.distributions import ParametricFit
    from capstat.distributions.bootstrap import BootstrapCurve
    from capstat.distributions.parametric_bootstrap import ParameterDraws
    from capstat.thresholds import CensoredThresholds

# two-sided 95 % quantile of the normal distribution
NORMAL = 1.959964

__all__ = ["law_of_best", "law_of_fit", "law_of_model", "law_without_model"]


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
    method = f"{fit.name} model; bootstrap of patients, {replicates} replicates, seed {seed}{lost}"
    return _model_law(fit, drawn, label, method)


def law_of_best(
    thresholds: CensoredThresholds, fits: Sequence[ParametricFit], label: str, *, replicates: int, seed: int
) -> SelectedLaw:
    """Law of the model with the lowest Akaike criterion, chosen anew in every resample of patients.

    Parameters
    ----------
    thresholds : CensoredThresholds
        What the models were fitted to.
    fits : sequence of ParametricFit
        Candidates, the one with the lowest criterion first.
    label : str
        Whose thresholds.
    replicates, seed : int
        Bootstrap size and seed.

    Raises
    ------
    NotEstimableError
        When more than one resample in twenty has no estimate.
    """
    found = bootstrap_selection(thresholds, fits, replicates=replicates, seed=seed)
    models, rows = [], []
    for k, (fit, (chosen, drawn)) in enumerate(zip(fits, found, strict=True)):
        first = k == 0
        if first or chosen.size:
            models.append(_model_law(fit, drawn, label, "", estimate=first))
            rows.append(np.append(0, chosen + 1) if first else chosen + 1)
    kept = replicates - found[0][1].lost
    lost = f", {found[0][1].lost} without an estimate left out" if found[0][1].lost else ""
    shares = ", ".join(
        f"{fit.name} in {100 * chosen.size / kept:.0f} %"
        for fit, (chosen, _) in zip(fits, found, strict=True)
        if chosen.size
    )
    method = (
        f"model with the lowest Akaike criterion, chosen anew in each of {replicates} resamples of patients "
        f"({shares}), seed {seed}{lost}"
    )
    return SelectedLaw(tuple(models), tuple(rows), fits[0].n_patients, label, method)


def _model_law(
    fit: ParametricFit, drawn: ParameterDraws, label: str, method: str, *, estimate: bool = True
) -> ModelLaw:
    """Law of one model; draws are spread as the limits of the normal model with few patients are."""
    model = fit.model
    location, ancillary = _spread(fit, fit.mu, drawn.location), _spread(fit, model.ancillary, drawn.ancillary)
    if estimate:
        location = np.append(fit.mu, location)
        ancillary = np.concatenate((model.ancillary[None], ancillary))
    share = np.append(fit.share_capturable, drawn.capturable) if estimate else drawn.capturable
    return ModelLaw(fit.family, location, ancillary, share, fit.n_patients, label, method)


def _spread(
    fit: ParametricFit, estimate: float | NDArray[np.float64], draws: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Move draws away from the estimate by the factor that a t interval is wider than a normal one."""
    reach = wald_multiplier(fit.model.n_captured, 1, 0.95)
    if not np.isfinite(reach):
        raise NotEstimableError("A single patient with a capture says nothing of how much thresholds differ.")
    return np.asarray(estimate + (draws - estimate) * reach / NORMAL)


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
