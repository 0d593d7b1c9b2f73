"""A local study beside published ones: matching definitions, placements and directions, odd studies, small groups."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from capstat import AnalysisOptions, study_from_frames
from capstat.analysis import LiteratureQuestion, analyse_evidence, capture_definitions_for, describe_local
from capstat.analysis.evidence_local import local_capture, local_effects, matching_definitions
from capstat.analysis.facts import ALL_PLACEMENTS
from capstat.analysis.suppress_evidence import suppress_evidence
from capstat.results import NotEstimableError, UsageError
from capstat.synthesis.study_arm import EvidenceTable, StudyArm
from capstat.synthesis.threshold_effects import threshold_effect
from capstat.thresholds import AS_RECORDED_CAPTURE, ELECTRICAL_CAPTURE, MECHANICAL_CAPTURE

AP, AL, BOTH = "anterior-posterior", "anterior-lateral", f"local, {ALL_PLACEMENTS}"
QUICK = AnalysisOptions(replicates=100)


@pytest.fixture(autouse=True)
def without_reanalysis(request, monkeypatch):
    if "real" not in request.node.name:
        monkeypatch.setattr("capstat.analysis.evidence_analysis.reanalyse", lambda *_, **__: None)


def record(code: str, **fields: Any) -> StudyArm:
    given: dict[str, Any] = {
        "study": code.partition("_")[0], "citation": f"Writer{code.partition('_')[0]} A. Journal 1990", "year": 1990,
        "design": "series", "population": "invented adults", "age_group": "adults", "urgency": "elective",
        "setting": "hospital", "placement": AP, "paced": True, "counted": "patients", "provenance": "own",
        "seen_in": "paper", "capture_definition": "pulse",
    }  # fmt: skip
    return StudyArm(arm=code, **(given | fields))


def thresholds(*medians: float, **fields: Any) -> list[StudyArm]:
    return [
        record(f"t{i}", current_means="threshold", non_capture="none", n=15, n_captured=15, n_current=15, median_ma=m,
               minimum_ma=m / 1.8, maximum_ma=1.8 * m, **fields)
        for i, m in enumerate(medians)
    ]  # fmt: skip


def crossovers(*values: float, first: str = AP, second: str = AL) -> list[StudyArm]:
    arms = []
    for i, value in enumerate(values):
        a, b = f"x{i}_a", f"x{i}_b"
        arms.append(
            record(
                a,
                design="crossover",
                n=20,
                n_pairs=20,
                placement=first,
                compared_with=b,
                overlaps=(b,),
                ratio=value,
                ratio_lower=value / 1.2,
                ratio_upper=value * 1.2,
                interval_percent=95.0,
            )
        )
        arms.append(record(b, design="crossover", n=20, placement=second, overlaps=(a,)))  # fmt: skip
    return arms


def ramps(
    true: dict[str, Any],
    *,
    crossed: bool = False,
    columns: tuple[str, ...] = ("mechanical_capture",),
    maximum: float = 140.0,
    seconds: Any = None,
):
    """A study of rising ramps, 5 mA a step; ``true`` holds thresholds by placement."""  # fmt: skip
    attempts, steps, number = [], [], 0
    for placement, values in true.items():
        for i, threshold in enumerate(np.asarray(values, dtype=float)):
            number += 1
            patient = f"P{i:03d}" if crossed else f"P{number:03d}"
            currents = np.arange(20, maximum + 1, 5)
            seen = currents[: int(np.searchsorted(currents, threshold)) + 1]
            captured = threshold <= maximum
            attempts.append({
                "attempt_id": f"A{number}", "patient_id": patient, "placement": placement, "max_output_ma": maximum,
                "ended": "captured" if captured else "maximum-reached",
                "attempt_order": list(true).index(placement) + 1 if crossed else 1,
            })  # fmt: skip
            steps += [
                {"attempt_id": f"A{number}", "step_order": k + 1, "current_ma": c}
                | dict.fromkeys(columns, "yes" if c >= threshold else "no")
                for k, c in enumerate(seen)
            ]
    return study_from_frames(pd.DataFrame(attempts), pd.DataFrame(steps))


def law(n: int, median: float, sd: float = 0.25) -> np.ndarray:
    """Quantiles of a lognormal law: a sample without luck."""
    return median * np.exp(sd * stats.norm.ppf((np.arange(n) + 0.5) / n))


def local_of(study, options=QUICK):
    return describe_local(study, options, capture_definitions_for(study))


def asked(measure, arms, study=None, *, options=QUICK, **others):
    question = LiteratureQuestion(table=EvidenceTable(tuple(arms), ("x",), "0"), measures=(measure,), **others)
    return analyse_evidence(question, None if study is None else local_of(study, options))


# --- what stands beside what ----------------------------------------------------------------------------------------


def test_twelve_patients_beside_four_studies():
    found = asked("threshold", thresholds(55, 60, 62, 66), ramps({AP: law(12, 60)}))
    (part,) = found.parts
    beside = {one.effect.label: one for one in part.local}
    assert set(beside) == {BOTH, f"local, {AP}"}
    one = beside[BOTH]
    # the settings that captured are at most 5 mA above the threshold
    assert one.estimate.value == pytest.approx(60, abs=5)
    assert one.effect.n == 12
    assert one.position.p_value > 0.3
    assert not one.update.conflict
    # the limits are those of the median itself
    assert one.estimate.lower < one.estimate.value < one.estimate.upper
    assert found.ranges is not None


def test_a_local_study_three_times_as_high_conflicts():
    arms = thresholds(27, 30, 31, 33)
    shifted = asked("threshold", arms, ramps({AP: law(12, 90)})).parts[0].local[0]
    alike = asked("threshold", arms, ramps({AP: law(12, 30, 0.15)})).parts[0].local[0]
    assert shifted.update.conflict
    assert shifted.position.p_value < 0.05
    assert not alike.update.conflict


def test_everybody_captured_and_nobody_captured():
    arms = [record(f"s{i}", n=30, n_captured=x) for i, x in enumerate([20, 22, 25, 18])]
    everybody = asked("capture", arms, ramps({AP: law(12, 60)})).parts[0].local[0]
    assert (everybody.effect.events, everybody.effect.total) == (12, 12)
    assert everybody.estimate.value == 1
    assert everybody.update.combined.value < 1
    study = ramps({AP: [200.0] * 12})
    nobody = asked("capture", arms, study).parts[0].local[0]
    assert (nobody.effect.events, nobody.effect.total) == (0, 12)
    assert nobody.update.conflict
    # a threshold of nobody cannot be had, and nothing breaks
    assert asked("threshold", thresholds(55, 60, 62), study).parts[0].local == ()


def test_only_claims_of_electrical_capture():
    study = ramps({AP: law(12, 60)}, columns=("electrical_capture",))
    names = [capture.name for capture, _ in local_of(study).by_definition]
    assert names == ["electrical"]
    pulse = [record(f"s{i}", n=30, n_captured=20) for i in range(3)]
    assert asked("capture", pulse, study).parts[0].local == ()
    seen = [replace(arm, capture_definition="ecg-response") for arm in pulse]
    assert asked("capture", seen, study).parts[0].local[0].capture == "electrical"


def test_capture_stands_beside_the_same_kind_only():
    study = ramps({AP: law(15, 60)}, columns=("mechanical_capture", "electrical_capture"))
    kinds = {"pulse": "mechanical", "sustained": "electrical", "ecg-response": "electrical", "qrs-and-t": None,
             "undescribed": "mechanical", "improvement": "mechanical"}  # fmt: skip
    arms = [record(f"{kind}{i}", n=30, n_captured=20, capture_definition=kind) for kind in kinds for i in range(2)]
    for part in asked("capture", arms, study).parts:
        (definition,) = dict(part.pooled.question.where)["capture_definition"]
        assert {beside.capture for beside in part.local} == ({kinds[definition]} - {None}), definition
    mechanical, electrical = map(set, map(matching_definitions, (MECHANICAL_CAPTURE, ELECTRICAL_CAPTURE)))
    assert mechanical & electrical == {"undescribed"}


def test_ratio_stands_beside_ratios_of_the_same_placements_the_same_way_round():
    rng = np.random.default_rng(4)
    base = law(14, 80)
    study = ramps({AP: base * 0.8 * np.exp(rng.normal(0, 0.05, 14)), AL: base}, crossed=True)
    arms = crossovers(0.75, 0.8, 0.85)
    own = asked("ratio", arms, study).parts[0].local[0]
    assert own.estimate.value == pytest.approx(0.8, abs=0.06)
    assert own.position is not None
    turned = replace(QUICK, first=AL, minus=AP)
    again = asked("ratio", arms, study, options=turned).parts[0].local[0]
    assert again.estimate.value == pytest.approx(own.estimate.value, rel=0.01)
    assert "turned round" in again.effect.assumptions[-1]
    other = crossovers(0.75, 0.8, 0.85, second="unknown")
    assert asked("ratio", other, study).parts[0].local == ()


def test_crossover_groups_are_all_patients_of_each_placement():
    study = ramps({AP: law(14, 70), AL: law(14, 90)}, crossed=True)
    arms = [record(f"s{i}", n=30, n_captured=20 + i) for i in range(3)]
    found = {one.effect.label: one.effect for one in asked("capture", arms, study).parts[0].local}
    assert {label: effect.n for label, effect in found.items()} == {BOTH: 14, f"local, {AP}": 14, f"local, {AL}": 14}


def test_question_about_one_placement_has_that_group_only():
    study = ramps({AP: law(14, 70), AL: law(14, 90)})
    arms = [record(f"s{i}", n=30, n_captured=20 + i) for i in range(3)]
    found = asked("capture", arms, study, where=(("placement", (AP,)),))
    assert [one.effect.label for one in found.parts[0].local] == [f"local, {AP}"]


def test_one_study_of_the_user_is_a_prior_at_every_weight():
    study = ramps({AP: law(14, 64), AL: law(14, 80)}, crossed=True)
    values = []
    for weight in (0.001, 0.5, 1.0):
        one = asked("ratio", crossovers(1.3), study, weight=weight).parts[0].local[0]
        values.append(one.update.combined.value)
        assert one.position is not None
        assert one.not_placed == ""
    assert values[0] == pytest.approx(one.estimate.value, rel=0.01)
    assert values == sorted(values)


def test_a_single_published_share_is_a_prior():
    one = asked("capture", [record("s", n=19, n_captured=8)], ramps({AP: law(12, 60)})).parts[0].local[0]
    assert one.update is not None
    assert one.update.studies == 1
    assert one.update.combined.value < one.estimate.value


def test_beside_studies_without_a_definition_nothing_is_placed_or_combined():
    arms = [record("s", n=19, n_captured=8, capture_definition="undescribed")]
    one = asked("capture", arms, ramps({AP: law(12, 60)})).parts[0].local[0]
    assert (one.update, one.position) == (None, None)
    assert one.not_updated == one.not_placed == "what counted as capture was not seen in these studies"


def test_a_local_definition_as_recorded_stands_beside_any():
    """Beside studies whose definition was not seen, only records without one of their own are placed."""
    rows = [{"patient_id": f"P{i}", "placement": AP, "max_output_ma": 140, "lowest_capture_ma": 60.0 if i < 9 else np.nan,
             "highest_no_capture_ma": 55.0 if i < 9 else 140.0} for i in range(12)]  # fmt: skip
    local = describe_local(study_from_frames(pd.DataFrame(rows)), QUICK, (AS_RECORDED_CAPTURE,))
    table = EvidenceTable((record("s", n=19, n_captured=8, capture_definition="undescribed"),), ("x",), "0")
    one = analyse_evidence(LiteratureQuestion(table=table, measures=("capture",)), local).parts[0].local[0]
    assert one.capture == "as-recorded"
    assert (one.effect.events, one.effect.total) == (9, 12)
    assert one.position is not None
    assert one.update is not None


def in_arrest(values, arrest):
    """Ramps with AP pads, in cardiac arrest or not."""
    study = ramps({AP: values})
    return study_from_frames(study.attempts.assign(arrest=arrest), study.steps)


def test_attempts_without_a_record_of_arrest_are_in_neither_group():
    study = in_arrest(law(12, 60), ["yes"] * 2 + ["no"] * 4 + [""] * 6)
    for urgency, total in (("arrest", 2), ("elective", 4)):
        found = asked("capture", [record("s", n=30, n_captured=20, urgency=urgency)], study)
        assert {one.effect.total for one in found.parts[0].local} == {total}
    assert "in cardiac arrest 33 %, not recorded for 50 %" in found.local_words
    # recorded for none: all stand beside, and nobody is called free of arrest
    blank = asked("capture", [record("s", n=30, n_captured=20)], in_arrest(law(12, 60), [""] * 12))
    assert {one.effect.total for one in blank.parts[0].local} == {12}
    assert all("arrest" not in one.effect.label for one in blank.parts[0].local)
    assert "arrest not recorded" in blank.local_words


def test_attempts_in_arrest_stand_beside_studies_of_arrest_only():
    study = in_arrest([*law(12, 60), *[200.0] * 5, 60.0], ["no"] * 12 + ["yes"] * 6)
    for urgency, events, total, label in (("arrest", 1, 6, ", in arrest"), ("elective", 12, 12, ", not in arrest")):
        arms = [record(f"s{i}", n=30, n_captured=20 + i, urgency=urgency) for i in range(3)]
        found = asked("capture", arms, study)
        assert [(one.effect.label, one.effect.events, one.effect.total) for one in found.parts[0].local] == [
            (BOTH + label, events, total), (f"local, {AP}{label}", events, total),
        ]  # fmt: skip
    assert found.local_words.endswith("in cardiac arrest 33 %")
    assert found.capture == "mechanical"


def test_without_a_record_of_arrest_nothing_stands_beside_arrest():
    study = ramps({AP: law(12, 60)})
    for urgency, many in (("arrest", 0), ("elective", 2)):
        found = asked("capture", [record("s", n=30, n_captured=20, urgency=urgency)], study)
        assert len(found.parts[0].local) == many
    assert found.local_words == "arrest not recorded"
    assert asked("capture", ARMS).local_words == ""


def test_nothing_stands_beside_children():
    crossed = ramps({AP: law(14, 64), AL: law(14, 80)}, crossed=True)
    for group, many in (("children", 0), ("adults", 1)):
        arms = [record("s", n=30, n_captured=20, age_group=group)]
        assert (len(asked("capture", arms, crossed).parts[0].local) > 0) == bool(many)
        pair = [replace(arm, age_group=group) for arm in crossovers(0.8)]
        assert len(asked("ratio", pair, crossed).parts[0].local) == many


def test_no_attempt_was_assessed():
    study = ramps({AP: law(12, 60)}, columns=("electrical_capture",))
    with pytest.raises(NotEstimableError, match="No attempt was assessed"):
        describe_local(study, QUICK, (MECHANICAL_CAPTURE,))


def test_without_a_study():
    found = asked("threshold", thresholds(55, 60, 66))
    assert found.ranges is None
    assert found.parts[0].local == ()
    assert found.parts[0].pooled.headline is not None


def test_records_of_the_same_people_keep_what_they_say():
    arms = [record("big", n=30, n_captured=20), record("small", n=10, n_captured=9, overlaps=("big",))]
    (part,) = asked("capture", arms).parts
    ((effect, estimate),) = part.same_people
    assert (effect.label, estimate.value) == ("Writersmall 1990", 0.9)
    assert part.pooled.headline is None


# --- questions that cannot be asked ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("choice", "words"), [
    ({"weight": 0.0}, "not at 0"),
    ({"weight": 1.01}, "not at 1.01"),
    ({"weight": float("nan")}, "weight of the literature"),
    ({"measures": ("pressure",)}, "no measure 'pressure'"),
    ({"subgroups": "bogus"}, "no column 'bogus'"),
    ({"regress": "setting"}, "holds words"),
])  # fmt: skip
def test_choices_are_refused_before_anything_is_worked_out(choice, words):
    with pytest.raises(UsageError, match=words):
        LiteratureQuestion(**choice)


# --- small groups ---------------------------------------------------------------------------------------------------

ARMS = [record(f"s{i}", n=30, n_captured=20 + i) for i in range(3)]


def labels(found):
    return [one.effect.label for one in found.parts[0].local]


def test_a_small_group_goes_and_the_total_with_it():
    study = ramps({AP: law(20, 70), AL: law(3, 60)})
    found = asked("threshold", thresholds(55, 60, 66), study)
    assert labels(found) == [BOTH, f"local, {AP}", f"local, {AL}"]
    assert suppress_evidence(found, 1) is found
    assert labels(suppress_evidence(found, 5)) == [f"local, {AP}"]


def test_a_small_count_goes_as_a_small_group_does():
    study = ramps({AP: [*law(18, 70), 200, 200], AL: [*law(8, 60), *[200.0] * 8]})
    assert labels(suppress_evidence(asked("capture", ARMS, study), 5)) == [f"local, {AL}"]


def test_a_third_placement_that_follows_by_subtraction():
    study = ramps({AP: law(20, 70), AL: law(20, 60), "other": law(3, 60)})
    found = asked("threshold", thresholds(55, 60, 66), study)
    assert [one.effect.n for one in found.parts[0].local] == [43, 20, 20]
    assert labels(suppress_evidence(found, 5)) == [f"local, {AP}", f"local, {AL}"]
    assert labels(suppress_evidence(found, 3)) == [BOTH, f"local, {AP}", f"local, {AL}"]


def test_a_ratio_with_a_small_arm_goes():
    study = ramps({AP: law(20, 70), AL: law(4, 90)})
    found = asked("ratio", crossovers(0.75, 0.8, 0.85), study)
    assert [one.effect.n for one in found.parts[0].local] == [24]
    assert suppress_evidence(found, 5).parts[0].local == ()
    assert len(suppress_evidence(found, 4).parts[0].local) == 1


def test_a_count_of_few_attempts_among_the_assumptions_goes():
    study = ramps({AP: [*law(20, 70), *[200.0] * 6]})
    attempts = study.attempts.copy()
    (thresholds_of,) = [t for capture, t in local_of(study).by_definition if capture.name == "mechanical"]
    assert len(attempts) == 26
    effect = local_capture(replace(thresholds_of), BOTH)
    assert not any(words[0].isdigit() for words in effect.assumptions)
    found = asked("capture", ARMS, study)
    one = found.parts[0].local[0]
    early = (*one.effect.assumptions, "2 of 26 attempts ended without capture below the highest current")
    told = replace(one, effect=replace(one.effect, assumptions=early), estimate=replace(one.estimate, notes=early))
    shown = suppress_evidence(replace(found, parts=(replace(found.parts[0], local=(told,)),)), 5).parts[0].local[0]
    assert not any(words[0].isdigit() for words in (*shown.effect.assumptions, *shown.estimate.notes))


# --- the shipped records --------------------------------------------------------------------------------------------


def test_real_reanalysis_of_the_published_crossover_answers_the_ratio():
    found = analyse_evidence(LiteratureQuestion(measures=("ratio",)))
    (part,) = found.parts
    assert [s.effect.arm for s in part.pooled.studies] == ["moayedi2022_AP_threshold"]
    assert part.pooled.gathered.compared == (AP, AL)
    effect, recorded = found.reanalysis.effect, found.reanalysis.crossover.ratio
    # the error is that of the limits, and the limits told are the recorded ones, which are skewed
    assert effect.value == pytest.approx(np.log(recorded.value))
    assert 2 * 1.959964 * effect.se == pytest.approx(np.log(recorded.upper / recorded.lower), rel=1e-6)
    assert part.pooled.studies[0].estimate == recorded
    assert part.pooled.studies[0].estimate.value < 1


def test_shipped_records_without_it_give_no_ratio():
    (part,) = analyse_evidence(LiteratureQuestion(measures=("ratio",))).parts
    assert part.pooled.studies == ()
    assert "no ratio follows" in part.pooled.gathered.excluded[0].reason


def test_local_effects_of_a_published_threshold_have_its_scale():
    (arm,) = thresholds(60)
    published = threshold_effect(arm).effect
    found = asked("threshold", thresholds(60, 61, 62), ramps({AP: law(40, 60, 0.3)}))
    (mine, _), *_ = local_effects(local_of(ramps({AP: law(40, 60, 0.3)})), found.parts[0].pooled.gathered, 0.95)
    assert mine.value == pytest.approx(published.value, abs=0.06)
    assert mine.local
    assert not published.local
