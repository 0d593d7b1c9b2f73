"""Comparisons of pairs without a model: scipy on known thresholds, enumeration on intervals, error under no difference."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from capstat.numerics.proportions import paired_difference_tango
from capstat.numerics.sign_flips import sign_flip_test
from capstat.placement.certain_signs import certain_signs, signed_rank_values
from capstat.placement.paired import paired_capture
from capstat.placement.paired_tests import compare_settings_within_patients, paired_tests
from capstat.results import NotEstimableError, UsageError
from capstat.thresholds import CensoredThresholds

INF = np.inf
A, B = "a", "b"


def study(first, second, order=None, **covariates):
    """Thresholds from intervals (n, 2) of both placements; ``order`` is the attempt number of the first placement."""
    first, second = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    n = len(first)
    frame = pd.DataFrame({name: np.concatenate(columns) for name, columns in covariates.items()}, index=range(2 * n))
    if order is not None:
        frame["attempt_order"] = np.concatenate((order, 3 - np.asarray(order)))
    lower, upper = np.concatenate((first, second)).T
    return CensoredThresholds.from_bounds(
        lower, upper, np.tile(np.arange(n), 2), np.repeat([A, B], n), covariates=frame
    )


def known(values):
    return np.column_stack((values, values))


def on_ramp(true, step=10.0, start=40.0, top=140.0):
    upper = np.maximum(np.ceil(true / step) * step, start)
    lower = np.where(upper == start, 0.0, upper - step)
    return np.column_stack((np.where(upper > top, top, lower), np.where(upper > top, INF, upper)))


def random_intervals(n, seed, *, mixed=True):
    """Two placements on ramps of 10 or 15 mA, with thresholds below the start and above the top, some known exactly."""
    rng = np.random.default_rng(seed)
    true = np.exp(rng.normal(4.4, 0.5, (n, 1)) + rng.normal(0, 0.3, (n, 2)))
    both = []
    for column in true.T:
        rows = np.where((rng.random(n) < 0.5)[:, None], on_ramp(column), on_ramp(column, 15.0, 45.0, 135.0))
        if mixed:
            rows = np.where((rng.random(n) < 0.2)[:, None], known(np.round(column, -1)), rows)
        both.append(rows)
    return both


def corners(interval):
    """Thresholds at both ends of (lower, upper]: just above the lower bound, and the upper one."""
    lower, upper = interval
    return (lower,) if lower == upper else (lower + 1e-6, min(upper, 1e9))


def sign_of_sum(one, two):
    """Sign of d_1 + d_2 when all corners of both pairs agree, else 0; a pair is (interval, interval)."""
    found = {
        np.sign(x * y - v * w)
        for x, v, y, w in product(corners(one[0]), corners(one[1]), corners(two[0]), corners(two[1]))
    }
    return int(found.pop()) if len(found) == 1 else 0


def brute_statistic(pairs):
    n = len(pairs)
    return sum(sign_of_sum(pairs[i], pairs[j]) for i in range(n) for j in range(i, n))


@pytest.mark.parametrize("seed", range(6))
def test_signed_ranks_of_intervals_by_exchanging_every_pair(seed):
    """All 2^6 exchanges of the two intervals within patients, the sum of certain signs made afresh for each."""
    first, second = random_intervals(6, seed)
    pairs = [(tuple(x), tuple(y)) for x, y in zip(first, second, strict=True)]
    sums = [
        brute_statistic([pair[::-1] if flip else pair for pair, flip in zip(pairs, flips, strict=True)])
        for flips in product((False, True), repeat=6)
    ]
    test = paired_tests(study(first, second), A, B, current_ma=90).signed_rank
    assert test.statistic == sums[0]
    beyond, equal = (np.abs(sums) > abs(sums[0])).mean(), (np.abs(sums) == abs(sums[0])).mean()
    assert test.p_value == pytest.approx(beyond + equal, rel=1e-12)
    assert test.p_mid == pytest.approx(1.0 if sums[0] == 0 else beyond + equal / 2, rel=1e-12)
    flat = [sign_of_sum(pair, pair) for pair in pairs]
    assert (test.first_lower, test.second_lower, test.undecided) == tuple(flat.count(s) for s in (-1, 1, 0))


@pytest.mark.parametrize("seed", range(4))
def test_certain_signs_by_their_corners(seed):
    first, second = random_intervals(12, seed)
    sums, differences = certain_signs(*np.moveaxis(np.stack((first, second), axis=1), 2, 0))
    pairs = list(zip(first, second, strict=True))
    np.testing.assert_array_equal(sums, [[sign_of_sum(x, y) for y in pairs] for x in pairs])
    np.testing.assert_array_equal(differences, [[sign_of_sum(x, y[::-1]) for y in pairs] for x in pairs])


@pytest.mark.parametrize("n", [4, 10, 40])
def test_known_thresholds_give_wilcoxons_signed_rank_test(n):
    rng = np.random.default_rng(n)
    one, two = np.exp(rng.normal(4.2, 0.3, (2, n)) + np.array([[0.1], [0.0]]))
    test = paired_tests(study(known(one), known(two)), A, B, current_ma=90).signed_rank
    expected = stats.wilcoxon(np.log(one / two), method="exact")
    positive = stats.wilcoxon(np.log(one / two), method="exact", alternative="greater").statistic
    assert test.statistic == 2 * positive - n * (n + 1) / 2
    assert test.p_value == pytest.approx(expected.pvalue)
    assert test.n_informative == n


def test_known_thresholds_with_ties_and_zeros_give_pratts_test():
    """scipy's test over all permutations; equal thresholds keep their ranks (Pratt)."""
    one, two = np.array([60, 60, 50, 80, 70, 90, 40, 100, 75]), np.array([50, 60, 60, 40, 70, 60, 80, 50, 60])
    test = paired_tests(study(known(one), known(two)), A, B, current_ma=90).signed_rank
    logs = np.round(np.log(one / two), 12)
    every = stats.PermutationMethod(n_resamples=10_000)
    expected = stats.wilcoxon(logs, zero_method="pratt", method=every)
    assert test.p_value == pytest.approx(expected.pvalue)
    assert test.n_informative == 7


def test_touching_intervals_are_decided():
    """(60, 65] lies below (65, 70]; a threshold known to be 65 does not lie below (60, 65]."""
    cases = [
        ([60, 65], [65, 70], -1), ([65, 70], [60, 65], 1), ([60, 65], [60, 65], 0), ([60, 70], [65, 75], 0),
        ([0, 40], [40, INF], -1), ([140, INF], [140, INF], 0), ([65, 65], [65, 70], -1), ([65, 65], [60, 65], 0),
        ([65, 65], [65, 65], 0),
    ]  # fmt: skip
    for one, two, sign in cases:
        test = paired_tests(study([one], [two]), A, B, current_ma=140).sign
        assert test.statistic == sign, (one, two)
        assert test.undecided == (sign == 0)


def test_sign_test_is_the_binomial_test_of_decided_pairs():
    first, second = random_intervals(60, 2, mixed=False)
    test = paired_tests(study(first, second), A, B, current_ma=90).sign
    lower = int((first[:, 1] <= second[:, 0]).sum())
    higher = int((second[:, 1] <= first[:, 0]).sum())
    assert min(lower, higher, 60 - lower - higher) > 5
    assert (test.first_lower, test.second_lower, test.undecided) == (lower, higher, 60 - lower - higher)
    assert (test.n_pairs, test.n_informative) == (60, lower + higher)
    assert test.p_value == pytest.approx(stats.binomtest(lower, lower + higher).pvalue)
    point = stats.binom.pmf(lower, lower + higher, 0.5)
    assert test.p_mid == pytest.approx(test.p_value - point)


@pytest.mark.parametrize("seed", range(3))
def test_error_over_all_exchanges_of_a_data_set_never_exceeds_the_level(seed):
    """Whatever the intervals of ten patients: of the 1024 exchanges at most a share alpha has p <= alpha."""
    first, second = random_intervals(10, seed)
    values = signed_rank_values(*np.moveaxis(np.stack((first, second), axis=1), 2, 0))
    p = [sign_flip_test(values * signs).p_value for signs in np.array(list(product((-1, 1), repeat=10)))]
    for alpha in (0.01, 0.05, 0.1, 0.5):
        assert np.mean(np.array(p) <= alpha) <= alpha
    assert np.mean(np.array(p) <= 0.05) > 0.03


def test_error_of_thirteen_pairs_on_coarse_steps():
    """No difference; 2000 studies of 13 patients, steps of 10 mA, some never captured. Limit: 3 standard errors."""
    rng = np.random.default_rng(11)
    signed, mid, sign = [], [], []
    for _ in range(2000):
        true = np.exp(rng.normal(4.3, 0.3, (13, 1)) + rng.normal(0, 0.25, (13, 2)))
        both = np.stack([on_ramp(column) for column in true.T], axis=1)
        test = sign_flip_test(signed_rank_values(both[:, :, 0], both[:, :, 1]))
        signed.append(test.p_value)
        mid.append(test.p_mid)
        lower, higher = (both[:, 0, 1] <= both[:, 1, 0]).sum(), (both[:, 1, 1] <= both[:, 0, 0]).sum()
        sign.append(stats.binomtest(lower, lower + higher).pvalue if lower + higher else 1.0)
    share = {name: np.mean(np.array(p) <= 0.05) for name, p in (("rank", signed), ("mid", mid), ("sign", sign))}
    reach = 3 * np.sqrt(0.05 * 0.95 / 2000)
    assert 0.03 < share["rank"] <= 0.05 + reach
    assert share["rank"] <= share["mid"] <= 0.06 + reach
    assert share["sign"] <= 0.05


def test_signed_ranks_find_more_than_signs():
    """Thresholds 15 % lower, spread 0.15 within patients: the shares found in 300 studies of 13 patients."""
    rng = np.random.default_rng(12)
    found = np.zeros(2)
    for _ in range(300):
        true = np.exp(rng.normal(4.3, 0.3, (13, 1)) + rng.normal([-0.16, 0], 0.15, (13, 2)))
        tests = paired_tests(study(*(on_ramp(column, 5.0) for column in true.T)), A, B, current_ma=140)
        found += [tests.signed_rank.p_value <= 0.05, tests.sign.p_value <= 0.05]
    assert found[0] > found[1] + 30
    assert found[0] > 150


def crossover(n, seed, shift=0.0, period=0.0, first_first=None):
    rng = np.random.default_rng(seed)
    order = np.where(np.arange(n) < (n // 2 if first_first is None else first_first), 1, 2)
    logs = rng.normal(4.3, 0.3, (n, 1)) + rng.normal(0, 0.15, (n, 2))
    logs += np.column_stack((shift + period * (order == 2), period * (order == 1)))
    return np.exp(logs), order


def test_known_thresholds_give_kochs_rank_sum_test():
    """scipy's exact Mann-Whitney test of the period differences of the two orders."""
    true, order = crossover(17, 3, shift=0.1, period=0.3, first_first=7)
    test = paired_tests(study(*map(known, true.T), order), A, B, current_ma=90).period_adjusted.rank
    logs = np.log(true)
    difference = np.where(order == 1, logs[:, 0] - logs[:, 1], logs[:, 1] - logs[:, 0])
    expected = stats.mannwhitneyu(difference[order == 1], difference[order == 2], method="exact")
    assert test.p_value == pytest.approx(expected.pvalue)
    assert test.statistic == 2 * expected.statistic - 7 * 10
    assert "exact" in test.method


@pytest.mark.parametrize("seed", range(4))
def test_rank_test_of_intervals_over_all_ways_of_dealing_the_orders(seed):
    first, second = random_intervals(8, seed + 20)
    order = np.array([1, 2, 1, 2, 2, 1, 2, 2])
    test = paired_tests(study(first, second, order), A, B, current_ma=90).period_adjusted.rank
    # earlier minus later, so pairs of (earlier, later) intervals
    pairs = [(x, y) if o == 1 else (y, x) for x, y, o in zip(first, second, order, strict=True)]

    def statistic(group):
        others = [j for j in range(8) if j not in group]
        return sum(sign_of_sum(pairs[i], pairs[j][::-1]) for i in group for j in others)

    sums = np.array([statistic(group) for group in combinations(range(8), 3)])
    observed = statistic((0, 2, 5))
    assert test.statistic == observed
    beyond, equal = (np.abs(sums) > abs(observed)).mean(), (np.abs(sums) == abs(observed)).mean()
    assert test.p_value == pytest.approx(beyond + equal, rel=1e-12)
    assert test.p_mid == pytest.approx(1.0 if observed == 0 else beyond + equal / 2, rel=1e-12)


def test_mainland_gart_by_hand():
    """Six patients with a first: a lower in 5, b lower in 1; five with b first: a lower in 1, b lower in 3, one equal.

    Fisher's table of earlier/later lower is [[5, 1], [3, 1]]; the excess of pairs with b lower is (1*3 - 5*1)/10.
    """
    low, high = [60, 65], [70, 75]
    rows = [(low, high)] * 5 + [(high, low)] + [(low, high)] + [(high, low)] * 3 + [(low, low)]
    order = [1] * 6 + [2] * 5
    tests = paired_tests(study(*np.swapaxes(rows, 0, 1), order), A, B, current_ma=67).period_adjusted
    for test in (tests.sign, tests.capture):
        assert test.p_value == pytest.approx(stats.fisher_exact([[5, 1], [3, 1]]).pvalue)
        assert test.statistic == pytest.approx(-0.2)
        assert (test.first_lower, test.second_lower, test.undecided) == (6, 4, 1)
        assert (test.n_pairs, test.n_informative) == (11, 10)
    assert (tests.n_first_first, tests.n_second_first, tests.n_left_out) == (6, 5, 0)
    # the margins allow 4, 5 or 6 in the first cell: C(8, x) C(2, 6 - x) / C(10, 6) = 70/210, 112/210, 28/210
    assert tests.sign.p_mid == pytest.approx(1 - 56 / 210)


def test_period_alone_misleads_pairs_but_not_the_adjusted_tests():
    """Second attempts need 40 % more, 12 of 16 patients had a first, the placements do not differ."""
    true, order = crossover(16, 5, period=np.log(1.4), first_first=12)
    tests = paired_tests(study(*(on_ramp(column, 5.0, 30.0) for column in true.T), order), A, B, current_ma=140)
    assert tests.signed_rank.p_value < 0.05
    assert tests.period_adjusted.rank.p_value > 0.2
    assert tests.period_adjusted.sign.p_value > 0.2


def test_error_of_the_adjusted_tests_with_a_strong_period():
    """No difference between placements, later attempts 30 % higher, orders 5 and 8; at most 5 % of 400 studies."""
    p = []
    for seed in range(400):
        true, order = crossover(13, seed, period=np.log(1.3), first_first=5)
        tests = paired_tests(study(*(on_ramp(column) for column in true.T), order), A, B, current_ma=80)
        adjusted = tests.period_adjusted
        p.append([adjusted.rank.p_value, adjusted.sign.p_value, adjusted.capture.p_value])
    shares = (np.array(p) <= 0.05).mean(axis=0)
    assert 0.02 < shares[0] <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 400)
    assert (shares[1:] <= 0.05).all()


def test_capture_is_counted_as_in_the_paired_table():
    true, order = crossover(30, 8, shift=-0.2)
    thresholds = study(*(on_ramp(column) for column in true.T), order)
    tests = paired_tests(thresholds, A, B, current_ma=80, level=0.9)
    table = paired_capture(thresholds, A, B, current_ma=80, level=0.9)
    assert tests.capture == table
    assert tests.period_adjusted.capture.first_lower == table.first_only > 0
    assert tests.period_adjusted.capture.second_lower == table.second_only > 0
    cells = (table.both, table.first_only, table.second_only, table.neither)
    assert (tests.tango.lower, tests.tango.upper) == paired_difference_tango(*cells, 0.9)
    assert (tests.tango.value, tests.tango.p_value) == (table.difference.value, table.test.p_exact)
    assert tests.tango.method.startswith("Tango")


def test_capture_where_no_ramp_went_has_a_reason():
    tests = paired_tests(study([[60, 65], [90, INF]], [[100, INF], [60, 70]]), A, B, current_ma=120)
    assert tests.capture is None
    assert tests.tango.value is None
    assert "followed to 120 mA" in tests.tango.reason
    assert tests.sign.n_informative == 2
    some = paired_tests(study([[60, 65], [90, INF]], [[100, INF], [60, 70]]), A, B, current_ma=100)
    assert some.tango.notes == ("1 patients left out because a ramp stopped before 100 mA",)


@pytest.mark.parametrize(
    ("order", "words"),
    [
        (None, "order of the attempts was not recorded"),
        ([np.nan, np.nan, np.nan], "order of the attempts was not recorded"),
        ([1, 1, 1], "All 3 patients had a placement first"),
        ([2, 2, np.nan], "All 2 patients had b placement first"),
        ([3, 4, 5], "No patient had the two placements as attempts 1 and 2"),
    ],
)
def test_without_two_orders_the_period_cannot_be_told_apart(order, words):
    tests = paired_tests(study([[60, 65]] * 3, [[70, 75]] * 3, order), A, B, current_ma=140)
    assert tests.period_adjusted is None
    assert words in tests.period_reason
    assert tests.period_reason.endswith("so placement and period cannot be told apart.")


def test_patients_outside_the_crossover_are_left_out_and_counted():
    tests = paired_tests(study([[60, 65]] * 4, [[70, 75]] * 4, [1, 2, np.nan, 1]), A, B, current_ma=140)
    adjusted = tests.period_adjusted
    assert (adjusted.n_first_first, adjusted.n_second_first, adjusted.n_left_out) == (2, 1, 1)
    assert adjusted.rank.n_pairs == 3
    assert tests.sign.n_pairs == 4


@pytest.mark.parametrize(
    ("order", "words"),
    [
        (
            [1] * 8 + [2] * 5,
            "the orders are not balanced (8 patients with a first, 5 with b first), so a difference between first and "
            "second attempts could look like one between placements; see the tests that allow for order",
        ),
        ([1] * 3 + [2] * 6 + [np.nan] * 3, "(3 patients with a first, 6 with b first)"),
        ([1] * 4, "(4 patients with a first, 0 with b first)"),
        ([2] * 2, "no test can allow for order here"),
    ],
)
def test_orders_out_of_balance_are_told_where_the_order_is_not_allowed_for(order, words):
    tests = paired_tests(study([[60, 65]] * len(order), [[70, 75]] * len(order), order), A, B, current_ma=140)
    for test in (tests.sign, tests.signed_rank):
        assert sum(words in note for note in test.notes) == 1
    if tests.period_adjusted is not None:
        assert not any("balanced" in note for test in every_test(tests)[2:] for note in test.notes)
        assert "see the tests that allow for order" in tests.sign.notes[-1]


@pytest.mark.parametrize("order", [None, [np.nan] * 4, [1, 2, 1, 2], [1, 2, 1], [3, 3, 3, 1, 2]])
def test_nothing_is_said_of_orders_in_balance_or_not_recorded(order):
    n = 4 if order is None else len(order)
    tests = paired_tests(study([[60, 65]] * n, [[70, 75]] * n, order), A, B, current_ma=140)
    assert not any("balanced" in note for test in (tests.sign, tests.signed_rank) for note in test.notes)


def test_a_difference_between_attempts_alone_shows_in_unbalanced_orders_and_not_where_order_is_allowed_for():
    """Second attempts need 20 % less with either placement; the note is there for this."""
    order = np.r_[[1] * 12, [2] * 3]
    true = np.exp(np.random.default_rng(5).normal(4.3, 0.2, 15))[:, None] * [1.0, 0.8]
    true = np.where(order[:, None] == 1, true, true[:, ::-1])
    tests = paired_tests(study(*map(known, true.T), order), A, B, current_ma=90)
    assert tests.signed_rank.p_value < 0.05
    assert "not balanced (12 patients with a first, 3 with b first)" in tests.signed_rank.notes[-1]
    assert tests.period_adjusted.rank.p_value == 1
    assert tests.period_adjusted.sign.p_value == 1


def test_settings_that_differ_within_patients_are_told():
    first, second = [[60, 65]] * 3, [[70, 75]] * 3
    alike = study(first, second, max_output_ma=([140.0] * 3, [140.0] * 3), step_ma=([5.0] * 3, [5.0] * 3))
    assert compare_settings_within_patients(alike, A, B) == ()
    differ = study(first, second, max_output_ma=([140.0, 200.0, np.nan], [140.0] * 3))
    notes = compare_settings_within_patients(differ, A, B)
    assert "highest currents (max_output_ma) differ between the two attempts of 1 of 3 patients" in notes[0]
    assert "not recorded for both attempts of 1 of 3" in notes[1]
    assert "steps of current (step_ma) were not recorded for both attempts of 3 of 3" in notes[2]
    tests = paired_tests(differ, A, B, current_ma=140)
    assert tests.notes == notes
    assert set(notes) < set(tests.signed_rank.notes)
    assert tests.sign.notes[0] == "3 informative pairs cannot give a two-sided p-value below 0.25"


def test_nothing_to_compare():
    one = study([[60, 65]], [[70, 75]])
    with pytest.raises(NotEstimableError, match="No patient has both a and c"):
        paired_tests(one, A, "c", current_ma=140)
    with pytest.raises(UsageError, match="compared with itself"):
        paired_tests(one, A, A, current_ma=140)
    weighted = CensoredThresholds.from_bounds([60, 70], [65, 75], [0, 0], [A, B], weights=[1, 2])
    with pytest.raises(UsageError, match="leave the weights out"):
        paired_tests(weighted, A, B, current_ma=140)


def test_equal_intervals_show_nothing():
    tests = paired_tests(study([[60, 65]] * 4, [[60, 65]] * 4, [1, 2, 1, 2]), A, B, current_ma=140)
    adjusted = tests.period_adjusted
    for test in (tests.sign, tests.signed_rank, adjusted.sign, adjusted.capture, adjusted.rank):
        assert (test.statistic, test.p_value, test.p_mid, test.n_informative) == (0, 1.0, 1.0, 0)


def test_the_first_attempt_with_each_placement_counts():
    frame = pd.DataFrame({"attempt_order": [2.0, 1.0, 3.0]})
    thresholds = CensoredThresholds.from_bounds([60, 70, 90], [65, 75, 95], [0] * 3, [A, B, A], covariates=frame)
    assert paired_tests(thresholds, A, B, current_ma=140).sign.first_lower == 1


def every_test(tests):
    adjusted = tests.period_adjusted
    return [tests.sign, tests.signed_rank, adjusted.sign, adjusted.capture, adjusted.rank]


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 9))
def test_swapping_the_placements_turns_every_sign_and_keeps_every_p(seed, n):
    first, second = random_intervals(n, seed)
    order = np.where(np.arange(n) % 2, 1, 2)
    thresholds = study(first, second, order)
    one, two = (paired_tests(thresholds, *names, current_ma=90) for names in ((A, B), (B, A)))
    for x, y in zip(every_test(one), every_test(two), strict=True):
        assert x.statistic == -y.statistic
        assert (x.p_value, x.p_mid) == pytest.approx((y.p_value, y.p_mid))
        assert (x.first_lower, x.second_lower, x.undecided) == (y.second_lower, y.first_lower, y.undecided)
    assert one.tango.lower == pytest.approx(-two.tango.upper)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([0.1, 1 / 3, 7.3]))
def test_scales_of_current(seed, factor):
    """Only the order of currents matters to the signs; units do not matter to the ranks; nor does the listing."""
    first, second = random_intervals(9, seed)
    order = np.where(np.arange(9) % 2, 1, 2)
    base = every_test(paired_tests(study(first, second, order), A, B, current_ma=90))
    scaled = every_test(paired_tests(study(first * factor, second * factor, order), A, B, current_ma=90 * factor))
    bent = every_test(paired_tests(study(np.sqrt(first), np.sqrt(second), order), A, B, current_ma=np.sqrt(90)))
    listed = np.random.default_rng(seed).permutation(9)
    shuffled = every_test(paired_tests(study(first[listed], second[listed], order[listed]), A, B, current_ma=90))
    for i, test in enumerate(base):
        for other in (scaled, shuffled):
            assert (other[i].statistic, other[i].p_value) == pytest.approx((test.statistic, test.p_value))
        if i in (0, 2, 3):
            assert (bent[i].statistic, bent[i].p_value) == (test.statistic, test.p_value)
