"""Capture thresholds corrected for misjudged capture, beside the thresholds as claimed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from capstat.capture.corrected_npmle import fit_misjudged, maximise_cells, threshold_cells
from capstat.capture.error_estimates import error_estimates
from capstat.capture.error_replicates import draw_added, prepare_replicates, refit_replicate
from capstat.capture.estimated_errors import ErrorModel, estimate_errors
from capstat.capture.judgement_errors import JudgementErrors
from capstat.capture.judgement_table import tabulate_ramps
from capstat.capture.settled import settled_thresholds
from capstat.distributions.bootstrap import BootstrapCurve
from capstat.distributions.summary import summarise_capture, summarise_fit
from capstat.numerics.resample import draw_cell_weights, unit_patterns
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.capture.estimated_errors import ErrorProfile, JointFit
    from capstat.capture.judged_ramps import JudgedRamps
    from capstat.capture.judgement_table import JudgementTable
    from capstat.distributions.npmle import NpmleFit
    from capstat.distributions.summary import CaptureSummary

__all__ = ["CorrectedCapture", "correct_thresholds"]

METHOD = (
    "nonparametric maximum likelihood of misjudged ramps; Wilson limits with the effective sample size of a patient "
    "bootstrap"
)
# replicates that may lack what the reference must tell before limits are withheld
MOST_LEFT_OUT = 0.2


@dataclass(frozen=True, slots=True, eq=False)
class CorrectedCapture:
    """Thresholds as claimed and corrected.

    Attributes
    ----------
    label : str
        The group.
    as_claimed, corrected : CaptureSummary
        Every judgement believed, and errors of judgement allowed for.
    errors : JudgementErrors
        Given or estimated.
    sensitivity : Estimate
        Of the judgement at the bedside; without limits where it was given.
    specificities : tuple of (float, Estimate)
        At tested currents (mA); one entry, for all currents, when it does not depend on the current.
    odds_ratio : Estimate or None
        Odds of a false "captured" per 10 mA, where it was estimated.
    shift : Estimate
        How much lower the mean threshold looks when every judgement is believed (corrected minus claimed), in mA.
    n_ramps, n_reviewed : int
        Ramps, and those that the reference judged at one setting or more.
    n_false_seen : int
        Judgements "captured" that the reference found wrong, in ramps up to their end.
    left_out : int
        Bootstrap replicates that gave no estimate of the errors.
    """

    label: str
    as_claimed: CaptureSummary
    corrected: CaptureSummary
    errors: JudgementErrors
    sensitivity: Estimate
    specificities: tuple[tuple[float, Estimate], ...]
    odds_ratio: Estimate | None
    shift: Estimate
    n_ramps: int
    n_reviewed: int
    n_false_seen: int
    left_out: int


@dataclass(frozen=True, slots=True, eq=False)
class _Replicates:
    """Bootstrap replicates: masses on the estimate's cells, error logits, and weights of the distinct ramps."""

    masses: NDArray[np.float64]
    logits: NDArray[np.float64]
    weights: NDArray[np.float64]
    left_out: int


def _given(model: ErrorModel) -> JudgementErrors:
    assert model.sensitivity is not None  # noqa: S101  # the caller asked model.fixed
    assert model.specificity is not None  # noqa: S101
    return JudgementErrors(model.sensitivity, model.specificity, model.odds_ratio_per_10_ma)


def _resample_given(
    matrix: NDArray[np.float64], mass: NDArray[np.float64], weights: NDArray[np.float64]
) -> NDArray[np.float64]:
    return np.array([maximise_cells(matrix, w, mass).mass for w in weights])


def _resample_joint(
    profile: ErrorProfile, fit: JointFit, weights: NDArray[np.float64], rng: np.random.Generator
) -> _Replicates:
    """Refit errors and masses together, leaving out replicates that give no estimate of the errors."""
    search = prepare_replicates(profile, fit)
    masses, logits, kept = [], [], []
    for w, added in zip(weights, draw_added(weights.shape[0], rng), strict=True):
        try:
            refit = refit_replicate(search, w, added)
        except NotEstimableError:
            continue
        masses.append(refit.mass)
        logits.append(refit.logits)
        kept.append(w)
    left_out = weights.shape[0] - len(kept)
    if left_out > MOST_LEFT_OUT * weights.shape[0]:
        raise NotEstimableError(
            f"The reference judged too few settings for limits: {left_out} of {weights.shape[0]} bootstrap samples "
            "gave no estimate of the errors."
        )
    return _Replicates(np.array(masses), np.array(logits), np.array(kept), left_out)


def _fit_and_replicates(
    table: JudgementTable, model: ErrorModel, weights: NDArray[np.float64], n_patients: int, seed: int
) -> tuple[NpmleFit, JudgementErrors, NDArray[np.float64], NDArray[np.float64], _Replicates]:
    """Estimate, errors, all cells with their masses, and replicates."""
    if model.fixed:
        errors = _given(model)
        likelihood = table.likelihood(errors)
        cells = threshold_cells(table, likelihood.matrix, drop_dominated=True)
        matrix = likelihood.matrix[:, cells.first]
        mass = maximise_cells(matrix, table.count).mass
        replicates = _Replicates(_resample_given(matrix, mass, weights), np.empty((0, 3)), weights, 0)
    else:
        profile, joint = estimate_errors(table, model)
        errors, cells, mass = joint.errors, joint.cells, joint.masses.mass
        replicates = _resample_joint(profile, joint, weights, np.random.default_rng([seed, 1]))
    return fit_misjudged(table, errors, n_patients), errors, cells.intervals, mass, replicates


def _shift(
    intervals: NDArray[np.float64], mass: NDArray[np.float64], replicates: _Replicates,
    claimed: tuple[NDArray[np.float64], NDArray[np.float64]], top_ma: float, level: float, n_patients: int,
) -> Estimate:  # fmt: skip
    """Corrected less claimed mean of min(threshold, highest current), every threshold at the upper end of its cell."""
    height = np.minimum(intervals[:, 1], top_ma)
    value = float(mass @ height) - claimed[0].item()
    drawn = replicates.masses @ height - claimed[1]
    error = float(drawn.std(ddof=1)) * np.sqrt(n_patients / max(n_patients - 1, 1))
    reach = float(stats.t.ppf(0.5 + level / 2, max(n_patients - 1, 1))) * error
    return Estimate(
        f"difference of mean thresholds up to {top_ma:g} mA", value, value - reach, value + reach, level, "mA",
        "identity", n_patients, METHOD, direction="corrected minus as claimed",
        notes=("every threshold counts as the upper end of its interval, in both",),
    )  # fmt: skip


def correct_thresholds(
    ramps: JudgedRamps,
    model: ErrorModel,
    *,
    label: str,
    fractions: Sequence[float] = (0.5, 0.9, 0.95),
    currents_ma: Sequence[float] = (),
    level: float = 0.95,
    replicates: int = 1000,
    seed: int,
) -> CorrectedCapture:
    """Estimate how capture thresholds are distributed when some judgements of capture were wrong.

    A ramp that stops at a false capture records a threshold that is too low; one in which capture was missed records
    one that is too high.  The likelihood of the whole sequence of judgements allows for both.  It takes judgements of
    one ramp to be independent given the threshold: an artefact that misleads the same crew at every setting of one
    patient is not in the model, and then too little is corrected.

    Parameters
    ----------
    ramps : JudgedRamps
        Ramps up to their first claimed capture.
    model : ErrorModel
        Which errors are given; the others are estimated from what the reference judged.
    label : str
        Name of the group.
    fractions, currents_ma : sequence of float
        Capture currents wanted, as shares, and currents (mA) at which the share captured is wanted.
    level : float
        Confidence level.
    replicates, seed : int
        Bootstrap resamples of patients, and their seed.  Errors that are estimated are estimated anew in each, so that
        the limits carry their uncertainty.

    Raises
    ------
    UsageError
        When the given errors leave nothing to be learned, or contradict the ramps.
    NotEstimableError
        When an error cannot be estimated, or too few settings were judged by the reference for limits.
    """
    table = tabulate_ramps(ramps)
    n_patients = ramps.n_patients
    reviewed = np.unique(ramps.patient[ramps.ramp[ramps.truth >= 0]]).size
    if not model.fixed and 0 < reviewed < 2:
        raise NotEstimableError("The reference judged settings of one patient only: no limits can be had from that.")
    patterns = unit_patterns(ramps.patient, table.index, np.ones(len(ramps)), table.allowed.shape[0])
    weights = draw_cell_weights(patterns, replicates, np.random.default_rng(seed))
    fit, errors, intervals, mass, drawn = _fit_and_replicates(table, model, weights, n_patients, seed)
    matrix = table.likelihood(errors).matrix
    settled = settled_thresholds(ramps, table, matrix)
    curve = BootstrapCurve(settled, intervals, mass, drawn.masses, seed)
    top = float(table.edges_ma[-1])
    as_claimed = ramps.as_claimed()
    # judgements that are never wrong put a claimed threshold at the claimed setting
    height = np.zeros(table.allowed.shape[0])
    height[table.index] = np.minimum(as_claimed.upper_ma, top)
    claimed = np.asarray(table.count @ height / table.count.sum()), drawn.weights @ height / drawn.weights.sum(axis=1)
    sensitivity, specificities, odds_ratio = error_estimates(ramps, table, model, errors, drawn.logits, level)
    return CorrectedCapture(
        label,
        summarise_capture(
            as_claimed, label=f"{label}, as claimed", fractions=fractions, currents_ma=currents_ma, level=level,
            replicates=replicates, seed=seed,
        ),
        summarise_fit(
            curve, fit, label=f"{label}, corrected", fractions=fractions, currents_ma=currents_ma, level=level,
            top_ma=top, method=METHOD,
        ),
        errors,
        sensitivity,
        specificities,
        odds_ratio,
        _shift(intervals, mass, drawn, claimed, top, level, n_patients),
        len(ramps),
        ramps.n_reviewed,
        int((ramps.claimed & (ramps.truth == 0)).sum()),
        drawn.left_out,
    )  # fmt: skip
