"""Quantiles, restricted means and time lost, against R's survival (recorded), lifelines and known truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter
from lifelines.utils import restricted_mean_survival_time

from capstat.numerics.cumulative_incidence import event_curves
from capstat.numerics.proportions import clopper_pearson
from capstat.numerics.time_summaries import (
    event_free_quantile,
    incidence_quantile,
    restricted_mean,
    restricted_mean_difference,
    time_lost,
    time_lost_difference,
)


def gehan(case):
    d = pd.DataFrame(case.data["rows"], columns=case.data["columns"])
    return [event_curves(g["time"], g["event"], n_causes=1) for _, g in d.groupby("treated_6mp", sort=True)][::-1]


@pytest.mark.reference
def test_remission_of_leukaemia(reference):
    """Medians, their log-log limits, and restricted means up to 23 weeks, of R's survfit."""
    treated, control = gehan(reference("s18"))
    case = reference("r16")
    medians = [event_free_quantile(curves) for curves in (treated, control)]
    reference("s18").check("km.median(6mp,control)", [x.value for x in medians])
    limits = [x.lower for x in medians] + [x.upper if np.isfinite(x.upper) else np.nan for x in medians]
    case.check("gehan.median_limits(6mp lo,control lo,6mp hi,control hi)", limits)
    assert medians[0].upper == np.inf
    means = [restricted_mean(curves, 23) for curves in (treated, control)]
    case.check("gehan.restricted_mean(6mp,control)", [x.value for x in means])
    case.check("gehan.restricted_mean_se", [x.se for x in means])
    gap = restricted_mean_difference(treated, control, 23)
    se = np.hypot(means[0].se, means[1].se)
    half = 1.959963984540054 * se
    value = means[0].value - means[1].value
    assert (gap.value, gap.se, gap.lower, gap.upper) == pytest.approx((value, se, value - half, value + half))


@pytest.mark.reference
def test_areas_of_r(reference):
    """Time lost to each of three causes: delta method, and R's influences added up by cluster."""
    case = reference("r16")
    d = pd.DataFrame(case.data["rows"], columns=case.data["columns"])
    plain = event_curves(d["time"], d["cause"], n_causes=3)
    whole = event_curves(d["time"], d["cause"], entry=d["entry"], weight=d["weight"], cluster=d["cluster"], n_causes=3)
    for name, curves in (("plain", plain), ("all", whole)):
        lost = [time_lost(curves, cause, 20) for cause in (1, 2, 3)]
        case.check(f"{name}.time_lost", [x.value for x in lost])
        case.check(f"{name}.time_lost_se", [x.se for x in lost])
        mean = restricted_mean(curves, 20)
        case.check(f"{name}.restricted_mean", [mean.value, mean.se])
        assert mean.value + sum(x.value for x in lost) == pytest.approx(20)


rows = st.lists(st.tuples(st.integers(1, 8), st.integers(0, 2)), min_size=2, max_size=25)


@given(rows, st.integers(1, 8))
@settings(max_examples=12, deadline=None)
def test_lifelines(data, tau):
    """Medians and restricted means of lifelines; the delta method is the jackknife by row."""
    time, cause = (np.array(column) for column in zip(*data, strict=True))
    curves = event_curves(time, cause, n_causes=2)
    fitter = KaplanMeierFitter().fit(time, cause > 0)
    median = event_free_quantile(curves)
    # its median misses a curve that reaches a half but for rounding
    if not np.isclose(curves.event_free, 0.5).any():
        assert (np.inf if median.value is None else median.value) == fitter.median_survival_time_
    mean = restricted_mean(curves, tau)
    if mean.value is None:
        assert tau > time.max()
        assert not curves.times.size or curves.event_free[-1] > 0
        return
    assert mean.value == pytest.approx(restricted_mean_survival_time(fitter, t=tau), abs=1e-9)
    jackknifed = event_curves(time, cause, n_causes=2, cluster=np.arange(time.size))
    assert restricted_mean(jackknifed, tau).se == pytest.approx(mean.se, abs=1e-7)
    for which in (1, 2):
        ours = time_lost(curves, which, tau)
        assert time_lost(jackknifed, which, tau).se == pytest.approx(ours.se, abs=1e-7)
        if ours.lower is not None:
            assert 0 <= ours.lower <= ours.value <= ours.upper <= tau


def test_limits_hold_in_repeated_studies():
    """Known truth: exponential times; groups share every cluster, so that the difference knows more than its parts."""
    rng = np.random.default_rng(6)
    truth = (1 - np.exp(-0.8)) * 10  # rate 0.1, up to 8
    held, gaps, errors, apart = 0, [], [], []
    for _ in range(400):
        frailty = rng.gamma(4, 0.25, 30)
        curves = []
        for _ in range(2):
            event, end = rng.exponential(10, 30) / frailty, rng.uniform(5, 20, 30)
            curves.append(event_curves(np.minimum(event, end), event <= end, n_causes=1, cluster=np.arange(30)))
        gap = restricted_mean_difference(*curves, 8)
        gaps.append(gap.value)
        errors.append(gap.se)
        apart.append(np.hypot(*(restricted_mean(x, 8).se for x in curves)))
        held += gap.lower <= 0 <= gap.upper
    assert np.mean(errors) == pytest.approx(np.std(gaps), rel=0.1)
    assert np.mean(apart) > np.mean(errors)
    assert 0.91 <= held / 400 <= 0.98
    event, end = rng.exponential(10, 20_000), rng.uniform(5, 20, 20_000)
    big = restricted_mean(event_curves(np.minimum(event, end), event <= end, n_causes=1), 8)
    assert big.value == pytest.approx(truth, abs=4 * big.se)


def test_quantile_conventions():
    """First time at which half had the event; 0 of five does not exclude a half (sign test), 0 of six does."""
    even = event_free_quantile(event_curves([1, 2, 3, 4], [1, 1, 1, 1], n_causes=1))
    assert even.value == 2  # R takes 2.5
    for n, lower in ((5, 0.0), (6, 1.0)):
        found = event_free_quantile(event_curves(np.arange(1, n + 1), np.ones(n), n_causes=1))
        assert found.lower >= lower
        assert (found.lower == 0) == (n == 5)
        assert (clopper_pearson(0, n)[1] >= 0.5) == (n == 5)
    stays = incidence_quantile(event_curves(np.arange(1, 21), np.r_[1, np.full(19, 2)], n_causes=2), 1)
    assert stays.value is None
    assert stays.reason == "The share stayed below 50 % for as long as anybody was followed (20)."
    assert (stays.lower, stays.upper) == (20, np.inf)
    other = incidence_quantile(event_curves(np.arange(1, 21), np.r_[1, np.full(19, 2)], n_causes=2), 2, 0.25)
    assert other.value == 6
    entry, time = np.r_[0, np.full(10, 5)], np.r_[1, np.arange(6, 16)]
    fallen = event_free_quantile(event_curves(time, np.ones(11), entry=entry, n_causes=1))
    assert (fallen.value, fallen.upper) == (None, np.inf)
    assert fallen.reason == "Nobody was at risk after 1 until others entered."
    with pytest.raises(ValueError, match="between 0 and 1"):
        event_free_quantile(event_curves([1], [1], n_causes=1), 1.0)


def test_areas_without_events_or_variation():
    none = event_curves(np.full(10, 5.0), np.zeros(10), n_causes=1)
    mean = restricted_mean(none, 5)
    assert (mean.value, mean.se, mean.upper) == (5, 0, 5)
    assert mean.lower == pytest.approx(5 * clopper_pearson(10, 10)[0])
    assert event_free_quantile(none).value is None
    late = restricted_mean(none, 6)
    assert late.value is None
    assert late.reason == "Nobody was followed to 6; the longest time is 5."
    tied = event_curves(np.full(10, 2.0), np.ones(10), n_causes=1)
    alike = restricted_mean(tied, 5)
    assert (alike.value, alike.lower, alike.upper) == (2, None, None)
    assert alike.reason == "The times show no variation from which limits could be made."
    assert time_lost_difference(none, tied, 1, 5).lower is None
    # a group without events still has a limit, so the difference has one
    some = event_curves(np.arange(1.0, 11), np.ones(10), n_causes=1)
    gap = restricted_mean_difference(none, some, 5)
    part = restricted_mean(some, 5)
    assert gap.value == pytest.approx(5 - part.value)
    assert gap.lower == pytest.approx(gap.value - np.hypot(5 - mean.lower, part.upper - part.value))
    assert gap.upper == pytest.approx(gap.value + part.value - part.lower)
    beyond = restricted_mean_difference(some, none, 6)
    assert beyond.value is None
    assert beyond.reason.startswith("In the second group: Nobody was followed to 6")
    with pytest.raises(ValueError, match="positive"):
        restricted_mean(some, 0)
    entry, time = np.r_[0, np.full(10, 5)], np.r_[1, np.arange(6, 16)]
    emptied = restricted_mean(event_curves(time, np.ones(11), entry=entry, n_causes=1), 8)
    assert emptied.value is None
