"""A local spreadsheet and its mapping file."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable

    from capstat.attempts import CheckResult

    Check = Callable[..., CheckResult]
    Rules = Callable[[CheckResult], list[str]]

EXPORT = (
    "Case;Pad site;no cap;cap;Remarks;Sex;Kg\n"
    "1;vorne/hinten;60;65;fine;W;80,5\n"
    "2;Seite;140;NC;long;M;NA\n"
)  # fmt: skip
MAPPING = """
[attempts]
ignore = ["Remarks"]
[attempts.columns]
patient_id = "Case"
placement = "pad site"
highest_no_capture_ma = "no cap"
lowest_capture_ma = "cap"
weight_kg = "Kg"
[attempts.recode.placement]
"Vorne/Hinten" = "anterior-posterior"
"Seite" = "AL"
[attempts.recode.lowest_capture_ma]
"NC" = ""
[attempts.constants]
max_output_ma = 140
capture_criterion = "mechanical"
arrest = false
"""


def test_an_export_is_read_through_its_mapping(check: Check) -> None:
    result = check(EXPORT, mapping=MAPPING)
    assert not result.findings
    assert result.study is not None
    attempts = result.study.attempts
    assert attempts["placement"].tolist() == ["anterior-posterior", "anterior-lateral"]
    assert attempts["lowest_capture_ma"].isna().tolist() == [False, True]
    assert attempts["max_output_ma"].tolist() == [140.0, 140.0]
    assert attempts["capture_criterion"].tolist() == ["mechanical"] * 2
    assert attempts["arrest"].tolist() == [False, False]
    assert result.study.patients["weight_kg"].tolist()[0] == 80.5


def test_findings_name_the_local_column_too(check: Check) -> None:
    result = check(EXPORT.replace("Seite", "Ecke"), mapping=MAPPING)
    (finding,) = result.findings
    assert (finding.column, finding.header, finding.value) == ("placement", "Pad site", None)
    assert 'column placement ("Pad site")' in finding.sentence()


def test_a_mapping_names_the_files_of_a_folder(check: Check) -> None:
    mapping = '[attempts]\nfile = "export.csv"\n[steps]\nfile = "ramps.csv"\n'
    good = "attempt_id,patient_id,placement,max_output_ma\na,1,AP,140\n"
    result = check("broken", mapping=mapping, export=good, ramps="attempt_id,current_ma\na,60\n")
    assert result.rows == {"attempts": 1, "steps": 1}
    result = check("broken", mapping=mapping.replace("ramps", "nothing"), export=good)
    assert "mapping-file-missing" in [f.rule for f in result.findings]


def test_numbers_can_be_recoded(check: Check, summary: Callable[..., str]) -> None:
    mapping = '[attempts.recode.lowest_capture_ma]\n999 = ""\n'
    study = check(summary("1,AP,140,140,999"), mapping=mapping).study
    assert study is not None
    assert study.attempts["lowest_capture_ma"].isna().all()


@pytest.mark.parametrize(
    ("mapping", "rule"),
    [
        ("[attempts", "mapping-unreadable"),
        ("a = " + "[" * 5000, "mapping-unreadable"),
        ("a = " + "9" * 5000, "mapping-unreadable"),
        ("[patient]\n", "mapping-unknown-key"),
        ("[attempts.column]\n", "mapping-unknown-key"),
        ("attempts = 3", "mapping-wrong-type"),
        ("[attempts]\nfile = 3", "mapping-wrong-type"),
        ('[attempts]\nfile = "../x.csv"', "mapping-wrong-type"),
        ('[attempts]\nfile = "a\\\\b.csv"', "mapping-wrong-type"),
        ('[attempts]\nignore = "x"', "mapping-wrong-type"),
        ("[attempts]\ncolumns = 3", "mapping-wrong-type"),
        ("[attempts.columns]\nstep_ma = 3", "mapping-wrong-type"),
        ('[attempts.columns]\nplacemnt = "placement"', "mapping-unknown-field"),
        ('[steps.columns]\nplacement = "placement"', "mapping-unknown-field"),
        ('[attempts.columns]\nstep_ma = "Step"', "mapping-column-missing"),
        ("[attempts.constants]\nstep_ma = [5]", "mapping-wrong-type"),
        ('[attempts.constants]\nstep_ma = "five"', "mapping-wrong-value"),
        ("[attempts.constants]\nstep_ma = nan", "mapping-wrong-value"),
        ('[attempts.constants]\nrhythm = "waltz"', "mapping-wrong-value"),
        ('[attempts.constants]\npatient_id = "P"', "mapping-wrong-value"),
        (
            '[attempts.columns]\nstart_ma = "max_output_ma"\n[attempts.constants]\nstart_ma = 40',
            "mapping-conflict",
        ),
        ("[attempts.recode]\nplacement = 3", "mapping-wrong-type"),
        ('[attempts.recode.placement]\nX = "nowhere"', "mapping-wrong-value"),
        ("[attempts.recode.placement]\nX = [1]", "mapping-wrong-value"),
    ],
)
def test_a_mistake_in_the_mapping_is_a_finding(
    check: Check, summary: Callable[..., str], mapping: str, rule: str
) -> None:
    result = check(summary(), mapping=mapping)
    errors = [f for f in result.findings if f.severity == "error"]
    assert [(f.rule, f.file) for f in errors] == [(rule, "mapping.toml")]
    assert errors[0].remedy


def test_a_mapping_that_is_not_text(check: Check, summary: Callable[..., str], rules: Rules, tmp_path: object) -> None:
    from pathlib import Path

    from capstat.attempts import check_study

    check(summary())
    file = Path(str(tmp_path)) / "m.toml"
    file.write_bytes(b"\xff\xfe\x00")
    assert rules(check_study(Path(str(tmp_path)) / "study", file)) == ["mapping-unreadable"]
