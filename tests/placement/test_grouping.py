"""Any column with named values in the place of the placement."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from capstat.placement import compare_placements, unpaired_ratio
from capstat.placement.grouping import PADS, compared_values, grouped_by
from capstat.results import UsageError
from capstat.thresholds import CensoredThresholds


@pytest.fixture
def attempts(on_grid):
    rng = np.random.default_rng(1)
    n = 300
    arrest = rng.random(n) < 0.5
    setting = rng.choice(["prehospital", "emergency", "ward"], n, p=[0.5, 0.3, 0.2])
    frame = pd.DataFrame(
        {
            "arrest": pd.array(np.where(rng.random(n) < 0.1, None, arrest), dtype="boolean"),
            "setting": pd.Categorical(setting), "age_years": rng.normal(60, 10, n), "max_output_ma": 140.0,
        }
    )  # fmt: skip
    true = 80 * 1.2**arrest * np.exp(rng.normal(0, 0.25, n))
    return on_grid(
        true, 30, 5, 140, placement=rng.choice(["anterior-posterior", "anterior-lateral"], n), covariates=frame
    )


def test_yes_and_no_become_groups(attempts):
    grouped = grouped_by(attempts, "arrest")
    assert len(grouped) == attempts.covariates["arrest"].notna().sum()
    assert grouped.placements == ("no", "yes")
    assert set(grouped.covariates[PADS]) == {"anterior-posterior", "anterior-lateral"}
    assert "arrest" not in grouped.covariates
    first, minus = compared_values(grouped, None, None)
    assert (first, minus) == ("yes", "no")
    result = compare_placements(grouped, first, minus=minus, adjust_for=(), replicates=100, seed=1)
    assert result.ratio.lower < 1.2 < result.ratio.upper
    # the same numbers as a comparison of two placements with these names
    own = unpaired_ratio(grouped, "yes", "no", adjust_for=())
    assert result.ratio.value == own.ratio.value


def test_text_groups_default_to_the_two_largest(attempts):
    grouped = grouped_by(attempts, "setting")
    assert compared_values(grouped, None, None) == ("prehospital", "emergency")
    assert compared_values(grouped, "ward", None) == ("ward", "prehospital")
    with pytest.raises(UsageError, match="no attempt with 'moon'"):
        compared_values(grouped, "moon", None)


def test_placement_changes_nothing(attempts):
    assert grouped_by(attempts, "placement") is attempts


def test_what_is_no_group(attempts):
    with pytest.raises(UsageError, match="no column 'shoe'"):
        grouped_by(attempts, "shoe")
    with pytest.raises(UsageError, match="holds numbers"):
        grouped_by(attempts, "age_years")
    one = CensoredThresholds.from_bounds([60, 60], [65, 65], covariates=pd.DataFrame({"sex": ["male", "male"]}))
    with pytest.raises(UsageError, match="has 1 recorded value;"):
        grouped_by(one, "sex")
