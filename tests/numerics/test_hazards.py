"""Proportional hazards regression against recorded cases, lifelines, statsmodels and sums by hand."""

from __future__ import annotations

import math
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, reject, settings
from hypothesis import strategies as st
from lifelines import CoxPHFitter
from scipy import optimize
from statsmodels.duration.hazard_regression import PHReg

from capstat.numerics.hazards import fit_hazards
from capstat.numerics.hazards_sets import binary_parts, loses_digits
from capstat.results import NotEstimableError, UsageError

REFERENCE = Path(__file__).parent.parent / "reference"


def errors(covariance):
    return np.sqrt(np.diag(covariance))


def made(seed, n=40, p=2, whole=True):
    """Rows with ties, late entry and whole weights."""
    rng = np.random.default_rng(seed)
    design = np.column_stack([rng.integers(0, 2, n), rng.normal(50, 9, (n, p - 1))])
    time = rng.exponential(6, n) * np.exp(-0.4 * design[:, 0]) + 0.2
    time = np.ceil(time) if whole else time
    entry = np.where(rng.random(n) < 0.4, np.floor(time * rng.random(n)), 0.0)
    return time, rng.random(n) < 0.7, design, np.where(entry < time, entry, 0.0), rng.integers(1, 4, n)


@pytest.mark.reference
@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_gehan(reference, ties):
    case = reference("s18")
    time, event, treated = np.array(case.data["rows"], dtype=float).T
    fit = fit_hazards(time, event, treated[:, None], ties=ties)
    case.check(f"cox.{ties}(coef,se,loglik)", [fit.coefficients[0], errors(fit.covariance)[0], fit.log_likelihood])


@pytest.mark.reference
def test_causes_of_mgus2(reference):
    case = reference("s19")
    frame = pd.read_csv(REFERENCE / "s19_mgus2.csv").dropna()
    design = frame[["age", "male", "mspike"]]
    first, second = (fit_hazards(frame["etime"], frame["event"] == cause, design) for cause in (1, 2))
    case.check("cause_specific.pcm(age,male,mspike)", first.coefficients)
    case.check("cause_specific.pcm.se", errors(first.covariance))
    case.check("cause_specific.death(age,male,mspike)", second.coefficients)


@pytest.mark.reference
def test_heart_transplants(reference):
    """Covariates that change with time."""
    case = reference("s20")
    frame = pd.read_csv(REFERENCE / "s20_heart.csv")
    design = frame[["age", "year", "surgery", "transplant"]]
    fits = {
        ties: fit_hazards(frame["stop"], frame["event"], design, entry=frame["start"], ties=ties)
        for ties in ("efron", "breslow")
    }
    case.check("efron.coef(age,year,surgery,transplant)", fits["efron"].coefficients)
    case.check("efron.se", errors(fits["efron"].covariance))
    case.check("efron.loglik", fits["efron"].log_likelihood)
    case.check("breslow.coef", fits["breslow"].coefficients)
    case.check("breslow.loglik", fits["breslow"].log_likelihood)
    assert max(fit.scaled_score for fit in fits.values()) < 1e-9


@pytest.mark.reference
@pytest.mark.parametrize("ties", ["efron", "breslow"])
@pytest.mark.parametrize("weight", ["one", "weight"])
def test_entry_ties_weights_and_clusters(reference, ties, weight):
    case = reference("r17")
    frame = pd.DataFrame(case.data["rows"], columns=case.data["columns"])
    fit = fit_hazards(
        frame["tied"], frame["cause"] == 1, frame[["x1", "x2", "x3"]], entry=frame["entry"], cluster=frame["cluster"],
        weight=frame["weight"] if weight == "weight" else None, ties=ties,
    )  # fmt: skip
    key = f"cox.{ties}.{weight}"
    case.check(f"{key}.coefficients", fit.coefficients)
    case.check(f"{key}.se", errors(fit.covariance))
    case.check(f"{key}.cluster_se", errors(fit.robust_covariance))
    case.check(f"{key}.loglik(null,fit)", [fit.null_log_likelihood, fit.log_likelihood])
    at = np.searchsorted(fit.baseline_times, [2, 10, 25], side="right") - 1
    case.check(f"{key}.baseline(2,10,25)", fit.baseline_hazard[at] * np.exp(-fit.means @ fit.coefficients))
    assert (fit.n, fit.clusters) == (200, frame["cluster"].nunique())


@pytest.mark.parametrize("seed", range(4))
def test_lifelines_with_entry_and_weights(seed):
    time, event, design, entry, weight = made(seed)
    frame = pd.DataFrame(design, columns=["a", "b"]).assign(time=time, event=event, entry=entry, weight=weight)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = CoxPHFitter().fit(
            frame, "time", "event", entry_col="entry", weights_col="weight", fit_options={"precision": 1e-10}
        )
    fit = fit_hazards(time, event, design, entry=entry, weight=weight)
    # lifelines stops earlier
    np.testing.assert_allclose(fit.coefficients, other.params_, rtol=1e-5)
    np.testing.assert_allclose(errors(fit.covariance), other.standard_errors_, rtol=1e-5)
    assert fit.log_likelihood == pytest.approx(other.log_likelihood_, rel=1e-9)


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_statsmodels(ties):
    time, event, design, _, _ = made(7)
    other = PHReg(time, design, status=event.astype(float), ties=ties).fit()
    fit = fit_hazards(time, event, design, ties=ties)
    np.testing.assert_allclose(fit.coefficients, other.params, rtol=1e-6)
    np.testing.assert_allclose(errors(fit.covariance), other.bse, rtol=1e-6)


def likelihood(time, event, design, entry, weight, beta, ties):
    """Textbook loops over event times."""
    total = 0.0
    risk = weight * np.exp(design @ beta)
    for t in np.unique(time[event]):
        dead, there = event & (time == t), (entry < t) & (time >= t)
        d, w = dead.sum(), weight[dead].sum()
        gone = np.arange(d) / d if ties == "efron" else np.zeros(d)
        total += weight[dead] @ (design[dead] @ beta)
        total -= (w / d) * np.log(risk[there].sum() - gone * risk[dead].sum()).sum()
    return total


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from(["efron", "breslow"]))
def test_maximum_of_the_likelihood_by_hand(seed, ties):
    time, event, design, entry, weight = made(seed, n=25)
    try:
        fit = fit_hazards(time, event, design, entry=entry, weight=weight, ties=ties)
    except NotEstimableError:
        reject()

    def at(beta):
        return likelihood(time, event, design, entry, weight, beta, ties)

    assert fit.log_likelihood == pytest.approx(at(fit.coefficients), rel=1e-10)
    assert fit.null_log_likelihood == pytest.approx(at(np.zeros(2)), rel=1e-10)
    widths = errors(fit.covariance)
    for step in np.diag(0.01 * widths):
        up, down = at(fit.coefficients + step), at(fit.coefficients - step)
        assert max(up, down) < fit.log_likelihood
        # second derivative in units of the information: -1/2 (0.01)^2 I_jj V_jj
        j = int(np.argmax(step))
        curvature = 2 * fit.log_likelihood - up - down
        assert curvature == pytest.approx(1e-4 * widths[j] ** 2 * np.linalg.inv(fit.covariance)[j, j], rel=1e-2)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10**6))
def test_same_fit_in_other_units_orders_and_starts(seed):
    time, event, design, entry, weight = made(seed, n=60)
    fit = fit_hazards(time, event, design, entry=entry, weight=weight)
    order = np.random.default_rng(seed).permutation(60)
    changed = design * [1e-6, 1e5] + [3, -1e6]
    other = fit_hazards(
        7 * time[order], event[order], changed[order], entry=7 * entry[order], weight=5 * weight[order], start=[1e5, 0]
    )
    np.testing.assert_allclose(other.coefficients * [1e-6, 1e5], fit.coefficients, rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(other.covariance * 5 * np.outer([1e-6, 1e5], [1e-6, 1e5]), fit.covariance, rtol=1e-6)
    np.testing.assert_allclose(other.baseline_hazard, fit.baseline_hazard, rtol=1e-7)


def test_counts_of_a_resample_are_weights():
    """With Breslow's ties a row of weight 2 is two rows, a row of weight 0 none."""
    time, event, design, entry, _ = made(3, n=80)
    count = np.random.default_rng(0).multinomial(80, np.ones(80) / 80)
    row = np.repeat(np.arange(80), count)
    one = fit_hazards(time, event, design, entry=entry, weight=count, ties="breslow")
    other = fit_hazards(time[row], event[row], design[row], entry=entry[row], ties="breslow")
    np.testing.assert_allclose(one.coefficients, other.coefficients, rtol=1e-9)
    np.testing.assert_allclose(one.covariance, other.covariance, rtol=1e-9)
    np.testing.assert_allclose(one.baseline_hazard, other.baseline_hazard, rtol=1e-9)


def test_rows_cut_in_two_are_one():
    time, event, design, entry, _ = made(5, n=80)
    cut = (entry + time) / 2
    fit = fit_hazards(time, event, design, entry=entry, cluster=np.arange(80))
    split = fit_hazards(
        np.concatenate([cut, time]), np.concatenate([np.zeros(80), event]), np.vstack([design, design]),
        entry=np.concatenate([entry, cut]), cluster=np.tile(np.arange(80), 2),
    )  # fmt: skip
    np.testing.assert_allclose(split.coefficients, fit.coefficients, rtol=1e-9)
    np.testing.assert_allclose(split.robust_covariance, fit.robust_covariance, rtol=1e-9)


def test_known_hazard_ratio():
    """Exponential times, so that coefficients and baseline are known; 4 standard errors."""
    rng = np.random.default_rng(11)
    n = 20_000
    design = np.column_stack([rng.integers(0, 2, n), rng.normal(60, 10, n)])
    truth = np.array([np.log(1.7), -0.02])
    time = rng.exponential(1 / (0.1 * np.exp((design - [0, 60]) @ truth)))
    stop = np.minimum(time, rng.uniform(0, 20, n))
    fit = fit_hazards(stop, time <= stop, design, cluster=np.arange(n))
    assert (np.abs(fit.coefficients - truth) < 4 * errors(fit.covariance)).all()
    np.testing.assert_allclose(errors(fit.robust_covariance), errors(fit.covariance), rtol=0.03)
    at_ten = fit.baseline_hazard[np.searchsorted(fit.baseline_times, 10) - 1]
    assert at_ten == pytest.approx(0.1 * 10 * np.exp((fit.means - [0, 60]) @ truth), rel=0.05)


def test_risks_of_very_unlike_size():
    """Linear predictors over hundreds of units neither overflow nor lose the few with a small hazard."""
    rng = np.random.default_rng(2)
    x = rng.normal(0, 60, 400)
    time = rng.exponential(size=400) * np.exp(-x)
    fit = fit_hazards(np.argsort(np.argsort(time)) + 1.0, np.ones(400), x[:, None])
    assert fit.scaled_score < 1e-8
    assert fit.coefficients[0] == pytest.approx(1.0, abs=4 * errors(fit.covariance)[0])


def test_what_cannot_be_estimated():
    time, event, design, _, _ = made(1)
    with pytest.raises(NotEstimableError, match="no events"):
        fit_hazards(time, np.zeros(40), design)
    constant = np.column_stack([design, np.full(40, 3.0)])
    with pytest.raises(NotEstimableError, match="year has the same value in every row"):
        fit_hazards(time, event, constant, names=("sex", "age", "year"))
    with pytest.raises(NotEstimableError, match="has the same value"):
        fit_hazards([3.0], [1], [[2.0]])
    sums = np.column_stack([design, design @ [2.0, 1.0]])
    with pytest.raises(NotEstimableError, match="total follows from the columns before it"):
        fit_hazards(time, event, sums, names=("sex", "age", "total"))
    late = np.arange(1.0, 41.0)
    with pytest.raises(NotEstimableError, match="early does not vary among those at risk"):
        fit_hazards(late, late > 20, np.column_stack([late < 10]), names=("early",))


@pytest.mark.parametrize("weight", [1.0, 1e-6, 1e6])
def test_separated_events(weight):
    """Only those with the sign have events, or in order of a column: no finite estimate, whatever the weights."""
    time, _, design, entry, _ = made(4)
    sign = design[:, 0] == 1
    for event in (sign, sign & (np.arange(40) % 3 == 0)):
        with pytest.raises(NotEstimableError, match="sign separates the events"):
            fit_hazards(time, event, design[:, ::-1], entry=entry, names=("age", "sign"), weight=np.full(40, weight))
    with pytest.raises(NotEstimableError, match="age separates the events"):
        fit_hazards(np.arange(1.0, 13.0), np.ones(12), np.arange(12.0)[:, None], names=("age",))


def has_direction(time, event, design, entry):
    """Linear programme: is there a direction in which no event is below anybody at risk, and some are above?"""
    differences = np.vstack([design[i] - design[(time >= time[i]) & (entry < time[i])] for i in np.flatnonzero(event)])
    answer = optimize.linprog(
        -differences.sum(axis=0), -differences, np.zeros(len(differences)), bounds=[(-1, 1)] * design.shape[1]
    )
    return -answer.fun > 1e-7


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.integers(4, 24))
@example(420, 4)  # sums lose all digits on the way
@example(3347, 12)
@example(226, 20)  # relative hazards beyond floating point
def test_separated_where_a_linear_programme_says_so(seed, n):
    """The whole certificate on small sets (12,000 agreed when this was written); about a quarter are separated."""
    rng = np.random.default_rng(seed)
    design = np.column_stack([rng.integers(0, 2, n), rng.normal(0, 1, n)])
    time, event = rng.integers(0, 8, n).astype(float), rng.random(n) < 0.4
    entry = np.where(rng.random(n) < 0.3, time - 1 - rng.integers(0, 3, n), -1.0)
    try:
        fit_hazards(time, event, design, entry=entry)
        separated = False
    except NotEstimableError as error:
        if "separates" not in str(error):
            reject()
        separated = True
    assert separated == has_direction(time, event, design, entry)


def test_late_entry_of_rows_with_far_larger_hazards():
    """Sums are not left over from a difference: exact sums of floating-point numbers agree."""
    rng = np.random.default_rng(3)
    n = 60
    early = np.sort(rng.exponential(size=n)) * 1e-3
    x = rng.normal(size=n)
    time = np.concatenate([early, 1 + rng.permutation(early)])
    entry = np.concatenate([np.zeros(n), np.ones(n)])
    sets = fit_hazards(time, np.ones(2 * n), np.tile(x, 2)[:, None], entry=entry).rows.sets
    risk = np.exp(np.tile(x, 2) + np.repeat([0.0, 60.0], n))
    assert loses_digits(sets, risk)
    exact = replace(sets, parts=binary_parts(sets))
    want = [math.fsum(risk[(entry < t) & (time >= t)]) for t in sets.times]
    np.testing.assert_allclose(exact.at_risk(risk), want, rtol=1e-13)
    np.testing.assert_allclose(exact.at_risk(np.column_stack([risk, -risk]))[:, 1], -np.array(want), rtol=1e-13)
    hazard = 1 / np.array(want)
    there = (entry[:, None] < sets.times) & (time[:, None] >= sets.times)
    want = [math.fsum(hazard[row]) for row in there]
    np.testing.assert_allclose(exact.over_risk(hazard), want, rtol=1e-13)
    np.testing.assert_allclose(exact.over_risk(np.column_stack([hazard, hazard]))[:, 0], want, rtol=1e-13)


def test_one_event_against_the_order_is_enough():
    """Nearly separated, yet finite: the likelihood by hand agrees."""
    time = np.arange(1.0, 13.0)
    x = np.arange(12.0)
    x[[10, 11]] = x[[11, 10]]
    fit = fit_hazards(time, np.ones(12), x[:, None])
    grid = fit.coefficients[0] + np.array([-0.01, 0, 0.01])
    values = [likelihood(time, np.ones(12, bool), x[:, None], np.zeros(12), np.ones(12), [b], "efron") for b in grid]
    assert int(np.argmax(values)) == 1


def test_events_at_time_zero_count():
    time, event = np.array([0, 0, 1, 2, 0, 3.0]), np.array([1, 1, 1, 1, 0, 1])
    x = np.array([1.0, 0, 1, 0, 1, 1])
    fit = fit_hazards(time, event, x[:, None])
    assert fit.n_events == 5
    value = likelihood(time, event > 0, x[:, None], np.full(6, -1.0), np.ones(6), fit.coefficients, "efron")
    assert fit.log_likelihood == pytest.approx(value)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"ties": "exact"}, "ties must be"),
        ({"event": [0, 1, 2]}, "0 or 1"),
        ({"time": [-1, 2, 3]}, "Times must be finite"),
        ({"time": [1, 2]}, "one event for each time"),
        ({"design": [1, 2, 3]}, "at least one column"),
        ({"design": [[1], [np.nan], [3]], "names": ["age"]}, "age must be finite"),
        ({"entry": [0, 2, 0]}, "Entry must lie before"),
        ({"weight": [1, -1, 1]}, "Weights must be"),
        ({"cluster": [1, None, 2]}, "needs a cluster"),
        ({"names": ["a", "b"]}, "1 columns and 2 names"),
    ],
)
def test_wrong_input(change, message):
    given_values = {"time": [1, 2, 3], "event": [1, 1, 0], "design": [[1], [0], [1]]} | change
    with pytest.raises(UsageError, match=message):
        fit_hazards(**given_values)
