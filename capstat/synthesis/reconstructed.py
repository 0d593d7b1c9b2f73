"""What a reconstruction from printed summaries gives."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from capstat.results import Estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.synthesis.reconstruction_convergence import Convergence
    from capstat.synthesis.reported import ReportedArm
    from capstat.synthesis.reported_crossover import ReportedCounts, ReportedCrossover

__all__ = [
    "ASSUMED",
    "ContrastDraws",
    "CountResult",
    "NeverCaptured",
    "ReconstructedArm",
    "ReconstructedCrossover",
    "Variant",
    "posterior_estimate",
    "reading_notes",
]

# common practice, no source: R-hat below 1.01 for few long chains.  It grows with the inverse length of the chains, and
# here many short ones are run; the effective draws are those that carry the limits.
HIGHEST_R_HAT, FEWEST_DRAWS = 1.25, 200
ASSUMED = "above the maximum nothing was seen: there the value rests on the {} law alone"
EVERYBODY = "everybody is taken to be capturable at some current"
METHOD = (
    "posterior of a {} law given only that the recorded currents give the printed numbers after rounding (Markov "
    "chains over recorded currents and latent thresholds); median and equal-tailed limits"
)


@dataclass(frozen=True, slots=True)
class NeverCaptured:
    """The median when some patients can never be captured.

    Attributes
    ----------
    share : float
        Assumed share of all patients who can never be captured; they are among those not captured.
    n_never : int
        The same in patients, rounded, at most those not captured.
    median : Estimate
        Median threshold of the others, mA.
    """

    share: float
    n_never: int
    median: Estimate


@dataclass(frozen=True, slots=True)
class ReconstructedArm:
    """Thresholds behind a printed mean and SD.

    Attributes
    ----------
    median : Estimate
        Median threshold, mA.
    geometric_sd : Estimate
        Geometric standard deviation, a ratio.
    share_captured : Estimate
        Share of patients whose threshold is at or below the maximum.
    log_median, log_median_sd : float
        Posterior mean and SD of the logarithm of the median, for pooling.
    reported : ReportedArm
        What it rests on; ``reported.mean_ma`` is the printed mean.
    possible_imputed : tuple of int
        Numbers of imputed values that the reported counts and mean allow.
    convergence : Convergence
        The worse of those of the mean and the SD of log thresholds.
    """

    median: Estimate
    geometric_sd: Estimate
    share_captured: Estimate
    log_median: float
    log_median_sd: float
    reported: ReportedArm
    possible_imputed: tuple[int, ...]
    convergence: Convergence


@dataclass(frozen=True, slots=True, eq=False)
class ContrastDraws:
    """Posterior draws behind a ratio and a difference of medians; shape (draws, chains) each."""

    ratio: NDArray[np.float64]
    difference: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class CountResult:
    """The ratio if one possible set of counts were the true one.

    Attributes
    ----------
    counts : ReportedCounts
        The set.
    weight : float
        Its posterior probability, equal before: how probable everything published is with these counts, results of the
        patients paced one way included.
    ratio, difference : Estimate or None
        Ratio and difference of medians with these counts; ``None`` when no data set was found.
    reason : str
        Why there is none.
    draws : ContrastDraws or None
        Behind both.
    """

    counts: ReportedCounts
    weight: float
    ratio: Estimate | None
    difference: Estimate | None
    reason: str = ""
    draws: ContrastDraws | None = field(default=None, repr=False, compare=False)


@dataclass(frozen=True, slots=True)
class ReconstructedCrossover:
    """Thresholds behind the printed comparison of two placements within patients.

    Attributes
    ----------
    ratio : Estimate
        Ratio of median thresholds, first to second, over all possible counts by their posterior weights.
    equal_weights : Estimate or None
        The same with equal weights of the possible counts; ``None`` where there is one set.
    difference : Estimate
        Difference of medians, second minus first as printed, mA.
    correlation : Estimate
        Of the two thresholds of a patient, on the normal scale.
    first_median, second_median : Estimate
        Median thresholds of both placements, mA.
    log_ratio, log_ratio_sd : float
        Posterior mean and SD of the log ratio, for pooling.
    printed_ratio : float
        Ratio of the printed means.
    counts : tuple of CountResult
        The ratio for each possible set of counts.
    reported : ReportedCrossover
        What it rests on.
    convergence : Convergence
        Of the log ratio.
    worst : Convergence
        The worst of the log ratio, both log SDs and the correlation.
    possible_pairs : tuple of tuple of float
        Recorded currents of the pairs in one data set that would have been printed in the same numbers.  Invented.
    draws : ContrastDraws
        Behind ratio and difference.
    median_draws : tuple of ndarray
        Behind the medians of the first and of the second placement.
    sd_draws : tuple of ndarray
        SDs of the log thresholds with the first and with the second placement.
    """

    ratio: Estimate
    equal_weights: Estimate | None
    difference: Estimate
    correlation: Estimate
    first_median: Estimate
    second_median: Estimate
    log_ratio: float
    log_ratio_sd: float
    printed_ratio: float
    counts: tuple[CountResult, ...]
    reported: ReportedCrossover
    convergence: Convergence
    worst: Convergence
    possible_pairs: tuple[tuple[float, float], ...]
    draws: ContrastDraws = field(repr=False, compare=False)
    median_draws: tuple[NDArray[np.float64], NDArray[np.float64]] = field(repr=False, compare=False)
    sd_draws: tuple[NDArray[np.float64], NDArray[np.float64]] = field(repr=False, compare=False)


@dataclass(frozen=True, slots=True)
class Variant:
    """The ratio under one other assumption on what was not published.

    Attributes
    ----------
    assumption : str
        In words.
    ratio : Estimate
        Ratio of medians, first to second.
    difference : Estimate
        Difference of medians, second minus first, mA.
    draws : ContrastDraws
        Behind both.
    """

    assumption: str
    ratio: Estimate
    difference: Estimate
    draws: ContrastDraws = field(repr=False, compare=False)


def reading_notes(law: str, *judged: Convergence) -> tuple[str, ...]:
    """What a reader must know: what is assumed, and whether the chains settled."""
    poor = any(x.r_hat > HIGHEST_R_HAT or x.effective_draws < FEWEST_DRAWS for x in judged)
    notes = (ASSUMED.format(law), EVERYBODY)
    return (*notes, "the Markov chains had not settled: draw more") if poor else notes


def posterior_estimate(
    quantity: str,
    draws: NDArray[np.float64],
    *,
    level: float,
    unit: str,
    n: int,
    scale: str = "log",
    law: str = "lognormal",
    direction: str = "",
    notes: tuple[str, ...] = (),
) -> Estimate:
    """Median and equal-tailed limits of posterior draws."""
    low, middle, high = (float(x) for x in np.quantile(draws, ((1 - level) / 2, 0.5, (1 + level) / 2)))
    return Estimate(
        quantity, middle, low, high, level, unit, scale, n, METHOD.format(law), direction, notes
    )  # fmt: skip
