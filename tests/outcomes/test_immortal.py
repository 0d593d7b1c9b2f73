"""Immortal time: recorded heart-transplant cases (R survival), another library, cases by hand, simulated truth."""

from __future__ import annotations

import re
import runpy
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter

from capstat.numerics.hazards import fit_hazards
from capstat.outcomes.immortal import immortal_comparison
from capstat.outcomes.immortal_course import SurvivalCourse, confounder_columns
from capstat.outcomes.immortal_landmark import landmark
from capstat.outcomes.immortal_naive import naive
from capstat.outcomes.immortal_risks import group_risk, survival_at
from capstat.outcomes.immortal_time_varying import course_rows, time_varying
from capstat.results import NotEstimableError, UsageError

ROOT = Path(__file__).parents[2]
REFERENCE = ROOT / "tests" / "reference"
SIMULATION = runpy.run_path(str(ROOT / "analyses" / "15_immortal_time.py"))


def course(captured, until, died, entry=None, **confounders):
    n = len(until)
    return SurvivalCourse(
        np.array(captured, dtype=float), np.array(until, dtype=float), np.array(died, dtype=bool),
        np.zeros(n) if entry is None else np.array(entry, dtype=float), pd.DataFrame(confounders, index=range(n)),
        np.array([f"P{i}" for i in range(n)], dtype=object),
    )  # fmt: skip


@pytest.fixture
def jasa():
    frame = pd.read_csv(REFERENCE / "s21_jasa.csv")
    wait = np.where(frame["transplant"] == 1, frame["wait"], np.nan)
    return course(wait, frame["futime"], frame["fustat"] == 1, age=frame["age"], surgery=frame["surgery"])


@pytest.fixture
def heart():
    """Courses again from the counting-process rows of s20."""
    frame = pd.read_csv(REFERENCE / "s20_heart.csv")
    last = frame.groupby("id").last()
    captured = np.where(last["transplant"] == 1, last["start"], np.nan)
    columns = {name: last[name].to_numpy() for name in ("age", "year", "surgery")}
    return course(captured, last["stop"], last["event"] == 1, **columns)


@pytest.mark.reference
def test_landmark_of_heart_transplants(reference, jasa):
    case = reference("s21")
    got = landmark(jasa, 30, horizon_min=395)
    case.check("n_included_ntx_ndeaths", [got.included, got.captured_by, got.deaths])
    case.check("cox_unadjusted(coef,se)", [got.crude.coefficients[0], got.crude.standard_errors[0]])
    assert got.adjusted.names == ("captured", "age", "surgery")
    case.check("cox_adjusted(tx,age,surgery)", got.adjusted.coefficients)
    case.check("km_S(365 d after landmark) not-tx, tx", [1 - got.not_captured.risk, 1 - got.captured.risk])
    case.check("naive_ever_transplanted_coef", naive(jasa, horizon_min=365).hazard.coefficients[0])
    assert got.difference.value == pytest.approx(100 * (0.37204467437 - 0.4725))
    assert got.ratio.value == pytest.approx((1 - 0.4725) / (1 - 0.37204467437))
    # 103 patients: nobody is lost without being counted
    assert got.included + got.died_before + got.lost_before == 103


@pytest.mark.reference
def test_time_varying_of_heart_transplants(reference, heart):
    case = reference("s20")
    frame = pd.read_csv(REFERENCE / "s20_heart.csv")
    got = time_varying(heart)
    assert len(got.rows.stop) == len(frame) == 172
    np.testing.assert_array_equal(np.maximum(got.rows.start, 0), frame["start"])
    np.testing.assert_array_equal(got.rows.stop, frame["stop"])
    np.testing.assert_array_equal(got.rows.died, frame["event"] == 1)
    order = [got.adjusted.names.index(name) for name in ("age", "year", "surgery", "captured")]
    case.check("efron.coef(age,year,surgery,transplant)", got.adjusted.coefficients[order])
    case.check("efron.se", got.adjusted.standard_errors[order])
    case.check("efron.loglik", got.adjusted.log_likelihood)
    design = np.column_stack([confounder_columns(heart).matrix[got.rows.patient], got.rows.captured])
    breslow = fit_hazards(got.rows.stop, got.rows.died, design, entry=got.rows.start, ties="breslow")
    case.check("breslow.coef", breslow.coefficients)
    case.check("breslow.loglik", breslow.log_likelihood)


def test_naive_says_what_it_is(jasa):
    got = naive(jasa, horizon_min=365)
    for estimate in (got.hazard.ratio, got.difference, got.ratio):
        assert "BIASED" in estimate.quantity
        assert "BIASED" in estimate.method
        assert "immortal time" in estimate.notes[0]
    # by hand from the file: days before transplantation over all days of the transplanted
    frame = pd.read_csv(REFERENCE / "s21_jasa.csv").query("transplant == 1")
    assert got.immortal_share == pytest.approx(frame["wait"].sum() / frame["futime"].sum())


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6))
def test_product_limit_with_late_entry_and_weights(seed):
    """lifelines, with whole weights and late entry; deaths come before losses at the same time."""
    rng = np.random.default_rng(seed)
    entry = np.where(rng.random(25) < 0.5, 0.0, rng.integers(0, 4, 25)).astype(float)
    stop = entry + rng.integers(1, 9, 25)
    died, weight = rng.random(25) < 0.6, rng.integers(1, 4, 25)
    horizon = float(rng.integers(1, 10))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # lifelines warns when an early risk set dies out
        curve = KaplanMeierFitter().fit(stop, died, entry=entry, weights=weight)
    start = np.where(entry > 0, entry, -1.0)
    got = survival_at(start, stop, died, horizon, weight[None].astype(float))[0][0]
    assert got == pytest.approx(float(curve.predict(horizon)), abs=1e-12)


def test_greenwood_limits():
    """Gehan's treated group at 10 weeks: S = 0.753, standard error 0.0963 (Kaplan-Meier table, from memory of texts)."""
    time = np.array([6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35.0])
    died = np.array([1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0], dtype=bool)
    start = np.full(time.size, -1.0)
    survival, variance = survival_at(start, time, died, 10.0, np.ones((1, 21)))
    assert survival[0] == pytest.approx(0.7529, abs=5e-5)
    assert survival[0] * np.sqrt(variance[0]) == pytest.approx(0.0963, abs=5e-5)
    risk = group_risk(start, time, died, 10.0, 0.95)
    assert 0.1 < risk.lower < risk.risk < risk.upper < 0.48


def test_rows_at_the_ends():
    """Captured at time zero, at death, at the first pulse, never, and in between."""
    c = course([0, 5, 2, np.nan, 3], [4, 5, 6, 7, 8], [1, 1, 0, 0, 1], entry=[0, 0, 2, 0, 1])
    rows = course_rows(c)
    shown = list(zip(rows.patient, rows.start, rows.stop, rows.died, rows.captured, strict=True))
    assert shown == [
        (0, -1, 4, True, True),
        (1, -1, 5, True, False),  # death comes first
        (2, 2, 6, False, True),
        (3, -1, 7, False, False),
        (4, 1, 3, False, False),
        (4, 3, 8, True, True),
    ]


def test_landmark_counts_by_hand():
    c = course(
        [1, 5, 6, np.nan, np.nan, 2, np.nan, 9], [9, 9, 9, 5, 5, 4, 9, 12], [1, 0, 1, 1, 0, 1, 0, 0],
        entry=[0, 0, 0, 0, 0, 0, 0, 6],
    )  # fmt: skip
    got = landmark(c, 5, horizon_min=9)
    # captured at 5 is captured by 5; captured at 6 is not; death and loss at 5 are out
    assert (got.included, got.captured_by, got.deaths, got.captured_later) == (4, 2, 2, 1)
    assert (got.died_before, got.lost_before, got.not_yet_watched) == (2, 1, 1)
    assert got.difference.value == pytest.approx(0)
    assert got.adjusted is None


def rows_of(c, **options):
    found = immortal_comparison(c, **{"horizon_min": 30.0, "replicates": 40, "seed": 1, **options})
    return {(row.method, row.at_min): row for row in found.rows}, found


def test_comparison_side_by_side():
    c = SIMULATION["drawn"]("confounding", 150, np.random.default_rng(3))
    rows, found = rows_of(c)
    assert list(rows) == [
        ("naive", None), ("landmark", 2.0), ("landmark", 5.0), ("landmark", 10.0), ("time-varying", None),
        ("clone-censor-weight", 2.0), ("clone-censor-weight", 5.0), ("clone-censor-weight", 10.0),
    ]  # fmt: skip
    assert [row.biased for row in found.rows] == [True] + 7 * [False]
    words = re.compile(r"\b(effects?|benefits?|recommend|causes?|causal)\b")
    for row in found.rows:
        text = " ".join([row.assumption, *(reason for _, reason in row.reasons)]).lower()
        absent = dict(row.reasons)
        for name in ("hazard_ratio", "adjusted_hazard_ratio", "risk_difference", "risk_ratio"):
            estimate = getattr(row, name)
            assert (estimate is None) == (name in absent)
            if estimate is not None:
                text += f" {estimate.quantity} {estimate.method} {' '.join(estimate.notes)}".lower()
                assert estimate.n == row.n
        assert not words.search(text)
    emulated = rows["clone-censor-weight", 5.0]
    assert "holds only if the recorded confounders" in emulated.assumption
    again, _ = rows_of(c)
    assert again["clone-censor-weight", 5.0].risk_difference == emulated.risk_difference
    other, _ = rows_of(c, seed=2)
    assert other["clone-censor-weight", 5.0].risk_difference.lower != emulated.risk_difference.lower
    crude, bare = rows_of(c, confounders=())
    assert crude["time-varying", None].adjusted_hazard_ratio is None
    assert bare.confounders == ()
    with pytest.raises(UsageError, match="no confounder 'size'; it has: severe"):
        rows_of(c, confounders=("size",))
    with pytest.raises(UsageError, match="before the horizon"):
        rows_of(c, landmarks_min=(30,))
    with pytest.raises(UsageError, match="one landmark"):
        rows_of(c, landmarks_min=())


def reason(row, name="risk_difference"):
    return getattr(row, name).reason if getattr(row, name) is not None else dict(row.reasons)[name]


def test_no_deaths():
    rows, _ = rows_of(course([1, 3, 8, np.nan, np.nan, np.nan], [40] * 6, [0] * 6))
    assert reason(rows["naive", None], "hazard_ratio") == "nobody died"
    assert rows["landmark", 5.0].risk_difference.value == 0
    assert rows["landmark", 5.0].risk_difference.lower < -10
    emulated = rows["clone-censor-weight", 5.0].risk_difference
    assert emulated.value == 0
    assert emulated.lower < -10 < 10 < emulated.upper
    assert reason(rows["clone-censor-weight", 5.0], "risk_ratio") == "nobody not captured within 5 min died"


@pytest.mark.parametrize(("captured", "who"), [(np.nan, "nobody"), (0.0, "everybody")])
def test_nobody_or_everybody_captured(captured, who):
    rows, _ = rows_of(course([captured] * 12, range(20, 44, 2), [1, 0] * 6))
    assert who in reason(rows["time-varying", None], "hazard_ratio")
    assert f"{who} had been captured" in reason(rows["clone-censor-weight", 5.0])
    side = "not captured" if who == "everybody" else "captured"
    assert reason(rows["landmark", 5.0]) == f"nobody was {side} by 5 min"


def test_all_lost_before_the_landmark():
    rows, found = rows_of(course([1, np.nan, 2], [4, 3, 4], [1, 0, 0]))
    assert "Nobody was alive and watched after 5 min (1 had died, 2 were last seen" in reason(rows["landmark", 5.0])
    assert reason(rows["clone-censor-weight", 5.0]) == "Nobody was alive and watched after 5 min."
    assert [one.at_min for one in found.landmarks] == [2.0]


def test_twelve_patients_with_ties():
    c = course(
        [0, 1, 1, 1, 5, 5, 5, np.nan, np.nan, np.nan, 5, 10],
        [5, 40, 40, 20, 5, 40, 20, 5, 20, 40, 40, 10],
        [1, 0, 0, 1, 1, 0, 1, 1, 1, 0, 0, 1],
        entry=None, old=[True, False] * 6,
    )  # fmt: skip
    rows, _ = rows_of(c)
    for row in rows.values():
        for name in ("hazard_ratio", "risk_difference"):
            estimate = getattr(row, name)
            assert estimate is not None or reason(row, name)
    assert rows["landmark", 5.0].risk_difference.value is not None


def test_course_refuses_times_that_cannot_be():
    for bad, words in (
        (([1], [0.5], [1]), "captured_min must lie"),
        (([np.nan], [np.nan], [1]), "must be known"),
        (([np.nan], [3], [1], [3]), "later than entry_min"),
        (([1], [3], [1], [2]), "captured_min must lie"),
        (([np.nan], [3], [1], [-1]), "0 or later"),
        (([1, 2], [3], [1]), "captured_min has 2 entries"),
    ):
        with pytest.raises(UsageError, match=words):
            course(*bad)
    with pytest.raises(UsageError, match="landmark"):
        landmark(course([1], [3], [1]), 5, horizon_min=5)
    with pytest.raises(NotEstimableError, match="Nobody was alive"):
        landmark(course([1], [3], [1]), 5, horizon_min=6)


def test_large_study_without_association():
    """20,000 patients, capture does nothing, confounding by the recorded severity: simulated truth."""
    c = SIMULATION["drawn"]("confounding", 20_000, np.random.default_rng(11))
    biased = naive(c, horizon_min=30.0)
    assert biased.hazard.ratio.upper < 0.6
    assert biased.difference.upper < -20
    at, varying = landmark(c, 5.0, horizon_min=30.0), time_varying(c)
    for model in (at.adjusted, varying.adjusted):
        error = model.standard_errors[0] if model.robust_errors is None else model.robust_errors[0]
        assert abs(model.coefficients[0]) < 3 * error
        assert error < 0.05
    # without adjustment the confounding remains
    assert varying.crude.ratio.upper < 0.9
    assert at.crude.ratio.upper < 0.9


@pytest.mark.slow
def test_how_often_an_association_is_claimed():
    """400 studies of 300 (150 with a bootstrap) without any association: known truth."""
    for scenario in ("no confounding", "confounding"):
        rows = {row["method"]: row for row in SIMULATION["studied"](scenario, 300, 400, 150, 5)}
        assert rows["naive, log hazard ratio"]["claimed, %"] > 50
        for name in ("landmark, adjusted log hazard ratio", "time-varying, adjusted log hazard ratio",
                     "clone-censor-weight, risk difference"):  # fmt: skip
            assert 2 <= rows[name]["claimed, %"] <= 9, (scenario, name)
