"""Findings: their sentences, their order, and the bound on their number."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from capstat.attempts import count_by_rule, count_by_severity, render_findings
from capstat.attempts.findings import MOST_PER_RULE, Finding, FindingLog, printable
from capstat.cli.main import main

if TYPE_CHECKING:
    from pathlib import Path


def test_a_sentence_names_place_value_problem_and_remedy() -> None:
    finding = Finding("error", "a.csv", 7, "step_ma", "x", "not-a-number", "is not a number", "Enter 5.", "Step")
    assert finding.sentence() == 'a.csv, row 7, column step_ma ("Step"): "x" is not a number. Enter 5.'


def test_values_are_short_and_without_control_characters() -> None:
    assert printable("a\x1b[31m\nb\u202e") == "a [31m b"
    assert len(printable("x" * 1000)) == 40


def test_a_message_is_one_line_whatever_it_quotes() -> None:
    log = FindingLog()
    log.add("error", "r", "the key \x1b[2J\n is unknown", file="a\r.csv")
    assert log.findings()[0].sentence() == "a .csv: the key  [2J  is unknown."


def test_errors_come_first_then_file_and_row() -> None:
    log = FindingLog()
    log.add("warning", "w", "m", file="a", row=1)
    log.add("error", "e", "m", file="b", row=9)
    log.add("error", "e", "m", file="a", row=5)
    log.add("error", "e", "m", file="a")
    assert [(f.severity, f.file, f.row) for f in log.findings()] == [
        ("error", "a", None), ("error", "a", 5), ("error", "b", 9), ("warning", "a", 1),
    ]  # fmt: skip
    assert log.has_errors


@pytest.mark.parametrize("parts", [1, 3])
def test_beyond_the_bound_findings_are_counted_only(parts: int) -> None:
    log = FindingLog()
    rows = np.arange(2, 2 + MOST_PER_RULE + 300)
    asked: list[int] = []

    def look(at: int) -> str:
        asked.append(at)
        return ""

    for part in np.array_split(rows, parts):
        log.add_rows("error", "r", "m", file="f", rows=part, column="c", value=look)
    findings = log.findings()
    assert len(findings) == MOST_PER_RULE + 1
    assert findings[-1].occurrences == 300
    assert "300 more rows" in findings[-1].sentence()
    assert count_by_severity(findings) == {"error": len(rows), "warning": 0}
    assert count_by_rule(findings) == {"r": len(rows)}
    assert len(asked) <= MOST_PER_RULE + parts


def test_one_kind_beyond_its_bound_does_not_speak_for_another() -> None:
    log = FindingLog()
    log.add_rows("error", "first", "m", file="f", rows=np.arange(MOST_PER_RULE), column="c")
    log.add("warning", "other", "m", file="f")
    log.add_rows("error", "first", "m", file="f", rows=np.arange(5), column="c")
    assert count_by_rule(log.findings()) == {"first": MOST_PER_RULE + 5, "other": 1}


def test_rendering_says_how_many_are_left_out() -> None:
    log = FindingLog()
    log.add_rows("error", "r", "is wrong", file="f", rows=np.arange(2, 62))
    log.add("warning", "w", "is odd", file="f")
    text = render_findings(log.findings(), limit=50)
    assert text.splitlines()[0] == "60 errors, 1 warning."
    assert "... and 10 more errors." in text
    assert text.count("is wrong") == 50
    assert "is odd" in text
    assert render_findings(()) == "No findings."


def test_one_finding_for_many_cells_counts_once_and_says_how_many() -> None:
    log = FindingLog()
    log.add("warning", "unknown-columns", "m", file="f", occurrences=10_000, stands_for="column")
    assert render_findings(log.findings()).startswith("0 errors, 1 warning (10,000 columns).\n")
    assert count_by_severity(log.findings()) == {"error": 0, "warning": 1}
    assert count_by_rule(log.findings()) == {"unknown-columns": 10_000}
    log.add("warning", "other", "m", file="f", occurrences=1, stands_for="row")
    assert render_findings(log.findings()).startswith("0 errors, 2 warnings (10,000 columns, 1 row).\n")
    # In brackets is what all of them stand for, so nothing when one of them is a row of its own.
    log.add("warning", "row", "m", file="f", row=3)
    assert render_findings(log.findings()).startswith("0 errors, 3 warnings.\n")
    assert "... and 2 more warnings." in render_findings(log.findings(), limit=1)


def test_one_row_that_is_not_listed_is_singular() -> None:
    log = FindingLog()
    log.add_rows("error", "r", "m", file="f", rows=np.arange(MOST_PER_RULE + 1))
    assert "1 more row has the same problem and is not listed" in log.findings()[-1].message


def test_lines_to_copy_are_below_the_sentence() -> None:
    log = FindingLog()
    log.add("error", "r", "is missing", file="f", example="[a]\nb = 1")
    assert render_findings(log.findings()).splitlines()[-3:] == ["  f: is missing.", "      [a]", "      b = 1"]


def test_problems_of_column_names_come_first() -> None:
    log = FindingLog()
    log.add("error", "not-a-number", "m", file="a", row=2)
    log.add("error", "missing-column", "m", file="b", column="x")
    log.add("error", "mapping-unreadable", "m", file="c")
    assert [f.file for f in log.findings()] == ["b", "c", "a"]


def test_what_was_read_is_counted_in_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def read(attempts: str, **others: str) -> str:
        for name, text in {"attempts": attempts, **others}.items():
            (tmp_path / f"{name}.csv").write_text(text)
        main(["check", str(tmp_path)])
        return capsys.readouterr().out.splitlines()[0]

    header = "attempt_id,patient_id,placement,max_output_ma,lowest_capture_ma\n"
    assert read(f"{header}a,1,AP,140,60\n") == "Read: 1 attempt; 1 patient."
    assert read(f"{header}a,1,AP,140,60\nb,2,AP,140,60\n") == "Read: 2 attempts; 2 patients."
    assert read("Pads\nAP\n") == "Read: 1 attempt."
    steps, patients = "attempt_id,current_ma,electrical_capture\na,60,yes\n", "patient_id,sex\n1,F\n"
    together = read(f"{header}a,1,AP,140,60\n", steps=steps, patients=patients)
    assert together == "Read: 1 attempt, 1 step, 1 patient record; 1 patient."
