"""Exact distributions of sums against whole-number enumeration, big integers and scipy."""

from __future__ import annotations

from fractions import Fraction
from itertools import combinations, product
from math import comb

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from capstat.numerics.sign_flips import allocation_test, sign_flip_test


def share(extreme, total):
    return float(Fraction(extreme, total))


@given(st.lists(st.integers(-6, 6), max_size=9))
def test_all_sign_flips_by_enumeration(values):
    test = sign_flip_test(np.array(values, dtype=np.int64))
    sums = [sum(s * v for s, v in zip(signs, values, strict=True)) for signs in product((-1, 1), repeat=len(values))]
    beyond, equal = (sum(keep(abs(t), abs(sum(values))) for t in sums) for keep in (int.__gt__, int.__eq__))
    assert (test.statistic, test.n_informative) == (sum(values), sum(v != 0 for v in values))
    assert test.p_value == pytest.approx(share(beyond + equal, len(sums)), rel=1e-13)
    mid = 1.0 if sum(values) == 0 else share(2 * beyond + equal, 2 * len(sums))
    assert test.p_mid == pytest.approx(mid, rel=1e-13)


def centred(scores):
    return np.array(scores, dtype=np.int64) * len(scores) - sum(scores)


@given(st.lists(st.integers(-5, 5), min_size=1, max_size=9), st.integers(0, 9))
def test_all_allocations_by_enumeration(scores, size):
    scores = centred(scores)
    size = min(size, scores.size)
    in_first = np.arange(scores.size) < size
    test = allocation_test(scores, in_first)
    sums = [int(scores[list(group)].sum()) for group in combinations(range(scores.size), size)]
    observed = abs(int(scores[in_first].sum()))
    beyond, equal = sum(abs(t) > observed for t in sums), sum(abs(t) == observed for t in sums)
    assert test.p_value == pytest.approx(share(beyond + equal, len(sums)), rel=1e-12)
    mid = 1.0 if observed == 0 else share(2 * beyond + equal, 2 * len(sums))
    assert test.p_mid == pytest.approx(mid, rel=1e-12)
    assert test.exact


def test_scores_must_be_centred():
    with pytest.raises(ValueError, match="sum to zero"):
        allocation_test(np.array([1, 2, 3]), np.array([True, False, False]))


def test_two_hundred_units_have_all_their_digits_in_every_tail():
    """Counts of subsets in one big integer: 256 bits for every sum, as sums of 200 terms have at most 200."""
    rng = np.random.default_rng(3)
    sizes = rng.integers(1, 60, 200)
    packed = 1
    for size in sizes:
        packed += packed << (256 * int(size))
    raw = packed.to_bytes(32 * (int(sizes.sum()) + 1), "little")
    counts = [int.from_bytes(raw[i : i + 32], "little") for i in range(0, len(raw), 32)]
    assert sum(counts) == 2**200
    for signs in (np.ones(200), np.where(rng.random(200) < 0.95, 1, -1), np.where(rng.random(200) < 0.6, 1, -1)):
        values = (sizes * signs).astype(np.int64)
        at = (int(sizes.sum()) + abs(int(values.sum()))) // 2
        expected = share(2 * sum(counts[at:]), 2**200)
        assert sign_flip_test(values).p_value == pytest.approx(expected, rel=1e-13)


def test_one_hundred_against_one_hundred_have_all_their_digits():
    """Number of groups of 100 among 200 ranks by sum, in whole numbers of unlimited size."""
    n, k = 200, 100
    rows = [1] + [0] * k
    for rank in range(n):
        for j in range(min(rank, k - 1), -1, -1):
            # sums in one big integer, 256 bits each
            rows[j + 1] += rows[j] << (256 * rank)
    raw = rows[k].to_bytes(32 * (n * k + 1), "little")
    counts = np.array([int.from_bytes(raw[i : i + 32], "little") for i in range(0, len(raw), 32)], dtype=object)
    assert counts.sum() == comb(n, k)
    scores = 2 * np.arange(n) - n + 1
    for seed, shift in ((1, 0.0), (2, 1.0), (3, 4.0)):
        rank = np.argsort(np.argsort(np.random.default_rng(seed).normal(size=n) + shift * (np.arange(n) < k)))
        test = allocation_test(scores[rank], np.arange(n) < k)
        size = np.abs(2 * np.arange(counts.size) - k * (n - 1))
        expected = share(int(counts[size >= abs(test.statistic)].sum()), comb(n, k))
        assert test.p_value == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("n", [5, 13, 50])
def test_known_differences_give_the_exact_wilcoxon_tests(n):
    x = np.random.default_rng(n).normal(0.3, 1, n)
    ranks = (np.sign(x) * stats.rankdata(np.abs(x))).astype(np.int64)
    assert sign_flip_test(ranks).p_value == pytest.approx(stats.wilcoxon(x, method="exact").pvalue)
    in_first = np.arange(n) < n // 3
    scores = (2 * stats.rankdata(x) - n - 1).astype(np.int64)
    expected = stats.mannwhitneyu(x[in_first], x[~in_first], method="exact").pvalue
    assert allocation_test(scores, in_first).p_value == pytest.approx(expected)


def test_groups_too_large_to_count_say_so():
    """Two groups of 300; scipy's normal approximation without correction for continuity."""
    x = np.random.default_rng(5).normal(size=600) + 0.1 * (np.arange(600) < 300)
    scores = (2 * stats.rankdata(x) - 601).astype(np.int64)
    test = allocation_test(scores, np.arange(600) < 300)
    expected = stats.mannwhitneyu(x[:300], x[300:], method="asymptotic", use_continuity=False).pvalue
    assert not test.exact
    assert test.p_value == pytest.approx(expected)
    # groups of 20 can still be counted, and there the approximation is close
    few = allocation_test(scores, np.arange(600) < 20)
    assert few.exact
    expected = stats.mannwhitneyu(x[:20], x[20:], method="asymptotic", use_continuity=False).pvalue
    assert few.p_value == pytest.approx(expected, rel=0.02)
