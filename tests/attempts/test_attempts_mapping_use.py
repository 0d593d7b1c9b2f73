"""Mappings that contradict themselves or the file, and parts that nothing uses."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable

    from capstat.attempts import CheckResult

    Check = Callable[..., CheckResult]
    Summary = Callable[..., str]


def of_mapping(result: CheckResult) -> list[tuple[str, str]]:
    return [(f.rule, f.severity) for f in result.findings if f.file == "mapping.toml"]


@pytest.mark.parametrize(
    "mapping",
    [
        "[attempts.constants]\nmax_output_ma = 140",
        '[attempts.constants]\nrhythm = "asystole"',
        '[attempts.columns]\nrhythm = "state"\narrest = "state"',
        '[attempts.columns]\nstart_ma = "max_output_ma"',
        '[attempts.recode.placement]\n"A" = "AP"\n"a " = "AL"',
        '[attempts.recode.lowest_capture_ma]\n"NC" = ""\n"nc" = 65',
    ],
)
def test_a_contradiction_is_an_error(check: Check, summary: Summary, mapping: str) -> None:
    text = summary(rhythm="asystole", state="x")
    assert of_mapping(check(text, mapping=mapping)) == [("mapping-conflict", "error")]


@pytest.mark.parametrize(
    "mapping",
    [
        '[attempts]\nignore = ["max_output_ma"]\n[attempts.constants]\nmax_output_ma = 140',
        '[attempts.recode.placement]\n"A" = "AP"\n"a " = "AP"',
        '[attempts.columns]\nmax_output_ma = "max_output_ma"',
    ],
)
def test_what_only_looks_like_a_contradiction(check: Check, summary: Summary, mapping: str) -> None:
    assert not check(summary(), mapping=mapping).findings


@pytest.mark.parametrize(
    "mapping",
    [
        '[steps.columns]\ncurrent_ma = "mA"',
        '[patients.columns]\nsex = "M/F"',
        '[attempts]\nignore = ["Remarks"]',
        '[attempts.recode.rhythm]\n"flat" = "asystole"',
        '[attempts.recode.sex]\n"1" = "male"',
    ],
)
def test_a_part_that_nothing_uses_is_a_warning(check: Check, summary: Summary, mapping: str) -> None:
    result = check(summary(), mapping=mapping)
    assert of_mapping(result) == [("mapping-unused", "warning")]
    assert result.study is not None


def test_parts_that_are_used(check: Check, summary: Summary) -> None:
    mapping = (
        '[steps.columns]\ncurrent_ma = "mA"\n[attempts]\nignore = ["Remarks"]\n[attempts.recode.sex]\n"1" = "male"\n'
    )
    steps = "attempt_id,mA,electrical_capture\na,60,yes\n"
    assert not check(summary(attempt_id="a", Remarks="x", sex="1"), mapping=mapping, steps=steps).findings


def test_a_misspelt_field_is_guessed(check: Check, summary: Summary) -> None:
    (finding,) = check(summary(), mapping='[attempts.columns]\nplacemnt = "placement"').findings
    assert finding.remedy.startswith("Did you mean placement?")
