"""Two thresholds of one patient, each known to lie in an interval: exact likelihood of a random patient effect.

``log T_j = x_j'b + u + e_j`` with ``u ~ N(0, su^2)`` and ``e_j ~ N(0, s_j^2)``.  The patient effect integrated out, the
two log thresholds are bivariate normal with covariance ``su^2``, and a patient contributes the probability of a
rectangle: no quadrature over the patient effect is needed.  Patients with equal records are counted, and records of
many studies are evaluated together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.distributions.families import CellTerms
from capstat.distributions.likelihood import with_never_captured
from capstat.numerics.binormal import log_rectangles

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["PairRecords", "tabulate_pairs"]

# A threshold known more closely than this share of itself (no ramp does that) enters as an interval of that width: the
# derivatives of much smaller rectangles drown in rounding.
NARROWEST = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class PairRecords:
    """Distinct records of patients in one or several studies, sorted by study and pattern.

    Attributes
    ----------
    log_lower, log_upper : ndarray, shape (m, 2)
        Logarithms of the bounds with the first and with the second placement; an absent attempt is open on both sides.
    count : ndarray, shape (m,)
        Patients with each record.
    pattern, study : ndarray of int, shape (m,)
        Which of ``designs`` and which study (0 to S - 1) a record belongs to.
    designs : ndarray, shape (k, 2, p)
        Covariates of both attempts.
    """

    log_lower: NDArray[np.float64]
    log_upper: NDArray[np.float64]
    count: NDArray[np.float64]
    pattern: NDArray[np.intp]
    study: NDArray[np.intp]
    designs: NDArray[np.float64]

    @property
    def n_studies(self) -> int:
        """Number of studies."""
        return int(self.study[-1]) + 1

    def terms(
        self, points: NDArray[np.float64], which: NDArray[np.intp], *, separate: bool, mixture: bool
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Log-likelihood of studies with gradient and Hessian.

        Parameters
        ----------
        points : ndarray, shape (k, q)
            Coefficients, log standard deviation (two, for the first and second placement, when ``separate``), atanh of
            the correlation, and with ``mixture`` the logit of the share of patients that can be captured.
        which : ndarray of int, shape (k,)
            Studies, increasing.
        separate, mixture : bool
            Which model.

        Returns
        -------
        values (k,), gradients (k, q), Hessians (k, q, q)
        """
        rows = self._rows_of(which)
        at = np.searchsorted(which, self.study[rows])
        pattern = self.pattern[rows]
        p = self.designs.shape[2]
        own = points[at]
        location = np.einsum("rjp,rp->rj", self.designs[pattern], own[:, :p])
        second = p + 1 if separate else p
        cell = np.column_stack((location[:, 0], own[:, p], location[:, 1], own[:, second], own[:, second + 1]))
        found = log_rectangles(self.log_lower[rows], self.log_upper[rows], cell)
        terms = CellTerms(found.value, found.gradient, found.hessian)
        if mixture:
            open_above = np.asarray(np.isinf(self.log_upper[rows]).all(axis=1))
            with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
                terms = with_never_captured(terms, open_above, own[:, -1])
        return self._summed(terms, rows, at, pattern, points.shape, separate=separate, mixture=mixture)

    def _rows_of(self, which: NDArray[np.intp]) -> NDArray[np.intp]:
        if which.size == self.n_studies:
            return np.arange(self.study.size)
        wanted = np.zeros(self.n_studies, dtype=bool)
        wanted[which] = True
        return np.flatnonzero(wanted[self.study])

    def _summed(
        self, terms: CellTerms, rows: NDArray[np.intp], at: NDArray[np.intp], pattern: NDArray[np.intp],
        shape: tuple[int, ...], *, separate: bool, mixture: bool,
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:  # fmt: skip
        """Sum over records with the same design first: only then do derivatives pass through the design."""
        count = self.count[rows]
        code = at * len(self.designs) + pattern
        starts = np.flatnonzero(np.concatenate(([True], code[1:] != code[:-1])))
        with np.errstate(invalid="ignore"):
            slope = np.add.reduceat(count[:, None] * terms.gradient, starts)
            bend = np.add.reduceat(count[:, None, None] * terms.hessian, starts)
            value = np.bincount(at, weights=count * terms.value, minlength=shape[0]).astype(np.float64)
        jacobian = self._jacobians(separate=separate, mixture=mixture)[pattern[starts]]
        by_study = np.flatnonzero(np.concatenate(([True], np.diff(at[starts]) > 0)))
        gradient = np.add.reduceat(np.matmul(slope[:, None, :], jacobian)[:, 0], by_study)
        hessian = np.add.reduceat(np.matmul(jacobian.transpose(0, 2, 1), np.matmul(bend, jacobian)), by_study)
        return value, gradient, hessian

    def _jacobians(self, *, separate: bool, mixture: bool) -> NDArray[np.float64]:
        """From (mean, log sd) of both attempts, atanh of the correlation and logit to the parameters."""
        k, _, p = self.designs.shape
        second = p + 1 if separate else p
        jacobian = np.zeros((k, 5 + mixture, second + 2 + mixture))
        jacobian[:, 0, :p], jacobian[:, 2, :p] = self.designs[:, 0], self.designs[:, 1]
        jacobian[:, 1, p] = jacobian[:, 3, second] = jacobian[:, 4, second + 1] = 1.0
        if mixture:
            jacobian[:, 5, second + 2] = 1.0
        return jacobian


def tabulate_pairs(
    lower_ma: NDArray[np.float64],
    upper_ma: NDArray[np.float64],
    designs: NDArray[np.float64],
    study: NDArray[np.intp] | None = None,
) -> PairRecords:
    """Count patients with equal records.

    Parameters
    ----------
    lower_ma, upper_ma : ndarray, shape (n, 2)
        Bounds in mA of each patient with the first and with the second placement; 0 and infinity mark open sides, an
        absent attempt has both.
    designs : ndarray, shape (n, 2, p)
        Covariates of both attempts, zero for an absent one.
    study : ndarray of int, shape (n,), optional
        Study of each patient, 0 to S - 1, all of which occur; one study when omitted.
    """
    n = lower_ma.shape[0]
    code = np.zeros(n, dtype=np.intp) if study is None else np.asarray(study, dtype=np.intp)
    pattern = np.zeros(n, dtype=np.intp)
    # column by column with hashing: rows sorted whole cost far more
    for column in designs.reshape(n, -1).T:
        codes, values = pd.factorize(column, sort=True)
        pattern = np.asarray(pd.factorize(pattern * values.size + codes, sort=True)[0], dtype=np.intp)
    key = code * (int(pattern.max()) + 1) + pattern
    for column in np.column_stack((lower_ma, upper_ma)).T:
        codes, values = pd.factorize(column, sort=True)
        key = np.asarray(pd.factorize(key * values.size + codes, sort=True)[0], dtype=np.intp)
    size = int(key.max()) + 1
    first = np.empty(size, dtype=np.intp)
    first[key[::-1]] = np.arange(n - 1, -1, -1)
    first_of_pattern = np.empty(int(pattern.max()) + 1, dtype=np.intp)
    first_of_pattern[pattern[::-1]] = np.arange(n - 1, -1, -1)
    low, high = lower_ma[first], upper_ma[first]
    with np.errstate(divide="ignore", invalid="ignore"):
        log_lower, log_upper = np.log(low), np.log(high)
        middle = (log_lower + log_upper) / 2
        narrow = log_upper - log_lower < NARROWEST
    log_lower = np.where(narrow, middle - NARROWEST / 2, log_lower)
    log_upper = np.where(narrow, middle + NARROWEST / 2, log_upper)
    return PairRecords(
        log_lower, log_upper, np.bincount(key, minlength=size).astype(float), pattern[first], code[first],
        designs[first_of_pattern],
    )  # fmt: skip
