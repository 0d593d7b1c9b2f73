"""Curves of competing events, against R's survival and etm (recorded), statsmodels, lifelines and derivatives by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter
from statsmodels.duration.survfunc import CumIncidenceRight

from capstat.numerics.cumulative_incidence import (
    cloglog_limits,
    event_curves,
    event_free_at,
    event_free_limits,
    incidence_at,
    incidence_limits,
)
from capstat.numerics.proportions import clopper_pearson

AT = (5, 10, 20)
KINDS = {
    "plain": (),
    "entry": ("entry",),
    "weight": ("weight",),
    "all": ("entry", "weight", "cluster"),
}


def rows_of(case) -> pd.DataFrame:
    return pd.DataFrame(case.data["rows"], columns=case.data["columns"])


def incidences(curves, part, at=AT, causes=(1, 2, 3)):
    return [getattr(incidence_at(curves, cause, t), part) for cause in causes for t in at]


@pytest.mark.reference
@pytest.mark.parametrize("kind", KINDS)
def test_curves_and_errors_of_r(reference, kind):
    """R's survfit and, for the delta method with entry, etm: incidences and standard errors at three times."""
    case = reference("r16")
    d = rows_of(case)
    curves = event_curves(d["time"], d["cause"], n_causes=3, **{name: d[name] for name in KINDS[kind]})
    case.check(f"{kind}.incidence", incidences(curves, "value"))
    case.check(f"{kind}.se", incidences(curves, "se"))
    if kind == "plain":
        return
    free = [event_free_at(curves, t) for t in AT]
    case.check(f"{kind}.event_free", [x.value for x in free])
    if kind == "entry":
        case.check("entry.event_free_greenwood", [x.se for x in free])
        case.check("entry.event_free_limits", [x.lower for x in free] + [x.upper for x in free])
        case.check("entry.limits", incidences(curves, "lower") + incidences(curves, "upper"))
        case.check("entry.at_risk", [x.at_risk for x in free])
    else:
        case.check(f"{kind}.event_free_se", [x.se for x in free])
    if kind == "all":
        by_row = event_curves(d["time"], d["cause"], n_causes=3, entry=d["entry"], weight=d["weight"])
        case.check("all.row_se", incidences(by_row, "se"))


@pytest.mark.reference
def test_monoclonal_gammopathy(reference):
    case = reference("s19")
    d = pd.read_csv(Path(__file__).parent.parent / "reference" / "s19_mgus2.csv")
    at = (60, 120, 240)
    curves = event_curves(d["etime"], d["event"], n_causes=2)
    case.check("aj.pcm(60,120,240)+death(60,120,240)", incidences(curves, "value", at, (1, 2)))
    case.check("aj.se_infinitesimal_jackknife", incidences(curves, "se", at, (1, 2)))
    # without entry delta method and jackknife are equal
    jackknifed = event_curves(d["etime"], d["event"], n_causes=2, cluster=d["id"])
    np.testing.assert_allclose(jackknifed.se_incidence, curves.se_incidence, rtol=1e-8)
    np.testing.assert_allclose(jackknifed.se_event_free, curves.se_event_free, rtol=1e-8)
    # statsmodels' Aalen-Johansen, at every event time
    with np.errstate(divide="ignore", invalid="ignore"):  # its variance divides by zero at the last event
        theirs = CumIncidenceRight(d["etime"].to_numpy(), d["event"].to_numpy())
    place = np.searchsorted(theirs.times, curves.times)
    for cause in (0, 1):
        np.testing.assert_allclose(curves.incidence[cause], theirs.cinc[cause][place], rtol=1e-10)


@pytest.mark.reference
def test_remission_of_leukaemia(reference):
    case = reference("s18")
    d = pd.DataFrame(case.data["rows"], columns=case.data["columns"])
    groups = [event_curves(g["time"], g["event"], n_causes=1) for _, g in d.groupby("treated_6mp", sort=True)][::-1]
    at = [event_free_at(curves, t) for curves in groups for t in (6, 10, 22)]
    case.check("km.S_6mp(6,10,22)+control(6,10,22)", [x.value for x in at])
    case.check("km.greenwood_se", [x.se for x in at])
    ten = [event_free_at(curves, 10) for curves in groups]
    case.check(
        "km.loglog_ci95_at_10(6mp lo,control lo,6mp hi,control hi)", [x.lower for x in ten] + [x.upper for x in ten]
    )


@given(st.lists(st.tuples(st.integers(0, 8), st.integers(1, 6), st.integers(0, 1)), min_size=1, max_size=25))
@settings(max_examples=12, deadline=None)
def test_one_cause_is_kaplan_meier_of_lifelines(rows):
    # one row that stays throughout: lifelines refuses risk sets that empty early
    entry, length, event = (np.array(column) for column in zip((0, 20, 0), *rows, strict=True))
    curves = event_curves(entry + length, event, entry=entry, n_causes=1)
    fitter = KaplanMeierFitter().fit(entry + length, event, entry=entry)
    np.testing.assert_allclose(curves.event_free, fitter.predict(curves.times), atol=1e-10)
    assert np.all(curves.at_risk == [((entry < t) & (entry + length >= t)).sum() for t in curves.times])


row = st.tuples(st.integers(0, 4), st.integers(1, 6), st.integers(0, 3), st.integers(1, 4), st.integers(0, 5))


def prepared(rows):
    entry, length, cause, weight, cluster = (np.array(column) for column in zip(*rows, strict=True))
    return {"entry": entry, "time": entry + length, "cause": cause, "weight": weight, "cluster": cluster}


@given(st.lists(row, min_size=1, max_size=25), st.randoms())
@settings(max_examples=60, deadline=None)
def test_shares_are_shares(rows, random):
    """They add up to 1, rise, and limits hold them; the order of rows and labels of clusters carry nothing."""
    d = prepared(rows)
    curves = event_curves(**d, n_causes=3)
    np.testing.assert_allclose(curves.incidence.sum(axis=0) + curves.event_free, 1, atol=1e-12)
    assert (np.diff(curves.incidence, axis=1, prepend=0) >= 0).all()
    for cause in (1, 2, 3):
        lower, upper = incidence_limits(curves, cause)
        assert (lower >= 0).all()
        assert (lower <= curves.incidence[cause - 1] + 1e-12).all()
        assert (upper >= curves.incidence[cause - 1] - 1e-12).all()
        assert (upper <= 1).all()
    assert not np.isnan(event_free_limits(curves)).any()
    random.shuffle(rows)
    again = prepared(rows)
    again["cluster"] = 10 - again["cluster"]
    other = event_curves(**again, n_causes=3)
    np.testing.assert_allclose(other.incidence, curves.incidence, atol=1e-12)
    np.testing.assert_allclose(other.se_incidence, curves.se_incidence, atol=1e-6)
    np.testing.assert_allclose(other.known, curves.known)


@given(st.lists(row, min_size=2, max_size=20))
@settings(max_examples=40, deadline=None)
def test_whole_weights_are_copies(rows):
    """A row of weight 3 is three rows in one cluster; the jackknife is the derivative in the weights, by differences."""
    d = prepared(rows)
    curves = event_curves(**d, n_causes=3)
    copies = {name: np.repeat(values, d["weight"]) for name, values in d.items() if name != "weight"}
    copied = event_curves(**copies, n_causes=3)
    np.testing.assert_allclose(copied.incidence, curves.incidence, atol=1e-12)
    np.testing.assert_allclose(copied.se_incidence, curves.se_incidence, atol=1e-6)
    np.testing.assert_allclose(copied.se_event_free, curves.se_event_free, atol=1e-6)
    variance = np.zeros_like(curves.incidence)
    for g in np.unique(d["cluster"]):
        mine, h = d["cluster"] == g, 1e-4
        up, down = (event_curves(**{**d, "weight": d["weight"] * (1 + side * mine)}, n_causes=3) for side in (h, -h))
        variance += ((up.incidence - down.incidence) / (2 * h)) ** 2
    np.testing.assert_allclose(np.sqrt(variance), curves.se_incidence, atol=1e-5)


def test_limits_hold_in_repeated_studies():
    """Simulation with known truth: two exponential causes at rates 0.03 and 0.07, uniform ends of follow-up, 40 rows."""
    rng = np.random.default_rng(5)
    truth = 0.3 * (1 - np.exp(-0.1 * 8))
    held, values, errors = 0, [], []
    for _ in range(1000):
        event, end = rng.exponential(10, 40), rng.uniform(2, 20, 40)
        cause = np.where(event <= end, 1 + (rng.random(40) < 0.7), 0)
        found = incidence_at(event_curves(np.minimum(event, end), cause, n_causes=2), 1, 8)
        held += found.lower <= truth <= found.upper
        values.append(found.value)
        errors.append(found.se)
    assert np.mean(values) == pytest.approx(truth, abs=3.5 * np.std(values) / 1000**0.5)
    assert np.mean(errors) == pytest.approx(np.std(values), rel=0.08)
    assert 0.93 <= held / 1000 <= 0.98


def test_event_before_end_of_follow_up_and_time_zero():
    """By hand: at time 0 one of 4 has an event; at 2 cause 1, cause 2 and an end of follow-up fall together."""
    curves = event_curves([0, 2, 2, 2], [2, 1, 2, 0], n_causes=2)
    assert curves.times.tolist() == [0, 2]
    assert curves.at_risk.tolist() == [4, 3]
    np.testing.assert_allclose(curves.incidence, [[0, 0.25], [0.25, 0.5]], atol=1e-15)
    np.testing.assert_allclose(curves.event_free, [0.75, 0.25])
    assert incidence_at(curves, 2, 0).value == 0.25
    assert event_free_at(curves, 1).at_risk == 3


def test_risk_set_that_empties_is_flagged():
    """One row in (0, 1] with an event and ten that enter at 5: the curve falls to 0 and means nothing."""
    entry, time = np.r_[0, np.full(10, 5)], np.r_[1, np.arange(6, 16)]
    curves = event_curves(time, np.ones(11, int), entry=entry, n_causes=1)
    assert curves.emptied_at == 1
    found = event_free_at(curves, 7)
    assert found.value is None
    assert found.reason == "Nobody was at risk after 1 until others entered."
    # lost, not dead: nothing falls, and still nobody knows what happened from 1 to 5
    lost = event_curves(time, np.r_[0, np.ones(10, int)], entry=entry, n_causes=1)
    assert lost.emptied_at == 1
    joined = event_curves(np.r_[time, 6], np.ones(12, int), entry=np.r_[entry, 0], n_causes=1)
    assert joined.emptied_at is None
    # nothing was seen before 1 in two rows, however many entered later
    assert event_free_at(joined, 0.5).lower == pytest.approx(clopper_pearson(2, 2)[0])


def test_nothing_seen_is_bounded_by_those_followed():
    """Clopper and Pearson's limit for 0 of those whose state is known; never a limit of zero width."""
    time, cause = np.r_[np.full(8, 5.0), 10, 12], np.r_[np.zeros(8, int), 2, 0]
    curves = event_curves(time, cause, n_causes=2)
    assert incidence_at(curves, 1, 4).upper == pytest.approx(clopper_pearson(0, 10)[1])
    assert incidence_at(curves, 1, 5.5).upper == pytest.approx(clopper_pearson(0, 2)[1])
    assert incidence_at(curves, 1, 11).upper == pytest.approx(clopper_pearson(0, 2)[1])
    none = event_curves(time, np.zeros(10, int), n_causes=2)
    assert none.incidence.shape == (2, 0)
    at = event_free_at(none, 5)
    assert (at.value, at.upper) == (1, 1)
    assert at.lower == pytest.approx(clopper_pearson(10, 10)[0])
    beyond = event_free_at(none, 13)
    assert (beyond.value, beyond.lower, beyond.upper) == (None, 0, 1)
    assert beyond.reason == "Nobody was followed beyond 12."
    clustered = event_curves(time, cause, n_causes=2, cluster=np.arange(10) // 5)
    assert incidence_at(clustered, 1, 4).upper == pytest.approx(clopper_pearson(0, 2)[1])


def test_everybody_at_once_and_one_row():
    tied = event_curves(np.full(6, 3.0), np.ones(6, int), n_causes=1)
    found = incidence_at(tied, 1, 3)
    assert (found.value, found.se, found.upper) == (1, 0, 1)
    assert found.lower == pytest.approx(clopper_pearson(6, 6)[0])
    one = incidence_at(event_curves([2.0], [1], n_causes=2), 1, 9)
    assert (one.value, one.lower) == (1, pytest.approx(0.025))
    # at 1 the last lower limit that has a standard error holds on
    last = event_curves([1.0, 2, 3, 4], np.ones(4, int), n_causes=1)
    lower, _ = incidence_limits(last, 1)
    assert lower[3] == lower[2] > 0
    # one cluster shows no variance: nothing is known
    single = incidence_at(event_curves([1.0, 2, 3], [1, 0, 1], n_causes=1, cluster=[7, 7, 7]), 1, 1)
    assert (single.se, single.lower, single.upper) == (0, 0, 1)


def test_complementary_log_log_limits():
    """By hand: log(-log(1 - p)) plus and minus z se / ((1 - p) |log(1 - p)|)."""
    middle, half = np.log(-np.log(0.7)), 1.959963984540054 * 0.1 / (0.7 * -np.log(0.7))
    expected = 1 - np.exp(-np.exp([middle - half, middle + half]))
    assert cloglog_limits(0.3, 0.1) == pytest.approx(tuple(expected), abs=1e-12)
    lower, upper = cloglog_limits([0, 1, 0.5, 1e-300, 1 - 1e-16], [0, 0, 0, 1e-300, 1])
    assert lower[:3].tolist() == [0, 0, 0]
    assert upper[:3].tolist() == [1, 1, 1]
    assert not np.isnan([lower, upper]).any()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"entry": [0, 2]}, r"not so in row 1 \(2, 2\)"),
        ({"time": [1, np.nan]}, "Times must be finite"),
        ({"time": [1, -2]}, "Times must be finite"),
        ({"time": [], "cause": []}, "at least one row"),
        ({"cause": [0, 3]}, "from 0 .no event. to 2"),
        ({"cause": [0, np.nan]}, "from 0 .no event. to 2"),
        ({"weight": [0, 0]}, "not all zero"),
        ({"weight": [-1, 1]}, "not negative"),
        ({"cluster": ["a", None]}, "needs a cluster"),
    ],
)
def test_refusals(change, message):
    with pytest.raises(ValueError, match=message):
        event_curves(**{"time": [1, 2], "cause": [1, 0], "n_causes": 2, **change})
    with pytest.raises(ValueError, match="negative"):
        incidence_at(event_curves([1], [1], n_causes=1), 1, -1)
