"""Tests of proportional hazards against R's cox.zph (recorded), lifelines, numerical derivatives and simulation."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from lifelines import CoxPHFitter
from scipy import stats

from capstat.numerics.hazards import fit_hazards
from capstat.numerics.proportionality import assess_proportionality, smooth_residuals
from capstat.results import NotEstimableError, UsageError

REFERENCE = Path(__file__).parent.parent / "reference"
LUNG = ["age", "female", "karnofsky"]


def fits_of(case):
    lung = pd.DataFrame(case.data["lung"], columns=case.data["lung_columns"])
    rows = pd.DataFrame(case.data["rows"], columns=case.data["columns"])
    heart = pd.read_csv(REFERENCE / "s20_heart.csv")
    mgus2 = pd.read_csv(REFERENCE / "s19_mgus2.csv").dropna()
    return {
        "lung": fit_hazards(lung["time"], lung["died"], lung[LUNG], names=LUNG),
        "lung_breslow": fit_hazards(lung["time"], lung["died"], lung[LUNG], ties="breslow"),
        "heart": fit_hazards(
            heart["stop"], heart["event"], heart[["age", "year", "surgery", "transplant"]], entry=heart["start"]
        ),
        "mgus2": fit_hazards(mgus2["etime"], mgus2["event"] == 2, mgus2[["age", "male", "mspike"]]),
        "all": fit_hazards(
            rows["tied"], rows["cause"] == 1, rows[["x1", "x2", "x3"]], entry=rows["entry"], weight=rows["weight"]
        ),
    }


@pytest.mark.reference
@pytest.mark.parametrize("transform", ["km", "identity", "log", "rank"])
def test_cox_zph(reference, transform):
    case = reference("r17")
    for name, fit in fits_of(case).items():
        got = assess_proportionality(fit, transform=transform)
        case.check(f"zph.{name}.{transform}.statistic", [*got.statistic, got.global_statistic])
        if transform == "km":
            ends = [got.residuals[got.times == t].sum(axis=0) for t in (got.times[0], got.times[-1])]
            case.check(f"zph.{name}.residuals(first,last)", np.concatenate(ends))
            case.check(f"zph.{name}.transformed(last)", got.transformed[-1])
        np.testing.assert_allclose(got.p_value, stats.chi2.sf(got.statistic, 1))
        assert got.global_p_value == pytest.approx(stats.chi2.sf(got.global_statistic, len(fit.names)))


@pytest.mark.reference
def test_columns_of_one_term(reference):
    case = reference("r17")
    fit = fits_of(case)["lung"]
    got = assess_proportionality(fit, terms={"person": (0, 1), "karnofsky": (2,)})
    case.check("zph.lung_grouped.km.statistic", [*got.statistic, got.global_statistic])
    case.check("zph.lung_grouped.degrees", [*got.degrees, 3])
    assert got.terms == ("person", "karnofsky")


@pytest.mark.reference
def test_scaled_residuals_of_lifelines(reference):
    """The same points, in the order of lifelines' index; it leaves the coefficient out."""
    case = reference("r17")
    lung = pd.DataFrame(case.data["lung"], columns=case.data["lung_columns"])
    fitter = CoxPHFitter().fit(lung, "time", "died")
    other = fitter.compute_residuals(lung, "scaled_schoenfeld")
    fit = fits_of(case)["lung"]
    got = assess_proportionality(fit)
    want = other.assign(time=lung["time"]).groupby("time")[LUNG].sum() + 0.0
    mine = pd.DataFrame(got.residuals - fit.coefficients, columns=LUNG).groupby(got.times).sum()
    np.testing.assert_allclose(mine, want.loc[mine.index], rtol=1e-4, atol=1e-6)


def test_score_is_that_of_a_model_with_time():
    """Rows cut at every event time, with the added column z g(t): score and information by own regression's likelihood."""
    rng = np.random.default_rng(4)
    n = 40
    x = rng.normal(0, 1, n)
    time, event = rng.permutation(n) + 1.0, rng.random(n) < 0.7
    fit = fit_hazards(time, event, x[:, None])
    got = assess_proportionality(fit, transform="identity")
    rows = [(i, t) for t in fit.baseline_times for i in np.flatnonzero(time >= t)]
    who, at = np.array([i for i, _ in rows]), np.array([t for _, t in rows])
    mean = fit.baseline_times.mean()
    beta = fit.coefficients[0]

    def value(b, c):
        total = 0.0
        for t in fit.baseline_times:
            there = who[at == t]
            linear = x * (b + c * (t - mean))
            total += linear[event & (time == t)].sum() - np.log(np.exp(linear[there]).sum())
        return total

    h = np.array([1e-3, 1e-4])
    up, down = (value(beta, s * h[1]) for s in (1, -1))
    score = (up - down) / (2 * h[1])
    here = value(beta, 0)
    second = -(up + down - 2 * here) / h[1] ** 2
    first = -(value(beta + h[0], 0) + value(beta - h[0], 0) - 2 * here) / h[0] ** 2
    cross = -sum(s * u * value(beta + s * h[0], u * h[1]) for s in (1, -1) for u in (1, -1)) / (4 * h[0] * h[1])
    assert got.statistic[0] == pytest.approx(score**2 / (second - cross**2 / first), rel=1e-4)


def simulated(rng, n, late):
    """Hazard ratio e^0.5 up to time 1, then e^late."""
    x = rng.integers(0, 2, n).astype(float)
    gap = rng.exponential(size=n)
    early = np.exp(0.5 * x)
    time = np.where(gap < early, gap / early, 1 + (gap - early) / np.exp(late * x))
    end = rng.uniform(0.5, 4, n)
    return fit_hazards(np.minimum(time, end), time <= end, x[:, None])


def test_finds_a_change_and_its_size():
    fit = simulated(np.random.default_rng(2), 3000, -0.7)
    got = assess_proportionality(fit)
    assert got.p_value[0] < 1e-6
    times, smooth = smooth_residuals(got, 0)
    assert times.shape == smooth.shape == fit.baseline_times.shape
    # the line reads 0.5 early and -0.7 late, blurred at the jump
    assert smooth[times < 0.3].mean() == pytest.approx(0.5, abs=0.25)
    assert smooth[times > 2].mean() == pytest.approx(-0.7, abs=0.35)


def test_rejects_as_often_as_said():
    """400 studies of 60 rows without a change: 5 % within 3 Monte Carlo errors."""
    rng = np.random.default_rng(6)
    found = np.array([assess_proportionality(simulated(rng, 60, 0.5)).p_value[0] for _ in range(400)])
    assert 0.02 < (found < 0.05).mean() < 0.085


def test_what_cannot_be_had():
    x = np.array([[1.0], [0], [1], [0], [1], [0]])
    fit = fit_hazards([0, 1, 2, 3, 4, 4], [1, 1, 1, 1, 0, 0], x)
    with pytest.raises(UsageError, match="transform must be one of km"):
        assess_proportionality(fit, transform="square")
    with pytest.raises(UsageError, match="columns from 0 to 0"):
        assess_proportionality(fit, terms={"a": (1,)})
    with pytest.raises(NotEstimableError, match="log of time needs"):
        assess_proportionality(fit, transform="log")
    with pytest.raises(NotEstimableError, match="at least five events"):
        smooth_residuals(assess_proportionality(fit), 0)
    with pytest.raises(NotEstimableError, match="one time"):
        assess_proportionality(fit_hazards([2, 2, 3, 3], [1, 1, 0, 0], x[:4]))
