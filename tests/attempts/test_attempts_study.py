"""The study: its types, frames made in memory, covariates, and the way back to files."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from capstat.attempts import (
    ATTEMPT_FIELDS,
    PATIENT_FIELDS,
    STEP_FIELDS,
    Study,
    StudyError,
    attempt_covariates,
    read_study,
    study_from_frames,
    study_to_csv_texts,
)
from capstat.attempts.privacy import personal_content
from capstat.attempts.vocabulary import is_missing

if TYPE_CHECKING:
    from pathlib import Path


def small_frames() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    attempts = pd.DataFrame(
        {
            "attempt_id": ["a", "b", "c"],
            "patient_id": ["P1", "P1", "P2"],
            "placement": ["AP", "AL", "AP"],
            "max_output_ma": [140, 140, 200],
            "lowest_capture_ma": [np.nan, 75.0, np.nan],
        }
    )
    steps = pd.DataFrame(
        {
            "attempt_id": ["c", "a", "c", "a"],
            "current_ma": [60, 50, 70, 60],
            "electrical_capture": [False, False, True, True],
            "mechanical_capture": pd.array([None, False, True, True], dtype="boolean"),
        }
    )
    patients = pd.DataFrame({"patient_id": ["P1"], "weight_kg": [81.0], "height_cm": [180], "sex": ["F"]})
    return attempts, steps, patients


def test_every_field_is_a_column_of_its_type() -> None:
    study = study_from_frames(*small_frames())
    assert list(study.attempts.columns) == [field.name for field in ATTEMPT_FIELDS]
    assert list(study.steps.columns) == ["attempt_row", *(field.name for field in STEP_FIELDS[1:])]
    assert list(study.patients.columns) == [field.name for field in PATIENT_FIELDS]
    for frame, fields in (
        (study.attempts, ATTEMPT_FIELDS),
        (study.patients, PATIENT_FIELDS),
        (study.steps, STEP_FIELDS[1:]),
    ):
        assert isinstance(frame.index, pd.RangeIndex)
        for field in fields:
            dtype = frame[field.name].dtype
            if field.numeric:
                assert dtype == np.float64
            elif field.kind == "yes_no":
                assert dtype == "boolean"
            elif field.kind == "category":
                assert tuple(dtype.categories) == field.words
            else:
                assert frame[field.name].map(type).eq(str).all()
    assert study.steps["attempt_row"].dtype == np.int32
    assert study.steps["attempt_row"].tolist() == [0, 0, 2, 2]
    assert study.n_patients == 2


def test_codes_are_made_where_none_were_given() -> None:
    attempts = small_frames()[0].drop(columns="attempt_id").assign(lowest_capture_ma=75.0)
    study = study_from_frames(attempts)
    assert study.attempts["attempt_id"].tolist() == ["A000001", "A000002", "A000003"]
    assert study.steps.empty
    assert study.patients.empty


def test_frames_are_checked_like_files() -> None:
    attempts = small_frames()[0].drop(columns="attempt_id")
    with pytest.raises(StudyError, match="simulated/attempts, row 2"):
        study_from_frames(attempts, source="simulated")
    with pytest.raises(StudyError, match="infinite"):
        study_from_frames(attempts.assign(lowest_capture_ma=[np.inf, 75.0, 75.0]))
    with pytest.raises(StudyError, match="no column is recognised"):
        study_from_frames(pd.DataFrame({"x": [1]}))
    with pytest.raises(StudyError, match="no rows"):
        study_from_frames(attempts.head(0))


def test_steps_by_row_are_steps_by_code() -> None:
    attempts, steps, patients = small_frames()
    by_code = study_from_frames(attempts, steps, patients)
    by_row = steps.drop(columns="attempt_id").assign(attempt_row=[2, 0, 2, 0])
    assert_same(by_code, study_from_frames(attempts, by_row, patients))
    nameless = study_from_frames(attempts.drop(columns="attempt_id"), by_row, patients)
    pd.testing.assert_frame_equal(nameless.steps, by_code.steps)
    assert_same(by_code, study_from_frames(by_code.attempts, by_code.steps, by_code.patients))


@pytest.mark.parametrize("rows", [[3, 0, 0, 0], [-1, 0, 0, 0], [0.5, 0, 0, 0]])
def test_steps_of_a_row_that_does_not_exist_are_wrong_usage(rows: list[float]) -> None:
    attempts, steps, _ = small_frames()
    with pytest.raises(ValueError, match="attempt_row"):
        study_from_frames(attempts, steps.drop(columns="attempt_id").assign(attempt_row=rows))


def test_the_frames_given_are_not_changed() -> None:
    frames = small_frames()
    before = [frame.copy() for frame in frames]
    study_from_frames(*frames)
    for frame, old in zip(frames, before, strict=True):
        pd.testing.assert_frame_equal(frame, old)


def test_equal_frames_have_equal_fingerprints() -> None:
    one, other = study_from_frames(*small_frames()), study_from_frames(*small_frames())
    assert one.fingerprint == other.fingerprint
    attempts, steps, patients = small_frames()
    assert (
        study_from_frames(attempts, steps.assign(current_ma=[61, 50, 70, 60]), patients).fingerprint != one.fingerprint
    )
    assert study_from_frames(attempts.replace("AP", "AL"), steps, patients).fingerprint != one.fingerprint


def test_values_of_several_pandas_types_are_the_same_study() -> None:
    attempts, steps, patients = small_frames()
    expected = study_from_frames(attempts, steps, patients)
    others = attempts.assign(
        placement=attempts["placement"].astype("category"),
        max_output_ma=attempts["max_output_ma"].astype("Int64"),
        lowest_capture_ma=attempts["lowest_capture_ma"]
        .astype(object)
        .where(attempts["lowest_capture_ma"].notna(), None),
        patient_id=attempts["patient_id"].astype("string"),
    )
    told = steps.assign(electrical_capture=steps["electrical_capture"].map({True: "yes", False: "no"}))
    assert_same(expected, study_from_frames(others, told, patients))
    as_numbers = steps.assign(electrical_capture=steps["electrical_capture"].astype(float))
    assert_same(expected, study_from_frames(attempts, as_numbers, patients))


def test_covariates_are_those_of_the_attempts_patient() -> None:
    study = study_from_frames(*small_frames())
    covariates = attempt_covariates(study)
    assert len(covariates) == 3
    assert covariates["weight_kg"].tolist()[:2] == [81.0, 81.0]
    assert np.isnan(covariates["weight_kg"].iloc[2])
    assert covariates["body_mass_index"].tolist()[:2] == pytest.approx([25.0, 25.0])
    assert covariates["sex"].dtype == study.patients["sex"].dtype
    assert covariates["emphysema"].dtype == "boolean"
    nobody = attempt_covariates(study_from_frames(*small_frames()[:2]))
    assert nobody["body_mass_index"].isna().all()
    assert len(nobody) == 3


def assert_same(one: Study, other: Study) -> None:
    pd.testing.assert_frame_equal(one.attempts, other.attempts)
    pd.testing.assert_frame_equal(one.steps, other.steps)
    pd.testing.assert_frame_equal(one.patients, other.patients)


# -- there and back ------------------------------------------------------------------------------------------

CODES = st.from_regex(r"[A-Za-zäé0-9_(][A-Za-z0-9 .,:/#()+-]{0,6}[A-Za-z]", fullmatch=True).filter(
    lambda code: not is_missing(code) and personal_content([code]) is None
)
MAYBE = st.sampled_from(["yes", "no", None])


@st.composite
def studies(draw: st.DrawFn) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Return frames without errors, with every kind of column."""
    n = draw(st.integers(1, 5))
    codes = draw(st.lists(CODES, min_size=n, max_size=n, unique=True))
    low = draw(st.lists(st.floats(1, 60), min_size=n, max_size=n))
    attempts = pd.DataFrame(
        {
            "attempt_id": codes,
            "patient_id": draw(st.lists(CODES, min_size=n, max_size=n, unique=True)),
            "placement": draw(st.lists(st.sampled_from(["AP", "AL", "other", "unknown"]), min_size=n, max_size=n)),
            "max_output_ma": 140.5,
            "highest_no_capture_ma": low,
            "lowest_capture_ma": draw(st.lists(st.sampled_from([61.25, np.nan]), min_size=n, max_size=n)),
            "ended": "stopped-pain",
            "arrest": draw(st.lists(MAYBE, min_size=n, max_size=n)),
            "pacing_start_s": draw(st.lists(st.floats(-1e6, 1e6), min_size=n, max_size=n)),
            "rhythm": draw(st.lists(st.sampled_from(["AF", "asystole", None]), min_size=n, max_size=n)),
        }
    )
    attempts["ended"] = attempts["ended"].where(attempts["lowest_capture_ma"].isna(), "captured")
    m = draw(st.integers(0, 6))
    steps = pd.DataFrame(
        {
            "attempt_id": draw(st.lists(st.sampled_from(codes), min_size=m, max_size=m)),
            "step_order": np.arange(1.0, m + 1),
            "current_ma": draw(st.lists(st.floats(0, 140), min_size=m, max_size=m)),
            "femoral_pulse": draw(st.lists(MAYBE, min_size=m, max_size=m)),
            "etco2_rise_mmhg": draw(st.lists(st.floats(-10, 10), min_size=m, max_size=m)),
        }
    )
    patients = pd.DataFrame(
        {
            "patient_id": attempts["patient_id"],
            "age_years": draw(st.lists(st.floats(0, 89), min_size=n, max_size=n)),
            "sex": draw(st.lists(st.sampled_from(["F", "M", None]), min_size=n, max_size=n)),
            "survived_30_days": draw(st.lists(MAYBE, min_size=n, max_size=n)),
        }
    )
    return attempts, steps, patients


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(studies())
def test_a_written_study_reads_back_as_it_was(
    tmp_path_factory: pytest.TempPathFactory, frames: tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]
) -> None:
    study = study_from_frames(*frames)
    folder: Path = tmp_path_factory.mktemp("study")
    for name, text in study_to_csv_texts(study).items():
        (folder / name).write_bytes(text.encode())
    again = read_study(folder)
    assert_same(study, again)
    assert study_to_csv_texts(again) == study_to_csv_texts(study)


def test_text_that_a_spreadsheet_would_calculate_cannot_enter_a_study() -> None:
    attempts = small_frames()[0].assign(patient_id=["=1", "+1", "@x"], lowest_capture_ma=75.0)
    with pytest.raises(StudyError, match="formula"):
        study_from_frames(attempts)


# -- what it costs -------------------------------------------------------------------------------------------


def test_importing_the_layer_loads_no_modelling_and_no_plotting() -> None:
    code = (
        "import sys, capstat.attempts as _; "
        "heavy = ('scipy', 'statsmodels', 'matplotlib', 'seaborn', 'lifelines', 'openpyxl'); "
        "print([name for name in heavy if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
