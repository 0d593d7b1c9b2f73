"""Leave-one-out and case diagnostics against R's metafor (recorded)."""

from __future__ import annotations

import numpy as np
import pytest

from capstat.numerics.influence import influence, leave_one_out
from capstat.numerics.random_effects import pool
from capstat.results import NotEstimableError

RUNS = [("DL", "z", None), ("REML", "z", None), ("REML", "hk", "hk"), ("REML", "hk-at-least-1", "hk-at-least-1")]
LEFT_OUT = {
    "estimate": "mu",
    "se": "se",
    "ci.lb": "lower",
    "ci.ub": "upper",
    "pval": "p_value",
    "tau2": "tau2",
    "I2": "i2",
    "Q": "q",
    "Qp": "q_p",
}
DIAGNOSTICS = {
    "rstudent": "rstudent",
    "dffits": "dffits",
    "cook.d": "cook_d",
    "cov.r": "cov_r",
    "tau2.del": "tau2_deleted",
    "QE.del": "q_deleted",
    "hat": "hat",
    "dfbs": "dfbetas",
}


@pytest.mark.reference
@pytest.mark.parametrize("name", ["bcg", "three", "alike", "chance", "uneven"])
@pytest.mark.parametrize(("method", "word", "limits"), RUNS)
def test_metafor(reference, name, method, word, limits):
    """leave1out() and influence() of R's metafor."""
    case = reference("r14")
    y, v = case.data["studies"][name]["yi"], case.data["studies"][name]["vi"]
    without = leave_one_out(y, v, tau2_method=method, knapp_hartung=limits)
    for theirs, ours in LEFT_OUT.items():
        case.check(f"{name}.{method}.{word}.leave1out.{theirs}", getattr(without, ours))
    found = influence(y, v, tau2_method=method, knapp_hartung=limits)
    for theirs, ours in DIAGNOSTICS.items():
        case.check(f"{name}.{method}.{word}.influence.{theirs}", getattr(found, ours))


def test_a_study_like_the_mean_of_the_others_changes_little():
    y, v = np.array([0.0, 1.0, 0.5]), np.full(3, 0.1)
    found = influence(y, v, tau2_method="PM", knapp_hartung=None)
    assert (found.rstudent[2], found.cook_d[2], found.dffits[2]) == pytest.approx((0, 0, 0), abs=1e-12)
    assert found.cook_d[0] == pytest.approx(found.cook_d[1])
    np.testing.assert_allclose(found.hat, pool(y, v, tau2_method="PM", knapp_hartung=None).weights)


def test_refusals():
    with pytest.raises(NotEstimableError, match="Two studies only"):
        leave_one_out([1.0, 2.0], [1.0, 1.0], tau2_method="DL", knapp_hartung=None)
    with pytest.raises(NotEstimableError, match="Two studies only"):
        influence([1.0, 2.0], [1.0, 1.0], tau2_method="DL", knapp_hartung=None)
    with pytest.raises(NotEstimableError, match="agree exactly"):
        leave_one_out([1.0, 1.0, 2.0], [1.0, 2.0, 1.0], tau2_method="DL", knapp_hartung="hk")
