"""Evidence files as people write them: what is read, what is said of mistakes, and that nothing else comes out."""

from __future__ import annotations

import hashlib
import pickle
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from capstat.attempts.vocabulary import is_missing
from capstat.results import UsageError
from capstat.synthesis.evidence_fields import EVIDENCE_FIELDS
from capstat.synthesis.evidence_file import (
    EvidenceError,
    evidence_csv,
    join_evidence,
    published_evidence,
    read_evidence,
)
from capstat.synthesis.study_arm import EvidenceTable, StudyArm

HEADER = "arm,study,citation,design,population,age_group,urgency,setting,placement,paced,counted,provenance,seen_in"
ROW = "a1,s1,Author A. Journal 2020,series,adults,adults,elective,hospital,AP,yes,patients,own,paper"
FILES = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=60)


@pytest.fixture
def read(tmp_path: Path) -> Any:
    def reader(content: str | bytes) -> EvidenceTable:
        file = tmp_path / "mine.csv"
        file.write_bytes(content.encode() if isinstance(content, str) else content)
        return read_evidence(file)

    return reader


@pytest.fixture
def errors(read: Any) -> Any:
    def reader(content: str | bytes) -> list[str]:
        with pytest.raises(EvidenceError) as caught:
            read(content)
        assert str(caught.value) == "\n".join(f.sentence() for f in caught.value.findings if f.severity == "error")
        return str(caught.value).splitlines()

    return reader


def test_a_small_file(read):
    table = read(f"{HEADER}\n{ROW}\n")
    (arm,) = table
    assert (arm.arm, arm.placement, arm.paced, arm.mean_ma, arm.overlaps) == (
        "a1",
        "anterior-posterior",
        True,
        None,
        (),
    )
    assert (arm.source, arm.row) == ("mine.csv", 2)
    assert table.sources == ("mine.csv",)
    assert table.findings == ()
    assert table.fingerprint == hashlib.sha256(f"{HEADER}\n{ROW}\n".encode()).hexdigest()


@pytest.mark.parametrize(
    ("separator", "mean", "sd", "encoding"),
    [
        (",", "70.5", "18.3", "utf-8"),
        (";", "70,5", "18,3", "cp1252"),
        ("\t", "70,5", "18,3", "utf-16"),
        ("|", "70.5 mA", "18.3mA", "utf-8-sig"),
    ],
)
def test_spreadsheets_of_several_countries(read, separator, mean, sd, encoding):
    header = "Arm,STUDY,Citation,Design,Population,Age group,urgency,Setting,placement,paced,counted,provenance,seen in"
    names = [*header.split(","), "Mean (mA)", "sd-mA", "current means", "non capture", "capture definition", "Overlaps"]
    cells = [
        *ROW.replace("Author", "M\u00fcller").split(","),
        mean,
        sd,
        "Threshold",
        "captured only",
        "Pulse",
        "kelly1989 feldman1988" if separator == ";" else "kelly1989; feldman1988",
    ]
    (arm,) = read("\n".join(separator.join(line) for line in (names, cells)).encode(encoding))
    assert (arm.mean_ma, arm.sd_ma, arm.non_capture) == (70.5, 18.3, "left-out")
    assert arm.citation == "M\u00fcller A. Journal 2020"
    assert arm.overlaps == ("kelly1989", "feldman1988")


def test_every_problem_at_once(errors):
    bad = "a 1,s1,,serie,adults,adults,elektive,moon,AP,perhaps,patients,own,paper,-3,2.5,250,=1+1"
    lines = errors(f"{HEADER},n,n_captured,mean_ma,notes\n{ROW},20,15,70,fine\n{bad}\n")
    start = "mine.csv, row 3, column "
    for part in (
        'arm: "a 1" is no code. Enter a code of at most 64 letters, digits, points, - and _.',
        "citation: the cell is empty. Enter a text of at most 4,000 characters.",
        'design: "serie" is not understood (did you mean series?). Enter one of: randomised, crossover, controlled, series, review.',
        'urgency: "elektive" is not understood (did you mean elective?). Enter one of: elective, emergency, arrest, mixed.',
        'setting: "moon" is not understood. Enter one of: prehospital,',
        'paced: "perhaps" is not understood. Enter one of: yes, no.',
        'n: "-3" is below 0. Enter a whole number from 0 to 10000000, or leave the cell empty.',
        'n_captured: "2.5" is not a whole number. Enter a whole number from 0 to 10000000, or leave the cell empty.',
        'mean_ma: "250" is above 200 mA, the highest that US 21 CFR 870.5550 allows. Enter a number from 0 to 200 mA, or leave the cell empty.',
        'notes: "=1+1" begins with a sign that makes spreadsheets calculate. Enter a text',
    ):
        assert any(line.startswith(start + part.removesuffix(".")) for line in lines), (part, lines)
    assert sum(line.startswith(start) for line in lines) == 10
    assert any(line.startswith("mine.csv, row 2, column capture_definition: is empty") for line in lines)


def test_columns_that_are_missing_or_misspelt(errors):
    header = HEADER.replace("placement", "placment").replace(",counted", "") + ",mean"
    lines = errors(f"{header}\n{ROW.replace(',patients', '')},70\n")
    assert lines == [
        "mine.csv, column counted: the column is missing. It holds: what the counts count.",
        'mine.csv: "placment" is no column of an evidence file (did you mean placement?). It holds: where the pads were. Rename the column.',
        'mine.csv: "mean" is no column of an evidence file (did you mean mean_ma?). It holds: mean current. Rename the column.',
    ]


def test_other_columns_are_named_and_left_out(read):
    table = read(f"{HEADER},country,n_not_captured,\n{ROW},here,3,\n")
    assert [f.sentence() for f in table.findings] == ['mine.csv: 2 columns are not used: "country", "n_not_captured".']
    table = read(f"{HEADER},country\n{ROW},here\n")
    assert [f.sentence() for f in table.findings] == ['mine.csv: 1 column is not used: "country".']


def test_a_column_that_is_there_twice(errors):
    (line,) = errors(f"{HEADER},n,N\n{ROW},1,2\n")
    assert line == "mine.csv, column n: 2 columns have this name: N, O. Rename or delete all but one."


@pytest.mark.parametrize(
    "header", ["patient_id,placement,lowest_capture_ma", "Patient,n", "attempt id,n", "MRN,n", "date of birth,n"]
)
def test_a_study_of_patients_is_no_evidence(errors, header):
    cells = ",".join("12345" for _ in header.split(","))
    (line,) = errors(f"{header}\n{cells}\n")
    assert line.startswith(
        "mine.csv: this looks like a study of patients; an evidence file has one row for each study arm. "
    )
    assert "12345" not in line


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("", "the file is empty"),
        ("\n\n", "the file is empty"),
        (f"{HEADER}\n", "there are names of columns but no records. Add a row for each arm."),
        ("1,2,3\n4,5,6\n", "no column is recognised. The first row must hold the names of columns, as in the evidence template; it looks like data."),
        ("x,y\n1,2\n", "no column is recognised."),
        (f"{HEADER}\n{ROW},more\n", "row 2: has 14 cells"),
        (f'{HEADER}\n"{ROW}\n', "row 2: the row cannot be split"),
        (b"PK\x03\x04\x00\x00\x00", 'the file is not text. Save the sheet as "CSV UTF-8".'),
    ],
)  # fmt: skip
def test_files_that_hold_no_records(errors, content, says):
    lines = errors(content)
    assert any(says in line for line in lines), lines


def test_places_that_hold_no_file(tmp_path):
    with pytest.raises(EvidenceError) as caught:
        read_evidence(tmp_path / "absent.csv", tmp_path, "a\0b.csv")
    assert [f.sentence() for f in caught.value.findings] == [
        "absent.csv: the evidence file does not exist. Name a file of delimited text.",
        f"{tmp_path.name}: the evidence file is a folder. Name a file of delimited text.",
        "a b.csv: the evidence file cannot be read (unusable path). Name a file of delimited text.",
    ]
    with pytest.raises(EvidenceError, match="there is no evidence file"):
        read_evidence()
    with pytest.raises(EvidenceError, match="there is no table"):
        join_evidence([])


def test_the_error_is_a_usage_error_and_survives_copying(errors, read):
    with pytest.raises(UsageError) as caught:
        read(f"{HEADER},n\n{ROW},many\n")
    again = pickle.loads(pickle.dumps(caught.value))  # noqa: S301 - made in the line above
    assert str(again) == str(caught.value)
    assert again.findings == caught.value.findings


def test_several_files_are_checked_together(tmp_path):
    first, second = tmp_path / "first.csv", tmp_path / "second.csv"
    first.write_text(f"{HEADER},overlaps\n{ROW},b1\n")
    second.write_text(f"{HEADER},pmid\n{ROW.replace('a1', 'b1')},77\n")
    table = read_evidence(first, second)
    assert [(arm.arm, arm.source) for arm in table] == [("a1", "first.csv"), ("b1", "second.csv")]
    with pytest.raises(EvidenceError, match="names no record"):
        read_evidence(first)  # b1 is in the other file
    joined = join_evidence([published_evidence(), table])
    assert len(joined) == len(published_evidence()) + 2
    assert joined.sources == ("published_arms.csv", "first.csv", "second.csv")
    assert joined.fingerprint not in (table.fingerprint, published_evidence().fingerprint)
    assert join_evidence([table]) == table
    second.write_text(f"{HEADER}\n{ROW}\n")
    first.write_text(f"{HEADER}\n{ROW}\n")
    with pytest.raises(
        EvidenceError, match=r'second.csv, row 2, column arm: "a1" is also the code of first.csv, row 2'
    ):
        join_evidence([read_evidence(first), read_evidence(second)])


def test_a_published_study_under_another_code_is_refused_unless_the_overlap_is_named(tmp_path):
    file = tmp_path / "mine.csv"
    published = published_evidence().arm("altamura1990_activation")
    mine = replace(published, arm="mine", study="mine", mean_ma=75.0, overlaps=(), doi="", provenance="own")
    file.write_text(evidence_csv([mine]))
    with pytest.raises(EvidenceError) as caught:
        join_evidence([published_evidence(), read_evidence(file)])
    assert str(caught.value).startswith(
        'mine.csv, row 2, column arm: "mine" is a duplicate study: "altamura1990_activation" (published_arms.csv, row 7)'
    )
    file.write_text(evidence_csv([replace(mine, overlaps=("altamura1990_activation",))]))
    assert len(join_evidence([published_evidence(), read_evidence(file)])) == len(published_evidence()) + 1


def test_a_comparison_may_not_name_a_record_of_another_table(read):
    """A comparison needs both arms; an overlap with a record that is not used does no harm."""
    assert read(f"{HEADER},overlaps\n{ROW},kelly1989\n").arms[0].overlaps == ("kelly1989",)
    with pytest.raises(EvidenceError, match="Both arms of a comparison must be in the files"):
        read(f"{HEADER},compared_with\n{ROW},kelly1989\n")


# ---------------------------------------------------------------- whatever a file holds

WORDS = {field.name: field.allowed.values for field in EVIDENCE_FIELDS if field.allowed is not None}


def cells_of(name: str) -> st.SearchStrategy[str]:
    usual = [
        *WORDS.get(name, ()),
        "",
        "NA",
        "a1",
        "a1 b2",
        "1",
        "0",
        "2020",
        "95",
        "-5",
        "1,5",
        "1.234",
        "10.1/x",
        "=A1",
        "yes",
        "1e400",
        "nan",
    ]
    return st.one_of(st.sampled_from(usual), st.text(max_size=12))


@FILES
@given(st.binary(max_size=400))
@example(b"\xff\xfe")
@example(b"arm\n\xc3")
@example(HEADER.encode() + b"\n" + b"," * 12)
def test_random_bytes_give_a_table_or_an_evidence_error(tmp_path, data):
    file = tmp_path / "mine.csv"
    file.write_bytes(data)
    with pytest.raises(EvidenceError) as caught:
        read_evidence(file)
    assert str(caught.value)


@FILES
@given(st.data())
def test_random_cells_give_a_table_or_an_evidence_error(tmp_path, data):
    names = HEADER.split(",") + data.draw(
        st.lists(st.sampled_from([field.name for field in EVIDENCE_FIELDS]), unique=True)
    )
    names = list(dict.fromkeys(names))
    rows = []
    for at in range(data.draw(st.integers(1, 4))):
        row = dict(zip(HEADER.split(","), ROW.split(","), strict=True)) | {"arm": f"a{at}"}
        changed = data.draw(st.lists(st.sampled_from(names), unique=True, max_size=6))
        rows.append(row | {name: data.draw(cells_of(name)) for name in changed})
    quoted = [",".join('"' + row.get(name, "").replace('"', '""') + '"' for name in names) for row in rows]
    file = tmp_path / "mine.csv"
    file.write_bytes("\n".join([",".join(names), *quoted]).encode("utf-8", "surrogatepass"))
    try:
        table = read_evidence(file)
    except EvidenceError as problem:
        told = problem
    else:
        told = None
    if told is not None:
        assert str(told)
        assert all("\n" not in finding.sentence() for finding in told.findings)
        return
    assert 1 <= len(table) <= len(rows)
    again = tmp_path / "again.csv"
    again.write_text(evidence_csv(table), encoding="utf-8")
    assert [replace(arm, source="", row=None) for arm in read_evidence(again)] == [
        replace(arm, source="", row=None) for arm in table
    ]


TEXT = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), max_size=20).filter(
    lambda text: (
        not is_missing(text) and not text.startswith(("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20"))
    )
)
CURRENT = st.one_of(st.none(), st.floats(0.001, 200), st.integers(1, 200).map(float))


@FILES
@given(
    texts=st.fixed_dictionaries(dict.fromkeys(("pads", "derived", "notes", "not_pooled"), TEXT)),
    currents=st.lists(CURRENT, min_size=3, max_size=3),
    n=st.one_of(st.none(), st.integers(1, 10**7)),
    paced=st.booleans(),
    difference=st.floats(-200, 200),
)
def test_what_is_written_is_read_again(tmp_path, texts, currents, n, paced, difference):
    pulse, output, median = currents
    base = published_evidence().arm("kelly1989")
    arm = replace(
        base, arm="a1", overlaps=("kelly1989",), doi="", pmid=None, n=n, n_captured=None, paced=paced, max_output_ma=output,
        pulse_width_ms=None if pulse is None else 0.01 + pulse / 5, provenance="own", **texts,
    )  # fmt: skip
    other = replace(arm, arm="b2", study="other", overlaps=("a1", "kelly1989"), paced=True, max_output_ma=None)
    other = replace(
        other, median_ma=median, current_means="threshold", non_capture="not-stated", difference_ma=difference,
        compared_with="a1", capture_definition="pulse",
    )  # fmt: skip
    file = tmp_path / "mine.csv"
    file.write_text(evidence_csv([arm, other]), encoding="utf-8")
    table = read_evidence(file)
    assert [replace(read, source="") for read in table] == [
        replace(arm, source="", row=2),
        replace(other, source="", row=3),
    ]


def test_every_field_is_an_attribute_of_a_record_and_back():
    names = [field.name for field in EVIDENCE_FIELDS]
    assert len(set(names)) == len(names)
    assert {field.name for field in fields(StudyArm)} == {*names, "source", "row"}
