"""Bootstrap of the estimates: patients are drawn, not rows."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.npmle import Support, innermost_intervals, maximise_on_support
from capstat.numerics.mixing import IntervalLikelihood
from capstat.numerics.mixing_batch import maximise_mixing_batch, share_among_alike
from capstat.numerics.resample import draw_cell_weights, unit_patterns
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = ["BootstrapCurve", "bootstrap_curves", "replicate_masses"]


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


def replicate_masses(support: Support, mass: NDArray[np.float64], weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Refit every replicate; one without any attempt of the group (tiny groups only) repeats the estimate.

    A replicate may lack the cells that tell two neighbouring support intervals apart; what it gives them
    together is then shared out as in the sample.
    """
    drawn = weights.sum(axis=1) > 0
    masses = np.tile(mass, (drawn.size, 1))
    kept = weights[drawn]
    if np.array_equal(support.first, support.last):
        assign = np.zeros((kept.shape[1], mass.size))
        assign[np.arange(kept.shape[1]), support.first] = 1.0
        masses[drawn] = (kept @ assign) / kept.sum(axis=1)[:, None]
    elif kept.shape[0]:
        likelihood = IntervalLikelihood(support.first, support.last, mass.size)
        try:
            fit = maximise_mixing_batch(likelihood, kept, mass)
        except ArithmeticError as error:
            raise NotEstimableError(f"{error} The weights may differ too much.") from error
        masses[drawn] = share_among_alike(likelihood, kept, fit.mass, mass)
    return masses


def bootstrap_curves(groups: Sequence[CensoredThresholds], *, replicates: int, seed: int) -> tuple[BootstrapCurve, ...]:
    """Resample patients and refit the NPMLE of every group.

    A patient with attempts in several groups is drawn with all of them, so replicates of the groups belong
    together; groups without common patients keep their own sizes.  Every replicate ends with the certificate of
    the estimate itself (optimality gap at most 1e-8).

    The replicates describe the sampling error of the curve when currents lie on a fixed grid (a regular multinomial
    problem).  With currents chosen continuously the plain bootstrap is inconsistent for the curve at a
    point; see :func:`capstat.distributions.summary.summarise_capture`.

    Parameters
    ----------
    groups : sequence of CensoredThresholds
        Subsets of the same thresholds (patient codes are compared).
    replicates, seed : int
        How many resamples, and their seed.

    Raises
    ------
    NotEstimableError
        When a group has no attempts, or when weights differ too much for a certificate.
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
        masses = replicate_masses(support, mass, weights)
        curves.append(BootstrapCurve(group, intervals, mass, masses, seed))
    return tuple(curves)
