"""Tables, sentences and brief of the published studies: what they say, and what they never say."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import fields, replace
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from capstat import AnalysisOptions, study_from_frames
from capstat.analysis import LiteratureQuestion, analyse_evidence, capture_definitions_for, describe_local
from capstat.analysis.evidence_brief import evidence_brief
from capstat.analysis.evidence_reanalysis import reanalyse
from capstat.report.brief import brief_text, brief_words
from capstat.report.literature_section import literature_section
from capstat.report.literature_sentences import (
    local_notes,
    part_sentences,
    reanalysis_sentences,
    unanswered_sentence,
)
from capstat.report.literature_tables import evidence_list_table, literature_tables, tables_of_question
from capstat.report.literature_words import file_name, question_title
from capstat.synthesis.judgements import CertaintyJudgement, DecisionContext, Judgement
from capstat.synthesis.judgements_parts import DOMAIN_WORDS, DOMAINS
from capstat.synthesis.study_arm import EvidenceTable, StudyArm

AP, AL = "anterior-posterior", "anterior-lateral"
ALL = ("threshold", "capture", "ratio", "difference", "capture-ratio", "outcome")
NEVER = re.compile(r"\b(nan|None|inf|False|True(?! value))\b")
ADVICE = re.compile(r"\b(should|recommend(?!ation)\w*|must be used|is better|superior|prefer\w*)\b", re.IGNORECASE)


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


def crossover(code: str, value: float, wide: float = 1.2, **fields: Any) -> list[StudyArm]:
    a, b = f"{code}_a", f"{code}_b"
    return [
        record(a, design="crossover", n=20, n_pairs=20, compared_with=b, overlaps=(b,), ratio=value,
               ratio_lower=value / wide, ratio_upper=value * wide, interval_percent=95.0, **fields),
        record(b, design="crossover", n=20, placement=AL, overlaps=(a,), **fields),
    ]  # fmt: skip


def twelve() -> list[StudyArm]:
    rng = np.random.default_rng(9)
    wide = rng.uniform(1.1, 1.5, 12)
    values = np.exp(rng.normal(-0.25, 0.1, 12))
    return [
        arm
        for i in range(12)
        for arm in crossover(f"x{chr(97 + i)}", round(float(values[i]), 4), float(wide[i]), year=1990 + i,
                             citation=f"Writer{chr(97 + i)} A. Journal {1990 + i}",
                             setting="hospital" if i % 2 else "prehospital")
    ]  # fmt: skip


def local_study(n: int = 14, median: float = 70.0):
    frame = []
    for i, base in enumerate(median * np.exp(0.25 * stats.norm.ppf((np.arange(n) + 0.5) / n))):
        for order, (placement, factor) in enumerate(((AP, 0.8), (AL, 1.0)), 1):
            upper = float(np.ceil(base * factor / 5) * 5)
            caught = upper <= 120
            frame.append({"patient_id": f"P{i:02d}", "placement": placement, "attempt_order": order, "max_output_ma": 120,
                          "highest_no_capture_ma": upper - 5 if caught else 120.0,
                          "lowest_capture_ma": upper if caught else np.nan,
                          "threshold_capture": "mechanical"})  # fmt: skip
    rows = pd.DataFrame(frame).drop(columns="threshold_capture")
    study = study_from_frames(rows)
    return describe_local(study, AnalysisOptions(replicates=100), capture_definitions_for(study))


@cache
def shipped_records():
    return analyse_evidence(LiteratureQuestion(measures=ALL))


def analysed(arms=None, local=None, **others):
    if arms is None and local is None and not others:
        return shipped_records()
    table = None if arms is None else EvidenceTable(tuple(arms), ("x",), "0")
    return analyse_evidence(LiteratureQuestion(table=table, **({"measures": ALL} | others)), local)


def cells(tables):
    for table in tables:
        yield table.title
        yield from table.columns
        for row in table.rows:
            yield from row
        yield from table.notes


def sentences_of(found):
    for part in found.parts:
        yield from part_sentences(part) if part.pooled.studies else (unanswered_sentence(part),)
    yield from local_notes(found)


def brief_of(found, measure="ratio", comparison=None, **told):
    return brief_words(brief_text(evidence_brief(found, measure, comparison, **told)))


def well_formed(sentence: str) -> bool:
    return sentence[-1] in ".?" and not re.search(r"\.\.|\.\)\.|\s\.|  |\.;|:\.|, ,|\(\)", sentence)


HOSTILE = {
    "shipped": {},
    "borrowed": {"borrow_spread": True, "subgroups": "placement", "regress": "year"},
    "twelve": {"arms": twelve(), "subgroups": "setting", "regress": "year"},
    "two": {"arms": [*crossover("a", 0.6), *crossover("b", 0.9)], "subgroups": "setting", "regress": "year"},
    "agree": {"arms": [*crossover("a", 0.8), *crossover("b", 0.8), *crossover("c", 0.8)]},
    "far": {"arms": [*crossover("a", 0.02, 1.05), *crossover("b", 50.0, 1.05), *crossover("c", 1.0, 1.05)]},
    "zeros": {"arms": [*outcome("a", 0, 20, 0, 22), *outcome("b", 3, 30, 2, 31), *outcome("c", 1, 12, 0, 15)]},
    "only zeros": {"arms": [*outcome("a", 0, 20, 0, 22), *outcome("b", 0, 30, 0, 31)]},
    "one of two": {"arms": [*outcome("a", 0, 20, 0, 22), *outcome("b", 3, 30, 2, 31)]},
    "everybody": {"arms": [record(f"s{i}", n=9 + i, n_captured=9 + i) for i in range(3)]},
    "nobody": {"arms": [record(f"s{i}", n=9 + i, n_captured=0) for i in range(3)]},
    "mixed": {"arms": [record(f"s{i}", n=20, n_captured=2 + 8 * i) for i in range(3)], "by": ("counted",)},
}  # fmt: skip


@pytest.fixture(scope="module")
def local():
    return local_study()


@pytest.mark.parametrize(("name", "beside"), [(name, name != "two") for name in HOSTILE])
def test_every_sentence_is_one_and_nothing_is_nan(name, beside, local):
    found = analysed(local=local if beside else None, **HOSTILE[name])
    said = list(sentences_of(found))
    for measure in ALL:
        said += [s for _, group in brief_of(found, measure, local.comparison if beside else None) for s in group]
    assert said
    for sentence in said:
        assert well_formed(sentence), sentence
        assert not NEVER.search(sentence), sentence
        assert not ADVICE.search(sentence.replace("not a recommendation", "")), sentence
    tables = literature_tables(found)
    for cell in cells(tables):
        assert not NEVER.search(cell), cell
        assert isinstance(cell, str)
    for table in tables:
        assert table.rows
        assert all(len(row) == len(table.columns) for row in table.rows)
        assert all(well_formed(note) for note in table.notes), table.notes
        assert not table.frame.isin([np.inf, -np.inf]).to_numpy().any() or name in ("two", "far", "one of two")
    assert len({table.name for table in tables}) == len(tables)


def test_the_word_effect_is_kept_for_randomised_results():
    text = " ".join(
        [*sentences_of(analysed()), *cells(literature_tables(analysed(arms=twelve(), subgroups="setting")))]
    )
    # names of models and tests
    left = re.sub(r"random-effects|common-effect|[Ss]mall-study effects", "", text)
    assert "effect" not in left
    assert "association among studies" in text


def test_pooled_sentences_say_who_is_compared_with_whom():
    (part,) = analysed(arms=twelve(), measures=("ratio",)).parts
    assert f", {AP} against {AL}." in part_sentences(part)[0]
    assert part_sentences(part)[0].startswith("12 studies of 240 patients (12 of them added by you) together give 0.8")


def test_a_study_without_a_value_is_told():
    (part,) = analysed(**HOSTILE["zeros"], measures=("outcome",)).parts
    first, *others = part_sentences(part)
    assert first.startswith("1 study without a value left aside, 2 studies of 88 patients (2 of them added by you): ")
    assert "is not bounded by so few" in first
    # what counted as capture does not matter for an outcome
    assert not any("capture" in sentence for sentence in (first, *others))
    table = tables_of_question(part, 1)[0]
    assert "0/20 against 0/22" in table.rows[0]
    assert any("nobody had the outcome" in cell for cell in table.rows[0])
    assert table.rows[0][-1] == ""


def test_shares_that_differ_say_how_much():
    (part,) = analysed(**HOSTILE["mixed"], measures=("capture",)).parts
    words = " ".join(part_sentences(part))
    assert "on the log odds" in words
    assert "cannot be told" not in words


def test_one_study_is_told_and_not_pooled():
    (part,) = analysed(arms=crossover("a", 0.8), measures=("ratio",)).parts
    assert part_sentences(part)[0].startswith("One study only (added by you), so nothing is pooled: Writera 1990, 0.80")
    names = [table.name for table in tables_of_question(part, 3)]
    assert names == ["literature_03_ratio"]


def test_tables_of_twelve_studies():
    (part,) = analysed(arms=twelve(), measures=("ratio",), subgroups="setting", regress="year").parts
    tables = {table.name.removeprefix("literature_01_ratio"): table for table in tables_of_question(part, 1)}
    assert set(tables) == {"", "_pooled", "_without_each", "_by_setting", "_by_year"}
    assert len(tables[""].rows) == 12
    assert len(tables["_without_each"].frame) == 12
    assert sum(float(row[-1]) for row in tables[""].rows) == pytest.approx(100, abs=6)
    assert {row[0] for row in tables["_by_setting"].rows} == {"hospital", "prehospital"}
    assert tables["_by_year"].rows[0][0] == "per unit"


def test_records_of_the_same_people_stand_in_the_table_without_a_weight():
    (part,) = analysed(
        arms=[record("big", n=30, n_captured=20), record("small", n=10, n_captured=9, overlaps=("big",))],
        measures=("capture",),
    ).parts
    studies, left = tables_of_question(part, 1)
    assert studies.rows[1][2] == "the same people, not pooled"
    assert studies.rows[1][-1] == ""
    assert left.rows[0][2] == "holds, or may hold, some of the same people as big"


def test_limits_that_say_nothing_are_not_printed_as_numbers():
    (part,) = analysed(**HOSTILE["far"], measures=("ratio",)).parts
    assert not re.search(r"\d{6}", " ".join(cells(tables_of_question(part, 1))))


def test_local_rows_and_conflict(local):
    arms = [*crossover("a", 2.4), *crossover("b", 2.5), *crossover("c", 2.3)]
    (part,) = analysed(arms=arms, local=local, measures=("ratio",)).parts
    words = " ".join(part_sentences(part))
    assert "is unusual beside these studies" in words
    assert "Published and local results conflict (p" in words
    assert "describes neither" in words
    table = tables_of_question(part, 1)[-1]
    assert table.name.endswith("_with_local")
    assert [row[1] for row in table.rows] == ["", "0", "0.1", "0.25", "0.5", "1"]
    assert any("assumption" in note for note in table.notes)


def test_weight_that_was_chosen_is_a_row(local):
    (part,) = analysed(arms=crossover("a", 0.8), local=local, measures=("ratio",), weight=0.3).parts
    rows = tables_of_question(part, 1)[-1].rows
    assert "0.3" in [row[1] for row in rows]
    assert "at weight 0.3 (an assumption)" in " ".join(part_sentences(part))


def test_one_study_can_be_contradicted_and_the_assumption_is_told(local):
    (part,) = analysed(arms=crossover("a", 2.4), local=local, measures=("ratio",)).parts
    words = " ".join(part_sentences(part, "prehospital 100 %"))
    assert "conflict (" in words
    assert "if they differ as assumed" in words
    assert "Whether your patients (prehospital 100 %) are like these is for you to judge." in words
    notes = " ".join(tables_of_question(part, 1)[-1].notes)
    assert "it is assumed to lie below 0.17 of the logarithm with probability one half" in notes


def test_arms_of_fewer_studies_are_counted_as_arms():
    arms = [record("a_1", n=20, n_captured=15), record("a_2", n=20, n_captured=14), record("b", n=30, n_captured=20)]
    arms[2] = replace(arms[2], provenance="verified")
    (part,) = analysed(arms=arms, measures=("capture",)).parts
    assert part_sentences(part)[0].startswith("3 arms of 2 studies of 70 patients (2 of them added by you)")


def test_a_single_study_shows_another_arm_of_the_same_people():
    arms = [record("a_1", n=20, n_captured=15, overlaps=("a_2",)), record("a_2", n=10, n_captured=9, overlaps=("a_1",))]
    (part,) = analysed(arms=arms, measures=("capture",)).parts
    said = part_sentences(part)[0]
    assert "One study only (added by you), so nothing is pooled: " in said
    assert re.search(r"1, 75 % .*; .*2, 90 % ", said)


def test_shares_that_few_studies_do_not_bound_are_counts():
    everybody = [record("a", n=10, n_captured=10), record("b", n=9, n_captured=9)]
    (part,) = analysed(arms=everybody, measures=("capture",)).parts
    said = part_sentences(part)[0]
    assert said.startswith("2 studies of 19 patients (2 of them added by you): Writera 1990 10/10, Writerb 1990 9/9. ")
    assert "is not bounded by so few" in said
    # Clopper-Pearson limits of 19 of 19: 0.025 ** (1 / 19) = 0.82
    assert "if they did not differ it would be 100 % (95 % CI 82 to 100 %)." in said
    many = [record(f"s{i}", n=40, n_captured=30 + i % 3) for i in range(8)]
    (part,) = analysed(arms=many, measures=("capture",)).parts
    assert "together give" in part_sentences(part)[0]


def test_local_sentences_say_what_is_assumed(local):
    near, far = (
        " ".join(part_sentences(analysed(arms=crossover("a", v), local=local, measures=("ratio",)).parts[0], "few"))
        for v in (0.8, 3.0)
    )
    assert "is not so far off as to be called unusual beside these studies: of further services, if they differ" in near
    assert "is unusual beside these studies: of further services, if they differ as assumed, " in far
    for said in (near, far):
        assert re.search(
            r"If the published studies were believed at weight [\d.]+ \(an assumption\), both together would give "
            r"[\d.]+ \(95 % interval [\d.]+ to [\d.]+\) in place of [\d.]+\.", said
        )  # fmt: skip
        assert said.endswith("Whether your patients (few) are like these is for you to judge.")


def test_what_the_reanalysis_hangs_on_is_a_range(with_reanalysis):
    found = analysed(measures=("ratio",)).reanalysis
    rows = [row.ratio for row in found.crossover.rows if row.ratio.value is not None]
    low, high = min(row.value for row in rows), max(row.value for row in rows)
    ends = min(row.lower for row in rows), max(row.upper for row in rows)
    assert ends[0] < low < high < ends[1]
    assert (
        f"the best value moves from {low:.2f} to {high:.2f}, and the limits reach from {ends[0]:.2f} to {ends[1]:.2f}."
        in reanalysis_sentences(found)[2]
    )


def test_list_of_shipped_records():
    table = evidence_list_table(analysed().table)
    assert len(table.rows) == len(table.frame) == len(analysed().table)
    assert "applied, not a threshold" in " ".join(cells([table]))
    assert all(well_formed(note) for note in table.notes)


def test_names_of_files():
    part = analysed(arms=crossover("a", 0.8), measures=("ratio",)).parts[0]
    assert file_name(part.pooled.question, 7) == "literature_07_ratio"
    assert question_title(part.pooled.question).endswith(": adults or not said, elective, pulse")


# --- the brief ------------------------------------------------------------------------------------------------------

RATING = re.compile(r"\b(high|moderate|low|very low)\b", re.IGNORECASE)


@pytest.mark.parametrize("measure", ALL)
def test_without_a_judgement_nothing_is_rated(measure):
    words = dict(brief_of(analysed(), measure))
    certainty = words["Certainty"]
    assert "No judgement of certainty was given" in certainty[0]
    assert [s.partition(":")[0] for s in certainty[1:]] == list(DOMAIN_WORDS.values())
    assert all(": not judged." in s for s in certainty[1:])
    assert not any(RATING.search(s) for group in words.values() for s in group)
    assert "serious" not in " ".join(certainty)


def judged(*ratings: str, **given: Any) -> CertaintyJudgement:
    parts = tuple(Judgement(d, r, "few small old studies.") for d, r in zip(DOMAINS, ratings, strict=False))
    return CertaintyJudgement(**({"measure": "ratio", "start": "randomised", "judgements": parts} | given))


def test_a_judgement_shows_its_arithmetic():
    """Randomised starts at high; serious, serious and suspected take one level each."""
    one = judged(
        "serious", "not serious", "serious", "not serious", "suspected", judged_by="protocol committee",
        question="Which placement first?", what_would_change="a larger crossover.",
    )  # fmt: skip
    words = dict(brief_of(analysed(judgements=(one,), measures=("ratio", "capture-ratio"))))
    certainty = words["Certainty"][0]
    assert certainty.startswith(
        "Certainty of the published evidence, as judged: VERY LOW (randomised: high; risk of bias serious: moderate; "
    )
    assert "indirectness serious: low" in certainty
    assert certainty.endswith("Judged by: protocol committee.")
    assert words["Question"] == ("Which placement first?",)
    assert "As judged: a larger crossover." in words["What would change this"]
    assert words["Certainty"][1].startswith("risk of bias: serious (few small old studies). Facts: ")


def test_a_judgement_with_a_gap_gives_no_certainty():
    words = dict(brief_of(analysed(judgements=(judged("serious", "not serious"),), measures=("ratio",))))
    assert words["Certainty"][0].startswith("Certainty cannot be worked out. Not judged: indirectness, imprecision")
    assert not RATING.search(words["Certainty"][0])


FAIR = ("not serious", "not serious", "not serious", "not serious", "undetected")


def test_everything_that_was_judged_is_shown():
    context = {field.name: f"words on {field.name}" for field in fields(DecisionContext)}
    one = judged(*FAIR, judged_by="protocol committee", judged_on=dt.date(2026, 11, 26), population="our wards",
                 placement="pads on the back.", decision_context=DecisionContext(**context))  # fmt: skip
    words = dict(brief_of(analysed(judgements=(one,), measures=("ratio",))))
    assert words["Certainty"][0].endswith(
        " Population, as judged: our wards. Placement, as judged: pads on the back. "
        "Judged by: protocol committee, on 2026-11-26."
    )
    assert words["What else was weighed"] == tuple(f"{name}: {said}." for name, said in context.items())
    assert len(context) == 5
    # what was not written is not shown
    bare = judged(*FAIR, judged_on=dt.date(2026, 11, 26), decision_context=DecisionContext(equity="who pays?"))
    words = dict(brief_of(analysed(judgements=(bare,), measures=("ratio",))))
    assert words["What else was weighed"] == ("equity: who pays?",)
    assert words["Certainty"][0].endswith("undetected: high). Judged on 2026-11-26.")
    none = dict(brief_of(analysed(judgements=(judged(*FAIR),), measures=("ratio",))))
    assert "What else was weighed" not in none
    assert "udged by" not in none["Certainty"][0]
    # a gap takes the certainty away, not who judged
    gap = dict(brief_of(analysed(judgements=(judged("serious", population="our wards"),), measures=("ratio",))))
    assert gap["Certainty"][0].endswith("Population, as judged: our wards.")


def test_more_judgements_of_the_measure_are_not_passed_over():
    several = (judged(*FAIR, population="our wards"), judged(*FAIR, population="children"))
    words = dict(brief_of(analysed(judgements=several, measures=("ratio",))))
    assert "The file holds 1 more judgement of this measure." in words["Certainty"][0]


@pytest.mark.parametrize(("start", "designs", "fits"), [
    ("randomised", ("series",), False),
    ("randomised", ("series", "controlled"), False),
    ("randomised", ("series", "crossover"), True),
    ("randomised", ("randomised",), True),
    ("observational", ("randomised",), False),
    ("observational", ("randomised", "series"), True),
    ("observational", ("crossover",), True),
    ("randomised", (), True),
])  # fmt: skip
def test_a_start_that_does_not_fit_the_designs_is_named(start, designs, fits):
    arms = [record(f"s{k}", n=20, n_captured=12 + k, design=design) for k, design in enumerate(designs)]
    one = judged(*FAIR, measure="capture", start=start)
    found = analysed(arms=arms, judgements=(one,), measures=("capture",))
    certainty = dict(brief_of(found, "capture"))["Certainty"][0]
    assert (f"The start ({start}) does not fit the facts" in certainty) == (not fits)
    assert "as judged: " in certainty


def test_frequencies_of_the_published_crossover_and_trials():
    """Limits of each arm from its own counts."""
    (ratio,) = dict(brief_of(analysed()))["In natural frequencies"]
    assert ratio == (
        "Published, adults or not said, elective, oximeter-rate (Moayedi 2022): "
        f"{AL}: 42 of 100 captured (95 % CI 23 to 64), 8 of 19; {AP}: 78 of 100 captured (95 % CI 55 to 91), 14 of 18."
    )
    trials = dict(brief_of(analysed(), "outcome"))["In natural frequencies"]
    assert trials[0].startswith(
        "Published, adults or not said, arrest, survival to discharge (Cummins 1993): allocated to the control: "
    )
    assert "allocated to the control: 2 of 100 with 'survival to discharge' (95 % CI 0.8 to 4), 5 of 259;" in trials[0]
    assert "allocated to pacing: 4 of 100 with 'survival to discharge' (95 % CI 2 to 7), 11 of 278." in trials[0]
    assert "adults or not said, emergency" in trials[1]
    assert "allocated to the control: 70 of 100" in trials[1]


def test_pooled_frequencies_say_what_is_taken_as_known():
    arms = [*outcome("a", 30, 300, 20, 310), *outcome("c", 60, 400, 50, 410), *outcome("d", 40, 350, 33, 360)]
    (said,) = dict(brief_of(analysed(arms=arms), "outcome"))["In natural frequencies"]
    assert said.startswith(
        "Published, adults or not said, arrest, survival (3 studies): allocated to the control: 10 of 100"
    )
    assert said.endswith(" The first share is taken as known; the second is that share times the pooled ratio.")
    assert " of 1080" not in said


def test_each_fact_names_its_question():
    words = dict(brief_of(analysed(), "outcome"))["Certainty"]
    bias, agree, _, precise, _ = words[1:]
    arrest = "Outcome (adults or not said, arrest, survival to discharge): "
    urgent = "Outcome (adults or not said, emergency, survival to discharge or 30 days): "
    assert f"{arrest}0 of 1 with allocation by chance" in bias
    assert f"{urgent}1 of 1 with allocation by chance" in bias
    assert f"{arrest}537 patients; " in precise
    assert f"{urgent}82 patients; " in precise
    assert "Facts: Each question: One study, so whether others would agree cannot be seen." in agree
    (alone,) = {
        s for s in dict(brief_of(analysed(arms=outcome("a", 3, 30, 2, 31)), "outcome"))["Certainty"] if "61" in s
    }
    assert "Facts: Outcome (adults or not said, arrest, survival): 61 patients; " in alone


def test_two_studies_without_a_pooled_value_are_not_called_one():
    arms = [*outcome("a", 3, 30, 2, 31), *outcome("b", 0, 90, 0, 90)]
    words = dict(brief_of(analysed(arms=arms), "outcome"))
    assert "1 of 2 studies with a value and nothing pooled" in " ".join(words["Certainty"])
    assert "it rests on one study" in " ".join(words["What would change this"])
    silent = dict(brief_of(analysed(arms=[*outcome("a", 0, 30, 0, 31), *outcome("b", 0, 90, 0, 90)]), "outcome"))
    assert silent["What would change this"] == ()


def test_tests_of_asymmetry_in_the_facts():
    def fact(found, measure):
        return dict(brief_of(found, measure))["Certainty"][-1]

    assert "p = " in fact(analysed(arms=twelve()), "ratio")
    assert "3 of the 10 studies" in fact(analysed(arms=twelve()[:6]), "ratio")
    agree = [arm for i in range(10) for arm in crossover(f"y{chr(97 + i)}", 0.8)]
    assert "Not tested: " in fact(analysed(arms=agree), "ratio")
    many = [record(f"s{i}", n=20, n_captured=10 + i % 3) for i in range(10)]
    assert "Not tested: " in fact(analysed(arms=many, measures=("capture",)), "capture")


def test_own_comparison_is_an_association(local):
    found = analysed(arms=crossover("a", 0.8))
    words = dict(brief_of(found, comparison=local.comparison))
    assert "an association, not proof of an effect" in " ".join(words["What was found"])
    assert any("association" in caution for caution in words["Cautions"])
    assert "placements not allocated by chance" in " ".join(words["Who was studied"])
    assert "Nothing here is a recommendation." in words["Cautions"]


PRINTED = (
    "Printed: mean thresholds 93 mA (AP) and 126 mA (AL) of the 13 patients captured at least once, with 141 mA for "
    "'not captured': ratio 0.74 (Moayedi 2022)."
)


@pytest.fixture
def with_reanalysis(without_reanalysis, monkeypatch):
    monkeypatch.setattr("capstat.analysis.evidence_analysis.reanalyse", reanalyse)


def test_the_crossover_is_told_as_printed_and_then_as_reanalysed(with_reanalysis):
    found = analysed(measures=("ratio", "capture-ratio"))
    ratio = found.reanalysis.crossover.ratio
    words = dict(brief_of(found))
    said = words["What was found"]
    assert said[0] == PRINTED
    assert said[1].startswith(
        "Reanalysed from that summary, with 'not captured' read as above 140 mA: ratio "
        f"{ratio.value:.2f} (95 % CI {ratio.lower:.2f} to {ratio.upper:.2f})"
    )
    assert said[1].endswith(", AP relative to AL.")
    # once, and never as the study's own result
    assert not any("Ratio of capture thresholds" in sentence for sentence in said)
    assert len(said) == 3
    assert (
        f"20 patients; reanalysed, 95 % confidence interval {ratio.lower:.2f} to {ratio.upper:.2f}."
        in (words["Certainty"][4])
    )
    assert words["Who was studied"][0].startswith("1 published study (crossover), 20 patients: ")
    assert dict(brief_of(analysed(), "outcome"))["What was found"][0].startswith("Outcome")


def test_studies_pooled_with_the_crossover_are_named(with_reanalysis):
    arms = (*shipped_records().table, *crossover("a", 0.8, capture_definition="oximeter-rate"))
    said = dict(brief_of(analysed(arms=arms, measures=("ratio",))))["What was found"]
    assert said[0] == PRINTED
    assert said[1].startswith("Reanalysed")
    assert said[2].startswith("Ratio of capture thresholds of two placements (adults or not said, elective")
    assert said[2].endswith(f"{AP} against {AL}, pooled, the reanalysed crossover among the studies.")
    # without it nothing is said of it
    alone = dict(brief_of(analysed(arms=[*crossover("a", 0.8), *crossover("b", 0.9)], measures=("ratio",))))
    assert [s.endswith(", pooled.") for s in alone["What was found"]] == [True]


def own_words(local, found=None, heading="In natural frequencies", *, changes=None, **told):
    comparison = replace(local.comparison, **(changes or {}))
    found = analysed(arms=crossover("a", 0.8)) if found is None else found
    return " ".join(s for s in dict(brief_of(found, comparison=comparison, **told))[heading] if "Your own" in s)


def test_own_shares_within_patients(local):
    said = own_words(local, capture="mechanical")
    assert said.startswith("Your own records (mechanical capture), at 120 mA, in the same patients: ")
    assert "adjusted" not in said
    few = own_words(local, changes={"n_first": local.comparison.n_first + 1})
    assert few.startswith("Your own records, at 120 mA, mostly in the same patients: ")


@pytest.fixture(scope="module")
def chosen():
    """20 patients against 12, by age as well."""
    rows = []
    for i, value in enumerate(75 * np.exp(0.3 * stats.norm.ppf((np.arange(32) + 0.5) / 32))[(7 * np.arange(32)) % 32]):
        upper = float(np.ceil(value / 5) * 5)
        caught = upper <= 100
        rows.append({"patient_id": f"P{i:02d}", "placement": AP if i < 20 else AL, "attempt_order": 1,
                     "max_output_ma": 100, "highest_no_capture_ma": upper - 5 if caught else 100.0,
                     "lowest_capture_ma": upper if caught else np.nan, "assignment": "chosen"})  # fmt: skip
    patients = pd.DataFrame({"patient_id": [row["patient_id"] for row in rows],
                             "age_years": [50.0 + (7 * i) % 30 for i in range(32)]})  # fmt: skip
    study = study_from_frames(pd.DataFrame(rows), patients=patients)
    return describe_local(study, AnalysisOptions(replicates=100), capture_definitions_for(study))


def test_own_shares_between_patients_say_that_they_are_crude(chosen):
    said = own_words(chosen, capture="mechanical")
    assert said.startswith("Your own records (mechanical capture), at 100 mA, with nothing adjusted for: ")
    assert said.endswith(" The ratio above is adjusted for age; these shares are not.")
    assert own_words(chosen, heading="What was found").endswith(
        ", adjusted for age (an association, not proof of an effect)."
    )
    better = own_words(chosen, adjusted="Adjusted for age, 5 more of 100 are captured.")
    assert better.endswith(" Adjusted for age, 5 more of 100 are captured.")
    assert "these shares are not" not in better
    plain = replace(chosen.comparison.unpaired_ratio, adjusted_for=())
    assert "The ratio above" not in own_words(chosen, changes={"unpaired_ratio": plain})


def test_small_own_counts_are_withheld(chosen):
    changes = {"n_captured_minus": 11}
    said = own_words(chosen, changes=changes, suppress_below=5, adjusted="Adjusted, 5 more of 100.")
    assert said == "Your own records, at 100 mA: withheld, because a count behind them is below 5."
    assert " of 100 captured" in own_words(chosen, changes=changes)
    tiny = dict(brief_of(analysed(arms=crossover("a", 0.8)), comparison=chosen.comparison, suppress_below=13))
    own = [s for group in tiny.values() for s in group if "our own" in s or "your patients" in s]
    assert own == ["Your own records are not compared: a group to be compared has fewer than 13 patients."]


def test_why_own_records_are_not_compared():
    found = analysed(arms=crossover("a", 0.8))
    words = dict(brief_of(found, not_compared="all have one placement"))
    assert words["Who was studied"][-1] == "Your own records are not compared: all have one placement."
    assert "our own" not in " ".join(s for group in brief_of(found) for s in group[1])


def test_whether_patients_are_alike_is_left_to_the_committee(local):
    alike = "Whether your patients are like these is for the committee to judge."
    found = analysed(arms=crossover("a", 0.8))
    assert dict(brief_of(found, comparison=local.comparison))["Who was studied"][-1] == alike
    assert alike not in dict(brief_of(found))["Who was studied"]
    nothing = analysed(arms=[record("a", n=10, n_captured=9)])
    assert alike not in dict(brief_of(nothing, comparison=local.comparison))["Who was studied"]


def test_nothing_published():
    found = analysed(arms=[record("a", n=10, n_captured=9)])
    words = dict(brief_of(found, "outcome"))
    assert words["Who was studied"] == ("No published study in the evidence table answers this.",)
    assert words["What was found"] == ()


# --- the section ----------------------------------------------------------------------------------------------------


def test_section_has_every_part_once_and_is_the_same_twice(local):
    found = analysed(local=local, measures=("threshold",))
    first, second = (literature_section(found, local.comparison) for _ in range(2))
    assert [q.title for q in first.questions] == [question_title(p.pooled.question) for p in found.parts]
    for several in (first.tables, first.pictures):
        assert len({one.name for one in several}) == len(several)
    assert [p.svg for p in first.pictures] == [p.svg for p in second.pictures]
    assert first.brief == second.brief
    assert first.reanalysis_tables == ()
    assert "recommendation" in first.cautions[-1]


@pytest.mark.parametrize("name", ["far", "twelve"])
def test_figures_of_hostile_studies_are_drawn(name, local):
    section = literature_section(analysed(local=local, **HOSTILE[name]), local.comparison)
    for picture in section.pictures:
        assert not re.search(rb"[^a-z](nan|inf)[^a-z]", picture.svg.lower())
    assert any(p.name.endswith("_forest") for p in section.pictures)
    assert any(p.name.endswith("_funnel") for p in section.pictures) == (name == "twelve")
