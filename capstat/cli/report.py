"""capstat report: everything as one page."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from capstat.cli.common import (
    add_analysis_options,
    add_covariates_option,
    add_study_options,
    analysis_options,
    open_study,
    print_json,
    progress,
    whole_number,
)
from capstat.cli.confirmation_options import add_confirmation_options, confirmation_question
from capstat.cli.literature_options import add_literature_options, literature_question
from capstat.cli.outcome_options import add_outcome_options, outcome_question
from capstat.cli.ramp_options import add_ramp_options, ramp_question

if TYPE_CHECKING:
    import argparse

__all__ = ["add_options", "run"]


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    add_study_options(parser)
    parser.add_argument(
        "--out",
        required=True,
        help="folder for the report; made new; an unchanged report of capstat is replaced, anything else refused",
    )
    parser.add_argument(
        "--suppress-below",
        type=whole_number(1),
        default=1,
        metavar="N",
        help="hide counts and groups of fewer than N patients",
    )
    add_analysis_options(parser, placements=True)
    add_covariates_option(parser)
    add_confirmation_options(parser)
    add_outcome_options(parser)
    add_ramp_options(parser)
    add_literature_options(parser)


def run(options: argparse.Namespace) -> int:
    """Analyse a study and write its report."""
    from capstat.analysis import analyse_study

    chosen = replace(
        analysis_options(options), confirmation=confirmation_question(options), ramps=ramp_question(options),
        literature=literature_question(options), outcomes=outcome_question(options),
    )  # fmt: skip
    study = open_study(options)
    progress("estimating")
    analysis = analyse_study(study, chosen)
    progress("drawing")
    from capstat.report import write_report
    from capstat.report.wording import counted

    files = write_report(analysis, study.findings, options.out, suppress_below=options.suppress_below)
    if options.json:
        print_json({"page": str(files.page), "tables": files.tables, "figures": files.figures})
    else:
        print(f"The report is {files.page} ({files.tables} tables and {counted(files.figures, 'figure')} beside it).")
    return 0
