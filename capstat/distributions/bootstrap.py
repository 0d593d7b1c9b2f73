"""Bootstrap of the estimates: patients are drawn, not rows."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.likelihood import IntervalData, total_terms
from capstat.distributions.npmle import Support, innermost_intervals, maximise_on_support
from capstat.distributions.parametric import fit_parametric
from capstat.numerics.maximise import NoMaximumError, maximise_newton
from capstat.numerics.mixing import IntervalLikelihood, maximise_mixing
from capstat.numerics.resample import draw_cell_weights, unit_patterns
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.distributions.families import Family
    from capstat.results import Estimate
    from capstat.thresholds import CensoredThresholds

__all__ = ["BootstrapCurve", "bootstrap_capture_currents", "bootstrap_curves"]

# A replicate only feeds a variance: a log-likelihood per attempt short by less than this is invisible in it.
REPLICATE_GAP = 1e-7
# share of resamples that may fail before limits from the rest would mislead
MOST_LOST = 0.05


def _refit(support: Support, weights: NDArray[np.float64], mass: NDArray[np.float64]) -> NDArray[np.float64]:
    """NPMLE of one replicate on the support of the sample.

    A replicate may lack the cells that tell two neighbouring support intervals apart.  They are then one
    interval for it, and its mass is shared out as in the sample: the likelihood is the same for every split.
    """
    present = weights > 0
    first, last = support.first[present], support.last[present]
    k = mass.size
    starts_here = np.zeros(k + 1, dtype=bool)
    starts_here[first] = True
    starts_here[last + 1] = True
    starts_here[0] = True
    group = np.cumsum(starts_here[:k]) - 1
    n_groups = int(group[-1]) + 1
    grouped = np.bincount(group, weights=mass, minlength=n_groups)
    # a little mass everywhere, so that no row starts with likelihood zero
    start = np.asarray(0.99 * grouped + 0.01 / n_groups, dtype=np.float64)
    fit = maximise_mixing(
        IntervalLikelihood(group[first], group[last], n_groups),
        weights[present],
        start,
        gap_target=REPLICATE_GAP,
    )
    share = np.where(grouped[group] > 0, mass / np.where(grouped > 0, grouped, 1.0)[group], 0.0)
    leading = np.concatenate(([True], group[1:] != group[:-1]))
    share = np.where((grouped[group] == 0) & leading, 1.0, share)
    return np.asarray(fit.mass[group] * share)


@dataclass(frozen=True, slots=True, eq=False)
class BootstrapCurve:
    """The NPMLE of one group and its bootstrap replicates.

    Attributes
    ----------
    thresholds : CensoredThresholds
        The group.
    intervals : ndarray, shape (k, 2)
        Innermost intervals (lower, upper] in mA.
    mass : ndarray, shape (k,)
        The estimate.
    masses : ndarray, shape (replicates, k)
        The replicates.
    seed : int
        Seed of the draws.
    """

    thresholds: CensoredThresholds
    intervals: NDArray[np.float64]
    mass: NDArray[np.float64]
    masses: NDArray[np.float64]
    seed: int


def _replicate_masses(support: Support, mass: NDArray[np.float64], weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Refit every replicate; one without any attempt of the group (tiny groups only) repeats the estimate."""
    totals = weights.sum(axis=1)
    empty = totals <= 0
    if np.array_equal(support.first, support.last):
        assign = np.zeros((weights.shape[1], mass.size))
        assign[np.arange(weights.shape[1]), support.first] = 1.0
        masses = (weights @ assign) / np.where(empty, 1.0, totals)[:, None]
    else:
        masses = np.array(
            [mass if lost else _refit(support, row, mass) for row, lost in zip(weights, empty, strict=True)]
        )
    masses[empty] = mass
    return np.asarray(masses)


def bootstrap_curves(groups: Sequence[CensoredThresholds], *, replicates: int, seed: int) -> tuple[BootstrapCurve, ...]:
    """Resample patients and refit the NPMLE of every group.

    A patient with attempts in several groups is drawn with all of them, so replicates of the groups belong
    together; groups without common patients keep their own sizes.

    Parameters
    ----------
    groups : sequence of CensoredThresholds
        Subsets of the same thresholds (patient codes are compared).
    replicates, seed : int
        How many resamples, and their seed.

    Raises
    ------
    NotEstimableError
        When a group has no attempts.
    """
    rng = np.random.default_rng(seed)
    tables = [group.cells() for group in groups]
    offsets = np.concatenate(([0], np.cumsum([cells.count.size for cells in tables])))
    patients = [np.unique(group.patient) for group in groups]
    shared = sum(p.size for p in patients) > np.unique(np.concatenate(patients)).size
    if shared:
        patterns = unit_patterns(
            np.concatenate([group.patient for group in groups]),
            np.concatenate([cells.index + offset for cells, offset in zip(tables, offsets[:-1], strict=True)]),
            np.concatenate([group.weight for group in groups]),
            int(offsets[-1]),
        )
        joint = draw_cell_weights(patterns, replicates, rng)
        drawn = [joint[:, a:b] for a, b in itertools.pairwise(offsets)]
    else:
        drawn = [
            draw_cell_weights(
                unit_patterns(group.patient, cells.index, group.weight, cells.count.size), replicates, rng
            )
            for group, cells in zip(groups, tables, strict=True)
        ]
    curves = []
    for group, cells, weights in zip(groups, tables, drawn, strict=True):
        support = innermost_intervals(cells.lower_ma, cells.upper_ma)
        mass, _, _ = maximise_on_support(support, cells.count)
        intervals = np.column_stack((support.lower_ma, support.upper_ma))
        masses = _replicate_masses(support, mass, weights)
        curves.append(BootstrapCurve(group, intervals, mass, masses, seed))
    return tuple(curves)


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
    cells = thresholds.cells()
    patterns = unit_patterns(thresholds.patient, cells.index, thresholds.weight, cells.count.size)
    drawn = draw_cell_weights(patterns, replicates, np.random.default_rng(seed))
    start = np.array([fit.mu, np.log(fit.sigma)])
    centres = []
    for weights in drawn:
        present = weights > 0
        data = IntervalData(
            cells.lower_ma[present], cells.upper_ma[present], np.ones((int(present.sum()), 1)), weights[present]
        )
        try:
            best = maximise_newton(partial(total_terms, family, data), start)
        except NoMaximumError:
            continue
        centres.append(best.x)
    draws = np.array(centres)
    lost = replicates - len(draws)
    if lost > MOST_LOST * replicates:
        raise NotEstimableError(
            f"{lost} of {replicates} resamples of patients had no finite {family.name} estimate: the data are too few."
        )
    notes = (f"{lost} of {replicates} resamples had no finite estimate and were left out",) if lost else ()
    tails = (0.5 - level / 2, 0.5 + level / 2)
    estimates = []
    for fraction in fractions:
        point = fit.capture_current(fraction, level)
        e = float(family.quantile(np.asarray(fraction, dtype=float)))
        low, high = np.exp(np.quantile(draws[:, 0] + np.exp(draws[:, 1]) * e, tails))
        method = f"{family.name} distribution, interval-censored maximum likelihood; percentiles of a patient bootstrap"
        estimates.append(replace(point, lower=float(low), upper=float(high), method=method, notes=notes))
    return tuple(estimates)
