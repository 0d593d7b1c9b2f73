"""Cloning, censoring and weighting: a published example, one by hand, a slow route by other libraries, simulated truth."""

from __future__ import annotations

import runpy
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines import CoxPHFitter, KaplanMeierFitter
from statsmodels.stats.proportion import confint_proportions_2indep

from capstat.outcomes import immortal_weights
from capstat.outcomes.immortal_clones import arm_risks, make_clones
from capstat.outcomes.immortal_course import SurvivalCourse, confounder_columns
from capstat.outcomes.immortal_emulation import clone_censor_weight
from capstat.outcomes.immortal_weights import capture_hazard
from capstat.results import NotEstimableError, UsageError

SIMULATION = runpy.run_path(str(Path(__file__).parents[2] / "analyses" / "15_immortal_time.py"))
NAN = np.nan


def course(captured, until, died, entry=None, **confounders):
    n = len(until)
    return SurvivalCourse(
        np.array(captured, dtype=float), np.array(until, dtype=float), np.array(died, dtype=bool),
        np.zeros(n) if entry is None else np.array(entry, dtype=float), pd.DataFrame(confounders, index=range(n)),
        np.array([f"P{i}" for i in range(n)], dtype=object),
    )  # fmt: skip


def both(found):
    return found.risk_captured.value, found.risk_not_captured.value


def test_published_example_of_two_years():
    """Hernan (2018, BMJ 360:k182) as taught in public slides: eight who began, two-year mortality 0.75 in both arms.

    Two die at the end of year 1, three go on and three stop; of each three, two die at the end of year 2.  Those who went
    on against those who did not, as found: 2/3 against 4/5.
    """
    until = [2.5, 2, 2, 1, 2.5, 2, 2, 1]
    went_on = [NAN, NAN, NAN, NAN, 1.05, 1.05, 1.05, NAN]
    found = clone_censor_weight(course(went_on, until, [0, 1, 1, 1, 0, 1, 1, 1]), 1.1, horizon_min=2, seed=1)
    assert both(found) == pytest.approx((75, 75))
    assert found.difference.value == pytest.approx(0)
    assert found.ratio.value == pytest.approx(1)


def by_hand():
    """Six severe and six mild patients, grace period 5; nobody dies before it."""
    severe = [True] * 6 + [False] * 6
    captured = [4, 4, NAN, NAN, NAN, NAN, 4, 4, 4, 4, NAN, NAN]
    until = [10, 40, 10, 10, 40, 40, 10, 40, 40, 40, 10, 40]
    died = [1, 0, 1, 1, 0, 0, 1, 0, 0, 0, 1, 0]
    return course(captured, until, died, severe=severe)


def test_weights_by_hand(monkeypatch):
    """Half of the severe and a quarter (captured) or half (not) of the mild die: standardised 37.5 % and 50 %.

    The logistic model is saturated, so its weights are 3 and 1.5; sum of squares gives the effective size.
    """
    monkeypatch.setattr(immortal_weights, "PRIOR_SD", 1e5)
    found = clone_censor_weight(by_hand(), 5, horizon_min=30, seed=1)
    assert found.risk_captured.value == pytest.approx(37.5, abs=1e-5)
    assert found.largest_weights[0] == pytest.approx(3, abs=1e-6)
    assert found.effective_sizes[0] == pytest.approx((2 * 3 + 4 * 1.5) ** 2 / (2 * 9 + 4 * 2.25), abs=1e-5)
    assert found.risk_not_captured.value == pytest.approx(50, abs=1e-5)
    assert (found.there, found.captured_by, found.deaths) == (12, 6, 5)
    # the wide prior that is in use changes this by little
    monkeypatch.undo()
    assert clone_censor_weight(by_hand(), 5, horizon_min=30, seed=1).risk_captured.value == pytest.approx(37.5, abs=0.1)


def slow(c, grace, horizon):
    """Both risks with statsmodels' logistic and Cox regressions, and one loop over the times of death."""
    x = c.confounders.to_numpy(dtype=float)
    there = c.until_min > grace
    yes = c.captured_by(grace) & ~(c.died & (c.captured_min >= c.until_min))
    logit = sm.Logit(yes[there].astype(float), sm.add_constant(x[there])).fit(disp=0, tol=1e-12)
    chance = np.ones(len(c))
    chance[there] = logit.predict(sm.add_constant(x[there]))
    wait = np.where(yes, np.nan_to_num(c.captured_min), np.minimum(c.until_min, grace))
    if c.delayed:
        # statsmodels counts those who enter at the very time of a capture; there are none with continuous times
        cox = sm.PHReg(wait, x, status=yes, entry=c.entry_min, ties="breslow").fit()
    else:
        cox = sm.PHReg(wait, x, status=yes, ties="breslow").fit()
    relative = np.exp((x - x.mean(axis=0)) @ cox.params)

    def hazard_before(minute):
        earlier = wait[yes & (wait < minute)]
        return sum(1 / relative[(c.entry_min <= time) & (wait >= time)].sum() for time in earlier)

    risks = []
    for arm in (True, False):
        survival = 1.0
        for time in np.unique(c.until_min[c.died & (c.until_min <= horizon)]):
            total = dead = 0.0
            for i in range(len(c)):
                end = c.until_min[i]
                if arm and not yes[i]:
                    end = min(end, grace)
                if not arm and yes[i]:
                    end = min(end, c.captured_min[i])
                if not c.entry_min[i] < time <= end:
                    continue
                if arm:
                    weight = 1 / chance[i] if time > grace else 1.0
                else:
                    passed = hazard_before(min(time, grace + 1e-9)) - hazard_before(c.entry_min[i])
                    weight = np.exp(relative[i] * passed)
                total += weight
                dead += weight * (c.died[i] and c.until_min[i] == time)
            survival *= 1 - dead / total
        risks.append(100 * (1 - survival))
    return risks


@pytest.mark.parametrize(("late", "ties"), [(False, False), (True, False), (False, True)])
def test_slow_route_by_other_libraries(monkeypatch, late, ties):
    """A number and a yes/no, continuous times or whole minutes; the other libraries have no prior, so it is widened away.

    With ties a capture at the minute of another's death is not yet in the weights at that death.
    """
    monkeypatch.setattr(immortal_weights, "PRIOR_SD", 1e5)
    rng = np.random.default_rng(8)
    n = 120
    a, b = rng.normal(size=n), (rng.random(n) < 0.5).astype(float)
    entry = np.where(rng.random(n) < 0.4, rng.uniform(0, 3, n), 0.0) * late
    dead = entry + rng.exponential(25 * np.exp(-0.4 * a - 0.5 * b))
    captured = entry + rng.exponential(7 * np.exp(0.3 * a + 0.4 * b))
    if ties:
        captured, dead = np.ceil(captured), np.ceil(dead)
    until = np.minimum(dead, 60)
    c = course(np.where(captured <= until, captured, NAN), until, dead < 60, entry, a=a, b=b)
    found = clone_censor_weight(c, 5, horizon_min=30, replicates=20, seed=1)
    assert both(found) == pytest.approx(slow(c, 5, 30), abs=1e-4)


def test_hazard_of_capture_against_lifelines(monkeypatch):
    monkeypatch.setattr(immortal_weights, "PRIOR_SD", 1e5)
    rng = np.random.default_rng(4)
    x = rng.normal(size=(60, 2))
    wait, captured = rng.exponential(size=60), rng.random(60) < 0.7
    frame = pd.DataFrame(x, columns=["a", "b"]).assign(wait=wait, captured=captured)
    counts = rng.integers(1, 4, (2, 60)).astype(float)
    got = capture_hazard(np.zeros(60), wait, captured, x, np.vstack([np.ones(60), counts]))
    for place, weight in enumerate([np.ones(60), *counts]):
        # copies of a row: Breslow's ties, so the likelihood is only the same without weights; the gradient is checked
        beta = np.linalg.lstsq(x, np.log(got.relative[place]), rcond=None)[0]
        gradient = np.zeros(2)
        for i in np.flatnonzero(captured):
            at_risk = weight * got.relative[place] * (wait >= wait[i])
            gradient += weight[i] * (x[i] - at_risk @ x / at_risk.sum())
        assert np.abs(gradient).max() < 1e-6
        if place == 0:
            cox = CoxPHFitter().fit(frame, "wait", "captured", fit_options={"precision": 1e-12})
            np.testing.assert_allclose(beta, cox.params_, rtol=1e-5)


def test_captured_at_the_first_pulse_is_at_risk_of_it():
    """Entry at 2 and capture at 2, beside somebody waiting: 1/2, then 1/1, by hand."""
    yes = np.array([True, True])
    got = capture_hazard(np.array([2.0, 0.0]), np.array([2.0, 3.0]), yes, np.empty((2, 0)), np.ones((1, 2)))
    np.testing.assert_allclose(got.cumulative, [[0, 0.5, 1.5]])


minutes = st.integers(1, 12)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.one_of(st.none(), st.integers(0, 12)), minutes, st.booleans()), min_size=6, max_size=25),
    st.integers(1, 6),
)
def test_without_confounders_arms_are_plain_product_limits_of_clones(patients, grace):
    """Everybody has the same weight at any time, so that the arms are lifelines' curves of the censored clones."""
    captured = np.array([NAN if p[0] is None or p[0] > p[1] else p[0] for p in patients], dtype=float)
    until, died = np.array([p[1] for p in patients], dtype=float), np.array([p[2] for p in patients])
    try:
        found = clone_censor_weight(course(captured, until, died), grace, horizon_min=12, replicates=20, seed=0)
    except NotEstimableError:
        return
    # death comes first
    yes = (np.nan_to_num(captured, nan=99) <= grace) & ~(died & (captured == until))
    ends = np.where(yes, until, np.minimum(until, grace)), np.where(yes, captured, until)
    for end, got in zip(ends, both(found), strict=True):
        curve = KaplanMeierFitter().fit(end, died & (end == until) & (end > 0))
        assert got == pytest.approx(100 * (1 - float(curve.predict(12))), abs=1e-9)


def test_capture_at_the_end_of_grace_is_in_time():
    c = course([5, NAN, 5, NAN, NAN], [40, 40, 10, 10, 5], [0, 0, 1, 1, 1])
    found = clone_censor_weight(c, 5, horizon_min=30, replicates=20, seed=1)
    assert (found.there, found.captured_by) == (4, 2)
    # the death at 5 counts in both arms, and so does one of two afterwards
    assert both(found) == pytest.approx((60, 60))


def test_large_study_has_the_simulated_truth():
    """Truth of 1,000,000 patients under both strategies; 20,000 are studied, with confounding."""
    for scenario in ("confounding", "benefit"):
        truth = SIMULATION["risk_truth"](scenario, np.random.default_rng(2))["clone-censor-weight"]
        c = SIMULATION["drawn"](scenario, 20_000, np.random.default_rng(12))
        everybody = np.ones(len(c), dtype=bool)
        clones = make_clones(c, confounder_columns(c).standardised(), everybody, 5.0, 30.0)
        arms = arm_risks(clones, everybody[None].astype(float))
        # standard deviation over studies of 600 (immortal_time_simulation.csv): 3.3 to 4.0 points
        assert abs(100 * (arms.captured[0] - arms.not_captured[0]) - truth) < 3 * 4.0 * np.sqrt(600 / 20_000), scenario
    assert truth < -4


def test_limits_of_two_plain_groups():
    """Captured at once or never, nobody lost, no confounders: Newcombe's interval of two proportions (statsmodels)."""
    rng = np.random.default_rng(6)
    at_once, dead = rng.random(400) < 0.4, rng.random(400) < 0.3
    c = course(np.where(at_once, 0.0, NAN), np.where(dead, rng.uniform(1, 29, 400), 40.0), dead)
    found = clone_censor_weight(c, 0, horizon_min=30, replicates=2000, seed=1)
    counts = [int((dead & arm).sum()) for arm in (at_once, ~at_once)]
    sizes = [int(at_once.sum()), int((~at_once).sum())]
    assert both(found) == pytest.approx((100 * counts[0] / sizes[0], 100 * counts[1] / sizes[1]))
    lower, upper = confint_proportions_2indep(counts[0], sizes[0], counts[1], sizes[1], method="newcomb")
    assert (found.difference.lower, found.difference.upper) == pytest.approx((100 * lower, 100 * upper), abs=0.6)
    # the weights of an arm are all alike
    assert found.effective_sizes == pytest.approx(sizes)


def test_late_entry_is_told():
    c = course([6, 3, NAN, 2, NAN, 9], [40, 40, 40, 10, 10, 40], [0, 0, 0, 1, 1, 0], entry=[5, 1, 0, 0, 0, 7])
    found = clone_censor_weight(c, 5, horizon_min=30, replicates=40, seed=1)
    assert (found.included, found.left_out) == (4, 2)
    assert any("2 patients first observed after 5 min" in note for note in found.difference.notes)
    with pytest.raises(NotEstimableError, match=r"Nobody was observed before 0\.5 min"):
        clone_censor_weight(course([NAN], [9], [1], [1]), 0.5, horizon_min=5, seed=1)


def test_refusals():
    c = by_hand()
    with pytest.raises(UsageError, match="grace period"):
        clone_censor_weight(c, 30, horizon_min=30, seed=1)
    with pytest.raises(UsageError, match="20 replicates"):
        clone_censor_weight(c, 5, horizon_min=30, replicates=5, seed=1)
    with pytest.raises(NotEstimableError, match="watched to 50 min"):
        clone_censor_weight(c, 5, horizon_min=50, seed=1)
    nothing = course([4, 4, NAN, NAN] * 5, [40, 10, 40, 40] * 5, [0, 1, 0, 0] * 5)
    ratio = clone_censor_weight(nothing, 5, horizon_min=30, seed=1).ratio
    assert ratio.value is None
    assert ratio.upper == np.inf
    assert "died" in ratio.reason


def test_same_confounder_in_all_is_told():
    c = course([4, NAN] * 6, [40, 10, 10, 40] * 3, [0, 1, 1, 0] * 3, old=[True] * 12)
    found = clone_censor_weight(c, 5, horizon_min=30, replicates=20, seed=1)
    assert any(note.startswith("old is alike in all 12 patients") for note in found.difference.notes)
