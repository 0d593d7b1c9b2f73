"""State occupation against R (survival, etm), counting without censoring, and simulation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from capstat.numerics.cumulative_incidence import event_curves
from capstat.numerics.multistate import NOWHERE, state_limits, state_probabilities
from capstat.numerics.proportions import wilson


def mgus_rows(case, late):
    rows = []
    for person, ptime, progressed, until, died, entry in case.data["mgus2"]:
        changed = until - 0.1 if ptime >= until else ptime
        begin = entry if late else 0
        end = 2 if died else NOWHERE
        own = [(person, begin, changed, 0, 1), (person, changed, until, 1, end)] if progressed else []
        rows += own or [(person, begin, until, 0, end)]
    frame = np.array(rows, dtype=float)
    bad = frame[frame[:, 1] >= frame[:, 2], 0]
    return frame[~np.isin(frame[:, 0], bad)]


def fit(rows, n_states, initial=0):
    person, start, stop, state, target = np.asarray(rows, dtype=float).T
    begin = np.eye(n_states)[initial]
    return state_probabilities(
        person, start, stop, state.astype(int), target.astype(int), n_states=n_states, initial=begin
    )


def at(found, values, times):
    return values[:, np.searchsorted(found.times, times, side="right") - 1]


@pytest.mark.reference
@pytest.mark.parametrize("name", ["mgus2", "late"])
def test_three_states_as_r(reference, name):
    case = reference("r19")
    found = fit(mgus_rows(case, name == "late"), 3)
    times = case.data["at"]
    case.check(f"{name}.survfit.pstate", at(found, found.probability, times).T.ravel())
    case.check(f"{name}.survfit.std.err", at(found, found.se, times).T.ravel())
    case.check(f"{name}.etm.from_first", at(found, found.probability, times).ravel())


@pytest.mark.reference
def test_reversible_states_as_r(reference):
    case = reference("r19")
    found = fit(case.data["reversible"], 4)
    times = case.data["reversible_at"]
    case.check("reversible.survfit.pstate", at(found, found.probability, times).T.ravel())
    case.check("reversible.survfit.std.err", at(found, found.se, times).T.ravel())


def courses(draw_seed, persons, n_states, censored):
    """Invented courses on a coarse grid, so that times tie; the last state is never left."""
    rng = np.random.default_rng(draw_seed)
    rows = []
    for person in range(persons):
        t, state, end = 0, 0, int(rng.integers(1, 9)) if censored else 30
        while state != n_states - 1:
            until = t + int(rng.integers(1, 5))
            target = int(rng.choice([s for s in range(n_states) if s != state]))
            if until > end:
                if end > t:
                    rows.append((person, t, end, state, NOWHERE))
                break
            rows.append((person, t, until, state, target))
            t, state = until, target
    return rows


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000), persons=st.integers(1, 12), n_states=st.integers(2, 5))
def test_without_censoring_shares_are_counted(seed, persons, n_states):
    rows = courses(seed, persons, n_states, censored=False)
    found = fit(rows, n_states)
    for i in range(0, found.times.size, 3):
        t = found.times[i]
        where = np.full(persons, 0)
        for person, begin, until, state, target in rows:
            if begin <= t < until:
                where[person] = state
            elif t >= until and target != NOWHERE:
                where[person] = target
        share = np.bincount(where, minlength=n_states) / persons
        np.testing.assert_allclose(found.probability[:, i], share, atol=1e-12)
        # the jackknife of a plain share is the binomial error
        np.testing.assert_allclose(found.se[:, i], np.sqrt(share * (1 - share) / persons), atol=1e-9)
        lower, upper = state_limits(found)
        inner = (share > 0) & (share < 1)
        expected = wilson(share[inner] * persons, np.full(inner.sum(), persons))
        np.testing.assert_allclose([lower[inner, i], upper[inner, i]], expected, atol=1e-8)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000), persons=st.integers(1, 15))
def test_probabilities_add_up_and_the_order_of_rows_does_not_matter(seed, persons):
    rows = courses(seed, persons, 4, censored=True)
    found = fit(rows, 4)
    np.testing.assert_allclose(found.probability.sum(axis=0), 1.0, atol=1e-9)
    assert (found.probability >= 0).all()
    lower, upper = state_limits(found)
    assert ((lower <= found.probability + 1e-9) & (found.probability <= upper + 1e-9)).all()
    again = fit(np.array(rows)[np.random.default_rng(seed).permutation(len(rows))], 4)
    np.testing.assert_allclose(again.probability, found.probability, atol=1e-12)
    np.testing.assert_allclose(again.se, found.se, atol=1e-12)


def test_the_error_is_the_derivative_in_the_weight_of_a_person():
    # an outside definition of the jackknife: add a thousandth of a copy of one person (1000 copies of all the others)
    rows = np.array(courses(5, 9, 4, censored=True))
    found = fit(rows, 4)
    copies = 60
    total = np.zeros_like(found.se)
    for person in range(9):
        many = [rows + np.array([1000 * c, 0, 0, 0, 0]) for c in range(copies)]
        more = rows[rows[:, 0] == person] + np.array([-700, 0, 0, 0, 0])
        plus = fit(np.vstack([*many, more]), 4)
        minus = fit(np.vstack([*many[1:], many[0][many[0][:, 0] != person]]), 4)
        total += ((plus.probability - minus.probability) * copies / 2) ** 2
    np.testing.assert_allclose(np.sqrt(total), found.se, rtol=2e-3, atol=1e-6)


def test_competing_ends_are_cumulative_incidences():
    # the other route within the project, itself checked against cmprsk and survival
    rng = np.random.default_rng(3)
    time, cause = np.ceil(rng.exponential(5, 80)) + 1, rng.integers(0, 3, 80)
    entry = np.minimum(rng.integers(0, 3, 80), time - 1)
    rows = np.column_stack([np.arange(80), entry, time, np.zeros(80), np.where(cause, cause, NOWHERE)])
    found = fit(rows, 3)
    curves = event_curves(time, cause, entry=entry, n_causes=2)
    np.testing.assert_allclose(found.probability[0], curves.event_free, atol=1e-12)
    np.testing.assert_allclose(found.probability[1:], curves.incidence, atol=1e-12)


def test_limits_hold_the_truth_in_a_course_with_memory():
    # how long the second state lasts depends on how long the first did (not Markov); occupation is still right.
    # truth: P(second state at 1) = P(E < 1 < E + 1.5 E) with E exponential
    truth = float(stats.expon.cdf(1) - stats.expon.cdf(1 / 2.5))
    rng = np.random.default_rng(11)
    held, repeats = 0, 150
    values = []
    for _ in range(repeats):
        first = rng.exponential(1, 60)
        cens = rng.exponential(3, 60)
        rows = []
        for person, (a, c) in enumerate(zip(first, cens, strict=True)):
            rows.append((person, 0, min(a, c), 0, 1 if a < c else NOWHERE))
            if a < c:
                rows.append((person, a, min(2.5 * a, c), 1, 2 if 2.5 * a < c else NOWHERE))
        found = fit(rows, 3)
        i = np.searchsorted(found.times, 1.0, side="right") - 1
        lower, upper = state_limits(found)
        held += lower[1, i] <= truth <= upper[1, i]
        values.append(found.probability[1, i])
    assert abs(np.mean(values) - truth) < 4 * np.std(values) / np.sqrt(repeats)
    # 0.95 less three standard errors of 150 repeats
    assert held / repeats > 0.95 - 3 * np.sqrt(0.95 * 0.05 / repeats)


def test_limits_where_nothing_was_estimated():
    found = fit([(i, 0, 1, 0, 1) for i in range(10)], 3)
    lower, upper = state_limits(found)
    # Clopper and Pearson for 0 of 10 and 10 of 10: 30.8 % (published tables)
    assert upper[[0, 2], 0] == pytest.approx([0.3085, 0.3085], abs=1e-4)
    assert lower[1, 0] == pytest.approx(0.6915, abs=1e-4)
    assert fit([(1, 0, 4, 0, NOWHERE)], 2).times.size == 0


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ([(1, 2, 2, 0, 1)], "must end after it began"),
        ([(1, 0, 2, 0, 1), (1, 1, 3, 1, 0)], "may not overlap"),
        ([(1, 0, 2, 0, 5)], "from 0 to 1"),
        (np.zeros((0, 5)), "at least one row"),
    ],
)
def test_refusals(rows, message):
    with pytest.raises(ValueError, match=message):
        fit(rows, 2)
    with pytest.raises(ValueError, match="sum 1"):
        state_probabilities([1], [0], [1], [0], [1], n_states=2, initial=[0.5, 0.4])
