"""For whom: against least squares of statsmodels, simulations with known truth, and by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.multitest import multipletests

from capstat.distributions import LOGNORMAL, fit_regression
from capstat.placement.modifiers import modifier_analysis, subgroup_forest
from capstat.results import NotEstimableError, UsageError
from capstat.thresholds import CensoredThresholds

INF = np.inf


def patients(on_grid=None, *, n=400, seed=1, interaction=0.0, bend=0.0, exact=False, by="body_mass_index"):
    """Log ratio -0.2 at a body mass index of 30, plus ``interaction`` per unit and ``bend`` per squared unit."""
    rng = np.random.default_rng(seed)
    is_a = rng.random(n) < 0.5
    frame = pd.DataFrame(
        {
            "body_mass_index": rng.normal(30, 6, n),
            "age_years": rng.uniform(20, 90, n),
            "conscious": np.where(rng.random(n) < 0.4, "yes", "no"),
            "rhythm": rng.choice(["one", "two", "three"], n, p=[0.5, 0.3, 0.2]),
        }
    )
    z = frame["body_mass_index"] - 30 if by == "body_mass_index" else (frame[by] == "yes").astype(float)
    centre = np.log(85) + 0.01 * z + 0.002 * (frame["age_years"] - 55) + is_a * (-0.2 + interaction * z + bend * z**2)
    true = np.exp(centre.to_numpy() + rng.normal(0, 0.25, n))
    names = np.where(is_a, "A", "B")
    if exact:
        return CensoredThresholds.from_bounds(true, true, placement=names, covariates=frame)
    return on_grid(true, 40, 5, 140, placement=names, covariates=frame)


def least_squares(thresholds, formula):
    table = thresholds.covariates.assign(y=np.log(thresholds.lower_ma), a=(thresholds.placement == "A").astype(float))
    table["z"] = table["body_mass_index"] - table["body_mass_index"].mean()
    return smf.ols(formula, table).fit()


def test_number_with_exact_thresholds_is_least_squares():
    """Uncensored, F test, interval and likelihood ratio are those of ordinary least squares (statsmodels)."""
    thresholds = patients(exact=True, interaction=0.01)
    found = modifier_analysis(thresholds, "A", "B", "body_mass_index", adjust_for=["age_years"])
    ols = least_squares(thresholds, "y ~ a * z + age_years")
    assert found.statistic == pytest.approx(ols.tvalues["a:z"] ** 2, rel=1e-6)
    assert (found.df, found.df_error) == (1, int(ols.df_resid))
    assert found.p_value == pytest.approx(ols.pvalues["a:z"], rel=1e-5)
    assert found.p_likelihood_ratio == pytest.approx(ols.pvalues["a:z"], rel=1e-5)
    limits = np.exp(5 * ols.conf_int().loc["a:z"].to_numpy())
    assert (found.change.lower, found.change.upper) == pytest.approx(limits, rel=1e-6)
    # the curve at one end of its range
    x = np.quantile(thresholds.covariates["body_mass_index"], 0.05)
    assert found.curve.x[0] == pytest.approx(x)
    there = ols.t_test(f"a + {x - thresholds.covariates['body_mass_index'].mean()} * a:z")
    assert np.log(found.curve.lower[0]) == pytest.approx(there.effect[0], rel=1e-6)
    limits = np.exp(there.conf_int()[0])
    assert (found.curve.band_lower[0], found.curve.band_upper[0]) == pytest.approx(limits, rel=1e-6)


def test_bend_with_exact_thresholds_is_the_f_test_of_a_spline_against_a_line():
    """The natural spline of patsy (R's ``ns`` up to a change of basis) in statsmodels, same knots and boundary."""
    thresholds = patients(exact=True, bend=0.002)
    found = modifier_analysis(thresholds, "A", "B", "body_mass_index", adjust_for=["age_years"])
    bent = least_squares(thresholds, "y ~ a * cr(z, df=3, constraints='center') + age_years")
    line = least_squares(thresholds, "y ~ a:z + a + cr(z, df=3, constraints='center') + age_years")
    assert found.bend_p == pytest.approx(bent.compare_f_test(line)[1], rel=1e-4)


@pytest.mark.parametrize("modifier", ["conscious", "rhythm"])
def test_levels_with_exact_thresholds_are_least_squares(modifier):
    thresholds = patients(exact=True)
    found = modifier_analysis(thresholds, "A", "B", modifier, adjust_for=["age_years", "body_mass_index"])
    whole = least_squares(thresholds, f"y ~ a * C({modifier}) + age_years + z")
    without = least_squares(thresholds, f"y ~ a + C({modifier}) + age_years + z")
    f, p, df = whole.compare_f_test(without)
    assert (found.statistic, found.p_value, found.df) == pytest.approx((f, p, df), rel=1e-6)
    assert found.p_likelihood_ratio == pytest.approx(p, rel=1e-6)
    for row in found.rows:
        term = f"a:C({modifier})[T.{row.level}]"
        there = whole.t_test("a" if term not in whole.params else f"a + {term}")
        assert np.log(row.ratio.value) == pytest.approx(there.effect[0], rel=1e-6)
        assert np.log([row.ratio.lower, row.ratio.upper]) == pytest.approx(there.conf_int()[0], rel=1e-6)
        assert row.ratio.p_value == pytest.approx(float(there.pvalue), rel=1e-5)
        assert row.interaction_p == found.p_value
        inside = (thresholds.covariates[modifier] == row.level).to_numpy()
        assert row.n_first == row.n_captured_first == int((inside & (thresholds.placement == "A")).sum())


def with_column(base, name, values, patient=None):
    return CensoredThresholds.from_bounds(
        base.lower_ma, base.upper_ma, patient, base.placement, covariates=base.covariates.assign(**{name: values})
    )


def test_several_attempts_of_a_patient_are_clustered():
    """Uncensored: the sandwich of least squares (statsmodels), with G/(G-1) and the inflation by G/(G-p)."""
    base = patients(exact=True, n=300, interaction=0.01)
    patient = np.arange(300) // 3
    found = modifier_analysis(with_column(base, "k", 1.0, patient), "A", "B", "body_mass_index")
    a = (base.placement == "A").astype(float)
    z = (base.covariates["body_mass_index"] - base.covariates["body_mass_index"].mean()).to_numpy()
    ols = sm.OLS(np.log(base.lower_ma), np.column_stack((np.ones(300), a, z, a * z))).fit(
        cov_type="cluster", cov_kwds={"groups": patient, "use_correction": False}
    )
    groups, p = 100, 4
    statistic = ols.tvalues[3] ** 2 / (groups / (groups - 1)) / (groups / (groups - p))
    assert found.statistic == pytest.approx(statistic, rel=1e-6)
    assert found.df_error == groups - p
    assert found.p_likelihood_ratio is None
    assert "clustered" in found.rows[0].ratio.method
    assert found.rows[1].ratio.n <= groups


@pytest.mark.parametrize("modifier", ["conscious", "rhythm"])
def test_ratio_of_a_level_is_that_of_a_model_with_it_as_the_reference(on_grid, modifier):
    """Censored: the same model written with every level in turn as the reference, and refitted."""
    thresholds = patients(on_grid, n=250, seed=8)
    found = modifier_analysis(thresholds, "A", "B", modifier)
    a = (thresholds.placement == "A").astype(float)
    for row in found.rows:
        others = [level for level in sorted(set(thresholds.covariates[modifier])) if level != row.level]
        dummies = [(thresholds.covariates[modifier] == level).to_numpy(dtype=float) for level in others]
        design = np.column_stack((np.ones(250), a, *dummies, *(a * one for one in dummies)))
        names = tuple(f"column {j}" for j in range(design.shape[1]))
        direct = fit_regression(thresholds, design, names, family=LOGNORMAL).ratio("column 1")
        assert (row.ratio.value, row.ratio.lower, row.ratio.upper) == pytest.approx(
            (direct.value, direct.lower, direct.upper), rel=1e-6
        )


def test_curve_at_the_mean_is_the_main_term_of_a_centred_model(on_grid):
    """Censored; the values are uniform and symmetric, so the middle point of the curve is their mean."""
    base = patients(on_grid, n=301, seed=9)
    values = np.random.default_rng(3).permutation(np.linspace(20, 40, 301))
    found = modifier_analysis(with_column(base, "body_mass_index", values), "A", "B", "body_mass_index")
    a, z = (base.placement == "A").astype(float), values - 30
    design = np.column_stack((np.ones(301), a, z, a * z))
    fit = fit_regression(base, design, ("1", "A", "z", "Az"), family=LOGNORMAL)
    direct = fit.ratio("A")
    assert found.curve.x[20] == pytest.approx(30)
    assert (found.curve.lower[20], found.curve.band_lower[20], found.curve.band_upper[20]) == pytest.approx(
        (direct.value, direct.lower, direct.upper), rel=1e-6
    )
    assert found.change.value == pytest.approx(np.exp(5 * fit.coefficients[3]), rel=1e-6)


def test_the_unit_of_a_modifier_does_not_matter(on_grid):
    """Also not where the search for the maximum would suffer: a tiny spread beside a large mean."""
    base = patients(on_grid, n=200, seed=10, interaction=0.02)
    other = with_column(base, "body_mass_index", 1 + 1e-9 * base.covariates["body_mass_index"])
    one, same = (modifier_analysis(given, "A", "B", "body_mass_index") for given in (base, other))
    assert same.change is None  # 5 kg/m² are far beyond what these patients differ by
    assert same.p_value == pytest.approx(one.p_value, rel=1e-5)
    assert same.bend_p == pytest.approx(one.bend_p, rel=1e-4)
    assert same.curve.lower == pytest.approx(one.curve.lower, rel=1e-6)


def test_number_of_two_values_is_two_levels(on_grid):
    base = patients(on_grid, n=200, seed=11)
    flag = (base.covariates["conscious"] == "yes").astype(float)
    coded = modifier_analysis(with_column(base, "flag", flag), "A", "B", "flag")
    words = modifier_analysis(base, "A", "B", "conscious")
    assert coded.p_value == pytest.approx(words.p_value)
    assert [row.level for row in coded.rows] == ["0", "1"]
    assert [row.ratio.value for row in coded.rows] == pytest.approx([row.ratio.value for row in words.rows])
    assert coded.curve is None


def test_tertiles_of_years_are_kept_apart(on_grid):
    base = patients(on_grid, n=300)
    years = 2015.0 + np.arange(300) % 9
    found = modifier_analysis(with_column(base, "year", years), "A", "B", "year")
    assert [row.level for row in found.rows] == ["below 2017", "2017 to below 2020", "2020 or more"]


def test_missing_values_of_the_modifier_are_left_out_and_counted(on_grid):
    base = patients(on_grid, n=300)
    absent = np.random.default_rng(1).random(300) < 0.3
    given = with_column(base, "body_mass_index", base.covariates["body_mass_index"].where(~absent))
    found = modifier_analysis(given, "A", "B", "body_mass_index", adjust_for=["age_years", "body_mass_index"])
    assert (found.n_complete, found.n_total) == (int((~absent).sum()), 300)
    # naming the modifier among what is adjusted for changes nothing
    alone = modifier_analysis(base.subset(~absent), "A", "B", "body_mass_index", adjust_for=["age_years"])
    assert found.p_value == pytest.approx(alone.p_value)
    assert sum(row.n_first + row.n_minus for row in found.rows) == found.n_complete


def test_known_interaction_is_found(on_grid):
    thresholds = patients(on_grid, n=1500, interaction=0.02, seed=4)
    found = modifier_analysis(thresholds, "A", "B", "body_mass_index")
    assert found.change.lower < np.exp(5 * 0.02) < found.change.upper
    assert found.p_value < 1e-4
    assert found.bend_p > 0.001
    truth = np.exp(-0.2 + 0.02 * (found.curve.x - 30))
    assert ((found.curve.band_lower < truth) & (truth < found.curve.band_upper)).all()
    low, middle, high = found.rows
    assert [row.level for row in found.rows] == ["below 25", "25 to below 30", "30 or more"]
    assert low.ratio.value < middle.ratio.value < high.ratio.value
    yes_no = modifier_analysis(patients(on_grid, n=1500, interaction=0.3, by="conscious"), "A", "B", "conscious")
    truth = {"no": np.exp(-0.2), "yes": np.exp(0.1)}
    assert all(row.ratio.lower < truth[row.level] < row.ratio.upper for row in yes_no.rows)


def test_a_bent_ratio_is_seen(on_grid):
    found = modifier_analysis(patients(on_grid, n=1500, bend=0.004), "A", "B", "body_mass_index")
    assert found.bend_p < 0.001


def test_without_interaction_one_in_twenty_is_significant(on_grid):
    """Type I error: 300 null studies of 60; 5 % with a binomial 99.9 % range of 1.3 % to 9.7 %."""
    p = [modifier_analysis(patients(on_grid, n=60, seed=seed), "A", "B", "conscious").p_value for seed in range(300)]
    assert 4 <= sum(value < 0.05 for value in p) <= 29
    assert 0.4 < np.mean(p) < 0.6


@pytest.mark.slow
def test_type_one_error_of_a_number_and_of_the_bend(on_grid):
    """1,500 null studies of 100: 5 % within four binomial standard errors (2.3 %)."""
    found = [
        modifier_analysis(patients(on_grid, n=100, seed=seed), "A", "B", "body_mass_index", adjust_for=["age_years"])
        for seed in range(1500)
    ]
    for p in ([f.p_value for f in found], [f.p_likelihood_ratio for f in found], [f.bend_p for f in found]):
        assert 0.027 < np.mean(np.array(p) < 0.05) < 0.073


def test_level_without_capture_is_left_out_and_said(on_grid):
    base = patients(on_grid)
    never = ((base.covariates["rhythm"] == "three") & (base.placement == "A")).to_numpy()
    lower, upper = np.where(never, 140, base.lower_ma), np.where(never, INF, base.upper_ma)
    thresholds = CensoredThresholds.from_bounds(lower, upper, None, base.placement, covariates=base.covariates)
    found = modifier_analysis(thresholds, "A", "B", "rhythm")
    assert found.left_out == ("three",)
    assert found.df == 1
    row = next(row for row in found.rows if row.level == "three")
    assert row.n_captured_first == 0 < row.n_first
    assert row.ratio.value is None
    assert "fewer than 5" in row.ratio.reason
    # the others as if that level did not exist
    others = modifier_analysis(thresholds.subset((base.covariates["rhythm"] != "three").to_numpy()), "A", "B", "rhythm")
    assert found.p_value == pytest.approx(others.p_value)


def test_few_captured_give_a_reason_instead_of_a_ratio(on_grid):
    base = patients(on_grid, seed=2)
    rows = np.flatnonzero((base.covariates["rhythm"] == "three") & (base.placement == "A") & np.isfinite(base.upper_ma))
    drop = np.zeros(len(base), dtype=bool)
    drop[rows[4:]] = True
    found = modifier_analysis(base.subset(~drop), "A", "B", "rhythm")
    assert found.left_out == ()
    assert found.df == 2
    reasons = {row.level: row.ratio.reason for row in found.rows}
    assert "fewer than 5" in reasons["three"]
    assert reasons["one"] == reasons["two"] == ""


def test_without_a_test_there_are_no_rows(on_grid):
    base = patients(on_grid, n=200)
    never = ((base.covariates["conscious"] == "yes") & (base.placement == "A")).to_numpy()
    thresholds = CensoredThresholds.from_bounds(
        np.where(never, 140, base.lower_ma),
        np.where(never, INF, base.upper_ma),
        None,
        base.placement,
        covariates=base.covariates.assign(same="x"),
    )
    with pytest.raises(NotEstimableError, match="only 'no' of conscious"):
        modifier_analysis(thresholds, "A", "B", "conscious")
    forest = subgroup_forest(thresholds, "A", "B", ["conscious", "same", "age_years"])
    assert [name for name, _ in forest.reasons] == ["conscious", "same"]
    assert {row.modifier for row in forest.rows} == {"age_years"}
    assert forest.n_tested == 1


@pytest.mark.parametrize("values", ["all above the cut points", "mostly one value"])
def test_number_that_falls_into_one_group(on_grid, values):
    """An obese cohort: one subgroup, whose ratio is that without a modifier; the line is tested all the same."""
    base = patients(on_grid)
    rng = np.random.default_rng(1)
    name, numbers = {
        "all above the cut points": ("body_mass_index", rng.uniform(31, 50, 400)),
        "mostly one value": ("shocks_before", np.where(rng.random(400) < 0.8, 0.0, rng.integers(1, 5, 400))),
    }[values]
    thresholds = CensoredThresholds.from_bounds(
        base.lower_ma, base.upper_ma, None, base.placement, covariates=pd.DataFrame({name: numbers})
    )
    forest = subgroup_forest(thresholds, "A", "B", [name])
    (row,) = forest.modifiers[0].rows
    assert row.ratio.value == pytest.approx(forest.overall.ratio.value)
    assert 0 < row.interaction_p < 1


def test_forest(on_grid):
    """Holm's correction from statsmodels; tertiles are cut where their labels say."""
    thresholds = patients(on_grid, interaction=0.02)
    names = ["body_mass_index", "age_years", "conscious", "rhythm"]
    forest = subgroup_forest(thresholds, "A", "B", names, adjust_for=["body_mass_index"])
    raw = [one.p_value for one in forest.modifiers]
    assert [one.p_holm for one in forest.modifiers] == pytest.approx(list(multipletests(raw, method="holm")[1]))
    assert forest.n_tested == 4
    assert forest.overall.n_first + forest.overall.n_minus == 400
    assert forest.overall.interaction_p is None
    assert forest.overall.ratio.lower < np.exp(-0.2) < forest.overall.ratio.upper
    ages = [row for row in forest.rows if row.modifier == "age_years"]
    cut = float(ages[0].level.removeprefix("below "))
    assert ages[0].n_first + ages[0].n_minus == int((thresholds.covariates["age_years"] < cut).sum())
    for one in forest.modifiers:
        assert sum(row.n_first + row.n_minus for row in one.rows) == 400


def test_what_cannot_be_a_modifier(on_grid):
    thresholds = patients(on_grid, n=60)
    only_b = np.where(thresholds.placement == "A", np.nan, 1.0 * np.arange(60))
    odd = thresholds.covariates.assign(pulse_width_ms=20.0, survived_30_days="yes", only_b=only_b, same="x")
    thresholds = CensoredThresholds.from_bounds(
        thresholds.lower_ma, thresholds.upper_ma, None, thresholds.placement, covariates=odd
    )
    for name, words in {
        "placement": "cannot modify itself",
        "pulse_width_ms": "not known before",
        "survived_30_days": "not known before",
        "nothing": "no covariate 'nothing'",
    }.items():
        with pytest.raises(UsageError, match=words):
            modifier_analysis(thresholds, "A", "B", name)
    with pytest.raises(NotEstimableError, match="no attempt with A placement has only_b"):
        modifier_analysis(thresholds, "A", "B", "only_b")
    with pytest.raises(NotEstimableError, match="only 'x' of same"):
        modifier_analysis(thresholds, "A", "B", "same")
    with pytest.raises(NotEstimableError, match="no attempt with C"):
        modifier_analysis(thresholds, "A", "C", "conscious")


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.2, 5))
def test_swapping_placements_inverts_and_the_unit_of_current_does_not_matter(seed, factor):
    base = patients(exact=True, n=60, seed=seed)
    scaled = CensoredThresholds.from_bounds(
        base.lower_ma * factor, base.upper_ma * factor, None, base.placement, covariates=base.covariates
    )
    one = modifier_analysis(base, "A", "B", "conscious")
    other = modifier_analysis(scaled, "B", "A", "conscious")
    assert one.p_value == pytest.approx(other.p_value, rel=1e-4)
    for a, b in zip(one.rows, other.rows, strict=True):
        assert (a.n_first, a.n_captured_minus) == (b.n_minus, b.n_captured_first)
        if a.ratio.value is not None:
            assert a.ratio.value * b.ratio.value == pytest.approx(1, rel=1e-6)
            assert a.ratio.lower * b.ratio.upper == pytest.approx(1, rel=1e-5)
