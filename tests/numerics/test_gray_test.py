"""Gray's test, against R's cmprsk (recorded), and by permutation."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from capstat.numerics.gray_test import gray_test
from capstat.results import NotEstimableError


def check(case, key, time, cause, group, causes):
    found = [gray_test(time, cause, group, which=which) for which in causes]
    case.check(key, [x.statistic for x in found] + [x.p_value for x in found] + [x.df for x in found])


@pytest.mark.reference
def test_cmprsk(reference):
    """Ties, three uneven groups, two uneven groups, one cause only; and mgus2 by sex and age."""
    case = reference("r16")
    d = pd.DataFrame(case.data["rows"], columns=case.data["columns"])
    check(case, "gray.rows", d["time"], d["cause"], d["group"], (1, 2, 3))
    check(case, "gray.tied", np.ceil(d["time"]), d["cause"], d["group"], (1, 2, 3))
    check(case, "gray.uneven", d["time"], d["cause"], np.arange(120) >= 100, (1, 2, 3))
    check(case, "gray.one_cause", np.ceil(d["time"]), d["cause"] > 0, d["group"], (1,))
    m = pd.read_csv(Path(__file__).parent.parent / "reference" / "s19_mgus2.csv")
    check(case, "gray.mgus2_sex", m["etime"], m["event"], m["male"], (1, 2))
    check(case, "gray.mgus2_age", m["etime"], m["event"], np.digitize(m["age"], [65, 75], right=True), (1, 2))
    by_sex = [gray_test(m["etime"], m["event"], m["male"], which=which).statistic for which in (1, 2)]
    reference("s19").check("gray_test_by_sex(stat cause1, cause2)", by_sex)


def test_groups_and_order_carry_nothing():
    rng = np.random.default_rng(2)
    time, cause, group = rng.integers(1, 9, 60), rng.integers(0, 3, 60), rng.integers(0, 3, 60)
    found = gray_test(time, cause, group, which=1)
    order = rng.permutation(60)
    again = gray_test(time[order] * 3.5, cause[order], np.array(["b", "z", "a"])[group[order]], which=1)
    assert (again.statistic, again.df) == (pytest.approx(found.statistic, rel=1e-9), 2)


def test_level_without_a_difference():
    """Simulation: groups of 40 and 60 with one law and different follow-up."""
    rng = np.random.default_rng(4)
    group = np.repeat([0, 1], [40, 60])
    rejected = 0
    for _ in range(600):
        event, end = rng.exponential(5, 100), rng.uniform(0, np.where(group, 10, 20))
        cause = np.where(event <= end, 1 + (rng.random(100) < 0.5), 0)
        rejected += gray_test(np.minimum(event, end), cause, group, which=1).p_value < 0.05
    assert 0.03 <= rejected / 600 <= 0.075


def test_group_without_events_and_refusals():
    time, group = np.arange(1.0, 13), np.repeat([0, 1], 6)
    quiet = gray_test(time, np.repeat([1, 0], 6), group, which=1)
    assert quiet.df == 1
    assert 0 < quiet.p_value < 1
    with pytest.raises(NotEstimableError, match="two groups"):
        gray_test(time, np.ones(12), np.zeros(12), which=1)
    with pytest.raises(NotEstimableError, match="event of cause 2"):
        gray_test(time, np.ones(12), group, which=2)
    with pytest.raises(NotEstimableError, match="at risk together"):
        gray_test(time, np.repeat([0, 1], 6), group, which=1)
    with pytest.raises(ValueError, match="whole numbers"):
        gray_test(time, np.full(12, 0.5), group, which=1)
    with pytest.raises(ValueError, match="finite"):
        gray_test(np.full(12, np.nan), np.ones(12), group, which=1)


def test_a_tied_event_of_everybody_left_divides_by_nothing():
    # warnings are errors here: it says that there is no test
    with pytest.raises(NotEstimableError, match="no variance"):
        gray_test([1, 2, 0, 2], [0, 1, 2, 1], [1, 0, 1, 0], which=1)
