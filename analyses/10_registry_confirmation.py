"""Was it capture at all, in the invented registry, beside what is true there; and the one published series from its counts.

Run: python analyses/10_registry_confirmation.py [--study synthetic_data/registry] [--seed 1]

Prints a published series of claimed captures with limits from its counts; then, for the registry: the share of claims
that review did not uphold beside the true share, the readings' sensitivity and specificity, capture currents as claimed
and corrected beside those of the population, signs against ultrasound as counted and corrected for which settings were
scanned, and what a model without any reference would have said.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from capstat.analysis import AnalysisOptions, ConfirmationQuestion, analyse_confirmation
from capstat.attempts import read_study
from capstat.capture import audit_counts

if TYPE_CHECKING:
    from capstat.analysis import ConfirmationAnalysis
    from capstat.results import Estimate

# Kimbrell et al. 2024, Prehosp Emerg Care, doi:10.1080/10903127.2024.2321287 (abstract seen): 19 of 23 claimed captures were
# false by a wide QRS complex with T wave; a pulse had been documented in all 23; median applied currents 95 and 70 mA
PUBLISHED_FALSE, PUBLISHED_JUDGED, PUBLISHED_TRUE_MA, PUBLISHED_FALSE_MA = 19, 23, 95, 70
FRACTIONS = (0.5, 0.9)


def shown(estimate: Estimate, factor: float = 1.0) -> str:
    """Value and limits."""
    if estimate.value is None:
        return "not reached"
    if estimate.lower is None or estimate.upper is None:
        return f"{factor * estimate.value:.1f}"
    return f"{factor * estimate.value:.1f} ({factor * estimate.lower:.1f} to {factor * estimate.upper:.1f})"


def print_published() -> None:
    """The published series, by its counts."""
    wilson, exact = audit_counts(PUBLISHED_FALSE, PUBLISHED_JUDGED)
    print("Published series (Kimbrell et al. 2024): claimed captures that were false, %")
    print(f"  {PUBLISHED_FALSE} of {PUBLISHED_JUDGED}: Wilson {shown(wilson, 100)}, exact {shown(exact, 100)}")
    upheld, _ = audit_counts(PUBLISHED_JUDGED - PUBLISHED_FALSE, PUBLISHED_JUDGED)
    print(
        f"  a pulse was documented in all of them, so where a pulse was documented, capture was true in {shown(upheld, 100)}"
    )
    print(
        f"  applied currents: {PUBLISHED_FALSE_MA} mA in false, {PUBLISHED_TRUE_MA} mA in true capture; these are currents in "
        "use, not thresholds,\n  and show the direction only: what was believed to capture lay lower than what did\n"
    )


def print_claims(found: ConfirmationAnalysis, truth: dict) -> None:
    """False claims, and how well the screen was read."""
    audit = found.false_capture.audit
    counts = truth["judgement"]["first_claims_of_electrical_capture"].values()
    actual = sum(c["false"] for c in counts) / sum(c["first_claims"] for c in counts)
    print("Registry: first claims of electrical capture that review did not uphold, %")
    print(
        f"  estimated {shown(audit.share, 100)} from {audit.judged} reviewed claims; true among all {100 * actual:.1f}\n"
    )
    screen = truth["judgement"]["screen"]
    result = found.corrected.groups[0].result
    print("Reading of the screen, %")
    print(f"  sensitivity {shown(result.sensitivity, 100)}; true {100 * screen['sensitivity']:.1f}")
    base = special.logit(screen["false_claim_60_ma"])
    for current, estimate in result.specificities:
        rise = screen["log_odds_per_10_ma"] * (current - 60) / 10
        after = np.log(screen["odds_ratio_after_training"])
        true = [100 * special.expit(-(base + rise + change)) for change in (0.0, after)]
        print(
            f"  specificity at {current:g} mA {shown(estimate, 100)}; true {true[0]:.1f} before and {true[1]:.1f} after training"
        )
    print()


def print_currents(found: ConfirmationAnalysis, truth: dict) -> None:
    """Capture currents as claimed, corrected, and true."""
    print("Currents that capture, mA")
    for group in found.corrected.groups[1:]:
        population = truth["population_electrical"][group.label]["among those who had it first"]["capture_currents_ma"]
        for k, fraction in enumerate(FRACTIONS):
            claimed, corrected = (
                shown(summary.capture_currents[k]) for summary in (group.result.as_claimed, group.result.corrected)
            )
            true = population[f"{100 * fraction:g} %"]
            print(f"  {group.label}, {100 * fraction:g} %: as claimed {claimed}; corrected {corrected}; true {true:g}")
    print("  (a current on a grid of 5 mA is the upper end of its step: up to 5 mA above the true one)\n")


def print_signs(found: ConfirmationAnalysis, truth: dict) -> None:
    """Signs against ultrasound, which was used more often where no pulse was felt; and without any reference."""
    signs = truth["judgement"]["signs"]
    by_ultrasound = next(r for r in found.signs.references if r.reference == "ultrasound")
    names = {"femoral pulse": "femoral", "carotid pulse": "carotid", "oximetry waveform": "oximetry"}
    latent = found.signs.latent
    alone = dict(zip(latent.labels, zip(latent.model.sensitivity, latent.model.specificity, strict=True), strict=True))
    print("Signs of mechanical capture, sensitivity and specificity, %")
    for label, corrected in by_ultrasound.verification:
        if label not in names:
            continue
        for k, kind in enumerate(("sensitivity", "specificity")):
            print(
                f"  {label}, {kind}: as counted {shown(getattr(corrected, f'uncorrected_{kind}'), 100)}; corrected "
                f"{shown(getattr(corrected, kind), 100)}; without a reference {shown(alone[label][k], 100)}; true "
                f"{100 * signs[f'{names[label]}_{kind}']:.1f}"
            )
    print()


def main() -> None:
    """Run the analysis and print it."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--study", type=Path, default=Path(__file__).parent.parent / "synthetic_data" / "registry")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    truth = json.loads((options.study / "truth.json").read_text(encoding="utf-8"))
    question = ConfirmationQuestion(change_month=truth["judgement"]["screen"]["training_month"])
    chosen = AnalysisOptions(fractions=FRACTIONS, seed=options.seed, confirmation=question)
    found = analyse_confirmation(read_study(options.study), chosen)
    print_published()
    print_claims(found, truth)
    print_currents(found, truth)
    print_signs(found, truth)


if __name__ == "__main__":
    main()
