"""Bootstrap of the parametric estimates: patients are drawn, not rows."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.likelihood import IntervalData, total_terms
from capstat.distributions.parametric import fit_parametric
from capstat.numerics.maximise import NoMaximumError, maximise_newton
from capstat.numerics.resample import draw_cell_weights, unit_patterns
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.distributions.families import Family
    from capstat.results import Estimate
    from capstat.thresholds import CensoredThresholds

__all__ = ["bootstrap_capture_currents"]

# share of resamples that may fail before limits from the rest would mislead
MOST_LOST = 0.05


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
    draws = []
    for weights in drawn:
        present = weights > 0
        data = IntervalData(
            cells.lower_ma[present], cells.upper_ma[present], np.ones((int(present.sum()), 1)), weights[present]
        )
        try:
            best = maximise_newton(partial(total_terms, family, data), fit.model.parameters)
        except NoMaximumError:
            continue
        draws.append(best.x)
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
        logs = [x[0] + family.quantile(fraction, x[1:])[0] for x in draws]
        low, high = np.exp(np.quantile(logs, tails))
        method = f"{family.name} distribution, interval-censored maximum likelihood; percentiles of a patient bootstrap"
        estimates.append(replace(point, lower=float(low), upper=float(high), method=method, notes=notes))
    return tuple(estimates)
