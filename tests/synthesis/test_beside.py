"""A local study beside published ones: by hand where normal, by brute-force integration where not."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special, stats

from capstat.results import NotEstimableError
from capstat.synthesis.beside import place_local, update_local
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


def test_place_of_a_value_by_hand():
    pooled = ratios()
    found = pooled.distribution
    place = place_local(local(0.1, 0.15), pooled)
    wide = np.sqrt(found.tau**2 + found.se**2 + 0.15**2)
    t = (0.1 - found.mu) / wide
    assert place.share_below == pytest.approx(stats.t.cdf(t, 4))
    assert place.p_value == pytest.approx(2 * stats.t.sf(abs(t), 4))
    assert place.upper == pytest.approx(np.exp(found.mu + stats.t.ppf(0.975, 4) * wide))


def test_place_of_a_count_by_integration():
    pooled = shares((9, 112), (10, 91), (1, 12), (20, 60))
    model = pooled.shares
    place = place_local(local_count(3, 20), pooled)
    # trapezium over the law of a further study: t with two degrees of freedom on the log odds
    share = np.linspace(1e-7, 1 - 1e-7, 400_001)
    scale = np.hypot(model.tau, model.se)
    density = stats.t.pdf((special.logit(share) - model.mu) / scale, 2) / scale / (share * (1 - share))
    weight = density / density.sum()
    mid = weight @ (stats.binom.cdf(2, 20, share) + stats.binom.pmf(3, 20, share) / 2)
    assert place.share_below == pytest.approx(mid, abs=0.003)


def test_fewer_than_three_studies_place_nothing():
    for pooled in (ratios(2), ratios(1)):
        with pytest.raises(NotEstimableError, match=r"three studies|One study only"):
            place_local(local(0.0, 0.1), pooled)
    with pytest.raises(NotEstimableError):
        place_local(local_count(5, 9), shares((10, 10), (12, 12), (9, 9)))


# --- both together --------------------------------------------------------------------------------------------------


def test_normal_prior_and_data_by_hand():
    pooled = ratios()
    found = pooled.distribution
    for weight in (0.25, 1.0):
        update = update_local(local(0.1, 0.15), pooled, weight=weight)
        precision = np.array([weight / (found.tau**2 + found.se**2), 1 / 0.15**2])
        mean = precision @ [found.mu, 0.1] / precision.sum()
        limits = np.exp(mean + stats.norm.ppf([0.025, 0.5, 0.975]) / np.sqrt(precision.sum()))
        assert (update.combined.lower, update.combined.value, update.combined.upper) == pytest.approx(limits)
        assert update.normal_gap == 0
    assert update.prior.value == pytest.approx(np.exp(found.mu))
    assert update.prior.direction == " against ".join(PAIR)


def test_counts_by_brute_force():
    pooled = shares((9, 112), (10, 91), (6, 12), (20, 60))
    law = pooled.distribution
    update = update_local(local_count(10, 12), pooled, weight=0.5)
    logit = np.linspace(-20, 20, 400_001)
    variance = (law.tau**2 + law.se**2) / 0.5
    log = stats.binom.logpmf(10, 12, special.expit(logit)) - (logit - law.mu) ** 2 / 2 / variance
    cdf = np.cumsum(np.exp(log - log.max()))
    quantiles = special.expit(np.interp([0.025, 0.5, 0.975], cdf / cdf[-1], logit))
    found = update.combined
    assert (found.lower, found.value, found.upper) == pytest.approx(quantiles, abs=2e-4)
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
    assert middle[-1] > np.exp(pooled.distribution.mu)


def test_the_chosen_weight_is_among_those_shown():
    update = update_local(local(0.1, 0.15), ratios(), weight=0.3)
    shown = dict(update.by_weight)
    assert list(shown) == [0.0, 0.1, 0.25, 0.3, 0.5, 1.0]
    assert shown[0.3].value == pytest.approx(update.combined.value)


def test_one_study_of_the_user_is_a_prior():
    update = update_local(local(0.0, 0.2), ratios(1), weight=1.0)
    # how much services differ is assumed: a standard deviation of 0.2
    precision = np.array([1 / (SE[0] ** 2 + 0.2**2), 1 / 0.2**2])
    assert update.combined.value == pytest.approx(np.exp(precision @ [Y[0], 0.0] / precision.sum()))
    assert update.studies == 1
    assert "so few published studies" in update.notes[0]
    # a study without a value beside it changes nothing
    quiet = ratios(1, effect(None, None, arm="r1", label="quiet"))
    assert update_local(local(0.0, 0.2), quiet, weight=1.0).combined == replace(update.combined)


def test_nothing_published_is_no_prior():
    with pytest.raises(NotEstimableError, match="One study only"):
        update_local(local_count(5, 9), shares((8, 19)), weight=0.5)
    with pytest.raises(NotEstimableError, match="No study reports"):
        update_local(local(0.0, 0.1), ratios(0), weight=0.5)


# --- conflict -------------------------------------------------------------------------------------------------------


def test_a_local_study_off_by_a_factor_of_three_conflicts():
    pooled = ratios()
    near = update_local(local(float(pooled.distribution.mu), 0.1), pooled, weight=0.5)
    assert near.conflict_p == pytest.approx(1)
    assert not near.conflict
    far = update_local(local(float(pooled.distribution.mu + np.log(3)), 0.1), pooled, weight=0.5)
    assert far.conflict
    assert far.conflict_p == pytest.approx(
        place_local(local(float(pooled.distribution.mu + np.log(3)), 0.1), pooled).p_value
    )


@pytest.mark.parametrize("k", [1, 2])
def test_one_or_two_studies_do_not_know_what_a_conflict_is(k):
    update = update_local(local(1.5, 0.1), ratios(k), weight=0.5)
    assert update.conflict_p < 0.05
    assert not update.conflict
    assert update.far_apart
    assert update.notes


def test_a_conflict_is_rare_where_services_differ_as_published_ones_do():
    """Four published studies and a local one of the same law: fewer than 5 % conflict, whatever the spread."""
    rng = np.random.default_rng(8)
    for tau in (0.3,):
        hits = 0
        for _ in range(40):
            truth = rng.normal(0, tau, 5)
            effects = tuple(effect(float(rng.normal(truth[i], 0.1)), 0.1, arm=f"r{i}", label=f"R{i}") for i in range(4))
            arms = tuple(record(f"r{i}") for i in range(4))
            pooled = pool_evidence(Gathered(EvidenceQuestion("ratio"), effects, (), arms, PAIR))
            hits += update_local(local(float(rng.normal(truth[4], 0.1)), 0.1), pooled, weight=0.5).conflict
        # 40 tries at 5 %: 7 or more in 0.3 % of them
        assert hits < 7


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
