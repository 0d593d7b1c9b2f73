"""Reconstruction from summaries: what is refused, what is kept, and what it comes to without imputation."""

from dataclasses import replace
from itertools import combinations_with_replacement

import numpy as np
import pytest
from scipy import stats

from capstat.results import NotEstimableError, UsageError
from capstat.synthesis import reconstruction_setting
from capstat.synthesis.reconstruction import crossover_variants, reconstruct_crossover
from capstat.synthesis.reconstruction_arm import never_captured_variants, reconstruct_arm
from capstat.synthesis.reconstruction_setting import Assumptions, Effort, draw_arm, draw_crossover
from capstat.synthesis.reported import ReportedArm, mean_range
from capstat.synthesis.reported_crossover import ReportedCounts, ReportedCrossover, published_crossover_2022

SHORT = Effort(chains=32, warm_up=30, draws=40)
ARM = ReportedArm(20, 14, 104, 33, 140, 141, 40, 5)


# ---- what is refused


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"sd_ma": 0.0}, "sd_ma is missing"),
        ({"sd_ma": float("nan")}, "sd_ma is missing"),
        ({"n_captured": 21}, "n_captured 21 must lie between 0 and n 20"),
        ({"mean_ma": 150.0}, "mean_ma 150 lies above imputed_as_ma 141"),
        ({"imputed_as_ma": 140.0}, "imputed_as_ma 140 must lie above maximum_ma 140"),
        ({"n_captured": None, "imputed_as_ma": None}, "n_captured is needed"),
        ({"mean_ma": 60.0}, "mean_ma 60 is impossible: with 6 values imputed it lies between 70.3 and 140.3 mA"),
        ({"sd_ma": 3.0}, "sd_ma 3 is impossible"),
        ({"sd_ma": 60.0}, "sd_ma 60 is impossible"),
        ({"start_ma": 0.0}, "start_ma must be a number above 0"),
        ({"step_ma": -5.0}, "step_ma must be a number above 0"),
        ({"start_ma": 140.0}, "start_ma 140 must lie below maximum_ma 140"),
        ({"n": 2, "n_captured": 2}, "at least 3 are needed"),
    ],
)
def test_an_arm_that_cannot_be(changes, words):
    with pytest.raises(UsageError, match=words.replace("(", r"\(")):
        replace(ARM, **changes)


def test_all_reasons_at_once():
    with pytest.raises(UsageError, match=r"imputed_as_ma 100 .* sd_ma is missing .* n_captured 21"):
        ReportedArm(20, 21, 104, 0, 140, 100, 40, 5)


def test_range_of_mean_and_sd_by_listing_every_data_set():
    """Five patients, four captured, on six settings: extremes over all data sets."""
    sets = np.array([(*cells, 91) for cells in combinations_with_replacement((40, 50, 60, 70, 80, 90), 4)])
    means, sds = sets.mean(axis=1), sets.std(axis=1, ddof=1)
    assert mean_range(4, 1, 40, 90, 91) == (means.min(), means.max())
    for mean, sd in zip(means, sds, strict=True):
        ReportedArm(5, 4, mean, sd, 90, 91, 40, 10, mean_decimals=3, sd_decimals=3)
    # four equal captures, and two at each end: there the bounds are attained
    for captures, beyond in (((60,) * 4, -0.01), ((40, 40, 90, 90), 0.01)):
        mean = np.mean((*captures, 91))
        sd = np.std((*captures, 91), ddof=1)
        assert sd == (sds[means == mean].min() if beyond < 0 else sds[means == mean].max())
        with pytest.raises(UsageError, match=r"sd_ma .* is impossible"):
            ReportedArm(5, 4, mean, sd + beyond, 90, 91, 40, 10, mean_decimals=3, sd_decimals=3)


PUBLISHED = published_crossover_2022()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (
            {"first_mean_ma": 30.0},
            "The mean 30 mA with AP is impossible: with these counts it lies between 40.0 and 140.0 mA",
        ),
        ({"second_mean_ma": 70.0}, "with AL is impossible"),
        ({"difference_ma": 28.0}, "do not have the printed difference"),
        ({"difference_upper_ma": 60.0}, "does not lie in the middle of its limits"),
        ({"difference_lower_ma": 50.0}, "lower limit of the difference must lie below"),
        ({"level": 95.0}, "level 95 must lie between 0 and 1"),
        ({"counts": ()}, "at least one possible set"),
        ({"counts": (ReportedCounts(8, 7),)}, "at most 13 together"),
        ({"counts": (ReportedCounts(0, 5), ReportedCounts(0, 7))}, "one more imputed value"),
        ({"counts": (ReportedCounts(0, 5, (1, 0)), ReportedCounts(0, 6))}, "as many in each possible set"),
        ({"n_neither": -1}, "n_neither -1 must be 0 or more"),
    ],
)
def test_a_crossover_that_cannot_be(changes, words):
    with pytest.raises(UsageError, match=words):
        replace(PUBLISHED, **changes)


def test_numbers_that_contradict_each_other_are_told():
    """Limits so wide that no 13 differences between -100 and 101 mA can have them."""
    wide = replace(PUBLISHED, difference_lower_ma=-50, difference_upper_ma=116, counts=PUBLISHED.counts[:1])
    with pytest.raises(NotEstimableError, match="give all the printed numbers together; the nearest miss them by"):
        reconstruct_crossover(wide, seed=1, effort=Effort(16, 5, 10))


def test_too_few_captures():
    with pytest.raises(NotEstimableError, match="1 patients captured"):
        reconstruct_arm(ReportedArm(8, 1, 135, 18, 140, 141, 40, 5), seed=1)
    almost = ReportedCrossover(
        "A", "B", 4, 0, 90, 132, 42, 11, 73, 0.95, 140, 141, 40, 5, (ReportedCounts(0, 3),)
    )  # fmt: skip
    with pytest.raises(NotEstimableError, match="fewer than 2 of the pairs"):
        reconstruct_crossover(almost, seed=1)


# ---- what is kept


def test_every_state_of_the_chains_would_have_been_published_as_it_was(monkeypatch):
    """The recorded currents at the end of the chains: counts, means, difference and scipy's t interval."""
    states = []

    def remember(setting, state, **others):
        states.append((setting, state))
        return original(setting, state, **others)

    original = reconstruction_setting.run_chains
    monkeypatch.setattr(reconstruction_setting, "run_chains", remember)
    drawn = draw_crossover(PUBLISHED, PUBLISHED.counts, Assumptions(), SHORT, seed=4)
    ((setting, state),) = states
    cells = setting.cells
    seen = set()
    for chain in range(32):
        recorded = cells.recorded_ma[state.cell[:13, :, chain]]
        difference = recorded[:, 1] - recorded[:, 0]
        low, high = stats.t.interval(0.95, 12, difference.mean(), stats.sem(difference))
        values = [*recorded.mean(axis=0), difference.mean(), low, high]
        assert np.floor(np.array(values) + 0.5).tolist() == [93, 126, 33, 20, 45]
        assert set(recorded.ravel()) <= {*range(40, 141, 5), 141}
        imputed = int((recorded[:, 1] == 141).sum())
        assert (recorded[:, 0] == 141).sum() == 0
        assert imputed == 5 + state.table[chain]
        # four captured in neither, one with AP alone captured, of two with AL alone as many as the counts say
        z = np.exp(state.z[13:, :, chain])
        assert (z[:4] >= 140).all()
        assert z[4, 0] <= 140 * (1 + 1e-9)
        assert (z[5:, 1] <= 140 * (1 + 1e-9)).sum() == state.table[chain]
        current = np.exp(state.z[:13, :, chain])
        index = state.cell[:13, :, chain]
        assert ((current >= cells.lower_ma[index] * (1 - 1e-9)) & (current <= cells.upper_ma[index] * (1 + 1e-9))).all()
        assert state.sums[:, chain].tolist() == recorded.sum(axis=0).tolist()
        assert state.squares[chain] == (difference**2).sum()
        seen.add(recorded.tobytes())
    assert len(seen) == 32
    assert set(np.unique(drawn.table)) == {0, 1, 2}


def test_same_seed_same_result():
    one, two, other = (reconstruct_arm(ARM, seed=seed, effort=SHORT) for seed in (3, 3, 4))
    assert one == two
    assert one.median.value != other.median.value
    assert one.median.value == pytest.approx(other.median.value, rel=0.1)


# ---- what it comes to


@pytest.mark.parametrize(("n", "mean", "sd"), [(30, 71.2, 18.3), (45, 63.0, 14.0)])
def test_without_imputation_it_is_close_to_the_moments_of_a_lognormal_law(n, mean, sd):
    """Everybody captured on 1 mA steps, of which half lie below the recorded current."""
    found = reconstruct_arm(ReportedArm(n, n, mean, sd, 140, None, 20, 1, 1, 1), seed=5, effort=SHORT)
    variance = np.log1p((sd / mean) ** 2)
    error = np.sqrt(variance / n)
    assert found.median.value == pytest.approx((mean - 0.5) * np.exp(-variance / 2), rel=0.012)
    assert np.log(found.geometric_sd.value) == pytest.approx(np.sqrt(variance), rel=0.06)
    assert found.log_median_sd == pytest.approx(error, rel=0.2)
    assert found.possible_imputed == (0,)


def test_imputation_hides_how_high_the_median_lies():
    """6 of 20 above the maximum: the mean with 141 for them lies below the median of the law behind it."""
    found = reconstruct_arm(ARM, seed=6)
    assert found.share_captured.lower < 0.7 < found.share_captured.upper
    assert found.median.lower < 104 < found.median.upper
    assert found.geometric_sd.value > np.exp(np.sqrt(np.log1p((33 / 104) ** 2)))
    assert any("above the maximum nothing was seen" in note for note in found.median.notes)
    assert found.convergence.r_hat < 1.05
    assert found.convergence.effective_draws > 1000


def test_captures_alone_need_those_left_out():
    """The same captures with and without 6 patients above the maximum beside them."""
    alone = reconstruct_arm(ReportedArm(14, 14, 88, 27, 140, None, 40, 5), seed=7, effort=SHORT)
    beside = reconstruct_arm(ReportedArm(20, 14, 88, 27, 140, None, 40, 5), seed=7, effort=SHORT)
    assert beside.median.value > 1.15 * alone.median.value


def test_a_share_never_captured_lowers_the_median_of_the_others():
    found = never_captured_variants(ARM, seed=8, effort=SHORT)
    assert [(x.share, x.n_never) for x in found] == [(0.0, 0), (0.05, 1), (0.1, 2)]
    values = [x.median.value for x in found]
    assert values[0] == reconstruct_arm(ARM, seed=8, effort=SHORT).median.value
    assert values[0] > values[1] > values[2]
    with pytest.raises(NotEstimableError, match="number captured"):
        never_captured_variants(replace(ARM, n_captured=None), seed=8)


def test_an_unknown_number_captured():
    unknown = replace(ARM, n_captured=None)
    assert unknown.possible_imputed == tuple(
        k for k in range(21) if (20 - k) * 40 + 141 * k <= 20 * 104.5 and (20 - k) * 140 + 141 * k >= 20 * 103.5
    )
    found = reconstruct_arm(unknown, seed=9, effort=SHORT)
    assert found.median.lower < reconstruct_arm(ARM, seed=9, effort=SHORT).median.value < found.median.upper
    drawn = draw_arm(unknown, 0, SHORT, seed=9)
    assert drawn.mean.shape == (40, 1, 32)


def test_an_impossible_set_of_counts_is_left_out_with_its_reason():
    """11 or 12 of 13 values at 141: with 12 one capture is left, too few for a spread."""
    one_set = replace(PUBLISHED, counts=(ReportedCounts(0, 11), ReportedCounts(0, 12)))
    found = reconstruct_crossover(
        replace(one_set, first_mean_ma=107, second_mean_ma=140, start_ma=40), seed=2, effort=SHORT
    )
    assert [count.ratio is None for count in found.counts] == [False, True]
    assert "fewer than 2 of the pairs" in found.counts[1].reason
    assert found.counts[0].weight == 1


def test_variants_and_weights_of_the_2022_crossover():
    found = reconstruct_crossover(PUBLISHED, seed=10, effort=Effort(24, 20, 25))
    assert sum(count.weight for count in found.counts) == pytest.approx(1)
    assert [count.counts.second_imputed for count in found.counts] == [5, 6, 7]
    values = [count.ratio.value for count in found.counts]
    assert values[0] > values[1] > values[2]
    assert found.printed_ratio == 93 / 126
    assert found.ratio.value < found.printed_ratio
    assert found.ratio.upper < 1
    assert found.ratio.n == 20
    assert found.difference.value > 33
    assert found.first_median.value / found.second_median.value == pytest.approx(found.ratio.value, rel=0.05)
    assert found.first_median.direction == ""
    pairs = np.array(found.possible_pairs)
    low, high = stats.t.interval(0.95, 12, np.diff(pairs).mean(), stats.sem(np.diff(pairs)[:, 0]))
    assert np.floor(np.array([*pairs.mean(axis=0), low, high]) + 0.5).tolist() == [93, 126, 20, 45]
    variants = crossover_variants(found, seed=10, effort=Effort(16, 10, 12))
    assert [variant.ratio.n for variant in variants] == [20, 20, 16, 17, 20, 20, 20]
    assert all(variant.ratio.upper < 1 for variant in variants)
    assert len({variant.assumption for variant in variants}) == 7
