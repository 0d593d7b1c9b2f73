"""Speed of the score tests, shown and never part of the plain run: pytest -m benchmark -s."""

from __future__ import annotations

import time

import numpy as np
import pytest
from scipy import stats

from capstat.placement.score_form import score_form_test
from capstat.placement.score_tests import score_tests
from capstat.thresholds import CensoredThresholds

pytestmark = pytest.mark.benchmark


def ramps(n: int, kind: str) -> CensoredThresholds:
    rng = np.random.default_rng(1)
    true = np.exp(rng.normal(4.3, 0.35, n))
    step = rng.choice([2.0, 5.0, 10.0], n)
    upper = np.ceil(true / step) * step
    lower = upper - step
    if kind == "all different":
        lower, upper = 0.9 * true, 1.1 * true
    beyond = upper > 140
    return CensoredThresholds.from_bounds(
        np.where(beyond, np.minimum(lower, 140.0), lower), np.where(beyond, np.inf, upper),
        placement=np.where(rng.random(n) < 0.5, "a", "b"),
    )  # fmt: skip


@pytest.mark.parametrize(("n", "kind"), [(600, "mixed grids"), (600, "all different"), (20_000, "mixed grids")])
def test_ten_thousand_permutations_of_three_scores(n, kind):
    """Target: 2 s for 600 patients.  scipy permutes one vector of scores, three times, for the same numbers."""
    thresholds = ramps(n, kind)
    begin = time.perf_counter()
    tests = score_tests(thresholds, permutations=10_000, seed=1)
    ours = time.perf_counter() - begin
    begin = time.perf_counter()
    form = score_form_test(thresholds)
    likelihood = time.perf_counter() - begin
    print(
        f"\nscore tests, {n:,} patients, {kind}: {1e3 * ours:.0f} ms; score form {1e3 * likelihood:.0f} ms (chi-square "
        f"{form.statistic:.2f}, Z {tests[1].statistic:.2f})"
    )
    if n > 600:
        return
    names = [f"{i:06d}" for i in range(n)]
    scores = [test.group_sums for test in score_tests(thresholds, names, permutations=1, seed=1)]
    of_a = thresholds.placement == "a"
    begin = time.perf_counter()
    for score in scores:
        values = np.array(score)
        stats.permutation_test(
            (values[of_a], values[~of_a]), lambda x, y, axis: x.sum(axis=axis), vectorized=True, n_resamples=10_000,
            rng=np.random.default_rng(1), batch=1000,
        )  # fmt: skip
    theirs = time.perf_counter() - begin
    print(f"scipy permutation_test, three scores: {1e3 * theirs:.0f} ms, ratio {theirs / ours:.1f}")
