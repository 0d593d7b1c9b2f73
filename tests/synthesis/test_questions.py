"""Which records answer a question: grouping, reasons, overlaps, shared controls, the way round, names."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from capstat.results import Estimate, UsageError
from capstat.synthesis.evidence_file import published_evidence
from capstat.synthesis.pooled import pool_evidence
from capstat.synthesis.questions import EvidenceQuestion, canonical_words, gather, questions_of, records_of
from capstat.synthesis.scales import effect_estimate
from capstat.synthesis.study_arm import EvidenceTable, StudyArm
from capstat.synthesis.study_effect import StudyEffect

AP, AL = "anterior-posterior", "anterior-lateral"


def record(code: str, **fields: Any) -> StudyArm:
    given: dict[str, Any] = {
        "study": code.partition("_")[0], "citation": f"Writer{code.partition('_')[0]} A. A study. Journal 1990", "year": 1990,
        "design": "series", "population": "invented adults", "age_group": "adults", "urgency": "elective",
        "setting": "hospital", "placement": AP, "paced": True, "counted": "patients", "provenance": "own",
        "seen_in": "paper", "capture_definition": "pulse",
    }  # fmt: skip
    return StudyArm(arm=code, **(given | fields))


def table(*arms: StudyArm) -> EvidenceTable:
    return EvidenceTable(arms, ("invented.csv",), "0")


def threshold(code: str, median: float = 60.0, n: int = 20, **fields: Any) -> StudyArm:
    values: dict[str, Any] = {
        "current_means": "threshold", "non_capture": "none", "n": n, "n_captured": n, "n_current": n,
        "median_ma": median, "minimum_ma": median / 2, "maximum_ma": 2 * median,
    }  # fmt: skip
    return record(code, **(values | fields))


def contrast(code: str, first: str = AP, second: str = AL, n: int = 20, **fields: Any) -> tuple[StudyArm, StudyArm]:
    """A crossover; its second arm holds no numbers."""
    a, b = f"{code}_a", f"{code}_b"
    common = {"design": "crossover", "n": n}
    return (
        record(
            a, placement=first, compared_with=b, n_pairs=n, interval_percent=95.0, overlaps=(b,), **common, **fields
        ),
        record(b, placement=second, overlaps=(a,), **common),
    )


def ratio(code: str, value: float, **fields: Any) -> tuple[StudyArm, StudyArm]:
    return contrast(code, ratio=value, ratio_lower=value / 1.3, ratio_upper=value * 1.3, **fields)


def outcome(code: str, events: int, n: int, other: int, m: int, **fields: Any) -> tuple[StudyArm, StudyArm]:
    words = {"outcome": "survival", "capture_definition": "", "design": "randomised"}
    return (
        record(f"{code}_p", n=n, outcome_events=events, outcome_n=n, compared_with=f"{code}_c", **words, **fields),
        record(f"{code}_c", n=m, outcome_events=other, outcome_n=m, paced=False, **words),
    )


def gathered(measure, *arms, where=(), **options):
    return gather(table(*arms), EvidenceQuestion(measure, where), **options)


def reasons(found):
    return {one.arm: one.reason for one in found.excluded}


# --- questions ------------------------------------------------------------------------------------------------------


def test_populations_and_definitions_are_asked_apart():
    arms = (
        record("a", n=10, n_captured=9),
        record("b", n=10, n_captured=9, age_group="mixed"),
        record("c", n=10, n_captured=9, age_group="children"),
        record("d", n=10, n_captured=9, urgency="arrest"),
        record("e", n=10, n_captured=9, capture_definition="sustained"),
    )
    found = questions_of(table(*arms), ["capture"])
    members = [{arm.arm for arm in arms if question.takes(arm)} for question in found]
    # studies that do not give ages stand with adults, children never do
    assert members == [{"a", "b"}, {"c"}, {"d"}, {"e"}]
    assert found[0].conditions == "adults or not said, elective, pulse"


@pytest.mark.parametrize("measure", ["threshold", "ratio", "difference"])
def test_currents_under_two_definitions_are_asked_apart_unless_somebody_asks(measure):
    limits = {"difference_ma": -9.0, "difference_lower_ma": -12.0, "difference_upper_ma": -6.0}
    make = {"threshold": lambda c, **f: (threshold(c, **f),), "ratio": lambda c, **f: ratio(c, 0.8, **f)[:1],
            "difference": lambda c, **f: contrast(c, **limits, **f)[:1]}[measure]  # fmt: skip
    arms = (*make("a"), *make("b", capture_definition="sustained"))
    found = questions_of(table(*arms), [measure])
    assert [dict(question.where)["capture_definition"] for question in found] == [("pulse",), ("sustained",)]
    (both,) = questions_of(table(*arms), [measure], by=("age_group", "urgency"))
    assert all(both.takes(arm) for arm in arms)


def test_three_shipped_elective_thresholds_are_together_only_where_asked():
    evidence, elective = published_evidence(), [("urgency", ("elective",))]

    def sizes(**options):
        found = questions_of(evidence, ["threshold"], where=elective, **options)
        return sorted(len(gather(evidence, question).effects) for question in found)

    assert max(sizes()) == 2
    assert max(sizes(by=("age_group", "urgency"))) == 3


def test_accepted_spellings_are_understood_and_others_left():
    assert canonical_words("placement", ["AP", AL, "AP"]) == (AP, AL)
    assert canonical_words("placement", ["bogus"]) == ("bogus",)
    assert canonical_words("study", ["AP"]) == ("AP",)


def test_records_of_conditions():
    arms = table(record("a"), record("b", urgency="arrest"), record("c", urgency="arrest", placement=AL))
    found = records_of(arms, (("urgency", ("arrest",)), ("placement", (AP,))))
    assert [arm.arm for arm in found] == ["b"]
    assert records_of(arms, ()) == arms


def test_where_and_by_change_what_is_mixed():
    arms = (record("a", n=10, n_captured=9), record("c", n=10, n_captured=9, age_group="children"))
    (both,) = questions_of(table(*arms), ["capture"], where=[("age_group", ("adults", "children"))])
    assert all(both.takes(arm) for arm in arms)
    assert len(questions_of(table(*arms), ["capture"], by=["placement"])) == 1
    (everything,) = questions_of(table(*arms), ["capture"], by=[])
    assert everything.conditions == ""
    assert questions_of(table(*arms), ["capture"], where=[("urgency", ("arrest",))]) == ()


@pytest.mark.parametrize(
    ("where", "words"),
    [
        ((("year", ("1990",)),), "cannot be chosen by year"),
        ((("nothing", ("x",)),), "cannot be chosen by nothing"),
        ((("urgency", ("electiv",)),), "never holds 'electiv'; accepted are elective"),
        ((("paced", ("maybe",)),), "accepted are yes, no"),
        ((("urgency", ("elective",)), ("urgency", ("arrest",))), "named more than once"),
    ],
)
def test_a_column_or_word_that_cannot_be_meant_is_refused(where, words):
    with pytest.raises(UsageError, match=words):
        EvidenceQuestion("capture", where)


def test_paced_is_chosen_by_yes_and_no():
    question = EvidenceQuestion("outcome", (("paced", ("no",)),))
    assert [question.takes(arm) for arm in outcome("a", 1, 9, 1, 9)] == [False, True]


# --- reasons --------------------------------------------------------------------------------------------------------


def test_every_record_that_is_not_pooled_says_why():
    found = gathered(
        "threshold",
        threshold("good"),
        threshold("memory", provenance="memory"),
        threshold("review", design="review"),
        threshold("marked", not_pooled="the same people as in a paper not read"),
        threshold("applied", current_means="applied"),
        threshold("bare", minimum_ma=None, maximum_ma=None),
        threshold("nobody", n=None, n_current=None, n_captured=None),
        threshold("imputed", non_capture="imputed", imputed_as_ma=141.0),
        threshold("high", max_output_ma=100.0),
    )
    assert [effect.arm for effect in found.effects] == ["good"]
    told = reasons(found)
    assert told["memory"] == "nothing of it was read, only remembered"
    assert "pooled by a review" in told["review"]
    assert told["marked"] == "the same people as in a paper not read"
    assert told["applied"] == "applied current is not a threshold."
    assert told["bare"] == "no spread was reported."
    assert "how many patients" in told["nobody"]
    assert "141 mA in place of 'not captured'" in told["imputed"]
    assert "above the highest output, 100 mA" in told["high"]


def test_spread_is_lent_only_where_asked():
    arms = (threshold("own"), threshold("bare", 80.0, n=12, minimum_ma=None, maximum_ma=None))
    assert len(gathered("threshold", *arms).effects) == 1
    lent = gathered("threshold", *arms, borrow_spread=True).effects
    assert len(lent) == 2
    # lender: Wan's range rule by hand; borrower: a median of 12 normal values, whose error is simulated
    sd = np.log(4) / (2 * stats.norm.ppf((20 - 0.375) / (20 + 0.25)))
    draws = np.median(np.random.default_rng(1).normal(size=(200_000, 12)), axis=1)
    assert lent[1].value == pytest.approx(np.log(80.0))
    assert lent[1].se == pytest.approx(sd * draws.std(), rel=0.01)
    assert "assumed and taken as known" in " ".join(lent[1].assumptions)
    # what intervals lose by it is told
    assert "95 % limits hold in 92 %" in " ".join(lent[1].assumptions)
    # nobody to borrow from
    assert gathered("threshold", arms[1], borrow_spread=True).effects == ()


def test_spread_is_not_lent_to_a_study_that_put_numbers_in():
    bare = {"minimum_ma": None, "maximum_ma": None, "n": 12}
    put_in = threshold("s_b", 90.0, study="s", non_capture="imputed", imputed_as_ma=141.0)
    arms = threshold("own"), threshold("s_a", 80.0, study="s", **bare), put_in
    found = gathered("threshold", *arms, borrow_spread=True)
    assert [effect.arm for effect in found.effects] == ["own"]
    assert "None is borrowed for it: a number stands for 'not captured'" in reasons(found)["s_a"]
    # the same arm of a study that did not
    assert len(gathered("threshold", *arms[:2], borrow_spread=True).effects) == 2


def test_what_was_worked_out_here_is_told():
    derived = "n_captured: 33 of 35 less 22 of 24"
    found = gathered("capture", record("a", n=11, n_captured=11, derived=derived), record("b", n=9, n_captured=8))
    told = [[words for words in effect.assumptions if "Worked out" in words] for effect in found.effects]
    assert told == [[f"Worked out here, not printed: {derived}"], []]
    assert {effect.method for effect in found.effects} == {"counts"}


def test_a_reanalysis_takes_the_place_of_the_record():
    arms = contrast("x", difference_ma=-30.0, difference_lower_ma=-40.0, difference_upper_ma=-20.0)
    assert gathered("ratio", *arms).effects == ()
    again = StudyEffect(
        arm="x_a", other="x_b", label="", measure="ratio", value=-0.4, se=0.1, n=20, method="other means"
    )
    (effect,) = gathered("ratio", *arms, reanalysed={"x_a": again}).effects
    assert (effect.value, effect.label) == (-0.4, "Writerx 1990, reanalysed")
    # it stands for the ratio only
    (difference,) = gathered("difference", *arms, reanalysed={"x_a": again}).effects
    assert difference.value == -30.0


# --- the same people ------------------------------------------------------------------------------------------------


def test_overlapping_records_are_never_pooled_together_and_the_larger_is_kept():
    found = gathered(
        "threshold", threshold("small", n=10, overlaps=("large",)), threshold("large", n=30), threshold("other", n=5)
    )
    assert [effect.arm for effect in found.effects] == ["large", "other"]
    assert reasons(found) == {"small": "holds, or may hold, some of the same people as large"}
    (left,) = found.excluded
    assert left.effect is not None
    assert left.effect.n == 10


def test_first_in_the_table_wins_a_tie():
    arms = threshold("first"), threshold("second", overlaps=("first",))
    assert [e.arm for e in gathered("threshold", *arms).effects] == ["first"]
    assert [e.arm for e in gathered("threshold", *arms[::-1]).effects] == ["second"]


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_no_two_pooled_records_ever_share_people(data):
    k = data.draw(st.integers(2, 7))
    links = data.draw(st.sets(st.tuples(st.integers(0, k - 1), st.integers(0, k - 1)).filter(lambda p: p[0] != p[1])))
    sizes = data.draw(st.lists(st.integers(2, 40), min_size=k, max_size=k))
    arms = [
        record(
            f"r{i}", n=sizes[i], n_captured=sizes[i] - 1, overlaps=tuple(f"r{b}" for a, b in sorted(links) if a == i)
        )
        for i in range(k)
    ]
    found = gathered("capture", *arms)
    kept = {effect.arm for effect in found.effects}
    assert not any(f"r{a}" in kept and f"r{b}" in kept for a, b in links)
    # nobody is left out without a larger or equal one that was kept
    for one in found.excluded:
        keeper = one.reason.split()[-1]
        assert keeper in kept
        assert table(*arms).arm(keeper).n >= table(*arms).arm(one.arm).n


def test_a_control_shared_by_two_arms_counts_once():
    common = {"design": "randomised", "n": 20}
    found = gathered(
        "capture-ratio",
        record("s_a", n_captured=15, compared_with="s_c", **common),
        record("s_b", n_captured=12, compared_with="s_c", **common),
        record("s_c", n_captured=10, placement=AL, **common),
    )
    assert len(found.effects) == 1
    assert "the same people" in reasons(found)["s_b"]


def test_a_comparison_told_from_both_ends_counts_once():
    common = {"design": "randomised", "n": 20}
    found = gathered(
        "capture-ratio",
        record("s_a", n_captured=15, compared_with="s_c", **common),
        record("s_c", n_captured=10, placement=AL, compared_with="s_a", **common),
    )
    (effect,) = found.effects
    assert effect.value == pytest.approx(np.log(15 / 10))


# --- the way round --------------------------------------------------------------------------------------------------


def test_comparisons_are_turned_to_the_same_arm_first():
    found = gathered("ratio", *ratio("x", 0.8), *ratio("y", 1.25, first=AL, second=AP))
    assert [effect.value for effect in found.effects] == pytest.approx([np.log(0.8), np.log(0.8)])
    assert [effect.arm for effect in found.effects] == ["x_a", "y_b"]
    assert [arm.placement for arm in found.arms] == [AP, AP]
    assert found.direction == f"{AP} against {AL}"
    assert "turned" in found.effects[1].assumptions[-1]
    # the first record of the table says which way
    turned = gathered("ratio", *ratio("y", 1.25, first=AL, second=AP), *ratio("x", 0.8))
    assert turned.direction == f"{AL} against {AP}"
    assert [effect.value for effect in turned.effects] == pytest.approx([np.log(1.25), np.log(1.25)])


def test_turned_differences_change_their_sign():
    minus = contrast("x", difference_ma=-30.0, difference_lower_ma=-40.0, difference_upper_ma=-20.0)
    plus = contrast("y", AL, AP, difference_ma=28.0, difference_lower_ma=18.0, difference_upper_ma=38.0)
    assert [e.value for e in gathered("difference", *minus, *plus).effects] == [-30.0, -28.0]


def test_limits_of_its_own_are_told_and_dropped_where_a_comparison_is_turned():
    own = Estimate("ratio", 0.8, 0.3, 1.1, 0.95, "ratio", "log", 20, "skewed")

    def again(code):
        return StudyEffect(arm=f"{code}_a", other=f"{code}_b", label="", measure="ratio", value=float(np.log(0.8)),
                           se=0.1, n=20, method="other means", told=own)  # fmt: skip

    straight, turned = ratio("x", 0.9), ratio("y", 1.2, first=AL, second=AP)
    found = gathered("ratio", *straight, *turned, reanalysed={"x_a": again("x"), "y_a": again("y")})
    first, second = found.effects
    assert effect_estimate(first, 0.95) is own
    assert second.told is None
    other = effect_estimate(second, 0.95)
    limits = np.exp(-np.log(0.8) + stats.norm.ppf([0.025, 0.5, 0.975]) * 0.1)
    assert (other.lower, other.value, other.upper) == pytest.approx(limits)


def test_different_outcomes_are_never_pooled_together():
    arms = (*outcome("x", 9, 30, 5, 30), *outcome("y", 8, 30, 5, 30))
    other = tuple(replace(arm, outcome="Survival") for arm in outcome("z", 7, 30, 5, 30))
    late = tuple(replace(arm, outcome="survival at one year") for arm in outcome("w", 7, 30, 5, 30))
    every = questions_of(table(*arms, *late), ["outcome"])
    assert [dict(question.where)["outcome"] for question in every] == [("survival",), ("survival at one year",)]
    # nor where nothing keeps them apart; capitals make no other outcome
    found = gathered("outcome", *arms, *other, *late)
    assert [effect.arm for effect in found.effects] == ["x_p", "y_p", "z_p"]
    assert reasons(found) == {"w_p": "another outcome (survival at one year) than that of x_p (survival)"}


def test_other_pairs_of_placements_are_not_pooled_with_the_first():
    found = gathered("ratio", *ratio("x", 0.8), *ratio("y", 0.9, second="unknown"))
    assert [effect.arm for effect in found.effects] == ["x_a"]
    assert "it compares anterior-posterior with unknown" in reasons(found)["y_a"]


def test_outcomes_are_paced_against_not_paced():
    paced, control = outcome("x", 11, 278, 5, 259)
    (effect,) = gathered("outcome", paced, control).effects
    # the same counts, told from the control
    turned = gathered(
        "outcome",
        record("x_p", outcome="survival", n=278, outcome_events=11, outcome_n=278, capture_definition=""),
        record("x_c", outcome="survival", n=259, outcome_events=5, outcome_n=259, paced=False, compared_with="x_p"),
    )
    assert turned.effects[0].value == pytest.approx(effect.value)
    assert (turned.effects[0].events, turned.effects[0].other_events) == (11, 5)
    assert turned.direction == "paced against not paced"
    both = gathered("outcome", *(record(f"z_{x}", outcome="survival", n=30, outcome_events=3, outcome_n=30,
                                        compared_with="z_b" if x == "a" else "") for x in "ab"))  # fmt: skip
    assert both.effects == ()
    assert reasons(both) == {"z_a": "both arms were paced"}


# --- names ----------------------------------------------------------------------------------------------------------


def test_names_are_never_the_same_twice():
    same = "Writer A. A study. Journal 1990"
    found = gathered(
        "capture",
        record("a_x", n=10, n_captured=9, citation=same),
        record("b_x", n=10, n_captured=8, citation=same),
        record("c", n=10, n_captured=8, citation=same),
    )
    labels = [effect.label for effect in found.effects]
    assert labels == ["Writer 1990, a_x", "Writer 1990, b_x", "Writer 1990, c"]


def test_shipped_records_have_one_name_each_and_overlaps_stay_apart():
    evidence = published_evidence()
    for question in questions_of(evidence, ["threshold", "capture", "ratio", "capture-ratio", "outcome"]):
        found = gather(evidence, question)
        labels = [e.label for e in found.effects] + [e.label for e in found.excluded]
        assert len(set(labels)) == len(labels)
        for first in found.arms:
            assert not any(second.arm in first.overlaps for second in found.arms)
        assert all(reason and reason[-1] != ":" for reason in reasons(found).values())
        pool_evidence(found)
