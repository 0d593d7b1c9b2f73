"""Misjudgement that differs between placements: the ordinary regression, refits at the tipping point, known truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from lifelines import LogNormalAFTFitter
from scipy import optimize, stats
from statsmodels.tools.numdiff import approx_hess3

from capstat.capture.corrected_parametric import fit_corrected_groups
from capstat.capture.differential import differential_misjudgement
from capstat.capture.judged_ramps import JudgedRamps
from capstat.capture.judgement_errors import JudgementErrors
from capstat.distributions import LOGNORMAL, fit_regression
from capstat.results import NotEstimableError, UsageError

PERFECT_JUDGEMENT = JudgementErrors(1.0, 1.0)

CURRENTS = np.arange(40.0, 151.0, 10.0)
FRONT, BACK = "anterior-lateral", "anterior-posterior"
GOOD = JudgementErrors(0.95, 0.97)


def simulated(n, seed, of_front=GOOD, of_back=GOOD, ratio=1.0, *, reviewed=0.0, both=False):
    """``n`` ramps with each placement; ``ratio`` is that of the true thresholds, front over back."""
    rng = np.random.default_rng(seed)
    front = np.arange(2 * n) < n
    of_patient = np.tile(rng.normal(0, 0.2, n), 2) if both else rng.normal(0, 0.2, 2 * n)
    log_median = np.log(85) + np.where(front, np.log(ratio), 0.0)
    threshold = np.exp(log_median + of_patient + rng.normal(0, 0.12, 2 * n))
    captured = threshold[:, None] <= CURRENTS
    alarm = np.where(
        front[:, None], of_front.false_claim_probability(CURRENTS), of_back.false_claim_probability(CURRENTS)
    )
    sensitivity = np.where(front, of_front.sensitivity, of_back.sensitivity)[:, None]
    claimed = rng.random(captured.shape) < np.where(captured, sensitivity, alarm)
    tested = np.cumsum(claimed, axis=1) - claimed == 0
    row, column = np.nonzero(tested)
    truth = np.where((rng.random(2 * n) < reviewed)[:, None], captured, -1)
    return JudgedRamps.from_arrays(
        row, CURRENTS[column], claimed[tested], truth[tested],
        patient=np.tile(np.arange(n), 2) if both else np.arange(2 * n), placement=np.where(front, FRONT, BACK),
    )  # fmt: skip


def analysed(ramps, errors=GOOD, specificities=(0.97,), **more):
    return differential_misjudgement(ramps, FRONT, BACK, errors=errors, specificities=specificities, **more)


def numbers(estimate):
    return estimate.value, estimate.lower, estimate.upper


@pytest.mark.parametrize("both", [False, True])
def test_as_claimed_is_the_ordinary_regression(both):
    """Reference: the ordinary regression, itself checked against R; sandwich where patients have both placements."""
    ramps = simulated(80, 1, ratio=0.9, both=both)
    design = np.column_stack((np.ones(len(ramps)), ramps.placement == FRONT))
    ordinary = fit_regression(ramps.as_claimed(), design, ("(intercept)", "front"), family=LOGNORMAL)
    wanted = ordinary.ratio("front")
    for errors in (GOOD, PERFECT_JUDGEMENT):
        got = analysed(ramps, errors, (1.0,))
        assert numbers(got.as_claimed) == pytest.approx(numbers(wanted), rel=1e-4)
    # perfect judgement in both is also the starting point and the one point of the grid
    assert numbers(got.alike) == numbers(got.grid[0].ratio)
    assert numbers(got.alike) == pytest.approx(numbers(got.as_claimed), rel=1e-6)
    assert got.as_claimed.n == wanted.n
    assert got.as_claimed.direction == f"{FRONT} over {BACK}"


def test_as_claimed_against_lifelines():
    """Reference: lifelines 0.30, LogNormalAFTFitter.fit_interval_censoring."""
    ramps = simulated(120, 2, ratio=0.85)
    claimed = ramps.as_claimed()
    frame = pd.DataFrame({"low": np.maximum(claimed.lower_ma, 1e-6), "high": claimed.upper_ma,
                          "front": (claimed.placement == FRONT).astype(float)})  # fmt: skip
    theirs = LogNormalAFTFitter().fit_interval_censoring(frame, "low", "high")
    got = analysed(ramps).as_claimed
    assert np.log(got.value) == pytest.approx(theirs.params_["mu_", "front"], abs=1e-3)


def test_ratio_against_a_direct_maximisation():
    """Reference: products over judgements and scipy's Nelder-Mead; standard error by statsmodels' Hessian.

    The limits are those of Student's t with two coefficients, and the variance factor n / (n - 2).
    """
    of_front, of_back = JudgementErrors(0.95, 0.9, 1.1), JudgementErrors(0.95, 0.98, 1.1)
    ramps = simulated(100, 3, of_front, of_back)
    got = analysed(ramps, JudgementErrors(0.95, 0.98, 1.1), (0.9, 0.98))
    upper, lower = np.append(CURRENTS, np.inf), np.append(0.0, CURRENTS)

    def minus(x, of_first, of_minus):
        total = 0.0
        for errors, name, location in ((of_first, FRONT, x[0] + x[1]), (of_minus, BACK, x[0])):
            part = ramps.subset(ramps.placement == name)
            odds = (1 - errors.specificity) / errors.specificity * 1.1 ** ((part.current_ma - 80) / 10)
            yes = np.where(upper <= part.current_ma[:, None], 0.95, (odds / (1 + odds))[:, None])
            with np.errstate(divide="ignore"):
                edges = (np.log(np.array([lower, upper])) - location) / np.exp(x[2])
            like = np.tile(np.diff(stats.norm.cdf(edges), axis=0), (len(part), 1))
            np.multiply.at(like, part.ramp, np.where(part.claimed[:, None], yes, 1 - yes))
            total -= np.log(like.sum(axis=1)).sum()
        return total

    likelihoods = []
    options = {"xatol": 1e-8, "fatol": 1e-9, "maxiter": 4000}
    for point in got.grid:
        pair = tuple(JudgementErrors(0.95, s, 1.1) for s in (point.specificity_first, point.specificity_minus))
        found = optimize.minimize(minus, [4.4, 0.0, -1.4], args=pair, method="Nelder-Mead", options=options)
        likelihoods.append(-found.fun)
        error = np.sqrt(np.linalg.inv(approx_hess3(found.x, lambda x, pair=pair: minus(x, *pair)))[1, 1])
        captured = int(ramps.claimed.sum())
        reach = stats.t.ppf(0.975, captured - 2) * error * np.sqrt(captured / (captured - 2))
        wanted = np.exp(found.x[1] + np.array([0, -reach, reach]))
        assert numbers(point.ratio) == pytest.approx(wanted, rel=1e-3)
    np.testing.assert_allclose(
        [point.log_likelihood for point in got.grid], np.array(likelihoods) - max(likelihoods), atol=1e-4
    )


def test_the_grid_holds_every_pair_and_its_range():
    got = analysed(simulated(60, 4), specificities=(1.0, 0.95, 0.9))
    assert [(p.specificity_first, p.specificity_minus) for p in got.grid] == [
        (a, b) for a in (1.0, 0.95, 0.9) for b in (1.0, 0.95, 0.9)
    ]
    ratios = {(p.specificity_first, p.specificity_minus): p.ratio.value for p in got.grid}
    believable = [p.ratio.value for p in got.grid if p.log_likelihood >= -3]
    assert got.range_of_ratios == (min(believable), max(believable))
    assert len(believable) < len(ratios)
    # false captures make thresholds look low: the worse the judgement, the higher what is behind the same records
    assert ratios[0.9, 1.0] > ratios[1.0, 1.0] > ratios[1.0, 0.9]
    assert max(p.log_likelihood for p in got.grid) == 0
    # judgement alike at the starting point: the same fit as in the grid
    start = analysed(simulated(60, 4), JudgementErrors(0.95, 0.95), specificities=(0.95,))
    assert start.alike.value == pytest.approx(start.grid[0].ratio.value, rel=1e-9)


def refit(ramps, of_first, of_minus, level=0.95):
    parts = [ramps.subset(ramps.placement == name) for name in (FRONT, BACK)]
    fit = fit_corrected_groups(
        parts, np.array([[1.0, 1.0], [1.0, 0.0]]), ("(intercept)", "front"), family=LOGNORMAL,
        errors=(of_first, of_minus),
    )  # fmt: skip
    return fit.regression.ratio("front", level=level)


@pytest.mark.parametrize(("ratio", "worse"), [(0.85, FRONT), (1 / 0.85, BACK)])
def test_at_the_tipping_point_the_conclusion_changes(ratio, worse):
    """Refitted at it the limit, or the ratio, is 1; with judgement half a per cent better the conclusion stands."""
    errors = JudgementErrors(0.95, 0.97, 1.1)
    ramps = simulated(150, 5, errors, errors, ratio)
    got = analysed(ramps, errors)
    assert (got.alike.value < 1) == (worse == FRONT)
    limit, value = got.tipping
    assert (limit.placement, value.placement) == (worse, worse)
    assert value.specificity < limit.specificity < errors.specificity == limit.other == value.other

    def at(specificity):
        lost = JudgementErrors(errors.sensitivity, specificity, errors.odds_ratio_per_10_ma)
        return refit(ramps, lost, errors) if worse == FRONT else refit(ramps, errors, lost)

    assert at(value.specificity).value == pytest.approx(1, abs=2e-3)
    near = at(limit.specificity)
    assert (near.upper if worse == FRONT else near.lower) == pytest.approx(1, abs=2e-3)
    stands = at(limit.specificity + 0.005)
    assert stands.upper < 1 if worse == FRONT else stands.lower > 1


def test_a_ratio_that_no_loss_explains_has_no_tipping_point():
    """A ratio of 0.5 in 300 patients; further loss makes the judgement no better than chance first."""
    errors = JudgementErrors(0.95, 0.97, 1.3)
    got = analysed(simulated(150, 6, errors, errors, 0.5), errors)
    assert got.tipping[1].specificity is None
    assert got.tipping[1].placement == FRONT


def test_no_tipping_point_where_nothing_was_concluded():
    got = analysed(simulated(40, 7))
    assert got.alike.lower < 1 < got.alike.upper
    assert got.tipping == ()


def test_equal_thresholds_and_judgement_that_differs():
    """1,000 ramps with each placement, true ratio 1: as claimed a ratio that is not there; at the true errors none."""
    of_front, of_back = JudgementErrors(0.95, 0.9), JudgementErrors(0.95, 0.99)
    ramps = simulated(1000, 8, of_front, of_back)
    got = analysed(ramps, of_back, (0.9, 0.99))
    assert got.as_claimed.upper < 0.95
    assert got.alike.upper < 1
    true = {(p.specificity_first, p.specificity_minus): p for p in got.grid}[0.9, 0.99]
    assert true.ratio.lower < 1 < true.ratio.upper
    assert true.ratio.value == pytest.approx(1, abs=0.04)
    # and the ratio is 1 near the true specificity: about two standard errors of it
    assert got.tipping[1].specificity == pytest.approx(0.9, abs=0.03)


@pytest.mark.slow
def test_the_interval_at_the_true_errors_covers_one():
    """400 studies of 100 ramps with each placement: the interval held 1 in 94.5 %, as claimed in 3.7 %; 95 % by the binomial at 99.9 %."""
    of_front, of_back = JudgementErrors(0.95, 0.92), JudgementErrors(0.95, 0.99)
    corrected, claimed = [], []
    for seed in range(400):
        ramps = simulated(100, 1000 + seed, of_front, of_back)
        at_truth = refit(ramps, of_front, of_back)
        corrected.append(at_truth.lower < 1 < at_truth.upper)
        believed = refit(ramps, PERFECT_JUDGEMENT, PERFECT_JUDGEMENT)
        claimed.append(believed.lower < 1 < believed.upper)
    assert stats.binomtest(sum(corrected), 400, 0.95).pvalue > 0.001
    assert np.mean(claimed) < 0.7


def test_patients_with_both_placements_are_one_cluster():
    """Correlated thresholds of one patient cancel in the ratio: the interval of the clustered fit is narrower."""
    together = simulated(200, 9, both=True)
    apart = JudgedRamps.from_arrays(
        together.ramp, together.current_ma, together.claimed, placement=together.placement
    )  # fmt: skip
    a, b = analysed(together).alike, analysed(apart).alike
    assert a.value == pytest.approx(b.value, rel=1e-6)
    assert (a.n, b.n) == (200, 400)
    assert np.log(a.upper / a.lower) < 0.9 * np.log(b.upper / b.lower)


def test_a_reference_plays_no_part():
    ramps = simulated(60, 10, reviewed=0.5)
    a, b = analysed(ramps), analysed(ramps.without_reference())
    assert (a.as_claimed, a.alike, a.grid, a.tipping) == (b.as_claimed, b.alike, b.grid, b.tipping)


def test_pairs_without_a_ratio_say_why():
    got = analysed(simulated(60, 11), specificities=(0.97, 0.04))
    without = [p for p in got.grid if 0.04 in (p.specificity_first, p.specificity_minus)]
    assert len(without) == 3
    assert all(p.ratio is None and p.log_likelihood is None and "chance" in p.reason for p in without)
    assert got.range_of_ratios == (got.alike.value, got.alike.value)


def test_what_cannot_be_compared_is_refused():
    ramps = simulated(30, 12)
    with pytest.raises(NotEstimableError, match="No ramp with apex pads"):
        differential_misjudgement(ramps, FRONT, "apex", errors=GOOD, specificities=(0.97,))
    with pytest.raises(NotEstimableError, match="No pair of specificities gives a ratio"):
        analysed(ramps, specificities=(0.04,))
    # from 110 mA on 0.4 / 0.6 times 1.3 ** 3 is more than even odds: more than a sensitivity of 0.6 only at 120 mA
    with pytest.raises(UsageError, match="At 120 mA a false capture would be at least as probable"):
        analysed(ramps, JudgementErrors(0.6, 0.6, 1.3), (0.99,))
