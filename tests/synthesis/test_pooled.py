"""Pooled figures from typed numbers, worked out again here by other means: plain formulas, brute-force likelihoods."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import optimize, special, stats

from capstat.synthesis.evidence_file import published_evidence
from capstat.synthesis.pooled import pool_evidence
from capstat.synthesis.questions import EvidenceQuestion, Gathered, gather
from capstat.synthesis.study_arm import EvidenceTable, StudyArm
from capstat.synthesis.study_effect import StudyEffect

AP, AL = "anterior-posterior", "anterior-lateral"
ADULTS = ("adults", "mixed")


def record(code: str, **fields: Any) -> StudyArm:
    given: dict[str, Any] = {
        "study": code.partition("_")[0], "citation": f"Writer{code.partition('_')[0]} A. Journal 1990", "year": 1990,
        "design": "series", "population": "invented adults", "age_group": "adults", "urgency": "elective",
        "setting": "hospital", "placement": AP, "paced": True, "counted": "patients", "provenance": "own",
        "seen_in": "paper", "capture_definition": "pulse",
    }  # fmt: skip
    return StudyArm(arm=code, **(given | fields))


def shares(*counts: tuple[int, int], level: float = 0.95):
    arms = tuple(record(f"s{i}", n=n, n_captured=x) for i, (x, n) in enumerate(counts))
    return pool_evidence(gather(EvidenceTable(arms, ("x",), "0"), EvidenceQuestion("capture")), level=level)


def outcomes(*tables: tuple[int, int, int, int]):
    arms = []
    for i, (x, n, y, m) in enumerate(tables):
        words = {"outcome": "survival", "design": "randomised"}
        arms.append(record(f"o{i}_p", n=n, outcome_events=x, outcome_n=n, compared_with=f"o{i}_c", **words))
        arms.append(record(f"o{i}_c", n=m, outcome_events=y, outcome_n=m, paced=False, **words))
    return pool_evidence(gather(EvidenceTable(tuple(arms), ("x",), "0"), EvidenceQuestion("outcome")))


def ratios(y: Any, se: Any, level: float = 0.95):
    """Log ratios pooled as they are."""
    question = EvidenceQuestion("ratio")
    effects = tuple(
        StudyEffect(arm=f"r{i}_a", other=f"r{i}_b", label=f"R{i}", measure="ratio", value=float(a), se=float(b), n=10,
                    method="typed")
        for i, (a, b) in enumerate(zip(y, se, strict=True))
    )  # fmt: skip
    arms = tuple(record(e.arm, year=1980 + i) for i, e in enumerate(effects))
    return pool_evidence(Gathered(question, effects, (), arms, (AP, AL)), level=level)


def shipped(measure, **where):
    chosen = tuple((name, value if isinstance(value, tuple) else (value,)) for name, value in where.items())
    return pool_evidence(gather(published_evidence(), EvidenceQuestion(measure, (("age_group", ADULTS), *chosen))))


# --- independent ----------------------------------------------------------------------------------------------------


def reml_hk(y: np.ndarray, se: np.ndarray, level: float = 0.95) -> dict[str, float]:
    """Restricted likelihood maximised by brute force; Hartung-Knapp limits with a factor of at least 1."""
    y, v = np.asarray(y, dtype=float), np.asarray(se, dtype=float) ** 2
    k = y.size

    def fit(tau2: float) -> tuple[np.ndarray, float]:
        w = 1 / (v + tau2)
        return w, float(w @ y / w.sum())

    def loss(tau: float) -> float:
        w, mu = fit(tau**2)
        return float(-np.log(w).sum() + np.log(w.sum()) + w @ (y - mu) ** 2)

    grid = np.linspace(0, 5 * np.ptp(y) + 1e-9, 4001)
    best = int(np.argmin([loss(t) for t in grid]))
    ends = grid[max(best - 1, 0)], grid[min(best + 1, grid.size - 1)]
    tau = 0.0 if best == 0 else float(optimize.minimize_scalar(loss, bounds=ends, method="bounded").x)
    w, mu = fit(tau**2)
    factor = max(1.0, float(w @ (y - mu) ** 2) / (k - 1))
    half = float(stats.t.ppf(0.5 + level / 2, k - 1)) * np.sqrt(factor / w.sum())
    far = float(stats.t.ppf(0.5 + level / 2, max(k - 2, 1))) * np.sqrt(tau**2 + 1 / w.sum())
    return {"mu": mu, "lower": mu - half, "upper": mu + half, "tau": tau, "far": far}


def same(pooled, other, rtol=2e-4):
    found = pooled.headline
    assert found.value == pytest.approx(np.exp(other["mu"]), rel=rtol)
    assert found.lower == pytest.approx(np.exp(other["lower"]), rel=rtol)
    assert found.upper == pytest.approx(np.exp(other["upper"]), rel=rtol)
    assert pooled.heterogeneity[0].value == pytest.approx(other["tau"], abs=1e-4)


def best_share(events, totals) -> tuple[float, float]:
    """Median study's share and the SD of the log odds of the binomial-normal model, by a plain trapezium sum."""
    x, n = np.array(events), np.array(totals)
    z = np.linspace(-8, 8, 1601)
    weight = stats.norm.pdf(z) * (z[1] - z[0])

    def loss(theta):
        logit = theta[0] + abs(theta[1]) * z
        with np.errstate(divide="ignore"):
            return -np.log((stats.binom.pmf(x[:, None], n[:, None], special.expit(logit)) * weight).sum(axis=1)).sum()

    starts = [(special.logit(x.sum() / n.sum()), tau) for tau in (0.3, 1.5)]
    found = min((optimize.minimize(loss, s, method="Nelder-Mead", options={"xatol": 1e-6}) for s in starts),
                key=lambda one: one.fun)  # fmt: skip
    return float(special.expit(found.x[0])), abs(float(found.x[1]))


# --- the field's own numbers ----------------------------------------------------------------------------------------


def elective_thresholds() -> tuple[np.ndarray, np.ndarray]:
    """Mean 74 SD 14 of 8; median 55 (45 to 90) of 11; median 59 (38 to 70) of 10."""
    w = 1 + (14 / 74) ** 2
    values = [np.log(74) - np.log(w) / 2]
    errors = [np.sqrt((4 * (w - 1) - 2 * (w**2 - 1) + (w**4 - 1) / 4) / 8)]
    rng = np.random.default_rng(20261126)
    for middle, low, high, n in ((55, 45, 90, 11), (59, 38, 70, 10)):
        sd = np.log(high / low) / (2 * stats.norm.ppf((n - 0.375) / (n + 0.25)))
        ends = 4 / (4 + n**0.75)
        values.append(ends * np.log(low * high) / 2 + (1 - ends) * np.log(middle))
        # the error of that mean in normal samples, by simulation
        draws = rng.normal(size=(200_000, n))
        means = ends * (draws.min(axis=1) + draws.max(axis=1)) / 2 + (1 - ends) * np.median(draws, axis=1)
        errors.append(sd * means.std())
    return np.array(values), np.array(errors)


def test_three_elective_thresholds_by_hand():
    pooled = shipped("threshold", urgency="elective")
    assert [study.effect.arm for study in pooled.studies] == [
        "altamura1990_activation", "madsen1988_ahj_elective", "madsen1988_pace_volunteers",
    ]  # fmt: skip
    y, se = elective_thresholds()
    assert [study.effect.value for study in pooled.studies] == pytest.approx(list(y), abs=1e-9)
    assert [study.effect.se for study in pooled.studies] == pytest.approx(list(se), rel=0.006)
    other = reml_hk(y, se)
    same(pooled, other, rtol=0.004)
    assert pooled.headline.unit == "mA"
    assert (pooled.n, pooled.headline.n) == (29, 29)
    assert pooled.prediction.upper == pytest.approx(np.exp(other["mu"] + other["far"]), rel=0.03)
    # weights of the three, as printed
    assert sum(study.weight_random for study in pooled.studies) == pytest.approx(1)


def test_three_emergency_counts_by_hand():
    pooled = shipped("capture", urgency="emergency", capture_definition="undescribed")
    assert [(s.effect.events, s.effect.total) for s in pooled.studies] == [(30, 32), (22, 24), (13, 13)]
    # no spread beyond chance: the model is one binomial share
    assert pooled.heterogeneity[0].value == 0
    assert pooled.headline.value == pytest.approx(65 / 69, abs=1e-6)
    alone = pooled.others[0]
    assert alone.value == pytest.approx(65 / 69)
    assert alone.lower == pytest.approx(stats.beta.ppf(0.025, 65, 5), rel=1e-9)
    assert alone.upper == pytest.approx(stats.beta.ppf(0.975, 66, 4), rel=1e-9)
    assert pooled.headline.lower < alone.lower
    assert pooled.headline.upper > alone.upper


def test_pulse_in_arrest_by_hand():
    pooled = shipped("capture", urgency="arrest", capture_definition="pulse")
    assert sorted((s.effect.events, s.effect.total) for s in pooled.studies) == [(1, 12), (9, 112), (10, 91)]
    assert pooled.headline.value == pytest.approx(20 / 215, abs=1e-6)
    assert pooled.others[0].lower == pytest.approx(stats.beta.ppf(0.025, 20, 196), rel=1e-9)


@pytest.mark.parametrize(
    ("urgency", "arm", "counts", "printed"),
    [
        ("arrest", "cummins1993_pacing", (11, 278, 5, 259), (2.05, 0.72, 5.82)),
        ("emergency", "morrison2008_pacing", (29, 42, 28, 40), (0.986, 0.74, 1.31)),
    ],
)
def test_risk_ratios_of_the_trials_by_hand(urgency, arm, counts, printed):
    x, n, y, m = counts
    pooled = shipped("outcome", urgency=urgency)
    (study,) = [s for s in pooled.studies if (s.effect.events, s.effect.total) == (x, n)]
    assert study.effect.arm.startswith(arm.split("_", maxsplit=1)[0])
    value, se = np.log(x / n / (y / m)), np.sqrt(1 / x - 1 / n + 1 / y - 1 / m)
    limits = np.exp(value + stats.norm.ppf([0.025, 0.975]) * se)
    found = study.estimate
    assert (found.value, found.lower, found.upper) == pytest.approx((np.exp(value), *limits), rel=1e-9)
    assert (found.value, found.lower, found.upper) == pytest.approx(printed, abs=0.006)
    assert pooled.headline is None
    assert pooled.not_pooled == "One study only: nothing to pool."


def test_shares_that_differ_against_a_brute_force_likelihood():
    pooled = shipped("capture", urgency="arrest", capture_definition="electrical-undescribed")
    share, tau = best_share([55, 85], [105, 91])
    assert pooled.headline.value == pytest.approx(share, abs=1e-4)
    assert pooled.heterogeneity[0].value == pytest.approx(tau, abs=1e-3)
    assert pooled.prediction.lower is None
    assert "at least three studies" in pooled.prediction.reason


# --- values ---------------------------------------------------------------------------------------------------------

Y = np.array([-0.45, -0.1, -0.31, 0.05, -0.22, -0.6, -0.15, -0.28, -0.37, 0.02, -0.19, -0.5])
SE = np.array([0.09, 0.2, 0.11, 0.25, 0.08, 0.16, 0.19, 0.07, 0.22, 0.13, 0.1, 0.3])


def test_twelve_invented_crossovers_against_a_brute_force_likelihood():
    pooled = ratios(Y, SE)
    other = reml_hk(Y, SE)
    assert other["tau"] > 0.05
    same(pooled, other)
    assert pooled.prediction.lower == pytest.approx(np.exp(other["mu"] - other["far"]), rel=1e-3)
    assert pooled.headline.direction == f"{AP} against {AL}"
    for i, left in enumerate(pooled.leave_one_out):
        without = reml_hk(np.delete(Y, i), np.delete(SE, i))
        assert left.label == f"R{i}"
        assert left.estimate.value == pytest.approx(np.exp(without["mu"]), rel=2e-4)
        assert left.estimate.upper == pytest.approx(np.exp(without["upper"]), rel=2e-4)
        assert left.estimate.n == 110
        # residual: the study against what the others predict for it
        wide = np.sqrt(SE[i] ** 2 + without["tau"] ** 2 + 1 / (1 / (np.delete(SE, i) ** 2 + without["tau"] ** 2)).sum())
        assert pooled.influence[i].rstudent == pytest.approx((Y[i] - without["mu"]) / wide, rel=1e-3, abs=1e-4)
    # Egger by ordinary least squares of y/se on 1/se
    line = stats.linregress(1 / SE, Y / SE)
    t = line.intercept / line.intercept_stderr
    assert pooled.asymmetry.p_value == pytest.approx(2 * stats.t.sf(abs(t), 10), rel=1e-9)
    assert not pooled.asymmetry.too_few
    assert pooled.not_tested == ""


def test_studies_that_agree_exactly_are_pooled_without_the_limits_that_would_have_no_width():
    pooled = ratios([np.log(0.8)] * 4, [0.1, 0.12, 0.1, 0.15])
    assert pooled.headline.value == pytest.approx(0.8)
    assert pooled.headline.lower < 0.8 < pooled.headline.upper
    assert not any(e.method.endswith("Hartung-Knapp limits") for e in pooled.others)
    assert len(pooled.leave_one_out) == 4
    assert pooled.asymmetry is None
    assert pooled.not_tested


def test_two_studies_at_a_high_level_have_open_limits_and_no_warning():
    """Student's t with one degree of freedom: 318 at 99.8 %; the limit is beyond every number."""
    pooled = ratios([0.0, 6.0], [0.1, 0.1], level=0.998)
    assert np.isinf(pooled.headline.upper)
    assert pooled.headline.lower == pytest.approx(0, abs=1e-100)
    assert pooled.leave_one_out == ()
    assert pooled.influence == ()
    assert pooled.prediction.lower is None


def test_forty_studies():
    rng = np.random.default_rng(5)
    se = rng.uniform(0.05, 0.4, 40)
    y = rng.normal(-0.3, np.hypot(se, 0.15))
    pooled = ratios(y, se)
    same(pooled, reml_hk(y, se))
    assert len(pooled.leave_one_out) == 40


# --- risk ratios with zeros -----------------------------------------------------------------------------------------


def test_a_study_without_events_stays_in_the_table_and_weighs_nothing():
    with_empty = outcomes((3, 30, 2, 31), (0, 20, 0, 22), (5, 50, 4, 49), (1, 12, 0, 15))
    without = outcomes((3, 30, 2, 31), (5, 50, 4, 49), (1, 12, 0, 15))
    assert [s.weight_random for s in with_empty.studies if s.estimate.value is None] == [None]
    assert with_empty.headline == without.headline
    assert with_empty.others[:-1] == without.others[:-1]
    # by counts alone the empty study is in, and adds nothing
    one, two = with_empty.others[-1], without.others[-1]
    assert (one.value, one.lower, one.upper) == pytest.approx((two.value, two.lower, two.upper))
    told = [study.effect.label for study in with_empty.studies if study.estimate.value is not None]
    assert [left.label for left in with_empty.leave_one_out] == told
    assert with_empty.headline.n == 187
    assert with_empty.n == 229
    # the zero cell is corrected in the value
    y = np.log([3 / 30 / (2 / 31), 5 / 50 / (4 / 49), (1.5 / 13) / (0.5 / 16)])
    v = [1 / 3 - 1 / 30 + 1 / 2 - 1 / 31, 1 / 5 - 1 / 50 + 1 / 4 - 1 / 49, 1 / 1.5 - 1 / 13 + 1 / 0.5 - 1 / 16]
    same(with_empty, reml_hk(y, np.sqrt(v)))


def test_mantel_haenszel_by_hand_and_without_events_unchanged():
    counts = [(3, 30, 2, 31), (5, 50, 4, 49), (1, 12, 0, 15)]
    above = sum(x * m / (n + m) for x, n, _, m in counts)
    below = sum(y * n / (n + m) for _, n, y, m in counts)
    for extra in ([], [(0, 20, 0, 22)]):
        (found,) = [e for e in outcomes(*counts, *extra).others if e.method.startswith("Mantel-Haenszel")]
        assert found.value == pytest.approx(above / below)


def test_only_studies_without_events():
    pooled = outcomes((0, 20, 0, 22), (0, 10, 0, 9))
    assert pooled.headline is None
    assert pooled.not_pooled == "No study reports what is needed."
    assert all("nobody had the outcome" in study.estimate.reason for study in pooled.studies)


def test_one_study_with_events_beside_one_without_is_one_study():
    pooled = outcomes((0, 20, 0, 22), (3, 30, 2, 31))
    assert pooled.headline is None
    assert pooled.not_pooled == "One study only: nothing to pool."


def test_no_event_in_any_paced_arm():
    """Mantel-Haenszel would be zero; the corrected values are pooled all the same."""
    pooled = outcomes((0, 20, 2, 22), (0, 10, 1, 9))
    assert pooled.headline.value < 1
    assert not any(e.method.startswith("Mantel") for e in pooled.others)


# --- shares at the ends ---------------------------------------------------------------------------------------------


def test_all_captured_in_every_study():
    few = shares((23, 23), (11, 11), (10, 10))
    assert few.headline.value == 1
    assert few.headline.lower == pytest.approx(0, abs=1e-9)
    assert few.headline.notes[-1]
    assert few.prediction.reason
    many = shares(*((14 + i, 14 + i) for i in range(7)))
    assert many.headline.value == 1
    assert many.headline.lower > 0.8
    assert all(e.value is not None or e.reason for e in (*many.others, *many.heterogeneity))


def test_nobody_captured_in_any_study():
    pooled = shares((0, 23), (0, 11), (0, 10))
    assert pooled.headline.value == 0
    assert pooled.others[0].upper == pytest.approx(1 - 0.025 ** (1 / 44))


def test_one_share_is_not_pooled():
    pooled = shares((8, 19))
    assert pooled.headline is None
    assert pooled.not_pooled == "One study only: nothing to pool."
    assert pooled.studies[0].estimate.value == pytest.approx(8 / 19)
    # Wilson's score limits, the formula
    z, p, n = stats.norm.ppf(0.975), 8 / 19, 19
    centre, half = (p + z**2 / 2 / n), z * np.sqrt(p * (1 - p) / n + z**2 / 4 / n**2)
    limits = np.array([centre - half, centre + half]) / (1 + z**2 / n)
    assert (pooled.studies[0].estimate.lower, pooled.studies[0].estimate.upper) == pytest.approx(limits)


def test_many_shares_against_a_brute_force_likelihood():
    rng = np.random.default_rng(11)
    totals = rng.integers(8, 40, 12)
    events = rng.binomial(totals, special.expit(rng.normal(1.0, 0.8, 12)))
    pooled = shares(*zip(events.tolist(), totals.tolist(), strict=True))
    share, tau = best_share(events, totals)
    assert pooled.headline.value == pytest.approx(share, abs=2e-4)
    assert pooled.heterogeneity[0].value == pytest.approx(tau, abs=2e-3)
    assert len(pooled.leave_one_out) == 12
