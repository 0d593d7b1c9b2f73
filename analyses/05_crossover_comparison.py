"""The shipped crossover: every result of the comparison beside the truth it was made from, and beside the published practice.

Run: python analyses/05_crossover_comparison.py

The crossover is invented: 40 patients, both placements in random order, 5 mA steps up to 140 mA, most thresholds with the second
placement above that.  Nobody is beyond capture in truth, so what is not captured at 140 mA needs more current.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from scipy import special

from capstat import MECHANICAL_CAPTURE, compare_placements, derive_thresholds, read_study
from capstat.report.wording import estimate_text, p_text

CROSSOVER = Path(__file__).parent.parent / "synthetic_data" / "crossover"


def line(words: str, estimate, truth: float, text: str) -> bool:
    """One estimate beside the truth; whether the interval holds it."""
    held = estimate.lower is not None and estimate.lower <= truth <= estimate.upper
    print(f"  {words}: {estimate_text(estimate)}; truth {text}{'' if held else '  <- outside'}")
    return held


def main() -> None:
    truth = json.loads((CROSSOVER / "truth.json").read_text(encoding="utf-8"))
    known = truth["parameters"]
    ratio, within, between = known["ratio_ap_to_al"], known["within_sd"], known["between_sd"]
    median = known["median_anterior_lateral_ma"]
    thresholds = derive_thresholds(read_study(CROSSOVER), capture=MECHANICAL_CAPTURE)
    result = compare_placements(thresholds, seed=1)
    model = result.paired_ratio
    print(
        f"{truth['label']}\n\n{result.first} against {result.minus}, {result.n_both} of {result.n_either} patients with both\n"
    )
    line("ratio of thresholds", result.ratio, ratio, f"{ratio}")
    line("difference of medians", result.difference_at_median, median * (ratio - 1), f"{median * (ratio - 1):.0f} mA")
    line("without the order in the model", model.without_order, ratio, f"{ratio}")
    less = float(special.ndtr(-np.log(ratio) / (within * np.sqrt(2))))
    line("needs less in the same patient", model.probability_less, less, f"{100 * less:.0f} %")
    line(
        "correlation",
        model.correlation,
        between**2 / (between**2 + within**2),
        f"{between**2 / (between**2 + within**2):.2f}",
    )
    shares = {
        name: truth["population"][name]["if everybody had this placement"]["share_captured"]
        for name in (result.first, result.minus)
    }
    for estimate in result.difference.at_currents:
        current = estimate.quantity.split(" at ")[-1]
        if current in shares[result.first]:
            gap = shares[result.first][current] - shares[result.minus][current]
            line(f"difference in share captured at {current}", estimate, gap, f"{100 * gap:+.0f} percentage points")
    x = model.curves.difference.x
    log_t = (
        (np.log(x) - np.log(median * ratio)) / np.hypot(within, between),
        (np.log(x) - np.log(median)) / np.hypot(within, between),
    )
    gap = special.ndtr(log_t[0]) - special.ndtr(log_t[1])
    inside = (model.curves.difference.band_lower <= gap) & (gap <= model.curves.difference.band_upper)
    print(f"  modelled difference of the curves: its limits hold the truth at {inside.sum()} of {inside.size} currents")
    tests = result.paired_tests
    print(
        f"\nWithout a model: sign-type test {p_text(tests.sign.p_value)}, signed-rank test {p_text(tests.signed_rank.p_value)}, capture at "
        f"{result.common_maximum_ma:g} mA {p_text(result.paired_capture.test.p_exact)}"
    )
    practice = result.shortcut
    mean = median * (ratio - 1) * np.exp((within**2 + between**2) / 2)
    print(
        f"\nPublished practice ({practice.n_made_up} values made up, {practice.n_left_out} of {practice.n_patients} patients left out):"
    )
    line("difference of mean thresholds", practice.difference, mean, f"{mean:.0f} mA")


if __name__ == "__main__":
    main()
