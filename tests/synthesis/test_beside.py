"""A local study beside published ones: by hand where normal, by brute-force integration where not."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, special, stats

from capstat.results import NotEstimableError
from capstat.synthesis.beside import place_local, service_prior, update_local
from capstat.synthesis.pooled import pool_evidence
from capstat.synthesis.questions import EvidenceQuestion, Gathered, gather
from capstat.synthesis.study_arm import EvidenceTable, StudyArm
from capstat.synthesis.study_effect import StudyEffect

Y = np.array([-0.45, -0.1, -0.31, 0.05, -0.22, -0.6])
SE = np.array([0.09, 0.2, 0.11, 0.25, 0.08, 0.16])
PAIR = ("anterior-posterior", "anterior-lateral")


def record(code: str, **fields: Any) -> StudyArm:
    given: dict[str, Any] = {
        "study": code, "citation": f"Writer{code} A. Journal 1990", "year": 1990, "design": "series",
        "population": "invented adults", "age_group": "adults", "urgency": "elective", "setting": "hospital",
        "placement": "anterior-posterior", "paced": True, "counted": "patients", "provenance": "own",
        "seen_in": "paper", "capture_definition": "pulse",
    }  # fmt: skip
    return StudyArm(arm=code, **(given | fields))


def effect(value: float | None, se: float | None, **fields: Any) -> StudyEffect:
    given: dict[str, Any] = {"arm": "r", "other": "c", "label": "R", "measure": "ratio", "n": 10, "method": "typed"}
    return StudyEffect(value=value, se=se, **(given | fields))


def ratios(k: int = 6, *more: StudyEffect):
    effects = (*(effect(float(Y[i]), float(SE[i]), arm=f"r{i}", label=f"R{i}") for i in range(k)), *more)
    arms = tuple(record(f"r{i}") for i in range(len(effects)))
    return pool_evidence(Gathered(EvidenceQuestion("ratio"), effects, (), arms, PAIR))


def shares(*counts: tuple[int, int]):
    arms = tuple(record(f"s{i}", n=n, n_captured=x) for i, (x, n) in enumerate(counts))
    return pool_evidence(gather(EvidenceTable(arms, ("x",), "0"), EvidenceQuestion("capture")))


def local(value: float, se: float, df: float | None = None) -> StudyEffect:
    return effect(value, se, arm="local", other="local", label="local", local=True, df=df, n=12)


def local_count(x: int, n: int) -> StudyEffect:
    return effect(None, None, arm="local", other="", measure="capture", events=x, total=n, n=n, local=True)


# --- how unusual ----------------------------------------------------------------------------------------------------


def law_of_a_service(y, se, scale):
    """Mean and SD of the normal law with the 95 % limits of the predictive one, from a dense grid of means and spreads."""
    tau = ((np.arange(400) + 0.5) * 6 * scale / 400)[:, None]
    mu = np.linspace(min(y) - 12 * scale - 1, max(y) + 12 * scale + 1, 2001)
    log = stats.halfnorm.logpdf(tau, scale=scale) + sum(
        stats.norm.logpdf(one, mu, np.hypot(error, tau)) for one, error in zip(y, se, strict=True)
    )
    joint = np.exp(log - log.max())
    joint /= joint.sum()

    def below(x, share):
        return float((joint * special.ndtr((x - mu) / tau)).sum()) - share

    ends = min(y) - 10 * scale, max(y) + 10 * scale
    low, high = (optimize.brentq(below, *ends, args=(share,), xtol=1e-6) for share in (0.025, 0.975))
    return (low + high) / 2, (high - low) / 2 / stats.norm.ppf(0.975)


def law_of_shares(*counts):
    x, n = np.array(counts, dtype=float).T
    return law_of_a_service(np.log((x + 0.5) / (n - x + 0.5)), np.sqrt(1 / (x + 0.5) + 1 / (n - x + 0.5)), 1.0)


@pytest.mark.parametrize("k", [1, 2, 3, 6])
def test_law_of_a_service_by_brute_force(k):
    """From one study on: the spread between services is uncertain, and the prior of it half-normal with scale 0.25."""
    prior = service_prior(ratios(k))
    assert (prior.mean, prior.sd) == pytest.approx(law_of_a_service(Y[:k], SE[:k], 0.25), abs=5e-4)


@pytest.mark.parametrize("k", [1, 2, 3])
def test_law_of_shares_by_brute_force(k):
    """Log odds with half an event more on both sides; the prior of the spread half-normal with scale 1."""
    counts = ((12, 12), (20, 60), (1, 12))[:k]
    prior = service_prior(shares(*counts))
    assert (prior.mean, prior.sd) == pytest.approx(law_of_shares(*counts), abs=2e-3)


def test_place_of_a_value_by_hand():
    pooled = ratios()
    prior = service_prior(pooled)
    place = place_local(local(0.1, 0.15), pooled)
    wide = np.hypot(prior.sd, 0.15)
    z = (0.1 - prior.mean) / wide
    assert place.share_below == pytest.approx(stats.norm.cdf(z))
    assert place.p_value == pytest.approx(2 * stats.norm.sf(abs(z)))
    assert place.upper == pytest.approx(np.exp(prior.mean + stats.norm.ppf(0.975) * wide))


def test_place_of_a_count_by_integration():
    counts = (9, 112), (10, 91), (1, 12), (20, 60)
    mean, sd = law_of_shares(*counts)
    place = place_local(local_count(3, 20), shares(*counts))
    logit = np.linspace(mean - 10 * sd, mean + 10 * sd, 40_001)
    weight = stats.norm.pdf(logit, mean, sd)
    share = special.expit(logit)
    mid = weight @ (stats.binom.cdf(2, 20, share) + stats.binom.pmf(3, 20, share) / 2) / weight.sum()
    assert place.share_below == pytest.approx(mid, abs=0.003)


def test_one_study_places_a_local_one_and_none_does_not():
    assert place_local(local(float(Y[0]), 0.1), ratios(1)).p_value == pytest.approx(1)
    assert place_local(local_count(5, 9), shares((10, 10), (12, 12), (9, 9))).p_value < 1
    with pytest.raises(NotEstimableError, match="No study reports"):
        place_local(local(0.0, 0.1), ratios(0))


# --- both together --------------------------------------------------------------------------------------------------


def test_normal_prior_and_data_by_hand():
    pooled = ratios()
    prior = service_prior(pooled)
    for weight in (0.25, 1.0):
        update = update_local(local(0.1, 0.15), pooled, weight=weight)
        precision = np.array([weight / prior.variance, 1 / 0.15**2])
        mean = precision @ [prior.mean, 0.1] / precision.sum()
        limits = np.exp(mean + stats.norm.ppf([0.025, 0.5, 0.975]) / np.sqrt(precision.sum()))
        assert (update.combined.lower, update.combined.value, update.combined.upper) == pytest.approx(limits)
        assert update.normal_gap == 0
    assert update.prior.value == pytest.approx(np.exp(prior.mean))
    assert update.prior.direction == " against ".join(PAIR)


def test_counts_by_brute_force():
    counts = (9, 112), (10, 91), (6, 12), (20, 60)
    mean, sd = law_of_shares(*counts)
    update = update_local(local_count(10, 12), shares(*counts), weight=0.5)
    logit = np.linspace(-20, 20, 400_001)
    log = stats.binom.logpmf(10, 12, special.expit(logit)) - (logit - mean) ** 2 / 2 / (sd**2 / 0.5)
    cdf = np.cumsum(np.exp(log - log.max()))
    quantiles = special.expit(np.interp([0.025, 0.5, 0.975], cdf / cdf[-1], logit))
    found = update.combined
    assert (found.lower, found.value, found.upper) == pytest.approx(quantiles, abs=2e-3)
    assert found.unit == "proportion"


def test_all_captured_locally():
    pooled = shares((9, 112), (10, 91), (6, 12), (20, 60))
    update = update_local(local_count(12, 12), pooled, weight=0.5)
    assert update.combined.value < 1
    assert update.combined.lower < update.combined.upper < 1
    # without any prior the logit has no law
    assert min(weight for weight, _ in update.by_weight) > 0
    nobody = update_local(local_count(0, 12), pooled, weight=0.5)
    assert 0 < nobody.combined.lower < nobody.combined.value


@pytest.mark.parametrize("df", [None, 9.0])
def test_weights_from_next_to_none_to_all(df):
    pooled = ratios()
    mine = local(0.2, 0.1, df)
    values = [update_local(mine, pooled, weight=w).combined for w in (1e-12, 0.1, 0.5, 1.0)]
    # next to no prior: the local limits as the package gives them
    half = stats.norm.ppf(0.975) * 0.1
    assert (values[0].lower, values[0].upper) == pytest.approx(np.exp([0.2 - half, 0.2 + half]), rel=1e-4)
    middle = [v.value for v in values]
    assert middle == sorted(middle, reverse=True)
    assert middle[-1] > np.exp(service_prior(pooled).mean)


def test_the_chosen_weight_is_among_those_shown():
    update = update_local(local(0.1, 0.15), ratios(), weight=0.3)
    shown = dict(update.by_weight)
    assert list(shown) == [0.0, 0.1, 0.25, 0.3, 0.5, 1.0]
    assert shown[0.3].value == pytest.approx(update.combined.value)


def test_one_study_of_the_user_is_a_prior():
    update = update_local(local(0.0, 0.2), ratios(1), weight=1.0)
    mean, sd = law_of_a_service(Y[:1], SE[:1], 0.25)
    precision = np.array([1 / sd**2, 1 / 0.2**2])
    assert update.combined.value == pytest.approx(np.exp(precision @ [mean, 0.0] / precision.sum()), abs=0.002)
    assert update.studies == 1
    assert "so few studies" in update.notes[0]
    # a study without a value beside it changes nothing
    quiet = ratios(1, effect(None, None, arm="r1", label="quiet"))
    assert update_local(local(0.0, 0.2), quiet, weight=1.0).combined == replace(update.combined)


def test_a_single_share_is_a_prior_and_nothing_published_is_none():
    update = update_local(local_count(5, 9), shares((8, 19)), weight=0.5)
    assert 8 / 19 < update.combined.value < 5 / 9
    with pytest.raises(NotEstimableError, match="No study reports"):
        update_local(local(0.0, 0.1), ratios(0), weight=0.5)


# --- conflict -------------------------------------------------------------------------------------------------------


def test_a_local_study_off_by_a_factor_of_three_conflicts():
    pooled = ratios()
    centre = service_prior(pooled).mean
    near = update_local(local(centre, 0.1), pooled, weight=0.5)
    assert near.conflict_p == pytest.approx(1)
    assert not near.conflict
    far = update_local(local(centre + float(np.log(3)), 0.1), pooled, weight=0.5)
    assert far.conflict
    assert far.conflict_p == pytest.approx(place_local(local(centre + float(np.log(3)), 0.1), pooled).p_value)


@pytest.mark.parametrize("k", [1, 2, 3])
def test_few_studies_can_be_contradicted(k):
    """A factor of six from what one to three studies found is called a conflict; a third more is not."""
    centre = service_prior(ratios(k)).mean
    assert update_local(local(centre + 1.8, 0.1), ratios(k), weight=0.5).conflict
    assert not update_local(local(centre + 0.3, 0.1), ratios(k), weight=0.5).conflict


@pytest.mark.parametrize("tau", [0.1, 0.2, 0.3, 0.4])
def test_calibration_beside_three_studies(tau):
    """Services that differ by 10 to 40 %: how often a like one is called a conflict, and how often limits hold its truth.

    With 1500 tries: conflict in 0.5, 4, 8 and 13 %; limits held in 93.8 to 95.7 %.
    """
    rng = np.random.default_rng(8)
    three = ratios(3)
    conflicts, held, tries = 0, {0.5: 0, 1.0: 0}, 200
    for _ in range(tries):
        truth = rng.normal(0, tau, 4)
        # the prior needs no pooled value
        studies = tuple(
            replace(study, effect=replace(study.effect, value=float(rng.normal(truth[i], 0.12)), se=0.12))
            for i, study in enumerate(three.studies)
        )
        mine = local(float(rng.normal(truth[3], 0.1)), 0.1)
        update = update_local(mine, replace(three, studies=studies), weight=0.5)
        conflicts += update.conflict
        for weight, combined in update.by_weight:
            if weight in held:
                held[weight] += bool(np.log(combined.lower) <= truth[3] <= np.log(combined.upper))
    # 40 % is beyond the prior
    assert tau > 0.3 or conflicts < (0.1 if tau == 0.1 else 0.15) * tries
    assert min(held.values()) >= 0.9 * tries


# --- curves ---------------------------------------------------------------------------------------------------------


@cache
def alike_or_not(ends: bool):
    return shares((1, 50), (49, 50), (25, 50)) if ends else shares((9, 112), (10, 91), (6, 12))


@settings(max_examples=6, deadline=None)
@given(x=st.integers(0, 20), weight=st.sampled_from([0.01, 0.5, 1.0]), ends=st.booleans())
def test_densities_are_finite_and_hold_everything(x, weight, ends):
    d = update_local(local_count(x, 20), alike_or_not(ends), weight=weight).densities
    for curve in (d.prior, d.weighted, d.local, d.posterior):
        assert np.isfinite(curve).all()
        assert (curve >= 0).all()
    # over the share
    assert np.trapezoid(d.local, d.x) == pytest.approx(1, abs=0.05)


def test_densities_of_ratios_integrate_over_the_logarithm():
    d = update_local(local(0.1, 0.15, 7.0), ratios(), weight=0.5).densities
    for curve in (d.prior, d.local, d.posterior):
        assert np.trapezoid(curve, np.log(d.x)) == pytest.approx(1, abs=0.02)
