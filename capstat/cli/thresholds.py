"""capstat thresholds: how capture thresholds are distributed."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

from capstat.cli.common import (
    add_analysis_options,
    add_covariates_option,
    add_study_options,
    analysis_options,
    estimate_record,
    open_study,
    print_json,
    progress,
)

if TYPE_CHECKING:
    import argparse

    from capstat.analysis import CaptureAnalysis, GroupAnalysis, StudyAnalysis
    from capstat.results import Estimate

__all__ = ["add_options", "run"]


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    add_study_options(parser)
    add_analysis_options(parser, placements=False)
    add_covariates_option(parser)


def _print_text(analysis: StudyAnalysis) -> None:
    from capstat.report.sentences import summary_sentences
    from capstat.report.table import table_text
    from capstat.report.tables import tables_of_thresholds

    if analysis.facts.synthetic:
        print("SYNTHETIC DATA: this study, or part of it, is invented.\n")
    for sentence in summary_sentences(analysis):
        print("\n".join(textwrap.wrap(sentence, 100)))
    print()
    for k, capture in enumerate(analysis.captures):
        print(f"{capture.capture.name.capitalize()} capture ({capture.selection})\n")
        tables = tables_of_thresholds(capture)
        # beside the leading definition of capture the currents and shares are enough on a terminal
        for table in tables if k == 0 else tables[:2]:
            print(table_text(table))
        gaps = [group.summary.fit.optimality_gap for group in capture.groups]
        print(f"Optimality gap of the nonparametric estimates: at most {max(gaps, default=0.0):.1e}.\n")
    options = analysis.options
    print(f"Bootstrap of patients: {options.replicates} replicates, seed {options.seed}.")
    print("For research and education. Not a medical device, not bedside guidance.")


def _group_record(group: GroupAnalysis) -> dict[str, Any]:
    label, summary, detail = group.summary.label, group.summary, group.detail

    def records(estimates: tuple[Estimate, ...]) -> list[dict[str, Any]]:
        return [estimate_record(label, estimate) for estimate in estimates]

    found: dict[str, Any] = {
        "nonparametric": records(
            (
                *summary.capture_currents,
                *summary.capture_probabilities,
                summary.not_captured,
                summary.restricted_mean,
            )
        ),
        "optimality_gap": summary.fit.optimality_gap,
        "unique": summary.fit.unique,
        "best_model": records(group.models.currents),
        "average_of_models": records(group.models.averaged_currents),
        "models": [
            {"model": row.name, "aic": row.aic, "weight": row.weight, "reason": row.reason}
            for row in group.models.families.rows
        ],
    }
    if detail is not None:
        check = detail.fit_check
        found["fit_test"] = (
            {"reason": detail.not_checked}
            if check is None
            else {"model": check.name, "p_value": check.p_value, "replicates": check.simulated.size, "seed": check.seed}
        )
        found["never_captured"] = [
            {"family": never.family.name, "boundary_p": never.p_value, **estimate_record(label, never.share)}
            for never in detail.never_captured
        ]
        found["tolerances"] = [
            {"tolerance_percent": percent, "currents": records(estimates)} for percent, estimates in detail.tolerances
        ]
        found["shortcuts_not_to_be_used"] = records(
            (detail.shortcuts.maximum_plus_one.mean, detail.shortcuts.dropped.mean)
        )
    return found


def _capture_record(capture: CaptureAnalysis) -> dict[str, Any]:
    covariates = capture.covariates
    return {
        "selection": capture.selection,
        "groups": {group.summary.label: _group_record(group) for group in capture.groups},
        "covariates": [] if covariates is None else [estimate_record("", ratio) for ratio in covariates.ratios],
    }


def run(options: argparse.Namespace) -> int:
    """Estimate and print."""
    from capstat.analysis import analyse_study

    study = open_study(options)
    progress("estimating")
    analysis = analyse_study(study, analysis_options(options), confirmation=False, ramps=False)
    if options.json:
        print_json({capture.capture.name: _capture_record(capture) for capture in analysis.captures})
    else:
        _print_text(analysis)
    return 0
