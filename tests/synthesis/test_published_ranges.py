"""Ranges read from records that are counted by hand."""

from __future__ import annotations

from typing import Any

import pytest

from capstat.synthesis.evidence_file import published_evidence
from capstat.synthesis.evidence_words import CAPTURE_DEFINITION
from capstat.synthesis.published_ranges import CENTRES, EXTREMES, SHARE_KINDS, TRADE, PublishedRanges, published_ranges
from capstat.synthesis.study_arm import EvidenceTable, StudyArm


def record(code: str, **fields: Any) -> StudyArm:
    given: dict[str, Any] = {
        "study": code, "citation": f"Author {code.upper()}, et al. A study. Journal 1990", "year": 1990,
        "design": "series", "population": "adults", "age_group": "adults", "urgency": "elective",
        "setting": "research-laboratory", "placement": "unknown", "paced": True, "counted": "patients",
        "provenance": "verified", "seen_in": "abstract",
    }  # fmt: skip
    return StudyArm(arm=code, **(given | fields))


def ranges(*arms: StudyArm, level: float = 0.95) -> PublishedRanges:
    return published_ranges(EvidenceTable(arms, ("invented.csv",), "0"), level=level)


def threshold(code: str, **fields: Any) -> StudyArm:
    return record(code, current_means="threshold", **fields)


def named(found: PublishedRanges, name: str):
    (one,) = [r for r in found.ranges if r.name == name]
    return one


def test_extremes_and_centres_with_their_records():
    found = ranges(
        threshold("a", n=24, n_current=22, minimum_ma=30.0, maximum_ma=110.0),
        threshold("b", n=11, n_current=11, median_ma=55.0, mean_ma=58.0, minimum_ma=45.0, maximum_ma=90.0),
        threshold("c", n=32, mean_ma=81.0),
    )
    extremes, centres = named(found, EXTREMES), named(found, CENTRES)
    assert (extremes.lower, extremes.upper, extremes.n) == (30.0, 110.0, 33)
    # the median of b, not its mean; c has no number of its own for the statistic, so all 32 count
    assert (centres.lower, centres.upper, centres.n) == (55.0, 81.0, 43)
    assert [(r.arm, r.statistic, r.value, r.n) for r in centres.records] == [
        ("b", "median", 55.0, 11),
        ("c", "mean", 81.0, 32),
    ]
    assert extremes.records[0].citation.startswith("Author A")
    assert extremes.unit == centres.unit == "mA"


def test_trade_ranges_and_ceiling_need_no_evidence():
    found = ranges()
    assert [(r.name, r.lower, r.upper, r.n) for r in found.ranges] == [
        (TRADE[0], 40.0, 80.0, None), (TRADE[1], 60.0, 90.0, None), ("device ceiling", 0.0, 200.0, None),
    ]  # fmt: skip
    assert [named(found, name).source for name in TRADE] == ["common practice, no source"] * 2
    assert found.named(CENTRES) is None


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"current_means": "applied"}, "an applied current, which is not a threshold"),
        ({"current_means": "threshold", "not_pooled": "a mean of the tolerant"}, "a mean of the tolerant"),
        ({"current_means": "threshold", "age_group": "mixed"}, "not known to be adults only"),
        (
            {"current_means": "threshold", "non_capture": "imputed", "imputed_as_ma": 141.0},
            "a number (141 mA) may stand for 'not captured' in its centre",
        ),
        (
            {"current_means": "threshold", "non_capture": "imputed", "imputed_as_ma": 141.0, "n_captured": 12},
            "a number (141 mA) may stand for 'not captured' in its centre",
        ),
    ],
)
def test_records_left_out_of_centres(fields, reason):
    found = ranges(threshold("kept", n=10, mean_ma=70.0), record("gone", n=13, mean_ma=126.0, **fields))
    assert [r.arm for r in named(found, CENTRES).records] == ["kept"]
    assert [(left.arm, left.what, left.reason) for left in found.left_out] == [("gone", "current", reason)]


def test_records_say_whose_they_are_and_ranges_which_pads_they_hold():
    found = ranges(
        threshold("a", n=10, mean_ma=70.0), threshold("b", mean_ma=71.0, provenance="own", placement="anterior-lateral"),
        record("c", current_means="applied", mean_ma=90.0, placement="anterior-posterior"),
    )  # fmt: skip
    centres = named(found, CENTRES)
    assert [r.own for r in centres.records] == [False, True]
    assert [centres.holds(p) for p in ("anterior-lateral", "unknown", "anterior-posterior")] == [True, True, False]
    assert [left.placement for left in found.left_out] == ["anterior-posterior"]


def test_imputed_mean_counts_where_everybody_was_captured():
    found = ranges(threshold("a", n=13, n_captured=13, mean_ma=93.0, non_capture="imputed", imputed_as_ma=141.0))
    assert named(found, CENTRES).upper == 93.0
    assert found.left_out == ()


def test_children_and_controls_are_nowhere():
    found = ranges(
        threshold("children", n=20, mean_ma=50.0, age_group="children", n_captured=5, capture_definition="pulse"),
        record("control", n=20, paced=False, n_captured=0, capture_definition="pulse"),
    )
    assert len(found.ranges) == 3
    assert found.left_out == ()


def test_shares_by_kind_and_urgency():
    found = ranges(
        record("ap", n=18, n_captured=14, capture_definition="oximeter-rate", overlaps=("al",)),
        record("al", n=19, n_captured=8, capture_definition="oximeter-rate"),
        record("pulse", n=112, n_captured=9, capture_definition="pulse", urgency="arrest"),
        record("ecg", n=105, n_captured=55, capture_definition="electrical-undescribed", urgency="arrest"),
        record("no-definition", n=50, n_captured=1),
        record("never", n=23, n_captured=23, capture_definition="pulse", not_pooled="refuted"),
    )
    assert [(r.kind, r.urgency) for r in found.ranges if r.quantity == "share"] == [
        ("mechanical", "elective"), ("mechanical", "arrest"), ("electrical", "arrest"),
    ]  # fmt: skip
    elective = named(found, "share captured, mechanical, elective")
    assert (elective.lower, elective.upper) == (8 / 19, 14 / 18)
    # the same people twice: the larger count, not 37
    assert elective.n == 19
    # R 4.2.2: prop.test(14, 18, correct = FALSE)$conf.int
    assert (elective.records[0].lower, elective.records[0].upper) == pytest.approx((0.5479, 0.9100), abs=5e-5)
    assert [(left.arm, left.what) for left in found.left_out] == [("never", "share")]
    assert [r.name for r in found.of_kind("mechanical")] == [
        "share captured, mechanical, elective", "share captured, mechanical, arrest",
    ]  # fmt: skip
    assert found.of_kind("adjudicated") == ()


def test_overlaps_join_in_chains_and_either_way():
    found = ranges(
        threshold("a", n=5, mean_ma=60.0, overlaps=("c",)),
        threshold("b", n=9, mean_ma=61.0),
        threshold("c", n=4, mean_ma=62.0, overlaps=("d", "elsewhere")),
        threshold("d", n=8, mean_ma=63.0),
        threshold("e", mean_ma=64.0),
    )
    # {a, c, d} have 8 at least, b 9, e is not known
    assert named(found, CENTRES).n == 17
    assert named(ranges(threshold("e", mean_ma=64.0)), CENTRES).n is None


def test_every_definition_belongs_to_one_kind():
    placed = [definition for kind in SHARE_KINDS.values() for definition in kind]
    assert sorted(placed) == sorted(CAPTURE_DEFINITION.values)


def test_an_applied_current_still_gives_its_share():
    arm = record("a", current_means="applied", median_ma=90.0, n=299, n_captured=29, capture_definition="sustained")
    found = ranges(arm)
    assert named(found, "share captured, adjudicated, elective").records[0].statistic == "29 of 299"
    assert [left.what for left in found.left_out] == ["current"]


def test_the_published_table():
    found = published_ranges(published_evidence())
    extremes = named(found, EXTREMES)
    # [V-] 30-110 mA in 22 captured, 45-90 in 11; [V] 38-70 in 10 volunteers (Madsen 1988, three groups)
    assert (extremes.lower, extremes.upper, extremes.n) == (30.0, 110.0, 43)
    # [V-] median 55 mA is the lowest centre; 42 mA of those who tolerated it and 126 mA with 141 put in are not used
    centres = {r.arm: r.value for r in named(found, CENTRES).records}
    assert named(found, CENTRES).lower == 55.0
    assert {70.5, 74.0, 80.0, 81.0} < set(centres.values())
    assert not {42.0, 126.0} & set(centres.values())
    # [D] 14/18 and 8/19 in the same 20 people
    elective = named(found, "share captured, mechanical, elective")
    assert (elective.lower, elective.upper, elective.n) == (8 / 19, 14 / 18, 19)
    # [V] 29 of 299 sustained, 18 of 56; [D] 4 of 23
    emergency = named(found, "share captured, adjudicated, emergency")
    assert (emergency.lower, emergency.upper) == (29 / 299, 18 / 56)
    assert "kimbrell2024_false" in {left.arm for left in found.left_out}
