"""Signs without a reference: Hui and Walter (r10), R (r11), simulated ramps with a known truth, and edge cases."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capstat.capture.latent_dependence import dependence_sensitivity, fit_with_dependent_pair
from capstat.capture.latent_signs import fit_signs
from capstat.results import NotEstimableError, UsageError

SENSITIVITY = np.array([0.9, 0.8, 0.85, 0.75])
FALSE_POSITIVE = np.array([0.1, 0.2, 0.15, 0.1])
NAMES = ["femoral_pulse", "carotid_pulse", "ultrasound", "arterial_line"]


def ramps(patients, steps, signs, rng, repeats=0.0):
    """Ramps over even thresholds: half of the steps capture; the second sign sometimes repeats the first."""
    captured = ((np.arange(steps) + 0.5) / steps >= rng.random((patients, 1))).ravel()
    yes = np.where(captured[:, None], SENSITIVITY[:signs], FALSE_POSITIVE[:signs])
    values = (rng.random((captured.size, signs)) < yes).astype(float)
    values[:, 1] = np.where(rng.random(captured.size) < repeats, values[:, 0], values[:, 1])
    return values, np.repeat(np.arange(patients), steps)


def estimates(result):
    return [*result.prevalence, *result.sensitivity, *result.specificity]


def numbers(result):
    return np.array([estimate.value for estimate in estimates(result)])


@pytest.mark.reference
def test_hui_and_walters_model_with_groups(reference):
    case = reference("r10")
    values = np.repeat([[1, 1], [1, 0], [0, 1], [0, 0]] * 2, np.ravel(case.data["hui_walter"]["counts"]), axis=0)
    group = np.repeat(["school", "sanatorium"], np.sum(case.data["hui_walter"]["counts"], axis=1))
    got = fit_signs(values, ["one", "two"], np.arange(len(values)), group=group, replicates=50, seed=1)
    assert got.groups == ("sanatorium", "school")
    by_group = dict(zip(got.groups, got.prevalence, strict=True))
    case.check(
        "hui_walter.estimate",
        [by_group["school"].value, by_group["sanatorium"].value, *(e.value for e in got.sensitivity),
         *(1 - e.value for e in got.specificity)],
    )  # fmt: skip
    assert (got.parameters, got.facts) == (6, 6)
    assert got.fit.value is None
    assert "just identified" in got.identified


@pytest.mark.reference
def test_pair_with_covariances_in_groups(reference):
    case = reference("r11")
    rows = np.array([[np.nan if c == "." else int(c) for c in row] for row in case.data["rows"]])
    got = fit_with_dependent_pair(
        rows[:, 1:], NAMES, np.arange(len(rows)), ("carotid_pulse", "femoral_pulse"), group=rows[:, 0], replicates=40,
        seed=1,
    )  # fmt: skip
    for name, model in (("independent", got.independent), ("dependent", got.dependent)):
        case.check(f"{name}.log_likelihood", model.log_likelihood)
        case.check(f"{name}.share", [e.value for e in model.prevalence])
        case.check(f"{name}.sensitivity", [e.value for e in model.sensitivity])
        case.check(f"{name}.false_positive", [1 - e.value for e in model.specificity])
    p = np.array(
        [[1 - e.value for e in got.dependent.specificity[:2]], [e.value for e in got.dependent.sensitivity[:2]]]
    )
    spread = np.sqrt(np.prod(p * (1 - p), axis=1))
    case.check("dependent.covariance", np.array([e.value for e in got.correlation]) * spread)
    gain = 2 * (got.dependent.log_likelihood - got.independent.log_likelihood)
    assert got.likelihood_ratio.value == pytest.approx(gain)
    # two more parameters, and BIC counts rows
    assert got.bic_gain == pytest.approx(gain - 2 * np.log(400))
    assert got.likelihood_ratio.p_value <= 2 / 41


def test_truth_is_found_in_a_large_simulated_study():
    values, patient = ramps(4000, 5, 4, np.random.default_rng(1))
    values[np.random.default_rng(2).random(values.shape) < 0.15] = np.nan
    got = fit_signs(values, NAMES, patient, replicates=50, seed=1)
    np.testing.assert_allclose(numbers(got), [0.5, *SENSITIVITY, *(1 - FALSE_POSITIVE)], atol=0.02)
    for estimate in estimates(got):
        assert estimate.lower < estimate.value < estimate.upper
    assert (got.parameters, got.facts, got.local.rank) == (9, 15, 9)
    assert got.reached > 30


def test_limits_hold_the_truth_in_most_simulated_studies():
    rng = np.random.default_rng(7)
    truth = np.array([0.5, *SENSITIVITY[:3], *(1 - FALSE_POSITIVE[:3])])
    held = []
    for seed in range(40):
        got = fit_signs(*with_names(ramps(60, 5, 3, rng)), replicates=100, seed=seed)
        held += [e.lower <= t <= e.upper for e, t in zip(estimates(got), truth, strict=True) if e.lower is not None]
    # 280 limits that should hold 95 %; the bound is four standard errors below, with studies as units
    assert np.mean(held) > 0.87


def with_names(study):
    values, patient = study
    return values, NAMES[: values.shape[1]], patient


def test_same_seed_same_result():
    study = with_names(ramps(30, 5, 4, np.random.default_rng(3)))
    one, two = (fit_signs(*study, replicates=30, seed=5) for _ in range(2))
    assert estimates(one) == estimates(two)
    assert one.fit == two.fit


def test_clustered_patients_widen_the_limits():
    """Every step four times over: as many patients, four times the rows, no more information."""
    values, patient = ramps(80, 2, 3, np.random.default_rng(5))
    once = fit_signs(values, NAMES[:3], patient, seed=1)
    often = fit_signs(np.tile(values, (4, 1)), NAMES[:3], np.tile(patient, 4), seed=1)
    np.testing.assert_allclose(numbers(once), numbers(often), atol=1e-5)
    for one, two in zip(estimates(once), estimates(often), strict=True):
        assert two.upper - two.lower == pytest.approx(one.upper - one.lower, rel=0.05)


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10**6), st.permutations(range(3)))
def test_order_of_signs_does_not_matter(seed, order):
    values, patient = ramps(60, 5, 3, np.random.default_rng(seed))
    order = list(order)
    one = fit_signs(values, NAMES[:3], patient, replicates=5, seed=1)
    two = fit_signs(values[:, order], [NAMES[i] for i in order], patient, replicates=5, seed=1)
    assert one.log_likelihood == pytest.approx(two.log_likelihood, abs=1e-6)


def test_two_signs_in_one_group_are_refused():
    values, patient = ramps(50, 5, 2, np.random.default_rng(1))
    with pytest.raises(NotEstimableError, match="third sign, or groups"):
        fit_signs(values, NAMES[:2], patient, seed=1)


def test_groups_with_the_same_table_are_not_identified():
    values, patient = ramps(50, 5, 2, np.random.default_rng(1))
    group = np.repeat(["ap", "al"], len(values))
    got = fit_signs(np.tile(values, (2, 1)), NAMES[:2], np.tile(patient, 2), group=group, replicates=20, seed=1)
    assert got.local.rank < got.local.interior
    for estimate in estimates(got):
        assert estimate.value is None
        assert "cannot tell" in estimate.reason


def test_a_sign_that_never_varies_or_was_never_looked_for_is_left_out():
    values, patient = ramps(60, 5, 3, np.random.default_rng(2))
    wide = np.column_stack([values, np.ones(len(values)), np.full(len(values), np.nan)])
    names = [*NAMES[:3], "oximetry_waveform", "qrs_with_t_wave"]
    got = fit_signs(wide, names, patient, replicates=20, seed=1)
    plain = fit_signs(values, NAMES[:3], patient, replicates=20, seed=1)
    assert got.sensitivity[:3] == plain.sensitivity
    assert "always said yes" in got.sensitivity[3].reason
    assert "never looked for" in got.specificity[4].reason
    with pytest.raises(NotEstimableError, match="two signs that say both"):
        fit_signs(wide[:, [0, 3, 4]], [names[i] for i in (0, 3, 4)], patient, seed=1)


def test_identical_signs_are_told_and_stand_on_the_boundary():
    values, patient = ramps(60, 5, 3, np.random.default_rng(2))
    values[:, 1] = values[:, 0]
    got = fit_signs(values, NAMES[:3], patient, replicates=50, seed=1)
    assert any("never differed" in note for note in got.notes)
    for estimate in (*got.sensitivity[:2], *got.specificity[:2]):
        assert estimate.value == 1
        assert any("boundary" in note for note in estimate.notes)
        assert estimate.lower is None


def test_few_rows_and_one_patient():
    values, patient = ramps(60, 5, 3, np.random.default_rng(2))
    with pytest.raises(NotEstimableError, match="Only 5 steps"):
        fit_signs(np.array([[1, 1, 0], [0, 0, 0], [1, 0, 1], [0, 1, 0], [1, 1, 1]]), NAMES[:3], np.arange(5), seed=1)
    got = fit_signs(values, NAMES[:3], np.zeros_like(patient), seed=1)
    assert all(e.value is not None and e.lower is None for e in estimates(got))
    assert any("one patient" in note for note in got.notes)


def test_a_sign_that_contradicts_the_others_is_told():
    values, patient = ramps(200, 5, 4, np.random.default_rng(2))
    values[:, 3] = 1 - values[:, 3]
    got = fit_signs(values, NAMES, patient, replicates=20, seed=1)
    assert any("yes is rarer for: arterial_line" in note for note in got.notes)


@pytest.mark.parametrize(
    ("values", "names", "match"),
    [
        (np.ones((4, 2)), ["a", "b", "c"], "one column for each name"),
        (np.ones((4, 2)), ["a", "a"], "named twice"),
        (np.full((4, 2), 2.0), ["a", "b"], "not 1"),
    ],
)
def test_wrong_tables_are_refused(values, names, match):
    with pytest.raises(UsageError, match=match):
        fit_signs(values, names, np.arange(4), seed=1)


def test_dependent_signs_spoil_the_plain_model_and_the_test_of_fit_sees_it():
    values, patient = ramps(600, 5, 4, np.random.default_rng(4), repeats=0.5)
    pair = ("femoral_pulse", "carotid_pulse")
    got = fit_with_dependent_pair(values, NAMES, patient, pair, replicates=60, seed=1)
    # the first sign keeps its accuracy in the simulation; the plain model overstates it
    assert got.independent.sensitivity[0].value > 0.9 + 0.02
    assert got.dependent.sensitivity[0].value == pytest.approx(0.9, abs=0.03)
    assert got.independent.fit.p_value <= 2 / 61
    assert got.dependent.fit.p_value > 0.05
    assert got.likelihood_ratio.p_value <= 2 / 61
    assert got.bic_gain > 10


def test_a_dependent_pair_needs_a_fourth_sign_and_two_names():
    values, patient = ramps(60, 5, 3, np.random.default_rng(4))
    with pytest.raises(NotEstimableError, match="fourth sign"):
        fit_with_dependent_pair(values, NAMES[:3], patient, ("femoral_pulse", "carotid_pulse"), seed=1)
    with pytest.raises(UsageError, match="no sign pulse"):
        fit_with_dependent_pair(values, NAMES[:3], patient, ("femoral_pulse", "pulse"), seed=1)
    with pytest.raises(UsageError, match="two different"):
        dependence_sensitivity(values, NAMES[:3], patient, ("femoral_pulse", "femoral_pulse"), seed=1)


def test_assumed_correlation_moves_the_answer_to_the_truth():
    """40 % of the second answers repeat the first; the correlation is then 0.33 in both classes."""
    values, patient = ramps(4000, 5, 3, np.random.default_rng(6), repeats=0.4)
    pair = ("femoral_pulse", "carotid_pulse")
    points = dependence_sensitivity(values, NAMES[:3], patient, pair, (0.0, 0.33, 0.95), seed=1)
    plain = fit_signs(values, NAMES[:3], patient, replicates=5, seed=1)
    assert points[0].sensitivity == pytest.approx([e.value for e in plain.sensitivity], abs=1e-3)
    assert points[0].sensitivity[0] > 0.92
    assert points[1].sensitivity[0] == pytest.approx(0.9, abs=0.02)
    assert points[1].specificity[2] == pytest.approx(0.85, abs=0.03)
    # three signs cannot tell 0 from 0.33, but 0.95 is out of the question
    assert points[0].misfit < 0.01
    assert points[1].misfit < 0.01
    assert points[2].misfit > 100
    with pytest.raises(UsageError, match="between -1 and 1"):
        dependence_sensitivity(values, NAMES[:3], patient, pair, (1.0,), seed=1)


@pytest.mark.slow
@pytest.mark.parametrize(("patients", "least"), [(20, 0.9), (60, 0.91), (200, 0.92)])
def test_coverage_of_limits(patients, least):
    """95 % limits in 500 studies of three signs and five steps in a patient."""
    rng = np.random.default_rng(patients)
    truth = np.array([0.5, *SENSITIVITY[:3], *(1 - FALSE_POSITIVE[:3])])
    held = []
    for seed in range(500):
        got = fit_signs(*with_names(ramps(patients, 5, 3, rng)), seed=seed)
        held += [e.lower <= t <= e.upper for e, t in zip(estimates(got), truth, strict=True) if e.lower is not None]
    assert np.mean(held) > least


@pytest.mark.slow
def test_size_of_the_test_of_fit_with_several_steps_in_a_patient():
    """That captures come in runs leaves the test of fit alone: 5 % of 200 studies, less and more three standard errors."""
    rng = np.random.default_rng(11)
    p = [fit_signs(*with_names(ramps(60, 5, 4, rng)), replicates=99, seed=seed).fit.p_value for seed in range(200)]
    assert 0.005 < np.mean(np.array(p) <= 0.05) < 0.1
