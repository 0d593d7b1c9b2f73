"""Contrasts of two groups: Student's and Wilson's limits, a root finder, statsmodels, bounds by hand, coverage."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import brentq
from statsmodels.stats.proportion import confint_proportions_2indep

from capstat.distributions.bootstrap import bootstrap_curves
from capstat.distributions.summary import summarise_curve
from capstat.placement.contrasts import group_contrasts
from capstat.results import UsageError
from capstat.thresholds import CensoredThresholds

INF = np.inf
CURRENTS, FRACTIONS = (80.0, 140.0), (0.5, 0.9)


def lognormal(n, seed, ratio=1.0):
    return ratio * np.exp(np.random.default_rng(seed).normal(4.3, 0.3, n))


def two(lower_a, upper_a, lower_b, upper_b, patients=None):
    """Thresholds of two groups, a first; ``patients`` when they share any."""
    names = np.repeat(["a", "b"], [len(lower_a), len(lower_b)])
    return CensoredThresholds.from_bounds(np.r_[lower_a, lower_b], np.r_[upper_a, upper_b], patients, names)


def ramps(on_grid, true_a, true_b, step=5.0, maximum=140.0, patients=None):
    a, b = (on_grid(true, 30, step, maximum) for true in (true_a, true_b))
    return two(a.lower_ma, a.upper_ma, b.lower_ma, b.upper_ma, patients)


def everything(thresholds, currents=CURRENTS, fractions=FRACTIONS, *, replicates=400, first="a", minus="b", level=0.95):
    curves = bootstrap_curves(
        [thresholds.for_placement(name) for name in (first, minus)], replicates=replicates, seed=1
    )
    summaries = tuple(
        summarise_curve(curve, label=name, fractions=fractions, currents_ma=currents, level=level)
        for curve, name in zip(curves, (first, minus), strict=True)
    )
    contrasts = group_contrasts(
        *curves, summaries, first=first, minus=minus, currents_ma=currents, fractions=fractions
    )  # fmt: skip
    return contrasts, summaries


def ends(estimate):
    return estimate.lower, estimate.upper


def test_uncensored_means():
    """Square-and-add from scipy's separate t intervals; close to Welch's interval, which pools the degrees of freedom."""
    x, y = lognormal(40, 1), lognormal(30, 2, 1.2)
    contrasts, _ = everything(two(x, x, y, y), replicates=20_000)
    got = contrasts.restricted_mean_difference
    top = max(x.max(), y.max())
    assert got.quantity == f"difference in mean threshold up to {top:g} mA"
    assert got.direction == "a minus b"
    assert got.n == 70
    assert got.value == pytest.approx(x.mean() - y.mean())
    a, b = (np.ptp(stats.t.interval(0.95, part.size - 1, 0, stats.sem(part))) / 2 for part in (x, y))
    expected = np.hypot(a, b)
    assert ends(got) == pytest.approx((got.value - expected, got.value + expected), abs=0.25)
    welch = stats.ttest_ind(x, y, equal_var=False).confidence_interval()
    assert ends(got) == pytest.approx((welch.low, welch.high), abs=0.6)


def test_means_share_the_lower_of_two_maxima():
    """Group a was followed to 140 mA, b to 120 mA: means of min(threshold, 120)."""
    x, y = lognormal(60, 1, 1.3), lognormal(60, 2, 1.3)
    thresholds = two(
        np.minimum(x, 140), np.where(x > 140, INF, x), np.minimum(y, 120), np.where(y > 120, INF, y)
    )  # fmt: skip
    contrasts, _ = everything(thresholds, currents=(80.0,))
    assert contrasts.up_to_ma == 120
    expected = np.minimum(x, 120).mean() - np.minimum(y, 120).mean()
    assert contrasts.restricted_mean_difference.value == pytest.approx(expected)


def test_bounds_by_hand():
    """a: half in (40, 50], half in (80, 90]; b: half in (60, 70], half above 140."""
    low_a, up_a = np.tile([40.0, 80.0], 5), np.tile([50.0, 90.0], 5)
    low_b, up_b = np.tile([60.0, 140.0], 5), np.tile([70.0, INF], 5)
    contrasts, _ = everything(two(low_a, up_a, low_b, up_b), currents=(55.0, 65.0, 140.0))
    mean = contrasts.restricted_mean_difference
    assert mean.value is None
    assert mean.identified == (pytest.approx(60 - 105), pytest.approx(70 - 100))
    assert "between -45.0 and -30.0 mA" in mean.reason
    assert "upper ends of their intervals -35.0 mA" in mean.notes[0]
    assert "lower ends -40.0 mA" in mean.notes[1]
    assert mean.lower < -45
    assert mean.upper > -30
    none, bounded, top = contrasts.probability_ratios
    assert (none.value, none.reason) == (None, "nobody was captured at 55 mA with b")
    assert none.identified is None
    assert 0 < none.lower < INF
    assert none.upper == INF
    assert bounded.value is None
    assert bounded.identified == (pytest.approx(1.0), INF)
    assert top.value == pytest.approx(2.0)
    assert top.direction == "a relative to b"
    half, ninety = contrasts.current_ratios
    assert half.value == pytest.approx(50 / 70)
    assert half.identified == (pytest.approx(40 / 70), pytest.approx(50 / 60))
    assert contrasts.current_differences[0].value == pytest.approx(-20)
    assert contrasts.current_differences[0].identified == (-30, -10)
    assert ninety.value is None
    assert ninety.reason.startswith("b: not reached: 50 % were captured")
    assert ninety.identified == (0, pytest.approx(90 / 140))
    assert contrasts.current_differences[1].identified == (-INF, pytest.approx(90 - 140))
    assert contrasts.current_differences[1].lower == -INF


def at_100(x1, n1, x2, n2):
    """x1 of n1 and x2 of n2 captured at 60 mA, the others not at 100 mA."""
    lower = [np.repeat([50.0, 100.0], [x, n - x]) for x, n in ((x1, n1), (x2, n2))]
    upper = [np.repeat([60.0, INF], [x, n - x]) for x, n in ((x1, n1), (x2, n2))]
    return two(lower[0], upper[0], lower[1], upper[1])


def root(estimates, side):
    """Ratio r at which the square-and-add interval of p1 - r p2 ends at 0, by bisection (Donner & Zou 2012)."""
    (p1, l1, u1), (p2, l2, u2) = estimates

    def end(r):
        if side == "lower":
            return p1 - r * p2 - np.hypot(p1 - l1, r * (u2 - p2))
        return p1 - r * p2 + np.hypot(u1 - p1, r * (p2 - l2))

    return brentq(end, 0, 1e9, xtol=1e-12)


@pytest.mark.reference
def test_ratio_of_shares_is_the_root_of_the_difference(reference):
    """The 2 x 2 tables of Newcombe's paper, some with 0 and 100 %, by a root finder and by statsmodels' score limits."""
    for x1, n1, x2, n2 in reference("s12").data["rows"]:
        contrasts, summaries = everything(at_100(x1, n1, x2, n2), currents=(100.0,), replicates=4000)
        (got,) = contrasts.probability_ratios
        parts = [summary.capture_probabilities[0] for summary in summaries]
        estimates = [(part.value, part.lower, part.upper) for part in parts]
        assert got.lower == pytest.approx(root(estimates, "lower"), abs=1e-6)
        if x2 == 0:
            assert (got.value, got.upper) == (None, INF)
            assert "nobody was captured at 100 mA with b" in got.reason
            continue
        assert got.value == pytest.approx((x1 / n1) / (x2 / n2))
        assert got.upper == pytest.approx(root(estimates, "upper"), rel=1e-6)
        score = confint_proportions_2indep(x1, n1, x2, n2, compare="ratio", method="score")
        assert np.log(ends(got)) == pytest.approx(np.log(score), abs=0.35)


def test_ratio_of_shares_in_large_groups_is_the_usual_one():
    """statsmodels' log and score limits of the risk ratio."""
    contrasts, _ = everything(at_100(700, 1000, 560, 1000), currents=(100.0,), replicates=4000)
    (got,) = contrasts.probability_ratios
    for method in ("log", "score"):
        expected = confint_proportions_2indep(700, 1000, 560, 1000, compare="ratio", method=method)
        assert ends(got) == pytest.approx(expected, abs=0.01)


def test_ratio_of_shares_at_the_ends():
    """All in both: limits by hand, l1 and 1/l2.  None in the first: 0 with an upper limit only."""
    contrasts, summaries = everything(at_100(20, 20, 30, 30), currents=(100.0,))
    lows = [summary.capture_probabilities[0].lower for summary in summaries]
    (got,) = contrasts.probability_ratios
    assert (got.value, *ends(got)) == pytest.approx((1.0, lows[0], 1 / lows[1]))
    (none,) = everything(at_100(0, 20, 15, 30), currents=(100.0,))[0].probability_ratios
    assert (none.value, none.lower) == (0.0, 0.0)
    assert 0 < none.upper < 1


def test_capture_currents_from_their_separate_limits(on_grid):
    """Square-and-add on the log and on the mA scale, by hand from the summaries' estimates."""
    thresholds = ramps(on_grid, lognormal(150, 1), lognormal(120, 2, 1.2))
    contrasts, summaries = everything(thresholds)
    a, b = (summary.capture_currents[0] for summary in summaries)
    ratio, difference = contrasts.current_ratios[0], contrasts.current_differences[0]
    assert ratio.value == pytest.approx(a.value / b.value)
    assert difference.value == pytest.approx(a.value - b.value)
    (a_low, a_high), (b_low, b_high) = a.identified, b.identified
    assert ratio.identified == (pytest.approx(a_low / b_high), pytest.approx(a_high / b_low))
    down = np.hypot(np.log(a_low / a.lower), np.log(b.upper / b_high))
    up = np.hypot(np.log(a.upper / a_high), np.log(b_low / b.lower))
    assert np.log(ends(ratio)) == pytest.approx((np.log(a_low / b_high) - down, np.log(a_high / b_low) + up))
    assert ends(difference) == pytest.approx(
        (
            a_low - b_high - np.hypot(a_low - a.lower, b.upper - b_high),
            a_high - b_low + np.hypot(a.upper - a_high, b_low - b.lower),
        )
    )
    assert ratio.lower < 1 / 1.2 < ratio.upper


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000))
def test_exchanged_groups_give_the_inverse(seed):
    rng = np.random.default_rng(seed)
    lower = rng.choice([0.0, 40.0, 60.0, 80.0, 140.0], 24)
    upper = np.where(lower == 0, 40, np.where(lower == 140, INF, lower + 20))
    thresholds = two(lower[:10], upper[:10], lower[10:], upper[10:], rng.integers(0, 24, 24))
    one, _ = everything(thresholds, replicates=50)
    back, _ = everything(thresholds, replicates=50, first="b", minus="a")

    def approx(value):
        return value if value is None or np.isinf(value) else pytest.approx(value, rel=1e-6, abs=1e-9)

    for a, b in zip(
        (one.restricted_mean_difference, *one.current_differences),
        (back.restricted_mean_difference, *back.current_differences), strict=True,
    ):  # fmt: skip
        # joint replicates differ between the two orders when patients are shared, bounds do not
        assert (a.identified is None) == (b.identified is None)
        if a.identified is not None:
            assert a.identified == tuple(approx(-v) for v in b.identified[::-1])
    for a, b in zip(
        one.probability_ratios + one.current_ratios, back.probability_ratios + back.current_ratios, strict=True
    ):
        if a.identified is not None and b.identified is not None:
            inverse = [INF if v == 0 else 1 / v for v in b.identified[::-1]]
            assert a.identified == tuple(approx(v) for v in inverse)
            if a.lower is not None:
                assert a.lower <= a.identified[0] + 1e-9
                assert a.upper >= a.identified[1] - 1e-9


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 10_000))
def test_every_reading_of_the_intervals_lies_within_the_bounds(on_grid, seed):
    """Thresholds placed anywhere inside their intervals of one grid: their own contrasts are inside."""
    rng = np.random.default_rng(seed)
    thresholds = ramps(on_grid, lognormal(12, seed), lognormal(9, seed + 1, 1.2), 20.0, 90.0)
    contrasts, _ = everything(thresholds, currents=(70.0,), replicates=20)
    top = contrasts.up_to_ma
    lower, upper = thresholds.lower_ma, thresholds.upper_ma
    place = rng.choice([0.001, 0.5, 1.0], upper.size)
    true = lower + place * (np.where(np.isinf(upper), 1e6, upper) - lower)
    a, b = (np.sort(true[thresholds.placement == name]) for name in "ab")
    low, high = contrasts.restricted_mean_difference.identified
    assert low - 1e-9 <= np.minimum(a, top).mean() - np.minimum(b, top).mean() <= high + 1e-9
    # the lowest current that captures half: the 6th of 12 and the 5th of 9
    low, high = contrasts.current_ratios[0].identified
    assert low - 1e-9 <= a[5] / b[4] <= high + 1e-9
    low, high = contrasts.current_differences[0].identified
    assert low - 1e-9 <= a[5] - b[4] <= high + 1e-9


def test_shared_patients_narrow_the_limits(on_grid):
    """The same patients with both: limits close to those of the differences within patients by scipy's t."""
    base = lognormal(60, 1)
    x, y = (base * np.exp(np.random.default_rng(seed).normal(0, 0.1, 60)) for seed in (2, 3))
    together, _ = everything(two(x, x, y, y, np.tile(np.arange(60), 2)), replicates=4000)
    apart, _ = everything(two(x, x, y, y), replicates=4000)
    got = together.restricted_mean_difference
    assert got.n == 60
    expected = stats.ttest_1samp(x - y, 0).confidence_interval()
    assert ends(got) == pytest.approx((expected.low, expected.high), abs=0.3)
    for one, other in zip(
        (got, *together.probability_ratios[:1], together.current_ratios[0], together.current_differences[0]),
        (
            apart.restricted_mean_difference, *apart.probability_ratios[:1], apart.current_ratios[0],
            apart.current_differences[0],
        ),
        strict=True,
    ):  # fmt: skip
        assert one.upper - one.lower < other.upper - other.lower


def test_without_limits():
    """Few patients, and groups that do not vary."""
    few, _ = everything(at_100(2, 4, 10, 20), currents=(100.0,))
    for estimate in (few.restricted_mean_difference, *few.probability_ratios, *few.current_ratios):
        assert ends(estimate) == (None, None)
        assert "fewer than 5 patients" in estimate.notes[-1]
    assert few.probability_ratios[0].value == pytest.approx(1.0)
    alike, _ = everything(at_100(20, 20, 10, 20), currents=(100.0,))
    assert ends(alike.restricted_mean_difference) == (None, None)
    assert "alike" in alike.restricted_mean_difference.notes[0]
    # no current at which both are known
    never = everything(two([0.0] * 6, [INF] * 6, [40] * 6, [50] * 6), currents=(100.0,))[0]
    assert never.restricted_mean_difference.value is None
    assert "at no current is it known" in never.restricted_mean_difference.reason


def test_levels_must_agree(on_grid):
    thresholds = ramps(on_grid, lognormal(20, 1), lognormal(20, 2))
    curves = bootstrap_curves([thresholds.for_placement(name) for name in "ab"], replicates=20, seed=1)
    one, other = everything(thresholds)[1]
    other = replace(other, curve=replace(other.curve, level=0.9))
    with pytest.raises(UsageError, match=r"different levels, 0.95 and 0.9"):
        group_contrasts(*curves, (one, other), first="a", minus="b", currents_ma=(80.0,), fractions=(0.5,))


@pytest.mark.slow
@pytest.mark.parametrize("step", [1.0, 5.0])
def test_coverage(on_grid, step):
    """60 and 60 patients, thresholds of b 1.15 times those of a: true values of lognormal laws by scipy.

    Recorded, 400 studies each (Monte Carlo error about 1 point): steps of 1 mA 97.3 % (difference of means), 96.0 and
    98.0 % (ratios of shares at 80 and 140 mA), 98.0 and 97.0 % (ratios of the currents for 50 and 90 %), 98.0 and
    97.0 % (their differences); steps of 5 mA 100, 96.5, 98.0, 99.5, 98.8, 99.8 and 98.8 %, where the limits hold the
    whole identified set.
    """
    laws = [stats.lognorm(0.3, scale=scale * np.exp(4.3)) for scale in (1.0, 1.15)]
    means = [law.expect(lambda x: np.minimum(x, 140.0)) for law in laws]
    shares = [[law.cdf(current) for law in laws] for current in CURRENTS]
    medians = [[law.ppf(fraction) for law in laws] for fraction in FRACTIONS]
    truth = [
        means[0] - means[1], *(a / b for a, b in shares), *(a / b for a, b in medians), *(a - b for a, b in medians)
    ]  # fmt: skip
    held = np.zeros(len(truth))
    studies = 400
    for seed in range(studies):
        thresholds = ramps(on_grid, lognormal(60, 2 * seed), lognormal(60, 2 * seed + 1, 1.15), step)
        got, _ = everything(thresholds, replicates=200)
        estimates = (
            got.restricted_mean_difference, *got.probability_ratios, *got.current_ratios, *got.current_differences
        )  # fmt: skip
        held += [e.lower <= value <= e.upper for e, value in zip(estimates, truth, strict=True)]
    assert (held / studies > 0.92).all(), held / studies
