"""How the thresholds of the shipped registry are distributed: estimates, checks of the models, figures, and the truth beside them.

Run: python analyses/04_threshold_distributions.py [--out capstat-thresholds]

The registry is invented and its truth is known, so this also shows by how much two shortcuts found in publications are wrong:
recording non-capture as "maximum + 1 mA", and leaving attempts without capture out.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from capstat import (
    FAMILIES,
    LOGNORMAL,
    MECHANICAL_CAPTURE,
    analyse_study,
    averaged_capture_currents,
    compare_families,
    derive_thresholds,
    estimate_never_captured,
    fit_parametric,
    likelihood_ratio_currents,
    read_study,
    shortcut_estimates,
    summarise_capture,
)
from capstat.output import new_folder_atomically
from capstat.report.figures import figures_of_capture
from capstat.report.wording import estimate_text

REGISTRY = Path(__file__).parent.parent / "synthetic_data" / "registry"
FRACTIONS = (0.5, 0.9, 0.95)
QUESTION = "among those who had it first"


def describe(placement: str, truth: dict) -> None:
    """Every estimate of one placement beside the truth."""
    study = read_study(REGISTRY)
    everything = derive_thresholds(study, capture=MECHANICAL_CAPTURE)
    first = everything.subset(everything.covariates["first_attempt"].to_numpy())
    thresholds = first.for_placement(placement)
    known = truth["population"][placement][QUESTION]
    print(f"\n{placement}: {thresholds.n_patients} patients")
    summary = summarise_capture(thresholds, label=placement, fractions=FRACTIONS, currents_ma=(80.0, 140.0), seed=1)
    ratio = likelihood_ratio_currents(thresholds, FRACTIONS)
    lognormal = fit_parametric(thresholds, family=LOGNORMAL)
    averaged = averaged_capture_currents(compare_families(thresholds), FRACTIONS)
    for k, fraction in enumerate(FRACTIONS):
        share = f"{100 * fraction:g} %"
        print(f"  {share}: truth {known['capture_currents_ma'].get(share, 'not tabulated')}")
        print(f"    no assumption, bootstrap limits   {estimate_text(summary.capture_currents[k])}")
        print(f"    no assumption, likelihood ratio   {estimate_text(ratio[k])}")
        print(f"    lognormal, everybody capturable   {estimate_text(lognormal.capture_current(fraction))}")
        print(f"    average of models                 {estimate_text(averaged[k])}")
    for family in FAMILIES:
        never = estimate_never_captured(thresholds, family=family)
        print(f"  share never captured, {family.name}: {estimate_text(never.share)}")
    low, high = summary.restricted_mean.identified
    found = shortcut_estimates(thresholds)
    print(f"  {summary.restricted_mean.quantity}: between {low:.1f} and {high:.1f} mA")
    for words, shortcut in (("maximum + 1 mA", found.maximum_plus_one), ("dropped", found.dropped)):
        mean, spread, half, tail = (
            e.value for e in (shortcut.mean, shortcut.standard_deviation, shortcut.median, shortcut.nine_in_ten)
        )
        true_half, true_tail = (known["capture_currents_ma"][share] for share in ("50 %", "90 %"))
        print(
            f"  shortcut, non-capture {words}: mean {mean:.1f} mA, SD {spread:.1f} mA; median {half:.1f} mA, off by "
            f"{half - true_half:+.1f}; current for 90 % from mean and SD {tail:.0f} mA, off by {tail - true_tail:+.0f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description="Threshold distributions of the shipped registry.")
    parser.add_argument("--out", type=Path, default=Path("capstat-thresholds"))
    options = parser.parse_args()
    truth = json.loads((REGISTRY / "truth.json").read_text(encoding="utf-8"))
    print(truth["label"])
    for placement in ("anterior-posterior", "anterior-lateral"):
        describe(placement, truth)
    analysis = analyse_study(read_study(REGISTRY))
    with new_folder_atomically(options.out, kind="report") as folder:
        for picture in figures_of_capture(analysis.captures[0]):
            (folder / f"{picture.name}.png").write_bytes(picture.png)
            (folder / f"{picture.name}.svg").write_bytes(picture.svg)
    print(f"\nFigures are in {options.out}.")


if __name__ == "__main__":
    main()
