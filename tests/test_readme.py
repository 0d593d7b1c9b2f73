"""The README is run: its Python example, its table of verbs, its small spreadsheet, its commands on the shipped data."""

from __future__ import annotations

import contextlib
import io
import re
import shlex
import subprocess
from pathlib import Path

import pytest

from capstat.attempts import read_study
from capstat.cli.main import EXIT_FINE, VERBS, main

ROOT = Path(__file__).parent.parent
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"^[ ]*```{language}\n(.*?)^[ ]*```", TEXT, flags=re.DOTALL | re.MULTILINE)


def test_job_comes_first():
    first = TEXT.split("\n\n")[1]
    for word in ("pads", "educators", "protocol committees", "threshold", "never reached"):
        assert word in first


def test_every_verb_is_in_the_table():
    for verb in VERBS:
        assert f"`capstat {verb}" in TEXT


def test_python_example_runs(monkeypatch):
    (code,) = blocks("python")
    monkeypatch.chdir(ROOT)
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        exec(compile(code, "README.md", "exec"), {})  # noqa: S102 the example is ours
    assert "ratio of capture thresholds within a patient" in out.getvalue()


def test_small_spreadsheet_is_a_study(tmp_path):
    rows = [
        [cell.strip() for cell in line.strip().strip("|").split("|")]
        for line in TEXT.splitlines()
        if re.match(r"^   \| (patient_id|P\d)", line)
    ]
    assert len(rows) == 5
    path = tmp_path / "my_attempts.csv"
    path.write_text("\n".join(",".join(row) for row in rows), encoding="utf-8")
    study = read_study(path)
    assert len(study.attempts) == 4


@pytest.mark.parametrize(
    "command",
    [line.strip() for block in blocks("sh") for line in block.splitlines() if "synthetic_data" in line],
)
def test_commands_on_shipped_data_run(command, monkeypatch, tmp_path, capsys):
    words = shlex.split(command.split("&& ")[-1])
    assert words[0].endswith("/capstat")
    arguments = [str(ROOT / word) if word.startswith("synthetic_data") else word for word in words[1:]]
    if arguments[0] == "report":
        arguments += ["--replicates", "100"]
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == EXIT_FINE
    capsys.readouterr()


def test_ci_runs_the_readmes_test_command():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    pattern = re.search(r"sed -n '(s/.*?/p)' README\.md", script)
    assert pattern
    found = subprocess.run(
        ["sed", "-n", pattern.group(1), "README.md"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout
    assert found.strip() == "-m pytest"


def test_no_placeholder_is_left():
    for name in ("README.md", "DEVELOPERS.md"):
        text = (ROOT / name).read_text(encoding="utf-8")
        assert not re.findall(r"\b[A-Z]+_(?:TABLE|WITHIN|BETWEEN)\b", text), name
