"""Currents of false and upheld claims: R's wilcox.test, numpy medians, and resampling with a known truth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from capstat.capture.claimed_currents import compare_claimed_currents
from capstat.capture.claims import Claims
from capstat.results import NotEstimableError, UsageError


def claims_of(false_ma, upheld_ma, patient=None, unjudged=0):
    current = np.concatenate((false_ma, upheld_ma, np.full(unjudged, 10.0))).astype(float)
    upheld = np.repeat([0.0, 1.0, np.nan], [len(false_ma), len(upheld_ma), unjudged])
    n, blank, words = current.size, np.full(current.size, np.nan), np.full(current.size, "unknown", dtype=object)
    patient = np.arange(n) if patient is None else np.asarray(patient)
    return Claims("electrical_capture", "adjudicated_capture", np.arange(n), patient, current, upheld, words, words,
                  blank, blank, blank, n, n)  # fmt: skip


@pytest.mark.reference
def test_shift_and_p_value_are_those_of_r(reference):
    """r12: wilcox.test(conf.int = TRUE, exact = TRUE)."""
    case = reference("r12")
    found = compare_claimed_currents(claims_of(case.data["false_ma"], case.data["upheld_ma"], unjudged=3), seed=1)
    case.check("hodges_lehmann", found.shift.value)
    case.check("mann_whitney", found.shift.p_value)
    assert found.shift.direction == "false minus upheld"
    assert (found.shift.n, found.false_median.n, found.upheld_median.n) == (14, 8, 6)


@given(
    false=st.lists(st.sampled_from([40.0, 55.0, 60.0, 85.0]), min_size=1, max_size=8),
    upheld=st.lists(st.sampled_from([60.0, 70.0, 85.0, 120.0]), min_size=1, max_size=8),
)
@settings(max_examples=60, deadline=None)
def test_counts_of_currents_give_what_numpy_and_scipy_give(false, upheld):
    """Reference: numpy's median of values and of all pairwise differences, scipy's geometric mean."""
    found = compare_claimed_currents(claims_of(false, upheld), replicates=20, seed=1)
    assert found.false_median.value == np.median(false)
    assert found.upheld_median.value == np.median(upheld)
    assert found.difference_of_medians.value == np.median(false) - np.median(upheld)
    assert found.shift.value == np.median(np.subtract.outer(false, upheld))
    assert found.ratio.value == pytest.approx(stats.gmean(false) / stats.gmean(upheld))


def test_limits_agree_with_resampling_claim_by_claim():
    """Reference: a plain bootstrap of both values and kinds with numpy, 4,000 resamples; currents that are all different."""
    rng = np.random.default_rng(2)
    false, upheld = rng.normal(60, 10, 30), rng.normal(85, 12, 25)
    found = compare_claimed_currents(claims_of(false, upheld), replicates=4000, seed=3)
    current, kind = np.concatenate((false, upheld)), np.repeat([0, 1], [30, 25])
    draws = []
    for _ in range(4000):
        at = rng.integers(0, 55, 55)
        a, b = current[at][kind[at] == 0], current[at][kind[at] == 1]
        draws.append(
            (
                np.median(a),
                np.median(a) - np.median(b),
                np.median(np.subtract.outer(a, b)),
                np.log(a).mean() - np.log(b).mean(),
            )
        )
    expected = np.quantile(draws, [0.025, 0.975], axis=0).T
    got = [(e.lower, e.upper) for e in (found.false_median, found.difference_of_medians, found.shift)]
    np.testing.assert_allclose(got, expected[:3], atol=0.8)
    np.testing.assert_allclose(np.log((found.ratio.lower, found.ratio.upper)), expected[3], atol=0.015)


def test_the_same_seed_gives_the_same_limits():
    claims = claims_of([50, 55, 60, 62, 64, 70], [70, 75, 80, 85, 90])
    one, two, other = (compare_claimed_currents(claims, replicates=200, seed=seed) for seed in (4, 4, 5))
    assert one == two
    assert one.shift.lower != other.shift.lower or one.ratio.lower != other.ratio.lower


def test_patients_are_resampled_with_all_their_claims():
    """Every claim three times: limits as if it were there once, and no Mann-Whitney test."""
    false, upheld = np.arange(50, 62.0), np.arange(70, 82.0)
    once = compare_claimed_currents(claims_of(false, upheld), seed=6)
    patient = np.concatenate((np.repeat(np.arange(12), 3), np.repeat(np.arange(12, 24), 3)))
    thrice = compare_claimed_currents(claims_of(np.repeat(false, 3), np.repeat(upheld, 3), patient), seed=6)
    assert (thrice.shift.lower, thrice.shift.upper) == (once.shift.lower, once.shift.upper)
    assert thrice.shift.p_value is None
    assert "several judged claims" in thrice.shift.notes[-1]
    assert thrice.shift.n == 24


def test_few_patients_have_no_limits():
    found = compare_claimed_currents(claims_of([50, 60, 70, 80], [75, 80, 85, 90, 95, 99]), seed=1)
    assert found.shift.value is not None
    assert (found.shift.lower, found.ratio.upper) == (None, None)
    assert "comes from 4 patients, fewer than 5" in found.shift.notes[1]


def test_a_claim_at_0_ma_has_no_ratio():
    found = compare_claimed_currents(claims_of([0, 50, 60, 70, 80], [75, 80, 85, 90, 95]), seed=1)
    assert found.ratio.reason == "a claim at 0 mA has no logarithm"
    assert found.shift.lower < found.shift.value


@pytest.mark.parametrize(("false", "upheld", "lacking"), [([], [70.0], "false"), ([70.0], [], "upheld")])
def test_one_kind_of_claim_cannot_be_compared(false, upheld, lacking):
    with pytest.raises(NotEstimableError, match=f"no judged claim was {lacking}"):
        compare_claimed_currents(claims_of(false, upheld), seed=1)


def test_a_level_in_percent_is_refused():
    with pytest.raises(UsageError, match="between 0 and 1, not be 95"):
        compare_claimed_currents(claims_of([50.0], [70.0]), 95, seed=1)


@pytest.mark.slow
@pytest.mark.parametrize(("step", "low", "high"), [(0.001, 0.88, 0.97), (5.0, 0.95, 1.0)])
def test_coverage_of_the_shift(step, low, high):
    """500 studies, 19 false and 8 upheld claims, true shift -20 mA; on 5 mA steps the shift takes few values."""
    rng = np.random.default_rng(9)
    held = 0
    for _ in range(500):
        false, upheld = (step * np.round(rng.normal(mean, 12, n) / step) for mean, n in ((60, 19), (80, 8)))
        shift = compare_claimed_currents(claims_of(false, upheld), replicates=400, seed=int(rng.integers(2**31))).shift
        held += shift.lower <= -20 <= shift.upper
    print(f"steps of {step:g} mA: {held / 500:.3f}")  # noqa: T201
    assert low < held / 500 <= high
