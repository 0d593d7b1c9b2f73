"""Thresholds of a crossover, reconstructed from printed means, their difference and its t interval."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from capstat.results import NotEstimableError
from capstat.synthesis.reconstructed import (
    ContrastDraws,
    CountResult,
    ReconstructedCrossover,
    Variant,
    posterior_estimate,
    reading_notes,
)
from capstat.synthesis.reconstruction_convergence import convergence, worst_convergence
from capstat.synthesis.reconstruction_normal import FLAT_CORRELATION
from capstat.synthesis.reconstruction_setting import STANDARD, Assumptions, draw_crossover

if TYPE_CHECKING:
    from capstat.results import Estimate
    from capstat.synthesis.reconstruction_chain import ChainDraws
    from capstat.synthesis.reconstruction_setting import Effort
    from capstat.synthesis.reported_crossover import ReportedCounts, ReportedCrossover

__all__ = ["crossover_variants", "reconstruct_crossover"]

# density proportional to 1 - rho^2
TOWARDS_ZERO = replace(FLAT_CORRELATION, correlation_power=2.5)
# scale of another prior of the SDs of log thresholds; those of published studies of captured patients are about 0.2
HALF_NORMAL_SD = 0.3
# the smallest SD that the prior allows, in mA, where thresholds are normal in mA
SMALLEST_SD_MA = 2.0


def _natural(drawn: ChainDraws, *, log_scale: bool) -> ContrastDraws:
    """Draws of the ratio first to second and of the difference second minus first, of medians."""
    one, two = drawn.mean[:, 0], drawn.mean[:, 1]
    if log_scale:
        return ContrastDraws(np.exp(one - two), np.exp(two) - np.exp(one))
    return ContrastDraws(one / two, two - one)


def _contrasts(
    reported: ReportedCrossover,
    draws: ContrastDraws,
    level: float,
    notes: tuple[str, ...],
    n: int,
    law: str = "lognormal",
) -> tuple[Estimate, Estimate]:
    return (
        posterior_estimate(
            "ratio of median capture thresholds within patients", draws.ratio, level=level, unit="ratio", n=n, law=law,
            direction=f"{reported.first} relative to {reported.second}", notes=notes,
        ),
        posterior_estimate(
            "difference of median capture thresholds", draws.difference, level=level, unit="mA", n=n, scale="identity",
            law=law,
            direction=f"{reported.second} minus {reported.first}", notes=notes,
        ),
    )  # fmt: skip


def _n(reported: ReportedCrossover, assumptions: Assumptions) -> int:
    one_way = sum(sum(alone) for alone in reported.counts[0].alone)
    return (
        reported.n_pairs
        + reported.n_neither * assumptions.with_neither
        + one_way * assumptions.with_one_way
    )  # fmt: skip


def reconstruct_crossover(
    reported: ReportedCrossover, *, seed: int, level: float = 0.95, effort: Effort = STANDARD
) -> ReconstructedCrossover:
    """Ratio of median thresholds behind the printed means, difference and t interval of a crossover.

    Both log thresholds of a patient are taken to be bivariate normal; a ramp records the first setting at or above a
    threshold, or the imputed number above the maximum.  The posterior is that of the law given only that the recorded
    currents give the printed numbers after rounding, and the counts: patients captured in neither placement lie above
    the maximum in both, those paced one way at or below it or above it in that placement.  The prior is flat in both
    means and in the correlation and 1 / (sigma_1 sigma_2) in the SDs.  Where counts were not published, every possible
    set was equally likely before; the ratio is over all of them, by how well each agrees with what was published.

    Parameters
    ----------
    reported : ReportedCrossover
        What was printed.
    seed : int
        Seed of the Markov chains.
    level : float
        Of the limits.
    effort : Effort
        How long to sample.

    Raises
    ------
    NotEstimableError
        When no recorded currents give the printed numbers, or a placement captured fewer than 2 of the pairs.
    """
    single, reasons = _each_count(reported, effort, seed)
    counts = tuple(count for count in reported.counts if count in single)
    assumptions = Assumptions()
    drawn = single[counts[0]] if len(counts) == 1 else draw_crossover(reported, counts, assumptions, effort, seed)
    one, two = np.sqrt(drawn.covariance[:, 0, 0]), np.sqrt(drawn.covariance[:, 1, 1])
    correlation, log_ratio = drawn.covariance[:, 0, 1] / (one * two), drawn.mean[:, 0] - drawn.mean[:, 1]
    judged, worst = convergence(log_ratio), worst_convergence(log_ratio, np.log(one), np.log(two), correlation)
    notes, n = reading_notes("lognormal", judged), _n(reported, assumptions)
    draws = _natural(drawn, log_scale=True)
    ratio, difference = _contrasts(reported, draws, level, notes, n)
    equal = None
    if len(counts) > 1:
        each = [_natural(single[count], log_scale=True) for count in counts]
        both = ContrastDraws(np.stack([x.ratio for x in each]), np.stack([x.difference for x in each]))
        equal, _ = _contrasts(reported, both, level, notes, n)
    medians = np.exp(drawn.mean[:, 0]), np.exp(drawn.mean[:, 1])
    first_median, second_median = (
        posterior_estimate(
            f"median capture threshold with {name}", medians[column], level=level, unit="mA", n=n,
            notes=notes,
        )
        for column, name in enumerate((reported.first, reported.second))
    )  # fmt: skip
    results = []
    for count in reported.counts:
        if count not in single:
            results.append(CountResult(count, 0.0, None, None, reasons[count]))
            continue
        weight = float(np.mean(drawn.table == counts.index(count)))
        alone = _natural(single[count], log_scale=True)
        own = _contrasts(reported, alone, level, notes, n)
        results.append(CountResult(count, weight, *own, draws=alone))
    return ReconstructedCrossover(
        ratio, equal, difference,
        posterior_estimate("correlation of both log thresholds of a patient", correlation, level=level, unit="", n=n,
                           scale="identity", notes=notes),
        first_median, second_median,
        float(log_ratio.mean()), float(log_ratio.std()), reported.first_mean_ma / reported.second_mean_ma,
        tuple(results), reported, judged, worst,
        tuple((float(a), float(b)) for a, b in drawn.recorded_ma[:, :, 0]),
        draws, medians, (one, two),
    )  # fmt: skip


def _each_count(
    reported: ReportedCrossover, effort: Effort, seed: int
) -> tuple[dict[ReportedCounts, ChainDraws], dict[ReportedCounts, str]]:
    """Draws for each possible set of counts by itself, and why some have none."""
    found, reasons = {}, {}
    for count in reported.counts:
        if reported.n_pairs - max(count.imputed) < 2:
            reasons[count] = (
                f"With {count.words(reported.first, reported.second)} a placement captured fewer than 2 of the pairs, "
                "so its spread has no estimate."
            )
            continue
        try:
            found[count] = draw_crossover(reported, (count,), Assumptions(), effort, seed)
        except NotEstimableError as error:
            reasons[count] = str(error)
    if not found:
        raise NotEstimableError(reasons[reported.counts[0]])
    return found, reasons


def _other_sd_priors(result: ReconstructedCrossover, *, seed: int, level: float) -> list[Variant]:
    """The ratio under other priors of the SDs, by weighting the draws and drawing from them again."""
    rng = np.random.default_rng(seed)
    one, two = result.sd_draws
    notes, n = result.ratio.notes, result.ratio.n
    found = []
    # what each multiplies the density by; the draws have 1 / (sigma_1 sigma_2)
    flat = one * two
    others = {
        "prior of both SDs flat": flat,
        f"prior of both SDs half-normal, scale {HALF_NORMAL_SD:g}": (
            flat * np.exp(-(one**2 + two**2) / (2 * HALF_NORMAL_SD**2))
        ),
    }  # fmt: skip
    for assumption, factor in others.items():
        weight = factor.ravel()
        # systematic resampling: every draw as often as its weight says, give or take one
        at = (rng.random() + np.arange(weight.size)) / weight.size
        chosen = np.minimum(np.searchsorted(np.cumsum(weight) / weight.sum(), at), weight.size - 1)
        draws = ContrastDraws(result.draws.ratio.ravel()[chosen], result.draws.difference.ravel()[chosen])
        pair = _contrasts(result.reported, draws, level, notes, n)
        found.append(Variant(assumption, *pair, draws=draws))
    return found


def crossover_variants(
    result: ReconstructedCrossover, *, seed: int, level: float = 0.95, effort: Effort = STANDARD
) -> tuple[Variant, ...]:
    """The ratio under other assumptions on what was not published, one changed at a time.

    Raises
    ------
    NotEstimableError
        When no recorded currents give the printed numbers under one of them.
    """
    reported, base = result.reported, Assumptions()
    counts = tuple(count.counts for count in result.counts if count.ratio is not None)
    cases: list[tuple[str, ReportedCrossover, Assumptions]] = []
    if reported.n_neither:
        cases.append(("patients captured in neither placement left out", reported, replace(base, with_neither=False)))
    if any(sum(alone) for alone in counts[0].alone):
        cases.append(("patients paced one way left out", reported, replace(base, with_one_way=False)))
    in_ma = replace(base, log_scale=False, prior=replace(FLAT_CORRELATION, smallest_sd=SMALLEST_SD_MA))
    cases += [
        ("settings 1 mA apart", replace(reported, step_ma=1), base),
        ("thresholds normal in mA, not lognormal", reported, in_ma),
        ("prior of the correlation drawn towards 0", reported, replace(base, prior=TOWARDS_ZERO)),
    ]
    found = _other_sd_priors(result, seed=seed, level=level)
    for assumption, study, assumed in cases:
        drawn = draw_crossover(study, counts, assumed, effort, seed)
        law = "lognormal" if assumed.log_scale else "normal"
        notes = reading_notes(law, convergence(drawn.mean[:, 0] - drawn.mean[:, 1]))
        natural = _natural(drawn, log_scale=assumed.log_scale)
        pair = _contrasts(study, natural, level, notes, _n(study, assumed), law)
        found.append(Variant(assumption, *pair, draws=natural))
    return tuple(found)
