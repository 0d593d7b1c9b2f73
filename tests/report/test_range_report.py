"""Sentences and tables of the range check, read as a reader and as a program would."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from capstat.attempts import read_study
from capstat.report.range_tables import range_sentences, range_tables
from capstat.report.table import table_text
from capstat.synthesis.range_check import RangeCheck, check_ranges, suppress_ranges
from capstat.synthesis.study_arm import EvidenceTable, StudyArm
from capstat.thresholds import ELECTRICAL_CAPTURE, CensoredThresholds, derive_thresholds

AP, AL = "anterior-posterior", "anterior-lateral"


def record(code: str, **fields: Any) -> StudyArm:
    given: dict[str, Any] = {
        "study": code, "citation": f"{code.title()} A, et al. A study. Journal 1990", "year": 1990, "design": "series",
        "population": "adults", "age_group": "adults", "urgency": "elective", "setting": "research-laboratory",
        "placement": "unknown", "paced": True, "counted": "patients", "provenance": "verified", "seen_in": "abstract",
    }  # fmt: skip
    return StudyArm(arm=code, **(given | fields))


ARMS = (
    record("berg", current_means="threshold", n=11, median_ma=55.0, minimum_ma=45.0, maximum_ma=90.0),
    record("lund", current_means="threshold", n=32, mean_ma=93.0, placement=AP),
    record("dahl", current_means="threshold", mean_ma=60.0),
    record("holm", current_means="applied", n=19, median_ma=70.0),
    record("vik", n=100, n_captured=70, capture_definition="ecg-response", urgency="mixed"),
)
EVIDENCE = EvidenceTable(ARMS, ("invented.csv",), "0")


def check(*upper: float, evidence: EvidenceTable = EVIDENCE, **others: Any) -> RangeCheck:
    ends = np.array(upper)
    starts = np.where(np.isinf(ends), 140.0, ends - 5)
    return check_ranges(CensoredThresholds.from_bounds(starts, ends, capture="electrical", **others), evidence)


def test_the_first_sentence_says_the_position():
    inside = range_sentences(check(*[70.0] * 40))[0]
    assert inside == (
        "For electrical capture, the median threshold, between 65 and 70 mA (95 % confidence interval 65 to 70 mA), lies "
        "inside the range of published means and medians (55 to 93 mA)."
    )
    below = range_sentences(check(*[35.0] * 40))[0]
    assert below == (
        "For electrical capture, the median threshold, between 30 and 35 mA (95 % confidence interval 30 to 35 mA), lies "
        "well below all published means and medians (55 to 93 mA), by 20 mA (36 % of that end)."
    )
    above = range_sentences(check(*[100.0] * 40))[0]
    # 7 mA is less than a step of 10 mA
    assert "lies above all published means and medians (55 to 93 mA), by 7 mA (8 % of that end)" in above
    assert "cannot be placed" in range_sentences(check(40.0, 70.0))[0]
    beyond = range_sentences(check(*[np.inf] * 40, 100.0))[0]
    assert "not estimable" in beyond
    assert "well above all published" in beyond
    assert "mA or more." in beyond
    assert "holds no published mean" in range_sentences(check(70.0, evidence=EvidenceTable((), (), "")))[0]


def test_published_work_is_told_with_its_numbers_of_patients():
    told = range_sentences(check(*[70.0] * 40))
    # 11 + 32, and a third record that does not say
    assert told[1] == (
        "Published work on adults has means and medians of 55 to 93 mA (3 records, n = 43 or more) and single captured "
        "thresholds of 45 to 90 mA (1 record, n = 11): few and small studies, so no norm."
    )
    assert told[2] == (
        "Of 40 attempts, against the ranges of the trade (common practice, no source): 40 inside 40 to 80 mA, 0 below, "
        "0 above, 0 undecided; 40 inside 60 to 90 mA, 0 below, 0 above, 0 undecided."
    )
    assert "mixed 70 % (1 record, n = 100): here above." in told[3]


@pytest.mark.parametrize("upper", [[70.0] * 40, [35.0] * 40, [20.0, 150.0] * 20, [150.0] * 40, [np.inf] * 5 + [70.0]])
def test_at_most_six_sentences_and_nothing_is_recommended(upper):
    found = check(*upper)
    told = range_sentences(found)
    assert 1 <= len(told) <= 6
    shown = " ".join([*told, *(table_text(table) for table in range_tables(found))]).lower()
    for word in ("nan", "should", "recommended", "passed", "failed", "effect"):
        assert word not in shown.replace("(", " ").replace(",", " ").split()
    assert all(sentence.endswith(".") for sentence in told)


def test_unusual_thresholds_name_at_most_ten_rows(shipped):
    study = read_study(shipped / "registry")
    derived = derive_thresholds(study, capture=ELECTRICAL_CAPTURE)
    found = check_ranges(derived, EVIDENCE, study=study)
    (sentence,) = [s for s in range_sentences(found) if "second look" in s]
    listed = sentence.split("rows ")[1].split(")")[0].removesuffix(" and more").split(", ")
    assert len(listed) == min(10, len(found.unusual))
    assert all(row.isdigit() for row in listed)
    (table,) = [t for t in range_tables(found) if t.name == "unusual_thresholds"]
    assert len(table.rows) == len(found.unusual) == found.n_under + found.n_over
    # never a code of a patient or of an attempt
    assert "SYN-" not in " ".join(range_sentences(found)) + "".join(table_text(t) for t in range_tables(found))


def test_tables_agree_with_the_check():
    found = check(*[30.0] * 20, *[85.0] * 3, 100.0, placement=[AP] * 20 + [AL] * 4)
    tables = {table.name: table for table in range_tables(found)}
    assert set(tables) == {"range_check", "range_check_shares", "published_ranges", "range_reasons"}
    for table in tables.values():
        assert {len(row) for row in table.rows} == {len(table.columns)}
        assert len(table.frame) == len(table.rows)
    frame = tables["range_check"].frame
    row = frame[(frame["group"] == AP) & (frame["range"] == "trade range 40 to 80 mA")].iloc[0]
    assert (row["below"], row["inside"], row["median_ma"], row["distance_ma"]) == (20, 0, 30.0, -10.0)
    (shown,) = [r for r in tables["range_check"].rows if r[:2] == (AP, "trade range 40 to 80 mA")]
    assert shown[5:] == ("below", "\u221210 mA", "20", "0", "0", "0")
    published = tables["published_ranges"]
    assert ("", "Berg 1990", "median 55 mA", "11", "") in published.rows
    assert "Berg A, et al. A study. Journal 1990" in set(published.frame["source"])
    assert ("", "Dahl 1990", "mean 60 mA", "not stated", "") in published.rows
    assert any("Holm 1990, current (an applied current, which is not a threshold)" in note for note in published.notes)
    assert any("common practice, no source" in cell for r in published.rows for cell in r)
    assert [r[1] for r in tables["range_reasons"].rows[:3]] == [
        "false capture",
        "wrong unit",
        "another definition of capture",
    ]


def test_possible_counts_stand_beside_certain_ones():
    # (75, 80] is inside; (0, 60] may be below or inside
    found = check_ranges(CensoredThresholds.from_bounds([75, 0], [80, 60], capture="electrical"), EVIDENCE)
    (shown,) = [r for r in range_tables(found)[0].rows if r[1] == "trade range 40 to 80 mA"]
    assert shown[7:] == ("0 (up to 1)", "1 (up to 2)", "0", "1")


def test_what_is_suppressed_is_not_shown():
    found = suppress_ranges(check(*[70.0] * 30, *[100.0] * 2, *[20.0], placement=[AP] * 20 + [AL] * 13), 5)
    told = " ".join(range_sentences(found))
    assert "second look" not in told
    assert "Of 33 attempts" not in told
    (shown,) = [r for r in range_tables(found)[0].rows if r[:2] == (AL, "trade range 40 to 80 mA")]
    assert shown[7:] == ("not shown",) * 4
    nothing = suppress_ranges(check(70.0, 70.0), 5)
    assert range_sentences(nothing)[0] == (
        "For electrical capture, the median threshold is not shown: the study has fewer patients than may be shown."
    )
    assert "published_ranges" in {table.name for table in range_tables(nothing)}


def test_reasons_are_possibilities():
    told = range_sentences(check(*[35.0] * 40))[-1]
    # long pulses are not recorded; that the first setting captured is refuted by the settings below
    assert told == (
        "Worth looking at, in this order: false capture (no reference in the file: capstat confirm needs one), wrong unit "
        "(nothing odd), another definition of capture (0 of 3 published centres ask for the same kind), long pulses (not "
        "recorded); these are possibilities, not findings."
    )


def test_a_median_outside_with_few_patients_is_said_to_be_so():
    found = check(91.0, 91.0, 92.0, 96.0, 120.0, 130.0, 136.0, 140.0, 145.0, 150.0, 153.0, 155.0)
    assert (found.position, found.leaning) == ("cannot be told", "above")
    told = range_sentences(found)
    assert told[0].endswith(
        "lies above all published means and medians (55 to 93 mA), by 37 mA (40 % of that end) as far as can be told: "
        "outside, but too few patients (12) to be sure, as its limits reach into that range."
    )
    assert told[-1].startswith("Worth looking at, in this order: anterior-lateral pads (not recorded, and no published")
    assert "currents that were set and not thresholds (0 of 12 attempts" in told[-1]
    assert len(told) <= 6


def test_a_median_in_the_first_setting_says_how_many_captured_at_once():
    found = check_ranges(
        CensoredThresholds.from_bounds([0] * 9 + [60], [60] * 9 + [65], capture="electrical"), EVIDENCE
    )
    told = range_sentences(found)
    assert told[0].endswith(
        "; 9 of 10 attempts captured at their first setting, or name no lower one, and such ramps may tell of false "
        "capture, of a start that is too high or of currents that were set and not thresholds."
    )
    (other,) = [n for n in (range_sentences(suppress_ranges(found, 5))[0],) if "half or more of the attempts" in n]
    assert "9 of 10" not in other


def test_lateral_pads_without_a_published_centre_are_expected_above():
    (shown,) = [
        row for row in range_tables(check(*[105.0] * 40, placement=[AL] * 40))[0].rows if row[1] == "published centres"
    ]
    assert shown[5] == "above (expected above: no record is of anterior-lateral pads)"
    found = check(*[105.0] * 40, *[80.0] * 40, placement=[AL] * 40 + [AP] * 40)
    remarks = range_tables(found)[0].frame.set_index(["group", "range"])["remark"]
    assert remarks[AL, "published centres"] != ""
    assert remarks[AL, "trade range 40 to 80 mA"] == ""
    assert remarks[AP, "published centres"] == remarks["all placements", "published centres"] == ""


def test_the_users_own_records_are_counted():
    def size(*own: str) -> str:
        arms = tuple(
            replace(arm, provenance="own", seen_in="paper") if arm.arm in own else arm for arm in ARMS
        )  # fmt: skip
        return range_sentences(check(*[70.0] * 40, evidence=EvidenceTable(arms, ("invented.csv",), "0")))[1]

    assert "(3 records, n = 43 or more)" in size()
    assert "(3 records, 2 of them yours, n = 43 or more)" in size("berg", "lund")
    assert "(3 records, all yours, n = 43 or more)" in size("berg", "lund", "dahl")
    assert "(1 record, yours, n = 11)" in size("berg")
    arms = (replace(ARMS[0], provenance="own", seen_in="paper"), *ARMS[1:])
    (published,) = [
        t for t in range_tables(check(70.0, evidence=EvidenceTable(arms, (), ""))) if t.name == "published_ranges"
    ]
    assert ("", "Berg 1990 (yours)", "median 55 mA", "11", "") in published.rows
    assert published.frame.set_index("record")["own"]["berg"].all()
