"""The shipped registry: an adjusted comparison of placements beside the truth, and what goes wrong without adjustment.

Run: python analyses/08_registry_comparison.py

The registry is invented: crews chose the placement, more often anterior-posterior in smaller patients, and body size raises the
threshold.  The truth is what the shares would be if everybody had one placement.
"""

from __future__ import annotations

import json
from pathlib import Path

from capstat import MECHANICAL_CAPTURE, compare_placements, derive_thresholds, read_study
from capstat.analysis import DecisionQuestion, detail_comparison
from capstat.report.wording import estimate_text, p_text

REGISTRY = Path(__file__).parent.parent / "synthetic_data" / "registry"


def line(words: str, estimate, truth: float, text: str) -> None:
    held = estimate.lower is not None and estimate.lower <= truth <= estimate.upper
    print(f"  {words}: {estimate_text(estimate)}; truth {text}{'' if held else '  <- outside'}")


def main() -> None:
    truth = json.loads((REGISTRY / "truth.json").read_text(encoding="utf-8"))
    ratio = truth["parameters"]["ratio_ap_to_al"]
    thresholds = derive_thresholds(read_study(REGISTRY), capture=MECHANICAL_CAPTURE)
    result = compare_placements(thresholds, seed=1)
    detail = detail_comparison(thresholds, result, adjust_for=None, modifiers=None, question=DecisionQuestion(), seed=1)
    print(f"{truth['label']}\n\n{result.first} against {result.minus}\n\nRatio of thresholds")
    for row in detail.observational.adjustment_sets.rows:
        line(row.label, row.ratio, ratio, f"{ratio}")
    line("all confounders, missing values imputed", detail.imputed.ratio, ratio, f"{ratio}")
    shares = {
        name: truth["population"][name]["if everybody had this placement"]["share_captured"]
        for name in (result.first, result.minus)
    }
    print("\nDifference in share captured, had everybody had one placement")
    methods = [("doubly robust", detail.observational.doubly_robust.differences)]
    methods += [(one.weighting.value, one.differences) for one in detail.observational.weighted]
    methods.append(("nothing adjusted for", result.difference.at_currents))
    for words, estimates in methods:
        for estimate in estimates:
            current = estimate.quantity.split(" at ")[-1].split(",")[0]
            if current in ("80 mA", "100 mA"):
                gap = shares[result.first][current] - shares[result.minus][current]
                line(f"{words}, {current}", estimate, gap, f"{100 * gap:+.0f} percentage points")
    print("\nE-values")
    for value in detail.observational.e_values:
        print(f"  {value.quantity}: {value.point:.2f}, of the limit {value.limit:.2f}")
    print("\nFor whom (in truth the ratio is the same for all)")
    for one in detail.forest.modifiers:
        print(f"  interaction with {one.modifier}: {p_text(one.p_value)}, Holm {p_text(one.p_holm)}")


if __name__ == "__main__":
    main()
