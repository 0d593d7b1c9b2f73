"""Subgroups and regressions of pooled questions: against brute-force likelihoods, with too few studies, odd columns."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import optimize, special, stats

from capstat.results import UsageError
from capstat.synthesis.moderators import ASSOCIATION, check_moderators, moderators_of
from capstat.synthesis.pooled import pool_evidence
from capstat.synthesis.questions import EvidenceQuestion, Gathered, gather
from capstat.synthesis.study_arm import EvidenceTable, StudyArm
from capstat.synthesis.study_effect import StudyEffect

Y = np.array([-0.45, -0.1, -0.31, 0.05, -0.22, -0.6, -0.15, -0.28, -0.37, 0.02, -0.19, -0.5])
SE = np.array([0.09, 0.2, 0.11, 0.25, 0.08, 0.16, 0.19, 0.07, 0.22, 0.13, 0.1, 0.3])
YEARS = np.array([1981, 1990, 1985, 2001, 1992, 1983, 1999, 1987, 1986, 2003, 1994, 1984])


def record(code: str, **fields: Any) -> StudyArm:
    given: dict[str, Any] = {
        "study": code, "citation": f"Writer{code} A. Journal 1990", "year": 1990, "design": "series",
        "population": "invented adults", "age_group": "adults", "urgency": "elective", "setting": "hospital",
        "placement": "anterior-posterior", "paced": True, "counted": "patients", "provenance": "own",
        "seen_in": "paper", "capture_definition": "pulse",
    }  # fmt: skip
    return StudyArm(arm=code, **(given | fields))


def pooled_ratios(k: int = 12, *, silent: bool = False, measure: str = "ratio", **columns: Any):
    """Typed log ratios; ``silent`` adds a study without a value."""
    effects = [
        StudyEffect(arm=f"r{i}", other=f"c{i}", label=f"R{i}", measure=measure, value=float(Y[i]), se=float(SE[i]), n=10,
                    method="typed")
        for i in range(k)
    ]  # fmt: skip
    arms = [
        record(f"r{i}", year=int(YEARS[i]), setting="hospital" if i % 3 else "emergency-department",
               **{name: values[i] for name, values in columns.items()})
        for i in range(k)
    ]  # fmt: skip
    if silent:
        effects.insert(1, replace(effects[0], arm="quiet", label="quiet", value=None, se=None))
        arms.insert(1, record("quiet", setting="prehospital", year=1950))
    return pool_evidence(Gathered(EvidenceQuestion(measure), tuple(effects), (), tuple(arms), ("a", "b")))


def regression(x: np.ndarray) -> tuple[float, float, float, float]:
    """Slope with Knapp-Hartung limits (factor of at least 1) and p-value; restricted likelihood by brute force."""
    design = np.column_stack([np.ones(Y.size), x - x.mean()])

    def fit(tau2: float):
        w = 1 / (SE**2 + tau2)
        inverse = np.linalg.inv(design.T @ (design * w[:, None]))
        b = inverse @ design.T @ (w * Y)
        return w, inverse, b, float(w @ (Y - design @ b) ** 2)

    def loss(tau2: float) -> float:
        w, inverse, _, q = fit(tau2)
        return float(-np.log(w).sum() - np.linalg.slogdet(inverse)[1] + q)

    tau2 = float(optimize.minimize_scalar(loss, bounds=(0, 1), method="bounded", options={"xatol": 1e-10}).x)
    tau2 = 0.0 if loss(0.0) <= loss(tau2) else tau2
    _, inverse, b, q = fit(tau2)
    df = Y.size - 2
    se = np.sqrt(inverse[1, 1] * max(1.0, q / df))
    half = stats.t.ppf(0.975, df) * se
    return b[1], b[1] - half, b[1] + half, float(2 * stats.t.sf(abs(b[1]) / se, df))


def test_regression_on_the_year():
    (found,) = moderators_of(pooled_ratios(), on="year")
    slope, low, high, p = regression(YEARS.astype(float))
    ((label, estimate),) = found.rows
    assert label == "per unit"
    assert (estimate.value, estimate.lower, estimate.upper) == pytest.approx(np.exp([slope, low, high]), rel=1e-4)
    assert estimate.quantity == "factor for one unit more"
    assert found.p_value == pytest.approx(p, rel=2e-3)
    assert found.notes == (ASSOCIATION,)


def test_regression_of_differences_is_told_in_ma():
    (found,) = moderators_of(pooled_ratios(measure="difference"), on="year")
    ((_, estimate),) = found.rows
    assert estimate.value == pytest.approx(regression(YEARS.astype(float))[0], rel=1e-4)
    assert (estimate.quantity, estimate.unit, estimate.direction) == ("change for one unit more", "mA", "per unit")


def test_two_groups_are_a_regression_on_which_group():
    (found,) = moderators_of(pooled_ratios(), by="setting")
    rows = dict(found.rows)
    assert set(rows) == {"emergency-department", "hospital"}
    assert (rows["hospital"].n, rows["emergency-department"].n) == (80, 40)
    slope, _, _, p = regression(np.array([i % 3 > 0 for i in range(12)], dtype=float))
    assert np.log(rows["hospital"].value / rows["emergency-department"].value) == pytest.approx(slope, rel=1e-3)
    assert found.p_value == pytest.approx(p, rel=2e-3)


def test_studies_that_say_nothing_are_left_aside():
    plain, quiet = (moderators_of(pooled_ratios(silent=s), by="setting", on="year") for s in (False, True))
    assert [(m.rows, m.p_value) for m in plain] == [(m.rows, m.p_value) for m in quiet]
    assert not any(m.reason for m in quiet)


def test_shares_are_compared_by_the_model_of_their_counts():
    arms = [
        record(f"s{i}", n=30, n_captured=x, placement="anterior-posterior" if i < 3 else "anterior-lateral")
        for i, x in enumerate([20, 21, 22, 10, 11, 12])
    ]
    pooled = pool_evidence(gather(EvidenceTable(tuple(arms), ("x",), "0"), EvidenceQuestion("capture")))
    groups, years = moderators_of(pooled, by="placement", on="year")
    rows = dict(groups.rows)
    # no spread within the groups: two plain shares, and the likelihood ratio of one share against two
    assert rows["anterior-posterior"].value == pytest.approx(63 / 90, abs=1e-5)
    assert rows["anterior-lateral"].value == pytest.approx(33 / 90, abs=1e-5)

    # likelihood ratio against one normal law of all log odds, its likelihood by a plain trapezium sum
    x, n = np.array([20, 21, 22, 10, 11, 12]), 30
    z = np.linspace(-8, 8, 1601)
    weight = stats.norm.pdf(z) * (z[1] - z[0])

    def loss(theta):
        logit = theta[0] + abs(theta[1]) * z
        return -np.log((stats.binom.pmf(x[:, None], n, special.expit(logit)) * weight).sum(axis=1)).sum()

    one = -optimize.minimize(loss, [0.1, 0.6], method="Nelder-Mead", options={"xatol": 1e-7}).fun
    two = stats.binom.logpmf(x, n, np.repeat([63 / 90, 33 / 90], 3)).sum()
    # as an F ratio with 1 and 4 degrees of freedom, as the residual sums of squares of six studies would give
    assert groups.p_value == pytest.approx(stats.f.sf(4 * np.expm1(2 * (two - one) / 6), 1, 4), rel=1e-3)
    assert "F with 1 and 4 degrees" in groups.test
    assert groups.p_value < 0.01
    assert "are not regressed" in years.reason


@pytest.mark.parametrize(("k", "by", "on", "words"), [
    (9, "", "year", "needs 10 studies"),
    (12, "urgency", "", "All studies have the same urgency."),
    (12, "year", "", "has 1"),
    (12, "", "pulse_width_ms", "12 of 12 studies report no pulse_width_ms."),
    (12, "", "n", "12 of 12 studies report no n."),
])  # fmt: skip
def test_what_cannot_be_compared_says_why(k, by, on, words):
    (found,) = moderators_of(pooled_ratios(k), by=by, on=on)
    assert found.rows == ()
    assert found.p_value is None
    assert words in found.reason


def test_one_value_for_all_is_no_covariate():
    (found,) = moderators_of(pooled_ratios(max_output_ma=[140.0] * 12), on="max_output_ma")
    assert "same in all studies" in found.reason


def test_values_are_told_as_a_reader_knows_them():
    widths = [20.0] * 4 + [40.0] * 4 + [None] * 4
    (found,) = moderators_of(pooled_ratios(pulse_width_ms=widths), by="pulse_width_ms")
    assert [label for label, _ in found.rows] == ["20", "40", "not recorded"]


@pytest.mark.parametrize(("by", "on", "words"), [
    ("bogus", "", "no column 'bogus'"),
    ("overlaps", "", "no column 'overlaps'"),
    ("", "citation", "holds words"),
    ("", "doi", "holds words"),
    ("", "paced", "holds words"),
    ("", "urgency", "holds words"),
])  # fmt: skip
def test_columns_that_cannot_be_used_are_refused(by, on, words):
    with pytest.raises(UsageError, match=words):
        check_moderators(by=by, on=on)
    with pytest.raises(UsageError, match=words):
        moderators_of(pooled_ratios(), by=by, on=on)
