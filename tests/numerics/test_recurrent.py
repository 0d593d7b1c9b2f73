"""Mean number of recurrent events against R (survival, mets), counting, and simulation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capstat.numerics.recurrent import mean_at, mean_count, mean_limits


def at(found, values, times):
    return values[np.searchsorted(found.times, times, side="right") - 1]


@pytest.mark.reference
def test_without_terminal_events_as_r(reference):
    case = reference("r19")
    person, start, stop, event = np.array(case.data["cgd"], dtype=float).T
    found = mean_count(person, start, stop, event == 1)
    case.check("cgd.survfit.cumhaz", at(found, found.mean, case.data["cgd_at"]))
    case.check("cgd.survfit.std.chaz", at(found, found.se, case.data["cgd_at"]))


@pytest.mark.reference
def test_with_terminal_events_as_mets(reference):
    case = reference("r19")
    person, start, stop, status = np.array(case.data["bladder"], dtype=float).T
    found = mean_count(person, start, stop, status == 1, status == 2)
    case.check("bladder.mets.mu", at(found, found.mean, case.data["bladder_at"]))
    case.check("bladder.mets.se", at(found, found.se, case.data["bladder_at"]))


def invented(seed, persons):
    """Events on a coarse grid until a terminal event, seen for everybody."""
    rng = np.random.default_rng(seed)
    rows = []
    for person in range(persons):
        t, end = 0, int(rng.integers(1, 12))
        while t < end:
            until = min(t + int(rng.integers(1, 5)), end)
            rows.append((person, t, until, until < end or rng.random() < 0.3, until == end))
            t = until
    return np.array(rows).T


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), persons=st.integers(1, 15))
def test_when_every_end_is_seen_it_is_the_mean(seed, persons):
    person, start, stop, event, over = invented(seed, persons)
    found = mean_count(person, start, stop, event, over)
    for t in (1, 4, 9, 20):
        counts = np.bincount(person, weights=event * (stop <= t), minlength=persons)
        got = mean_at(found, t)
        assert got.value == pytest.approx(counts.mean(), abs=1e-12)
        assert got.lower <= got.value <= got.upper
        if counts.any():
            # the jackknife of a mean is its standard error with the divisor n
            assert at(found, found.se, t) == pytest.approx(counts.std() / np.sqrt(persons), abs=1e-9)


def test_limits_hold_the_truth_with_unequal_people():
    # people have rates 0.2 to 3 (gamma), end at exponential times and are censored; mean by t in closed form
    rng = np.random.default_rng(8)
    truth = 0.5 * (1 - np.exp(-2.0))  # integral of exp(-u) * 0.5 over (0, 2)
    held, values, repeats, n = 0, [], 200, 60
    for _ in range(repeats):
        rate = rng.gamma(1.5, 0.5 / 1.5, n)
        end, cens = rng.exponential(1, n), rng.uniform(1, 5, n)
        until = np.minimum(end, cens)
        rows = []
        for person in range(n):
            times = np.sort(rng.uniform(0, until[person], rng.poisson(rate[person] * until[person])))
            edges = np.concatenate([[0.0], times, [until[person]]])
            for i in range(len(edges) - 1):
                last = i == len(edges) - 2
                rows.append((person, edges[i], edges[i + 1], not last, last and end[person] < cens[person]))
        found = mean_count(*np.array(rows).T)
        got = mean_at(found, 2.0)
        held += got.lower <= truth <= got.upper
        values.append(got.value)
    assert abs(np.mean(values) - truth) < 4 * np.std(values) / np.sqrt(repeats)
    assert held / repeats > 0.95 - 3 * np.sqrt(0.95 * 0.05 / repeats)


def test_edges():
    nothing = mean_count([1, 2], [0, 0], [5, 6], [False, False])
    # Poisson: 0 events in 2 people, upper limit 3.6889 / 2 (published tables: 3.69)
    got = mean_at(nothing, 3.0)
    assert (got.value, got.lower) == (0.0, 0.0)
    assert got.upper == pytest.approx(3.6889 / 2, abs=1e-4)
    assert mean_at(nothing, 7.0).reason == "nobody was followed beyond 6"
    alike = mean_count([1, 2, 3], [0, 0, 0], [1, 1, 1], [True] * 3, [True] * 3)
    assert mean_at(alike, 9.0).value == 1.0  # all have ended
    lower, upper = mean_limits(alike)
    # Garwood's limits for 3 events: 0.6187 to 8.7673 (published tables)
    assert [lower[0], upper[0]] == pytest.approx([0.6187 / 3, 8.7673 / 3], abs=1e-4)
    for bad in (([1], [2], [2], [True]), ([], [], [], [])):
        with pytest.raises(ValueError, match="row"):
            mean_count(*bad)
