"""What points to a person is found, dropped, and never repeated."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from capstat.attempts import render_findings
from capstat.attempts.person_names import looks_like_name
from capstat.attempts.privacy import (
    personal_content,
    personal_header,
    personal_value,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from capstat.attempts import CheckResult

    Check = Callable[..., CheckResult]
    Summary = Callable[..., str]


@pytest.mark.parametrize(
    ("header", "what"),
    [
        ("Name", "a name"),
        ("patient_name", "a name"),
        ("PatientName", "a name"),
        ("Last name", "a name"),
        ("Nachname", "a name"),
        ("Prénom", "a name"),
        ("Apellidos", "a name"),
        ("DOB", "a birth date"),
        ("Date of birth", "a birth date"),
        ("dateOfBirth", "a birth date"),
        ("Geburtsdatum", "a birth date"),
        ("Fecha de nacimiento", "a birth date"),
        ("Fødselsdato", "a birth date"),
        ("Tel.", "a phone number"),
        ("Mobile phone", "a phone number"),
        ("E-mail", "an e-mail address"),
        ("Straße", "an address"),
        ("Home address", "an address"),
        ("Post code", "an address"),
        ("MRN", "a record, insurance or social number"),
        ("Medical Record Number", "a record, insurance or social number"),
        ("Hospital number", "a record, insurance or social number"),
        ("Social security no.", "a record, insurance or social number"),
        ("Versicherungsnummer", "a record, insurance or social number"),
    ],
)
def test_headers_that_promise_a_person(header: str, what: str) -> None:
    assert personal_header(header) == what


@pytest.mark.parametrize(
    "header",
    ["patient_id", "Device name", "Drug name", "rhythm", "survived_to_arrival", "age_years", "Record ID",
         "Pad site",
     "nominal", "telemetry", "max_output_ma", "Case", "no capture"],
)  # fmt: skip
def test_headers_that_do_not(header: str) -> None:
    assert personal_header(header) is None


@pytest.mark.parametrize(
    "text",
    ["a.b@example.org", "+44 20 7946 0958", "(020) 7946-0958", "123-45-6789", "1234567890", "1948-05-02",
         "02.05.1948",
     "5/2/48", "2 May 1948", "May 2, 1948", "19480502", "2020-01-02 10:33:00"],
)  # fmt: skip
def test_values_that_point_to_a_person(text: str) -> None:
    assert personal_value(text) is not None


@pytest.mark.parametrize("text", ["P001", "12-034", "80", "0.123456789012", "1,23456789012", "140 mA", "A-2020-7"])
def test_values_that_do_not(text: str) -> None:
    assert personal_value(text) is None


@pytest.mark.parametrize("text", ["John Smith", "SMITH, John", "Anna-Lena Müller", "John Q. Public", "O'Neil Mary"])
def test_names(text: str) -> None:
    assert looks_like_name(text)


@pytest.mark.parametrize("text", ["Left Lateral", "Sinus Bradycardia", "AP", "Case 12", "patient one", "Site A"])
def test_phrases_that_are_no_names(text: str) -> None:
    assert not looks_like_name(text)


def test_a_few_capitalised_phrases_are_no_column_of_names() -> None:
    assert personal_content(["John Smith", "ok", "fine", "good"]) is None
    assert personal_content(["John Smith", "ok"]) == "names"
    assert personal_content([]) is None


SECRETS = [
    "Zebulon Quackenbush",
    "zeb@example.org",
    "+41 79 555 01 99",
    "1948-05-02",
    "756.1234.5678.97",
    "Quackenbush",
]


@pytest.mark.parametrize("secret", SECRETS[:5])
@pytest.mark.parametrize("header", ["Remarks", "Name", "x"])
def test_an_unused_personal_column_is_dropped_with_a_warning(
    check: Check, summary: Summary, header: str, secret: str
) -> None:
    result = check(summary("1,AP,140,60,65", **{header: secret}))
    (finding,) = result.findings
    assert (finding.rule, finding.severity) == ("personal-column", "warning")
    assert "column F" in finding.sentence()
    assert header not in finding.sentence().replace("column", "").split()
    assert result.study is not None
    assert not holds(result, secret)


@pytest.mark.parametrize("secret", SECRETS[:5])
def test_personal_values_as_codes_are_an_error_and_never_repeated(check: Check, summary: Summary, secret: str) -> None:
    result = check(summary(f"{secret},AP,140,60,65", f"{secret},AP,140,60,65", f"{secret},XX,140,65,60"))
    assert ("personal-column", "error") in [(f.rule, f.severity) for f in result.findings]
    assert not holds(result, secret)


def test_a_personal_column_mapped_to_a_field_is_an_error(check: Check, summary: Summary) -> None:
    text = summary("1,AP,140,60,65", Nachname="Quackenbush")
    for field in ("rhythm", "age_years", "attempt_id"):
        result = check(text, mapping=f'[attempts.columns]\n{field} = "Nachname"\n')
        assert [(f.rule, f.severity) for f in result.findings] == [("personal-column", "error")]
        assert not holds(result, "Quackenbush")
        assert not holds(result, "Nachname")


def test_a_personal_header_missing_from_the_file_is_not_repeated(check: Check, summary: Summary) -> None:
    result = check(summary(), mapping='[attempts.columns]\nrhythm = "Name of Zebulon"\n')
    assert [f.rule for f in result.findings] == ["mapping-column-missing"]
    assert not holds(result, "Zebulon")


def test_no_message_repeats_a_code(check: Check) -> None:
    header = "attempt_id,patient_id,placement,max_output_ma,highest_no_capture_ma,lowest_capture_ma,attempt_order,sex\n"
    rows = [
        "SECRETA,SECRETP,AP,140,65,60,1,F",
        "SECRETA,SECRETP,AP,140,65,60,1,M",
        "SECRETA,SECRETP,AP,140,65,60,1,M",
        "SECRETB<,SECRETP>,XX,400,a,b,0,?",
        "=SECRETC,=SECRETQ,AP,140,,,x,q",
    ]
    steps = "attempt_id,step_order,current_ma,electrical_capture\nSECRETA,1,60,yes\nSECRETA,1,60,no\nSECRETZ,1,0,yes\n"
    patients = "patient_id,age_years\nSECRETP,1948-05-02\nSECRETP,77\nSECRETX,102\n"
    result = check(header + "\n".join(rows), steps=steps, patients=patients)
    assert len(result.findings) > 12
    assert not holds(result, "SECRET")
    for age in ("1948", "77", "102"):
        assert not holds(result, age)


def test_a_shifted_row_does_not_spill_names(check: Check, summary: Summary) -> None:
    result = check(summary("1,Zebulon Quackenbush,+41 79 555 01 99,1948-05-02,zeb@example.org"))
    assert len(result.findings) == 4
    for secret in SECRETS:
        assert not holds(result, secret)


def test_a_first_row_of_data_is_not_repeated(check: Check) -> None:
    result = check("Zebulon Quackenbush,1948-05-02,140\nAnna Muster,1950-01-01,140\n")
    assert [f.rule for f in result.findings] == ["no-header"]
    assert not holds(result, "Quackenbush")


def holds(result: CheckResult, secret: str) -> bool:
    texts = [render_findings(result.findings, limit=10_000), repr(result.findings)]
    return any(secret.casefold() in text.casefold() for text in texts)
