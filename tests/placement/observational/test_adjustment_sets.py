"""Ratios by adjustment set: scipy's optimiser on the likelihood written out, and sets counted by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

from capstat.placement.observational import ratio_by_adjustment_set
from capstat.placement.observational.adjustment_sets import _sets
from capstat.thresholds import CensoredThresholds

AP, AL = "anterior-posterior", "anterior-lateral"
NAMES = ("body_mass_index", "arrest")


def test_sets_by_hand():
    assert [names for _, names in _sets(())] == [()]
    assert [label for label, _ in _sets(("a",))] == ["unadjusted", "a alone"]
    assert [label for label, _ in _sets(("a", "b"))] == ["unadjusted", "a alone", "b alone", "all confounders"]
    assert [label for label, _ in _sets(("a", "b", "c"))][4:] == [
        "all confounders", "all but a", "all but b", "all but c",
    ]  # fmt: skip
    assert len(_sets(tuple("abcdefg"))) == 1 + 7 + 1 + 7


def test_rows_are_maxima_of_the_likelihood(chosen):
    """scipy BFGS on the interval-censored lognormal likelihood."""
    thresholds = chosen(200, 1)
    found = ratio_by_adjustment_set(thresholds, AP, AL, NAMES)
    first = (thresholds.placement == AP).astype(float)
    columns = {name: thresholds.covariates[name].to_numpy(dtype=float) for name in NAMES}
    columns["body_mass_index"] = columns["body_mass_index"] - 27
    with np.errstate(divide="ignore"):
        low, high = np.log(thresholds.lower_ma), np.log(thresholds.upper_ma)
    for row in found.rows:
        design = np.column_stack((np.ones(200), first, *(columns[name] for name in row.adjusted_for)))

        def loss(b, design=design):
            location, scale = design @ b[:-1], np.exp(b[-1])
            mass = stats.norm.cdf((high - location) / scale) - stats.norm.cdf((low - location) / scale)
            return -np.log(np.maximum(mass, 1e-300)).sum()

        start = np.zeros(design.shape[1] + 1)
        start[0], start[-1] = 4.3, -1.0
        best = optimize.minimize(loss, start, method="BFGS", options={"gtol": 1e-6})
        assert row.ratio.value == pytest.approx(np.exp(best.x[1]), rel=1e-4), row.label
        assert row.residual_sd == pytest.approx(np.exp(best.x[-1]), rel=1e-3)
        assert row.ratio.direction == f"{AP} relative to {AL}"


def test_all_rows_rest_on_the_same_attempts(chosen):
    thresholds = chosen(200, 2)
    table = thresholds.covariates.copy()
    table.loc[:29, "body_mass_index"] = np.nan
    found = ratio_by_adjustment_set(replace(thresholds, covariates=table), AP, AL, NAMES)
    assert (found.n_complete, found.n_total, found.n_patients) == (170, 200, 170)
    alone = ratio_by_adjustment_set(thresholds.subset(np.arange(200) >= 30), AP, AL, ())
    assert found.rows[0].ratio.value == pytest.approx(alone.rows[0].ratio.value, rel=1e-9)
    assert found.fully_adjusted.adjusted_for == NAMES


def test_the_confounder_that_matters_is_seen(chosen):
    """Built so: body mass index confounds, cardiac arrest hardly does; the ratio is 0.82."""
    found = {row.label: row.ratio for row in ratio_by_adjustment_set(chosen(1500, 3), AP, AL, NAMES).rows}
    assert found["all confounders"].lower < 0.82 < found["all confounders"].upper
    assert found["unadjusted"].upper < 0.80
    assert found["arrest alone"].upper < 0.80
    assert found["body_mass_index alone"].value == pytest.approx(found["all confounders"].value, rel=0.02)


def test_no_estimate_is_an_answer():
    thresholds = CensoredThresholds.from_bounds(
        [100] * 20, [np.inf] * 20, placement=[AP, AL] * 10, covariates=pd.DataFrame({"age": np.arange(20) // 2})
    )
    for row in ratio_by_adjustment_set(thresholds, AP, AL, ("age",)).rows:
        assert row.ratio.value is None
        assert "No attempt captured" in row.ratio.reason
        assert row.residual_sd is None
