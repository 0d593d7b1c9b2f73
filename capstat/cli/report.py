"""capstat report: everything as one page."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.cli.common import (
    _whole,
    add_analysis_options,
    add_study_options,
    analysis_options,
    open_study,
    print_json,
    progress,
)

if TYPE_CHECKING:
    import argparse

__all__ = ["add_options", "run"]


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    add_study_options(parser)
    parser.add_argument("--out", required=True, help="folder for the report; made new, or replaced if capstat wrote it")
    parser.add_argument(
        "--suppress-below",
        type=_whole(1),
        default=1,
        metavar="N",
        help="hide counts and groups of fewer than N patients",
    )
    add_analysis_options(parser, placements=True)


def run(options: argparse.Namespace) -> int:
    """Analyse a study and write its report."""
    from capstat.analysis import analyse_study

    study = open_study(options)
    progress("estimating")
    analysis = analyse_study(study, analysis_options(options))
    progress("drawing")
    from capstat.report import write_report

    files = write_report(analysis, study.findings, options.out, suppress_below=options.suppress_below)
    if options.json:
        print_json({"page": str(files.page), "tables": files.tables, "figures": files.figures})
    else:
        print(f"The report is {files.page} ({files.tables} tables and {files.figures} figures beside it).")
    return 0
