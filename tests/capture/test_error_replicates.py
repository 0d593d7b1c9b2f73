"""Bootstrap refits of the errors of judgement: closed forms, Jeffreys' posterior, and a direct search by scipy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, special, stats

from capstat.capture.error_replicates import LOWEST_START, draw_added, prepare_replicates, refit_replicate
from capstat.capture.estimated_errors import NEVER, ErrorModel, estimate_errors, profile_of, refit_errors
from capstat.capture.judged_ramps import JudgedRamps
from capstat.capture.judgement_errors import JudgementErrors
from capstat.capture.judgement_table import tabulate_ramps
from capstat.results import NotEstimableError

CURRENTS = np.array([50.0, 60.0, 70.0, 80.0, 90.0, 100.0])
NONE_ADDED = np.zeros((2, 2))


def simulated(n, seed, errors=None, reviewed=0.4):
    errors = errors or JudgementErrors(0.88, 0.92, 1.2)
    rng = np.random.default_rng(seed)
    captured = np.exp(rng.normal(np.log(75), 0.22, n))[:, None] <= CURRENTS
    claimed = rng.random(captured.shape) < np.where(
        captured, errors.sensitivity, errors.false_claim_probability(CURRENTS)
    )
    tested = np.cumsum(claimed, axis=1) - claimed == 0
    truth = np.where((rng.random(n) < reviewed)[:, None], captured, -1)
    row, column = np.nonzero(tested)
    return JudgedRamps.from_arrays(row, CURRENTS[column], claimed[tested], truth[tested])


def single(counts):
    """Ramps of one setting at 80 mA: counts of (claimed, truth)."""
    rows = [key for key, times in counts.items() for _ in range(times)]
    claimed, truth = zip(*rows, strict=True)
    return JudgedRamps.from_arrays(np.arange(len(rows)), np.full(len(rows), 80.0), claimed, truth)


REVIEWED = {(True, 1): 40, (False, 1): 6, (True, 0): 5, (False, 0): 30}
PARTLY = REVIEWED | {(True, -1): 60, (False, -1): 50}


def with_added(ramps):
    """The ramps, and four more of one reviewed setting at 80 mA that say nothing of the threshold."""
    n = len(ramps)
    every = JudgedRamps.from_arrays(
        np.concatenate((ramps.ramp, n + np.arange(4))),
        np.concatenate((ramps.current_ma, np.full(4, 80.0))),
        np.concatenate((ramps.claimed, [False, True, True, False])),
        np.concatenate((ramps.truth, [1, 1, 0, 0])),
        known_ma=(np.append(ramps.lower_ma, np.zeros(4)), np.append(ramps.upper_ma, np.full(4, np.inf))),
    )
    return every, n


def by_scipy(ramps, of_ramp, added, varies):
    """Largest joint likelihood of weighted ramps and added judgements; a product over judgements, softmax masses.

    Returns the logits and, for the scale of the comparison, their standard errors from a numerical Hessian of the
    likelihood that is maximised over the masses.
    """
    k = CURRENTS.size
    captured = CURRENTS[:, None] >= np.append(CURRENTS, np.inf)
    at = np.searchsorted(CURRENTS, ramps.current_ma)
    open_cells = (ramps.lower_ma[:, None] < np.append(CURRENTS, np.inf)) & (
        np.append(0.0, CURRENTS) < ramps.upper_ma[:, None]
    )

    def matrix(x):
        miss = special.expit(x[0])
        alarm = special.expit(x[1] + (x[2] if varies else 0.0) * (CURRENTS - 80) / 10)
        says_yes = np.where(captured, 1 - miss, alarm[:, None])[at]
        known = np.where(ramps.truth == 1, 1 - miss, alarm[at])[:, None]
        says_yes = np.where(ramps.truth[:, None] >= 0, known, says_yes)
        found = open_cells.astype(float)
        np.multiply.at(found, ramps.ramp, np.where(ramps.claimed[:, None], says_yes, 1 - says_yes))
        return found

    def extra(x):
        rates = special.expit(x[:2])
        return float(np.sum(added[:, 0] * np.log(rates) + added[:, 1] * np.log1p(-rates)))

    q = 3 if varies else 2

    def objective(v):
        x, mass = v[:q], special.softmax(v[q:])
        like = matrix(x)
        mixed = like @ mass
        slope = mass * (like.T @ (of_ramp / mixed) - of_ramp.sum())

        def value(y):
            return -of_ramp @ np.log(matrix(y) @ mass) - extra(y)

        of_x = [(value(x + h) - value(x - h)) / 2e-5 for h in 1e-5 * np.eye(q)]
        return float(value(x)), np.concatenate((of_x, -slope))

    start = np.concatenate(([-2.0, -2.5, 0.0][:q], np.zeros(k + 1)))
    options = {"maxiter": 3000, "ftol": 1e-14, "gtol": 1e-7}
    best = optimize.minimize(objective, start, jac=True, method="L-BFGS-B", options=options)

    def profiled(x):
        inner = optimize.minimize(
            lambda v: tuple(part[q:] if i else part for i, part in enumerate(objective(np.concatenate((x, v))))),
            best.x[q:], jac=True, method="L-BFGS-B", options=options,
        )  # fmt: skip
        return inner.fun

    h, x, eye = 0.05, best.x[:q], np.eye(q)
    bend = np.array(
        [
            [
                sum(a * b * profiled(x + h * (a * eye[i] + b * eye[j])) for a in (1, -1) for b in (1, -1)) / (4 * h * h)
                for j in range(q)
            ]
            for i in range(q)
        ]
    )
    return x, np.sqrt(np.diag(np.linalg.inv(bend))), best.fun


def prepared(ramps, model=None):
    table = tabulate_ramps(ramps)
    profile, fit = estimate_errors(table, model or ErrorModel())
    return prepare_replicates(profile, fit), table, fit


@pytest.mark.parametrize("added", [NONE_ADDED, np.array([[0.2, 1.1], [0.7, 0.05]])])
def test_everything_reviewed_has_a_closed_form(added):
    """Binomial likelihood: the weighted share of wrong judgements, the added ones among them."""
    search, table, _ = prepared(single(REVIEWED))
    weights = np.random.default_rng(1).exponential(size=table.count.size) * table.count
    seen = [
        (float(weights @ wrong.sum(axis=1)), float(weights @ right.sum(axis=1)))
        for wrong, right in (
            (table.captured_refused, table.captured_claimed),
            (table.absent_claimed, table.absent_refused),
        )
    ]
    found = refit_replicate(search, weights, added)
    for j in range(2):
        wrong, right = seen[j] + added[j]
        error = np.sqrt(1 / wrong + 1 / right)
        assert found.logits[j] == pytest.approx(np.log(wrong / right), abs=0.03 * error)
    assert found.logits[2] == 0
    captured = (weights @ (table.captured_refused + table.captured_claimed)).sum() / weights.sum()
    assert found.mass[0] == pytest.approx(captured, abs=1e-5)


def test_replicates_are_draws_from_jeffreys_posterior():
    """Everything reviewed, one setting, exponential weights of every ramp: errors are beta(wrong + 1/2, right + 1/2)."""
    ramps = single(REVIEWED)
    search, table, _ = prepared(ramps)
    rng = np.random.default_rng(2)
    drawn = rng.exponential(size=(600, len(ramps)))
    weights = np.array([np.bincount(table.index, weights=w) for w in drawn])
    logits = np.array(
        [refit_replicate(search, w, more).logits[:2] for w, more in zip(weights, draw_added(600, rng), strict=True)]
    )
    for j, (wrong, right) in enumerate(((6, 40), (5, 30))):
        assert stats.kstest(special.expit(logits[:, j]), stats.beta(wrong + 0.5, right + 0.5).cdf).pvalue > 0.01


def test_an_error_never_seen_is_not_zero_in_every_replicate():
    """No false capture in 30 settings: the posterior is beta(1/2, 30.5), whatever the bound of the estimate."""
    search, table, fit = prepared(single({(True, 1): 40, (False, 1): 6, (False, 0): 30}))
    assert fit.logits[1] == NEVER
    assert search.start[1] == LOWEST_START
    rng = np.random.default_rng(3)
    alarm = []
    for added in draw_added(400, rng):
        weights = np.bincount(table.index, weights=rng.exponential(size=table.index.size))
        alarm.append(special.expit(refit_replicate(search, weights, added).logits[1]))
    assert stats.kstest(alarm, stats.beta(0.5, 30.5).cdf).pvalue > 0.01
    assert np.quantile(alarm, 0.975) == pytest.approx(stats.beta(0.5, 30.5).ppf(0.975), rel=0.3)


def test_added_judgements_are_gamma_one_half():
    added = draw_added(4000, np.random.default_rng(4))
    assert added.shape == (4000, 2, 2)
    assert stats.kstest(added.ravel(), stats.gamma(0.5).cdf).pvalue > 0.01
    # their share is Jeffreys' prior, the arcsine law
    assert stats.kstest(added[:, 0, 0] / added[:, 0].sum(axis=1), stats.beta(0.5, 0.5).cdf).pvalue > 0.01
    np.testing.assert_array_equal(added, draw_added(4000, np.random.default_rng(4)))


@pytest.mark.parametrize("varies", [False, True])
@pytest.mark.parametrize("seed", [1, 3, 4])
def test_a_replicate_is_the_fresh_estimate_of_its_weights(seed, varies):
    """Reference: the full search, from a far start, with the added judgements as reviewed settings of their own."""
    ramps = simulated(120, seed)
    model = ErrorModel(varies_with_current=varies)
    search, table, _ = prepared(ramps, model)
    every, n = with_added(ramps)
    full = tabulate_ramps(every)
    error = np.sqrt((search.step**2).sum(axis=1))
    rng = np.random.default_rng(seed)
    for _ in range(4):
        drawn, added = rng.exponential(size=n), draw_added(1, rng)[0]
        found = refit_replicate(search, np.bincount(table.index, weights=drawn), added)
        weights = np.bincount(full.index, weights=np.concatenate((drawn, added.ravel())))
        fresh_start = np.array([-1.2, -1.5, 0.0])
        fresh = refit_errors(profile_of(full, model, fresh_start), fresh_start, weights, None)
        # the search stops at a slope of 0.02 standard errors; a replicate curves up to a few times less than all
        assert np.all(np.abs(found.logits - fresh.logits)[search.profile.free] < 0.1 * error)


@pytest.mark.parametrize(("seed", "varies"), [(1, False), (3, True)])
def test_a_replicate_is_the_maximum_that_scipy_finds(seed, varies):
    """Reference: products over judgements written here, softmax masses, L-BFGS-B, numerical standard errors."""
    ramps = simulated(120, seed)
    search, table, _ = prepared(ramps, ErrorModel(varies_with_current=varies))
    rng = np.random.default_rng(10 + seed)
    drawn, added = rng.exponential(size=len(ramps)), np.array([[0.3, 0.9], [0.6, 0.2]])
    found = refit_replicate(search, np.bincount(table.index, weights=drawn), added)
    logits, error, _ = by_scipy(ramps, drawn, added, varies)
    assert np.all(np.abs(found.logits[: logits.size] - logits) < 0.05 * error)
    # the coordinates are the standard errors of all ramps: of the same order as those of this replicate
    ratio = np.sqrt((search.step**2).sum(axis=1)) / error
    assert np.all((ratio > 0.5) & (ratio < 2))


def test_coordinates_are_the_inverse_of_the_information():
    """One setting, all reviewed: the information of a logit is n p (1 - p), with half a judgement of each kind added."""
    search, _, fit = prepared(single(REVIEWED))
    rates = special.expit(fit.logits[:2])
    information = (np.array([46, 35]) + 1) * rates * (1 - rates)
    np.testing.assert_allclose(search.step @ search.step.T, np.diag(1 / information), rtol=1e-3, atol=1e-6)


def test_a_given_error_stays_given():
    search, table, _ = prepared(single(PARTLY), ErrorModel(sensitivity=0.87))
    found = refit_replicate(search, table.count, NONE_ADDED)
    assert special.expit(-found.logits[0]) == pytest.approx(0.87, abs=1e-12)
    assert search.step.shape == (1, 1)


def test_the_estimate_is_its_own_replicate():
    search, table, fit = prepared(simulated(150, 5))
    found = refit_replicate(search, table.count, NONE_ADDED)
    error = np.sqrt((search.step**2).sum(axis=1))
    assert np.all(np.abs(found.logits - fit.logits)[:2] < 0.03 * error)
    np.testing.assert_allclose(found.mass, fit.masses.mass, atol=0.01)


@pytest.mark.parametrize("current", [60.0, 80.0])
def test_a_change_with_the_current_needs_two_currents(current):
    """At one current, odds there and odds ratio are one number."""
    ramps = single(PARTLY)
    at_one = JudgedRamps.from_arrays(ramps.ramp, np.full(len(ramps), current), ramps.claimed, ramps.truth)
    with pytest.raises(NotEstimableError, match="at one current only"):
        estimate_errors(tabulate_ramps(at_one), ErrorModel(varies_with_current=True))


def test_a_flat_likelihood_is_refused():
    """At 80 mA alone the odds ratio stands for nothing; asked for all the same, no coordinates can be had."""
    table = tabulate_ramps(single(PARTLY))
    profile, fit = estimate_errors(table, ErrorModel())
    with pytest.raises(NotEstimableError, match="flat"):
        prepare_replicates(replace(profile, free=np.ones(3, dtype=bool)), fit)
    with pytest.raises(NotEstimableError, match="one current only"):
        estimate_errors(table, ErrorModel(varies_with_current=True))


def test_false_captures_at_the_lowest_setting_alone_give_no_odds_ratio():
    """Seed 2: both false captures that the reference saw were at the first setting, so the odds ratio runs to 0."""
    table = tabulate_ramps(simulated(120, 2))
    np.testing.assert_array_equal(table.count @ table.absent_claimed, [2, 0, 0, 0, 0, 0])
    with pytest.raises(NotEstimableError, match="one end of the currents"):
        estimate_errors(table, ErrorModel(varies_with_current=True))


def test_a_replicate_no_better_than_chance_is_refused():
    """Nearly all the weight on wrong judgements."""
    search, table, _ = prepared(single(REVIEWED))
    wrong = (table.captured_refused + table.absent_claimed).sum(axis=1) > 0
    with pytest.raises(NotEstimableError, match=r"no better than chance|did not settle"):
        refit_replicate(search, np.where(wrong, 20.0, 0.5) * table.count, NONE_ADDED)
