"""From a reported study to chains: rows, cells, conditions and possible counts."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from capstat.synthesis.reconstruction_cells import ramp_cells, ramp_settings
from capstat.synthesis.reconstruction_chain import run_chains
from capstat.synthesis.reconstruction_normal import FLAT_CORRELATION, ONE_COLUMN
from capstat.synthesis.reconstruction_printed import PrintedArm, PrintedCrossover, rounding
from capstat.synthesis.reconstruction_start import Arrangement, find_start
from capstat.synthesis.reconstruction_state import Setting

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.synthesis.reconstruction_chain import ChainDraws
    from capstat.synthesis.reconstruction_normal import Prior
    from capstat.synthesis.reported import ReportedArm
    from capstat.synthesis.reported_crossover import ReportedCounts, ReportedCrossover

__all__ = ["FOR_ONE_GROUP", "STANDARD", "Assumptions", "Effort", "draw_arm", "draw_crossover"]


@dataclass(frozen=True, slots=True)
class Effort:
    """How long to sample.

    Attributes
    ----------
    chains, warm_up, draws : int
        Parallel chains, draws of each thrown away at first, and kept.
    """

    chains: int = 128
    warm_up: int = 100
    draws: int = 200


STANDARD = Effort()
# one column settles sooner
FOR_ONE_GROUP = Effort(chains=64, warm_up=60, draws=120)


@dataclass(frozen=True, slots=True)
class Assumptions:
    """What was not published and has to be assumed.

    Attributes
    ----------
    log_scale : bool
        Thresholds lognormal, else normal in mA.
    prior : Prior
        Of the covariance of the two placements.
    with_neither, with_one_way : bool
        Whether patients captured in neither placement (paced in one alone) belong to the same law.
    """

    log_scale: bool = True
    prior: Prior = FLAT_CORRELATION
    with_neither: bool = True
    with_one_way: bool = True


def draw_arm(reported: ReportedArm, n_never: int, effort: Effort, seed: int) -> ChainDraws:
    """Draws of the law of log thresholds in one group, of whom ``n_never`` can never be captured.

    Raises
    ------
    NotEstimableError
        When no recorded currents give the printed numbers.
    """
    rng = np.random.default_rng(seed)
    settings = ramp_settings(reported.start_ma, reported.step_ma, reported.maximum_ma)
    cells = ramp_cells(settings, reported.imputed_as_ma)
    imputed_as = reported.imputed_as_ma or 0.0
    in_mean = n_never if reported.imputed_as_ma is not None else 0
    printed = PrintedArm(
        reported.n_recorded, reported.mean_ma, reported.sd_ma, rounding(reported.mean_decimals),
        rounding(reported.sd_decimals),
    )  # fmt: skip
    beyond = reported.n - reported.n_recorded - (n_never - in_mean)
    others = np.full((beyond, 1), cells.above, dtype=np.intp)
    counts = [count - in_mean for count in reported.possible_imputed if count >= in_mean]
    nowhere = np.full((1, 1, 2), -1, dtype=np.intp)
    setting = Setting(
        cells, printed, reported.n_recorded - in_mean, (), reported.n_captured is not None, nowhere,
        np.zeros_like(nowhere), ONE_COLUMN,
    )  # fmt: skip
    imputed = in_mean + float(np.mean(counts))
    guess = _mean_of_captured(reported.mean_ma, reported.n_recorded, imputed, imputed_as, settings)
    state = find_start(
        setting, tuple(Arrangement((count,), others) for count in counts), guess_ma=(guess,),
        guess_sd_ma=reported.sd_ma, never=in_mean, chains=effort.chains, rng=rng,
    )  # fmt: skip
    return run_chains(setting, state, warm_up=effort.warm_up, draws=effort.draws, rng=rng)


def draw_crossover(
    reported: ReportedCrossover,
    counts: tuple[ReportedCounts, ...],
    assumptions: Assumptions,
    effort: Effort,
    seed: int,
) -> ChainDraws:
    """Draws of the law of both thresholds of a patient, over these possible sets of counts.

    Raises
    ------
    NotEstimableError
        When no recorded currents give the printed numbers.
    """
    rng = np.random.default_rng(seed)
    settings = np.array(reported.settings_ma)
    cells = ramp_cells(settings, reported.imputed_as_ma, log_scale=assumptions.log_scale)
    n, neither = reported.n_pairs, reported.n_neither if assumptions.with_neither else 0
    t_quantile = float(stats.t.ppf((1 + reported.level) / 2, n - 1))
    printed = PrintedCrossover(
        n, reported.first_mean_ma, reported.second_mean_ma, reported.difference_ma, reported.difference_lower_ma,
        reported.difference_upper_ma, t_quantile, rounding(reported.decimals),
    )  # fmt: skip
    arrangements = []
    for one in counts:
        rows = [[cells.above, cells.above]] * neither
        for column, (captured, not_captured) in enumerate(one.alone if assumptions.with_one_way else ()):
            for cell in [cells.captured] * captured + [cells.above] * not_captured:
                rows.append([cell, cells.anywhere] if column == 0 else [cells.anywhere, cell])
        arrangements.append(Arrangement(one.imputed, np.array(rows, dtype=np.intp).reshape(-1, 2)))
    first_alone, second_alone = (sum(x) if assumptions.with_one_way else 0 for x in counts[0].alone)
    at = n + neither
    one_way = (np.arange(at, at + first_alone), np.arange(at + first_alone, at + first_alone + second_alone))
    neighbours, flips = _steps_between(counts, with_one_way=assumptions.with_one_way)
    setting = Setting(cells, printed, n, one_way, True, neighbours, flips, assumptions.prior)
    means = reported.first_mean_ma, reported.second_mean_ma
    guesses = tuple(
        _mean_of_captured(mean, n, float(np.mean([c.imputed[j] for c in counts])), reported.imputed_as_ma, settings)
        for j, mean in enumerate(means)
    )
    half = (reported.difference_upper_ma - reported.difference_lower_ma) / 2
    state = find_start(
        setting, tuple(arrangements), guess_ma=guesses, guess_sd_ma=float(half / t_quantile * np.sqrt(n)), never=0,
        chains=effort.chains, rng=rng,
    )  # fmt: skip
    return run_chains(setting, state, warm_up=effort.warm_up, draws=effort.draws, rng=rng)


def _mean_of_captured(
    mean: float, n: int, imputed: float, imputed_as: float, settings: NDArray[np.float64]
) -> float:  # fmt: skip
    """Mean of the captures behind a mean with imputed values, within the ramp."""
    return float(np.clip((n * mean - imputed * imputed_as) / max(n - imputed, 1.0), settings[0], settings[-1]))


def _steps_between(
    counts: tuple[ReportedCounts, ...], *, with_one_way: bool
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:  # fmt: skip
    """Neighbours of each set of counts by column and direction, and what changes in those paced one way."""
    neighbours = np.full((len(counts), 2, 2), -1, dtype=np.intp)
    flips = np.zeros_like(neighbours)
    for i, (one, two) in enumerate(pairwise(counts)):
        if sum(two.imputed) - sum(one.imputed) != 1:
            # a set between them is impossible: chains stay where they were dealt, and weights stay equal
            continue
        column = 0 if two.first_imputed > one.first_imputed else 1
        neighbours[i, column, 1], neighbours[i + 1, column, 0] = i + 1, i
        if with_one_way:
            change = two.alone[column][0] - one.alone[column][0]
            flips[i, column, 1], flips[i + 1, column, 0] = change, -change
    return neighbours, flips
