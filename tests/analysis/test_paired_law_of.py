"""The law out of a comparison: the reported curves, statsmodels' mixed model, draws as limits, bounds, coverage."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import special, stats

from capstat import MECHANICAL_CAPTURE, derive_thresholds, read_study
from capstat.analysis.paired_law_of import paired_law_of
from capstat.placement import paired_ratio
from capstat.protocol.paired_law import PairedLaw
from capstat.protocol.reposition import reposition_or_go_on
from capstat.results import UsageError
from capstat.synthetic.scenario import CROSSOVER_TRUTH
from capstat.thresholds import CensoredThresholds

INF = np.inf
AP, AL = "anterior-posterior", "anterior-lateral"
CROSSOVER = Path(__file__).parent.parent.parent / "synthetic_data" / "crossover"
LOG_MEDIANS = np.log(CROSSOVER_TRUTH.median_anterior_lateral_ma * np.array([CROSSOVER_TRUTH.ratio_ap_to_al, 1.0]))
BETWEEN, WITHIN = CROSSOVER_TRUTH.between_sd, CROSSOVER_TRUTH.within_sd


def thresholds_of(lower, upper, order=None) -> CensoredThresholds:
    n = len(lower)
    frame = None if order is None else pd.DataFrame({"attempt_order": order.ravel().astype(float)})
    return CensoredThresholds.from_bounds(
        lower.ravel(), upper.ravel(), np.repeat(np.arange(n), 2), [AP, AL] * n, covariates=frame
    )


def log_thresholds(n, seed, log_medians=LOG_MEDIANS, between=BETWEEN, within=WITHIN, period=0.0):
    rng = np.random.default_rng(seed)
    order = np.where((rng.permutation(n) % 2 == 0)[:, None], [1, 2], [2, 1])
    log_t = log_medians + period * (order - 1.5) + rng.normal(0, between, n)[:, None] + rng.normal(0, within, (n, 2))
    return log_t, order


def on_ramp(log_t, top=140.0, step=5.0):
    """What a ramp from 40 mA would show."""
    rises = np.maximum(np.ceil((np.exp(log_t) - 40) / step), 0)
    upper = 40 + step * rises
    beyond = upper > top
    return np.where(beyond, top, np.where(rises == 0, 0, upper - step)), np.where(beyond, INF, upper)


@pytest.fixture(scope="module")
def shipped():
    return paired_ratio(derive_thresholds(read_study(CROSSOVER), capture=MECHANICAL_CAPTURE), AP, AL)


def test_shipped_crossover(shipped):
    law = paired_law_of(shipped, 200, 1)
    assert law.names == (AP, AL)
    assert law.n_patients == 40
    assert law.draws == 200
    assert not law.is_assumed
    assert law.correlation[0] == pytest.approx(shipped.correlation.value)
    assert np.exp(law.log_means[0, 0] - law.log_means[0, 1]) == pytest.approx(shipped.ratio.value)
    # the reported curves are of the same model here
    assert shipped.curves.model == "lognormal, the same spread with both placements"
    for k, curve in enumerate(shipped.curves.curves):
        margin = law.marginal(k)
        z = (np.log(curve.x) - margin.log_mean[0]) / margin.log_sd[0]
        np.testing.assert_allclose(special.ndtr(z), curve.lower, atol=1e-12)
    less = stats.norm.cdf(
        (law.log_means[0, 1] - law.log_means[0, 0]) / (law.log_sds[0, 0] * np.sqrt(2 * (1 - law.correlation[0])))
    )
    assert less == pytest.approx(shipped.probability_less.value)
    assert law.source.startswith("comparison within 38 patients with both placements and 2 with one; lognormal")


def test_draws_give_the_limits_of_the_comparison(shipped):
    """Percentiles of many draws against the delta-method limits, which use t quantiles; Monte Carlo error about 2 %."""
    law = paired_law_of(shipped, 20_000, 3)
    low, high = np.quantile(law.correlation[1:], (0.025, 0.975))
    assert np.arctanh(low) == pytest.approx(np.arctanh(shipped.correlation.lower), rel=0.04)
    assert np.arctanh(high) == pytest.approx(np.arctanh(shipped.correlation.upper), rel=0.04)
    ratio = shipped.ratio
    low, high = np.quantile(law.log_means[1:, 0] - law.log_means[1:, 1], (0.025, 0.975))
    assert high - low == pytest.approx(np.log(ratio.upper / ratio.lower), rel=0.05)
    for k, curve in enumerate(shipped.curves.curves):
        z = special.ndtr((np.log(100) - law.log_means[1:, k]) / law.log_sds[1:, k])
        low, high = np.quantile(z, (0.025, 0.975))
        assert low == pytest.approx(np.interp(100, curve.x, curve.band_lower), abs=0.012)
        assert high == pytest.approx(np.interp(100, curve.x, curve.band_upper), abs=0.012)


def test_same_seed_same_bytes(shipped):
    one, two, other = (paired_law_of(shipped, 30, seed) for seed in (4, 4, 5))
    for name in ("log_means", "log_sds", "correlation", "capturable"):
        assert getattr(one, name).tobytes() == getattr(two, name).tobytes()
    assert one.correlation.tobytes() != other.correlation.tobytes()
    assert one.correlation[0] == other.correlation[0]
    assert paired_law_of(shipped, 0, 1).draws == 0
    assert not paired_law_of(shipped, 0, 1).notes
    with pytest.raises(UsageError, match="at least 0, not -1"):
        paired_law_of(shipped, -1, 1)


@pytest.mark.reference
def test_uncensored_pairs_as_a_mixed_model():
    """statsmodels MixedLM by maximum likelihood, every threshold known to 0.01 %; a strong effect of order."""
    log_t, order = log_thresholds(60, 5, period=0.3)
    tables = thresholds_of(np.exp(log_t) * (1 - 5e-5), np.exp(log_t) * (1 + 5e-5), order)
    law = paired_law_of(paired_ratio(tables, AP, AL), 0, 1)
    rows = pd.DataFrame(
        {
            "y": log_t.ravel(),
            "ap": np.tile([1.0, 0.0], 60),
            "order": order.ravel() - 1.5,
            "who": np.repeat(np.arange(60), 2),
        }
    )
    mixed = smf.mixedlm("y ~ ap + order", rows, groups="who").fit(reml=False)
    base, shift = mixed.params["Intercept"], mixed.params["ap"]
    np.testing.assert_allclose(law.log_means[0], [base + shift, base], atol=1e-4)
    between, within = float(mixed.cov_re.iloc[0, 0]), float(mixed.scale)
    np.testing.assert_allclose(law.log_sds[0], np.sqrt(between + within), rtol=1e-3)
    assert law.correlation[0] == pytest.approx(between / (between + within), abs=1e-3)


def test_share_never_captured_is_taken_up_where_its_aic_is_lower():
    log_t, order = log_thresholds(300, 6, LOG_MEDIANS - 0.5)
    log_t[np.random.default_rng(1).random(300) < 0.15] = 20.0
    comparison = paired_ratio(thresholds_of(*on_ramp(log_t), order), AP, AL)
    law = paired_law_of(comparison, 500, 1)
    assert 1 - law.capturable[0] == pytest.approx(comparison.never_captured.value, rel=1e-5)
    assert np.exp(law.log_means[0, 0] - law.log_means[0, 1]) == pytest.approx(
        comparison.ratio_with_never_captured.value, rel=1e-6
    )
    assert "a share captured with neither" in law.source
    low, high = np.quantile(1 - law.capturable[1:], (0.025, 0.975))
    assert low == pytest.approx(comparison.never_captured.lower, abs=0.02)
    assert high == pytest.approx(comparison.never_captured.upper, abs=0.02)


def test_correlation_at_its_bound_does_not_vary_and_says_so():
    log_t, order = log_thresholds(40, 7, LOG_MEDIANS - 0.4, within=1e-4)
    law = paired_law_of(paired_ratio(thresholds_of(*on_ramp(log_t, step=10.0), order), AP, AL), 50, 1)
    assert np.ptp(law.correlation) == 0
    assert law.correlation[0] > 0.999
    assert any("estimated as zero" in note for note in law.notes)
    assert "a correlation or spread at its bound does not vary in the draws, so that limits are too narrow" in law.notes
    # and the comparison is still quick and finite
    got = reposition_or_go_on(law, AL, np.arange(40.0, 141.0, 10.0), 140.0, 140.0)
    assert np.isfinite([got.difference.band_lower, got.difference.band_upper]).all()


def test_placements_always_in_the_same_order():
    log_t, _ = log_thresholds(30, 8)
    order = np.tile([1, 2], (30, 1))
    law = paired_law_of(paired_ratio(thresholds_of(*on_ramp(log_t), order), AP, AL), 10, 1)
    assert law.notes[-1] == (
        "every patient had the placements in the same order, so order and placement cannot be told apart"
    )


def test_too_few_pairs_for_draws():
    """Two patients with both placements, the others with one: a model with the order leaves no degree of freedom."""
    log_t, order = log_thresholds(24, 1, LOG_MEDIANS - 0.5)
    order[:2], order[2:] = [[1, 2], [2, 1]], 1
    kept = np.ones((24, 2), dtype=bool)
    kept[2:12, 0] = kept[12:, 1] = False
    every = thresholds_of(*on_ramp(log_t), order)
    law = paired_law_of(paired_ratio(every.subset(kept.ravel()), AP, AL), 20, 1)
    assert law.draws == 0
    assert "there are too few patients with both placements and a capture for draws of the parameters" in law.notes
    # two more patients with both, and there are draws
    kept[2:4] = True
    order[2:4] = [[1, 2], [2, 1]]
    every = thresholds_of(*on_ramp(log_t), order)
    assert paired_law_of(paired_ratio(every.subset(kept.ravel()), AP, AL), 20, 1).draws == 20


@pytest.mark.slow
def test_coverage_of_the_conditional_shares():
    """200 crossovers of 40 with known truth; 95 % limits.  Standard error of one share about 1.7 points."""
    spread = float(np.hypot(BETWEEN, WITHIN))
    truth = PairedLaw(
        (AP, AL), LOG_MEDIANS[None], np.full((1, 2), spread), np.array([BETWEEN**2 / spread**2]), np.ones(1), "truth"
    )
    currents = np.array([60.0, 80.0, 100.0, 120.0])
    wanted = ("captured_here", "captured_there", "captured_there_at_same", "difference")
    expected = {here: reposition_or_go_on(truth, here, currents, 140.0, 140.0) for here in (AP, AL)}
    held: dict[tuple[str, str], list[np.ndarray]] = {}
    for seed in range(200):
        log_t, order = log_thresholds(40, seed)
        law = paired_law_of(paired_ratio(thresholds_of(*on_ramp(log_t), order), AP, AL), 400, seed)
        for here in (AP, AL):
            got = reposition_or_go_on(law, here, currents, 140.0, 140.0)
            for name in wanted:
                curve, value = getattr(got, name), getattr(expected[here], name).lower
                inside = np.full(currents.size, np.nan)
                inside[np.isin(currents, curve.x)] = (curve.band_lower <= value[np.isin(currents, curve.x)]) & (
                    value[np.isin(currents, curve.x)] <= curve.band_upper
                )
                held.setdefault((here, name), []).append(inside)
    shares = {key: np.nanmean(rows, axis=0) for key, rows in held.items()}
    assert min(row.min() for row in shares.values()) > 0.87, shares
    assert np.mean([row.mean() for row in shares.values()]) > 0.92, shares
