"""The shipped invented studies, from data to report, with every estimate beside its known truth.

Run: python analyses/01_shipped_data.py [--out FOLDER]
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from capstat import analyse_study, read_study, write_report

DATA = Path(__file__).parent.parent / "synthetic_data"


def main() -> None:
    parser = argparse.ArgumentParser(description="Report on the shipped data, beside their truth.")
    parser.add_argument("--out", type=Path, default=Path("capstat-report"))
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    for name in ("registry", "crossover"):
        study = read_study(DATA / name)
        analysis = analyse_study(study)
        files = write_report(analysis, study.findings, options.out / name)
        truth = json.loads((DATA / name / "truth.json").read_text(encoding="utf-8"))
        comparison = analysis.captures[0].comparison
        ratio = comparison.ratio
        print(f"{name}: {files.page}")
        print(
            f"  ratio of thresholds {ratio.value:.3f} ({ratio.lower:.3f} to {ratio.upper:.3f}); "
            f"truth {truth['parameters']['ratio_ap_to_al']}"
        )
        for summary in comparison.summaries:
            population = truth["population"][summary.label]
            question = "among those who had it first" if name == "registry" else "if everybody had this placement"
            known = population[question]["capture_currents_ma"]
            for estimate, fraction in zip(summary.capture_currents, analysis.options.fractions, strict=True):
                share = f"{100 * fraction:g} %"
                if share in known:
                    shown = "not reached" if estimate.value is None else f"{estimate.value:g} mA"
                    print(
                        f"  {summary.label}, {share}: {shown} ({estimate.lower:g} to {estimate.upper:g}); "
                        f"truth {question} {known[share]} mA"
                    )


if __name__ == "__main__":
    main()
