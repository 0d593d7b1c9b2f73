"""Moving the pads: simulated pairs carried out by arithmetic, closed forms, exact fractions, refusals."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from capstat.capture import JudgementErrors
from capstat.distributions import LOGNORMAL
from capstat.protocol import Direction, Margin, MarginUnit, RampPolicy, Reposition
from capstat.protocol.consequences import policy_consequences
from capstat.protocol.moved_pads import _expectation, consequences_with_move, mean_consequences_with_move
from capstat.protocol.paired_law import PairedLaw
from capstat.protocol.threshold_law import ModelLaw
from capstat.results import UsageError

AL, AP = "anterior-lateral", "anterior-posterior"
# two-sided tail of 6e-5 for one comparison
FAR = 4.0
TEN_PERCENT = Margin(10, MarginUnit.PERCENT)
MOVE = Reposition(AP, 30.0, 40.0)
NAMES = (
    "not_captured", "search_s", "without_output_s", "pulses_above_discomfort", "any_above_discomfort",
    "final_above_discomfort", "gave_up",
)  # fmt: skip


def law_of(medians=(110.0, 85.0), sds=(0.3, 0.25), correlation=0.6, capturable=0.95, draws=0):
    rows = draws + 1
    return PairedLaw(
        (AL, AP), np.tile(np.log(medians), (rows, 1)), np.tile(sds, (rows, 1)), np.full(rows, correlation),
        np.full(rows, capturable), "made up", 40,
    )  # fmt: skip


def draw_pairs(law, n, rng):
    """Thresholds of n patients, infinite with both placements where neither captures."""
    rho = law.correlation[0]
    z = rng.multivariate_normal([0, 0], [[1, rho], [rho, 1]], n)
    pairs = np.exp(law.log_means[0] + law.log_sds[0] * z)
    pairs[rng.random(n) > law.capturable[0]] = np.inf
    return pairs


def carried_out(policy, pairs, discomfort):
    """A rising ramp with a move, patient by patient in numpy; the margin is in percent, rounded up to 1 mA."""
    first = np.arange(policy.start_ma, policy.maximum_ma + 1e-9, policy.step_ma)
    second = np.arange(policy.at_maximum.start_ma, policy.maximum_ma + 1e-9, policy.step_ma)
    dwell, per_s = policy.dwell_s, policy.rate_ppm / 60
    # position of the first setting at or above the threshold; as many as there are where none is
    i, j = np.searchsorted(first, pairs[:, 0]), np.searchsorted(second, pairs[:, 1])
    here = i < first.size
    there = ~here & (j < second.size)
    lost = ~here & ~there
    tried = [np.minimum(i + 1, first.size), np.where(here, 0, np.minimum(j + 1, second.size))]
    uncaptured = np.where(here, i, first.size + np.where(there, j, second.size))
    above = [np.concatenate(([0], np.cumsum(s > discomfort)))[t] for s, t in zip((first, second), tried, strict=True)]
    found = np.where(here, first[np.minimum(i, first.size - 1)], second[np.minimum(j, second.size - 1)])
    final = np.minimum(found + np.ceil(found * policy.margin.amount / 100 - 1e-7), policy.maximum_ma)
    final = np.where(lost, 0, final)
    moved = ~here * policy.at_maximum.seconds
    return {
        "not_captured": lost,
        "gave_up": lost,
        "search_s": dwell * (tried[0] + tried[1]) + moved,
        "without_output_s": dwell * uncaptured + moved,
        # no pulse is delivered while the pads are moved
        "pulses_before_capture": dwell * uncaptured * per_s,
        "pulses_above_discomfort": (above[0] + above[1]) * dwell * per_s,
        "any_above_discomfort": above[0] + above[1] > 0,
        "final_above_discomfort": final > discomfort,
        "final": final,
        "first_capture_s": np.where(lost, np.inf, dwell * uncaptured + moved),
    }


def distances(exact, simulated, names=NAMES):
    out = {}
    for name in names:
        values = simulated[name].astype(float)
        error = values.std() / np.sqrt(values.size)
        difference = getattr(exact, name).value - values.mean()
        out[name] = difference / error if error else difference * 1e9
    return out


CASES = {
    "usual": (RampPolicy(40, 10, 140, 5.0, margin=TEN_PERCENT, at_maximum=MOVE), law_of()),
    "restart higher, low maximum": (
        RampPolicy(30, 5, 100, 2.0, rate_ppm=80, margin=TEN_PERCENT, at_maximum=Reposition(AP, 12.5, 60)), law_of()
    ),
    "negative correlation": (
        RampPolicy(40, 20, 120, 3.0, margin=TEN_PERCENT, at_maximum=MOVE), law_of(correlation=-0.7, capturable=1.0)
    ),
    "nearly alike": (
        RampPolicy(40, 20, 120, 3.0, margin=TEN_PERCENT, at_maximum=MOVE), law_of(correlation=0.995, capturable=0.9)
    ),
}  # fmt: skip


@pytest.mark.parametrize(("policy", "law"), CASES.values(), ids=CASES.keys())
def test_simulated_pairs(policy, law):
    """The sums against 200,000 pairs of thresholds drawn and carried through the ramps in numpy."""
    pairs = draw_pairs(law, 200_000, np.random.default_rng(5))
    simulated = carried_out(policy, pairs, 70)
    exact = consequences_with_move(policy, law, discomfort_ma=70)
    found = distances(exact, simulated)
    final = simulated["final"]
    found["final_ma"] = (exact.means.final_ma.lower[0] - final.mean()) / (final.std() / np.sqrt(final.size))
    for estimate, seconds in zip(exact.captured_within, (30, 60, 120), strict=True):
        share = (simulated["first_capture_s"] <= seconds + 1e-9).mean()
        error = np.sqrt(max(share * (1 - share), 1e-9) / final.size)
        found[estimate.quantity] = (estimate.value - share) / error
    assert max(map(abs, found.values())) < FAR, found
    ends = np.sort(final[final > 0])
    for k, of_those in enumerate((0.5, 0.9)):
        near = ends[[int((of_those - 0.005) * ends.size), int((of_those + 0.005) * ends.size)]]
        assert near[0] <= exact.final_ma[k].value <= near[1]


@pytest.mark.parametrize(("policy", "law"), CASES.values(), ids=CASES.keys())
def test_no_pulses_while_the_pads_are_moved(policy, law):
    simulated = carried_out(policy, draw_pairs(law, 200_000, np.random.default_rng(6)), 70)
    exact = consequences_with_move(policy, law, discomfort_ma=70)
    found = distances(exact, simulated, ("pulses_before_capture",))
    assert abs(found["pulses_before_capture"]) < FAR, found


def test_a_wrong_exact_value_would_be_noticed():
    """The simulation can fail: 33 s in place of 30 s for the move, or a correlation of 0.3 in place of 0.6, is seen."""
    policy, law = CASES["usual"]
    simulated = carried_out(policy, draw_pairs(law, 200_000, np.random.default_rng(5)), 70)
    slower = consequences_with_move(replace(policy, at_maximum=replace(MOVE, seconds=33.0)), law, discomfort_ma=70)
    assert abs(distances(slower, simulated)["search_s"]) > FAR
    other = consequences_with_move(policy, law_of(correlation=0.3), discomfort_ma=70)
    assert abs(distances(other, simulated)["not_captured"]) > FAR


def test_independent_thresholds():
    """Correlation 0: the share not captured is the product of two lognormal tails (scipy)."""
    policy = CASES["usual"][0]
    found = consequences_with_move(policy, law_of(correlation=0.0, capturable=1.0), discomfort_ma=70)
    tails = [stats.lognorm(sd, scale=median).sf(140) for median, sd in ((110, 0.3), (85, 0.25))]
    assert found.not_captured.value == pytest.approx(tails[0] * tails[1], abs=1e-12)
    mixed = consequences_with_move(policy, law_of(correlation=0.0, capturable=0.9), discomfort_ma=70)
    assert mixed.not_captured.value == pytest.approx(0.9 * tails[0] * tails[1] + 0.1, abs=1e-12)
    at_time = found.captured_within[1].value
    # 60 s: 11 settings of 5 s with the first placement, 30 s for moving: nobody after the move yet
    assert at_time == pytest.approx(1 - tails[0], abs=1e-12)
    # at 120 s after 55 + 30 s: settings begun by 35 s after the restart, 40 to 110 mA
    later = stats.lognorm(0.25, scale=85).cdf(110)
    assert found.captured_within[2].value == pytest.approx(1 - tails[0] + tails[0] * later, abs=1e-12)


def test_equal_thresholds():
    """Correlation near 1, same law: whom 140 mA does not capture with one, it does not capture with the other."""
    law = law_of((110.0, 110.0), (0.3, 0.3), 1 - 1e-12, 1.0)
    tail = stats.lognorm(0.3, scale=110).sf(140)
    found = consequences_with_move(CASES["usual"][0], law, discomfort_ma=70)
    assert found.not_captured.value == pytest.approx(tail, abs=1e-6)
    # thresholds a fifth lower with the other: captured unless above 175 mA
    lower = law_of((110.0, 88.0), (0.3, 0.3), 1 - 1e-12, 1.0)
    found = consequences_with_move(CASES["usual"][0], lower, discomfort_ma=70)
    assert found.not_captured.value == pytest.approx(stats.lognorm(0.3, scale=110).sf(175), abs=1e-6)


def by_enumeration(policy, masses, errors):
    """Every run of answers of two rising ramps, in plain loops; ``masses`` maps pairs of thresholds to probability."""
    first = np.arange(policy.start_ma, policy.maximum_ma + 1e-9, policy.step_ma)
    second = np.arange(policy.at_maximum.start_ma, policy.maximum_ma + 1e-9, policy.step_ma)
    total = dict.fromkeys(("not_captured", "gave_up", "missed", "false", "search_s", "without_output_s"), 0.0)
    for (one, two), mass in masses.items():
        runs = [(s, 0) for s in range(first.size)] + [(first.size, s) for s in range(second.size + 1)]
        for a, b in runs:
            tried = [*((c, one) for c in first[: a + 1])] + (
                [*((c, two) for c in second[: b + 1])] if a == first.size else []
            )
            claimed = a < first.size or b < second.size
            p = mass
            for k, (current, threshold) in enumerate(tried):
                yes = (
                    errors.sensitivity
                    if current >= threshold
                    else float(errors.false_claim_probability(np.array([current]))[0])
                )
                p *= yes if claimed and k == len(tried) - 1 else 1 - yes
            current, threshold = tried[-1]
            move = policy.at_maximum.seconds if a == first.size else 0.0
            final = policy.with_margin(float(current)) if claimed else 0.0
            total["not_captured"] += p * (final < threshold)
            total["gave_up"] += p * (not claimed)
            total["missed"] += p * (not claimed and any(c >= t for c, t in tried))
            total["false"] += p * (claimed and current < threshold)
            total["search_s"] += p * (policy.dwell_s * len(tried) + move)
            total["without_output_s"] += p * (policy.dwell_s * sum(c < t for c, t in tried) + move)
    return total


@pytest.mark.parametrize("slope", [1.0, 1.6])
def test_misjudged_by_enumeration(slope):
    """Two short ramps, every answer followed in plain loops; masses of the cells from scipy's bivariate normal law."""
    policy = RampPolicy(60, 20, 100, 2.0, margin=Margin(15, MarginUnit.MILLIAMPERE), at_maximum=Reposition(AP, 9, 80))
    law, errors = law_of(capturable=0.9), JudgementErrors(0.85, 0.9, slope)
    # 60 and 80 mA are left on at 75 and 95 mA; ends of the cells with either placement
    ends = [np.array([0, 60, 75, 80, 95, 100, np.inf]), np.array([0, 80, 95, 100, np.inf])]
    normal = stats.multivariate_normal([0, 0], [[1, 0.6], [0.6, 1]], abseps=1e-10, releps=1e-10)
    with np.errstate(divide="ignore"):
        z = [(np.log(e) - law.log_means[0, k]) / law.log_sds[0, k] for k, e in enumerate(ends)]
    z = [np.clip(one, -30, 30) for one in z]
    masses = {}
    for i, j in product(range(6), range(4)):
        inside = normal.cdf([z[0][i + 1], z[1][j + 1]], lower_limit=[z[0][i], z[1][j]])
        masses[float(ends[0][i + 1]), float(ends[1][j + 1])] = 0.9 * inside + 0.1 * (i == 5 and j == 3)
    assert sum(masses.values()) == pytest.approx(1, abs=1e-7)
    expected = by_enumeration(policy, masses, errors)
    found = consequences_with_move(policy, law, discomfort_ma=70, errors=errors)
    for name, value in expected.items():
        estimate = found.stopped_at_false_capture if name == "false" else getattr(found, name)
        assert estimate.value == pytest.approx(value, abs=1e-6), name


policies = st.builds(
    RampPolicy,
    start_ma=st.sampled_from([30.0, 40.0, 55.0, 100.0]),
    step_ma=st.sampled_from([10.0, 15.0, ((40.0, 20.0), (80.0, 10.0))]),
    maximum_ma=st.sampled_from([100.0, 120.0, 143.0]),
    dwell_s=st.sampled_from([1.0, 2.5]),
    direction=st.sampled_from(list(Direction)),
    hold_s=st.sampled_from([0.0, 1.5, 10.0]),
    margin=st.sampled_from([TEN_PERCENT, Margin(0, MarginUnit.STEPS), Margin(2, MarginUnit.STEPS)]),
    at_maximum=st.builds(Reposition, st.just(AP), st.sampled_from([0.0, 30.0]), st.sampled_from([35.0, 100.0])),
)
laws = st.builds(
    law_of,
    medians=st.tuples(st.floats(60, 130), st.floats(60, 130)),
    sds=st.tuples(st.floats(0.1, 0.5), st.floats(0.1, 0.5)),
    correlation=st.floats(-0.95, 0.999),
    capturable=st.floats(0.5, 1),
)


@given(policies, laws, st.sampled_from([None, (0.9, 0.95)]))
@settings(max_examples=40, deadline=None)
def test_probabilities(policy, law, wrong):
    """All courses together have probability 1; pairs of cells have that of the failed first cells; shares add up."""
    errors = None if wrong is None else JudgementErrors(*wrong)
    found = _expectation(policy, law, errors)
    courses = found.courses
    assert found.mean(np.ones(courses.cell.size)).lower[0] == pytest.approx(1, abs=1e-9)
    if errors is None:
        first = ModelLaw(LOGNORMAL, law.log_means[:, 0], np.log(law.log_sds[:, :1]), law.capturable, 40, "", "")
        beyond = 1 - first.share_captured(np.array([policy.maximum_ma]))[0, 0]
        # the first placement's cells have probability 1; the pairs begin where it failed
        assert found.pieces.mass[0].sum() == pytest.approx(1 + beyond, abs=1e-9)
    moved = courses.end_s - courses.exposure_s.sum(axis=1)
    assert set(np.round(moved, 6)) <= {0.0, policy.at_maximum.seconds}
    result = consequences_with_move(policy, law, discomfort_ma=70, errors=errors)
    assert result.not_captured.value == pytest.approx(result.gave_up.value + result.left_at_false_capture.value)
    assert result.without_output_s.value <= result.search_s.value + 1e-9


@given(policies, laws, st.sampled_from([None, (0.9, 0.95)]))
@settings(max_examples=40, deadline=None)
def test_a_move_that_never_captures(policy, law, wrong):
    """Where the second placement captures nobody, only time is added, and shares are those without a move."""
    errors = None if wrong is None else JudgementErrors(wrong[0], 1.0)
    hopeless = replace(law, log_means=np.array([[law.log_means[0, 0], np.log(1e6)]]))
    stay = ModelLaw(LOGNORMAL, law.log_means[:, 0], np.log(law.log_sds[:, :1]), law.capturable, 40, "", "")
    moved = consequences_with_move(policy, hopeless, discomfort_ma=70, errors=errors)
    alone = policy_consequences(replace(policy, at_maximum=None), stay, discomfort_ma=70, errors=errors)
    for name in ("not_captured", "gave_up", "missed", "stopped_at_false_capture", "final_above_discomfort"):
        assert getattr(moved, name).value == pytest.approx(getattr(alone, name).value, abs=1e-9), name
    assert [e.value for e in moved.final_ma] == [e.value for e in alone.final_ma]
    assert [e.value for e in moved.time_to_capture] == [e.value for e in alone.time_to_capture]
    restarted = replace(policy, start_ma=policy.at_maximum.start_ma, at_maximum=None)
    none = ModelLaw(LOGNORMAL, np.array([np.log(1e6)]), np.log([[0.1]]), np.ones(1), 40, "", "")
    again = policy_consequences(restarted, none, discomfort_ma=70, errors=errors).search_s.value
    added = alone.gave_up.value * (policy.at_maximum.seconds + again)
    assert moved.search_s.value == pytest.approx(alone.search_s.value + added, abs=1e-6)
    assert moved.without_output_s.value == pytest.approx(alone.without_output_s.value + added, abs=1e-6)


@given(laws)
@settings(max_examples=30, deadline=None)
def test_a_higher_maximum_leaves_fewer_without_capture(law):
    """Where judgements are never wrong, a higher maximum cannot leave more patients without capture."""
    shares = [
        consequences_with_move(RampPolicy(40, 10, top, 1.0, at_maximum=MOVE), law, discomfort_ma=70).not_captured.value
        for top in (100, 110, 125, 140, 200)
    ]
    assert all(b <= a + 1e-12 for a, b in pairwise(shares))


def test_means_draws_and_label():
    """The short way gives the same means; draws are carried along; the excess is not given."""
    policy = CASES["usual"][0]
    rng = np.random.default_rng(3)
    law = replace(
        law_of(draws=200), log_means=np.log([110.0, 85.0]) + np.vstack(([0, 0], rng.normal(0, 0.05, (200, 2))))
    )
    full = consequences_with_move(policy, law, discomfort_ma=70, level=0.9)
    short = mean_consequences_with_move(policy, law, discomfort_ma=70)
    np.testing.assert_array_equal(full.means.not_captured.lower, short.not_captured.lower)
    assert short.not_captured.lower.shape == (201,)
    assert full.not_captured.lower < full.not_captured.value < full.not_captured.upper
    assert (full.group, full.not_captured.n, full.not_captured.level) == (AL, 40, 0.9)
    # every draw is the result of that row alone
    for row in (0, 7, 200):
        alone = replace(
            law, log_means=law.log_means[[row]], log_sds=law.log_sds[[row]], correlation=law.correlation[[row]],
            capturable=law.capturable[[row]],
        )  # fmt: skip
        one = mean_consequences_with_move(policy, alone, discomfort_ma=70)
        assert one.without_output_s.lower[0] == pytest.approx(short.without_output_s.lower[row], abs=1e-9)


def test_why_there_is_no_excess():
    found = consequences_with_move(CASES["usual"][0], law_of(), discomfort_ma=70)
    for estimate in (found.excess_ma, found.excess_percent):
        assert estimate.value is not None or "without a model" not in estimate.reason


def test_refusals():
    law = law_of()
    with pytest.raises(UsageError, match="'x' does not move the pads from anterior-lateral to anterior-posterior"):
        consequences_with_move(RampPolicy(40, 10, 140, 1.0, name="x"), law, discomfort_ma=70)
    with pytest.raises(UsageError, match="does not move the pads from anterior-posterior to anterior-lateral"):
        consequences_with_move(CASES["usual"][0], law.swapped(), discomfort_ma=70)
    with pytest.raises(UsageError, match="level of discomfort is a current of at least 0 mA, not nan"):
        consequences_with_move(CASES["usual"][0], law, discomfort_ma=float("nan"))
    with pytest.raises(UsageError, match="level of discomfort"):
        mean_consequences_with_move(CASES["usual"][0], law, discomfort_ma=-1)
    with pytest.raises(UsageError, match="at least as probable"):
        consequences_with_move(
            CASES["usual"][0], law, discomfort_ma=70, errors=JudgementErrors(0.6, 0.7, odds_ratio_per_10_ma=2.0)
        )
