"""Every rule by which records become episodes: small studies by hand, and a slow reading of random ones."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest

from capstat.attempts import study_from_frames
from capstat.outcomes.capture_times import capture_times
from capstat.outcomes.episodes import CAUSES, Awaited, Origin, derive_episodes
from capstat.results import NotEstimableError
from capstat.thresholds import AS_RECORDED_CAPTURE, ELECTRICAL_CAPTURE, MECHANICAL_CAPTURE

ELECTRICAL = Awaited(ELECTRICAL_CAPTURE)


def study_of(attempts, steps=None, periods=None, patients=None):
    """A study with what the checks ask for filled in."""
    frame = pd.DataFrame(attempts)
    for column in ("lowest_capture_ma", "highest_no_capture_ma", "capture_criterion"):
        if column not in frame:
            frame[column] = None
    frame = frame.assign(max_output_ma=140, placement="anterior-posterior")
    tables = [None if rows is None else pd.DataFrame(rows) for rows in (steps, patients, periods)]
    return study_from_frames(frame, tables[0], tables[1], periods=tables[2])


def attempt(patient="1", start=0, end=100, ended=None, captured_at=None, **others):
    """An attempt as its summary columns tell it; electrical unless said otherwise."""
    row = {
        "patient_id": patient, "pacing_start_s": start, "pacing_end_s": end, "pacing_ended": ended,
        "first_capture_s": captured_at, "lowest_capture_ma": 70 if captured_at is not None else None,
        "highest_no_capture_ma": 60, "capture_criterion": "electrical",
    }  # fmt: skip
    return row | others


def steps_of(row, settings, column="electrical_capture"):
    """Settings as (time, current, judged)."""
    return [{"attempt_row": row, "time_s": t, "current_ma": ma, column: judged} for t, ma, judged in settings]


def cause_of(attempts, awaited=ELECTRICAL, **tables):
    found = derive_episodes(study_of(attempts, **tables), awaited)
    return [CAUSES[cause] for cause in found.cause]


@pytest.mark.parametrize(
    ("ended", "cause"),
    [
        ("own-rhythm", "own rhythm returned"), ("circulation-lost", "arrest or death"), ("died", "arrest or death"),
        ("other-therapy", "other treatment"), ("abandoned", "given up"), ("other", "given up"),
        ("pads-moved", "given up"), ("handed-over", "still paced"), ("unknown", "still paced"),
        (None, "still paced"),
    ],
)  # fmt: skip
def test_end_of_pacing_without_capture(ended, cause):
    found = derive_episodes(study_of([attempt(ended=ended, start=10, end=70)]), ELECTRICAL)
    assert [CAUSES[code] for code in found.cause] == [cause]
    assert found.earliest_s.tolist() == found.latest_s.tolist() == [60]
    assert found.pacing_end_s.tolist() == [60]
    assert found.pacing_ended.tolist() == [ended or "unknown"]
    # the same end after capture is not the end of the wait
    assert cause_of([attempt(ended=ended, captured_at=30)]) == ["capture"]


@pytest.mark.parametrize(
    ("ended", "cause"),
    [
        ("stopped-own-rhythm", "own rhythm returned"), ("stopped-circulation-lost", "arrest or death"),
        ("stopped-other-therapy", "other treatment"), ("maximum-reached", "given up"), ("stopped-pain", "given up"),
        ("stopped-other", "given up"), ("unknown", "still paced"), (None, "still paced"),
    ],
)  # fmt: skip
def test_end_of_the_ramp_speaks_where_pacing_does_not(ended, cause):
    settings = {"highest_no_capture_ma": 140} if ended == "maximum-reached" else {}
    assert cause_of([attempt(ended=None, **settings) | {"ended": ended}]) == [cause]
    assert cause_of([attempt(ended="unknown", **settings) | {"ended": ended}]) == [cause]
    assert cause_of([attempt(ended="died", **settings) | {"ended": ended}]) == ["arrest or death"]


def test_death_at_the_end_of_pacing_is_the_end_of_the_wait():
    """Where nothing says why pacing ended, a death within a second of it does; a later death does not."""
    rows = [attempt(str(i), ended=ended) for i, ended in enumerate([None, None, None, "own-rhythm"])]
    patients = [
        {"patient_id": str(i), "followed_until_s": until, "died": died}
        for i, (until, died) in enumerate([(101, "yes"), (102, "yes"), (100, "no"), (100, "yes")])
    ]
    assert cause_of(rows, patients=patients) == [
        "arrest or death", "still paced", "still paced", "own rhythm returned"
    ]  # fmt: skip
    found = derive_episodes(study_of(rows, patients=patients), ELECTRICAL)
    assert found.died.tolist() == [True, True, False, True]
    assert found.followed_until_s.tolist() == [101, 102, 100, 100]
    assert cause_of([attempt("0", captured_at=100)], patients=patients[:1]) == ["capture"]


def test_time_from_settings_is_an_interval():
    """Capture came after the last failed setting had ended, and before the first captured one did."""
    steps = steps_of(0, [(0, 40, "no"), (10, 50, "no"), (20, 60, None), (30, 70, "yes"), (45, 80, "yes")])
    found = derive_episodes(study_of([attempt(highest_no_capture_ma=None, capture_criterion=None)], steps), ELECTRICAL)
    assert (found.earliest_s[0], found.latest_s[0]) == (20, 45)
    assert not found.exact
    # the last setting lasts as long as the others usually did
    last = derive_episodes(study_of([attempt(highest_no_capture_ma=None)], steps[:4]), ELECTRICAL)
    assert (last.earliest_s[0], last.latest_s[0]) == (20, 40)
    # captured at once: from the first setting on
    first = steps_of(0, [(0, 40, "yes"), (10, 50, "yes")])
    at_once = derive_episodes(study_of([attempt(highest_no_capture_ma=None)], first), ELECTRICAL)
    assert (at_once.earliest_s[0], at_once.latest_s[0]) == (0, 10)
    # a failed setting after the first capture is a loss, and moves nothing
    lost = steps_of(0, [(0, 40, "no"), (10, 50, "yes"), (20, 60, "no"), (30, 70, "yes")])
    again = derive_episodes(study_of([attempt(highest_no_capture_ma=None)], lost), ELECTRICAL)
    assert (again.earliest_s[0], again.latest_s[0]) == (10, 20)


def test_without_electrical_capture_no_mechanical_one():
    steps = steps_of(0, [(0, 40, "no"), (10, 50, "no"), (20, 60, "yes"), (30, 70, "yes")])
    for step, mechanical in zip(steps, [None, None, None, "yes"], strict=True):
        step["mechanical_capture"] = mechanical
    found = derive_episodes(study_of([attempt(highest_no_capture_ma=None)], steps), Awaited(MECHANICAL_CAPTURE))
    # the setting at 20 s was electrically captured and not looked at for a pulse: capture may have come then
    assert (found.earliest_s[0], found.latest_s[0]) == (20, 40)


def test_best_record_first():
    """Periods before first_capture_s before settings."""
    steps = steps_of(0, [(0, 40, "no"), (10, 50, "yes"), (20, 60, "yes")])
    periods = [
        {"attempt_row": 0, "from_s": 14, "to_s": 50, "lost": "yes", "capture_criterion": "electrical"},
        {"attempt_row": 0, "from_s": 60, "to_s": 100, "lost": "no", "capture_criterion": "electrical"},
        {"attempt_row": 0, "from_s": 30, "to_s": 40, "lost": "no", "capture_criterion": "mechanical"},
    ]
    row = attempt(captured_at=16, lowest_capture_ma=50, highest_no_capture_ma=40)
    electrical = derive_episodes(study_of([row], steps, periods), ELECTRICAL)
    assert electrical.earliest_s.tolist() == electrical.latest_s.tolist() == [14]
    assert electrical.periods["from_s"].tolist() == [14, 60]
    assert electrical.periods["lost"].tolist() == [True, False]
    assert derive_episodes(study_of([row], steps), ELECTRICAL).latest_s.tolist() == [16]
    assert derive_episodes(study_of([row], steps, periods), Awaited(MECHANICAL_CAPTURE)).latest_s.tolist() == [30]
    # first_capture_s of another kind tells nothing of this one
    other = derive_episodes(study_of([row | {"capture_criterion": "mechanical"}], steps), ELECTRICAL)
    assert (other.earliest_s[0], other.latest_s[0]) == (10, 20)


def test_sustained_capture_is_dated_when_it_has_lasted():
    periods = [
        {"attempt_row": 0, "from_s": 10, "to_s": 30, "lost": "yes", "capture_criterion": "electrical"},
        {"attempt_row": 0, "from_s": 40, "to_s": 70, "lost": "yes", "capture_criterion": "electrical"},
        {"attempt_row": 1, "from_s": 5, "to_s": 25, "lost": "no", "capture_criterion": "electrical"},
    ]
    rows = [attempt("1", captured_at=10), attempt("2", captured_at=5, ended="own-rhythm"), attempt("3", ended="died")]
    study = study_of(rows, periods=periods)
    found = derive_episodes(study, Awaited(ELECTRICAL_CAPTURE, 30.0))
    assert [CAUSES[cause] for cause in found.cause] == ["capture", "own rhythm returned", "arrest or death"]
    assert found.latest_s.tolist() == [70, 100, 100]
    assert derive_episodes(study, Awaited(ELECTRICAL_CAPTURE, 20.0)).latest_s.tolist() == [30, 25, 100]
    with pytest.raises(NotEstimableError, match="periods"):
        derive_episodes(study, Awaited(MECHANICAL_CAPTURE, 20.0))


def test_captured_at_an_unrecorded_time():
    """Captured says the current alone: at some time of pacing, or at none that can be bounded."""
    rows = [
        attempt("1", start=5, end=65) | {"lowest_capture_ma": 70},
        attempt("2", end=None) | {"lowest_capture_ma": 70},
    ]
    found = derive_episodes(study_of(rows), ELECTRICAL)
    assert (found.earliest_s[0], found.latest_s[0]) == (0, 60)
    assert found.left_out == (("captured, at a time that nothing bounds", 1),)
    assert any("not recorded" in note for note in found.notes)


def test_later_attempts_continue_only_on_the_same_clock():
    def two(**second):
        return [
            attempt("1", ended="pads-moved", attempt_order=1),
            attempt("1", attempt_order=2) | second,
        ]

    after = {"pacing_start_s": 120, "pacing_end_s": 200}
    found = derive_episodes(study_of(two(**after, first_capture_s=150, lowest_capture_ma=80)), ELECTRICAL)
    assert (found.cause[0], found.latest_s[0], found.n_attempts[0], found.attempt_row[0]) == (1, 150, 2, 0)
    assert (found.pacing_end_s[0], found.entry_s[0]) == (200, 0)
    assert cause_of(two(**after, pacing_ended="died")) == ["arrest or death"]
    # a clock that starts anew: the wait is cut off at the end of the first attempt
    anew = derive_episodes(study_of(two(pacing_start_s=0, first_capture_s=30, lowest_capture_ma=80)), ELECTRICAL)
    assert (anew.cause[0], anew.latest_s[0], anew.n_attempts[0]) == (0, 100, 1)
    assert any("cut off" in note for note in anew.notes)
    absent = two(pacing_start_s=None, pacing_end_s=None)
    absent[0]["pacing_ended"] = "abandoned"
    assert cause_of(absent) == ["still paced"]
    # captured in the first attempt: what follows on another clock does not matter
    first = two(pacing_start_s=0)
    first[0] |= {"first_capture_s": 40, "lowest_capture_ma": 70}
    assert cause_of(first) == ["capture"]
    # by order, not by row
    swapped = two(**after, first_capture_s=150, lowest_capture_ma=80)[::-1]
    again = derive_episodes(study_of(swapped), ELECTRICAL)
    assert (again.attempt_row[0], again.latest_s[0]) == (1, 150)


def test_origins():
    row = attempt(start=50, end=150, captured_at=80, onset_s=-600, arrival_s=0, pads_on_s=30)
    study = study_of([row])
    for origin, zero in ((Origin.ONSET, -600), (Origin.ARRIVAL, 0), (Origin.PADS, 30), (Origin.PACING, 50)):
        found = derive_episodes(study, ELECTRICAL, origin)
        assert found.entry_s[0] == 50 - zero
        assert found.latest_s[0] == 80 - zero
        assert found.pacing_end_s[0] == 150 - zero
        assert found.delayed == (origin is not Origin.PACING)
    early = study_of(
        [attempt("1", start=5, captured_at=20, arrival_s=None), attempt("2", captured_at=9, arrival_s=-60)]
    )
    found = derive_episodes(early, ELECTRICAL, Origin.ARRIVAL)
    assert found.patient.tolist() == ["2"]
    assert found.left_out == (("no time of the origin (arrival_s)", 1),)


def test_reasons_for_leaving_out():
    rows = [
        attempt("start", start=None, end=None),
        attempt("kind", captured_at=20, capture_criterion="mechanical"),
        attempt("end", end=None),
        attempt("kept", captured_at=20),
    ]
    found = derive_episodes(study_of(rows), ELECTRICAL)
    assert found.patient.tolist() == ["kept"]
    assert dict(found.left_out) == {
        "no time of the first pulse and no times of settings": 1,
        "electrical capture was not assessed": 1,
        "no capture, and no time at which pacing or the ramp ended": 1,
    }
    assert sum(number for _, number in found.left_out) + len(found) == len(rows)
    with pytest.raises(NotEstimableError, match="No patient has a time"):
        derive_episodes(study_of(rows[:3]), ELECTRICAL)
    assert derive_episodes(study_of(rows), Awaited(AS_RECORDED_CAPTURE)).patient.tolist() == ["kind", "kept"]


def test_table_belongs_to_the_rows():
    rows = [attempt("b", captured_at=20, setting="prehospital"), attempt("a", captured_at=30, setting="intensive-care")]
    patients = [{"patient_id": "a", "age_years": 50}, {"patient_id": "b", "age_years": 70}]
    found = derive_episodes(study_of(rows, patients=patients), ELECTRICAL)
    assert found.patient.tolist() == ["b", "a"]
    assert found.table["age_years"].tolist() == [70, 50]
    assert found.table["setting"].astype(str).tolist() == ["prehospital", "intensive-care"]
    assert not found.table.columns.duplicated().any()
    assert list(found.table.index) == [0, 1]


def test_capture_times_per_attempt():
    """The layer below: one entry for each attempt, NaN without capture."""
    study = study_of([attempt("1", captured_at=20), attempt("2"), attempt("3", end=None)])
    found = capture_times(study, ELECTRICAL_CAPTURE)
    np.testing.assert_array_equal(found.earliest_s, [20, np.nan, np.nan])
    np.testing.assert_array_equal(found.stop_s, [100, 100, np.nan])
    assert found.assessed.all()
    steps = steps_of(0, [(0, 40, "no"), (10, 50, "no")])
    stood_in = capture_times(study_of([attempt(end=None, highest_no_capture_ma=None)], steps), ELECTRICAL_CAPTURE)
    assert stood_in.stop_s.tolist() == [20]
    assert any("last setting" in note for note in stood_in.notes)


def slow_reading(rows, origin):
    """Episodes of summary records with plain loops: patient, time, cause, entry, attempts."""
    codes = {"own-rhythm": 2, "circulation-lost": 3, "died": 3, "other-therapy": 4, "abandoned": 5, "other": 5}
    result = []
    for patient in dict.fromkeys(row["patient_id"] for row in rows):
        own = sorted((row for row in rows if row["patient_id"] == patient), key=lambda row: row["attempt_order"])
        linked = own[:1]
        for before, row in itertools.pairwise(own):
            if before["pacing_end_s"] - 1 > row["pacing_start_s"]:
                break
            linked.append(row)
        zero = own[0]["pacing_start_s" if origin is Origin.PACING else "arrival_s"]
        if zero > own[0]["pacing_start_s"]:
            continue
        cause, time = codes.get(linked[-1]["pacing_ended"], 0), linked[-1]["pacing_end_s"]
        if len(linked) < len(own):
            cause = 0
        for row in linked:
            if row["first_capture_s"] is not None:
                cause, time = 1, row["first_capture_s"]
                break
            if codes.get(row["pacing_ended"], 0) in (2, 3, 4):
                cause, time = codes[row["pacing_ended"]], row["pacing_end_s"]
                break
        result.append((patient, time - zero, cause, own[0]["pacing_start_s"] - zero, len(linked)))
    return result


@pytest.mark.parametrize("seed", range(8))
def test_random_studies_read_slowly(seed):
    rng = np.random.default_rng(seed)
    reasons = ["own-rhythm", "circulation-lost", "died", "other-therapy", "abandoned", "other", "handed-over", None]
    rows = []
    for patient in range(12):
        clock = 0
        arrival = int(rng.integers(-300, 0))
        for order in range(1, int(rng.integers(2, 5))):
            start = 0 if order > 1 and rng.random() < 0.25 else clock + int(rng.integers(0, 30))
            end = start + int(rng.integers(20, 200))
            capture = int(rng.integers(start, end)) if rng.random() < 0.4 else None
            row = attempt(f"P{patient}", start, end, rng.choice(reasons), capture)
            rows.append(row | {"attempt_order": order, "arrival_s": arrival})
            clock = end
    rows = [rows[i] for i in rng.permutation(len(rows))]
    for origin in (Origin.PACING, Origin.ARRIVAL):
        found = derive_episodes(study_of(rows), ELECTRICAL, origin)
        got = zip(found.patient, found.latest_s, found.cause, found.entry_s, found.n_attempts, strict=True)
        assert sorted(got) == sorted(slow_reading(rows, origin))
        assert found.exact


def test_an_attempt_that_ended_with_own_rhythm_ends_the_wait_although_another_follows():
    rows = [
        attempt("P0", 0, 100, "own-rhythm", None) | {"attempt_order": 1},
        attempt("P0", 300, 600, "handed-over", 450) | {"attempt_order": 2},
        attempt("P1", 0, 100, "pads-moved", None) | {"attempt_order": 1},
        attempt("P1", 130, 600, "handed-over", 450) | {"attempt_order": 2},
    ]
    found = derive_episodes(study_of(rows), ELECTRICAL)
    assert list(found.cause) == [2, 1]
    assert list(found.latest_s) == [100.0, 450.0]


def one_setting(**of_attempt):
    attempts = pd.DataFrame(
        {"attempt_id": ["a"], "patient_id": ["P"], "placement": ["AP"], "max_output_ma": [140.0], **of_attempt}
    )
    steps = pd.DataFrame({"attempt_id": ["a"], "current_ma": [60.0], "time_s": [5.0], "electrical_capture": ["yes"]})
    return derive_episodes(study_from_frames(attempts, steps), ELECTRICAL)


def test_capture_at_the_only_setting_is_bounded_by_the_end_of_pacing_and_else_dated_to_its_beginning():
    bounded = one_setting(pacing_start_s=[5.0], pacing_end_s=[65.0])
    assert (bounded.earliest_s[0], bounded.latest_s[0]) == (0.0, 60.0)
    open_ended = one_setting()
    assert (open_ended.earliest_s[0], open_ended.latest_s[0]) == (0.0, 0.0)
    assert any("only setting" in note for note in open_ended.notes)
