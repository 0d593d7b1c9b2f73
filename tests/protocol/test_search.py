"""Records of a search: what they say agrees with the thresholds they belong to; few settings; searches by hand."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from math import ceil, log2

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capstat.protocol import Direction, RampPolicy, search
from capstat.protocol.search import search_records
from capstat.results import UsageError

SAME = 1e-6
steps = st.one_of(
    st.sampled_from([5.0, 7.0, 10.0, 12.5, 0.7, 33.3, 150.0]),
    st.sampled_from([((0.0, 20.0), (80.0, 5.0)), ((60.0, 10.0), (100.0, 25.0)), ((40.0, 5.0),)]),
)


@st.composite
def policies(draw, step=steps):
    direction = draw(st.sampled_from(list(Direction)))
    maximum = draw(st.sampled_from([60.0, 100.0, 140.0, 143.3, 200.0]))
    start = draw(st.sampled_from([0.5, 5.0, 40.0, 47.3, 60.0, maximum]))
    down = draw(st.sampled_from([None, 2.0, 5.0, 30.0])) if direction is Direction.RISING else None
    return RampPolicy(start, draw(step), max(start, maximum), 1.0, down, direction=direction)


def rows(records):
    """Settings, answers and the end of every record."""
    for k, length in enumerate(records.length):
        yield records.setting_ma[k, :length], records.captured[k, :length], records.accepted_ma[k]


def said_of(tried, captured):
    """Interval of thresholds that the answers leave."""
    return max(tried[~captured], default=0.0), min(tried[captured], default=np.inf)


def settings_of(policy):
    grid, current = [], policy.start_ma
    while current < policy.maximum_ma - SAME:
        grid.append(current)
        current = current + policy.step_at(current)
    return [*grid, policy.maximum_ma]


@given(policies())
@settings(max_examples=150, deadline=None)
def test_right_answers_divide_the_thresholds(policy):
    """Every record leaves an interval; sorted they join from 0 to infinity without gap or overlap."""
    found = []
    for tried, captured, accepted in rows(search_records(policy, never_wrong=True)):
        low, high = said_of(tried, captured)
        assert low < high
        # answers are those of any threshold inside
        for threshold in (np.nextafter(low, np.inf), high):
            assert ((tried >= threshold) == captured).all()
        if np.isnan(accepted):
            assert np.isinf(high)
            assert low == pytest.approx(policy.maximum_ma)
        else:
            # what is accepted is known to capture, and nothing lower is
            assert accepted == high
        found.append((low, high))
    found.sort()
    assert found[0][0] == 0
    assert np.isinf(found[-1][1])
    for (_, high), (low, _) in pairwise(found):
        assert high == low


@given(policies(), st.floats(0.1, 250))
@settings(max_examples=150, deadline=None)
def test_a_threshold_has_one_record(policy, threshold):
    """Carried out at one threshold: the record that fits it is one; steps and settings are those of the policy."""
    fits = [
        (tried, accepted)
        for tried, captured, accepted in rows(search_records(policy, never_wrong=True))
        if ((tried >= threshold) == captured).all()
    ]
    assert len(fits) == 1
    tried, accepted = fits[0]
    assert tried.max() <= policy.maximum_ma
    assert tried.min() > 0
    assert np.isnan(accepted) == (threshold > policy.maximum_ma)
    grid = np.round(settings_of(policy), 6)
    if policy.direction is Direction.BISECTING or (policy.direction is Direction.RISING and not policy.step_down_ma):
        assert np.isin(tried, grid).all()
        if threshold <= policy.maximum_ma:
            assert accepted == grid[np.searchsorted(grid, threshold)]
    if policy.direction is Direction.RISING:
        until = min(np.searchsorted(grid, threshold) + 1, grid.size)
        assert tried[:until].tolist() == grid[:until].tolist()
        # not below the last failure on the way up
        if 1 < until < tried.size:
            assert tried[until:].min() > grid[until - 2]
    if policy.direction is Direction.FALLING:
        assert tried[0] == policy.start_ma


@given(policies())
@settings(max_examples=60, deadline=None)
def test_first_setting(policy):
    """Rising and falling ramps begin at the start, a bisecting one in the middle of its settings."""
    first = set(search_records(policy, never_wrong=True).setting_ma[:, 0])
    grid = np.round(settings_of(policy), 6)
    bisecting = policy.direction is Direction.BISECTING
    assert first == {grid[(grid.size - 1) // 2] if bisecting else policy.start_ma}


@given(policies())
@settings(max_examples=60, deadline=None)
def test_bisecting_tries_few(policy):
    """Of m settings at most ceil(log2(m + 1)) are tried, as many as it takes to tell m + 1 outcomes apart."""
    halving = replace(policy, direction=Direction.BISECTING, step_down_ma=None)
    m = len(settings_of(halving))
    for wrong in (True, False):
        records = search_records(halving, never_wrong=wrong)
        assert records.length.size == m + 1
        assert records.length.max() == ceil(log2(m + 1))
        assert records.length.min() >= int(log2(m + 1))


@given(policies(st.sampled_from([20.0, 33.3, ((0.0, 40.0), (100.0, 20.0))])))
@settings(max_examples=60, deadline=None)
def test_wrong_answers(policy):
    """Both answers are followed everywhere: records are distinct, their halves add to 1, and those of right answers
    are among them."""
    records = list(rows(search_records(policy, never_wrong=False)))
    texts = {(tuple(tried), tuple(captured)) for tried, captured, _ in records}
    assert len(texts) == len(records)
    # a fair coin for every answer ends in one of the records
    assert sum(0.5**tried.size for tried, _, _ in records) == pytest.approx(1)
    right = {(tuple(t), tuple(c)) for t, c, _ in rows(search_records(policy, never_wrong=True))}
    assert right <= texts
    for tried, captured, accepted in records:
        if np.isnan(accepted):
            assert not captured[-1]
            assert tried[-1] == pytest.approx(policy.maximum_ma) or policy.direction is Direction.BISECTING
        else:
            assert accepted in tried[captured]


def test_searches_by_hand():
    """Schedules, a maximum off the grid, and a threshold of 85 mA."""

    def tried(policy, threshold):
        for settings_ma, captured, accepted in rows(search_records(policy, never_wrong=True)):
            if ((settings_ma >= threshold) == captured).all():
                return settings_ma.tolist(), accepted
        raise AssertionError("no record")

    assert tried(RampPolicy(40, ((40, 20), (80, 7)), 98, 1.0), 85) == ([40, 60, 80, 87], 87)
    assert tried(RampPolicy(40, ((40, 20), (80, 7)), 98, 1.0), 96) == ([40, 60, 80, 87, 94, 98], 98)
    assert tried(RampPolicy(40, 30, 140, 1.0, 10.0), 85) == ([40, 70, 100, 90, 80, 90], 90)
    assert tried(RampPolicy(100, 10, 140, 1.0, direction=Direction.FALLING), 85) == ([100, 90, 80, 90], 90)
    assert tried(RampPolicy(60, 10, 95, 1.0, direction=Direction.FALLING), 93) == ([60, 70, 80, 90, 95], 95)
    assert tried(RampPolicy(140, 10, 140, 1.0, direction=Direction.FALLING), 150)[0] == [140]
    # 40, 50 ... 140: eleven settings, the sixth of which is 90
    assert tried(RampPolicy(40, 10, 140, 1.0, direction=Direction.BISECTING), 85) == ([90, 60, 70, 80], 90)
    assert tried(RampPolicy(140, 10, 140, 1.0), 85) == ([140], 140)


def test_too_many_records(monkeypatch):
    """Many ways down, each with many ways up; right answers leave few.  The limit is lowered here to save time."""
    policy = RampPolicy(100, 0.5, 140, 1.0, direction=Direction.FALLING, name="fine")
    assert search_records(policy, never_wrong=True).length.size == 200 + 80 + 1
    monkeypatch.setattr(search, "MOST_RECORDS", 1_000)
    with pytest.raises(UsageError, match="'fine' has more than 1000 possible courses"):
        search_records(policy, never_wrong=False)
    coarse = replace(policy, step_ma=20.0)
    count = search_records(coarse, never_wrong=False).length.size
    monkeypatch.setattr(search, "MOST_RECORDS", count)
    assert search_records(coarse, never_wrong=False).length.size == count
    monkeypatch.setattr(search, "MOST_RECORDS", count - 1)
    with pytest.raises(UsageError, match="use larger steps"):
        search_records(coarse, never_wrong=False)
