"""The exact sums against policies carried out on simulated patients, patient by patient and setting by setting."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from capstat.capture import JudgementErrors
from capstat.distributions import GAMMA, GENERALISED_GAMMA, LOGLOGISTIC, LOGNORMAL, WEIBULL
from capstat.protocol import Direction, Margin, MarginUnit, RampPolicy
from capstat.protocol.consequences import policy_consequences
from capstat.protocol.simulate_policy import draw_thresholds, simulate_policy
from capstat.protocol.threshold_law import ModelLaw
from capstat.results import UsageError

# beyond this many Monte Carlo standard errors the two are taken to disagree (two-sided tail 6e-5)
FAR = 4.0
TEN_PERCENT = Margin(10, MarginUnit.PERCENT)
ONE_STEP = Margin(1, MarginUnit.STEPS)
POLICIES = {
    "rising": RampPolicy(40, 5, 140, 1.0, margin=TEN_PERCENT, hold_s=3),
    "coarse, then down": RampPolicy(40, 20, 140, 2.0, 5.0, margin=TEN_PERCENT, hold_s=5),
    "falling": RampPolicy(140, 10, 140, 2.0, direction=Direction.FALLING, margin=TEN_PERCENT, hold_s=5),
    "falling from the middle, schedule": RampPolicy(
        90, ((20, 5), (60, 10)), 143, 2.0, direction=Direction.FALLING, margin=TEN_PERCENT, hold_s=1
    ),
    "bisecting": RampPolicy(40, 5, 140, 2.0, direction=Direction.BISECTING, margin=ONE_STEP, hold_s=5),
    "pulses counted": RampPolicy(30, 10, 200, None, dwell_pulses=4, rate_ppm=60),
}


def law_of(family=LOGNORMAL, ancillary=(-1.35,), capturable=0.97):
    return ModelLaw(family, np.log([85.0]), np.array([ancillary]), np.array([capturable]), 100, "a", "b")


def disagreements(policy, law, errors, n, seed):
    exact = policy_consequences(policy, law, discomfort_ma=70, errors=errors)
    simulated = simulate_policy(policy, law, discomfort_ma=70, errors=errors, n=n, seed=seed)
    pairs = {
        name: (getattr(exact, name).value, getattr(simulated, name))
        for name in (
            "not_captured", "gave_up", "stopped_at_false_capture", "search_s", "without_output_s",
            "pulses_before_capture", "pulses_above_discomfort",
        )
    }  # fmt: skip
    pairs["final_ma"] = (exact.means.final_ma.lower[0], simulated.final_ma)
    pairs["excess_ma"] = (exact.excess_ma.value * (1 - exact.not_captured.value), simulated.excess_ma)
    return {name: (value - mean) / error if error else value - mean for name, (value, (mean, error)) in pairs.items()}


@pytest.mark.parametrize("wrong", [None, (0.9, 0.95, 1.1)], ids=["never wrong", "misjudged"])
@pytest.mark.parametrize("policy", POLICIES.values(), ids=POLICIES.keys())
def test_exact_and_simulated_agree(policy, wrong):
    errors = None if wrong is None else JudgementErrors(*wrong)
    found = disagreements(policy, law_of(), errors, 200_000, seed=11)
    assert max(map(abs, found.values())) < FAR, found


@pytest.mark.parametrize(
    ("family", "ancillary"),
    [(WEIBULL, (-1.6,)), (LOGLOGISTIC, (-1.9,)), (GAMMA, (-1.35,)), (GENERALISED_GAMMA, (-1.35, -0.7)),
     (GENERALISED_GAMMA, (-1.35, 0.0))],
)  # fmt: skip
def test_families_agree(family, ancillary):
    found = disagreements(POLICIES["rising"], law_of(family, ancillary), None, 200_000, seed=12)
    assert max(map(abs, found.values())) < FAR, found


def test_a_wrong_exact_value_would_be_noticed():
    """The test above can fail: a dwell of 1.02 s in place of 1 s is seen."""
    policy = RampPolicy(40, 5, 140, 1.0)
    exact = policy_consequences(RampPolicy(40, 5, 140, 1.02), law_of(), discomfort_ma=70)
    mean, error = simulate_policy(policy, law_of(), discomfort_ma=70, n=200_000, seed=11).without_output_s
    assert abs(exact.without_output_s.value - mean) > FAR * error


def test_drawn_thresholds_follow_their_law():
    """Kolmogorov-Smirnov test (scipy) against scipy's lognormal and gamma laws."""
    rng = np.random.default_rng(2)
    drawn = draw_thresholds(law_of(capturable=0.9), 20_000, rng)
    captured = drawn[np.isfinite(drawn)]
    assert stats.binomtest(captured.size, 20_000, 0.9).pvalue > 1e-4
    assert stats.kstest(captured, stats.lognorm(np.exp(-1.35), scale=85).cdf).pvalue > 1e-4
    gamma = draw_thresholds(law_of(GAMMA, capturable=1.0), 20_000, rng)
    shape = np.exp(2 * 1.35)
    assert stats.kstest(gamma, stats.gamma(shape, scale=85 / shape).cdf).pvalue > 1e-4


def test_same_seed_same_numbers():
    def run(seed):
        return simulate_policy(POLICIES["falling"], law_of(), discomfort_ma=70, n=5_000, seed=seed)

    assert run(3) == run(3)
    assert run(3) != run(4)
    with pytest.raises(UsageError, match="at least 2 patients"):
        simulate_policy(POLICIES["falling"], law_of(), discomfort_ma=70, n=1, seed=1)
