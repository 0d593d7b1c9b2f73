"""Misjudged ramps with known truth: thresholds as claimed beside thresholds corrected for misjudged capture.

Run: python analyses/09_misjudged_simulation.py [--studies 1000] [--joint-studies 200] [--replicates 100] [--seed 1]
     [--processes 2] [--out analyses/misjudged_simulation.csv]

Each invented study has n ramps, one in each patient, from 40 to 140 mA in steps of 5 mA, up to the first claimed capture.
Thresholds are lognormal with median 80 mA and log SD 0.26; 3 % are never captured.  A setting that captures is judged so
with probability 0.95.  In a quarter of the ramps the reference judged every setting that was tested.

Errors given: specificity 0.97 at all currents, both errors given as they are, no reference used.
Errors estimated: the same judgements, both errors estimated from the reviewed quarter in one likelihood.
Falling specificity: 0.96 at 80 mA, odds of a false "captured" times 1.2 for each 10 mA, estimated with its slope.
Artefact-prone patients: a fifth of the patients have a specificity of 0.85, the others of 0.99, whatever their
threshold; corrected as if the specificity were the same in everybody.  The truth shown is the mean over patients.

Bias is that of the middle of the identified interval, in the unit of the quantity; an interval covers when it contains the truth.
A limit that is open counts as infinite, the width is that of the middle study, and a current that was not reached is left out
of the bias; an error that has no estimate is left out of all three.  The results are recorded in analyses/misjudged_simulation.csv.
"""

from __future__ import annotations

import os

# two processes share the machine; threads of the linear algebra would only get in each other's way
os.environ.setdefault("OMP_NUM_THREADS", "1")

import argparse
import multiprocessing
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from capstat.capture.corrected import correct_thresholds
from capstat.capture.estimated_errors import ErrorModel
from capstat.capture.judged_ramps import JudgedRamps
from capstat.capture.judgement_errors import JudgementErrors
from capstat.output import csv_text
from capstat.results import Estimate, NotEstimableError

MEDIAN_MA, SPREAD, NEVER = 80.0, 0.26, 0.03
SETTINGS_MA = np.arange(40.0, 141.0, 5.0)
REVIEWED = 0.25
SHARES_AT_MA, FRACTIONS = (60.0, 80.0, 100.0, 120.0), (0.5, 0.9)
LEVEL = 0.95


@dataclass(frozen=True)
class Scenario:
    """How judgements go wrong (a mixture over patients) and how that is corrected."""

    name: str
    judges: tuple[tuple[float, JudgementErrors], ...]
    model: ErrorModel
    ramps: int


CONSTANT = JudgementErrors(0.95, 0.97)
FALLING = JudgementErrors(0.95, 0.96, 1.2)
ARTEFACT = ((0.2, JudgementErrors(0.95, 0.85)), (0.8, JudgementErrors(0.95, 0.99)))
SIZES = (60, 200, 1000)


def scenarios() -> list[Scenario]:
    alike = ((1.0, CONSTANT),)
    return [
        *(Scenario("errors given", alike, ErrorModel(0.95, 0.97), n) for n in SIZES),
        *(Scenario("errors estimated", alike, ErrorModel(), n) for n in SIZES),
        *(Scenario("falling specificity", ((1.0, FALLING),), ErrorModel(varies_with_current=True), n) for n in SIZES),
        *(Scenario("artefact-prone patients", ARTEFACT, ErrorModel(), n) for n in SIZES[1:]),
    ]


def draw(scenario: Scenario, rng: np.random.Generator) -> JudgedRamps:
    """Ramps of one study, with the reference in a quarter of them."""
    n, k = scenario.ramps, SETTINGS_MA.size
    threshold = MEDIAN_MA * np.exp(SPREAD * rng.standard_normal(n))
    threshold[rng.random(n) < NEVER] = np.inf
    kind = rng.choice(len(scenario.judges), size=n, p=[share for share, _ in scenario.judges])
    false_claim = np.array([errors.false_claim_probability(SETTINGS_MA) for _, errors in scenario.judges])[kind]
    sensitivity = np.array([errors.sensitivity for _, errors in scenario.judges])[kind][:, None]
    captured = threshold[:, None] <= SETTINGS_MA
    claimed = rng.random((n, k)) < np.where(captured, sensitivity, false_claim)
    tested = np.cumsum(claimed, axis=1) - claimed == 0
    reviewed = np.zeros(n, dtype=bool)
    reviewed[rng.permutation(n)[: round(REVIEWED * n)]] = True
    truth = np.where(reviewed[:, None], captured.astype(np.int8), np.int8(-1))
    row, column = np.nonzero(tested)
    return JudgedRamps.from_arrays(row, SETTINGS_MA[column], claimed[tested], truth[tested])


def truths(scenario: Scenario) -> dict[str, float]:
    """True value of everything that is estimated."""
    found = {
        f"share captured at {x:g} mA": (1 - NEVER) * float(stats.norm.cdf(np.log(x / MEDIAN_MA) / SPREAD))
        for x in SHARES_AT_MA
    }
    found |= {
        f"current that captures {100 * p:g} %": float(MEDIAN_MA * np.exp(SPREAD * stats.norm.ppf(p / (1 - NEVER))))
        for p in FRACTIONS
    }
    found["sensitivity"] = sum(share * errors.sensitivity for share, errors in scenario.judges)
    for x in SHARES_AT_MA if scenario.model.varies_with_current else (80.0,):
        false_claim = sum(
            share * float(errors.false_claim_probability(np.array([x]))[0]) for share, errors in scenario.judges
        )
        found[f"specificity at {x:g} mA"] = 1 - false_claim
    if scenario.model.varies_with_current:
        found["odds ratio per 10 mA"] = scenario.judges[0][1].odds_ratio_per_10_ma
    return found


def numbers(estimate: Estimate) -> tuple[float, float, float]:
    """Middle of what is identified, and both limits; open limits are infinite, nothing identified is NaN."""
    if estimate.value is not None and estimate.identified is None:
        middle = estimate.value
    else:
        middle = np.mean(estimate.identified) if estimate.identified is not None else np.nan
    low = -np.inf if estimate.lower is None else estimate.lower
    high = np.inf if estimate.upper is None else estimate.upper
    return float(middle), low, high


ABSENT = (np.nan, np.nan, np.nan)


def one_study(task: tuple[Scenario, int, int, int]) -> list[tuple[float, float, float]] | None:
    """Estimates as claimed and corrected, in the order of ``truths`` (shares and currents twice)."""
    scenario, study, replicates, seed = task
    ramps = draw(scenario, np.random.default_rng([seed, scenario.ramps, study]))
    if scenario.model.fixed:
        ramps = ramps.without_reference()
    try:
        found = correct_thresholds(
            ramps, scenario.model, label="all", fractions=FRACTIONS, currents_ma=SHARES_AT_MA, level=LEVEL,
            replicates=replicates, seed=study,
        )  # fmt: skip
    except NotEstimableError:
        return None
    both = [(*s.capture_probabilities, *s.capture_currents) for s in (found.as_claimed, found.corrected)]
    results = [numbers(estimate) for estimate in (*both[0], *both[1], found.sensitivity)]
    # in a small study the highest current shown may never have been tested
    shown_at = dict(found.specificities)
    wanted = SHARES_AT_MA if scenario.model.varies_with_current else (80.0,)
    results += [numbers(shown_at[x]) if x in shown_at else ABSENT for x in wanted]
    if scenario.model.varies_with_current:
        # without any false capture there is no odds ratio
        results.append(ABSENT if found.odds_ratio is None else numbers(found.odds_ratio))
    return results


def described(values: np.ndarray, truth: float, prefix: str) -> dict[str, float | None]:
    """Bias, coverage and width over studies; ``values`` has shape (studies, 3)."""
    middle, low, high = values[~np.isnan(values[:, 1])].T
    with np.errstate(invalid="ignore"):
        width = float(np.median(high - low))
    return {
        f"{prefix}_bias": float(np.nanmean(middle) - truth),
        f"{prefix}_coverage": float(np.mean((low <= truth) & (truth <= high))),
        f"{prefix}_median_width": width if np.isfinite(width) else None,
    }


def summarised(scenario: Scenario, results: list[list[tuple[float, float, float]] | None], seed: int) -> list[dict]:
    done = np.array([r for r in results if r is not None])
    true = truths(scenario)
    twice = len(SHARES_AT_MA) + len(FRACTIONS)
    rows = []
    for position, (quantity, truth) in enumerate(true.items()):
        given = scenario.model.fixed and position >= twice
        if given:
            continue
        row = {
            "scenario": scenario.name, "ramps": scenario.ramps, "studies": len(results),
            "no_estimate": len(results) - len(done), "quantity": quantity, "truth": truth,
            "claimed_bias": None, "claimed_coverage": None, "claimed_median_width": None,
        }  # fmt: skip
        if position < twice:
            row |= described(done[:, position], truth, "claimed")
        row |= described(done[:, position + twice], truth, "corrected")
        rows.append(row | {"seed": seed})
    return rows


def shown(value: float | None, form: str) -> str:
    return "" if value is None else format(value, form)


def line(row: dict) -> str:
    covers = [None if row[key] is None else 100 * row[key] for key in ("claimed_coverage", "corrected_coverage")]
    return (
        f"| {row['scenario']} | {row['ramps']} | {row['quantity']} | {row['truth']:.4g} "
        f"| {shown(row['claimed_bias'], '+.3f')} | {shown(covers[0], '.1f')} "
        f"| {shown(row['corrected_bias'], '+.3f')} | {shown(covers[1], '.1f')} "
        f"| {shown(row['corrected_median_width'], '.3g')} |"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description="Misjudged ramps with known truth, as claimed and corrected.")
    parser.add_argument("--studies", type=int, default=1000, help="with errors given")
    parser.add_argument("--joint-studies", type=int, default=200, help="with errors estimated")
    parser.add_argument("--replicates", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--out", help="CSV file for the results in full")
    options = parser.parse_args()
    print(
        f"Seed {options.seed}, {options.replicates} bootstrap samples; Monte Carlo error at 95 %: "
        f"{100 * np.sqrt(0.05 * 0.95 / options.studies):.1f} with errors given, "
        f"{100 * np.sqrt(0.05 * 0.95 / options.joint_studies):.1f} with errors estimated.\n"
    )
    print(
        "| scenario | ramps | quantity | truth | as claimed: bias | covers, % | corrected: bias | covers, % | width |"
    )
    print("|---" * 9 + "|", flush=True)
    rows: list[dict] = []
    with multiprocessing.get_context("spawn").Pool(options.processes) as pool:
        for scenario in scenarios():
            count = options.studies if scenario.model.fixed else options.joint_studies
            tasks = [(scenario, study, options.replicates, options.seed) for study in range(count)]
            new = summarised(scenario, pool.map(one_study, tasks, chunksize=5), options.seed)
            print("\n".join(line(row) for row in new), flush=True)
            rows += new
    if options.out:
        scratch = Path(f"{options.out}.part")
        scratch.write_bytes(csv_text(pd.DataFrame(rows)).encode("utf-8"))
        scratch.replace(options.out)


if __name__ == "__main__":
    main()
