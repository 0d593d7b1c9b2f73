"""Crossovers with known truth: this package's analysis beside the published practice, study by study.

Run: python analyses/07_crossover_simulation.py [--studies 2000] [--seed 1] [--out analyses/crossover_simulation.csv]

Each invented study has n patients with both placements in random order, thresholds lognormal with log SD 0.30 between and 0.14
within patients, a period effect of 3 %, and 5 mA steps from 40 to 140 mA.  The median with the second placement is set
so that 10, 25 or 40 % of its attempts are not captured at 140 mA.  In the last scenarios 10 % of patients can be captured
with neither placement at any current.

This package: ratio of thresholds from the random-intercept model on censored log currents with a period effect, profile
limits with the t correction.  The published practice: non-capture becomes 141 mA, patients captured by neither placement are
left out, the difference of the means is tested by a paired t test; its truth is the difference of the mean thresholds.
The results are recorded in analyses/crossover_simulation.csv and DEVELOPERS.md.
"""

from __future__ import annotations

import argparse
import itertools
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from capstat.numerics.small_sample import drop_in_log_likelihood
from capstat.output import csv_text
from capstat.placement.pair_fit import PairModel, fit_pairs_many, pair_limits_many
from capstat.placement.pair_likelihood import tabulate_pairs

BETWEEN, WITHIN, PERIOD = 0.30, 0.14, 1.03
START_MA, STEP_MA, MAXIMUM_MA = 40.0, 5.0, 140.0
LEVEL = 0.95


def median_for(not_captured: float) -> float:
    """Median threshold with the second placement at which this share lies above the maximum."""
    return float(MAXIMUM_MA / np.exp(np.hypot(BETWEEN, WITHIN) * stats.norm.ppf(1 - not_captured)))


def draw(
    studies: int, n: int, ratio: float, median: float, never: float, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Bounds (studies * n, 2) of the thresholds with the first and second placement, and their order."""
    size = studies * n
    first_first = rng.random(size) < 0.5
    order = np.where(first_first[:, None], [1, 2], [2, 1])
    log_t = np.log(median) + np.log(ratio) * np.array([1.0, 0.0]) + np.log(PERIOD) * (order - 1.5)
    log_t = log_t + rng.normal(0, BETWEEN, size)[:, None] + rng.normal(0, WITHIN, (size, 2))
    log_t[rng.random(size) < never] = np.log(1e6)
    rises = np.maximum(np.ceil((np.exp(log_t) - START_MA) / STEP_MA), 0)
    upper = START_MA + STEP_MA * rises
    beyond = upper > MAXIMUM_MA
    return (
        np.where(beyond, MAXIMUM_MA, np.where(rises == 0, 0, upper - STEP_MA)),
        np.where(beyond, np.inf, upper),
        order,
    )


def package(lower: np.ndarray, upper: np.ndarray, order: np.ndarray, studies: int, n: int, ratio: float) -> dict:
    """Log ratio in every study: bias, coverage, how often 1 is left out."""
    design = np.stack((np.ones(lower.shape), np.broadcast_to([1.0, 0.0], lower.shape), order - 1.5), axis=2)
    study = np.repeat(np.arange(studies), n)
    captured = np.isfinite(upper)
    # a placement that never captured in a study has no finite ratio
    usable = np.array([captured[study == k].any(axis=0).all() for k in range(studies)])
    keep = usable[study]
    renamed = np.cumsum(usable) - 1
    model = PairModel(("intercept", "first", "period"))
    records = tabulate_pairs(lower[keep], upper[keep], design[keep], renamed[study[keep]])
    start = np.tile([np.log(110.0), np.log(0.85), 0.0, np.log(0.33), 1.0], (int(usable.sum()), 1))
    optima = fit_pairs_many(records, model, start)
    pairs = np.bincount(renamed[study[keep]], weights=captured[keep].any(axis=1))
    drop = np.array([drop_in_log_likelihood(int(k), 2, LEVEL) for k in pairs])
    low, high = pair_limits_many(records, model, optima, 1, drop)
    done = optima.converged
    value, low, high = optima.x[done, 1], low[done], high[done]
    return {
        "no_estimate": studies - int(done.sum()),
        "bias_of_ratio_percent": 100 * (np.exp(np.mean(value)) / ratio - 1),
        "coverage": np.mean((low <= np.log(ratio)) & (np.log(ratio) <= high)),
        "says_different": np.mean((low > 0) | (high < 0)),
        "median_width_ratio": float(np.median(np.exp(high - low))),
    }


def published_practice(lower: np.ndarray, upper: np.ndarray, studies: int, n: int, truth_ma: float) -> dict:
    """Maximum + 1 mA for non-capture, patients captured by neither left out, paired t test in mA."""
    captured = np.isfinite(upper)
    value = np.where(captured, upper, MAXIMUM_MA + 1)
    kept = captured.any(axis=1).reshape(studies, n)
    difference = np.where(kept, (value[:, 0] - value[:, 1]).reshape(studies, n), np.nan)
    count = kept.sum(axis=1)
    ok = count > 2
    mean, sd = np.nanmean(difference[ok], axis=1), np.nanstd(difference[ok], axis=1, ddof=1)
    reach = stats.t.ppf(0.5 + LEVEL / 2, count[ok] - 1) * sd / np.sqrt(count[ok])
    return {
        "practice_bias_ma": float(np.mean(mean) - truth_ma),
        "practice_coverage": np.mean(np.abs(mean - truth_ma) <= reach),
        "practice_says_different": np.mean(np.abs(mean) > reach),
        "practice_patients_left_out": float(n - count.mean()),
    }


def scenario(studies: int, n: int, ratio: float, missed: float, never: float, seed: int) -> dict:
    rng = np.random.default_rng([seed, n, round(100 * ratio), round(100 * missed), round(100 * never)])
    median = median_for(missed)
    lower, upper, order = draw(studies, n, ratio, median, never, rng)
    # the mean of a lognormal threshold, averaged over both periods
    centre = np.exp((BETWEEN**2 + WITHIN**2) / 2) * np.cosh(np.log(PERIOD) / 2)
    truth_ma = (ratio - 1) * median * centre
    return {
        "patients": n, "true_ratio": ratio, "not_captured_second": missed, "never_captured": never,
        "true_difference_of_means_ma": truth_ma, **package(lower, upper, order, studies, n, ratio),
        **published_practice(lower, upper, studies, n, truth_ma), "studies": studies, "seed": seed,
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description="Crossovers with known truth, beside the published practice.")
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", help="CSV file for the results in full")
    options = parser.parse_args()
    rows = [
        scenario(options.studies, n, ratio, missed, 0.0, options.seed)
        for n, ratio, missed in itertools.product((13, 20, 40, 100), (1.0, 0.9, 0.75), (0.10, 0.25, 0.40))
    ]
    rows += [scenario(options.studies, n, 0.75, 0.25, 0.10, options.seed) for n in (20, 100)]
    table = pd.DataFrame(rows)
    if options.out:
        scratch = Path(f"{options.out}.part")
        scratch.write_bytes(csv_text(table).encode("utf-8"))
        scratch.replace(options.out)
    error = 100 * np.sqrt(0.05 * 0.95 / options.studies)
    print(f"{options.studies} studies each, seed {options.seed}; Monte Carlo error at 95 %: {error:.1f}.\n")
    print("| patients | true ratio | not captured, second placement, % | never, % | ratio: bias, % | covers, % | says different, % | no estimate "
          "| practice: bias, mA | covers, % | says different, % | patients left out |")  # fmt: skip
    print("|---" * 12 + "|")
    for row in rows:
        print(
            f"| {row['patients']} | {row['true_ratio']} | {100 * row['not_captured_second']:.0f} | {100 * row['never_captured']:.0f} "
            f"| {row['bias_of_ratio_percent']:+.1f} | {100 * row['coverage']:.1f} | {100 * row['says_different']:.1f} | {row['no_estimate']} "
            f"| {row['practice_bias_ma']:+.1f} | {100 * row['practice_coverage']:.1f} | {100 * row['practice_says_different']:.1f} "
            f"| {row['practice_patients_left_out']:.1f} |"
        )  # fmt: skip


if __name__ == "__main__":
    main()
