"""Distinct ramps with counts, and their likelihood over the cells in which a threshold can lie.

The tested currents divide the axis into cells.  A threshold in the cell that ends at ``c`` is captured by every
setting at or above ``c``, so the probability of a whole ramp is the same for all thresholds of a cell::

    P(judgements | cell) = product over settings of  Se or 1 - Se  (captured there),  1 - Sp or Sp  (not captured)

The ramp's stopping rule depends on the judgements alone and drops out.  Judgements of one ramp are taken to be
independent of each other given the threshold.  Where the reference judged a setting, the judgement there says
nothing more about the threshold, only about Se and Sp; the reference itself limits the cells.

Literature: Titman 2016 (Stat Comput, doi:10.1007/s11222-016-9705-7, abstract seen) estimates the same nonparametrically
as a mixing distribution, and says that errors cannot be estimated from tests that end at the first positive one: here
a reference tells of them.  Gu, Ma & Balasubramanian 2015 (Ann Appl Stat, doi:10.1214/15-AOAS810; their R package is
case r13 of the tests).  From memory: Garcia-Zattera, Jara, Lesaffre & Marshall 2012 (Stat Med); Sal y Rosas & Hughes
2011 (Stat Biosci); Richardson & Hughes 2000 (Biometrika); McKeown & Jewell 2010 (Lifetime Data Anal).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.results import UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.capture.judged_ramps import JudgedRamps
    from capstat.capture.judgement_errors import JudgementErrors

__all__ = ["CellLikelihood", "JudgementTable", "tabulate_ramps"]

# stands for the logarithm of a probability of zero: products of it with counts stay finite
LOG_ZERO = -1e5
# a ramp whose best cell has a logarithm below this contradicts judgements that are never wrong
IMPOSSIBLE = -0.5e5


@dataclass(frozen=True, slots=True, eq=False)
class CellLikelihood:
    """Likelihood of every distinct ramp in every cell.

    Attributes
    ----------
    matrix : ndarray, shape (m, k + 1)
        Likelihood over the largest of its row.
    log_scale : ndarray, shape (m,)
        Logarithm of that largest value.
    """

    matrix: NDArray[np.float64]
    log_scale: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class JudgementTable:
    """Distinct ramps (m of them) on the grid of tested currents (k of them).

    Attributes
    ----------
    edges_ma : ndarray, shape (k,)
        Tested currents, increasing; the cells are (0, e1], (e1, e2], ..., (ek, infinity).
    claimed, refused : ndarray, shape (m, k)
        Judgements "captured" and "not captured" at settings of unknown truth.
    captured_claimed, captured_refused, absent_claimed, absent_refused : ndarray, shape (m, k)
        Judgements at settings whose truth is known by the reference.
    allowed : ndarray of bool, shape (m, k + 1)
        Cells that the reference leaves open.
    index : ndarray of int, shape (n,)
        Distinct ramp of each ramp.
    """

    edges_ma: NDArray[np.float64]
    claimed: NDArray[np.float64]
    refused: NDArray[np.float64]
    captured_claimed: NDArray[np.float64]
    captured_refused: NDArray[np.float64]
    absent_claimed: NDArray[np.float64]
    absent_refused: NDArray[np.float64]
    allowed: NDArray[np.bool_]
    index: NDArray[np.intp]

    @property
    def lower_ma(self) -> NDArray[np.float64]:
        """Lower ends of the cells, shape (k + 1,)."""
        return np.concatenate(([0.0], self.edges_ma))

    @property
    def upper_ma(self) -> NDArray[np.float64]:
        """Upper ends of the cells, shape (k + 1,); the last is infinite."""
        return np.append(self.edges_ma, np.inf)

    @property
    def count(self) -> NDArray[np.float64]:
        """How many ramps are like each distinct one, shape (m,)."""
        return np.bincount(self.index, minlength=self.allowed.shape[0]).astype(float)

    def likelihood(self, errors: JudgementErrors) -> CellLikelihood:
        """Probability of every distinct ramp in every cell.

        Raises
        ------
        UsageError
            When judgements at some current are no better than chance, or when judgements that are never wrong
            contradict each other or the reference.
        """
        errors.require_information(self.edges_ma)
        found = self.likelihood_of(errors.sensitivity, errors.false_claim_probability(self.edges_ma))
        if found.log_scale.min() < IMPOSSIBLE:
            wrong = int(self.count[found.log_scale < IMPOSSIBLE].sum())
            raise UsageError(
                f"{wrong} ramps contradict themselves or the reference, which cannot happen if sensitivity or "
                "specificity is 1 (judgements are then never wrong in that way)."
            )
        return found

    def likelihood_of(self, sensitivity: float, false_claim: NDArray[np.float64]) -> CellLikelihood:
        """Probability of every distinct ramp in every cell, without any check.

        Parameters
        ----------
        sensitivity : float
            Probability of "captured" at a setting that captures.
        false_claim : ndarray, shape (k,)
            Probability of "captured" at each tested current when it does not capture.
        """
        hit, miss = _log(sensitivity), _log(1 - sensitivity)
        alarm, quiet = _logs(false_claim), _logs(1 - false_claim)
        known = (
            self.captured_claimed.sum(axis=1) * hit
            + self.captured_refused.sum(axis=1) * miss
            + self.absent_claimed @ alarm
            + self.absent_refused @ quiet
        )
        # from the last cell (nothing captured) downwards, one current after the other turns into a captured one
        none_captured = known + self.claimed @ alarm + self.refused @ quiet
        gain = self.claimed * (hit - alarm) + self.refused * (miss - quiet)
        turned = np.cumsum(gain[:, ::-1], axis=1)[:, ::-1]
        log = none_captured[:, None] + np.column_stack((turned, np.zeros(turned.shape[0])))
        log = np.where(self.allowed, log, -np.inf)
        scale = log.max(axis=1)
        return CellLikelihood(np.exp(log - scale[:, None]), scale)

    def expected_judgements(
        self, posterior: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Expected judgements of each kind at each current, given where thresholds probably lie.

        Parameters
        ----------
        posterior : ndarray, shape (m, k + 1)
            Probability of every cell for every distinct ramp.

        Returns
        -------
        captured_claimed, captured_refused, absent_claimed, absent_refused : ndarray, shape (m, k)
        """
        captured = np.cumsum(posterior[:, :-1], axis=1)
        return (
            self.captured_claimed + self.claimed * captured,
            self.captured_refused + self.refused * captured,
            self.absent_claimed + self.claimed * (1 - captured),
            self.absent_refused + self.refused * (1 - captured),
        )


def _log(p: float) -> float:
    return float(np.log(p)) if p > 0 else LOG_ZERO


def _logs(p: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where(p > 0, np.log(np.where(p > 0, p, 1.0)), LOG_ZERO)


def tabulate_ramps(ramps: JudgedRamps) -> JudgementTable:
    """Group ramps with the same judgements and the same reference.

    On a device's grid there are few, so that what is estimated from the table costs the same whatever the number of
    ramps.
    """
    known = np.concatenate((ramps.lower_ma[ramps.lower_ma > 0], ramps.upper_ma[np.isfinite(ramps.upper_ma)]))
    edges = np.unique(np.concatenate((ramps.current_ma, known)))
    k, n = edges.size, len(ramps)
    at = np.searchsorted(edges, ramps.current_ma)
    # one number for a judgement: the order within a ramp does not matter for its probability
    kind = 3 * ramps.claimed.astype(np.int64) + ramps.truth.astype(np.int64) + 1
    code = 6 * at + kind
    order = np.lexsort((code, ramps.ramp))
    code, row = code[order], ramps.ramp[order]
    ends = np.searchsorted(row, np.arange(n + 1))
    first = np.searchsorted(edges, ramps.lower_ma, side="right") * (ramps.lower_ma > 0)
    last = np.where(np.isinf(ramps.upper_ma), k, np.searchsorted(edges, ramps.upper_ma))
    keys = [
        (int(low), int(high), code[a:b].tobytes())
        for low, high, (a, b) in zip(first, last, itertools.pairwise(ends), strict=True)
    ]
    index, _ = pd.factorize(pd.Series(keys, dtype=object))
    _, example = np.unique(index, return_index=True)
    m = example.size
    table = np.zeros((6, m, k))
    wanted = np.zeros(n, dtype=bool)
    wanted[example] = True
    used = wanted[row]
    np.add.at(table, (code[used] % 6, index[row[used]], code[used] // 6), 1.0)
    cell = np.arange(k + 1)
    allowed = (first[example][:, None] <= cell) & (cell <= last[example][:, None])
    return JudgementTable(
        edges, table[3], table[0], table[5], table[2], table[4], table[1], allowed,
        np.asarray(index, dtype=np.intp),
    )  # fmt: skip
