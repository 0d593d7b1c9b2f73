"""Nonparametric estimate from misjudged ramps: the ordinary estimate, Rogan and Gladen, EM, and invariances."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from capstat.capture.corrected_npmle import fit_misjudged, maximise_cells, spread_mass, threshold_cells
from capstat.capture.judged_ramps import JudgedRamps
from capstat.capture.judgement_errors import JudgementErrors
from capstat.capture.judgement_table import tabulate_ramps
from capstat.distributions import fit_npmle
from capstat.results import UsageError

PERFECT_JUDGEMENT = JudgementErrors(1.0, 1.0)

CURRENTS = np.array([40.0, 50.0, 60.0, 70.0, 80.0, 90.0])
ERRORS = JudgementErrors(0.9, 0.93, 1.15)


def simulated(n, seed, errors=ERRORS, reviewed=0.0, currents=CURRENTS):
    rng = np.random.default_rng(seed)
    threshold = np.exp(rng.normal(np.log(65), 0.25, n))
    captured = threshold[:, None] <= currents
    claimed = rng.random(captured.shape) < np.where(
        captured, errors.sensitivity, errors.false_claim_probability(currents)
    )
    seen = (rng.random(n) < reviewed)[:, None]
    tested = np.cumsum(claimed, axis=1) - claimed == 0
    row, column = np.nonzero(tested)
    return JudgedRamps.from_arrays(row, currents[column], claimed[tested], np.where(seen, captured, -1)[tested])


def fitted(ramps, errors):
    return fit_misjudged(tabulate_ramps(ramps), errors, ramps.n_patients)


SIMPLE = st.lists(
    st.tuples(st.sets(st.sampled_from(CURRENTS.tolist()), min_size=1), st.booleans()), min_size=1, max_size=12
)


def rising(simple):
    """A ramp through some of the currents, claimed or not at its last."""
    rows = [(i, c, bool(end and k == len(own) - 1)) for i, (own, end) in enumerate(simple)
            for k, c in enumerate(sorted(own))]  # fmt: skip
    return JudgedRamps.from_arrays(*zip(*rows, strict=True))


@given(SIMPLE)
@settings(max_examples=150, deadline=None)
def test_perfect_judgement_gives_the_ordinary_estimate(simple):
    """Reference: the ordinary estimate, itself checked against recorded cases."""
    ramps = rising(simple)
    got, wanted = fitted(ramps, PERFECT_JUDGEMENT), fit_npmle(ramps.as_claimed())
    np.testing.assert_array_equal(got.support, wanted.support)
    np.testing.assert_allclose(got.mass, wanted.mass, atol=1e-6)
    assert got.log_likelihood == pytest.approx(wanted.log_likelihood, abs=1e-7)
    assert (got.n, got.n_patients, got.unique) == (wanted.n, wanted.n_patients, wanted.unique)


@given(st.integers(0, 40), st.integers(0, 40), st.floats(0.6, 1.0), st.floats(0.6, 1.0))
@settings(max_examples=100, deadline=None)
def test_one_setting_is_the_estimator_of_rogan_and_gladen(claimed, refused, sensitivity, specificity):
    """Rogan & Gladen (1978, Am J Epidemiol 107:71, from memory): (q + Sp - 1) / (Se + Sp - 1), clipped to 0 and 1."""
    n = claimed + refused
    if n == 0 or (specificity == 1 and sensitivity == 1):
        return
    ramps = JudgedRamps.from_arrays(np.arange(n), np.full(n, 80.0), np.arange(n) < claimed)
    fit = fitted(ramps, JudgementErrors(sensitivity, specificity))
    wanted = np.clip((claimed / n + specificity - 1) / (sensitivity + specificity - 1), 0, 1)
    low, high = fit.capture_probability(80.0)
    assert low == high == pytest.approx(wanted, abs=1e-6)


def em(matrix, count, steps):
    """Plain EM for mixing proportions (Dempster, Laird & Rubin 1977)."""
    mass = np.full(matrix.shape[1], 1 / matrix.shape[1])
    for _ in range(steps):
        joint = matrix * mass
        mass = count @ (joint / joint.sum(axis=1, keepdims=True)) / count.sum()
    return mass


@pytest.mark.parametrize("reviewed", [0.0, 0.4])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_neither_em_nor_another_optimiser_gets_higher(seed, reviewed):
    """References: EM over all cells, 20,000 steps; scipy's SLSQP on the simplex.  The likelihood is multiplied out here."""
    ramps = simulated(80, seed, reviewed=reviewed)
    table = tabulate_ramps(ramps)
    found = table.likelihood(ERRORS)
    full = found.matrix * np.exp(found.log_scale)[:, None]
    fit = fitted(ramps, ERRORS)
    by_em = float(table.count @ np.log(full @ em(full, table.count, 20_000)))
    n = len(ramps)
    by_slsqp = optimize.minimize(
        lambda p: -table.count @ np.log(np.maximum(full @ p, 1e-300)) / n,
        np.full(full.shape[1], 1 / full.shape[1]),
        jac=lambda p: -(table.count / np.maximum(full @ p, 1e-300)) @ full / n,
        method="SLSQP", bounds=[(0, 1)] * full.shape[1],
        constraints={"type": "eq", "fun": lambda p: p.sum() - 1, "jac": np.ones_like}, options={"ftol": 1e-14},
    )  # fmt: skip
    assert fit.log_likelihood >= by_em - 1e-8
    assert fit.log_likelihood >= -n * by_slsqp.fun - 1e-6
    assert fit.log_likelihood == pytest.approx(by_em, abs=1e-4)
    assert fit.log_likelihood == pytest.approx(-n * by_slsqp.fun, abs=1e-4)


@pytest.mark.parametrize("seed", range(5))
def test_certificate_holds_over_all_cells_of_the_table(seed):
    """The gradient over every cell, joined or dominated ones too, is computed here."""
    ramps = simulated(150, seed)
    table = tabulate_ramps(ramps)
    found = table.likelihood(ERRORS)
    fit = fitted(ramps, ERRORS)
    assert fit.optimality_gap < 1e-8
    full = np.zeros(table.lower_ma.size)
    full[np.searchsorted(table.lower_ma, fit.support[:, 0])] = fit.mass
    mixed = found.matrix @ full
    assert fit.log_likelihood == pytest.approx(float(table.count @ (np.log(mixed) + found.log_scale)), abs=1e-8)
    assert ((table.count / mixed) @ found.matrix).max() / len(ramps) <= 1 + 1e-7


def test_a_share_never_captured_is_mass_above_the_highest_setting():
    """Rogan and Gladen again: of ramps of one setting 30 of 100 are claimed, Se 0.9 and Sp 0.95: 25 / 85 captured."""
    ramps = JudgedRamps.from_arrays(np.arange(100), np.full(100, 140.0), np.arange(100) < 30)
    fit = fitted(ramps, JudgementErrors(0.9, 0.95))
    assert fit.support.tolist() == [[0, 140], [140, np.inf]]
    np.testing.assert_allclose(fit.mass, [0.25 / 0.85, 0.60 / 0.85], rtol=1e-7)
    assert fit.capture_current(0.5) is None


def test_order_labels_and_copies_do_not_matter():
    ramps = simulated(60, 4, reviewed=0.3)
    table_fit = fitted(ramps, ERRORS)
    rng = np.random.default_rng(1)
    parts = rng.permutation(60)
    steps = np.concatenate([np.flatnonzero(ramps.ramp == p) for p in parts])
    lengths = np.bincount(ramps.ramp)[parts]
    rows = np.repeat(np.arange(60), lengths)
    mixed = JudgedRamps.from_arrays(
        rows, ramps.current_ma[steps], ramps.claimed[steps], ramps.truth[steps], patient=[f"x{p}" for p in parts]
    )
    copies = 3
    many = JudgedRamps.from_arrays(
        np.concatenate([rows + 60 * k for k in range(copies)]), np.tile(ramps.current_ma[steps], copies),
        np.tile(ramps.claimed[steps], copies), np.tile(ramps.truth[steps], copies),
        patient=np.tile(np.arange(60), copies),
    )  # fmt: skip
    for other, times in ((mixed, 1), (many, copies)):
        fit = fitted(other, ERRORS)
        np.testing.assert_array_equal(fit.support, table_fit.support)
        np.testing.assert_allclose(fit.mass, table_fit.mass, atol=1e-6)
        assert fit.log_likelihood == pytest.approx(times * table_fit.log_likelihood, rel=1e-9)
        assert (fit.n, fit.n_patients) == (60 * times, 60)


def test_units_do_not_matter():
    """Twice every current: the same masses at twice the currents."""
    errors = JudgementErrors(0.9, 0.95)
    small = simulated(60, 5, errors)
    large = JudgedRamps.from_arrays(small.ramp, 2 * small.current_ma, small.claimed)
    a, b = fitted(small, errors), fitted(large, errors)
    np.testing.assert_array_equal(b.support, 2 * a.support)
    np.testing.assert_allclose(b.mass, a.mass, atol=1e-7)


def test_correction_moves_the_curve_to_the_truth():
    """20,000 ramps, thresholds lognormal: scipy's normal distribution function; as claimed shares are 0.03 to 0.07 too high."""
    ramps = simulated(20_000, 6)
    corrected, claimed = fitted(ramps, ERRORS), fit_npmle(ramps.as_claimed())
    true = stats.norm.cdf(np.log(CURRENTS / 65) / 0.25)
    np.testing.assert_allclose(corrected.capture_probability(CURRENTS)[0], true, atol=0.02)
    assert np.all(claimed.capture_probability(CURRENTS)[0][:4] > true[:4] + 0.03)


@given(SIMPLE, st.floats(0.7, 0.99), st.floats(0.7, 0.99))
@settings(max_examples=60, deadline=None)
def test_dropping_dominated_cells_loses_no_likelihood(simple, sensitivity, specificity):
    table = tabulate_ramps(rising(simple))
    matrix = table.likelihood(JudgementErrors(sensitivity, specificity)).matrix
    values = []
    for drop in (False, True):
        cells = threshold_cells(table, matrix, drop_dominated=drop)
        fit = maximise_cells(matrix[:, cells.first], table.count)
        values.append(fit.log_likelihood)
        full = spread_mass(cells, fit.mass, matrix.shape[1])
        assert full.sum() == pytest.approx(1)
        assert float(table.count @ np.log(matrix @ full)) == pytest.approx(fit.log_likelihood, abs=1e-9)
    assert values[0] == pytest.approx(values[1], abs=1e-7)


def test_cells_that_no_ramp_tells_apart_are_joined():
    """By hand: with judgements that are never wrong, failing at 70 says all that failing at 50 says."""
    failed = tabulate_ramps(JudgedRamps.from_arrays([0, 0], [50.0, 70.0], [False, False]))
    for errors, wanted in (
        (PERFECT_JUDGEMENT, [[0, 70], [70, np.inf]]),
        (JudgementErrors(0.9, 0.9), [[0, 50], [50, 70], [70, np.inf]]),
    ):
        cells = threshold_cells(failed, failed.likelihood(errors).matrix, drop_dominated=False)
        assert cells.intervals.tolist() == wanted


def test_contradictions_of_perfect_judgement_are_refused():
    ramps = JudgedRamps.from_arrays([0, 0], [60.0, 50.0], [False, True])
    with pytest.raises(UsageError, match="contradict"):
        fitted(ramps, PERFECT_JUDGEMENT)


@pytest.mark.reference
@pytest.mark.parametrize("name", ["stopping", "with_gaps"])
def test_error_prone_tests_of_a_silent_event(reference, name):
    """Reference: icensmis (r13), the same likelihood in time instead of current."""
    case = reference("r13")
    data = case.data[name]
    ramp, current, claimed = np.array(data["judgements"]).T
    _, row = np.unique(ramp, return_inverse=True)
    table = tabulate_ramps(JudgedRamps.from_arrays(row, current.astype(float), claimed == 1))
    errors = JudgementErrors(data["sensitivity"], data["specificity"])
    fit = fit_misjudged(table, errors, len(np.unique(ramp)))
    case.check(f"{name}.log_likelihood", fit.log_likelihood)
    captured = np.array([fit.mass[fit.support[:, 1] <= edge].sum() for edge in table.edges_ma])
    case.check(f"{name}.not_captured", 1 - captured)
