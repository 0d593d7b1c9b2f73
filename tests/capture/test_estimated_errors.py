"""Errors of judgement and thresholds together: Tenenbein's closed form, logistic regression, other optimisers."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, special

from capstat.capture.estimated_errors import (
    NEVER,
    ErrorModel,
    errors_of,
    estimate_errors,
    judgement_rates,
    profile_of,
    require_reference,
)
from capstat.capture.judged_ramps import JudgedRamps
from capstat.capture.judgement_errors import JudgementErrors
from capstat.capture.judgement_table import tabulate_ramps
from capstat.distributions import fit_npmle
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds

CURRENTS = np.array([40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 100.0])
ERRORS = JudgementErrors(0.9, 0.93, 1.2)


def simulated(n, seed, errors=ERRORS, reviewed=0.4, currents=CURRENTS):
    rng = np.random.default_rng(seed)
    threshold = np.exp(rng.normal(np.log(75), 0.25, n))
    captured = threshold[:, None] <= currents
    claimed = rng.random(captured.shape) < np.where(
        captured, errors.sensitivity, errors.false_claim_probability(currents)
    )
    seen = (rng.random(n) < reviewed)[:, None]
    tested = np.cumsum(claimed, axis=1) - claimed == 0
    row, column = np.nonzero(tested)
    return JudgedRamps.from_arrays(row, currents[column], claimed[tested], np.where(seen, captured, -1)[tested])


def single(counts):
    """Ramps of one setting: counts of (claimed, truth)."""
    rows = [key for key, times in counts.items() for _ in range(times)]
    claimed, truth = zip(*rows, strict=True)
    return JudgedRamps.from_arrays(np.arange(len(rows)), np.full(len(rows), 80.0), claimed, truth)


def share_captured(joint, current):
    return float(joint.masses.mass[joint.cells.intervals[:, 1] <= current].sum())


@pytest.mark.parametrize(
    "counts",
    [
        {(True, 1): 30, (True, 0): 5, (False, 1): 4, (False, 0): 21, (True, -1): 90, (False, -1): 70},
        # the reference looked at claims more often than at the rest: still what was judged decides
        {(True, 1): 40, (True, 0): 9, (False, 1): 2, (False, 0): 10, (True, -1): 20, (False, -1): 150},
    ],
)
def test_double_sampling_has_tenenbeins_closed_form(counts):
    """Tenenbein (1970, JASA 65:1350, from memory): P(T) = sum over y of P(y) P(T | y), Se and Sp by Bayes' rule."""
    n = sum(counts.values())
    q = sum(times for (claimed, _), times in counts.items() if claimed) / n
    a1 = counts[True, 1] / (counts[True, 1] + counts[True, 0])
    a0 = counts[False, 1] / (counts[False, 1] + counts[False, 0])
    p = q * a1 + (1 - q) * a0
    _, joint = estimate_errors(tabulate_ramps(single(counts)), ErrorModel())
    assert share_captured(joint, 80) == pytest.approx(p, abs=1e-5)
    assert joint.errors.sensitivity == pytest.approx(q * a1 / p, abs=1e-5)
    assert joint.errors.specificity == pytest.approx((1 - q) * (1 - a0) / (1 - p), abs=1e-5)


def test_claims_alone_reviewed_and_the_sensitivity_given():
    """By hand: P(claimed, captured) = q PPV = Se p, so p = q PPV / Se and 1 - Sp = q (1 - PPV) / (1 - p)."""
    counts = {(True, 1): 30, (True, 0): 10, (True, -1): 40, (False, -1): 120}
    table = tabulate_ramps(single(counts))
    _, joint = estimate_errors(table, ErrorModel(sensitivity=0.9))
    p = 0.4 * 0.75 / 0.9
    assert share_captured(joint, 80) == pytest.approx(p, abs=1e-5)
    assert joint.errors.sensitivity == pytest.approx(0.9, abs=1e-12)
    assert joint.errors.specificity == pytest.approx(1 - 0.4 * 0.25 / (1 - p), abs=1e-5)


def test_claims_alone_reviewed_in_ramps_recover_the_truth():
    """10,000 ramps, the reference only at the claimed setting of every ramp; thresholds and errors known."""
    errors = JudgementErrors(0.9, 0.95)
    full = simulated(10_000, 3, errors, reviewed=1.0)
    only = JudgedRamps.from_arrays(full.ramp, full.current_ma, full.claimed, np.where(full.claimed, full.truth, -1))
    _, joint = estimate_errors(tabulate_ramps(only), ErrorModel(sensitivity=0.9))
    assert joint.errors.specificity == pytest.approx(0.95, abs=0.005)
    assert share_captured(joint, 80) == pytest.approx(special.ndtr(np.log(80 / 75) / 0.25), abs=0.03)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("at", [(-2.0, -3.0, 0.1), (-3.5, -2.0, -0.2), (-1.5, -4.0, 0.0)])
def test_gradient_is_that_of_finite_differences(seed, at):
    """Reference: central differences of the maximised likelihood; the envelope theorem is not used there."""
    table = tabulate_ramps(simulated(80, seed))
    logits = np.array(at)
    profile = profile_of(table, ErrorModel(varies_with_current=True), logits)
    _, gradient, _ = profile.at(logits, table.count, None)
    for j in range(3):
        step = np.eye(3)[j] * 1e-4
        up, down = (profile.at(logits + side * step, table.count, None)[0] for side in (1, -1))
        assert gradient[j] == pytest.approx((up - down) / 2e-4, abs=2e-3)


@pytest.mark.parametrize("varies", [False, True])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_other_optimiser_gets_higher(seed, varies):
    """Reference: scipy's BFGS over errors and softmax masses at once, from three starts."""
    table = tabulate_ramps(simulated(100, seed))
    _, joint = estimate_errors(table, ErrorModel(varies_with_current=varies))
    cells = table.lower_ma.size

    def minus(x):
        miss, false_claim = judgement_rates(np.array([x[0], x[1], x[2] if varies else 0.0]), table.edges_ma)
        found = table.likelihood_of(1 - miss, false_claim)
        return -float(table.count @ (np.log(found.matrix @ special.softmax(x[3:])) + found.log_scale))

    rng = np.random.default_rng(seed)
    best = np.inf
    for _ in range(3):
        start = np.concatenate((rng.uniform(-3, -1.5, 2), [0.0], rng.normal(size=cells)))
        best = min(best, optimize.minimize(minus, start, method="L-BFGS-B", options={"maxiter": 500}).fun)
    assert joint.log_likelihood >= -best - 1e-6
    assert joint.log_likelihood == pytest.approx(-best, abs=0.05)
    assert joint.score < 1e-5


def test_everything_reviewed_separates_errors_from_thresholds():
    """Plain shares of judgements, and the ordinary estimate of the reference's intervals."""
    ramps = simulated(150, 4, JudgementErrors(0.9, 0.93), reviewed=1.0)
    _, joint = estimate_errors(tabulate_ramps(ramps), ErrorModel())
    captured = ramps.truth == 1
    assert joint.errors.sensitivity == pytest.approx(ramps.claimed[captured].mean(), abs=2e-5)
    assert joint.errors.specificity == pytest.approx(1 - ramps.claimed[~captured].mean(), abs=2e-5)
    wanted = fit_npmle(CensoredThresholds.from_bounds(ramps.lower_ma, ramps.upper_ma))
    for current in CURRENTS:
        low, high = wanted.capture_probability(current)
        assert low - 1e-5 <= share_captured(joint, current) <= high + 1e-5


def test_everything_reviewed_and_a_specificity_that_falls_is_a_logistic_regression():
    """Reference: statsmodels' binomial GLM of false claims on the current."""
    ramps = simulated(400, 5, JudgementErrors(0.9, 0.9, 1.4), reviewed=1.0)
    _, joint = estimate_errors(tabulate_ramps(ramps), ErrorModel(varies_with_current=True))
    absent = ramps.truth == 0
    design = sm.add_constant((ramps.current_ma[absent] - 80) / 10)
    theirs = sm.GLM(ramps.claimed[absent].astype(float), design, family=sm.families.Binomial()).fit()
    np.testing.assert_allclose(joint.logits[1:], theirs.params, atol=2e-3)
    assert joint.errors.odds_ratio_per_10_ma == pytest.approx(np.exp(theirs.params[1]), rel=2e-3)


def test_a_quarter_reviewed_recovers_the_truth():
    """8,000 ramps with errors known; four standard errors or so of each."""
    _, joint = estimate_errors(tabulate_ramps(simulated(8_000, 6, reviewed=0.25)), ErrorModel(varies_with_current=True))
    assert joint.errors.sensitivity == pytest.approx(0.9, abs=0.02)
    assert joint.errors.specificity == pytest.approx(0.93, abs=0.015)
    assert np.log(joint.errors.odds_ratio_per_10_ma) == pytest.approx(np.log(1.2), abs=0.12)
    for current in CURRENTS:
        true = special.ndtr(np.log(current / 75) / 0.25)
        assert share_captured(joint, current) == pytest.approx(true, abs=0.03)


def test_what_the_reference_never_tells_is_refused():
    def refused(counts, words, sensitivity=None):
        with pytest.raises(NotEstimableError, match=words):
            estimate_errors(tabulate_ramps(single(counts)), ErrorModel(sensitivity=sensitivity))

    refused({(True, -1): 5, (False, -1): 5}, "found captured by the reference, so the sensitivity")
    refused({(True, -1): 5, (False, -1): 5}, "without capture by the reference", 0.9)
    refused({(True, 1): 3, (True, 0): 1, (True, -1): 4, (False, -1): 9}, "only at claimed captures")
    refused({(True, 0): 5, (False, 0): 5, (False, -1): 5}, "found captured by the reference, so the sensitivity")
    # 2 of 10 captured and 8 of 10 absent settings were claimed
    refused({(True, 1): 2, (False, 1): 8, (True, 0): 8, (False, 0): 2}, "no better than chance")


def test_every_claim_upheld_puts_specificity_at_one():
    counts = {(True, 1): 20, (False, 0): 15, (False, 1): 3, (True, -1): 20, (False, -1): 15}
    _, joint = estimate_errors(tabulate_ramps(single(counts)), ErrorModel())
    # Tenenbein's form with P(T | claimed) = 1
    q, a0 = 40 / 73, 3 / 18
    assert joint.errors.specificity == 1
    assert joint.logits[1] == NEVER
    assert joint.errors.sensitivity == pytest.approx(q / (q + (1 - q) * a0), abs=1e-4)


def test_start_is_the_share_of_wrong_judgements_with_half_a_judgement_added():
    table = tabulate_ramps(single({(True, 1): 9, (False, 1): 1, (True, 0): 2, (False, 0): 8}))
    start = require_reference(table, ErrorModel(), table.count)
    np.testing.assert_allclose(special.expit(start[:2]), [1.5 / 11, 2.5 / 11])
    assert errors_of(np.array([NEVER, 0.0, np.log(2)])) == JudgementErrors(1.0, 0.5, 2.0)
    with pytest.raises(NotEstimableError, match="no better than chance"):
        errors_of(np.array([0.1, 0.1, 0.0]))
