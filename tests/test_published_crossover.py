"""The analysis of the published 2022 crossover: every derived number by another way, and the kept text is what the script prints."""

from __future__ import annotations

import importlib.util
import re
import sys
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, stats

ANALYSES = Path(__file__).parent.parent / "analyses"
KEPT = ANALYSES / "06_published_crossover.md"


@pytest.fixture(scope="module")
def crossover():
    spec = importlib.util.spec_from_file_location("published_crossover", ANALYSES / "06_published_crossover.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["published_crossover"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def tables(crossover):
    return crossover.compatible_tables()


@pytest.fixture(scope="module")
def totals(crossover, tables):
    return crossover.compatible_totals(tables)


@pytest.fixture(scope="module")
def ranges(crossover, totals):
    return crossover.sign_ranges(totals)


@pytest.fixture(scope="module")
def reconstructions(crossover, totals):
    return crossover.reconstruct(totals, seed=crossover.SEED, per_count=crossover.DATA_SETS_PER_COUNT)


def printed(values, digits=0):
    return np.floor(np.asarray(values) * 10**digits + 0.5) / 10**digits


def agrees_with_the_summary(ap, al):
    """The published t test on recorded numbers: means 93 and 126, difference 33, limits 20 and 45 (scipy)."""
    difference = np.asarray(al) - np.asarray(ap)
    low, high = stats.t.interval(0.95, 12, difference.mean(), stats.sem(difference))
    return printed([np.mean(ap), np.mean(al), difference.mean(), low, high]).tolist() == [93, 126, 33, 20, 45]


# ---- counts


def test_shares_leave_one_pair_of_whole_numbers():
    """For 17 to 20 patients, with Python's own rounding of the percentages printed."""
    ap = [(x, n) for n in range(17, 21) for x in range(n + 1) if f"{100 * x / n:.0f}" == "78"]
    al = [(x, n) for n in range(17, 21) for x in range(n + 1) if f"{100 * x / n:.0f}" == "42"]
    assert ap == [(14, 18)]
    assert al == [(8, 19)]
    assert 18 + 19 == 2 * 17 + 3
    assert pytest.approx(1.85, abs=0.005) == (14 / 18) / (8 / 19)


def test_cutting_instead_of_rounding_leaves_none():
    """Percentages cut to 78 and 42 fit no split of the three patients paced one way."""
    for one_way_ap in range(4):
        n_ap, n_al = 17 + one_way_ap, 20 - one_way_ap
        ap = [x for x in range(n_ap + 1) if int(100 * x / n_ap) == 78]
        al = [x for x in range(n_al + 1) if int(100 * x / n_al) == 42]
        assert not (ap and al)


def test_the_three_tables(tables):
    assert [table.cells for table in tables] == [(8, 5, 0, 4), (7, 6, 0, 4), (6, 7, 0, 4)]
    assert [table.one_way_al_captured for table in tables] == [0, 1, 2]
    for table in tables:
        assert (table.ap, table.al) == ((14, 18), (8, 19))
        assert (table.one_way_ap, table.one_way_al, table.one_way_ap_captured) == (1, 2, 1)


def test_tables_by_listing_every_patient_history(tables):
    """Brute force the other way round: all compositions of 20 patients into 8 histories, filtered by the published words."""
    found = set()
    for one_ap_yes, one_ap_no, one_al_yes in product(range(4), repeat=3):
        one_al_no = 3 - one_ap_yes - one_ap_no - one_al_yes
        if one_al_no < 0:
            continue
        for both, first in product(range(14), repeat=2):
            second = 13 - both - first
            n_ap, n_al = 17 + one_ap_yes + one_ap_no, 17 + one_al_yes + one_al_no
            if second >= 0 and (
                f"{100 * (both + first + one_ap_yes) / n_ap:.0f}",
                f"{100 * (both + second + one_al_yes) / n_al:.0f}",
            ) == ("78", "42"):
                found.add((both, first, second, one_ap_yes, one_ap_no, one_al_yes, one_al_no))
    assert found == {
        (*t.cells[:3], t.one_way_ap_captured, t.one_way_ap - t.one_way_ap_captured, t.one_way_al_captured,
         t.one_way_al - t.one_way_al_captured)
        for t in tables
    }  # fmt: skip


def test_exact_tests_of_capture(crossover, tables):
    """scipy's binomial test, and powers of two by hand; half of them is the mid-p without a pair the other way."""
    for table, words in zip(tables, ("0.063", "0.031", "0.016"), strict=True):
        found = crossover.mcnemar(table.ap_only, table.al_only)
        assert found.p_exact == pytest.approx(stats.binomtest(table.ap_only, table.ap_only).pvalue)
        assert found.p_exact == 2 * 0.5**table.ap_only
        assert found.p_mid == pytest.approx(0.5**table.ap_only)
        assert crossover.p_text(found.p_exact) == words


def test_score_interval_by_constrained_likelihood(crossover, tables):
    """At Tango's limits the score statistic is 1.96, its nuisance share found by maximising the likelihood numerically."""
    for table in tables:
        b = table.ap_only
        for limit in crossover.paired_difference_tango(*table.cells):

            def unlikely(q, delta=limit, b=b):
                return -(b * np.log(q + delta) + (17 - b) * np.log(1 - 2 * q - delta))

            bounds = (max(0.0, -limit) + 1e-12, (1 - limit) / 2 - 1e-12)
            q = optimize.minimize_scalar(unlikely, bounds=bounds, method="bounded", options={"xatol": 1e-12}).x
            score = (b - 17 * limit) / np.sqrt(17 * (2 * q + limit * (1 - limit)))
            assert abs(score) == pytest.approx(stats.norm.ppf(0.975), abs=1e-4)
        # Newcombe's limits are near
        assert crossover.paired_difference_newcombe(*table.cells) == pytest.approx(
            crossover.paired_difference_tango(*table.cells), abs=0.1
        )


# ---- means and interval


def test_spread_as_printed(crossover):
    error, sd, t, p = crossover.spread_as_printed()
    assert (round(error, 2), round(sd, 1), round(t, 2), round(p, 5)) == (5.74, 20.7, 5.75, 0.00009)


def test_implied_means_of_the_al_captures(crossover):
    assert [printed(crossover.implied_mean_of_captures(k)) for k in (5, 6, 7)] == [117, 113, 109]


def test_totals_are_all_that_round_to_the_summary(crossover, totals):
    """The difference of the sums ends on the number imputed modulo 5, which leaves 425, 426 and 427 mA."""
    assert {(t.imputed, t.difference_sum) for t in totals} == {(5, 425), (6, 426), (7, 427)}
    assert [(t.ap_sum, t.al_captured_sum) for t in totals] == [
        (1210, 930), (1215, 935), (1210, 790), (1215, 795), (1205, 645), (1210, 650), (1215, 655),
    ]  # fmt: skip
    for total in totals:
        al_sum = total.al_captured_sum + 141 * total.imputed
        mean = (al_sum - total.ap_sum) / 13
        assert printed([total.ap_sum / 13, al_sum / 13, mean]).tolist() == [93, 126, 33]
        # limits round to 20 and 45 just inside the range of SDs and not just outside
        for sd, inside in ((total.sd_low, 1e-6), (total.sd_high, -1e-6)):
            for shift, fits in ((inside, True), (-inside, False)):
                half = stats.t.ppf(0.975, 12) * (sd + shift) / np.sqrt(13)
                assert (printed([mean - half, mean + half]).tolist() == [20, 45]) is fits


def test_the_larger_published_p_value_is_impossible(crossover, totals):
    for low, high in (crossover.p_range(totals), crossover.p_range_without_grid()):
        assert low < 0.0001 < high
        assert (round(low, 4), round(high, 4)) == (0.0001, 0.0001)
    # p = 0.001 would need t = 4.32, an interval from 16 to 50
    half = 33 / stats.t.isf(0.0005, 12) * stats.t.ppf(0.975, 12)
    assert printed([33 - half, 33 + half]).tolist() == [16, 50]


def test_p_range_without_grid_by_random_search(crossover):
    rng = np.random.default_rng(1)
    mean, half = rng.uniform(32.5, 33.5, 200_000), rng.uniform(11, 14, 200_000)
    fits = (printed(mean - half) == 20) & (printed(mean + half) == 45)
    p = 2 * stats.t.sf(mean[fits] / half[fits] * stats.t.ppf(0.975, 12), 12)
    low, high = crossover.p_range_without_grid()
    assert low <= p.min()
    assert p.max() <= high
    assert (low, high) == pytest.approx((p.min(), p.max()), rel=0.02)


# ---- pairs


def test_sign_ranges(ranges):
    assert [(r.favour_al, r.fewest_favour_ap, r.most_favour_ap) for r in ranges] == [
        (0, 10, 13),
        (1, 10, 12),
        (2, 10, 11),
    ]


@pytest.mark.parametrize(
    ("ap", "al", "signs"),
    [
        ([90] * 5 + [95] * 8, [85, 85, 130, 130, 135, 95, 130, *[141] * 6], (10, 1, 2)),
        ([95] * 7 + [90] * 5 + [95], [95, 95, 95, 120, 120, 130, 135, *[141] * 6], (10, 3, 0)),
        ([95] * 7 + [90] * 5 + [95], [100, 100, 105, 105, 105, 135, 140, *[141] * 6], (13, 0, 0)),
    ],
)
def test_the_extremes_exist(ap, al, signs):
    """One data set for each corner of the sign ranges, checked by scipy's t interval alone."""
    difference = np.asarray(al) - np.asarray(ap)
    assert agrees_with_the_summary(ap, al)
    assert ((difference > 0).sum(), (difference == 0).sum(), (difference < 0).sum()) == signs


def reachable(differences, count, most):
    """Sums and sums of squares of ``count`` values: for each sum, one bit for every sum of squares up to ``most``."""
    found = {0: 1}
    mask = (1 << (most + 1)) - 1
    for _ in range(count):
        following = {}
        for total, squares in found.items():
            for value in differences:
                following[total + value] = following.get(total + value, 0) | (squares << value**2) & mask
        found = following
    return found


@pytest.mark.parametrize(
    ("favour_al", "ties", "possible"), [(3, 0, False), (2, 2, False), (1, 3, False), (0, 4, False), (2, 1, True)]
)
def test_bounds_of_the_signs_by_enumeration(totals, favour_al, ties, possible):
    """Every sum and sum of squares that 13 differences can have, without an integer programme.

    The levels of AP and AL are left free here, so what is impossible stays impossible with them.
    """
    hits = 0
    for total in {t.imputed: t for t in totals}.values():
        k = total.imputed
        low, high = (int(np.ceil(total.squares[0] - 1e-6)), int(np.floor(total.squares[1] + 1e-6)))
        against = reachable(range(-100, 0, 5), favour_al, high)
        imputed = reachable(range(1, 102, 5), k, high)
        rest = reachable(range(5, 101, 5), 13 - k - favour_al - ties, high)
        window = ((1 << (high + 1)) - 1) ^ ((1 << low) - 1)
        for (a, a_bits), (i, i_bits) in product(against.items(), imputed.items()):
            remaining = total.difference_sum - a - i
            if remaining not in rest:
                continue
            together, bits = 0, a_bits
            while bits:
                lowest = (bits & -bits).bit_length() - 1
                together |= i_bits << lowest
                bits &= bits - 1
            bits = rest[remaining]
            while bits and not hits:
                lowest = (bits & -bits).bit_length() - 1
                hits += bool((together << lowest) & window)
                bits &= bits - 1
    assert bool(hits) is possible


def test_without_the_grid_at_most_three(crossover):
    """m values at 0 and 13 - m at one height have the smallest SD for their mean of 32.5; the SD allowed is 21.5."""
    m = crossover.most_at_or_below_zero()
    assert m == 3
    allowed = 13 / stats.t.ppf(0.975, 12) * np.sqrt(13)
    for count, fits in ((m, True), (m + 1, False)):
        values = np.r_[np.zeros(count), np.full(13 - count, 32.5 * 13 / (13 - count))]
        assert values.mean() == pytest.approx(32.5)
        assert (values.std(ddof=1) <= allowed) is np.bool_(fits)


def test_bounds_of_the_mean_difference(crossover, totals):
    """By hand: 1 mA back for each imputed value, 5 mA for each AL capture, and 35 more for one of them at 40 mA."""
    for k, recorded, intervals in crossover.mean_difference_bounds(totals):
        total = 420 + k
        assert recorded == pytest.approx((total - k) / 13)
        assert recorded >= 32.5 - k / 13
        assert intervals == pytest.approx((total - k - 5 * (13 - k) - 35) / 13)


def test_no_upper_bound(crossover):
    """The published mean moves with the number entered for non-capture: 59 mA for each imputed value at 200."""
    text = KEPT.read_text(encoding="utf-8")
    for k, mean in ((5, 425), (6, 426), (7, 427)):
        assert f"| {(mean + 59 * k) / 13:.1f} |" in text


# ---- reconstructions


def test_every_reconstruction_would_have_been_published_as_it_was(crossover, totals):
    rng = np.random.default_rng(3)
    for total in (totals[0], totals[3], totals[6]):
        pairs = crossover.reconstructed_pairs(total, 20, rng)
        assert len({data.tobytes() for data in pairs}) == 20
        for ap, al in pairs:
            assert agrees_with_the_summary(ap, al)
            assert (al == 141).sum() == total.imputed
            assert set(np.r_[ap, al[al < 141]]) <= set(range(40, 141, 5))
            difference = al - ap
            assert (difference < 0).sum() <= 2
            assert (difference > 0).sum() >= 10


def test_a_reconstruction_is_analysed_with_its_censoring(crossover, totals):
    pairs = crossover.reconstructed_pairs(totals[-1], 1, np.random.default_rng(4))[0]
    pairs[0, 0] = 40
    thresholds = crossover.as_thresholds(pairs, 4)
    assert thresholds.n_patients == 17
    assert np.isinf(thresholds.upper_ma).sum() == 7 + 2 * 4
    assert np.all(thresholds.lower_ma[np.isinf(thresholds.upper_ma)] == 140)
    assert (thresholds.lower_ma[0], thresholds.upper_ma[0]) == (0, 40)
    captured = np.isfinite(thresholds.upper_ma) & (thresholds.lower_ma > 0)
    assert set((thresholds.upper_ma - thresholds.lower_ma)[captured]) == {5}


def test_what_the_text_says_of_the_reconstructions(reconstructions):
    assert len(reconstructions) == 54
    assert (reconstructions["reason"] == "").all()
    assert (reconstructions["ratio"] < 93 / 126).all()
    assert (reconstructions["ratio_upper"] < 1).all()
    assert (reconstructions["median_difference_ma"] > 33).all()
    assert (reconstructions["ratio"] > reconstructions["ratio_without_neither"]).all()


def test_the_kept_text_is_what_the_script_prints(crossover, tables, totals, ranges, reconstructions):
    assert crossover.report(tables, totals, ranges, reconstructions, crossover.SEED) == KEPT.read_text(encoding="utf-8")


def test_every_published_number_has_a_source():
    text = KEPT.read_text(encoding="utf-8")
    rows = [row for row in text.split("## 1.")[1].split("## 2.")[0].splitlines() if row.startswith("| ")][1:]
    assert len(rows) == 12
    for row in rows:
        known, source = [cell.strip() for cell in row.strip("|").split("|")][2:]
        assert known in {"seen in the abstract", "secondary summary", "seen in the registry record"}
        assert all(re.search(rf"^{key}: ", text, flags=re.MULTILINE) for key in source.split(" and "))
    for number in ("PMID 36410605", "PMID 36191069", "NCT03898050"):
        assert number in text


def test_same_seed_same_data_sets(crossover, totals, monkeypatch):
    monkeypatch.setattr(crossover, "CHAIN_STEPS", 1000)
    one, two, other = (crossover.reconstructed_pairs(totals[0], 2, np.random.default_rng(seed)) for seed in (5, 5, 6))
    assert np.array_equal(one, two)
    assert not np.array_equal(one, other)


def test_figure_shows_every_usable_data_set(crossover, reconstructions):
    axes = crossover.picture(reconstructions).axes[0]
    assert sum(len(container[0].get_xdata()) for container in axes.containers) == 54
    assert "not data" in axes.get_title()
