"""capstat check: every finding at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from capstat.cli.common import print_json

if TYPE_CHECKING:
    import argparse

    from capstat.attempts import CheckResult, Study
    from capstat.synthesis.range_check import RangeCheck

__all__ = ["add_options", "run"]


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    from capstat.cli.common import add_study_options, whole_number

    add_study_options(parser)
    parser.add_argument(
        "--limit", type=whole_number(1), default=50, help="findings shown (default 50; --json shows all)"
    )
    parser.add_argument(
        "--suppress-below", type=whole_number(1), default=1, metavar="N",
        help="hide counts and groups of fewer than N patients",
    )  # fmt: skip


def run(options: argparse.Namespace) -> int:
    """Check a study; exit status 1 when there are errors."""
    from dataclasses import asdict

    from capstat.attempts import check_study, count_by_rule, count_by_severity, render_findings

    result = check_study(options.study, options.mapping)
    ranges = None if result.study is None else _ranges(result.study, options.suppress_below)
    if options.json:
        print_json(
            {
                "rows": result.rows,
                "patients": result.n_patients,
                "counts": count_by_severity(result.findings),
                "rules": count_by_rule(result.findings),
                "findings": [asdict(finding) for finding in result.findings],
            }
            | _range_record(ranges)
        )
    else:
        print(_read_text(result))
        print(render_findings(result.findings, options.limit))
        if ranges is not None:
            _print_ranges(ranges)
        elif result.has_errors:
            print("\nPublished ranges are looked at once there are no errors.")
    return int(result.has_errors)


def _ranges(study: Study, fewest: int) -> RangeCheck | None:
    """The study's thresholds beside published and trade ranges; ``None`` where no attempt has a threshold."""
    from capstat.analysis import capture_definitions_for
    from capstat.results import NotEstimableError
    from capstat.synthesis.evidence_file import published_evidence
    from capstat.synthesis.range_check import check_ranges, suppress_ranges
    from capstat.thresholds import derive_thresholds

    thresholds = derive_thresholds(study, capture=capture_definitions_for(study)[0])
    try:
        return suppress_ranges(check_ranges(thresholds, published_evidence(), study=study), fewest)
    except NotEstimableError:
        return None


def _print_ranges(ranges: RangeCheck) -> None:
    import textwrap

    from capstat.report.range_tables import range_sentences

    print("\nBeside published and trade ranges (nothing passes or fails; tables: capstat pool STUDY)")
    # the first note, that the ranges are no norm, is in the sentences
    for sentence in (*range_sentences(ranges), *ranges.notes[1:]):
        print("\n".join(textwrap.wrap(sentence, 100, initial_indent="  ", subsequent_indent="  ")))


def _range_record(ranges: RangeCheck | None) -> dict[str, Any]:
    if ranges is None:
        return {"ranges": None}
    from capstat.cli.common import table_records
    from capstat.report.range_tables import range_sentences, range_tables

    words = {"sentences": list(range_sentences(ranges)), "notes": list(ranges.notes)}
    return {"ranges": words | table_records(range_tables(ranges))}


def _read_text(result: CheckResult) -> str:
    """Say how much was read; patients are counted only where the attempts could be understood."""
    from capstat.attempts.findings import counted

    nouns = {"attempts": "attempt", "steps": "step", "periods": "capture period", "patients": "patient record"}
    rows = ", ".join(counted(count, nouns[table]) for table, count in result.rows.items())
    patients = f"; {counted(result.n_patients, 'patient')}" if result.n_patients else ""
    return f"Read: {rows or 'nothing'}{patients}."
