"""Spellings of words and numbers."""

from __future__ import annotations

import math

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capstat.attempts.ages import group_ages, plain_age
from capstat.attempts.numbers import DecimalMarks, parse_number, parse_numbers
from capstat.attempts.vocabulary import PLACEMENT, YES_NO, Term, Vocabulary, is_missing


@pytest.mark.parametrize(
    "text",
    [
        "anterior-posterior",
        "AP",
        "A/P",
        "a-p",
        " A P ",
        "ant-post",
        "Anteroposterior",
        "antero-posterior",
        "FRONT/BACK",
    ],
)
def test_anterior_posterior_spellings(text: str) -> None:
    assert PLACEMENT.match(text) == "anterior-posterior"


@pytest.mark.parametrize("text", ["anterior-lateral", "AL", "A/L", "ant.-lat.", "anterolateral", "Sternum-Apex"])
def test_anterior_lateral_spellings(text: str) -> None:
    assert PLACEMENT.match(text) == "anterior-lateral"


def test_a_spelling_nobody_knows_is_refused() -> None:
    with pytest.raises(KeyError):
        PLACEMENT.match("somewhere")


@pytest.mark.parametrize(("text", "word"), [("Yes", "yes"), ("1", "yes"), ("1.0", "yes"), ("Oui", "yes"),
("JA", "yes"),
                                            ("n", "no"), ("0", "no"), ("0.0", "no"), ("False", "no"),
                                            ("não", "no"),
                                            ("not assessed", None)])  # fmt: skip
def test_yes_and_no(text: str, word: str | None) -> None:
    assert YES_NO.match(text) == word


def test_ten_is_not_a_yes() -> None:
    with pytest.raises(KeyError):
        YES_NO.match("10")


def test_a_spelling_belongs_to_one_term() -> None:
    with pytest.raises(ValueError, match="two terms"):
        Vocabulary("colours", (Term("red", "", ("r",)), Term("rose", "", ("R",))))


@pytest.mark.parametrize("text", ["", "  ", "NA", "n/a", "N/A", "-", "?", "--", "#N/A"])
def test_marks_for_not_recorded(text: str) -> None:
    assert is_missing(text)


@pytest.mark.parametrize("text", ["nan", "none", "0", "null", "unknown"])
def test_other_words_are_not_taken_for_not_recorded(text: str) -> None:
    assert not is_missing(text)


@pytest.mark.parametrize(
    ("text", "number"),
    [("80", 80.0), ("80.5", 80.5), ("80,5", 80.5), ("+80", 80.0), ("-3", -3.0), ("\u22123", -3.0), (".5",
         0.5),
     ("8e1", 80.0), ("80 mA", 80.0), ("80mA", 80.0), ("0,125", 0.125), ("1.234", 1.234)],
)  # fmt: skip
def test_numbers_as_people_write_them(text: str, number: float) -> None:
    assert parse_number(text, "mA") == number


@pytest.mark.parametrize(
    ("text", "rule"),
    [("1,234", "ambiguous-number"), ("1.234,5", "ambiguous-number"), ("1,234.5", "ambiguous-number"),
     ("1 234", "ambiguous-number"), ("1'234", "ambiguous-number"), ("nan", "not-finite"), ("NaN",
     "not-finite"),
     ("inf", "not-finite"), ("-Infinity", "not-finite"), ("1e400", "not-finite"), ("=1+1", "formula"),
     ("=HYPERLINK(0)", "formula"), ("@SUM(A1)", "formula"), ("#DIV/0!", "not-a-number"), ("<script>",
     "not-a-number"),
     ("80 J", "not-a-number"), ("80-90", "not-a-number"), ("1_000", "not-a-number"), ("0x10", "not-a-number"),
     ("\u0661\u0662", "not-a-number"), ("9" * 500, "not-a-number")],
)  # fmt: skip
def test_what_is_no_number_breaks_one_rule(text: str, rule: str) -> None:
    refused = parse_number(text, "mA")
    assert isinstance(refused, tuple)
    assert refused[0] == rule


def test_a_single_comma_is_decimal_where_it_cannot_separate() -> None:
    assert parse_number("1,234", "mA", DecimalMarks(comma=True, dot=False)) == 1.234


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), unique=True))
def test_the_fast_way_and_the_slow_way_agree(numbers: list[float]) -> None:
    labels = [repr(number) for number in numbers]
    values, problems = parse_numbers(pa.array(labels, type=pa.string()), "", comma_decimal=False)
    assert not problems
    assert values.tolist() == numbers


@given(st.text())
def test_any_text_is_a_number_or_a_refusal(text: str) -> None:
    result = parse_number(text, "mA", DecimalMarks(comma=True))
    assert isinstance(result, tuple) or math.isfinite(result)


@pytest.mark.parametrize("text", ["90+", "90 +", ">89", "> 89", "\u226590", ">=90", "90 or older", "90 years or over"])
def test_spellings_of_ninety_or_older(text: str) -> None:
    assert plain_age(text) == "90"


@pytest.mark.parametrize("text", ["1948-05-02", "02/05/48", "2.5.1948", "2 May 1948", "5/2/1948"])
def test_dates_are_no_ages(text: str) -> None:
    assert plain_age(text) is None


def test_ages_above_89_are_one_group() -> None:
    import numpy as np

    ages, grouped, calendar = group_ages(np.array([89.0, 90.0, 91.0, 104.0, 1948.0, 19480502.0, np.nan]))
    assert ages[:4].tolist() == [89.0, 90.0, 90.0, 90.0]
    assert np.isnan(ages[4:]).all()
    assert grouped.tolist() == [False, False, True, True, False, False, False]
    assert calendar.tolist() == [False, False, False, False, True, True, False]
