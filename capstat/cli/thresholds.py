"""capstat thresholds: how capture thresholds are distributed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.cli.common import (
    add_analysis_options,
    add_study_options,
    analysis_options,
    estimate_record,
    open_study,
    print_json,
    progress,
)

if TYPE_CHECKING:
    import argparse

    from capstat.analysis import StudyAnalysis

__all__ = ["add_options", "run"]


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    add_study_options(parser)
    add_analysis_options(parser, placements=False)


def _print_text(analysis: StudyAnalysis) -> None:
    from capstat.report.wording import estimate_text

    for capture in analysis.captures:
        print(f"{capture.capture.name.capitalize()} capture ({capture.selection})")
        for group in capture.groups:
            summary = group.summary
            print(f"\n  {summary.label}: {group.counts.patients} patients, {group.counts.attempts} attempts")
            for estimate in (*summary.capture_currents, *summary.capture_probabilities, summary.not_captured):
                print(f"    {estimate.quantity}: {estimate_text(estimate)}")
            for estimate in group.model_currents:
                print(f"    {estimate.quantity}, {group.fits[0].family.name} model: {estimate_text(estimate)}")
            if group.not_fitted:
                print(f"    no parametric model: {group.not_fitted}")
            print(f"    optimality gap of the nonparametric estimate: {summary.fit.optimality_gap:.1e}")
        print()
    print(f"Bootstrap of patients: {analysis.options.replicates} replicates, seed {analysis.options.seed}.")


def run(options: argparse.Namespace) -> int:
    """Estimate and print."""
    from capstat.analysis import analyse_study

    study = open_study(options)
    progress("estimating")
    analysis = analyse_study(study, analysis_options(options))
    if options.json:
        print_json(
            {
                capture.capture.name: [
                    estimate_record(group.summary.label, estimate)
                    for group in capture.groups
                    for estimate in (
                        *group.summary.capture_currents,
                        *group.summary.capture_probabilities,
                        group.summary.not_captured,
                    )
                ]
                for capture in analysis.captures
            }
        )
    else:
        _print_text(analysis)
    return 0
