"""Ratios and differences with their limits: the 2022 crossover by hand, and simulation of known truth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from capstat.results import NotEstimableError
from capstat.synthesis.contrast_effects import difference_effect, ratio_effect
from capstat.synthesis.study_arm import StudyArm


def arm(code, **given_fields):
    fields = {
        "study": "s1", "citation": "Somebody AB, Other C. A title. A journal 2022;1:1-2", "design": "crossover",
        "population": "adults", "age_group": "adults", "urgency": "elective", "setting": "procedure-laboratory",
        "placement": "anterior-posterior", "paced": True, "counted": "patients", "provenance": "verified",
        "seen_in": "abstract", "year": 2022, "current_means": "threshold", "capture_definition": "oximeter-rate",
    }  # fmt: skip
    return StudyArm(arm=code, **(fields | given_fields))


CROSSOVER = {
    "mean_ma": 93, "n_pairs": 13, "difference_ma": -33, "difference_lower_ma": -45, "difference_upper_ma": -20,
    "interval_percent": 95, "compared_with": "al", "non_capture": "imputed", "imputed_as_ma": 141,
}  # fmt: skip
OTHER = arm("al", mean_ma=126, non_capture="imputed", imputed_as_ma=141, compared_with="ap")
RATIO = {"ratio": 0.74, "ratio_lower": 0.61, "ratio_upper": 0.91, "interval_percent": 95, "compared_with": "al"}


def test_difference_of_the_2022_crossover():
    """PMID 36410605: AP 93, AL 126 mA, difference 33, 95 % 20 to 45 [V]; with 12 degrees of freedom SE 5.74 [D]."""
    found = difference_effect(arm("ap", **CROSSOVER), OTHER)
    assert found.value == -33
    assert found.se == pytest.approx(5.74, abs=0.005)
    assert found.n == 13
    assert (found.arm, found.other, found.measure) == ("ap", "al", "difference")
    assert "t with 12 degrees" in found.method
    assert any(s.startswith("141 mA stands for 'not captured'") for s in found.assumptions)
    assert not any("off centre" in s for s in found.assumptions)


def test_no_ratio_from_a_difference():
    with pytest.raises(NotEstimableError, match=r"ap: the means have 141 mA.*see the reanalysis from summaries"):
        ratio_effect(arm("ap", **CROSSOVER), OTHER)
    unnamed = arm("ap", **(CROSSOVER | {"non_capture": "none"}))
    with pytest.raises(NotEstimableError, match="the means have 141 mA"):
        ratio_effect(unnamed, OTHER)
    with pytest.raises(NotEstimableError, match="correlation of the two thresholds"):
        ratio_effect(unnamed, arm("al", mean_ma=126))
    with pytest.raises(NotEstimableError, match="no ratio of thresholds was reported"):
        ratio_effect(arm("ap", compared_with="al"), OTHER)


def test_ratio_by_hand():
    """log 0.74 = -0.301105; (log 0.91 - log 0.61) / 2 = 0.199993; over 1.959964, or over t_12 = 2.178813."""
    found = ratio_effect(arm("ap", n_current=20, **RATIO), arm("al", n_current=25))
    assert found.value == pytest.approx(-0.301105, abs=1e-6)
    assert found.se == pytest.approx(0.199993 / 1.959964, abs=1e-6)
    assert found.n == 45
    assert "a normal quantile" in found.method
    paired = ratio_effect(arm("ap", n_pairs=13, **RATIO), arm("al"))
    assert paired.se == pytest.approx(0.199993 / 2.178813, abs=1e-6)
    assert (paired.n, paired.measure) == (13, "ratio")
    assert not any("stands for" in s for s in paired.assumptions)
    imputed = ratio_effect(arm("ap", n_pairs=13, **RATIO), arm("al", non_capture="imputed"))
    assert any(s.startswith("A number stands for 'not captured'") for s in imputed.assumptions)


def test_lopsided_limits_are_told():
    found = difference_effect(arm("ap", **(CROSSOVER | {"difference_ma": -30})), OTHER)
    # midpoint -32.5, half-width 12.5
    assert "The limits are 20 % of their half-width off centre." in found.assumptions


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"provenance": "memory"}, "recalled from memory"),
        ({"not_pooled": "a review"}, "not pooled: a review"),
        ({"paced": False}, "not paced"),
        ({"current_means": "applied"}, "applied current is not a threshold"),
        ({"compared_with": "xy"}, "compared with xy, not al"),
        ({"compared_with": ""}, "compared with no arm, not al"),
        ({"capture_definition": "pulse"}, "defined differently"),
        ({"ratio_lower": None, "difference_lower_ma": None}, "no confidence limits with their level"),
        ({"interval_percent": None}, "no confidence limits with their level"),
        ({"ratio": 0.5, "difference_ma": -50}, "do not contain it"),
        ({"ratio_upper": 0.61, "difference_upper_ma": -45}, "lower limit of its (ratio|difference) is not below"),
        ({"n_pairs": 1}, "at least 2 pairs"),
        ({"n_pairs": None}, "how many patients were compared"),
    ],
)
def test_refusals(fields, sentence):
    both = {"n_pairs": 13, "interval_percent": 95} | RATIO | CROSSOVER | fields
    for function in (ratio_effect, difference_effect):
        with pytest.raises(NotEstimableError, match=sentence) as error:
            function(arm("ap", **both), OTHER)
        assert str(error.value).startswith("ap")


def test_refusals_of_one_kind():
    with pytest.raises(NotEstimableError, match="must be above 0"):
        ratio_effect(arm("ap", n_pairs=13, **(RATIO | {"ratio_lower": 0})), arm("al"))
    with pytest.raises(NotEstimableError, match="no difference of thresholds"):
        difference_effect(arm("ap", n_pairs=13, **RATIO), arm("al"))
    with pytest.raises(NotEstimableError, match="al: applied current"):
        difference_effect(arm("ap", **CROSSOVER), arm("al", current_means="applied"))


@given(st.integers(3, 60), st.floats(50, 99), st.floats(0.05, 0.5), st.floats(0.01, 0.3))
def test_limits_there_and_back(pairs, level, log_ratio, se):
    """Limits made with a known standard error give it back, and the reversed comparison is the same with its sign."""
    q = stats.t.ppf(0.5 + level / 200, pairs - 1)
    lower, value, upper = np.exp([log_ratio - q * se, log_ratio, log_ratio + q * se])
    given_fields = {"n_pairs": pairs, "interval_percent": level}
    found = ratio_effect(
        arm("ap", ratio=value, ratio_lower=lower, ratio_upper=upper, compared_with="al", **given_fields), arm("al")
    )
    turned = ratio_effect(
        arm("al", ratio=1 / value, ratio_lower=1 / upper, ratio_upper=1 / lower, compared_with="ap", **given_fields),
        arm("ap"),
    )
    assert (found.value, found.se) == pytest.approx((log_ratio, se), rel=1e-8)
    assert (turned.value, turned.se) == pytest.approx((-log_ratio, se), rel=1e-8)


def test_known_truth_of_paired_differences():
    """Limits of scipy's paired t test, printed in whole mA, give back its standard error; t limits hold the truth."""
    rng = np.random.default_rng(4)
    held, errors = [], []
    for _ in range(2000):
        first = rng.normal(95, 15, 13)
        second = first + rng.normal(30, 20, 13)
        test = stats.ttest_rel(first, second)
        low, high = (round(float(x)) for x in test.confidence_interval(0.95))
        fields = CROSSOVER | {
            "difference_ma": round(float((first - second).mean())), "difference_lower_ma": low, "difference_upper_ma": high,
        }  # fmt: skip
        found = difference_effect(arm("ap", **fields), OTHER)
        errors.append(found.se / (np.std(first - second, ddof=1) / np.sqrt(13)))
        held.append(abs(found.value + 30) <= stats.t.ppf(0.975, 12) * found.se)
    assert np.mean(errors) == pytest.approx(1, abs=0.005)
    assert np.std(errors) < 0.05
    assert np.mean(held) == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / 2000))
