"""Which attempts are repeated checks of one threshold, and what is left out."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capstat.attempts import read_study, study_from_frames
from capstat.protocol.repeated_checks import LeftOut, RepeatedChecks, repeated_checks
from capstat.thresholds import MECHANICAL_CAPTURE, derive_thresholds

COLUMNS = (
    "patient_id",
    "placement",
    "attempt_order",
    "pacing_start_s",
    "first_capture_s",
    "highest_no_capture_ma",
    "lowest_capture_ma",
)
AP, AL = "anterior-posterior", "anterior-lateral"


def study(*rows):
    full = [(*row, "mechanical")[:8] for row in rows]
    attempts = pd.DataFrame(full, columns=[*COLUMNS, "capture_criterion"]).assign(max_output_ma=140)
    return study_from_frames(attempts)


def test_by_hand():
    """Two patients with repeats among all the reasons for leaving an attempt out."""
    found = repeated_checks(
        study(
            ("A", AP, 2, 900, 930, 65, 70),
            ("A", AP, 1, 300, 330, 60, 65),
            ("B", AP, 1, None, 60, 80, 85),  # first capture alone is known
            ("B", AP, 2, 660, 700, 85, 90),
            ("B", AL, 3, 1200, None, 90, 95),  # the less checked placement
            ("C", AP, 1, 0, None, 50, 55),  # one check
            ("D", AP, 1, None, None, 50, 55),  # no time
            ("D", AP, 2, 5, None, 50, 55),  # the only one with a time
            ("E", "unknown", 1, 0, None, 50, 55),
            ("F", AP, 1, 0, None, 50, 55),
            ("F", AP, 2, 0, None, 55, 60),  # the same time
            ("F", AP, 3, 600, None, 55, 60),
            ("G", AP, 1, 700, None, 55, 60),  # later than its second attempt
            ("G", AP, 2, 100, None, 55, 60),
            ("H", AP, 1, 0, None, 50, 55, "electrical"),  # nothing about mechanical capture
        ),
        MECHANICAL_CAPTURE,
    )
    assert found.patient.tolist() == [0, 0, 1, 1, 2, 2]
    assert found.minutes.tolist() == pytest.approx([0, 10, 0, 10, 0, 10])
    assert found.lower_ma.tolist() == [60, 65, 80, 85, 50, 55]
    assert found.upper_ma.tolist() == [65, 70, 85, 90, 55, 60]
    assert found.left_out == LeftOut(1, 1, 1, 1, 1, 1, 2)
    assert (found.n_patients, len(found), set(found.placement), found.capture) == (3, 6, {AP}, "mechanical")
    assert found.position.tolist() == [0, 1, 0, 1, 0, 1]


def test_no_repeats_is_empty_not_an_error():
    found = repeated_checks(study(("A", AP, 1, 0, None, 50, 55), ("B", AL, 1, 0, None, 50, 55)), MECHANICAL_CAPTURE)
    assert (len(found), found.n_patients, found.left_out.single_check_patients) == (0, 0, 2)


def test_shipped_studies(shipped):
    """Every check of the transfer study is used; the crossover has none."""
    transfer = read_study(shipped / "repeated_checks")
    found = repeated_checks(transfer, MECHANICAL_CAPTURE)
    thresholds = derive_thresholds(transfer, capture=MECHANICAL_CAPTURE)
    assert len(found) + found.left_out.single_check_patients == len(thresholds)
    assert found.n_patients >= 58
    assert 58 < found.minutes.max() < 62
    crossover = repeated_checks(read_study(shipped / "crossover"), MECHANICAL_CAPTURE)
    assert len(crossover) == 0
    assert crossover.left_out.no_time == 78


def test_from_arrays_lists_every_bad_row():
    with pytest.raises(
        ValueError, match=r"row 2 needs a finite time; row 3 .*upper bound.*; row 4 says nothing"
    ) as caught:
        RepeatedChecks.from_arrays(list("abcd"), [0, np.inf, 1, 2], [50, 50, 60, 0], [55, 55, 55, np.inf])
    assert "row 1" not in str(caught.value)
    with pytest.raises(ValueError, match="row 1 needs a finite lower bound"):
        RepeatedChecks.from_arrays(["a"], [0], [-1], [5])
    with pytest.raises(ValueError, match="row 2 has a missing value"):
        RepeatedChecks.from_arrays(list("ab"), [0], [50, 50], [55, 55])
    with pytest.raises(ValueError, match="lists"):
        RepeatedChecks.from_arrays(list("ab"), [[0, 1]], [50, 50], [55, 55])


def test_known_thresholds_become_narrow_cells():
    found = RepeatedChecks.from_arrays(list("aa"), [0, 5], [50, 60], [50, 62])
    assert found.lower_ma.tolist() == pytest.approx([49.995, 60])
    assert found.upper_ma.tolist() == pytest.approx([50.005, 62])


@given(st.lists(st.tuples(st.integers(0, 5), st.integers(-3, 60)), min_size=1, max_size=30), st.randoms())
def test_order_of_rows_carries_nothing_and_all_rows_are_accounted_for(rows, random):
    """Each row has its own cell for its patient and time, so that repeated times are alike."""

    def checks(table):
        patient, minutes = zip(*table, strict=True)
        lower = [10 + 70 * p + m for p, m in table]
        return RepeatedChecks.from_arrays(patient, minutes, lower, [low + 1 for low in lower])

    found = checks(rows)
    shuffled = rows.copy()
    random.shuffle(shuffled)
    again = checks(shuffled)
    for name in ("patient", "minutes", "lower_ma", "upper_ma"):
        np.testing.assert_array_equal(getattr(found, name), getattr(again, name))
    assert len(found) + found.left_out.repeated_time + found.left_out.single_check_patients == len(rows)
    assert (found.minutes[found.position == 0] == 0).all()
    assert (found.minutes[found.position > 0] > 0).all()
    if len(found):
        assert np.bincount(found.patient).min() >= 2
