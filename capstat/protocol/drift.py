"""Fit of threshold drift within patients to repeated checks, each interval-censored."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from capstat.numerics.maximise import NoMaximumError, profile_limit
from capstat.protocol.drift_fit import (
    BETWEEN,
    CHANGE,
    LARGEST_SD,
    MEDIAN,
    REVERSION,
    SMALLEST_BETWEEN,
    SMALLEST_SD,
    DriftFit,
)
from capstat.protocol.drift_law import REFERENCE_MINUTES, DriftModel
from capstat.protocol.drift_likelihood import DriftLikelihood, Maximum, maximise, second_derivatives
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.protocol.repeated_checks import RepeatedChecks

__all__ = ["fit_drift"]

FEWEST_PATIENTS = 5
# reversion, times the longest elapsed time and times the usual time between checks: slower is a random walk to the
# eye, faster leaves checks unrelated but for the patient's mean
SLOWEST, FASTEST = 1e-2, 5.0
# the longest elapsed time must be this many times the shortest before reversion can be told from a walk
DIFFERENT_TIMES = 1.5
# a standard error of a log parameter beyond this says that it was not seen, within a factor of 50
UNDETERMINED = 2.0
# log-likelihoods closer than this are the same
SETTLED = 1e-3
# a parameter is held at the end of its range where that costs no more log-likelihood than this
NEARLY = 0.1
HOPELESS = 25.0
NO_LIMIT = "The checks put no upper limit on the drift; too many are open above or below."


def _start(checks: RepeatedChecks) -> NDArray[np.float64]:
    """Starting values from the middles of the cells."""
    low = np.where(checks.lower_ma > 0, checks.lower_ma, checks.upper_ma * 0.8)
    high = np.where(np.isfinite(checks.upper_ma), checks.upper_ma, checks.lower_ma * 1.2)
    middle = (np.log(low) + np.log(high)) / 2
    first = middle[checks.position == 0]
    again = np.flatnonzero(checks.position > 0)
    rates = (middle[again] - middle[again - 1]) ** 2 / (checks.minutes[again] - checks.minutes[again - 1])
    change = np.sqrt(np.median(rates) * 2 * REFERENCE_MINUTES)
    return np.array([first.mean(), np.log(max(float(first.std()), 0.05)), np.log(max(float(change), 0.02))])


def _refuse_too_little(checks: RepeatedChecks) -> None:
    if checks.n_patients < FEWEST_PATIENTS:
        raise NotEstimableError(
            f"Drift within a patient needs at least {FEWEST_PATIENTS} patients with two timed checks of the same "
            f"placement; there are {checks.n_patients}."
        )
    if checks.lower_ma.max() < checks.upper_ma.min():
        raise NotEstimableError(
            "All checks of all patients allow one and the same threshold, for example because all lie in the same cell "
            "of currents; neither the spread of the thresholds nor their drift can be told from that."
        )


def _bounds(checks: RepeatedChecks, model: DriftModel) -> NDArray[np.float64]:
    sides = np.concatenate([checks.lower_ma[checks.lower_ma > 0], checks.upper_ma[np.isfinite(checks.upper_ma)]])
    rows = [
        (np.log(sides.min()) - 3, np.log(sides.max()) + 3),
        (np.log(SMALLEST_BETWEEN), np.log(LARGEST_SD)),
        (np.log(SMALLEST_SD), np.log(LARGEST_SD)),
    ]
    if model is DriftModel.MEAN_REVERTING:
        again = np.flatnonzero(checks.position > 0)
        gaps = checks.minutes[again] - checks.minutes[again - 1]
        rows.append((np.log(SLOWEST / checks.minutes.max()), np.log(FASTEST / np.median(gaps))))
    return np.array(rows)


def _refuse_runaway(found: Maximum, bounds: NDArray[np.float64]) -> None:
    if found.at_bound[MEDIAN] or bounds[BETWEEN, 1] - found.x[BETWEEN] < 1e-3:
        raise NotEstimableError(
            "The checks do not say where the patients' thresholds lie; too many are open above or below."
        )
    if bounds[CHANGE, 1] - found.x[CHANGE] < 1e-3:
        raise NotEstimableError(NO_LIMIT)


def _settled(
    likelihood: DriftLikelihood, found: Maximum, bounds: NDArray[np.float64], which: int, end: int, loss: float
) -> Maximum:
    """Hold a parameter at one end of its bounds where that fits as well."""
    held = np.arange(found.x.size) == which
    moved = np.where(held, bounds[:, end], found.x)
    # too far off for the other parameters to make up for it
    if likelihood.at(moved) < found.value - HOPELESS:
        return found
    there = maximise(likelihood, moved, bounds, held)
    if there.value < found.value - loss:
        return found
    return Maximum(there.x, there.value, there.at_bound | held)


def _upper_limit(likelihood: DriftLikelihood, found: Maximum, bounds: NDArray[np.float64], drop: float) -> float:
    held = np.arange(found.x.size) == CHANGE

    def profile(log_sd: float) -> float:
        return maximise(likelihood, np.where(held, log_sd, found.x), bounds, held).value

    try:
        limit = profile_limit(profile, found.value, float(found.x[CHANGE]), 0.5, drop, 1.0)
    except NoMaximumError as error:
        raise NotEstimableError("The upper limit of the drift could not be traced.") from error
    if not np.isfinite(limit):
        raise NotEstimableError(NO_LIMIT)
    return float(np.exp(limit))


def _walk(checks: RepeatedChecks, level: float) -> DriftFit:
    likelihood, bounds = DriftLikelihood.of(checks), _bounds(checks, DriftModel.RANDOM_WALK)
    found = maximise(likelihood, _start(checks), bounds)
    _refuse_runaway(found, bounds)
    drop = float(stats.chi2.ppf(level, 1)) / 2
    no_drift = _settled(likelihood, found, bounds, CHANGE, 0, drop) is not found
    found = _settled(likelihood, found, bounds, CHANGE, 0, SETTLED)
    found = _settled(likelihood, found, bounds, BETWEEN, 0, NEARLY)
    free = ~found.at_bound
    free[CHANGE] = not no_drift
    covariance = _covariance(likelihood, found.x, free, DriftModel.RANDOM_WALK)
    upper = _upper_limit(likelihood, found, bounds, drop) if no_drift else None
    notes = ("No drift at all is within the limits.",) if no_drift else ()
    return _described(DriftModel.RANDOM_WALK, checks, found, covariance, level, upper, notes)


def _reverting(checks: RepeatedChecks, level: float, walk: DriftFit) -> DriftFit:
    longest = checks.minutes[checks.position > 0]
    _, size = np.unique(checks.patient, return_counts=True)
    if size.max() == 2 and longest.max() < DIFFERENT_TIMES * longest.min():
        raise NotEstimableError(
            "Return to a patient's mean needs three checks of a patient, or elapsed times that differ; all are about "
            f"{np.median(longest):.0f} minutes."
        )
    if walk.no_drift:
        raise NotEstimableError("No drift is visible, so nothing says whether thresholds return to a patient's mean.")
    likelihood, bounds = DriftLikelihood.of(checks), _bounds(checks, DriftModel.MEAN_REVERTING)
    # the likelihood may have two maxima, a slow and a fast reversion; few points tell which is higher
    coarse = replace(likelihood, log2_points=6)
    starts = [np.append(walk.values, np.log(k / longest.max())) for k in (0.5, 10.0)]
    best = max((maximise(coarse, start, bounds) for start in starts), key=lambda one: one.value)
    found = maximise(likelihood, best.x, bounds)
    _refuse_runaway(found, bounds)
    found = _settled(likelihood, found, bounds, BETWEEN, 0, NEARLY)
    found = _settled(likelihood, found, bounds, REVERSION, 1, NEARLY)
    notes = []
    if found.x[REVERSION] - bounds[REVERSION, 0] < 1e-3:
        notes.append("No return to the patient's mean is seen: this is the random walk.")
    if found.at_bound[BETWEEN]:
        notes.append("No lasting difference between patients is seen besides their drift; it is held at 0.")
    if bounds[REVERSION, 1] - found.x[REVERSION] < 1e-3:
        notes.append(
            "Thresholds vary between checks as if each were new; the reversion is held at the fastest that the times "
            "could show, and losses between checks depend on it."
        )
    covariance = _covariance(likelihood, found.x, ~found.at_bound, DriftModel.MEAN_REVERTING)
    if covariance[REVERSION, REVERSION] > UNDETERMINED**2:
        raise NotEstimableError(
            "The checks do not tell whether thresholds return to a patient's mean: the reversion is uncertain by more "
            "than a factor of 50."
        )
    return _described(DriftModel.MEAN_REVERTING, checks, found, covariance, level, None, tuple(notes))


def _covariance(
    likelihood: DriftLikelihood, x: NDArray[np.float64], free: NDArray[np.bool_], model: DriftModel
) -> NDArray[np.float64]:
    curvature = -second_derivatives(likelihood, x, free)
    if np.linalg.eigvalsh(curvature)[0] <= 0:
        raise NotEstimableError(f"The checks do not determine the {model.value} model: its likelihood is flat.")
    covariance = np.zeros((x.size, x.size))
    covariance[np.ix_(free, free)] = np.linalg.inv(curvature)
    if max(covariance[BETWEEN, BETWEEN], covariance[CHANGE, CHANGE]) > UNDETERMINED**2:
        raise NotEstimableError(
            f"The checks do not determine the {model.value} model: the spread between patients or the drift is "
            "uncertain by more than a factor of 50."
        )
    return covariance


def _described(
    model: DriftModel, checks: RepeatedChecks, found: Maximum, covariance: NDArray[np.float64], level: float,
    upper: float | None, notes: tuple[str, ...],
) -> DriftFit:  # fmt: skip
    return DriftFit(
        model, found.x, covariance, found.value, 2 * found.x.size - 2 * found.value, upper is not None, upper, level,
        checks.n_patients, len(checks), notes,
    )  # fmt: skip


def fit_drift(checks: RepeatedChecks, model: DriftModel, level: float = 0.95) -> DriftFit:
    """Fit a model of drift by maximum likelihood.

    Log thresholds of different patients are independent, with normal means.  Random walk: the variance of change is
    proportional to the elapsed time.  Mean-reverting: stationary Ornstein-Uhlenbeck process about the patient's own
    mean.  There is no trend shared by all patients in either.  Every check contributes the probability of its cell,
    all checks of a patient together, so that the width of the cells is not taken for drift.

    Parameters
    ----------
    checks : RepeatedChecks
        Patients with at least two checks.
    model : DriftModel
        Which model.
    level : float
        Confidence level.

    Raises
    ------
    NotEstimableError
        With fewer than 5 patients, when all checks share a current, when thresholds are open-ended, and for the
        mean-reverting model when the elapsed times do not differ or the likelihood is flat.
    """
    _refuse_too_little(checks)
    walk = _walk(checks, level)
    return walk if model is DriftModel.RANDOM_WALK else _reverting(checks, level, walk)
