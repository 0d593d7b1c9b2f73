"""Tests that false captures are equally frequent in groups of claims."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import stats

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.capture.claims import Claims

__all__ = ["compare_shares"]

RANDOM_TABLES: Final = 9999


def _robust_score(false: NDArray[np.bool_], group: NDArray[np.intp], patient: NDArray[np.intp]) -> float | None:
    """P-value of the generalised score test with working independence (Rotnitzky & Jewell 1990, from memory).

    The scores of the groups are summed within patients; the only fitted parameter is the common share, so the test
    exists when a group has no false capture, where a Wald test does not.
    """
    member = np.equal.outer(group, np.unique(group)).astype(float)
    scores = (member - member.mean(axis=0)) * (false - false.mean())[:, None]
    _, code = np.unique(patient, return_inverse=True)
    by_patient = np.zeros((code.max() + 1, member.shape[1]))
    np.add.at(by_patient, code, scores)
    total, variance = by_patient.sum(axis=0), by_patient.T @ by_patient
    rank = member.shape[1] - 1
    # the statistic cannot exceed the number of patients, whatever the difference
    if len(by_patient) <= member.shape[1] or np.linalg.matrix_rank(variance, hermitian=True) < rank:
        return None
    # one group follows from the others: leave it out
    statistic = total[:-1] @ np.linalg.solve(variance[:-1, :-1], total[:-1])
    return float(stats.chi2.sf(statistic, rank))


def compare_shares(claims: Claims, group: NDArray[np.intp], *, seed: int) -> tuple[float | None, str, str]:
    """Test that the judged claims of all groups are equally often false.

    Fisher's exact test when every patient has one judged claim (with more than two groups against 9,999 random tables
    with the same margins), else a score test that is robust to claims clustering in patients.

    Parameters
    ----------
    claims : Claims
        Claims that the reference judged or not.
    group : ndarray of int, shape (n,)
        Group of each claim; -1 leaves it out.
    seed : int
        For the random tables.

    Returns
    -------
    p_value : float or None
    method, reason : str
        Name of the test; why there is none.
    """
    rows = claims.is_judged & (group >= 0)
    false, patient = claims.is_false[rows], claims.patient[rows]
    groups, code = np.unique(group[rows], return_inverse=True)
    if groups.size < 2:
        return None, "", "judged claims lie in fewer than two groups"
    if not 0 < false.sum() < false.size:
        return None, "", "all judged claims were upheld" if not false.any() else "all judged claims were false"
    if claims.repeats(rows):
        name = "score test robust to clustering in patients (Rotnitzky & Jewell 1990, from memory)"
        p_value = _robust_score(false, code, patient)
        return p_value, name, "" if p_value is not None else "too few patients for a robust variance"
    table = np.array([np.bincount(code[false == kind], minlength=groups.size) for kind in (True, False)])
    if groups.size == 2:
        return float(stats.fisher_exact(table).pvalue), "Fisher's exact test", ""
    draws = stats.MonteCarloMethod(n_resamples=RANDOM_TABLES, rng=np.random.default_rng(seed))
    # scipy returns a number or an array of one, depending on the table
    p_value = float(np.squeeze(stats.fisher_exact(table, method=draws).pvalue))
    return p_value, f"Fisher-Freeman-Halton test against {RANDOM_TABLES} random tables, seed {seed}", ""
