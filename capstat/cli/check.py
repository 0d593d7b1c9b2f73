"""capstat check: every finding at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.cli.common import print_json

if TYPE_CHECKING:
    import argparse

    from capstat.attempts import CheckResult

__all__ = ["add_options", "run"]


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    from capstat.cli.common import add_study_options, whole_number

    add_study_options(parser)
    parser.add_argument(
        "--limit", type=whole_number(1), default=50, help="findings shown (default 50; --json shows all)"
    )


def run(options: argparse.Namespace) -> int:
    """Check a study; exit status 1 when there are errors."""
    from dataclasses import asdict

    from capstat.attempts import check_study, count_by_rule, count_by_severity, render_findings

    result = check_study(options.study, options.mapping)
    if options.json:
        print_json(
            {
                "rows": result.rows,
                "patients": result.n_patients,
                "counts": count_by_severity(result.findings),
                "rules": count_by_rule(result.findings),
                "findings": [asdict(finding) for finding in result.findings],
            }
        )
    else:
        print(_read_text(result))
        print(render_findings(result.findings, options.limit))
    return int(result.has_errors)


def _read_text(result: CheckResult) -> str:
    """Say how much was read; patients are counted only where the attempts could be understood."""
    from capstat.attempts.findings import counted

    nouns = {"attempts": "attempt", "steps": "step", "patients": "patient record"}
    rows = ", ".join(counted(count, nouns[table]) for table, count in result.rows.items())
    patients = f"; {counted(result.n_patients, 'patient')}" if result.n_patients else ""
    return f"Read: {rows or 'nothing'}{patients}."
