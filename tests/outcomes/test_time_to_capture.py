"""Time to capture described: recorded cases, another library, brute force over all times that intervals allow."""

from __future__ import annotations

import itertools
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines import AalenJohansenFitter
from scipy import integrate

from capstat.attempts import study_from_frames
from capstat.numerics.event_curves import event_curves
from capstat.outcomes.episodes import CAUSES, Awaited, Episodes, Origin, derive_episodes
from capstat.outcomes.time_bounds import share_bounds, waits_of
from capstat.outcomes.time_groups import Grouping, group_by_column, group_by_ramp_speed, ramp_speed
from capstat.outcomes.time_to_capture import time_to_capture
from capstat.outcomes.time_turnbull import turnbull_curve
from capstat.results import NotEstimableError, UsageError
from capstat.thresholds import ELECTRICAL_CAPTURE

REFERENCE = Path(__file__).parent.parent / "reference"


def episodes_of(latest_min, cause, *, earliest_min=None, entry_min=None, **columns):
    """Episodes with these times in minutes."""
    latest = 60 * np.asarray(latest_min, dtype=float)
    n = latest.size
    entry = np.zeros(n) if entry_min is None else 60 * np.asarray(entry_min, dtype=float)
    return Episodes(
        Awaited(ELECTRICAL_CAPTURE), Origin.PACING if entry_min is None else Origin.ARRIVAL,
        np.array([f"P{i}" for i in range(n)], dtype=object), np.arange(n), entry,
        latest if earliest_min is None else 60 * np.asarray(earliest_min, dtype=float), latest,
        np.asarray(cause, dtype=np.intp), np.full(n, np.nan), np.full(n, "unknown", dtype=object),
        np.full(n, np.nan), np.zeros(n, dtype=bool), pd.DataFrame(columns=["episode", "from_s", "to_s", "lost"]),
        pd.DataFrame(columns, index=range(n)), np.ones(n, dtype=np.intp), (), (),
    )  # fmt: skip


def labelled(labels, values):
    codes = np.array([labels.index(value) for value in values], dtype=np.intp)
    return Grouping("arm", tuple(labels), codes)


@pytest.mark.reference
def test_gehan(reference):
    """s18: Kaplan-Meier, Greenwood limits and medians where nothing competes."""
    case = reference("s18")
    time, event, treated = np.array(case.data["rows"], dtype=float).T
    arms = labelled(["6mp", "control"], np.where(treated == 1, "6mp", "control"))
    found = time_to_capture(episodes_of(time, event.astype(int)), by=arms, times_min=(6, 10, 22), tau_min=23.0)
    free = [1 - part.value / 100 for group in found.groups for part in group.captured_by]
    case.check("km.S_6mp(6,10,22)+control(6,10,22)", free)
    case.check("km.median(6mp,control)", [group.captured_after[0].value for group in found.groups])
    ten = [group.captured_by[1] for group in found.groups]
    case.check(
        "km.loglog_ci95_at_10(6mp lo,control lo,6mp hi,control hi)",
        [*(1 - part.upper / 100 for part in ten), *(1 - part.lower / 100 for part in ten)],
    )
    assert all(group.nothing_competes for group in found.groups)
    assert all(part.identified is None for group in found.groups for part in group.captured_by)
    # areas under the step curve, by adding rectangles
    for group, arm in zip(found.groups, (1, 0), strict=True):
        alive = 1 - group.capture.lower
        x = np.append(group.capture.x[group.capture.x < 23], 23.0)
        area = float((alive[: x.size - 1] * np.diff(x)).sum())
        assert group.waiting.value == pytest.approx(area, abs=1e-9)
        assert group.with_capture.value == pytest.approx(23 - area, abs=1e-9)
        assert group.n == (treated == arm).sum()
    gap = found.waiting_difference
    assert gap.value == pytest.approx(found.groups[0].waiting.value - found.groups[1].waiting.value)
    assert gap.direction == "6mp minus control"
    # the difference at 10 with its limits from the separate ones, by hand (Newcombe's square-and-add)
    a, b = ten
    low = a.value - b.value - np.hypot(a.value - a.lower, b.upper - b.value)
    assert found.differences[1].lower == pytest.approx(low)
    assert found.differences[1].unit == "percentage points"


@pytest.mark.reference
def test_mgus2(reference):
    """s19: Aalen-Johansen values, and Gray's test by sex."""
    case = reference("s19")
    table = pd.read_csv(REFERENCE / "s19_mgus2.csv")
    cause = np.where(table["event"] == 2, 3, table["event"])
    sex = np.where(table["male"] == 1, "male", "female")
    found = time_to_capture(
        episodes_of(table["etime"], cause, sex=sex), by="sex", times_min=(60, 120, 240), tau_min=240.0
    )
    everybody = found.everybody
    assert [name for name, _ in everybody.competing_by] == ["arrest or death"]
    shares = [part.value / 100 for part in (*everybody.captured_by, *everybody.competing_by[0][1])]
    case.check("aj.pcm(60,120,240)+death(60,120,240)", shares)
    case.check("gray_test_by_sex(stat cause1, cause2)", [test.statistic for test in found.tests])
    # limits by hand from the recorded standard errors, on the complementary log-log scale
    se = case.expected["aj.se_infinitesimal_jackknife"]["value"][:3]
    for part, error in zip(everybody.captured_by, se, strict=True):
        p = part.value / 100
        reach = 1.959963985 * error / ((1 - p) * abs(np.log(1 - p)))
        assert part.lower / 100 == pytest.approx(1 - (1 - p) ** np.exp(-reach), rel=1e-3)
        assert part.upper / 100 == pytest.approx(1 - (1 - p) ** np.exp(reach), rel=1e-3)
    assert "overestimates" in everybody.notes[0]
    assert everybody.captured_after[0].value is None
    assert "stayed below 50 %" in everybody.captured_after[0].reason
    assert everybody.captured_after[0].upper == np.inf
    assert found.groups[0].label == "male"  # the larger
    by_sex = [np.mean(sex == name) * len(sex) for name in ("male", "female")]
    assert [group.n for group in found.groups] == by_sex


def test_naive_figure_is_one_minus_kaplan_meier():
    rng = np.random.default_rng(3)
    time, cause = rng.exponential(4, 80).round(1) + 0.1, rng.integers(0, 4, 80)
    found = time_to_capture(episodes_of(time, cause), times_min=(5.0,)).everybody
    alone = 1.0
    for t in np.unique(time[(cause == 1) & (time <= 5)]):
        alone *= 1 - ((time == t) & (cause == 1)).sum() / (time >= t).sum()
    assert f"{100 * (1 - alone):.1f} % captured by 5 min" in found.notes[0]
    assert found.captured_by[0].value < 100 * (1 - alone)


def test_lifelines_agrees_without_ties():
    """lifelines' Aalen-Johansen, distinct times (with ties it jitters)."""
    rng = np.random.default_rng(5)
    time, cause = rng.exponential(6, 150), rng.choice(4, 150, p=(0.2, 0.5, 0.2, 0.1))
    found = time_to_capture(episodes_of(time, cause), times_min=(2, 5, 10)).everybody
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = AalenJohansenFitter(calculate_variance=False).fit(time, cause, event_of_interest=1)
    curve = fit.cumulative_density_.iloc[:, 0]
    for part, t in zip(found.captured_by, (2, 5, 10), strict=True):
        assert part.value / 100 == pytest.approx(curve[curve.index <= t].iloc[-1], abs=1e-9)


def test_known_truth():
    """Constant hazards of capture 0.2 and of another end 0.1 a minute: shares and areas have closed forms."""
    rng = np.random.default_rng(11)
    n = 20_000
    time = rng.exponential(1 / 0.3, n)
    cause = np.where(rng.random(n) < 2 / 3, 1, 2)
    end = rng.uniform(2, 15, n)
    cause = np.where(time <= end, cause, 0)
    found = time_to_capture(episodes_of(np.minimum(time, end), cause), times_min=(2, 5, 10), tau_min=10).everybody

    def truth(t):
        return 2 / 3 * (1 - np.exp(-0.3 * t))

    for part, t in zip(found.captured_by, (2, 5, 10), strict=True):
        assert part.value / 100 == pytest.approx(truth(t), abs=0.015)
        assert part.lower < 100 * truth(t) < part.upper
    assert found.waiting.value == pytest.approx((1 - np.exp(-3)) / 0.3, abs=0.08)
    assert found.with_capture.value == pytest.approx(integrate.quad(truth, 0, 10)[0], abs=0.1)
    assert found.captured_after[0].value == pytest.approx(-np.log(1 - 0.75) / 0.3, rel=0.05)


def brute_force(earliest, latest, cause, t, which):
    """Smallest and largest incidence at ``t`` over every choice of times on a fine grid."""
    choices = [
        (low,) if low == high else tuple(np.unique([low, (low + high) / 2, high, np.clip(t, low, high)]))
        for low, high in zip(earliest, latest, strict=True)
    ]
    shares = []
    for time in itertools.product(*choices):
        curves = event_curves(time, cause, n_causes=len(CAUSES) - 1)
        place = np.searchsorted(curves.times, t, side="right") - 1
        shares.append(0.0 if place < 0 else curves.incidence[which - 1][place])
    return min(shares), max(shares)


@given(st.lists(st.tuples(st.integers(0, 6), st.integers(0, 4), st.sampled_from([0, 1, 1, 2])), min_size=2, max_size=5))
@settings(max_examples=40, deadline=None)
def test_bounds_are_those_over_all_times(rows):
    cause = np.array([c for _, _, c in rows])
    earliest = np.array([float(low) for low, _, _ in rows])
    latest = earliest + np.where(cause == 1, [float(width) for _, width, _ in rows], 0.0)
    waits = waits_of(episodes_of(latest, cause, earliest_min=earliest), np.ones(len(rows), dtype=bool))
    x = np.arange(0.5, 8.0, 2.0)
    for which in (1, 2):
        found = share_bounds(waits, which, x, 0.95)
        for i, t in enumerate(x):
            low, high = brute_force(earliest, latest, cause, t, which)
            assert found.low[i] == pytest.approx(low, abs=1e-9)
            assert found.high[i] == pytest.approx(high, abs=1e-9)
    assert (found.limit_low <= found.low + 1e-12).all()
    assert (found.limit_high >= found.high - 1e-12).all()


def test_a_late_capture_may_count_more_than_an_early_one():
    """Why curves at the earliest and latest times are not enough: A cut off at 5, B captured in (3, 7]."""
    waits = waits_of(episodes_of([5, 7], [0, 1], earliest_min=[5, 3]), np.ones(2, dtype=bool))
    found = share_bounds(waits, 1, np.array([4.0, 8.0]), 0.95)
    np.testing.assert_allclose(found.low, [0.0, 0.5])
    np.testing.assert_allclose(found.high, [0.5, 1.0])


def test_interval_estimates_carry_their_bounds():
    latest, earliest = np.array([2.0, 4.0, 6.0, 8.0]), np.array([1.0, 3.0, 4.5, 8.0])
    found = time_to_capture(
        episodes_of(latest, [1, 1, 1, 2], earliest_min=earliest), times_min=(3.5, 7), tau_min=8.0
    ).everybody
    early, late = found.captured_by
    assert early.value is None
    assert early.identified == (25.0, 50.0)
    assert early.lower <= 25
    assert early.upper >= 50
    assert late.value == pytest.approx(75)
    assert found.captured_after[0].identified == (3.0, 4.0)
    assert found.captured_after[1].value is None
    assert found.waiting.identified == pytest.approx((16.5 / 4, 20 / 4))
    assert found.with_capture.identified == pytest.approx((12 / 4, 15.5 / 4))
    assert "interval in 3 of 4 patients" in found.notes[-1]


def test_differences_of_intervals():
    latest, earliest = np.array([2.0, 4.0, 6.0, 8.0, 2.0, 3.0]), np.array([1.0, 3.0, 4.5, 8.0, 2.0, 3.0])
    arms = labelled(["a", "b"], ["a", "a", "a", "a", "b", "b"])
    found = time_to_capture(episodes_of(latest, [1, 1, 1, 2, 1, 2], earliest_min=earliest), by=arms, times_min=(3.5,))
    assert found.differences[0].identified == pytest.approx((-25.0, 0.0))
    assert "intervals" in found.tests[0].reason


def test_many_interval_times_are_rounded_outward():
    rng = np.random.default_rng(2)
    latest = rng.exponential(4, 120) + 0.5
    earliest = np.maximum(latest - rng.exponential(0.3, 120), 0.01)
    cause = rng.choice([0, 1, 2], 120, p=(0.1, 0.7, 0.2))
    earliest = np.where(cause == 1, earliest, latest)
    episodes = episodes_of(latest, cause, earliest_min=earliest)
    found = time_to_capture(episodes, times_min=(5,)).everybody
    waits = waits_of(episodes, np.ones(120, dtype=bool))
    every = share_bounds(waits, 1, waits.edges, 0.95)
    low, high = found.captured_after[0].identified
    assert low <= waits.edges[np.flatnonzero(every.high >= 0.5)[0]]
    assert high >= waits.edges[np.flatnonzero(every.low >= 0.5)[0]]
    assert high - low < 1.0


def test_turnbull_agrees_with_the_share_and_stays_inside_the_bounds():
    """Grid intervals without censoring: the NPMLE is the share observed by each edge."""
    latest = np.array([2.0, 2.0, 4.0, 6.0])
    waits = waits_of(episodes_of(latest, np.ones(4), earliest_min=latest - 2), np.ones(4, dtype=bool))
    fit = turnbull_curve(waits)
    np.testing.assert_allclose(fit.lower, [0, 0.5, 0.75, 1])
    np.testing.assert_allclose(fit.upper, [0, 0.5, 0.75, 1])
    # overlapping intervals with a cut-off wait: likelihood maximised over the masses by brute force
    latest, earliest = np.array([3.0, 5.0, 4.0, 6.0]), np.array([1.0, 2.0, 4.0, 5.0])
    cause = np.array([1, 1, 0, 1])
    found = time_to_capture(episodes_of(latest, cause, earliest_min=earliest), times_min=(4,))
    assert found.npmle is not None
    # cells (2,3] and (5,6]: three quarters of the likelihood p^2 (1-p)^2 at p = 1/2
    assert found.npmle.log_likelihood == pytest.approx(4 * np.log(0.5))
    assert found.npmle.lower[list(found.npmle.x).index(3.0)] == pytest.approx(0.5)
    competing = time_to_capture(episodes_of(latest, [1, 1, 2, 1], earliest_min=earliest), times_min=(4,))
    assert competing.npmle is None
    assert any("Turnbull" in note for note in competing.notes)
    with pytest.raises(ValueError, match="without competing"):
        turnbull_curve(waits_of(episodes_of(latest, [1, 1, 2, 1]), np.ones(4, dtype=bool)))


def test_delayed_entry_uses_risk_sets():
    """Kaplan-Meier with late entries by hand: risk sets of those already paced."""
    entry, time, cause = [1.0, 2.0, 0.5, 4.0], [3.0, 2.0, 6.0, 5.0], [1, 1, 0, 1]
    found = time_to_capture(
        episodes_of(time, cause, entry_min=entry, placement=["a", "a", "b", "b"]), by="placement", times_min=(2.5, 4, 5)
    )
    # at 2: three at risk (one with its first pulse then), at 3: two, at 5: two
    expected = 1 - np.cumprod([1 - 1 / 3, 1 - 1 / 2, 1 - 1 / 2])
    np.testing.assert_allclose([part.value / 100 for part in found.everybody.captured_by], expected)
    assert any("3 of 4 were at risk at the first step of the curve (2 min)" in note for note in found.everybody.notes)
    assert "enter later" in found.tests[0].reason
    assert found.tests[0].p_value is None


def test_nobody_at_risk_before_others_enter():
    found = time_to_capture(episodes_of([1.0, 9.0], [1, 1], entry_min=[0.2, 5.0]), times_min=(0.5, 8.0)).everybody
    assert found.captured_by[0].value == 0
    assert found.captured_by[1].value is None
    assert found.captured_after[0].value is None


def test_edge_cases():
    """Nobody captured, everybody at once, one patient, all cut off."""
    nobody = time_to_capture(episodes_of([3.0] * 12, [5] * 12), times_min=(5,)).everybody
    assert nobody.captured_by[0].value == 0
    # 0 of 12: Clopper and Pearson
    assert nobody.captured_by[0].upper == pytest.approx(100 * (1 - 0.025 ** (1 / 12)))
    assert nobody.captured_after[0].value is None
    assert nobody.waiting.value == pytest.approx(3)
    assert nobody.with_capture.value == 0
    at_once = time_to_capture(episodes_of([0.0] * 12, [1] * 12), times_min=(1,)).everybody
    assert at_once.captured_by[0].value == 100
    assert at_once.captured_by[0].lower == pytest.approx(100 * 0.025 ** (1 / 12))
    assert at_once.captured_after[1].value == 0
    assert at_once.waiting.value == 0
    single = time_to_capture(episodes_of([2.0], [1]), times_min=(1, 2)).everybody
    assert [part.value for part in single.captured_by] == [0, 100]
    censored = time_to_capture(episodes_of([2.0, 3.0], [0, 0]), times_min=(1, 5), tau_min=10).everybody
    assert censored.captured_by[0].value == 0
    assert censored.captured_by[1].value is None
    assert censored.waiting.value is None
    assert "minutes" in censored.waiting.reason


def test_group_without_capture_and_group_of_one():
    arms = labelled(["a", "b", "c"], ["a"] * 6 + ["b"] * 5 + ["c"])
    found = time_to_capture(
        episodes_of([1, 2, 3, 4, 5, 6, 1, 2, 3, 4, 5, 2], [1] * 6 + [3] * 5 + [1]), by=arms, times_min=(4,)
    )
    assert found.groups[1].captured_by[0].value == 0
    assert dict(found.groups[0].competing_by)["arrest or death"][0].value == 0
    assert found.groups[2].n == 1
    assert found.tests[0].p_value < 0.05
    assert found.differences == ()
    two = labelled(["a", "b"], ["a"] * 6 + ["b"] * 6)
    pair = time_to_capture(episodes_of([1, 2, 3, 4, 5, 6] * 2, [1] * 6 + [3] * 6), by=two, times_min=(4,))
    assert pair.differences[0].value == pytest.approx(100 * 4 / 6)
    assert dict(pair.other_differences)["arrest or death"][0].value == pytest.approx(-100 * 4 / 6)


def test_groups_by_column():
    table = {"placement": ["ap", "ap", "al", "unknown", None], "flag": pd.array([True, False, False, None, True])}
    episodes = episodes_of([1, 2, 3, 4, 5], [1] * 5, age_years=[1.0, 2, 3, 4, 5], died=[True] * 5, **table)
    by_placement = group_by_column(episodes, "placement")
    assert by_placement.labels == ("ap", "al")
    assert by_placement.code.tolist() == [0, 0, 1, -1, -1]
    assert group_by_column(episodes, "flag").labels == ("yes", "no")
    assert time_to_capture(episodes, by="placement").n_without_group == 2
    for column, words in (("age_years", "holds numbers"), ("nothing", "no column"), ("died", "only known after")):
        with pytest.raises(UsageError, match=words):
            time_to_capture(episodes, by=column)
    with pytest.raises(NotEstimableError, match="unknown in all"):
        time_to_capture(episodes_of([1, 2], [1, 1], placement=["unknown", None]), by="placement")
    with pytest.raises(NotEstimableError, match="missing in all"):
        time_to_capture(episodes_of([1, 2], [1, 1], setting=[None, None]), by="setting")
    with pytest.raises(UsageError, match="times_min"):
        time_to_capture(episodes, times_min=(5, 2))
    with pytest.raises(UsageError, match="tau_min"):
        time_to_capture(episodes, tau_min=0)
    with pytest.raises(UsageError, match="9 values"):
        group_by_column(episodes_of(range(1, 10), [1] * 9, setting=list("abcdefghi")), "setting")


def ramps():
    """Three ramps by hand: 5 mA in 10 s, 10 mA in 10 s with a later rise that does not count, a single setting."""
    attempts = pd.DataFrame(
        {"patient_id": ["1", "2", "3"], "placement": ["anterior-posterior"] * 3, "max_output_ma": [140] * 3}
    )
    steps = pd.DataFrame(
        {
            "attempt_row": [0, 0, 0, 1, 1, 1, 1, 2],
            "current_ma": [50, 55, 60, 40, 50, 60, 140, 50],
            "time_s": [0, 10, 20, 5, 15, 25, 36, 0],
            "electrical_capture": ["no", "no", "yes", "no", "no", "yes", "yes", "yes"],
        }
    )
    return study_from_frames(attempts, steps)


def test_ramp_speed():
    study = ramps()
    episodes = derive_episodes(study, Awaited(ELECTRICAL_CAPTURE))
    speed = ramp_speed(study, episodes)
    np.testing.assert_allclose(speed[:2], [0.5, 1.0])
    assert len(speed) == len(episodes)
    assert np.isnan(speed[2:]).all()
    slow = group_by_ramp_speed(study, episodes, (0.8,))
    assert slow.labels == ("below 0.8 mA/s", "0.8 mA/s or faster")
    assert slow.code.tolist()[:2] == [0, 1]
    assert (slow.code[2:] == -1).all()
    assert any("median" in note for note in group_by_ramp_speed(study, episodes).notes)
    with pytest.raises(NotEstimableError, match="same speed group"):
        group_by_ramp_speed(study, episodes, (5.0,))
    with pytest.raises(UsageError, match="increase"):
        group_by_ramp_speed(study, episodes, (2.0, 1.0))
    attempts = pd.DataFrame(
        {
            "patient_id": ["1"], "placement": ["anterior-posterior"], "max_output_ma": [140], "pacing_start_s": [0],
            "first_capture_s": [4], "lowest_capture_ma": [60], "capture_criterion": ["electrical"],
        }
    )  # fmt: skip
    plain = study_from_frames(attempts)
    episodes = derive_episodes(plain, Awaited(ELECTRICAL_CAPTURE))
    with pytest.raises(NotEstimableError, match="time_s"):
        group_by_ramp_speed(plain, episodes)


def estimates_of(found):
    for group in (found.everybody, *found.groups):
        yield from (*group.captured_by, *group.captured_after, group.waiting, group.with_capture)
        for _, parts in group.competing_by:
            yield from parts
    yield from found.differences
    if found.waiting_difference is not None:
        yield from (found.waiting_difference, found.with_capture_difference)


@given(
    st.lists(
        st.tuples(
            st.integers(0, 4), st.integers(0, 3), st.sampled_from([0, 1, 1, 2, 5]), st.integers(0, 3), st.booleans()
        ),
        min_size=1, max_size=9,
    ),
    st.booleans(),
)  # fmt: skip
@settings(max_examples=25, deadline=None)
def test_any_small_study_has_numbers_or_reasons(rows, delayed):
    """Ties, times of 0, single patients, groups without capture: ordered limits, or a reason; never an exception."""
    cause = np.array([row[2] for row in rows])
    earliest = np.array([row[0] for row in rows], dtype=float)
    latest = earliest + np.where(cause == 1, [row[1] for row in rows], 0)
    entry = np.minimum([row[3] for row in rows], latest) if delayed else None
    arm = ["a" if row[4] else "b" for row in rows]
    found = time_to_capture(
        episodes_of(latest, cause, earliest_min=earliest, entry_min=entry, arm=arm), by="arm", times_min=(1, 3)
    )
    for part in estimates_of(found):
        low, high = part.identified or (part.value, part.value)
        assert part.value is not None or part.reason
        if low is not None and part.lower is not None:
            assert part.lower <= low + 1e-9
            assert high - 1e-9 <= part.upper
        if part.unit == "%" and low is not None:
            assert 0 <= low <= high <= 100 + 1e-9
    assert sum(group.n for group in found.groups) == len(rows)
    for group in (found.everybody, *found.groups):
        for curve in (group.capture, *group.competing):
            assert (curve.lower <= curve.upper + 1e-12).all()
            assert (curve.band_lower <= curve.band_upper + 1e-12).all()
        free = [part for part in (group.waiting, group.with_capture) if part.value is not None]
        assert all(-1e-9 <= part.value <= 10 + 1e-9 for part in free)
