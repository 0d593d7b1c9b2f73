"""How often the 95 % interval of the ratio of thresholds holds the truth, and how often it sees a difference that is not there.

Run: python analyses/03_ratio_calibration.py [--between 2000] [--within 500] [--seed 1]

Between patients: lognormal thresholds, median 75 mA, log SD 0.26, 5 mA steps from 30 to 140 mA, no covariates.
Within patients: log SD 0.30 between and 0.14 within patients, medians set so that about 10 or 40 % of attempts with the second
placement are not captured at 140 mA.  The results are recorded in DEVELOPERS.md.
"""

from __future__ import annotations

import argparse

import numpy as np

from capstat.placement import paired_ratio, unpaired_ratio
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds

FIRST, MINUS = "anterior-posterior", "anterior-lateral"
START_MA, STEP_MA, MAXIMUM_MA = 30.0, 5.0, 140.0


def ramp_intervals(true_ma: np.ndarray, patient: np.ndarray | None, placement: np.ndarray) -> CensoredThresholds:
    """What a rising ramp shows of the true thresholds."""
    rises = np.maximum(np.ceil((true_ma - START_MA) / STEP_MA), 0)
    upper = START_MA + rises * STEP_MA
    lower = np.where(rises == 0, 0.0, upper - STEP_MA)
    beyond = upper > MAXIMUM_MA
    return CensoredThresholds.from_bounds(
        np.where(beyond, MAXIMUM_MA, lower), np.where(beyond, np.inf, upper), patient, placement
    )


def between_study(n: int, ratio: float, rng: np.random.Generator) -> CensoredThresholds:
    """Two groups of ``n`` patients."""
    is_first = np.repeat([1.0, 0.0], n)
    true = 75 * ratio**is_first * np.exp(rng.normal(0, 0.26, 2 * n))
    return ramp_intervals(true, None, np.where(is_first == 1, FIRST, MINUS))


def within_study(n: int, ratio: float, median: float, rng: np.random.Generator) -> CensoredThresholds:
    """``n`` patients with both placements."""
    patient = np.tile(np.arange(n), 2)
    is_first = np.repeat([1.0, 0.0], n)
    effect = rng.normal(0, 0.30, n)[patient]
    true = median * ratio**is_first * np.exp(effect + rng.normal(0, 0.14, 2 * n))
    return ramp_intervals(true, patient, np.where(is_first == 1, FIRST, MINUS))


def share_missed(studies: int, make, estimate, ratio: float) -> tuple[float, float, int]:
    """Share of intervals that miss the true ratio, its Monte Carlo error, and studies without an estimate."""
    missed, lost = [], 0
    for _ in range(studies):
        try:
            found = estimate(make())
        except NotEstimableError:
            lost += 1
            continue
        if found.value is None:
            lost += 1
        else:
            missed.append(not found.lower <= ratio <= found.upper)
    share = float(np.mean(missed))
    return share, float(np.sqrt(share * (1 - share) / len(missed))), lost


def main() -> None:
    parser = argparse.ArgumentParser(description="Coverage of 95 % intervals of the ratio of thresholds.")
    parser.add_argument("--between", type=int, default=2000, help="studies between patients")
    parser.add_argument("--within", type=int, default=500, help="studies within patients")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    print(
        "| comparison | patients | true ratio | not captured, second placement | interval misses the truth, % | Monte Carlo error | no estimate |"
    )
    print("|---|---|---|---|---|---|---|")

    def line(words: str, ratio: float, censored: str, result: tuple[float, float, int], studies: int) -> None:
        share, error, lost = result
        print(
            f"| {words} | {ratio:g} | {censored} | {100 * share:.1f} | {100 * error:.1f} | {lost} of {studies} |",
            flush=True,
        )

    for n in (3, 5, 10, 30, 100):
        for ratio in (1.0, 0.8):
            result = share_missed(
                options.between,
                lambda n=n, ratio=ratio: between_study(n, ratio, rng),
                lambda thresholds: unpaired_ratio(thresholds, FIRST, MINUS, adjust_for=()).ratio,
                ratio,
            )
            line(f"between patients | {n} and {n}", ratio, "1 %", result, options.between)
    for n in (13, 20, 40):
        for ratio, median, censored in (
            (1.0, 92.0, "10 %"),
            (0.75, 92.0, "10 %"),
            (1.0, 128.0, "40 %"),
            (0.75, 128.0, "40 %"),
        ):
            result = share_missed(
                options.within,
                lambda n=n, ratio=ratio, median=median: within_study(n, ratio, median, rng),
                lambda thresholds: paired_ratio(thresholds, FIRST, MINUS).ratio,
                ratio,
            )
            line(f"within patients | {n}", ratio, censored, result, options.within)


if __name__ == "__main__":
    main()
