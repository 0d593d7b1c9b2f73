"""Corrected thresholds with limits: hand computations, statsmodels' Wilson limits, Tenenbein's variance, small groups."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from capstat.capture.corrected import correct_thresholds
from capstat.capture.estimated_errors import ErrorModel
from capstat.capture.judged_ramps import JudgedRamps
from capstat.capture.judgement_errors import JudgementErrors
from capstat.distributions import summarise_capture
from capstat.results import NotEstimableError, UsageError

CURRENTS = np.array([40.0, 60.0, 80.0, 100.0, 120.0])


def simulated(n, seed, errors=None, reviewed=0.4, patients=None):
    errors = errors or JudgementErrors(0.92, 0.95)
    rng = np.random.default_rng(seed)
    threshold = np.exp(rng.normal(np.log(80), 0.3, n))
    captured = threshold[:, None] <= CURRENTS
    claimed = rng.random(captured.shape) < np.where(
        captured, errors.sensitivity, errors.false_claim_probability(CURRENTS)
    )
    seen = (rng.random(n) < reviewed)[:, None]
    tested = np.cumsum(claimed, axis=1) - claimed == 0
    row, column = np.nonzero(tested)
    truth = np.where(seen, captured, -1)[tested]
    return JudgedRamps.from_arrays(row, CURRENTS[column], claimed[tested], truth, patient=patients)


def single(counts):
    rows = [key for key, times in counts.items() for _ in range(times)]
    claimed, truth = zip(*rows, strict=True)
    return JudgedRamps.from_arrays(np.arange(len(rows)), np.full(len(rows), 80.0), claimed, truth)


def corrected(ramps, model=ErrorModel(0.92, 0.95), **more):  # noqa: B008  # frozen
    options = {"label": "all", "currents_ma": (60, 80, 100), "replicates": 200, "seed": 1} | more
    return correct_thresholds(ramps, model, **options)


def estimates(found):
    summaries = (found.as_claimed, found.corrected)
    own = [found.sensitivity, found.shift, *(e for _, e in found.specificities)]
    for s in summaries:
        own += [*s.capture_currents, *s.capture_probabilities, s.not_captured, s.restricted_mean]
    return own + ([found.odds_ratio] if found.odds_ratio else [])


MODELS = [ErrorModel(0.92, 0.95), ErrorModel(), ErrorModel(varies_with_current=True), ErrorModel(sensitivity=0.92)]


@pytest.mark.parametrize("model", MODELS)
def test_same_seed_same_result_and_limits_in_order(model):
    ramps = simulated(80, 1)
    a, b, c = (corrected(ramps, model, replicates=40, seed=seed) for seed in (1, 1, 2))
    assert estimates(a) == estimates(b) != estimates(c)
    np.testing.assert_array_equal(a.corrected.curve.band_lower, b.corrected.curve.band_lower)
    for estimate in estimates(a):
        if estimate.value is not None and estimate.lower is not None:
            low, high = estimate.identified or (estimate.value, estimate.value)
            assert estimate.lower <= low + 1e-9
            assert high <= estimate.upper + 1e-9
    curve = a.corrected.curve
    assert np.all(np.diff(curve.band_lower) >= 0)
    assert np.all((curve.band_lower <= curve.lower + 1e-9) & (curve.upper <= curve.band_upper + 1e-9))
    assert (a.n_ramps, a.n_reviewed, a.left_out) == (80, ramps.n_reviewed, 0)
    assert a.corrected.replicates == 40


def test_as_claimed_is_the_ordinary_summary():
    ramps = simulated(60, 2)
    found = corrected(ramps)
    alone = summarise_capture(
        ramps.as_claimed(), label="all, as claimed", currents_ma=(60, 80, 100), replicates=200, seed=1
    )
    assert found.as_claimed.capture_currents == alone.capture_currents
    assert found.as_claimed.capture_probabilities == alone.capture_probabilities


def test_perfect_judgement_corrects_nothing():
    ramps = simulated(60, 3).without_reference()
    found = corrected(ramps, ErrorModel(1.0, 1.0), replicates=400)
    assert found.shift.value == pytest.approx(0, abs=1e-7)
    for a, b in zip(found.corrected.capture_probabilities, found.as_claimed.capture_probabilities, strict=True):
        assert (a.value, a.lower, a.upper) == pytest.approx((b.value, b.lower, b.upper), abs=0.02)
    assert [e.value for e in found.corrected.capture_currents] == [e.value for e in found.as_claimed.capture_currents]
    assert found.sensitivity.lower is None
    assert found.sensitivity.method == found.specificities[0][1].method == "given, not estimated"


def test_shift_by_hand():
    """37 of 100 claimed at 60 mA, the rest at 80; Se 1, Sp 0.9: a share m = (0.37 - 0.1) / 0.9 = 0.3 captured at 60.

    Mean 80 - 20 m = 74, as claimed 80 - 20 (0.37) = 72.6; the difference is 20 q - 20 (q - 0.1) / 0.9, so its standard
    error is 20 / 9 that of a proportion.
    """
    claimed = np.arange(100) < 37
    rows = np.repeat(np.arange(100), np.where(claimed, 1, 2))
    first = np.concatenate(([True], np.diff(rows) > 0))
    ramps = JudgedRamps.from_arrays(rows, np.where(first, 60.0, 80.0), np.where(first, claimed[rows], True))
    found = corrected(ramps, ErrorModel(1.0, 0.9), replicates=2000)
    assert found.corrected.capture_probabilities[0].value == pytest.approx(0.3, abs=1e-7)
    assert found.shift.value == pytest.approx(1.4, abs=1e-6)
    reach = stats.t.ppf(0.975, 99) * 20 / 9 * np.sqrt(0.37 * 0.63 / 99)
    assert found.shift.upper - found.shift.value == pytest.approx(reach, rel=0.06)
    assert found.shift.direction == "corrected minus as claimed"


def test_limits_of_one_setting_with_given_errors_are_those_of_rogan_and_gladen():
    """Variance q (1 - q) / n / (Se + Sp - 1)^2 (Rogan & Gladen 1978, from memory), as statsmodels' Wilson limits."""
    found = corrected(single({(True, -1): 120, (False, -1): 80}), ErrorModel(0.9, 0.85), replicates=4000)
    q, p = 0.6, 0.45 / 0.75
    size = p * (1 - p) / (q * (1 - q) / 200 / 0.75**2)
    estimate = found.corrected.capture_probabilities[1]
    low, high = proportion_confint(p * size, size, method="wilson")
    assert estimate.value == pytest.approx(p)
    assert (estimate.lower, estimate.upper) == pytest.approx((low, high), abs=0.005)


def test_limits_with_estimated_errors_carry_their_uncertainty():
    """Tenenbein (1970, from memory), by the delta method on independent binomials q, P(T | claimed), P(T | refused)."""
    counts = {(True, 1): 80, (True, 0): 14, (False, 1): 12, (False, 0): 70, (True, -1): 210, (False, -1): 190}
    found = corrected(single(counts), ErrorModel(), replicates=1500)
    n = 576
    q, a1, a0 = 304 / n, 80 / 94, 12 / 82
    p = q * a1 + (1 - q) * a0
    variance = (a1 - a0) ** 2 * q * (1 - q) / n + q**2 * a1 * (1 - a1) / 94 + (1 - q) ** 2 * a0 * (1 - a0) / 82
    size = p * (1 - p) / variance
    estimate = found.corrected.capture_probabilities[1]
    low, high = proportion_confint(p * size, size, method="wilson")
    assert estimate.value == pytest.approx(p, abs=1e-4)
    assert (estimate.lower, estimate.upper) == pytest.approx((low, high), abs=0.006)
    given = corrected(single(counts), ErrorModel(found.errors.sensitivity, found.errors.specificity))
    narrow = given.corrected.capture_probabilities[1]
    assert narrow.upper - narrow.lower < estimate.upper - estimate.lower


def test_limits_of_errors_where_all_is_reviewed_are_binomial():
    """Everything reviewed at one setting: sensitivity and specificity are plain shares with Wilson limits (statsmodels)."""
    found = corrected(single({(True, 1): 90, (False, 1): 10, (True, 0): 20, (False, 0): 130}), ErrorModel(),
                      replicates=3000)  # fmt: skip
    for estimate, good, n in ((found.sensitivity, 90, 100), (found.specificities[0][1], 130, 150)):
        assert estimate.value == pytest.approx(good / n, abs=1e-4)
        assert (estimate.lower, estimate.upper) == pytest.approx(proportion_confint(good, n, method="wilson"), abs=0.01)


def test_limits_of_the_specificity_use_every_reviewed_setting():
    """200 ramps failing at 5 settings each, one setting in twenty claimed falsely; plain Wilson limits of all settings.

    Judgements are independent, so about 900 settings count, not 200 ramps.
    """
    rng = np.random.default_rng(4)
    claimed = rng.random((200, 5)) < 0.05
    claimed[:, 4] = True
    tested = np.cumsum(claimed, axis=1) - claimed == 0
    row, column = np.nonzero(tested)
    ramps = JudgedRamps.from_arrays(row, CURRENTS[column], claimed[tested], np.where(column == 4, 1, 0))
    found = corrected(ramps, ErrorModel(sensitivity=1.0)).specificities[0][1]
    absent = column < 4
    low, high = proportion_confint((~claimed[tested][absent]).sum(), absent.sum(), method="wilson")
    assert found.upper - found.lower == pytest.approx(high - low, rel=0.25)


def test_limits_of_the_specificity_with_many_settings_in_few_patients():
    """15 reviewed patients, 9 settings without capture each but for five that end in a false claim; plain Wilson limits.

    300 more, claimed at 200 mA and not reviewed, say nothing of the specificity.
    """
    below = np.arange(40.0, 121.0, 10.0)
    rows = []
    for i in range(15):
        last = {0: 1, 1: 3, 2: 5, 3: 6, 4: 8}.get(i, 9)
        rows += [(i, c, k == last, 0) for k, c in enumerate(below) if k <= last]
        rows += [(i, 200.0, True, 1)] if last == 9 else []
    absent, false = sum(r[3] == 0 for r in rows), sum(r[3] == 0 and r[2] for r in rows)
    assert (absent, false) == (118, 5)
    rows += [(i, 200.0, True, -1) for i in range(15, 315)]
    ramps = JudgedRamps.from_arrays(*zip(*rows, strict=True))
    found = corrected(ramps, ErrorModel(sensitivity=0.99), replicates=1000).specificities[0][1]
    low, high = proportion_confint(absent - false, absent, method="wilson")
    assert found.value == pytest.approx(1 - false / absent, abs=1e-4)
    assert found.upper - found.lower == pytest.approx(high - low, rel=0.15)


def test_no_false_capture_seen_says_nothing_of_how_it_changes_with_the_current():
    """Any odds ratio explains that none was seen: no value, or limits that leave at least a threefold change open."""
    found = corrected(simulated(200, 11, JudgementErrors(0.9, 1.0)), ErrorModel(varies_with_current=True))
    assert found.errors.specificity == 1
    odds_ratio = found.odds_ratio
    assert odds_ratio is None or odds_ratio.value is None or (odds_ratio.lower < 1 / 3 and odds_ratio.upper > 3)


def test_patients_not_ramps_are_drawn():
    """Every ramp twice in its patient: the limits of the ramps once, up to the t quantile for clusters."""
    once = simulated(60, 5)
    rows = np.concatenate((once.ramp, once.ramp + 60))
    twice = JudgedRamps.from_arrays(rows, np.tile(once.current_ma, 2), np.tile(once.claimed, 2), np.tile(once.truth, 2),
                                    patient=np.tile(np.arange(60), 2))  # fmt: skip
    a, b = (corrected(ramps, replicates=1500).corrected.capture_probabilities for ramps in (once, twice))
    for x, y in zip(a, b, strict=True):
        assert y.value == pytest.approx(x.value, abs=1e-6)
        assert y.n == 60
        assert (y.lower, y.upper) == pytest.approx((x.lower, x.upper), abs=0.015)


def test_every_claim_upheld_gives_a_limit_below_one():
    counts = {(True, 1): 20, (False, 0): 15, (False, 1): 3, (True, -1): 20, (False, -1): 15}
    found = corrected(single(counts), ErrorModel())
    estimate = found.specificities[0][1]
    assert (estimate.value, estimate.upper) == (1, 1)
    # statsmodels' Wilson limit for the 15 patients that could have shown a false capture
    assert estimate.lower == pytest.approx(proportion_confint(15, 15, method="wilson")[0], abs=1e-6)


def test_samples_without_a_reference_are_left_out_and_too_many_refused():
    """Two reviewed ramps of 40 are both missing from about exp(-2) = 13.5 % of samples, one from exp(-1) = 37 %."""
    rows = [(0, 60.0, False, 0), (0, 80.0, False, 1), (0, 100.0, True, 1),
            (1, 60.0, False, 0), (1, 80.0, False, 1), (1, 100.0, True, 1)]  # fmt: skip
    rows += [(i, 80.0, i % 2 == 0, -1) for i in range(2, 40)]
    found = corrected(JudgedRamps.from_arrays(*zip(*rows, strict=True)), ErrorModel(), replicates=300)
    assert 20 <= found.left_out <= 60
    assert found.n_reviewed == 2
    one = [(i, c, y, -1 if i == 1 else t) for i, c, y, t in rows]
    with pytest.raises(NotEstimableError, match="one patient only"):
        corrected(JudgedRamps.from_arrays(*zip(*one, strict=True)), ErrorModel())


SMALL = {
    "one ramp": ([(0, 60.0, False), (0, 80.0, True)], None),
    "one patient, two ramps": ([(0, 60.0, True), (1, 60.0, False), (1, 80.0, True)], ["a", "a"]),
    "two patients": ([(0, 60.0, True), (1, 60.0, False), (1, 80.0, True)], None),
    "nobody captured": ([(i, c, False) for i in range(6) for c in (60.0, 80.0)], None),
    "all at the first setting": ([(i, 60.0, True) for i in range(6)], None),
}


@pytest.mark.parametrize("name", SMALL)
def test_small_and_one_sided_groups_have_an_answer(name):
    rows, patients = SMALL[name]
    ramps = JudgedRamps.from_arrays(*zip(*rows, strict=True), patient=patients)
    found = corrected(ramps, ErrorModel(0.9, 0.95), currents_ma=(60,), replicates=50)
    for estimate in estimates(found):
        assert estimate.value is not None or estimate.reason
    share = found.corrected.capture_probabilities[0]
    assert share.n == ramps.n_patients
    assert share.upper - share.lower > 0.3
    if name == "nobody captured":
        # two refusals at two settings: not captured at 60, and the fraction is nowhere reached
        assert share.value == pytest.approx(0, abs=1e-9)
        assert all(e.value is None and e.reason for e in found.corrected.capture_currents)
        assert found.corrected.not_captured.value == pytest.approx(1)
    if name == "all at the first setting":
        assert share.value == pytest.approx(1)
        assert found.corrected.capture_currents[0].value == 60


def test_what_cannot_be_corrected_is_refused():
    ramps = simulated(30, 6)
    with pytest.raises(NotEstimableError, match="sensitivity"):
        corrected(ramps.without_reference(), ErrorModel())
    with pytest.raises(UsageError, match="no better than chance"):
        corrected(ramps, ErrorModel(0.4, 0.6))
    with pytest.raises(UsageError, match="contradict"):
        corrected(ramps, ErrorModel(1.0, 1.0))
