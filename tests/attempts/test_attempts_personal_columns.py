"""Columns about a person are found by name and by content, and columns about pacing are not."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from capstat.attempts.person_names import looks_like_name, names_inside
from capstat.attempts.privacy import mostly_record_numbers, personal_content, personal_header

if TYPE_CHECKING:
    from collections.abc import Callable

    from capstat.attempts import CheckResult

    Check = Callable[..., CheckResult]
    Summary = Callable[..., str]
    Rules = Callable[[CheckResult], list[str]]

FOUND = [
    "Record No", "Hospital No", "Hosp No.", "UR number", "URN", "Chart no", "Patient number", "Case number", "Fallnr",
    "Fall-Nr.", "Fallnummer", "Einsatznummer", "Incident number", "Run number", "YOB", "Jahrgang", "Date de naiss.",
    "Contact no", "Next of kin", "Ort", "Ville", "GPS", "Location", "Physician", "Operator", "Имя", "Фамилия", "氏名",
    "Patient name", "Full Name", "Mobile", "Mobile no", "Client name",
]  # fmt: skip
NOT_FOUND = [
    "Time Stamp", "Crew Level", "Blood Pressure", "Hospital ID", "Mobile unit", "Rhythm name", "Placement name",
    "Pad location", "Record ID", "Case", "Step no", "no capture", "Attempt number", "Subject number", "Number of shocks",
]  # fmt: skip


@pytest.mark.parametrize("header", FOUND)
def test_headers_about_a_person(check: Check, summary: Summary, header: str) -> None:
    assert personal_header(header) is not None
    result = check(summary(**{header: "ok"}))
    assert [(f.rule, f.severity) for f in result.findings] == [("personal-column", "warning")]
    assert f'"{header}"' not in result.findings[0].sentence()


@pytest.mark.parametrize("header", NOT_FOUND)
def test_headers_about_pacing(check: Check, summary: Summary, header: str) -> None:
    assert personal_header(header) is None
    result = check(summary(**{header: "ok"}))
    assert [f.rule for f in result.findings] == ["unknown-columns"]
    assert f'"{header}"' in result.findings[0].message


@pytest.mark.parametrize(
    ("field", "header", "cell"),
    [("rhythm", "Rhythm name", "asystole"), ("rhythm", "Name", "asystole"), ("setting", "Location", "ICU"),
     ("pacing_mode", "Operator mode", "demand"), ("step_ma", "Step name", "5")],
)  # fmt: skip
def test_a_used_column_of_words_or_numbers_is_judged_by_what_it_holds(
    check: Check, summary: Summary, field: str, header: str, cell: str
) -> None:
    mapping = f'[attempts.columns]\n{field} = "{header}"\n'
    result = check(summary(**{header: cell}), mapping=mapping)
    expected = [] if header != "Name" else ["personal-column"]
    assert [f.rule for f in result.findings] == expected
    secret = check(summary(**{header: "Zebulon Quackenbush"}), mapping=mapping)
    assert not any("ebulon" in f.sentence() for f in secret.findings)


def test_a_doubtful_header_over_names_is_refused(check: Check, summary: Summary, rules: Rules) -> None:
    mapping = '[attempts.columns]\nsetting = "Location"\n'
    assert rules(check(summary(Location="Zebulon Quackenbush"), mapping=mapping)) == ["personal-column"]


@pytest.mark.parametrize(
    ("header", "code", "rule"),
    [
        ("Case no", "SYN-A10001", None),
        ("Pat. code", "SYN-0001", None),
        ("Case no", "17", None),
        ("Case no", "123456", "personal-column"),
        ("Fallnr", "7654321", "personal-column"),
        ("MRN", "17", "personal-column"),
        ("Patient name", "17", "personal-column"),
        ("Study code", "12345678", "record-number-like"),
        ("Study code", "123456", None),
        ("Study code", "123456789", "personal-column"),
        ("Study code", "QUACKENBUSH ZEBULON", "personal-column"),
        ("Study code", "Иван Петров", "personal-column"),
        ("Study code", "山田太郎", "personal-column"),
    ],
)
def test_codes_are_judged_by_what_they_are(
    *, check: Check, summary: Summary, rules: Rules, header: str, code: str, rule: str | None
) -> None:
    text = summary(f"{code},AP,140,60,65").replace("patient_id", header)
    result = check(text, mapping=f'[attempts.columns]\npatient_id = "{header}"\n')
    assert rules(result) == ([] if rule is None else [rule])
    assert all(code not in f.sentence() for f in result.findings)


def test_unused_long_numbers_that_are_nearly_all_distinct(check: Check, summary: Summary, rules: Rules) -> None:
    def study(numbers: list[int]) -> CheckResult:
        rows = [f"{at},AP,140,60,65,{number}" for at, number in enumerate(numbers)]
        header, rest = summary(*rows).split("\n", 1)
        return check(f"{header},x\n{rest}")

    assert rules(study([100_000 + 7 * at for at in range(10)])) == ["personal-column"]
    assert rules(study([100_000] * 10)) == ["unknown-columns"]
    assert rules(study([1_000 + at for at in range(10)])) == ["unknown-columns"]
    assert not mostly_record_numbers(["100000", "100001"], 1.0)


@pytest.mark.parametrize(
    "text",
    ["spoke to Zebulon Quackenbush today", "seen by Dr. Quackenbush at once", "called Frau Müller at home",
     "wife (Anna Muster) present", "Zebulon Q. Quackenbush fainted", "был Иван Петров дома"],
)  # fmt: skip
def test_a_note_that_mentions_somebody(check: Check, summary: Summary, rules: Rules, text: str) -> None:
    assert names_inside(text)
    result = check(summary("1,AP,140,60,65", "2,AP,140,60,65", Remarks=text))
    assert rules(result) == ["personal-column"]


@pytest.mark.parametrize(
    "text",
    ["patient was moved to the Cath Lab", "Pads were moved. Then captured", "Return Of Spontaneous Circulation",
     "sinus rhythm, then AV block", "OK", "Pacing Stopped for Pain"],
)  # fmt: skip
def test_a_note_that_mentions_nobody(text: str) -> None:
    assert not names_inside(text)
    assert not looks_like_name(text)
    assert personal_content([text]) is None


@pytest.mark.parametrize(
    "text", ["Łukasz Żółty", "Иван Петров", "Ελένη Παππά", "山田太郎", "김철수", "محمد علي", "Anna von der Leiten"]
)
def test_names_in_any_script(text: str) -> None:
    assert looks_like_name(text)
