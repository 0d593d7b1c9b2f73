"""Rubin's rules against the recorded case and by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from capstat.numerics.rubin import pool


@pytest.mark.reference
def test_recorded_case(reference):
    case = reference("s28")
    estimates, errors = np.array(case.data["estimates"]), np.array(case.data["se"])
    plain = pool(estimates, errors**2)
    case.check("pooled", plain.estimate)
    case.check("U,B,T", [plain.within, plain.between, plain.total])
    case.check("T", plain.total)
    case.check("lambda,r", [plain.fraction, plain.increase])
    case.check("df_old", plain.df)
    case.check("fmi_old_df", plain.missing_information)
    small = pool(estimates, errors**2, complete_df=case.data["nu_complete"])
    case.check("df_barnard_rubin", small.df)
    case.check("ci95_barnard_rubin", small.interval(0.95))
    case.check("p_barnard_rubin", small.p_value())


def test_equal_estimates_have_no_missing_information():
    """Rounding between imputations is no variance: 0.1 + 0.2 is not 0.3."""
    same = pool([0.3, 0.1 + 0.2, 0.3], [0.04] * 3)
    assert same.between == 0
    assert np.isinf(same.df)
    assert same.missing_information == 0
    assert same.interval(0.95) == pytest.approx(stats.norm.interval(0.95, 0.3, 0.2))
    known = pool([0.3] * 3, [0.04] * 3, complete_df=20)
    assert known.df == pytest.approx(21 / 23 * 20)


def test_one_imputation_cannot_be_pooled():
    with pytest.raises(ValueError, match="at least two"):
        pool([1.0], [0.1])


@given(st.lists(st.tuples(st.floats(-5, 5), st.floats(0.01, 4)), min_size=2, max_size=12), st.floats(2, 500))
def test_imputation_never_makes_surer(rows, complete_df):
    estimates, variances = zip(*rows, strict=True)
    pooled = pool(estimates, variances, complete_df)
    assert pooled.total >= pooled.within
    assert pooled.df <= complete_df
    assert min(estimates) - 1e-9 <= pooled.estimate <= max(estimates) + 1e-9
