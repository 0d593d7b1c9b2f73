"""Intervals against margins: by hand, by closed forms of scipy and statsmodels, by brute force, and by invariants."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats
from statsmodels.stats.weightstats import DescrStatsW

from capstat.placement.decision import Claim, decide
from capstat.placement.posterior import posterior_probability
from capstat.results import Estimate, UsageError

AP, AL = "anterior-posterior", "anterior-lateral"
# recorded minus recorded, 13 patients, mA: any numbers do
DIFFERENCES = np.array([-35, -20, -50, -10, 5, -15, -40, -25, 0, -30, -5, -45, -20], dtype=float)


def ratio(lower, value, upper, level=0.95):
    return Estimate(
        "ratio of capture thresholds", value, lower, upper, level, "ratio", "log", 20, "any", f"{AP} relative to {AL}",
        reason="" if value is not None else "nobody was captured",
    )  # fmt: skip


def difference(lower, value, upper, level=0.95):
    return Estimate("difference", value, lower, upper, level, "mA", "identity", 20, "any", f"{AP} minus {AL}")


def swapped(estimate):
    """The same comparison with the placements changed round."""
    if estimate.unit == "ratio":
        return ratio(1 / estimate.upper, 1 / estimate.value, 1 / estimate.lower, estimate.level)
    return difference(-estimate.upper, -estimate.value, -estimate.lower, estimate.level)


def t_interval(values, level):
    mean = values.mean()
    half = stats.t.ppf(0.5 + level / 2, values.size - 1) * stats.sem(values)
    return difference(mean - half, mean, mean + half, level)


@pytest.mark.parametrize(
    ("estimate", "claim", "margin", "shown"),
    [
        (ratio(0.70, 0.80, 0.92), Claim.SUPERIORITY, None, True),
        (ratio(0.90, 0.96, 1.02), Claim.SUPERIORITY, None, False),
        (ratio(0.70, 0.80, 1.00), Claim.SUPERIORITY, None, False),  # touching is not below
        (ratio(0.90, 0.99, 1.09), Claim.NON_INFERIORITY, 1.10, True),
        (ratio(0.90, 0.99, 1.10), Claim.NON_INFERIORITY, 1.10, False),
        (ratio(0.50, 0.60, 0.72), Claim.NON_INFERIORITY, 1.10, True),  # far better is not worse
        (ratio(0.92, 0.99, 1.09), Claim.EQUIVALENCE, 1.10, True),
        (ratio(0.90, 0.99, 1.09), Claim.EQUIVALENCE, 1.10, False),  # 0.90 < 1 / 1.10 = 0.909
        (ratio(0.50, 0.60, 0.72), Claim.EQUIVALENCE, 1.10, False),
        (ratio(0.50, None, np.inf), Claim.SUPERIORITY, None, False),
        (ratio(0.0, None, 0.9), Claim.SUPERIORITY, None, True),  # a limit without a value is enough
        (ratio(None, None, None), Claim.NON_INFERIORITY, 1.1, False),
        (difference(-45, -33, -20), Claim.SUPERIORITY, None, True),
        (difference(-12, -3, 6), Claim.NON_INFERIORITY, 10, True),
        (difference(-12, -3, 6), Claim.EQUIVALENCE, 10, False),
        (difference(-9, -3, 6), Claim.EQUIVALENCE, 10, True),
    ],
)
def test_by_hand(estimate, claim, margin, shown):
    decision = decide(estimate, claim, margin=margin, randomised=True)
    assert decision.shown is shown
    assert decision.words.startswith("Shown: that " if shown else "Not shown: that ")
    assert (decision.claim, decision.margin) == (claim, margin)


@pytest.mark.parametrize("margin", [12, 20, 27, 30, 33, 36, 40])
def test_equivalence_is_two_one_sided_t_tests(margin):
    """statsmodels' TOST (ttost_mean) at 5 % and the 90 % interval; non-inferiority is its upper half alone."""
    estimate = t_interval(DIFFERENCES, 0.90)
    p_both, _, (_, p_upper, _) = DescrStatsW(DIFFERENCES).ttost_mean(-margin, margin)
    decision = decide(estimate, Claim.EQUIVALENCE, margin=margin, randomised=True)
    assert decision.shown == (p_both < 0.05)
    assert decide(estimate, Claim.NON_INFERIORITY, margin=margin, randomised=True).shown == (p_upper < 0.05)
    assert decision.one_sided_level == pytest.approx(0.05)
    assert "one-sided level 5 %" in decision.words


def test_superiority_is_the_one_sided_t_test():
    for shift in np.arange(-5.0, 40.0, 2.5):
        values = DIFFERENCES + shift
        p = stats.ttest_1samp(values, 0, alternative="less").pvalue
        assert decide(t_interval(values, 0.95), Claim.SUPERIORITY, randomised=True).shown == (p < 0.025)


def test_words_are_careful():
    shown = decide(ratio(0.70, 0.80, 0.92), Claim.SUPERIORITY, randomised=True).words
    assert f"{AP} needs less current than {AL}" in shown
    assert "0.7 to 0.92 (one-sided level 2.5 %)" in shown
    assert "effect of placement" in shown
    chosen = decide(ratio(0.70, 0.80, 0.92), Claim.SUPERIORITY, randomised=False).words
    assert "association and not of an effect" in chosen
    open_question = decide(ratio(0.9, 1.0, 1.2), Claim.NON_INFERIORITY, margin=1.1, randomised=False).words
    assert "Not shown is not the same as shown to be false" in open_question
    worse = decide(ratio(1.2, 1.3, 1.4), Claim.EQUIVALENCE, margin=1.1, randomised=True).words
    assert f"where {AP} needs more than {AL}" in worse
    slightly_worse = decide(ratio(1.01, 1.03, 1.05), Claim.EQUIVALENCE, margin=1.1, randomised=True)
    assert slightly_worse.shown
    assert f"where {AP} needs more than {AL}" in slightly_worse.words
    better = decide(difference(-45, -33, -20), Claim.EQUIVALENCE, margin=10, randomised=True).words
    assert "not wholly inside the margin" in better
    assert "0.5 to unlimited" in decide(ratio(0.5, None, np.inf), Claim.SUPERIORITY, randomised=True).words
    nothing = decide(ratio(None, None, None), Claim.SUPERIORITY, randomised=True).words
    assert "nobody was captured. That is not evidence for the opposite" in nothing


@pytest.mark.parametrize("claim", [Claim.NON_INFERIORITY, Claim.EQUIVALENCE])
@pytest.mark.parametrize(
    ("estimate", "margin", "words"),
    [
        (ratio(0.7, 0.8, 0.9), None, "needs a margin, chosen before the data were seen: a ratio above 1"),
        (difference(-7, -3, 1), None, "a number of mA above 0"),
        (ratio(0.7, 0.8, 0.9), 0.9, "lies above 1, not at 0.9"),
        (ratio(0.7, 0.8, 0.9), 1.0, "lies above 1"),
        (ratio(0.7, 0.8, 0.9), np.inf, "lies above 1"),
        (difference(-7, -3, 1), -5.0, "lies above 0, not at -5"),
        (difference(-7, -3, 1), float("nan"), "lies above 0"),
    ],
)
def test_a_wrong_margin_is_refused(claim, estimate, margin, words):
    with pytest.raises(UsageError, match=words):
        decide(estimate, claim, margin=margin, randomised=True)


def test_other_wrong_questions_are_refused():
    with pytest.raises(UsageError, match="takes no margin"):
        decide(ratio(0.7, 0.8, 0.9), Claim.SUPERIORITY, margin=1.1, randomised=True)
    share = Estimate("difference in share captured", 0.1, 0.0, 0.2, 0.95, "proportion", "score", 20, "any")
    with pytest.raises(UsageError, match="not against 'difference in share captured'"):
        decide(share, Claim.SUPERIORITY, randomised=True)
    with pytest.raises(UsageError, match="a ratio above 0, not -1"):
        posterior_probability(ratio(0.7, 0.8, 0.9), at_least=-1)
    with pytest.raises(UsageError, match="a number above 0, not 0"):
        posterior_probability(ratio(0.7, 0.8, 0.9), at_least=0.9, prior_sd=0)
    with pytest.raises(UsageError, match="normal likelihood only"):
        posterior_probability(ratio(0.7, 0.8, 0.9), at_least=0.9, prior_sd=0.1, degrees_of_freedom=12)


ratios = st.tuples(st.floats(-1.5, 1.5), st.floats(0.01, 1.0), st.floats(0.01, 1.0)).map(
    lambda t: ratio(float(np.exp(t[0] - t[1])), float(np.exp(t[0])), float(np.exp(t[0] + t[2])))
)
differences = st.tuples(st.floats(-60, 60), st.floats(0.5, 40), st.floats(0.5, 40)).map(
    lambda t: difference(t[0] - t[1], t[0], t[0] + t[2])
)
estimates_and_margins = st.one_of(
    st.tuples(ratios, st.floats(1.01, 3.0), st.floats(1.01, 2.0)),
    st.tuples(differences, st.floats(0.5, 60), st.floats(1.01, 2.0)),
)


@given(estimates_and_margins)
def test_claims_imply_each_other(case):
    estimate, margin, wider = case

    def shown(claim, value=None, of=estimate):
        return decide(of, claim, margin=value, randomised=True).shown

    mirror = swapped(estimate)
    if shown(Claim.SUPERIORITY):
        assert shown(Claim.NON_INFERIORITY, margin)
        assert not shown(Claim.SUPERIORITY, of=mirror)
    for claim in (Claim.NON_INFERIORITY, Claim.EQUIVALENCE):
        if shown(claim, margin):
            assert shown(claim, margin * wider)
    # equivalence is non-inferiority of each against the other
    assert shown(Claim.EQUIVALENCE, margin) == (
        shown(Claim.NON_INFERIORITY, margin) and shown(Claim.NON_INFERIORITY, margin, of=mirror)
    )


@given(estimates_and_margins, st.floats(-0.4, 0.4), st.one_of(st.none(), st.floats(0.05, 0.5)))
def test_probabilities_mirror_and_are_monotone(case, shift, spread):
    estimate = case[0]
    is_ratio = estimate.unit == "ratio"
    at, less = (np.exp(shift), np.exp(shift - 0.1)) if is_ratio else (100 * shift, 100 * shift + 10)
    prior = spread if spread is None or is_ratio else 100 * spread
    chance = posterior_probability(estimate, at_least=at, prior_sd=prior)
    mirrored = posterior_probability(swapped(estimate), at_least=1 / at if is_ratio else -at, prior_sd=prior)
    assert chance.probability == pytest.approx(1 - mirrored.probability, abs=1e-9)
    assert posterior_probability(estimate, at_least=less, prior_sd=prior).probability <= chance.probability


def test_flat_prior_repeats_the_one_sided_t_test():
    """With a flat prior P(difference <= -x) is one minus the one-sided p-value against -x (scipy.stats)."""
    estimate = t_interval(DIFFERENCES, 0.95)
    for x in (0.0, 10.0, 20.0, 30.0):
        p = stats.ttest_1samp(DIFFERENCES, -x, alternative="less").pvalue
        found = posterior_probability(estimate, at_least=x, degrees_of_freedom=DIFFERENCES.size - 1)
        assert found.probability == pytest.approx(1 - p, rel=1e-9)
        assert found.threshold == -x
        assert f"{AP} needs at least {x:g} mA less than {AL}" in found.quantity
        assert "flat on the difference in mA" in found.prior
        assert found.likelihood == "t with 12 degrees of freedom, read from the 95 % interval"


def test_flat_prior_and_normal_likelihood_by_hand():
    """Upper 97.5 % limit: probability 0.975 at it, 0.5 at the value; log scale for a ratio."""
    estimate = ratio(0.8 / 1.2, 0.8, 0.8 * 1.2)
    for at, expected in ((0.8 * 1.2, 0.975), (0.8, 0.5), (0.8 / 1.2, 0.025)):
        assert posterior_probability(estimate, at_least=at).probability == pytest.approx(expected)
    error = np.log(1.2) / 1.959963984540054
    assert posterior_probability(estimate, at_least=0.9).probability == pytest.approx(
        stats.lognorm(s=error, scale=0.8).cdf(0.9)
    )


@pytest.mark.parametrize("prior_sd", [0.05, 0.2, 1.0])
@pytest.mark.parametrize("at", [0.8, 0.9, 1.0])
def test_sceptical_prior_against_brute_force(prior_sd, at):
    """Prior times likelihood on a fine grid, without conjugate algebra."""
    estimate = ratio(0.70, np.sqrt(0.70 * 0.98), 0.98)
    error = np.log(0.98 / 0.70) / 2 / stats.norm.ppf(0.975)
    grid = np.linspace(-4, np.log(at), 200001), np.linspace(-4, 4, 400001)
    below, everything = (
        integrate.simpson(stats.norm.pdf(x, 0, prior_sd) * stats.norm.pdf(np.log(estimate.value), x, error), x=x)
        for x in grid
    )
    found = posterior_probability(estimate, at_least=at, prior_sd=prior_sd)
    assert found.probability == pytest.approx(below / everything, rel=1e-6)
    assert "sceptical" in found.prior


def test_prior_in_words():
    assert (
        "between 0.68 and 1.48 with probability 95 %"
        in posterior_probability(ratio(0.7, 0.8, 0.9), at_least=1.0, prior_sd=0.2).prior
    )


def test_a_very_wide_prior_is_flat():
    flat = posterior_probability(difference(-45, -33, -21), at_least=20).probability
    assert posterior_probability(difference(-45, -33, -21), at_least=20, prior_sd=1e6).probability == pytest.approx(
        flat
    )


def test_open_limits_give_a_reason_and_lopsided_ones_a_note():
    for estimate in (ratio(0.5, None, np.inf), ratio(0.5, 0.9, np.inf), ratio(0.0, 0.9, 1.2), ratio(None, None, None)):
        found = posterior_probability(estimate, at_least=1.0)
        assert found.probability is None
        assert found.reason
    assert posterior_probability(ratio(0.70, 0.80, 0.80**2 / 0.70), at_least=1.0).notes == ()
    assert "not symmetric" in posterior_probability(ratio(0.70, 0.72, 0.92), at_least=1.0).notes[0]
