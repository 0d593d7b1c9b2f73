"""Signs are read from the steps as recorded, and combined by a stated rule."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from capstat.attempts import STEP_FIELDS, study_from_frames
from capstat.capture.signs import REFERENCES, SIGNS, combine_signs, read_sign
from capstat.results import NotEstimableError, UsageError

ATTEMPTS = pd.DataFrame(
    {
        "attempt_id": ["a", "b", "c"],
        "patient_id": ["P1", "P1", "P2"],
        "placement": ["AP", "AL", "AP"],
        "max_output_ma": [140] * 3,
        "lowest_capture_ma": [70] * 3,
    }
)


def study_of(**columns):
    n = len(next(iter(columns.values())))
    steps = pd.DataFrame(
        {"attempt_id": (["a"] * 3 + ["b"] * 2 + ["c"] * 4)[:n], "current_ma": 40.0 + 10 * np.arange(n)}
    )
    return study_from_frames(ATTEMPTS, steps.assign(**columns))


def test_every_sign_is_a_column_of_the_steps():
    kinds = {field.name: field for field in STEP_FIELDS}
    for sign in SIGNS:
        assert kinds[sign.name].numeric == sign.continuous
        assert (kinds[sign.name].unit or "") == sign.unit
    assert not any(kinds[name].numeric for name in REFERENCES)


def test_reading_keeps_every_step_and_what_is_missing():
    study = study_of(
        femoral_pulse=["yes", "no", None, "yes", "no", None], adjudicated_capture=["yes", None, "no", "yes", "no", "no"]
    )
    record = read_sign(study, "femoral_pulse", "adjudicated_capture")
    np.testing.assert_array_equal(record.value, [1, 0, np.nan, 1, 0, np.nan])
    np.testing.assert_array_equal(record.reference, [1, np.nan, 0, 1, 0, 0])
    np.testing.assert_array_equal(record.both, [True, False, False, True, True, False])
    np.testing.assert_array_equal(record.patient, [0, 0, 0, 0, 0, 1])
    np.testing.assert_array_equal(record.attempt, [0, 0, 0, 1, 1, 2])
    np.testing.assert_array_equal(record.current_ma, 40 + 10 * np.arange(6))
    rise = read_sign(study_of(etco2_rise_mmhg=[2.5, None]), "etco2_rise_mmhg", "ultrasound")
    np.testing.assert_array_equal(rise.value, [2.5, np.nan])
    assert rise.unit == "mmHg"


def test_wrong_choices_are_named():
    study = study_of(femoral_pulse=["yes"])
    with pytest.raises(UsageError, match="no sign heart_rate; the signs are electrical_capture"):
        read_sign(study, "heart_rate", "ultrasound")
    with pytest.raises(UsageError, match="femoral_pulse cannot be the reference; accepted are adjudicated_capture"):
        read_sign(study, "carotid_pulse", "femoral_pulse")
    with pytest.raises(UsageError, match="both the sign and its reference"):
        read_sign(study, "ultrasound", "ultrasound")
    with pytest.raises(NotEstimableError, match="no steps table"):
        read_sign(study_from_frames(ATTEMPTS), "femoral_pulse", "ultrasound")
    record = read_sign(study, "femoral_pulse", "ultrasound")
    with pytest.raises(NotEstimableError, match="ultrasound was recorded at no step"):
        record.require_both(continuous=False)
    with pytest.raises(UsageError, match="femoral_pulse is yes or no; this analysis takes a number"):
        record.require_both(continuous=True)
    apart = read_sign(study_of(femoral_pulse=["yes", None], ultrasound=[None, "no"]), "femoral_pulse", "ultrasound")
    with pytest.raises(NotEstimableError, match="never recorded at the same step"):
        apart.require_both(continuous=False)


def test_a_combination_needs_every_part():
    """All nine pairs of yes, no and not looked for: a step counts when both parts were looked for."""
    yes, no, unknown = "yes", "no", None
    pulse = [yes, yes, yes, no, no, no, unknown, unknown, unknown]
    waves = [yes, no, unknown] * 3
    study = study_of(femoral_pulse=pulse, oximetry_waveform=waves, adjudicated_capture=[yes] * 8 + [None])
    parts = [read_sign(study, name, "adjudicated_capture") for name in ("femoral_pulse", "oximetry_waveform")]
    nan = np.nan
    both = combine_signs(parts, "all")
    np.testing.assert_array_equal(both.value, [1, 0, nan, 0, 0, nan, nan, nan, nan])
    assert both.label == "femoral pulse and oximetry waveform"
    assert both.parts == ("femoral_pulse", "oximetry_waveform")
    either = combine_signs(parts, "any")
    np.testing.assert_array_equal(either.value, [1, 1, nan, 1, 0, nan, nan, nan, nan])
    assert either.label == "femoral pulse or oximetry waveform"


def test_what_cannot_be_combined():
    study = study_of(femoral_pulse=["yes"], systolic_mmhg=[90], ultrasound=["yes"], adjudicated_capture=["yes"])
    pulse = read_sign(study, "femoral_pulse", "adjudicated_capture")
    with pytest.raises(UsageError, match="at least two signs"):
        combine_signs([pulse])
    with pytest.raises(UsageError, match="systolic_mmhg is a number"):
        combine_signs([pulse, read_sign(study, "systolic_mmhg", "adjudicated_capture")])
    with pytest.raises(UsageError, match="same reference"):
        combine_signs([pulse, read_sign(study, "carotid_pulse", "ultrasound")])
    with pytest.raises(UsageError, match="all or any, not by most"):
        combine_signs([pulse, pulse], "most")
