"""What ramp policies would do on the invented studies, beside what is true there; the published ramp; drift found again.

Run: python analyses/11_ramp_policies.py [--studies synthetic_data] [--seed 1]

Prints: the published ramp of the 2022 crossover by arithmetic; for the registry and the crossover every example policy
with its estimated consequences beside those under the true distribution of thresholds; for the repeated checks the drift
beside the true one and the margin that it asks for; and how far the exact sums and patients simulated one by one agree.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from capstat.analysis import AnalysisOptions, RampQuestion, analyse_ramps, capture_definitions_for
from capstat.attempts import read_study
from capstat.distributions import LOGNORMAL
from capstat.protocol import RampPolicy
from capstat.protocol.consequences import policy_consequences
from capstat.protocol.courses import courses_of
from capstat.protocol.simulate_policy import simulate_policy
from capstat.protocol.threshold_law import ModelLaw, StepLaw
from capstat.report.wording import bounds_text

if TYPE_CHECKING:
    from capstat.analysis import RampAnalysis
    from capstat.results import Estimate

DISCOMFORT_MA = 70.0


def shown(estimate: Estimate, factor: float = 1.0) -> str:
    """Value and limits."""
    if estimate.value is None:
        return "not reached"
    text = f"{factor * estimate.value:.1f}"
    if estimate.lower is None or estimate.upper is None:
        return text
    return f"{text} ({factor * estimate.lower:.1f} to {factor * estimate.upper:.1f})"


def print_published_ramp() -> None:
    """40 mA, +5 mA each second up to 140 mA, derived from the published protocol (secondary summary)."""
    courses = courses_of(RampPolicy(40, 5, 140, 1.0, rate_ppm=80))
    starts = courses.first_capture_s[:-1]
    print("Ramp of the 2022 crossover, by arithmetic")
    for current in (93.0, 140.0):
        print(f"  {current:g} mA is reached after {np.interp(current, courses.edges_ma, starts):.1f} s")
    print()


def true_law(truth: dict, placement: str) -> StepLaw:
    """The distribution of thresholds that the invented study was drawn from, on a fine grid of its curve."""
    population = truth["population"][placement]
    question = (
        "among those who had it first"
        if "among those who had it first" in population
        else "if everybody had this placement"
    )
    shares = population[question]["share_captured"]
    at = np.array([float(name.removesuffix(" mA")) for name in shares])
    share = np.array(list(shares.values()))
    return StepLaw(
        np.append(np.append(0.0, at[:-1]), at[-1]), np.append(at, np.inf),
        np.diff(share, prepend=0.0, append=1.0)[None], 0, placement, "true shares",
    )  # fmt: skip


def print_policies(found: RampAnalysis, truth: dict) -> None:
    """Estimates by group and policy, and what is true where the truth is known at the currents that count."""
    for group in found.parts[0].groups:
        if group.laws is None:
            print(f"  {group.label}: {group.reason}")
            continue
        print(f"  {group.label}, {group.n_patients} patients, {group.laws.model_name}")
        law = true_law(truth, group.label)
        for c, plain in zip(group.policies, group.without_model, strict=True):
            real = policy_consequences(c.policy, law, discomfort_ma=DISCOMFORT_MA).not_captured
            true = f"{100 * real.value:.1f}" if real.value is not None else "unknown"
            moved = ", the pads moved" if c.policy.at_maximum is not None else f" (true: {true})"
            print(
                f"    {c.policy.name}: not captured {shown(c.not_captured, 100)} %{moved}; without output "
                f"{shown(c.without_output_s)} s ({bounds_text(plain.without_output_s)} without a model); pulses above "
                f"{DISCOMFORT_MA:g} mA {shown(c.pulses_above_discomfort)}; above the threshold "
                f"{'not worked out' if c.excess_ma.value is None else shown(c.excess_ma) + ' mA'}"
            )
    print()


def print_simulated(seed: int) -> None:
    """Exact sums against patients simulated one by one, for a lognormal law."""
    law = ModelLaw(LOGNORMAL, np.log([85.0]), np.log([[0.26]]), np.array([0.97]), 0, "everybody", "given")
    policy = RampPolicy(40, 5, 140, 1.0)
    exact = policy_consequences(policy, law, discomfort_ma=DISCOMFORT_MA)
    simulated = simulate_policy(policy, law, discomfort_ma=DISCOMFORT_MA, n=1_000_000, seed=seed)
    print("Exact sums and 1,000,000 simulated patients (Monte Carlo standard error)")
    for name in ("not_captured", "without_output_s", "pulses_above_discomfort"):
        mean, error = getattr(simulated, name)
        print(f"  {name}: {getattr(exact, name).value:.5f} and {mean:.5f} ({error:.5f})")
    print()


def print_drift(found: RampAnalysis, truth: dict) -> None:
    """Drift beside the true one, and margins."""
    drift = found.parts[0].drift
    print(f"Repeated checks: {drift.checks.n_patients} patients, {len(drift.checks)} checks")
    true = truth["parameters"]["drift_sd_30_min"]
    for fit in drift.fits:
        print(
            f"  {fit.model.value}: change over 30 minutes {shown(fit.typical_change(30.0))} % (true "
            f"{100 * np.expm1(true):.1f} %), AIC {fit.aic:.1f}"
        )
    if drift.needed is not None:
        print(f"  margin above the threshold for at most 5 % loss in 30 minutes: {shown(drift.needed)} %")
    group = next(g for g in found.parts[0].groups if g.margins)
    for entry in group.margins:
        losses = ", ".join(f"{shown(e, 100)} %" for e in entry.own.loss)
        print(f"  {entry.policy.name} ({entry.policy.margin.words}): lost within 10, 30, 60 minutes {losses}")


def main() -> None:
    """Print everything."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--studies", default="synthetic_data", help="folder of the invented studies")
    parser.add_argument("--seed", type=int, default=1, help="seed of the draws")
    options = parser.parse_args()
    print_published_ramp()
    print_simulated(options.seed)
    for name in ("registry", "crossover", "repeated_checks"):
        folder = Path(options.studies) / name
        study = read_study(folder)
        truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
        chosen = AnalysisOptions(seed=options.seed)
        found = analyse_ramps(
            study, chosen, RampQuestion(discomfort_ma=DISCOMFORT_MA), capture_definitions_for(study)[0]
        )
        if name == "repeated_checks":
            print_drift(found, truth)
        else:
            print(f"{name.capitalize()}")
            print_policies(found, truth)


if __name__ == "__main__":
    main()
