"""How often the limits of ramp consequences hold the truth, in simulated studies.

Run: python analyses/12_ramp_simulation.py --out analyses/ramp_simulation.csv [--studies 150] [--seed 1]

Studies of ramps from 40 to 140 mA.  Truths: lognormal (median 85 mA, log SD 0.26) with 3 % never captured, or nobody; Weibull
(median 85 mA, shape 5); two kinds of patient (65 and 115 mA, log SD 0.1, half each) with 5 % never captured.  Policy: rising by 10 mA
every 5 s from 40 to 140 mA, one more step; and the same up to 200 mA, beyond every current of the study.  Drift is taken
as known (random walk, SD 0.08 in 30 minutes).  One line for each scenario: studies with a result, and for each quantity the truth,
the mean estimate and the coverage of its 95 % interval in percent.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from capstat.analysis.ramp_laws import group_laws
from capstat.output import csv_text
from capstat.protocol import Margin, MarginUnit, RampPolicy
from capstat.protocol.after_capture import loss_after_policy, margin_needed_after_policy
from capstat.protocol.consequences import policy_consequences
from capstat.protocol.loss import MaximumRise
from capstat.protocol.margins import assumed_drift
from capstat.protocol.threshold_law import StepLaw
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds

POLICY = RampPolicy(40, 10, 140, 5.0, margin=Margin(1, MarginUnit.STEPS), name="to 140 mA")
BEYOND = replace(POLICY, maximum_ma=200, name="to 200 mA")
RISE = MaximumRise(assumed_drift(0.08))
SD_30 = 0.08
# patients of the population whose consequences are called the truth
POPULATION = 1_000_000
DRAWS = 200


@dataclass(frozen=True)
class Scenario:
    """One kind of study.

    Attributes
    ----------
    truth : str
        Law of thresholds.
    patients : int
        Patients of a study.
    step_ma : float
        Step of its ramps.
    """

    truth: str
    patients: int
    step_ma: float


SCENARIOS = (
    Scenario("lognormal, 3 % never", 10, 5),
    Scenario("lognormal, 3 % never", 20, 5),
    Scenario("lognormal, 3 % never", 60, 5),
    Scenario("lognormal, 3 % never", 200, 5),
    Scenario("lognormal", 60, 10),
    Scenario("Weibull", 60, 10),
    Scenario("two kinds, 5 % never", 60, 10),
    Scenario("two kinds, 5 % never", 200, 10),
)


def drawn(truth: str, n: int, rng: np.random.Generator) -> np.ndarray:
    """Thresholds in mA, infinite for those never captured."""
    if truth == "Weibull":
        return 85 / np.log(2) ** 0.2 * rng.weibull(5, n)
    if truth.startswith("two kinds"):
        values = np.where(rng.random(n) < 0.5, 65.0, 115.0) * np.exp(0.1 * rng.standard_normal(n))
        return np.where(rng.random(n) < 0.05, np.inf, values)
    values = 85 * np.exp(0.26 * rng.standard_normal(n))
    return np.where(rng.random(n) < (0.03 if "never" in truth else 0.0), np.inf, values)


def seen(true_ma: np.ndarray, step_ma: float) -> CensoredThresholds:
    """Intervals that rising ramps from 40 to 140 mA show."""
    settings = np.arange(40, 140 + step_ma / 2, step_ma)
    at = np.searchsorted(settings, true_ma)
    return CensoredThresholds.from_bounds(np.append(0.0, settings)[at], np.append(settings, np.inf)[at])


def true_values(truth: str, seed: int) -> dict[str, float]:
    """Consequences in a large population, patient by patient."""
    thresholds = drawn(truth, POPULATION, np.random.default_rng([seed, 99]))
    law = StepLaw(thresholds[:1], thresholds[:1], np.ones((1, 1)), 1, "", "")
    values: dict[str, float] = {}
    for policy in (POLICY, BEYOND):
        settings = np.array(policy.rising_settings())
        distinct, count = np.unique(
            np.append(settings, np.inf)[np.searchsorted(settings, thresholds)], return_counts=True
        )
        law = StepLaw(distinct, distinct, (count / POPULATION)[None], 1, "", "")
        found = policy_consequences(policy, law, discomfort_ma=70)
        for estimate, name in quantities(found):
            values[f"{name}, {policy.name}"] = float(estimate.value)
    settings = np.array(POLICY.rising_settings())
    captured = thresholds[thresholds <= 140]
    found_ma = settings[np.searchsorted(settings, captured)]
    kept = np.array([POLICY.with_margin(float(c)) for c in settings])[np.searchsorted(settings, captured)]
    values["lost within 30 minutes"] = float(RISE.exceeds(np.log(kept / captured), 30.0)[0].mean())
    low, high = 0.0, 1.0
    for _ in range(30):
        middle = (low + high) / 2
        lost = RISE.exceeds(np.log(found_ma * (1 + middle) / captured), 30.0)[0].mean()
        low, high = (middle, high) if lost > 0.05 else (low, middle)
    values["margin with 5 % lost, %"] = 100 * high
    return values


def quantities(found: object) -> tuple[tuple[object, str], ...]:
    """Estimates that are looked at."""
    return (
        (found.not_captured, "not captured"),
        (found.without_output_s, "without output, s"),
        (found.pulses_above_discomfort, "pulses above 70 mA"),
    )


def one_study(scenario: Scenario, seed: int) -> dict[str, object] | None:
    """Estimates of one simulated study, or nothing where no model can be used."""
    rng = np.random.default_rng(seed)
    try:
        laws = group_laws(
            seen(drawn(scenario.truth, scenario.patients, rng), scenario.step_ma), "all", draws=DRAWS, seed=seed
        )
    except NotEstimableError:
        return None
    found: dict[str, object] = {}
    for policy in (POLICY, BEYOND):
        for estimate, name in quantities(policy_consequences(policy, laws.model, discomfort_ma=70)):
            found[f"{name}, {policy.name}"] = estimate
    found["lost within 30 minutes"] = loss_after_policy(POLICY, laws.model, RISE, minutes=(30.0,))[0]
    found["margin with 5 % lost, %"] = margin_needed_after_policy(POLICY, laws.model, RISE)
    return found


def main() -> None:
    """Simulate and write."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", required=True, help="CSV file")
    parser.add_argument("--studies", type=int, default=150, help="studies of each scenario")
    parser.add_argument("--seed", type=int, default=1, help="seed")
    options = parser.parse_args()
    rows = []
    for k, scenario in enumerate(SCENARIOS):
        truth = true_values(scenario.truth, options.seed)
        results = [one_study(scenario, 100_000 * options.seed + 1_000 * k + s) for s in range(options.studies)]
        kept = [result for result in results if result is not None]
        row: dict[str, object] = {
            "truth": scenario.truth, "patients": scenario.patients, "step_ma": scenario.step_ma,
            "studies": options.studies, "without_result": options.studies - len(kept), "seed": options.seed,
        }  # fmt: skip
        for name, value in truth.items():
            estimates = [result[name] for result in kept]
            held = [e.lower - 1e-9 <= value <= e.upper + 1e-9 for e in estimates if e.lower is not None]
            means = [e.value for e in estimates if e.value is not None]
            row |= {
                f"{name}: true": value,
                f"{name}: mean": float(np.mean(means)),
                f"{name}: held, %": 100 * float(np.mean(held)),
            }
        rows.append(row)
        print(
            {key: value if isinstance(value, str) else round(float(value), 3) for key, value in row.items()}, flush=True
        )
    Path(options.out).write_text(csv_text(pd.DataFrame(rows)), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
