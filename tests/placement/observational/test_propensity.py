"""Propensity scores: R and statsmodels on Lalonde's data, statsmodels with frequency weights, separation by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from statsmodels.genmod.generalized_estimating_equations import GEE

from capstat.placement.observational import fit_propensity
from capstat.placement.observational.propensity import refit_scores
from capstat.results import NotEstimableError, UsageError
from capstat.thresholds import CensoredThresholds

NAMES = ("age", "educ", "black", "hispan", "married", "nodegree", "re74", "re75")


@pytest.mark.reference
def test_coefficients_as_in_r(reference, lalonde_thresholds):
    """s22: R 4.2.2 glm and statsmodels."""
    model = fit_propensity(lalonde_thresholds, "treated", "control", NAMES)
    reference("s22").check("ps_logit_coef", model.coefficients)
    assert model.names == ("intercept", *NAMES)
    assert (model.n_complete, model.n_total) == (614, 614)
    # a logistic model with an intercept predicts as many of each as there are
    assert model.score.sum() == pytest.approx(model.is_first.sum(), abs=1e-6)


def test_covariance_as_in_a_generalised_linear_model(lalonde_thresholds):
    """statsmodels GLM, whose iterations and information are other code than Logit's."""
    model = fit_propensity(lalonde_thresholds, "treated", "control", NAMES)
    fit = sm.GLM(model.is_first.astype(float), model.design, family=sm.families.Binomial()).fit()
    np.testing.assert_allclose(np.sqrt(np.diag(model.covariance)), fit.bse, rtol=1e-5)


def test_several_attempts_of_a_patient_are_no_news(lalonde_thresholds):
    """statsmodels GEE with independence: the sandwich, up to the correction for the number of patients."""
    patient = np.arange(614) // 3
    model = fit_propensity(replace(lalonde_thresholds, patient=patient), "treated", "control", NAMES)
    gee = GEE(model.is_first.astype(float), model.design, groups=patient, family=sm.families.Binomial()).fit()
    ratio = np.sqrt(np.diag(model.covariance)) / gee.bse
    np.testing.assert_allclose(ratio, ratio[0], rtol=1e-4)
    assert 1 < ratio[0] < 1.02
    assert model.method.endswith("clustered by patient")


def test_refits_are_those_of_weighted_regressions(lalonde_thresholds):
    """statsmodels GLM with frequency weights."""
    model = fit_propensity(lalonde_thresholds, "treated", "control", NAMES)
    count = np.random.default_rng(1).multinomial(614, np.full(614, 1 / 614), size=4).astype(float)
    score, converged = refit_scores(model, count)
    assert converged.all()
    for weight, got in zip(count, score, strict=True):
        fit = sm.GLM(
            model.is_first.astype(float), model.design, family=sm.families.Binomial(), freq_weights=weight
        ).fit(tol=1e-12)
        np.testing.assert_allclose(got, fit.predict(model.design), rtol=1e-6, atol=1e-9)


def test_a_sample_without_a_score_is_told(lalonde_thresholds):
    model = fit_propensity(lalonde_thresholds, "treated", "control", ("black",))
    black = model.design[:, 1] == 1
    without = np.where(model.is_first & ~black, 0.0, 1.0)  # everybody treated is black
    _, converged = refit_scores(model, np.array([without, np.ones(614)]))
    assert converged.tolist() == [False, True]


def small(**columns):
    placement = ["first"] * 6 + ["second"] * 6
    return CensoredThresholds.from_bounds([50] * 12, [60] * 12, placement=placement, covariates=pd.DataFrame(columns))


MIXED = [1.0, 2, 3, 4, 5, 6, 1.5, 2.5, 3.5, 4.5, 5.5, 2]


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"size": MIXED, "place": ["a"] * 3 + ["b"] * 3 + ["a"] * 3 + ["c"] * 3}, "'place' only one of the placements"),
        ({"size": [*range(6), *range(10, 16)], "place": ["a", "b"] * 6}, "'size' only one of the placements"),
        ({"size": MIXED, "other": [v - 1 + 2 * (i < 6) for i, v in enumerate(MIXED)]}, "combination of size, other"),
        ({"size": MIXED, "double": [2 * v + 1 for v in MIXED]}, "one follows from the others"),
        ({"size": MIXED, "same": ["x"] * 12}, "'same' is 'x' in all"),
        ({"size": [np.nan] * 6 + MIXED[6:]}, "No attempt with first placement has all of size"),
    ],
)
def test_why_there_is_no_score(columns, words):
    with pytest.raises(NotEstimableError, match=words):
        fit_propensity(small(**columns), "first", "second", tuple(columns))


def test_levels_and_missing_values():
    columns = {
        "place": ["a", "b", None, "c", "a", "b"] * 2,
        "yes": pd.array([True, False, True, False, False, True] * 2, dtype="boolean"),
    }
    model = fit_propensity(small(**columns), "first", "second", ("place", "yes"))
    assert model.names == ("intercept", "place: b", "place: c", "yes")
    assert (model.n_complete, model.n_total) == (10, 12)
    assert model.missing == (("place", 2), ("yes", 0))
    # both groups are alike, so nobody is likelier to be in one of them
    np.testing.assert_allclose(model.score, 0.5, atol=1e-8)


def test_no_confounders_give_the_share():
    model = fit_propensity(small(size=MIXED), "first", "second", ())
    np.testing.assert_allclose(model.score, 0.5)


@pytest.mark.parametrize(
    ("first", "minus", "kind", "words"),
    [("first", "first", UsageError, "two placements"), ("third", "second", NotEstimableError, "no attempt with third")],
)
def test_groups_that_are_not_there(first, minus, kind, words):
    with pytest.raises(kind, match=words):
        fit_propensity(small(size=MIXED), first, minus, ("size",))


def test_weights_are_not_silently_replaced():
    weighted = replace(small(size=MIXED), weight=np.full(12, 2.0))
    with pytest.raises(UsageError, match="already carry weights"):
        fit_propensity(weighted, "first", "second", ("size",))
