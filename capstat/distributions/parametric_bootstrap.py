"""Bootstrap of the parametric estimates: patients are drawn, not rows."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from capstat.distributions.likelihood import IntervalData, total_terms
from capstat.distributions.parametric import fit_parametric
from capstat.numerics.maximise import NoMaximumError, Optimum, maximise_newton
from capstat.numerics.resample import draw_cell_weights, unit_patterns
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from capstat.distributions.families import Family
    from capstat.distributions.parametric import ParametricFit
    from capstat.results import Estimate
    from capstat.thresholds import CensoredThresholds

__all__ = ["ParameterDraws", "bootstrap_capture_currents", "bootstrap_parameters", "bootstrap_selection"]

# share of resamples that may fail before limits from the rest would mislead
MOST_LOST = 0.05
# Newton steps after which a resample is taken to want no share never captured: it creeps to the boundary
MOST_STEPS = 40


@dataclass(frozen=True, slots=True, eq=False)
class ParameterDraws:
    """Parameters of one family in resamples of patients.

    Attributes
    ----------
    location : ndarray, shape (b,)
        Location of log current (mA).
    ancillary : ndarray, shape (b, k)
        Ancillary parameters.
    capturable : ndarray, shape (b,)
        Share that some current captures; 1 in a model without a share never captured.
    lost : int
        Resamples without a finite estimate, left out.
    """

    location: NDArray[np.float64]
    ancillary: NDArray[np.float64]
    capturable: NDArray[np.float64]
    lost: int


def _resamples(thresholds: CensoredThresholds, replicates: int, seed: int) -> Iterator[IntervalData]:
    """Distinct intervals of every resample of patients, with their weights."""
    cells = thresholds.cells()
    patterns = unit_patterns(thresholds.patient, cells.index, thresholds.weight, cells.count.size)
    for weights in draw_cell_weights(patterns, replicates, np.random.default_rng(seed)):
        present = weights > 0
        ones = np.ones((int(present.sum()), 1))
        yield IntervalData(cells.lower_ma[present], cells.upper_ma[present], ones, weights[present])


def _checked_lost(lost: int, replicates: int, family: Family) -> int:
    if lost > MOST_LOST * replicates:
        raise NotEstimableError(
            f"{lost} of {replicates} resamples of patients had no finite {family.name} estimate: the data are too few."
        )
    return lost


def bootstrap_parameters(
    thresholds: CensoredThresholds, fit: ParametricFit, *, replicates: int, seed: int
) -> ParameterDraws:
    """Refit a model to resamples of patients.

    Where the model has a share never captured and a resample's likelihood is largest without one, its estimate is the
    ordinary one.

    Parameters
    ----------
    thresholds : CensoredThresholds
        What the model was fitted to; a patient is drawn with all attempts.
    fit : ParametricFit
        The model.
    replicates, seed : int
        Bootstrap size and seed.

    Raises
    ------
    NotEstimableError
        When more than one resample in twenty has no finite estimate.
    """
    size = 1 + len(fit.family.ancillary_names)
    found, shares = [], []
    for data in _resamples(thresholds, replicates, seed):
        best = _refit(fit, data, size)
        if best is not None:
            found.append(best[:size])
            shares.append(float(special.expit(best[size])) if best.size > size else 1.0)
    lost = _checked_lost(replicates - len(found), replicates, fit.family)
    draws = np.array(found).reshape(-1, size)
    return ParameterDraws(draws[:, 0], draws[:, 1:], np.array(shares), lost)


def bootstrap_selection(
    thresholds: CensoredThresholds, fits: Sequence[ParametricFit], *, replicates: int, seed: int
) -> tuple[tuple[NDArray[np.intp], ParameterDraws], ...]:
    """Refit several models to resamples of patients and keep the one with the lowest Akaike criterion in each.

    So the draws carry the choice of the model, which a bootstrap of the chosen one takes for granted (Buckland,
    Burnham & Augustin 1997, from memory).

    Parameters
    ----------
    thresholds : CensoredThresholds
        What the models were fitted to; a patient is drawn with all attempts.
    fits : sequence of ParametricFit
        Candidates.
    replicates, seed : int
        Bootstrap size and seed.

    Returns
    -------
    tuple of (ndarray of int, ParameterDraws)
        For each candidate the resamples, among those kept, in which it was chosen, and its parameters there; ``lost``
        counts the resamples without any estimate.

    Raises
    ------
    NotEstimableError
        When more than one resample in twenty has no estimate by any candidate.
    """
    sizes = [1 + len(fit.family.ancillary_names) for fit in fits]
    chosen: list[tuple[list[int], list[NDArray[np.float64]]]] = [([], []) for _ in fits]
    kept = 0
    for data in _resamples(thresholds, replicates, seed):
        best, lowest = -1, np.inf
        where = np.zeros(0)
        for k, fit in enumerate(fits):
            found = _maximum(fit, data, sizes[k])
            if found is not None and 2 * found.x.size - 2 * found.value < lowest:
                best, lowest, where = k, 2 * found.x.size - 2 * found.value, found.x
        if best >= 0:
            chosen[best][0].append(kept)
            chosen[best][1].append(where)
            kept += 1
    lost = replicates - kept
    if lost > MOST_LOST * replicates:
        raise NotEstimableError(
            f"{lost} of {replicates} resamples of patients had no finite estimate by any model: the data are too few."
        )
    return tuple(
        (
            np.array(rows, dtype=np.intp),
            _draws(fit, np.array(points).reshape(-1, size + fit.never_captured), size, lost),
        )
        for fit, size, (rows, points) in zip(fits, sizes, chosen, strict=True)
    )


def _draws(fit: ParametricFit, points: NDArray[np.float64], size: int, lost: int) -> ParameterDraws:
    share = special.expit(points[:, size]) if fit.never_captured else np.ones(points.shape[0])
    return ParameterDraws(points[:, 0], points[:, 1:size], share, lost)


def _maximum(fit: ParametricFit, data: IntervalData, size: int) -> Optimum | None:
    """Maximum of one candidate in one resample; none where a share never captured creeps to its boundary."""
    start = fit.model.parameters
    with suppress(NoMaximumError):
        if not fit.never_captured:
            return maximise_newton(partial(total_terms, fit.family, data), start[:size])
        if np.isinf(data.upper_ma).any():
            mixture = replace(data, capturable=data.design)
            return maximise_newton(partial(total_terms, fit.family, mixture), start, max_iterations=MOST_STEPS)
    return None


def _refit(fit: ParametricFit, data: IntervalData, size: int) -> NDArray[np.float64] | None:
    """Parameters of one resample; without the share where the likelihood does not want one."""
    found = _maximum(fit, data, size)
    if found is None and fit.never_captured:
        with suppress(NoMaximumError):
            found = maximise_newton(partial(total_terms, fit.family, data), fit.model.parameters[:size])
    return None if found is None else found.x


def bootstrap_capture_currents(
    thresholds: CensoredThresholds,
    *,
    family: Family,
    fractions: Sequence[float],
    level: float = 0.95,
    replicates: int = 1000,
    seed: int,
) -> tuple[Estimate, ...]:
    """Capture currents under a family with percentile limits, resampling patients.

    The delta-method limits of :class:`ParametricFit` allow for several attempts in a patient by their sandwich
    covariance; this is the same question answered without that approximation.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts; a patient is drawn with all of them.
    family : Family
        Distribution of thresholds.
    fractions : sequence of float
        Shares of patients, strictly between 0 and 1.
    level, replicates, seed
        Confidence level, bootstrap size and seed.

    Raises
    ------
    NotEstimableError
        When the family cannot be fitted to the data, or to more than one resample in twenty.
    """
    fit = fit_parametric(thresholds, family=family)
    draws = []
    for data in _resamples(thresholds, replicates, seed):
        try:
            best = maximise_newton(partial(total_terms, family, data), fit.model.parameters)
        except NoMaximumError:
            continue
        draws.append(best.x)
    lost = _checked_lost(replicates - len(draws), replicates, family)
    notes = (f"{lost} of {replicates} resamples had no finite estimate and were left out",) if lost else ()
    tails = (0.5 - level / 2, 0.5 + level / 2)
    estimates = []
    for fraction in fractions:
        point = fit.capture_current(fraction, level)
        logs = [x[0] + family.quantile(fraction, x[1:])[0] for x in draws]
        low, high = np.exp(np.quantile(logs, tails))
        method = f"{family.name} distribution, interval-censored maximum likelihood; percentiles of a patient bootstrap"
        estimates.append(replace(point, lower=float(low), upper=float(high), method=method, notes=notes))
    return tuple(estimates)
