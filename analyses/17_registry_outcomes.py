"""Time to capture, its loss and the outcome in the invented registry, beside what is true there.

Run: python analyses/17_registry_outcomes.py [--study synthetic_data/registry] [--seed 1]

True there: neither capture nor its time nor the placement changes who dies; patients in arrest are captured later and die
more often; anterior-lateral pads lose capture 1.5 times as often; outcomes are missing more often in survivors.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from capstat.analysis import AnalysisOptions, OutcomeQuestion, analyse_outcomes
from capstat.attempts import read_study
from capstat.thresholds import MECHANICAL_CAPTURE

if TYPE_CHECKING:
    from capstat.analysis import OutcomeAnalysis
    from capstat.results import Estimate


def shown(estimate: Estimate | None, factor: float = 1.0, digits: int = 2) -> str:
    """Value and limits."""
    if estimate is None or estimate.value is None or estimate.lower is None or estimate.upper is None:
        return "-"
    value, low, high = (f"{factor * number:.{digits}f}" for number in (estimate.value, estimate.lower, estimate.upper))
    return f"{value} ({low} to {high})"


def print_death(found: OutcomeAnalysis) -> None:
    """Death after capture by every method; the truth is no association given arrest and age."""
    print(
        "Death after sustained capture against without it; true hazard ratio given arrest and age: 1, true difference: 0"
    )
    print(f"  {'method':<34}{'hazard ratio, crude':<24}{'adjusted':<24}risk difference by 60 min, points")
    for row in found.immortal.rows:
        name = f"{row.method}{'' if row.at_min is None else f', {row.at_min:g} min'}{' (BIASED)' if row.biased else ''}"
        cells = (shown(row.hazard_ratio), shown(row.adjusted_hazard_ratio), shown(row.risk_difference, 1.0, 1))
        print(f"  {name:<34}{cells[0]:<24}{cells[1]:<24}{cells[2]}")
    print()


def print_losses(found: OutcomeAnalysis, truth: dict) -> None:
    """Rates of loss; the true ratio holds after the ramp, given arrest and early or late."""
    ratio = 1 / truth["parameters"]["loss_ratio_anterior_lateral"]
    print("Rate of loss of capture, anterior-posterior over anterior-lateral")
    print(f"  estimated, losses inside the ramp among them, nothing adjusted for: {shown(found.kept.rate_ratio)}")
    print(f"  true after the ramp, given arrest and early or late: {ratio:.2f}\n")


def print_survival(found: OutcomeAnalysis, truth: dict) -> None:
    """Survival to discharge as recorded, with bounds, beside that of everybody."""
    fates = truth["fates_of_all_patients"].values()
    true = sum(fate["discharged alive"] for fate in fates) / sum(fate["patients"] for fate in fates)
    one = found.outcomes[0]
    groups = one.risks.groups
    events, known, n = (sum(getattr(group, name) for group in groups) for name in ("events", "known", "n"))
    print("Survival to discharge")
    print(f"  among the {known} of {n} patients in whom it is recorded: {100 * events / known:.1f} %")
    print(f"  whatever the others' was: {100 * events / n:.1f} to {100 * (events + n - known) / n:.1f} %")
    print(f"  true in all: {100 * true:.1f} %")
    print("Difference between placements (true, given arrest and age: 0), points")
    for name, estimate in (
        ("as recorded", one.risks.difference),
        ("standardised", one.standardised.difference),
        ("inverse-probability weights", one.inverse_probability.difference),
        ("overlap weights", one.overlap.difference),
    ):
        print(f"  {name}: {shown(estimate, 100, 1)}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--study", default=Path(__file__).parent.parent / "synthetic_data" / "registry", type=Path)
    parser.add_argument("--seed", default=1, type=int)
    options = parser.parse_args()
    truth = json.loads((options.study / "truth.json").read_text(encoding="utf-8"))["course"]
    found = analyse_outcomes(
        read_study(options.study), AnalysisOptions(seed=options.seed), OutcomeQuestion(declared="survived_to_discharge"),
        MECHANICAL_CAPTURE, pair=("anterior-posterior", "anterior-lateral"),
    )  # fmt: skip
    print("SYNTHETIC DATA: the registry is invented.\n")
    for wait in found.waits:
        print(f"{wait.awaited}: " + ", ".join(f"{count} {end}" for end, count in wait.everybody.counts if count))
    print()
    print_death(found)
    print_losses(found, truth)
    print_survival(found, truth)


if __name__ == "__main__":
    main()
