"""The published practice, by hand and with scipy, so that a report can show by how much it misleads."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from capstat.placement.shortcut_comparison import shortcut_comparison
from capstat.thresholds import CensoredThresholds

INF = np.inf
AP, AL = "anterior-posterior", "anterior-lateral"


def test_pairs_by_hand():
    """141 for non-capture, the patient captured by neither left out, one with a single placement too."""
    lower = [60, 70, 80, 140, 90, 140, 140, 140, 65]
    upper = [65, 75, 85, INF, 95, INF, INF, INF, 70]
    patient = [0, 0, 1, 1, 2, 2, 3, 3, 4]
    placement = [AP, AL] * 4 + [AP]
    thresholds = CensoredThresholds.from_bounds(
        lower, upper, patient, placement, covariates=pd.DataFrame({"max_output_ma": [140.0] * 9})
    )
    result = shortcut_comparison(thresholds, AP, AL, paired=True)
    assert (result.n_made_up, result.n_left_out, result.n_patients) == (2, 2, 5)
    expected = stats.ttest_rel([65, 85, 95], [75, 141, 141])
    assert result.difference.value == pytest.approx(np.mean([65 - 75, 85 - 141, 95 - 141]))
    assert result.difference.p_value == pytest.approx(expected.pvalue)
    assert (result.difference.lower, result.difference.upper) == pytest.approx(tuple(expected.confidence_interval()))


def test_different_patients_are_welchs_test():
    lower, upper = [60, 70, 140, 80, 140, 140], [65, 75, INF, 85, INF, INF]
    thresholds = CensoredThresholds.from_bounds(lower, upper, None, [AP] * 3 + [AL] * 3)
    result = shortcut_comparison(thresholds, AP, AL, paired=False)
    expected = stats.ttest_ind([65, 75, 141], [85, 141, 141], equal_var=False)
    assert result.difference.p_value == pytest.approx(expected.pvalue)
    assert result.n_made_up == 3


def test_nothing_left_is_an_answer():
    both = CensoredThresholds.from_bounds([140, 140, 60, 65], [INF, INF, 65, 70], [0, 0, 1, 1], [AP, AL] * 2)
    result = shortcut_comparison(both, AP, AL, paired=True)
    assert result.difference.value is None
    assert "fewer than two patients" in result.difference.reason
