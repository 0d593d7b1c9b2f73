"""The joint law of two thresholds of one patient, out of a comparison within patients."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from capstat.placement.contrast_words import contrasted_names
from capstat.placement.pair_fit import LOG_SD, MOST_ALIKE, MOST_LOGIT, PairFit, PairModel, fit_pairs
from capstat.protocol.paired_law import PairedLaw
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from capstat.placement.paired_ratio import PairedRatio

__all__ = ["paired_law_of"]

# logit at which the search for a share that some current captures begins, as in the comparison
START_LOGIT = 2.0


def paired_law_of(ratio: PairedRatio, draws: int, seed: int) -> PairedLaw:
    """Take the model of two thresholds in one patient as a law with draws of its parameters.

    The model is that of the headline, or its variant with a share never captured where that has the lower AIC.  Draws
    are multivariate t about the estimate, with the inverse of the observed information, in the coefficients, log
    standard deviations, atanh of the correlation and logit of the capturable share: degrees of freedom and variance are
    corrected for few pairs as limits are (:mod:`capstat.numerics.small_sample`).  Where the order of the attempts is in
    the model, the law is that of an attempt half way between the first and the second.

    Parameters
    ----------
    ratio : PairedRatio
        Comparison within patients.
    draws : int
        Number of draws, at least 0; none are made, and a note says so, where there are too few pairs.
    seed : int
        Seed of the draws.

    Raises
    ------
    UsageError
        When the number of draws is negative.
    """
    if draws < 0:
        raise UsageError(f"The number of draws of the parameters (draws) is at least 0, not {draws}.")
    fit = _lowest_aic(ratio.fit)
    pairs, used = _informative_pairs(fit), len(fit.model.names) - 1
    rows = fit.parameters[None]
    if pairs > used:
        rng = np.random.default_rng(seed)
        normal = rng.multivariate_normal(np.zeros(fit.model.size), fit.covariance, size=draws, method="eigh")
        # t with pairs - used degrees of freedom times sqrt(pairs / (pairs - used))
        wider = np.sqrt(pairs / rng.chisquare(pairs - used, draws))
        rows = np.vstack((rows, fit.parameters + normal * wider[:, None]))
    p = len(fit.model.names)
    second = p + fit.model.separate
    # the covariates for the order are centred, so at average order they are 0
    log_means = np.column_stack((rows[:, 0] + rows[:, 1], rows[:, 0]))
    log_sds = np.exp(np.clip(rows[:, [p, second]], *LOG_SD))
    correlation = np.tanh(np.clip(rows[:, second + 1], -MOST_ALIKE, MOST_ALIKE))
    capturable = np.ones(len(rows))
    if fit.model.mixture:
        capturable = special.expit(np.clip(rows[:, -1], -MOST_LOGIT, MOST_LOGIT))
    return PairedLaw(
        contrasted_names(ratio.ratio), log_means, log_sds, correlation, capturable, _source(fit, ratio), ratio.ratio.n,
        _notes(fit, ratio, drawn=len(rows) > 1 or draws == 0),
    )  # fmt: skip


def _lowest_aic(fit: PairFit) -> PairFit:
    """The headline's model, or its variant with a share never captured."""
    records = fit.records
    if not np.isinf(records.log_upper).all(axis=1).any():
        return fit
    try:
        mixed = fit_pairs(records, PairModel(fit.model.names, mixture=True), np.append(fit.parameters, START_LOGIT))
    except NotEstimableError:
        return fit
    return mixed if mixed.aic < fit.aic else fit


def _informative_pairs(fit: PairFit) -> int:
    """Patients with both placements and at least one capture: they carry the spread within patients."""
    records = fit.records
    seen = np.isfinite(records.log_lower) | np.isfinite(records.log_upper)
    captured = np.isfinite(records.log_upper).any(axis=1)
    return round(float(records.count[seen.all(axis=1) & captured].sum()))


def _source(fit: PairFit, ratio: PairedRatio) -> str:
    never = ", a share captured with neither" if fit.model.mixture else ""
    return (
        f"comparison within {ratio.n_pairs} patients with both placements and {ratio.n_single} with one; lognormal, "
        f"the same spread with both placements{never}; draws of the parameters from the observed information"
    )


def _notes(fit: PairFit, ratio: PairedRatio, *, drawn: bool) -> tuple[str, ...]:
    notes = [fit.boundary] if fit.boundary else []
    if not drawn:
        notes.append("there are too few patients with both placements and a capture for draws of the parameters")
    if fit.at_bound:
        notes.append("a correlation or spread at its bound does not vary in the draws, so that limits are too narrow")
    if fit.model.mixture and not fit.optima.free[0, -1]:
        notes.append("the share captured with neither placement is at its bound and does not vary in the draws")
    if ratio.constant_order:
        notes.append("every patient had the placements in the same order, so order and placement cannot be told apart")
    return tuple(notes)
