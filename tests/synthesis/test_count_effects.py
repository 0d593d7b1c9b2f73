"""Counts to shares and risk ratios: rows of the published table, the recorded BCG case, and simulation of known truth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats.contingency import relative_risk

from capstat.results import NotEstimableError
from capstat.synthesis.count_effects import capture_effect, capture_ratio_effect, outcome_effect, same_people
from capstat.synthesis.study_arm import StudyArm


def arm(code, **given_fields):
    fields = {
        "study": "s1", "citation": "Somebody AB, Other C. A title. A journal 2022;1:1-2", "design": "series",
        "population": "adults", "age_group": "adults", "urgency": "elective", "setting": "procedure-laboratory",
        "placement": "unknown", "paced": True, "counted": "patients", "provenance": "verified", "seen_in": "abstract",
        "year": 2022, "capture_definition": "oximeter-rate",
    }  # fmt: skip
    return StudyArm(arm=code, **(fields | given_fields))


AP = arm("ap", n=18, n_captured=14, design="crossover", overlaps=("al",))
AL = arm("al", n=19, n_captured=8, design="crossover", overlaps=("ap",))


def test_share_captured_travels_as_counts():
    """PACE 1988, 32 late cases: definite capture in 5 [V]."""
    found = capture_effect(arm("pace1988", n=32, n_captured=5, capture_definition="ecg-response"))
    assert (found.events, found.total, found.n) == (5, 32, 32)
    assert (found.value, found.se) == (None, None)
    assert found.assumptions == ("Capture means: any definite response in the electrocardiogram.",)
    none = capture_effect(arm("quan1992", n=9, n_captured=0, capture_definition="pulse"))
    assert (none.events, none.total) == (0, 9)


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"provenance": "memory"}, "recalled from memory"),
        ({"not_pooled": "documented, refuted by the recording."}, "not pooled: documented, refuted by the recording.$"),
        ({"paced": False}, "not paced"),
        ({"counted": "trials"}, "trials are clustered in patients"),
        ({"counted": "episodes"}, "episodes are clustered in patients"),
        ({"n": None}, "was not reported"),
        ({"n_captured": None}, "was not reported"),
        ({"n": 0, "n_captured": 0}, "there are no patients"),
        ({"n_captured": 33}, "33 captured cannot be among 32 patients"),
        ({"n_captured": -1}, "cannot be among"),
        ({"capture_definition": ""}, "without its definition"),
    ],
)
def test_refused_counts(fields, sentence):
    one = arm("a1", **({"n": 32, "n_captured": 5} | fields))
    with pytest.raises(NotEstimableError, match=sentence) as error:
        capture_effect(one)
    assert str(error.value).startswith("a1: ")
    with pytest.raises(NotEstimableError, match=sentence):
        capture_ratio_effect(arm("a2", n=20, n_captured=10), one)


def test_ratio_of_shares_of_the_same_people():
    """2022 crossover [D]: 14/18 against 8/19, ratio 1.85; variance 4/(14 x 18) + 11/(8 x 19) = 0.088241."""
    found = capture_ratio_effect(AP, AL)
    assert np.exp(found.value) == pytest.approx(1.85, abs=0.005)
    assert found.se == pytest.approx(np.sqrt(0.088241), abs=1e-5)
    assert "as if independent" in found.method
    assert "their table of pairs was not published" in found.assumptions[0]
    assert (found.events, found.total, found.other_events, found.other_total) == (14, 18, 8, 19)
    assert (found.arm, found.other, found.n) == ("ap", "al", 19)


def test_ratio_of_independent_shares_is_scipys():
    one, two = arm("x", study="s2", n=40, n_captured=30), arm("y", study="s3", n=50, n_captured=20)
    found = capture_ratio_effect(one, two)
    scipys = relative_risk(30, 40, 20, 50)
    limits = scipys.confidence_interval(0.95)
    assert np.exp(found.value) == pytest.approx(scipys.relative_risk)
    assert found.se == pytest.approx(np.log(limits.high / limits.low) / 2 / 1.959963984540054)
    assert found.method == "log ratio of independent shares"
    assert not any("pairs" in s for s in found.assumptions)


def test_who_shares_people():
    assert same_people(AP, arm("al", study="elsewhere"))
    assert same_people(arm("al", study="elsewhere"), AP)
    assert same_people(arm("b1", design="crossover"), arm("b2"))
    assert not same_people(arm("b1"), arm("b2"))
    assert not same_people(arm("b1", design="crossover", study="s8"), arm("b2", design="crossover", study="s9"))


def test_definitions_and_oneself():
    with pytest.raises(NotEstimableError, match="defined differently, oximeter-rate and pulse"):
        capture_ratio_effect(AP, arm("al", n=19, n_captured=8, capture_definition="pulse"))
    with pytest.raises(NotEstimableError, match="with itself"):
        capture_ratio_effect(AP, AP)


def outcomes(events, total, other_events, other_total, **fields):
    common = {"outcome": "survival to discharge"} | fields
    one = arm("paced", outcome_events=events, outcome_n=total, **common)
    return one, arm("control", paced=False, outcome_events=other_events, outcome_n=other_total, **common)


def test_outcome_by_hand():
    """Morrison 2008, randomised: 29/42 against 28/40 [V]; variance 13/(29 x 42) + 12/(28 x 40) = 0.021387."""
    found = outcome_effect(*outcomes(29, 42, 28, 40, design="randomised"))
    assert found.value == pytest.approx(np.log(29 / 42 / 0.7))
    assert found.se == pytest.approx(np.sqrt(0.021387), abs=1e-5)
    assert found.assumptions == ()
    controlled = outcome_effect(*outcomes(11, 278, 5, 259, design="controlled"))
    assert controlled.assumptions == ("The arms were not formed by chance: the ratio is an association.",)


@pytest.mark.reference
def test_outcomes_of_the_recorded_trials(reference):
    """Log risk ratios of the BCG trials and their variances, recorded from metafor's escalc (s25)."""
    case = reference("s25")
    found = [outcome_effect(*outcomes(a, a + b, c, c + d)) for a, b, c, d in case.data["rows"]]
    case.check("log_rr", [x.value for x in found])
    case.check("var_log_rr", [x.se**2 for x in found])


def test_zero_cells():
    """0/24 against 4/27: (0.5/25) / (4.5/28); the other cells are touched only because one is zero."""
    found = outcome_effect(*outcomes(0, 24, 4, 27))
    assert found.value == pytest.approx(np.log(0.5 / 25 / (4.5 / 28)))
    assert found.se == pytest.approx(np.sqrt(24.5 / (0.5 * 25) + 23.5 / (4.5 * 28)))
    assert "0.5 added" in found.method
    assert (found.events, found.other_events) == (0, 4)


@pytest.mark.parametrize(("counts", "who"), [((0, 9, 0, 12), "Nobody"), ((9, 9, 12, 12), "Everybody")])
def test_nothing_to_compare(counts, who):
    found = outcome_effect(*outcomes(*counts))
    assert (found.value, found.se) == (None, None)
    assert found.assumptions[-1].startswith(who)
    assert (found.events, found.total, found.other_events, found.other_total) == counts


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"outcome": ""}, "the outcomes differ, none and survival to discharge"),
        ({"outcome": "admission"}, "the outcomes differ, admission and survival"),
        ({"outcome_events": 43}, "paced: 43 with the outcome cannot be among 42"),
        ({"outcome_n": None}, "paced: .* was not reported"),
        ({"counted": "trials"}, "clustered"),
        ({"overlaps": ("control",)}, "some people are in both"),
        ({"not_pooled": "selected cases"}, "selected cases"),
    ],
)
def test_refused_outcomes(fields, sentence):
    _, control = outcomes(29, 42, 28, 40)
    paced = {"outcome": "Survival to discharge", "outcome_events": 29, "outcome_n": 42} | fields
    with pytest.raises(NotEstimableError, match=sentence):
        outcome_effect(arm("paced", **paced), control)


@given(st.integers(0, 30), st.integers(0, 30), st.integers(0, 30), st.integers(0, 30))
def test_reversed_comparison(a, b, c, d):
    if a + b == 0 or c + d == 0:
        return
    one, two = outcomes(a, a + b, c, c + d)
    found, turned = outcome_effect(one, two), outcome_effect(two, one)
    if found.value is None:
        assert turned.value is None
    else:
        assert turned.value == pytest.approx(-found.value, abs=1e-12)
        assert turned.se == pytest.approx(found.se)


def test_known_truth_of_the_risk_ratio():
    """Normal limits of the log risk ratio hold 0.5 in about 95 % of 2,000 trials of 150 and 150."""
    rng = np.random.default_rng(11)
    draws = zip(rng.binomial(150, 0.2, 2000), rng.binomial(150, 0.4, 2000), strict=True)
    found = [outcome_effect(*outcomes(int(a), 150, int(c), 150)) for a, c in draws]
    held = np.mean([abs(x.value - np.log(0.5)) <= 1.96 * x.se for x in found])
    assert held == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / 2000))
    assert np.std([x.value for x in found]) == pytest.approx(np.mean([x.se for x in found]), rel=0.05)
