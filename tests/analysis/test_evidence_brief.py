"""The numbers of a committee's page: natural frequencies, what turns the result, what belongs to which measure."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from capstat import AnalysisOptions, study_from_frames
from capstat.analysis import LiteratureQuestion, analyse_evidence, capture_definitions_for, describe_local
from capstat.analysis.evidence_brief import brief_measures, evidence_brief
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


def brief(measure, arms=None, comparison=None, **others):
    table = None if arms is None else EvidenceTable(tuple(arms), ("x",), "0")
    question = LiteratureQuestion(table=table, measures=brief_measures(measure), **others)
    return evidence_brief(analyse_evidence(question), measure, comparison)


def test_published_shares_as_of_a_hundred():
    """14 of 18 and 8 of 19: 78 and 42 of 100; the ratio's limits, 1.03 and 3.31, are cut at everybody."""
    (part,) = brief("ratio").parts
    assert part.pooled.question.measure == "capture-ratio"
    first, second = part.frequencies[1], part.frequencies[0]
    assert (first.who, second.who) == (AP, AL)
    assert second.share.value == pytest.approx(8 / 19)
    assert first.share.value == pytest.approx(14 / 18)
    se = np.sqrt(1 / 14 - 1 / 18 + 1 / 8 - 1 / 19)
    low = 14 / 18 * np.exp(-stats.norm.ppf(0.975) * se)
    assert first.share.lower == pytest.approx(low)
    assert first.share.upper == 1.0
    assert second.share.lower < 8 / 19 < second.share.upper


def test_outcomes_as_of_a_hundred():
    (arrest, emergency) = brief("outcome").parts
    for part, share, other in ((arrest, 11 / 278, 5 / 259), (emergency, 29 / 42, 28 / 40)):
        assert [f.who for f in part.frequencies] == ["not paced", "paced"]
        assert part.frequencies[0].share.value == pytest.approx(other)
        assert part.frequencies[1].share.value == pytest.approx(share)
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
    study = study_from_frames(pd.DataFrame(frame))
    local = describe_local(study, AnalysisOptions(replicates=100), capture_definitions_for(study))
    found = brief("ratio", comparison=local.comparison)
    assert found.local.randomised == (assignment == "randomised")
    assert (found.local.first, found.local.minus, found.local.n) == (AP, AL, 14)
    assert [f.share.value for f in found.local.frequencies] == pytest.approx([1.0, 1.0])
    assert found.local.current_ma <= 140
    # a brief about outcomes has nothing of placements
    assert brief("outcome", comparison=local.comparison).local is None
