"""Median thresholds from what papers print: rows of the published table by hand, and simulation of known truth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from capstat.results import NotEstimableError, UsageError
from capstat.synthesis.study_arm import StudyArm
from capstat.synthesis.threshold_effects import borrowed_log_sd, threshold_effect


def arm(code="a1", **given_fields):
    fields = {
        "study": "s1", "citation": "Somebody AB, Other C. A title. A journal 1990;1:1-2", "design": "series",
        "population": "adults", "age_group": "adults", "urgency": "elective", "setting": "procedure-laboratory",
        "placement": "unknown", "paced": True, "counted": "patients", "provenance": "verified", "seen_in": "abstract",
        "year": 1990, "current_means": "threshold", "non_capture": "none", "capture_definition": "ecg-response",
    }  # fmt: skip
    return StudyArm(arm=code, **(fields | given_fields))


VOLUNTEERS = {"n": 10, "n_captured": 10, "median_ma": 59, "minimum_ma": 38, "maximum_ma": 70}
ACTIVATION = {"n": 8, "n_captured": 8, "mean_ma": 74, "sd_ma": 14, "max_output_ma": 150}


def test_volunteers_with_median_and_range_by_hand():
    """PACE 1988;11:1188: 10 volunteers, 38 to 70 mA, median 59 [V].

    Luo's weight 4/(4 + 10^.75) = 0.415676 on (log 38 + log 70)/2 = 3.943041, the rest on log 59 = 4.077537; Wan's SD
    (log 70 - log 38) / (2 Phi^-1(9.625/10.25)) = 0.610909 / 3.093268.
    """
    found = threshold_effect(arm(**VOLUNTEERS))
    assert found.effect.value == pytest.approx(0.415676 * 3.943041 + 0.584324 * 4.077537, abs=1e-5)
    assert found.log_sd == pytest.approx(0.610909 / 3.093268, abs=1e-5)
    # degrees of freedom of a range of 10: Patnaik 1950, from memory
    assert found.log_sd_degrees == pytest.approx(7.68, abs=0.005)
    assert found.effect.se > found.log_sd / np.sqrt(10)
    assert found.effect.inflation == pytest.approx(1.0519**2, abs=1e-3)
    assert found.effect.n == 10
    assert found.effect.label == "Somebody 1990"
    assert found.effect.assumptions == (
        "Thresholds are taken as lognormal.", "Capture means: any definite response in the electrocardiogram.",
    )  # fmt: skip


def test_activation_with_mean_and_sd_by_hand():
    """PMID 1704585: 74 +/- 14 mA, 8 patients [V]: cv^2 = 0.035793, log(1 + cv^2) = 0.035167."""
    found = threshold_effect(arm(**ACTIVATION))
    assert found.effect.value == pytest.approx(np.log(74) - 0.035167 / 2, abs=1e-6)
    assert found.log_sd == pytest.approx(np.sqrt(0.035167), abs=1e-5)
    assert found.effect.se == pytest.approx(found.log_sd / np.sqrt(8), rel=0.01)


def test_mean_with_range_by_hand():
    """Mean 81, 40 to 120 mA, 30 patients: log 3 = 1.098612 over 2 Phi^-1(29.625/30.25) = 4.080622 is 0.269227.

    17.634 degrees of freedom (:func:`sd_degrees`, checked elsewhere), so that the square 0.072483 is divided by
    1.028354; the variance is (exp(0.072483) - 1)/30 + 0.072483^2 / 35.268.
    """
    found = threshold_effect(arm(n=30, mean_ma=81, minimum_ma=40, maximum_ma=120))
    assert found.log_sd == pytest.approx(0.26923, abs=2e-5)
    assert found.log_sd_degrees == pytest.approx(17.634, abs=1e-3)
    assert found.effect.value == pytest.approx(np.log(81) - 0.072483 / 1.028354 / 2, abs=1e-5)
    assert found.effect.se**2 == pytest.approx(0.075175 / 30 + 0.072483**2 / 35.268, rel=2e-4)


LOG_TRUTH = 4.2
ROUTES = {
    "moments": ("mean_ma", "sd_ma"),
    "range": ("median_ma", "minimum_ma", "maximum_ma"),
    "quartiles": ("median_ma", "q1_ma", "q3_ma"),
    "five": ("median_ma", "minimum_ma", "q1_ma", "q3_ma", "maximum_ma"),
    "mean and range": ("mean_ma", "minimum_ma", "maximum_ma"),
    "mean and quartiles": ("mean_ma", "q1_ma", "q3_ma"),
}


def printed_samples(n, sigma, samples, seed):
    values = np.exp(LOG_TRUTH + sigma * np.random.default_rng(seed).normal(size=(samples, n)))
    five = np.quantile(values, [0, 0.25, 0.5, 0.75, 1], axis=1)
    named = dict(zip(("minimum_ma", "q1_ma", "median_ma", "q3_ma", "maximum_ma"), five, strict=True))
    return named | {"mean_ma": values.mean(axis=1), "sd_ma": values.std(axis=1, ddof=1)}


@pytest.mark.parametrize("route", ROUTES)
@pytest.mark.parametrize("n", [8, 60])
def test_known_truth_of_every_route(route, n):
    """Standard errors are those of the conversion, and t limits of one study hold the median in 95 %."""
    samples, sigma = 2000, 0.25
    printed = printed_samples(n, sigma, samples, seed=7 * n)
    found = [threshold_effect(arm(n=n, **{f: float(printed[f][i]) for f in ROUTES[route]})) for i in range(samples)]
    values, ses = np.array([[x.effect.value, x.effect.se] for x in found]).T
    sds = np.array([x.log_sd for x in found])
    error = 3 * np.sqrt(0.95 * 0.05 / samples)
    held = np.mean(np.abs(values - LOG_TRUTH) <= stats.t.ppf(0.975, [x.log_sd_degrees for x in found]) * ses)
    assert 0.95 - error <= held <= 0.97 + error
    assert values.mean() == pytest.approx(LOG_TRUTH, abs=4 * values.std() / np.sqrt(samples) + 0.004)
    # Wan's SD is right on average, the square of the moments' SD is; errors of a mean and of a spread from quantiles go
    # together, which the standard error does not count on
    typical = np.sqrt(np.mean(ses**2)) if route == "moments" else np.mean(ses)
    assert values.std() / typical == pytest.approx(1, abs=0.08)
    assert np.mean(sds) == pytest.approx(sigma, rel=0.06)
    assert {x.effect.method for x in found} == {found[0].effect.method}
    # the conversion adds uncertainty, and none is hidden
    assert min(x.effect.inflation for x in found) >= 1 - 1e-9


def test_lopsided_logarithms_are_told():
    """Of samples of 40 few lognormal ones are told (size 5 %), and most of those whose logarithms are exponential."""
    rng = np.random.default_rng(3)
    shares = []
    for logs in (rng.normal(size=(400, 40)), rng.exponential(size=(400, 40))):
        five = np.exp(4 + 0.25 * np.quantile(logs, [0, 0.25, 0.5, 0.75, 1], axis=1)).T
        names = ("minimum_ma", "q1_ma", "median_ma", "q3_ma", "maximum_ma")
        found = [threshold_effect(arm(n=40, **dict(zip(names, map(float, row), strict=True)))) for row in five]
        shares.append(np.mean([any("lopsided" in s for s in x.effect.assumptions) for x in found]))
    assert shares[0] <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 400)
    assert shares[1] > 0.8


def test_few_patients_and_equal_quartiles_are_not_tested_for_skewness():
    sentence = "Skewness of the logarithms could not be tested."
    four = arm(n=4, median_ma=60, minimum_ma=50, maximum_ma=80)
    alike = arm(n=20, median_ma=60, q1_ma=60, q3_ma=60, minimum_ma=50, maximum_ma=80)
    for one in (four, alike):
        assert sentence in threshold_effect(one).effect.assumptions


def test_those_left_out_shift_the_median_by_a_stated_share():
    """30 of 32 captured: the median of all is the quantile 16/30 of the captured, exp(sd Phi^-1(16/30))."""
    fields = {"n": 32, "n_captured": 30, "mean_ma": 81, "sd_ma": 15, "non_capture": "left-out"}
    found = threshold_effect(arm(**fields))
    assert found.effect.n == 30
    rise = 100 * np.expm1(found.log_sd * stats.norm.ppf(16 / 30))
    assert any(f"by about {rise:.1f} % if the 2 of 32" in s for s in found.effect.assumptions)


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"n": 32, "n_captured": 10}, "22 of 32 not captured the median of all may lie above"),
        ({"n": 32, "n_captured": 14}, "18 of 32 not captured the median of all may lie above"),
        ({"n": 32, "n_captured": 16}, "16 of 32 not captured the median of all may lie above"),
        ({"n": 32, "n_captured": 17}, "if the 15 of 32 not captured need more current than they"),
        ({"n": 32, "n_captured": 32}, ""),
        ({"n_current": 58}, "by how much is not known"),
        ({"n_current": 58, "non_capture": "not-stated"}, "How 'not captured' entered was not said"),
        ({"n_current": 58, "non_capture": "censored"}, "'Not captured' was analysed as above"),
    ],
)
def test_what_the_value_says_of_all_patients(fields, sentence):
    found = threshold_effect(arm(mean_ma=70.5, sd_ma=18.3, **({"non_capture": "left-out"} | fields)))
    told = found.effect.assumptions[1:-1]
    assert (sentence in told[0]) if sentence else told == ()


REFUSED = [
    ({"provenance": "memory"}, "recalled from memory"),
    ({"not_pooled": "somebody's reason."}, "a1: not pooled: somebody's reason.$"),
    ({"paced": False}, "not paced"),
    ({"mean_ma": None, "sd_ma": None}, "no mean or median threshold"),
    ({"current_means": "applied"}, "applied current is not a threshold"),
    ({"current_means": ""}, "does not say"),
    ({"non_capture": "imputed", "imputed_as_ma": 141}, "the mean has 141 mA in place of 'not captured'; see the reanalysis"),
    ({"non_capture": "imputed", "mean_ma": None, "median_ma": 70}, "the median has a number in place"),
    ({"n": None, "n_captured": None}, "n_current"),
    ({"non_capture": "not-stated"}, "n_current"),
    ({"non_capture": "left-out", "n_captured": None}, "n_current"),
    ({"counted": "trials"}, "n_current"),
    ({"n": 1, "n_captured": 1}, "at least 2 patients"),
    ({"max_output_ma": 70}, "mean of 74 mA is above the highest output, 70 mA"),
    ({"maximum_ma": 160}, "highest current of 160 mA is above"),
    ({"minimum_ma": 0}, "no logarithm"),
    ({"sd_ma": None}, "no spread was reported.$"),
    ({"sd_ma": None, "maximum_ma": 90}, "no spread was reported that can be used"),
    ({"sd_ma": 0}, "above 0"),
    ({"sd_ma": None, "minimum_ma": 80, "maximum_ma": 90}, "lies outside its range"),
    ({"sd_ma": None, "minimum_ma": 74, "maximum_ma": 74}, "no spread"),
    ({"sd_ma": None, "mean_ma": None, "median_ma": 74, "q1_ma": 74, "q3_ma": 74}, "no spread"),
    ({"sd_ma": None, "mean_ma": None, "median_ma": 74, "q1_ma": 80, "q3_ma": 90}, "must not fall"),
    ({"sd_ma": None, "non_capture": "censored", "n_current": 8, "minimum_ma": 40, "maximum_ma": 90}, "no spread"),
]  # fmt: skip


@pytest.mark.parametrize(("fields", "sentence"), REFUSED)
def test_refusals_name_the_record_and_what_it_lacks(fields, sentence):
    with pytest.raises(NotEstimableError, match=sentence) as error:
        threshold_effect(arm(**(ACTIVATION | fields)))
    assert str(error.value).startswith("a1: ")


def test_only_an_assumed_spread_helps_where_none_was_reported():
    lenders = [threshold_effect(arm(**VOLUNTEERS)), threshold_effect(arm(**ACTIVATION))]
    lent = borrowed_log_sd(lenders)
    squares = 9 * lenders[0].log_sd ** 2 + 7 * lenders[1].log_sd ** 2
    assert lent == pytest.approx(np.sqrt(squares / 16))
    mean = threshold_effect(arm(n=32, mean_ma=81), borrowed_log_sd=lent)
    median = threshold_effect(arm(n=32, median_ma=81), borrowed_log_sd=lent)
    for found in (mean, median):
        assert found.log_sd_degrees is None
        assert any("is assumed" in s for s in found.effect.assumptions)
    assert mean.effect.value == pytest.approx(np.log(81) - lent**2 / 2)
    assert median.effect.value == pytest.approx(np.log(81))
    # a median of 32 tells about 2/pi of what the logarithms of all would
    assert 1.4 < median.effect.inflation < np.pi / 2
    # assumed spreads are not lent on, and a reported spread is not replaced
    assert borrowed_log_sd([*lenders, mean]) == pytest.approx(lent)
    assert threshold_effect(arm(**ACTIVATION), borrowed_log_sd=9.0) == lenders[1]
    with pytest.raises(NotEstimableError, match="could be borrowed"):
        borrowed_log_sd([mean])
    for wrong in (0.0, -1.0, np.nan, np.inf):
        with pytest.raises(UsageError, match="borrowed_log_sd"):
            threshold_effect(arm(n=32, mean_ma=81), borrowed_log_sd=wrong)


@pytest.mark.parametrize("kind", ["mean_ma", "median_ma"])
def test_known_truth_with_an_assumed_spread(kind):
    """With the right spread assumed, normal limits hold the median in 95 %."""
    printed = printed_samples(15, 0.25, 2000, seed=5)[kind]
    found = [threshold_effect(arm(n=15, **{kind: float(x)}), borrowed_log_sd=0.25).effect for x in printed]
    held = np.mean([abs(x.value - LOG_TRUTH) <= 1.96 * x.se for x in found])
    assert held == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / 2000))


@given(st.floats(0.2, 2), st.sampled_from(list(ROUTES)))
def test_other_units_shift_the_logarithm_only(scale, route):
    """Equivariant under scale: the standard error and the spread know no unit."""
    printed = {"mean_ma": 60.0, "sd_ma": 14.0, "minimum_ma": 40.0, "q1_ma": 52.0, "median_ma": 58.0, "q3_ma": 68.0, "maximum_ma": 90.0}  # fmt: skip
    one = threshold_effect(arm(n=20, **{f: printed[f] for f in ROUTES[route]}))
    two = threshold_effect(arm(n=20, **{f: scale * printed[f] for f in ROUTES[route]}))
    assert two.effect.value == pytest.approx(one.effect.value + np.log(scale), abs=1e-9)
    assert (two.effect.se, two.log_sd) == pytest.approx((one.effect.se, one.log_sd), rel=1e-9)
