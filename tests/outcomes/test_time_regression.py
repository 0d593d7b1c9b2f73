"""Regression of the time to capture: recorded cases, lifelines, simulation with known truth, edges."""

from __future__ import annotations

import re
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from lifelines import CoxPHFitter, LogLogisticAFTFitter, LogNormalAFTFitter, WeibullAFTFitter
from scipy import optimize, stats

from capstat.distributions.covariates import Covariates
from capstat.outcomes.episodes import Awaited, Episodes, Origin
from capstat.outcomes.time_data import complete_times
from capstat.outcomes.time_hazards import cause_specific_ratios, subdistribution_ratios
from capstat.outcomes.time_proportional import check_proportionality
from capstat.outcomes.time_ratio import time_ratios
from capstat.outcomes.time_regression import time_regression
from capstat.results import NotEstimableError, UsageError
from capstat.thresholds import ELECTRICAL_CAPTURE

REFERENCE = Path(__file__).parent.parent / "reference"
AP, AL = "anterior-posterior", "anterior-lateral"
NONE = Covariates(())


def episodes_of(latest_min, cause, *, earliest_min=None, entry_min=None, **columns):
    """Episodes with these times in minutes."""
    latest = 60 * np.asarray(latest_min, dtype=float)
    n = latest.size
    entry = np.zeros(n) if entry_min is None else 60 * np.asarray(entry_min, dtype=float)
    return Episodes(
        Awaited(ELECTRICAL_CAPTURE), Origin.PACING if entry_min is None else Origin.ARRIVAL,
        np.array([f"P{i}" for i in range(n)], dtype=object), np.arange(n), entry,
        latest if earliest_min is None else 60 * np.asarray(earliest_min, dtype=float), latest,
        np.asarray(cause, dtype=np.intp), np.full(n, np.nan), np.full(n, "unknown", dtype=object),
        np.full(n, np.nan), np.zeros(n, dtype=bool), pd.DataFrame(columns=["episode", "from_s", "to_s", "lost"]),
        pd.DataFrame(columns, index=range(n)), np.ones(n, dtype=np.intp), (), (),
    )  # fmt: skip


def simulated(n, seed, log_ratio=0.5, per_year=0.02, other=0.05):
    """Exponential times to capture: hazard ratio AP over AL exp(log_ratio); another end at a constant hazard."""
    rng = np.random.default_rng(seed)
    ap = rng.random(n) < 0.5
    age = rng.uniform(40, 90, n).round()
    hazard = 0.2 * np.exp(log_ratio * ap + per_year * (age - 65))
    capture, another, end = rng.exponential(1 / hazard), rng.exponential(1 / other, n), rng.uniform(5, 20, n)
    time = np.minimum(np.minimum(capture, another), end)
    cause = np.select([time == capture, time == another], [1, 3], 0)
    return time, cause, np.where(ap, AP, AL), age


LAWS = {"lognormal": stats.norm, "loglogistic": stats.logistic, "weibull": stats.gumbel_l}


def lifelines_fit(name, frame):
    """Ratios of right-censored times and log-likelihood by lifelines."""
    fitter = {"lognormal": LogNormalAFTFitter, "loglogistic": LogLogisticAFTFitter, "weibull": WeibullAFTFitter}[name]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = fitter().fit(frame.assign(event=frame["low"] == frame["high"]).drop(columns="high"), "low", "event")
    return fit.params_[fit.params_.index.get_level_values(0)[0]][["ap", "age"]], fit.log_likelihood_


def scipy_fit(name, frame):
    """The same for intervals, by maximising the likelihood as scipy's laws give it."""
    law, design = LAWS[name], np.column_stack([np.ones(len(frame)), frame["ap"], frame["age"] / 50])
    with np.errstate(divide="ignore"):
        low, high = np.log(frame["low"].to_numpy()), np.log(frame["high"].to_numpy())

    def minus(x):
        location, scale = design @ x[:3], np.exp(x[3])
        return -np.log(law.cdf((high - location) / scale) - law.cdf((low - location) / scale)).sum()

    start = np.array([1.0, 0.0, 0.0, 0.0])
    best = optimize.minimize(
        minus, start, method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-10, "maxiter": 4000}
    )
    return pd.Series({"ap": best.x[1], "age": best.x[2] / 50}), -best.fun


@pytest.mark.parametrize("referee", [lifelines_fit, scipy_fit])
def test_ratio_of_times(referee):
    time, cause, pads, age = simulated(120, 4)
    captured = cause == 1
    low, high = (np.floor(time), np.floor(time) + 1) if referee is scipy_fit else (time, time)
    low, high = np.where(captured, low, time), np.where(captured, high, time)
    episodes = episodes_of(high, cause, earliest_min=low, placement=pads, age_years=age)
    found = time_ratios(complete_times(episodes, Covariates(("age_years",)), AP, AL))
    frame = pd.DataFrame({"low": low, "high": np.where(captured, high, np.inf), "ap": (pads == AP) * 1.0, "age": age})
    fits = {name: referee(name, frame) for name in LAWS}
    assert len(found.aic) == len(LAWS)
    for name, aic in found.aic:
        assert aic == pytest.approx(2 * 4 - 2 * fits[plain(name)][1], abs=2e-3)
    for part, column in zip(found.ratios, ("ap", "age"), strict=True):
        assert np.log(part.value) == pytest.approx(fits[plain(found.family)][0][column], abs=5e-4)
    assert found.ratios[0].direction == f"{AP} over {AL}"
    assert "nothing else ended the wait" in found.ratios[0].notes[0]
    # AP is captured sooner here: the ratio of exponential times is the inverse hazard ratio
    assert found.ratios[0].lower < np.exp(-0.5) < found.ratios[0].upper


def plain(name):
    return name.lower().replace("-", "")


def test_capture_with_the_first_pulse_has_no_logarithm():
    time, cause, pads, _ = simulated(60, 8)
    time, cause = np.where(np.arange(60) < 6, 0.0, time), np.where(np.arange(60) < 6, 1, cause)
    found = time_ratios(complete_times(episodes_of(time, cause, placement=pads), NONE, AP, AL))
    assert found.ratios[0].value is not None
    assert "6 captures with the first pulse" in found.ratios[0].notes[-1]


def test_complete_cases_are_counted():
    episodes = episodes_of(
        [1, 2, 3, 4, 5, 6], [1, 1, 2, 1, 1, 0],
        placement=[AP, AP, AL, AL, "unknown", "other"], age_years=[50, None, 60, 70, 80, 80],
        sex=["male", "female", "female", None, "male", "male"],
    )  # fmt: skip
    data = complete_times(episodes, Covariates(("age_years",)), AP, AL)
    assert (len(data.waits), data.n_offered) == (3, 6)
    assert data.missing == (("placement", 2), ("age_years", 1))
    assert data.cause.tolist() == [1, 2, 1]
    assert data.names[0] == f"placement: {AP}"
    np.testing.assert_array_equal(data.matrix, [[1, 50], [0, 60], [0, 70]])
    np.testing.assert_array_equal(data.with_placement(AP), [[1, 50], [1, 60], [1, 70]])
    notes = data.notes(2, "capture")
    assert "3 of 6 episodes" in notes[0]
    assert "1.0 for each" in notes[1]


@pytest.mark.parametrize(
    ("covariates", "columns", "error", "words"),
    [
        (("placement",), {}, UsageError, "need not be named"),
        (("rate_ppm",), {"rate_ppm": [70, 70, 80, 80]}, UsageError, "not known before"),
        (("nothing",), {}, UsageError, "no covariate"),
        (("age_years",), {"age_years": [None] * 4}, NotEstimableError, "No episode has all"),
        (("age_years",), {"age_years": [50, 60, None, None]}, NotEstimableError, "complete episodes have"),
    ],
)
def test_refusals(covariates, columns, error, words):
    episodes = episodes_of([1, 2, 3, 4], [1] * 4, placement=[AP, AP, AL, AL], **columns)
    with pytest.raises(error, match=words):
        complete_times(episodes, Covariates(covariates))


def test_placements_to_compare():
    pads = [AP, AL, AL, "other"]
    assert complete_times(episodes_of([1, 2, 3, 4], [1] * 4, placement=pads), NONE).direction == f"{AL} over {AP}"
    with pytest.raises(UsageError, match="No episode has the placement"):
        complete_times(episodes_of([1, 2, 3, 4], [1] * 4, placement=pads), NONE, "front")
    with pytest.raises(UsageError, match="twice"):
        complete_times(episodes_of([1, 2, 3, 4], [1] * 4, placement=pads), NONE, AP, AP)
    with pytest.raises(NotEstimableError, match="needs two"):
        complete_times(episodes_of([1, 2], [1] * 2, placement=[AP, AP]), NONE)


def test_no_ratio_of_times():
    """Delayed entry, nobody captured, all alike."""
    pads = [AP, AP, AL, AL]
    late = complete_times(episodes_of([2, 3, 4, 5], [1] * 4, entry_min=[1] * 4, placement=pads), NONE)
    assert "enter after time zero" in time_ratios(late).reason
    nobody = complete_times(episodes_of([2, 3, 4, 5], [2] * 4, placement=pads), NONE)
    assert time_ratios(nobody).reason == "nobody was captured"
    alike = complete_times(episodes_of([2] * 4, [1] * 4, placement=pads), NONE)
    assert "no law has a finite estimate" in time_ratios(alike).reason


def mgus2():
    table = pd.read_csv(REFERENCE / "s19_mgus2.csv")
    cause = np.where(table["event"] == 2, 3, table["event"])
    sex = np.where(table["male"] == 1, "male", "female")
    columns = {"age_years": table["age"], "mspike": table["mspike"]}
    return complete_times(
        episodes_of(table["etime"], cause, placement=sex, **columns),
        Covariates(("age_years", "mspike")),
        "male",
        "female",
    )


def in_case_order(found):
    """Log ratios and standard errors of age, male, mspike."""
    values = [(np.log(part.value), np.log(part.upper / part.lower) / (2 * 1.959963985)) for part in found.ratios]
    male, age, mspike = values
    return np.array([age, male, mspike]).T


@pytest.mark.reference
def test_mgus2(reference):
    """s19: cause-specific and subdistribution hazard ratios, by R's survival and cmprsk."""
    case, data = reference("s19"), mgus2()
    assert len(data.waits) == 1373
    progression = in_case_order(cause_specific_ratios(data, 1))
    case.check("cause_specific.pcm(age,male,mspike)", progression[0])
    case.check("cause_specific.pcm.se", progression[1])
    case.check("cause_specific.death(age,male,mspike)", in_case_order(cause_specific_ratios(data, 2))[0])
    together = subdistribution_ratios(data)
    case.check("fine_gray.pcm(age,male,mspike)", in_case_order(together)[0])
    case.check("fine_gray.pcm.se", in_case_order(together)[1])
    assert together.ratios[0].direction == "male over female"
    assert "subdistribution hazard ratio how many" in together.ratios[0].notes[0]
    assert any("11 of 1384 episodes" in note for note in together.ratios[0].notes)


@pytest.mark.reference
def test_gehan(reference):
    """s18: Cox with Efron's ties."""
    case = reference("s18")
    time, event, treated = np.array(case.data["rows"], dtype=float).T
    arms = np.where(treated == 1, "6mp", "control")
    data = complete_times(episodes_of(time, event, placement=arms), NONE, "6mp", "control")
    ratio = cause_specific_ratios(data, 1).ratios[0]
    expected = case.expected["cox.efron(coef,se,loglik)"]["value"]
    assert np.log(ratio.value) == pytest.approx(expected[0], rel=1e-5)
    assert np.log(ratio.upper) == pytest.approx(expected[0] + 1.959963985 * expected[1], rel=1e-5)
    assert ratio.p_value == pytest.approx(2 * stats.norm.sf(abs(expected[0] / expected[1])), rel=1e-3)
    assert "no wait ended with another end" in cause_specific_ratios(data, 2).reason


def test_hazard_ratios_of_a_known_truth():
    time, cause, pads, age = simulated(4000, 21)
    data = complete_times(episodes_of(time, cause, placement=pads, age_years=age), Covariates(("age_years",)), AP, AL)
    placement, years = cause_specific_ratios(data, 1).ratios
    assert np.log(placement.value) == pytest.approx(0.5, abs=0.12)
    assert placement.lower < np.exp(0.5) < placement.upper
    assert np.log(years.value) == pytest.approx(0.02, abs=0.005)
    other = cause_specific_ratios(data, 2)
    assert other.ratios[0].lower < 1 < other.ratios[0].upper
    assert other.events == (cause == 3).sum()
    assert placement.notes == ()


def test_delayed_entry_against_lifelines():
    rng = np.random.default_rng(12)
    time, cause, pads, age = simulated(300, 12)
    entry = rng.uniform(0, 4, 300)
    seen = time > entry
    time, cause, pads, age, entry = (x[seen] for x in (time, cause, pads, age, entry))
    episodes = episodes_of(time, cause, entry_min=entry, placement=pads, age_years=age)
    data = complete_times(episodes, Covariates(("age_years",)), AP, AL)
    frame = pd.DataFrame({"t": time, "e": cause == 1, "entry": entry, "ap": (pads == AP) * 1.0, "age": age})
    fit = CoxPHFitter().fit(frame, "t", "e", entry_col="entry")
    for part, column in zip(cause_specific_ratios(data, 1).ratios, ("ap", "age"), strict=True):
        assert np.log(part.value) == pytest.approx(fit.params_[column], abs=1e-5)
        assert np.log(part.lower) == pytest.approx(fit.confidence_intervals_.loc[column].iloc[0], abs=1e-5)
    assert "enter after time zero" in subdistribution_ratios(data).reason


def test_interval_times_say_how_much_they_move_the_ratio():
    time, cause, pads, _ = simulated(100, 31)
    early = np.where(cause == 1, time * 0.7, time)
    data = complete_times(episodes_of(time, cause, earliest_min=early, placement=pads), NONE, AP, AL)
    late_fit, early_fit = (
        CoxPHFitter().fit(pd.DataFrame({"t": t, "e": cause == 1, "ap": (pads == AP) * 1.0}), "t", "e").params_["ap"]
        for t in (time, early)
    )
    ratio = cause_specific_ratios(data, 1).ratios[0]
    assert np.log(ratio.value) == pytest.approx(late_fit, abs=1e-5)
    assert f"changes by {early_fit - late_fit:+.3f}" in ratio.notes[-1]


def test_placement_never_captured():
    pads = [AP] * 6 + [AL] * 6
    data = complete_times(episodes_of([1, 2, 3, 4, 5, 6] * 2, [1] * 6 + [3] * 6, placement=pads), NONE, AP, AL)
    for found in (cause_specific_ratios(data, 1), subdistribution_ratios(data)):
        assert found.ratios == ()
        assert "no finite estimate" in found.reason
        assert found.events == 6


def test_whole_regression_and_its_check():
    """Proportional hazards hold here; where the ratio turns over at 3 min the check finds it."""
    time, cause, pads, age = simulated(400, 41)
    episodes = episodes_of(time, cause, placement=pads, age_years=age, sex=np.where(age % 3 == 0, "male", "female"))
    found = time_regression(episodes, covariates=Covariates(("age_years", "sex")), first=AP, minus=AL)
    assert found.names == (f"placement: {AP}", "age_years", "sex: male")
    assert [test.name for test in found.proportionality.terms] == ["placement", "age_years", "sex"]
    assert found.proportionality.together.df == 3
    assert found.proportionality.log_ratios.shape == ((cause == 1).sum(), 3)
    assert found.proportionality.smooth.shape == (found.proportionality.smooth_minutes.size, 3)
    assert found.proportionality.terms[0].p_value > 0.05
    # residuals scatter around the coefficient
    mean = found.proportionality.log_ratios.mean(axis=0)
    np.testing.assert_allclose(mean, [np.log(part.value) for part in found.capture.ratios], atol=1e-6)
    assert found.subdistribution.events == found.capture.events == (cause == 1).sum()
    assert (found.n, found.n_offered) == (400, 400)
    rng = np.random.default_rng(5)
    ap = rng.random(600) < 0.5
    late = rng.exponential(4, 600)
    crossing = np.where(ap & (late > 3), 3 + (late - 3) * 3, np.where(ap, late * 0.5, late))
    turned = complete_times(episodes_of(crossing, np.ones(600), placement=np.where(ap, AP, AL)), NONE, AP, AL)
    check = check_proportionality(turned)
    assert check.terms[0].p_value < 1e-4
    assert check.smooth[0, 0] > check.smooth[-1, 0]


def test_proportionality_of_gehan(reference):
    """R survival 3.5.3: cox.zph(coxph(Surv(time, cens) ~ treat, MASS::gehan)), and the first points of its plot."""
    time, event, treated = np.array(reference("s18").data["rows"], dtype=float).T
    # R's reference is 6-MP
    arms = np.where(treated == 1, "6mp", "control")
    check = check_proportionality(complete_times(episodes_of(time, event, placement=arms), NONE, "control", "6mp"))
    assert check.terms[0].statistic == pytest.approx(0.0228633780528, rel=1e-6)
    assert check.terms[0].p_value == pytest.approx(0.879812894957, rel=1e-6)
    assert check.minutes[:6].tolist() == [1, 1, 2, 2, 3, 4]
    np.testing.assert_allclose(
        check.log_ratios[:6, 0], [2.467255, 2.467255, 2.545642, 2.545642, 2.613510, 2.692876], atol=1e-5
    )


@pytest.mark.parametrize(
    ("time", "cause", "reason"),
    [
        ([2] * 12, [1] * 12, "one time"),
        ([0] * 12, [1] * 12, "one time"),
        (list(range(1, 13)), [1] + [2] * 11, "separates|no finite|one time"),
        (list(range(1, 13)), [1] * 12, ""),
    ],
)
def test_regression_at_its_edges(time, cause, reason):
    """All tied, all at once, one capture: reasons, not exceptions; 12 patients work."""
    found = time_regression(episodes_of(time, cause, placement=[AP, AL] * 6), covariates=NONE, first=AP, minus=AL)
    assert re.search(reason, found.proportionality.reason)
    assert (found.proportionality.reason == "") == (reason == "")
    for part in (found.capture, found.other_ends, found.subdistribution):
        assert bool(part.ratios) == (part.reason == "")
    if reason == "":
        assert found.capture.ratios[0].notes == ()
        assert found.times.ratios[0].value is not None
    with pytest.raises(NotEstimableError, match="None of the 12"):
        time_regression(episodes_of(time, [2] * 12, placement=[AP, AL] * 6), covariates=NONE)


def test_smooth_line_where_most_captures_are_tied():
    """No line is drawn where the smoother has nothing to go by; the tests remain."""
    time = [1, 1, 1, 1, 1, 1, 1, 1, 2, 3]
    data = complete_times(episodes_of(time, [1] * 10, placement=[AP, AL] * 5), NONE, AP, AL)
    check = check_proportionality(data)
    assert check.together is not None
    assert np.isfinite(check.smooth).all()
    few = complete_times(episodes_of([1, 2, 3, 4], [1, 1, 1, 1], placement=[AP, AL, AL, AP]), NONE, AP, AL)
    assert check_proportionality(few).smooth.shape == (0, 1)
