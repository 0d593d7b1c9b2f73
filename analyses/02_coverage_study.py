"""How often 95 % intervals hold the truth: simulated studies with known capture currents and shares captured.

Run: python analyses/02_coverage_study.py [--studies 2000] [--seed 1]

Thresholds are lognormal with median 73 mA and log SD 0.26 (near the synthetic registry, not on the grid), ramps start at
30 mA, the device maximum is 140 mA.  The results are recorded in DEVELOPERS.md.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from capstat.distributions import LOGNORMAL, fit_parametric, summarise_capture
from capstat.thresholds import CensoredThresholds

if TYPE_CHECKING:
    from capstat.results import Estimate

MEDIAN_MA, LOG_SD = 73.0, 0.26
START_MA, MAXIMUM_MA = 30.0, 140.0


@dataclass(frozen=True, slots=True)
class Coverage:
    """Share of studies whose interval holds the truth, with its Monte Carlo standard error and mean width."""

    name: str
    n_patients: int
    step_ma: float
    quantity: str
    share: float
    error: float
    mean_width: float


def ramp_intervals(true_ma: np.ndarray, step_ma: float, patient: np.ndarray | None = None) -> CensoredThresholds:
    """What a rising ramp shows of the true thresholds."""
    rises = np.maximum(np.ceil((true_ma - START_MA) / step_ma), 0)
    upper = START_MA + rises * step_ma
    lower = np.where(rises == 0, 0.0, upper - step_ma)
    beyond = upper > MAXIMUM_MA
    return CensoredThresholds.from_bounds(np.where(beyond, MAXIMUM_MA, lower), np.where(beyond, np.inf, upper), patient)


def simulate(n: int, step_ma: float, rng: np.random.Generator, attempts_each: int) -> CensoredThresholds:
    """One study; with several attempts in a patient, three quarters of the log variance is between patients."""
    patient = np.repeat(np.arange(n), attempts_each)
    between, within = (LOG_SD * np.sqrt(share) for share in ((0.75, 0.25) if attempts_each > 1 else (1.0, 0.0)))
    noise = rng.normal(0, between, n)[patient] + rng.normal(0, 1, patient.size) * within
    return ramp_intervals(MEDIAN_MA * np.exp(noise), step_ma, patient)


def coverage(
    n: int, step_ma: float, *, studies: int, seed: int, attempts_each: int = 1, replicates: int = 400
) -> list[Coverage]:
    """Coverage and mean width (mA; percentage points for shares) of the intervals of one kind of study."""
    rng = np.random.default_rng(seed)
    fractions, currents = (0.5, 0.9), (60.0, 80.0, 100.0)
    current_truth = [MEDIAN_MA * np.exp(LOG_SD * stats.norm.ppf(fraction)) for fraction in fractions]
    share_truth = [float(stats.norm.cdf(np.log(current / MEDIAN_MA) / LOG_SD)) for current in currents]
    held: dict[tuple[str, str], list[bool]] = {}
    width: dict[tuple[str, str], list[float]] = {}

    def note(kind: str, quantity: str, estimate: Estimate, truth: float, unit: float = 1.0) -> None:
        held.setdefault((kind, quantity), []).append(estimate.lower <= truth <= estimate.upper)
        top = min(estimate.upper, 2 * MAXIMUM_MA)
        width.setdefault((kind, quantity), []).append(unit * (top - estimate.lower))

    for study in range(studies):
        thresholds = simulate(n, step_ma, rng, attempts_each)
        parametric = fit_parametric(thresholds, family=LOGNORMAL)
        summary = summarise_capture(
            thresholds, label="all", fractions=fractions, currents_ma=currents, replicates=replicates, seed=seed + study
        )
        for k, fraction in enumerate(fractions):
            words = f"{100 * fraction:g} % capture current"
            note("lognormal", words, parametric.capture_current(fraction), current_truth[k])
            note("nonparametric", words, summary.capture_currents[k], current_truth[k])
        for k, current in enumerate(currents):
            words = f"share captured at {current:g} mA"
            note("nonparametric", words, summary.capture_probabilities[k], share_truth[k], 100.0)
    clustered = f", {attempts_each} attempts in each patient" if attempts_each > 1 else ""
    return [
        Coverage(
            kind + clustered,
            n,
            step_ma,
            quantity,
            float(np.mean(hits)),
            float(np.sqrt(np.mean(hits) * (1 - np.mean(hits)) / studies)),
            float(np.mean(width[kind, quantity])),
        )
        for (kind, quantity), hits in held.items()
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description="Coverage of 95 % intervals of capture currents.")
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    print("| interval | patients | step, mA | quantity | coverage, % | Monte Carlo error | mean width, mA or points |")
    print("|---|---|---|---|---|---|---|")
    for n, step, each in ((20, 5, 1), (60, 5, 1), (60, 10, 1), (60, 1, 1), (300, 5, 1), (60, 5, 3), (10, 5, 8)):
        for row in coverage(n, step, studies=options.studies, seed=options.seed, attempts_each=each):
            print(
                f"| {row.name} | {row.n_patients} | {row.step_ma:g} | {row.quantity} | {100 * row.share:.1f} "
                f"| {100 * row.error:.1f} | {row.mean_width:.1f} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
