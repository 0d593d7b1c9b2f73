"""The numbers of a committee's page: natural frequencies, what turns the result, what belongs to which measure."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.proportion import proportion_confint

from capstat import AnalysisOptions, study_from_frames
from capstat.analysis import LiteratureQuestion, analyse_evidence, capture_definitions_for, describe_local
from capstat.analysis.evidence_brief import brief_measures, evidence_brief
from capstat.analysis.evidence_reanalysis import reanalyse
from capstat.synthesis.judgements import CertaintyJudgement, Judgement
from capstat.synthesis.judgements_parts import DOMAINS
from capstat.synthesis.study_arm import EvidenceTable, StudyArm

AP, AL = "anterior-posterior", "anterior-lateral"


@pytest.fixture(autouse=True)
def without_reanalysis(monkeypatch):
    monkeypatch.setattr("capstat.analysis.evidence_analysis.reanalyse", lambda *_, **__: None)


def record(code: str, **fields: Any) -> StudyArm:
    given: dict[str, Any] = {
        "study": code.partition("_")[0], "citation": f"Writer{code.partition('_')[0]} A. Journal 1990", "year": 1990,
        "design": "series", "population": "invented adults", "age_group": "adults", "urgency": "elective",
        "setting": "hospital", "placement": AP, "paced": True, "counted": "patients", "provenance": "own",
        "seen_in": "paper", "capture_definition": "pulse",
    }  # fmt: skip
    return StudyArm(arm=code, **(given | fields))


def outcome(code: str, x: int, n: int, y: int, m: int) -> list[StudyArm]:
    words = {"outcome": "survival", "design": "randomised", "urgency": "arrest"}
    return [
        record(f"{code}_p", n=n, outcome_events=x, outcome_n=n, compared_with=f"{code}_c", **words),
        record(f"{code}_c", n=m, outcome_events=y, outcome_n=m, paced=False, **words),
    ]


def crossover(code: str, value: float, wide: float = 1.2) -> list[StudyArm]:
    a, b = f"{code}_a", f"{code}_b"
    return [
        record(a, design="crossover", n=20, n_pairs=20, compared_with=b, overlaps=(b,), ratio=value,
               ratio_lower=value / wide, ratio_upper=value * wide, interval_percent=95.0),
        record(b, design="crossover", n=20, placement=AL, overlaps=(a,)),
    ]  # fmt: skip


def brief(measure, arms=None, comparison=None, told=None, **others):
    table = None if arms is None else EvidenceTable(tuple(arms), ("x",), "0")
    question = LiteratureQuestion(table=table, measures=brief_measures(measure), **others)
    return evidence_brief(analyse_evidence(question), measure, comparison, **(told or {}))


def wilson_limits(events, total):
    return pytest.approx(proportion_confint(events, total, method="wilson"))


def limits(frequency):
    return (frequency.share.lower, frequency.share.upper)


def test_published_shares_as_of_a_hundred():
    """14 of 18 and 8 of 19: 78 and 42 of 100, each with its own limits (statsmodels: 55 to 91 and 23 to 64)."""
    (part,) = brief("ratio").parts
    assert part.pooled.question.measure == "capture-ratio"
    second, first = part.frequencies
    assert (first.who, second.who) == (AP, AL)
    for arm, events, total in ((first, 14, 18), (second, 8, 19)):
        assert (arm.events, arm.share.n) == (events, total)
        assert arm.share.value == pytest.approx(events / total)
        assert limits(arm) == wilson_limits(events, total)
        assert not arm.applied


def test_outcomes_as_of_a_hundred():
    (arrest, emergency) = brief("outcome").parts
    for part, share, other in ((arrest, 11 / 278, 5 / 259), (emergency, 29 / 42, 28 / 40)):
        assert [f.who for f in part.frequencies] == ["allocated to the control", "allocated to pacing"]
        assert part.frequencies[0].share.value == pytest.approx(other)
        assert part.frequencies[1].share.value == pytest.approx(share)
        assert [f.events for f in part.frequencies] == [round(other * part.frequencies[0].share.n),
                                                        round(share * part.frequencies[1].share.n)]  # fmt: skip
        assert limits(part.frequencies[1]) == wilson_limits(part.frequencies[1].events, part.frequencies[1].share.n)
        assert "survival to discharge" in part.frequencies[0].event
    assert arrest.value.value == pytest.approx(2.05, abs=0.005)
    assert emergency.value.value == pytest.approx(0.986, abs=0.0005)
    assert arrest.turning == ()


def test_frequencies_of_pooled_outcomes_leave_out_what_says_nothing():
    (part,) = brief(
        "outcome", [*outcome("a", 3, 30, 2, 31), *outcome("b", 0, 90, 0, 90), *outcome("c", 6, 40, 5, 41)]
    ).parts
    baseline = 7 / 72
    assert part.frequencies[0].share.value == pytest.approx(baseline)
    assert part.frequencies[1].share.value == pytest.approx(baseline * part.pooled.headline.value)
    # a share is at most everybody
    times = [min(1.0, baseline * limit) for limit in (part.pooled.headline.lower, part.pooled.headline.upper)]
    assert limits(part.frequencies[1]) == pytest.approx(tuple(times))
    assert [(f.events, f.applied) for f in part.frequencies] == [(None, False), (None, True)]


def test_the_one_study_with_a_value_is_told_by_its_own_counts():
    (part,) = brief("outcome", [*outcome("a", 3, 30, 2, 31), *outcome("b", 0, 90, 0, 90)]).parts
    assert [(f.events, f.share.n) for f in part.frequencies] == [(2, 31), (3, 30)]
    assert [study.effect.n for study in part.informative] == [61]


def test_a_study_without_whom_the_interval_says_something_else():
    arms = [
        *crossover("a", 0.7, 1.1),
        *crossover("b", 0.72, 1.1),
        *crossover("c", 0.71, 1.1),
        *crossover("d", 1.6, 1.1),
    ]
    part = brief("ratio", arms).parts[0]
    excludes = lambda e: not e.lower <= 1 <= e.upper  # noqa: E731
    assert not excludes(part.pooled.headline)
    assert part.turning == ("Writerd 1990",)
    assert [left.label for left in part.pooled.leave_one_out if excludes(left.estimate)] == ["Writerd 1990"]


def test_one_study_is_its_own_value_and_none_is_none():
    part = brief("ratio", crossover("a", 0.8)).parts[0]
    assert part.value == part.pooled.studies[0].estimate
    assert part.frequencies == ()
    silent = brief("outcome", [*outcome("a", 0, 30, 0, 31), *outcome("b", 0, 20, 0, 20)]).parts[0]
    assert silent.value is None
    assert silent.frequencies == ()


@pytest.mark.parametrize(("measure", "measures"), [
    ("ratio", ("ratio", "capture-ratio")),
    ("capture-ratio", ("capture-ratio", "ratio")),
    ("difference", ("difference", "ratio", "capture-ratio")),
    ("outcome", ("outcome",)),
    ("threshold", ("threshold",)),
])  # fmt: skip
def test_a_brief_about_placements_has_everything_about_placements(measure, measures):
    assert brief_measures(measure) == measures
    assert brief(measure).measure == measure


def test_a_brief_about_differences_has_the_difference():
    assert "difference" in {part.pooled.question.measure for part in brief("difference").parts}


def test_judgements_of_other_measures_stay_out():
    judgements = tuple(
        CertaintyJudgement(
            measure=measure, start="observational",
            judgements=tuple(
                Judgement(d, "undetected" if d == "small-study-effects" else "serious", "few small old studies")
                for d in DOMAINS
            ),
        )
        for measure in ("ratio", "outcome")
    )  # fmt: skip
    assert [j.measure for j in brief("outcome", judgements=judgements).judgements] == ["outcome"]
    assert brief("threshold", judgements=judgements).judgements == ()


# --- who was studied ------------------------------------------------------------------------------------------------


def test_arms_of_the_same_people_count_once(monkeypatch):
    """20 are behind the reanalysed thresholds and 19 behind the shares; all are the same 20."""
    monkeypatch.setattr("capstat.analysis.evidence_analysis.reanalyse", reanalyse)
    found = brief("ratio")
    assert [part.pooled.n for part in found.parts] == [20, 19]
    (people,) = found.people
    assert (people.n, people.designs, people.studies) == (20, ("crossover",), ("moayedi2022",))


def test_other_people_of_the_same_study_are_added():
    """Adults and children of one study are told apart, and so are two studies."""
    words = {"study": "a", "n_captured": 9}
    arms = [record("a_1", n=10, **words), record("a_2", n=12, age_group="children", **words),
            record("a_3", n=11, capture_definition="qrs-and-t", overlaps=("a_1",), **words),
            record("b_1", n=20, n_captured=9, design="randomised")]  # fmt: skip
    found = brief("capture", arms)
    assert [(p.studies, p.n) for p in found.people] == [(("a", "b"), 11 + 12 + 20)]
    assert found.people[0].designs == ("series", "randomised")
    assert len(found.parts) == 3


# --- the crossover --------------------------------------------------------------------------------------------------


def test_the_reanalysed_ratio_is_told_as_such(monkeypatch):
    monkeypatch.setattr("capstat.analysis.evidence_analysis.reanalyse", reanalyse)
    found = brief("ratio")
    assert [part.reanalysed for part in found.parts] == [True, False]
    # the posterior itself, not the normal law used for pooling
    assert found.parts[0].value == found.reanalysis.crossover.ratio
    assert brief("outcome").reanalysis is None


# --- own records ----------------------------------------------------------------------------------------------------


def paced(values, n_minus=0):
    """One attempt of each patient up to 140 mA; the last ``n_minus`` with the other placement."""
    rows = []
    for i, value in enumerate(values):
        upper = float(np.ceil(value / 5) * 5)
        caught = upper <= 140
        rows.append({"patient_id": f"P{i:02d}", "placement": AL if i >= len(values) - n_minus else AP, "attempt_order": 1,
                     "max_output_ma": 140, "highest_no_capture_ma": upper - 5 if caught else 140.0,
                     "lowest_capture_ma": upper if caught else np.nan, "assignment": "chosen",
                     "age_years": 50.0 + (7 * i) % 30})  # fmt: skip
    return rows


def compared(rows):
    frame = pd.DataFrame(rows)
    patients = None
    if "age_years" in frame:
        patients = frame[["patient_id", "age_years"]].drop_duplicates()
        frame = frame.drop(columns="age_years")
    study = study_from_frames(frame, patients=patients)
    return describe_local(study, AnalysisOptions(replicates=100), capture_definitions_for(study)).comparison


def between(minus_beyond=1):
    """20 patients against 12; 4 and ``minus_beyond`` of them are not captured."""
    rng = np.random.default_rng(5)
    first, minus = 65 * np.exp(rng.normal(0, 0.2, 16)), 80 * np.exp(rng.normal(0, 0.2, 12 - minus_beyond))
    return compared(paced([*first, *[200.0] * 4, *minus, *[200.0] * minus_beyond], 12))


@pytest.fixture(scope="module")
def chosen():
    return between()


def test_what_the_own_ratio_is_adjusted_for(chosen):
    told = {"capture": "mechanical", "adjusted": "Adjusted, 5 more of 100."}
    local = brief("ratio", comparison=chosen, told=told).local
    assert local.adjusted_for == chosen.unpaired_ratio.adjusted_for == ("age_years",)
    assert (local.paired, local.all_both, local.withheld_below) == (False, False, 0)
    assert (local.capture, local.adjusted) == ("mechanical", "Adjusted, 5 more of 100.")


@pytest.mark.parametrize(("below", "withheld"), [(1, 0), (2, 2), (12, 12)])
def test_shares_that_give_small_counts_away_are_withheld(chosen, below, withheld):
    """One patient of 12 was not captured: nothing below 1 is hidden from sight, from 2 on it is."""
    assert (chosen.n_minus, chosen.n_captured_minus) == (12, 11)
    local = brief("ratio", comparison=chosen, told={"suppress_below": below}).local
    assert local.withheld_below == withheld
    assert bool(local.frequencies) == (not withheld)
    assert local.n == 32


def test_a_count_of_nobody_is_not_small():
    comparison = between(0)
    assert (comparison.n_minus, comparison.n_captured_minus) == (12, 12)
    assert brief("ratio", comparison=comparison, told={"suppress_below": 4}).local.withheld_below == 0
    assert brief("ratio", comparison=comparison, told={"suppress_below": 5}).local.withheld_below == 5


def test_counts_at_the_common_maximum_count_too(chosen):
    """Captured in the end, but 1 of 20 not at the current that is common to all."""
    shares = (replace(chosen.shares_at_maximum[0], value=19 / 20), replace(chosen.shares_at_maximum[1], value=1.0))
    comparison = replace(chosen, n_captured_first=20, n_captured_minus=12, shares_at_maximum=shares)
    assert brief("ratio", comparison=comparison, told={"suppress_below": 2}).local.withheld_below == 2
    assert brief("ratio", comparison=comparison, told={"suppress_below": 1}).local.withheld_below == 0


def test_a_group_that_is_too_small_leaves_no_comparison(chosen):
    found = brief("ratio", comparison=chosen, told={"suppress_below": 13, "not_compared": "something else"})
    assert found.local is None
    assert found.not_compared == "a group to be compared has fewer than 13 patients"
    assert brief("ratio", comparison=chosen, told={"suppress_below": 12}).local is not None
    # pairs count as a group of their own
    pairs = replace(chosen, paired=True, n_both=9)
    assert brief("ratio", comparison=pairs, told={"suppress_below": 10}).local is None


def test_why_nothing_is_compared(chosen):
    assert brief("ratio", told={"not_compared": "one placement"}).not_compared == "one placement"
    assert brief("outcome", told={"not_compared": "one placement"}).not_compared == ""
    assert brief("ratio", comparison=chosen, told={"not_compared": "one placement"}).not_compared == ""


@pytest.mark.parametrize("assignment", ["randomised", "chosen"])
def test_own_comparison(assignment):
    rng = np.random.default_rng(2)
    frame = []
    for i in range(14):
        base = 70 * np.exp(rng.normal(0, 0.2))
        for order, (placement, factor) in enumerate(((AP, 0.8), (AL, 1.0)), 1):
            upper = float(np.ceil(base * factor / 5) * 5)
            frame.append({"patient_id": f"P{i:02d}", "placement": placement, "attempt_order": order, "max_output_ma": 140,
                          "highest_no_capture_ma": upper - 5, "lowest_capture_ma": upper, "assignment": assignment})  # fmt: skip
    comparison = compared(frame)
    found = brief("ratio", comparison=comparison)
    assert found.local.randomised == (assignment == "randomised")
    assert (found.local.first, found.local.minus, found.local.n) == (AP, AL, 14)
    assert [f.share.value for f in found.local.frequencies] == pytest.approx([1.0, 1.0])
    assert found.local.current_ma <= 140
    assert (found.local.paired, found.local.all_both, found.local.adjusted_for) == (True, True, ())
    few = replace(comparison, n_first=15)
    assert not brief("ratio", comparison=few).local.all_both
    # a brief about outcomes has nothing of placements
    assert brief("outcome", comparison=comparison).local is None
