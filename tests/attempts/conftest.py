"""Small studies written to a folder, and checked."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from capstat.attempts import CheckResult, check_study

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

SUMMARY_HEADER = "patient_id,placement,max_output_ma,highest_no_capture_ma,lowest_capture_ma"
GOOD_ROW = "P1,AP,140,60,65"


@pytest.fixture
def check(tmp_path: Path) -> Callable[..., CheckResult]:
    """Write tables (text or bytes) into a folder and check it; ``mapping`` is the text of a mapping file."""

    def write_and_check(attempts: str | bytes, *, mapping: str | None = None, **others: str | bytes) -> CheckResult:
        folder = tmp_path / "study"
        folder.mkdir(exist_ok=True)
        for name, content in {"attempts": attempts, **others}.items():
            data = content if isinstance(content, bytes) else content.encode()
            (folder / f"{name}.csv").write_bytes(data)
        mapping_file = None
        if mapping is not None:
            mapping_file = tmp_path / "mapping.toml"
            mapping_file.write_text(mapping, encoding="utf-8")
        return check_study(folder, mapping_file)

    return write_and_check


@pytest.fixture
def summary() -> Callable[..., str]:
    """Return CSV text of attempts: the summary columns, and further ones with one value for all rows."""

    def text(*rows: str, **further: str) -> str:
        header = ",".join([SUMMARY_HEADER, *further])
        lines = [",".join([row, *further.values()]) for row in rows or (GOOD_ROW,)]
        return "\n".join([header, *lines]) + "\n"

    return text


def found(result: CheckResult, rule: str) -> list[tuple[str, int | None, str | None]]:
    """Return (file, row, column) of the findings of one rule."""
    return [(f.file, f.row, f.column) for f in result.findings if f.rule == rule]


@pytest.fixture
def places() -> Callable[[CheckResult, str], list[tuple[str, int | None, str | None]]]:
    return found


@pytest.fixture
def rules() -> Callable[[CheckResult], list[str]]:
    """Return the rules of all findings, in order."""
    return lambda result: [f.rule for f in result.findings]
