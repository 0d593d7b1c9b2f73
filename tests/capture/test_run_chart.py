"""Charts of false capture by month: rules by hand and in R, quantiles of R and scipy, false alarms under no change."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from capstat.capture.claims import Claims
from capstat.capture.run_chart import false_capture_chart
from capstat.numerics.run_rules import binomial_limits, geometric_limits, run_rules
from capstat.results import NotEstimableError


def claims_of(upheld, month, patient=None):
    upheld, month = np.asarray(upheld, dtype=float), np.asarray(month, dtype=float)
    n, blank, words = upheld.size, np.full(upheld.size, np.nan), np.full(upheld.size, "unknown", dtype=object)
    patient = np.arange(n) if patient is None else np.asarray(patient)
    return Claims("electrical_capture", "adjudicated_capture", np.arange(n), patient, np.full(n, 80.0), upheld,
                  words, words, month, blank, blank, n, n)  # fmt: skip


def monthly(false, judged, months=None):
    """Claims with so many false and judged ones in each month."""
    months = np.arange(1, len(false) + 1) if months is None else months
    upheld = np.concatenate([np.repeat([0.0, 1.0], [x, n - x]) for x, n in zip(false, judged, strict=True)])
    return claims_of(upheld, np.repeat(months, judged))


@pytest.mark.reference
def test_limits_of_runs_and_counts_are_those_of_r(reference):
    """r12: round, log2, qbinom and qgeom of R; the rule for runs as in Anhoj & Olesen (2014), from memory."""
    case = reference("r12")
    rules = [run_rules(np.where(np.arange(n) % 2, 1.0, -1.0), 0.0) for n in range(10, 61)]
    case.check("longest_run_limit", [rule.longest_run_limit for rule in rules])
    case.check("crossings_limit", [rule.crossings_limit for rule in rules])
    trials = np.array([1, 5, 12, 40, 200])
    for p in (0.05, 0.3, 0.8):
        for error in (0.05, 0.0027):
            low, high = binomial_limits(trials, p, error)
            case.check(f"binomial_low[{p:g},{error:g}]", low)
            case.check(f"binomial_high[{p:g},{error:g}]", high)
            case.check(f"geometric[{p:g},{error:g}]", geometric_limits(p, error))


def test_runs_by_hand():
    """+ + 0 + - - + -: seven off the line, runs 3, 2, 1, 1, three crossings; the point on the line breaks no run."""
    rules = run_rules(np.array([6, 7, 5, 9, 1, 2, 8, 3.0]), 5.0)
    assert (rules.useful, rules.longest_run, rules.crossings) == (7, 3, 3)
    assert (rules.longest_run_limit, rules.crossings_limit) == (6, 1)
    with pytest.raises(ValueError, match="two points off the centre line"):
        run_rules(np.array([5.0, 5.0, 6.0]), 5.0)


@given(st.lists(st.sampled_from([-1.0, 0.0, 1.0]), min_size=2, max_size=40).filter(lambda x: sum(map(abs, x)) >= 2))
def test_runs_agree_with_a_loop(values):
    side = [v for v in values if v]
    longest = run = 1
    for a, b in pairwise(side):
        run = run + 1 if a == b else 1
        longest = max(longest, run)
    rules = run_rules(np.array(values), 0.0)
    assert (rules.longest_run, rules.crossings) == (longest, sum(a != b for a, b in pairwise(side)))


@given(st.integers(1, 200), st.floats(0.01, 0.99), st.sampled_from([0.05, 0.0027]))
def test_each_tail_has_at_most_half_of_the_error(trials, p, error):
    low, high = binomial_limits(trials, p, error)
    assert stats.binom.cdf(low - 1, trials, p) <= error / 2
    assert stats.binom.sf(high, trials, p) <= error / 2 * (1 + 1e-9)
    # one count further in would be too far
    assert stats.binom.cdf(low, trials, p) >= error / 2 * (1 - 1e-9)
    assert high == 0 or stats.binom.sf(high - 1, trials, p) > error / 2
    low, high = geometric_limits(p, error)
    assert stats.geom.cdf(low - 1, p, loc=-1) <= error / 2
    assert (1 - p) ** (high + 1) <= error / 2 * (1 + 1e-9)


def test_a_month_far_off_is_a_signal():
    false, judged = [4] * 11 + [10], [10] * 12
    chart = false_capture_chart(monthly(false, judged), baseline_until=12)
    assert (chart.expected, chart.median, chart.chosen) == (0.4, 0.4, "p-chart")
    np.testing.assert_array_equal(chart.share, np.array(false) / 10)
    # scipy: P(X >= 10) = 0.4^10 = 0.0001, P(X >= 9) = 0.0017 > 0.00135
    assert chart.action_upper[0] == 0.9
    assert chart.warning_upper[0] == stats.binom.ppf(0.975, 10, 0.4) / 10
    assert chart.signals == ("month 12: 10 of 10 false, outside the 0.27 % limits 0 to 9",)
    assert chart.rules is None
    assert chart.rules_reason == "run rules need 10 months off the median; there are 1"
    assert chart.verdict == f"Signal: {chart.signals[0]}."
    assert "the months before 12" in " ".join(chart.notes)
    # without a baseline the month is in its own limits
    assert false_capture_chart(monthly(false, judged)).expected == 0.45


def test_a_shift_is_found_by_the_runs_and_not_by_the_limits():
    """Seven months at 60 %, then seven at 40 %, of ten claims each: within the limits, a single crossing of the median."""
    chart = false_capture_chart(monthly([6] * 7 + [4] * 7, [10] * 14))
    assert chart.median == 0.5
    assert (chart.rules.longest_run, chart.rules.longest_run_limit, chart.rules.crossings) == (7, 7, 1)
    assert chart.signals == ("the median was crossed 1 times, fewer than 4",)
    longer = false_capture_chart(monthly([6] * 8 + [4] * 8, [10] * 16))
    assert longer.signals[0] == "8 months in a row on one side of the median, more than 7"
    steady = false_capture_chart(monthly([6, 4] * 7, [10] * 14))
    assert (steady.signals, steady.verdict) == ((), "No signal (p-chart, 0.27 % limits and run rules).")


def test_rare_false_captures_go_on_a_chart_of_gaps():
    """False claims 2nd, 5th and 6th of 30 in order of month and attempt: gaps 2 and 0, then 24 upheld."""
    upheld = np.ones(30)
    upheld[[1, 4, 5]] = 0
    order = np.random.default_rng(1).permutation(10)  # months out of order in the file
    month = np.repeat(np.arange(1, 11), 3)
    at = np.concatenate([np.flatnonzero(month == m + 1) for m in order])
    chart = false_capture_chart(claims_of(upheld[at], month[at]))
    assert chart.chosen == "g-chart"
    np.testing.assert_array_equal(chart.gaps.gap, [2, 0])
    np.testing.assert_array_equal(chart.gaps.month, [2, 2])
    assert chart.gaps.since_last == 24
    # (1 - 0.1)^k is 1/2 at 6.6: the median of the gaps is 6
    assert chart.gaps.centre == 6
    assert chart.gaps.action == (0, int(np.ceil(np.log(0.00135) / np.log(0.9))) - 1)
    assert chart.signals == ()


def test_a_long_stretch_without_false_capture_is_a_signal_before_it_ends():
    upheld = np.ones(200)
    upheld[[2, 8, 12, 20, 25, 29]] = 0
    chart = false_capture_chart(claims_of(upheld, np.repeat(np.arange(1, 101), 2)), baseline_until=16)
    assert chart.chosen == "g-chart"
    assert chart.gaps.action[1] == int(np.ceil(np.log(0.00135) / np.log(0.8))) - 1
    assert (
        chart.signals[-1]
        == f"170 upheld claims since the last false one, above the 0.27 % limit {chart.gaps.action[1]}"
    )


def test_without_gaps_the_shares_are_charted():
    chart = false_capture_chart(claims_of([1] * 11 + [0], np.arange(1, 13)))
    assert (chart.gaps, chart.gaps_reason, chart.chosen) == (None, "gaps need at least two false captures", "p-chart")
    assert chart.signals == ()


@pytest.mark.parametrize(("upheld", "kind"), [(0, "upheld"), (1, "false")])
def test_claims_of_one_kind_are_not_charted(upheld, kind):
    with pytest.raises(NotEstimableError, match=f"no judged claim was {kind}"):
        false_capture_chart(claims_of([upheld] * 12, np.arange(1, 13)))


def test_a_baseline_of_few_claims_sets_no_limits():
    """Eight upheld claims before the change: limits of 0 to 0 would call the first false one a signal."""
    upheld = [1] * 8 + [0, 1, 1] * 8
    months = [1, 1, 1, 2, 2, 2, 3, 3, *np.repeat(np.arange(4, 12), 3)]
    chart = false_capture_chart(claims_of(upheld, months), baseline_until=4)
    assert chart.signals == ()
    assert chart.baseline_until is None
    assert "too few for limits" in " ".join(chart.notes)


def test_what_was_left_out_is_told():
    chart = false_capture_chart(claims_of([0, 1, 0, 1, 0, np.nan], [1, 1, 4, np.nan, 4, 6], [0, 1, 2, 3, 0, 4]))
    text = " ".join(chart.notes)
    assert "1 judged claims without a study month" in text
    assert "2 months without judged claims" in text
    assert "several judged claims" in text
    np.testing.assert_array_equal((chart.month, chart.judged, chart.false), [[1, 4], [2, 2], [1, 2]])


def test_without_months_or_baseline_there_is_no_chart():
    with pytest.raises(NotEstimableError, match="column 'study_month' of the attempts is empty"):
        false_capture_chart(claims_of([0, 1], [np.nan, np.nan]))
    with pytest.raises(NotEstimableError, match="before month 3"):
        false_capture_chart(claims_of([0, 1], [3, 4]), baseline_until=3)


def alarm_rates(seed, studies, months, mean, share):
    """How often each kind of signal comes up although nothing changed: studies, and single months outside the limits."""
    rng = np.random.default_rng(seed)
    runs = action = warning = points = 0
    for _ in range(studies):
        judged = rng.poisson(mean, months) + 1
        chart = false_capture_chart(monthly(rng.binomial(judged, share), judged))
        runs += chart.rules is not None and (chart.rules.unusually_long or chart.rules.unusually_few)
        warning += ((chart.share < chart.warning_lower) | (chart.share > chart.warning_upper)).sum()
        action += ((chart.share < chart.action_lower) | (chart.share > chart.action_upper)).sum()
        points += months
    return runs / studies, warning / points, action / points


def test_false_alarms_are_no_more_frequent_than_stated():
    """200 studies of 24 months, 30 % false, 12 claims a month: limits are exact, so at most 5 % and 0.27 % of months."""
    runs, warning, action = alarm_rates(1, 200, 24, 11, 0.3)
    assert 0 < warning < 0.05
    assert action < 0.005
    assert 0.01 < runs < 0.14


def test_rare_false_captures_do_not_alarm_the_run_rules():
    """100 studies of 48 months, 5 % false, 6 claims a month, no change: with a median of 0 every other month is above it."""
    rng = np.random.default_rng(8)
    alarms = 0
    for _ in range(100):
        judged = rng.poisson(5, 48) + 1
        chart = false_capture_chart(monthly(rng.binomial(judged, 0.05), judged))
        assert (chart.chosen, chart.rules) == ("g-chart", None)
        useful = (chart.share != chart.median).sum()
        assert ("one side of the median" if useful >= 10 else "need 10 months") in chart.rules_reason
        alarms += bool(chart.signals)
    assert alarms < 15


@pytest.mark.slow
@pytest.mark.parametrize(("months", "mean", "share"), [(12, 6, 0.8), (24, 6, 0.8), (24, 12, 0.3), (60, 12, 0.3)])
def test_false_alarms_under_no_change(months, mean, share):
    runs, warning, action = alarm_rates(7, 1000, months, mean, share)
    print(f"{months} months, {mean + 1} claims, {share:g}: runs {runs:.3f}, {warning:.4f}, {action:.5f}")  # noqa: T201
    assert warning < 0.05
    assert action < 0.0035
    assert runs < 0.15
