"""Firth's penalised logistic regression: finite estimates and limits although columns separate the outcomes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special, stats

from capstat.numerics.firth_search import PenalisedLikelihood, held_at, maximise, profile_limit
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["FirthFit", "firth_logistic"]

METHOD = (
    "Firth's penalised logistic regression (Firth 1993, Heinze & Schemper 2002; both from memory), limits from the "
    "profile penalised likelihood, penalised likelihood-ratio p-values"
)


@dataclass(frozen=True, slots=True, eq=False)
class FirthFit:
    """A fitted regression; all arrays follow the columns of the design.

    Attributes
    ----------
    names : tuple of str
        Columns.
    coefficients : ndarray, shape (p,)
        Log odds ratios for one unit of each column.
    covariance : ndarray, shape (p, p)
        Inverse of the information at the estimate.
    lower, upper : ndarray, shape (p,)
        Profile limits of the coefficients.
    p_value : ndarray, shape (p,)
        Penalised likelihood-ratio test of each coefficient against 0.
    penalised_log_likelihood : float
        At the estimate: the log-likelihood plus half the log determinant of the information.
    log_likelihood : float
        Without the penalty.
    level : float
        Confidence level.
    n : float
        Observations, weights counted.
    method : str
        How.
    """

    names: tuple[str, ...]
    coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64]
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    p_value: NDArray[np.float64]
    penalised_log_likelihood: float
    log_likelihood: float
    level: float
    n: float
    method: str


def firth_logistic(
    design: NDArray[np.float64],
    outcome: NDArray[np.float64],
    names: Sequence[str],
    *,
    weight: NDArray[np.float64] | None = None,
    level: float = 0.95,
) -> FirthFit:
    """Maximise the likelihood times the root of the determinant of the information (Jeffreys' prior).

    For tests and limits one coefficient is held and the others are maximised out; the determinant stays that of all
    columns, as in the authors' software.  A test and its limits therefore agree.

    Parameters
    ----------
    design : ndarray, shape (n, p)
        With a column of ones where an intercept is wanted.
    outcome : ndarray, shape (n,)
        1 or 0.
    names : sequence of str
        Of the columns.
    weight : ndarray, shape (n,), optional
        How many observations a row stands for; 1 when not given.
    level : float
        Confidence level.

    Raises
    ------
    UsageError
        When the outcome is not 0 or 1, a weight is negative, or the shapes do not fit.
    NotEstimableError
        When a column follows from those before it, or there are no rows.
    """
    design = np.asarray(design, dtype=float)
    outcome = np.asarray(outcome, dtype=float)
    counts = np.ones(outcome.size) if weight is None else np.asarray(weight, dtype=float)
    _check(design, outcome, counts, names)
    used = counts > 0
    design, outcome, counts = design[used], outcome[used], counts[used]
    check_columns(design, names)
    # the penalised likelihood is the same, but for a constant, in whatever unit a column is
    scale = np.abs(design).max(axis=0)
    model = PenalisedLikelihood(design / scale, outcome, counts)
    columns = np.arange(design.shape[1])
    best = maximise(model, np.zeros(columns.size), columns)
    covariance = np.linalg.inv(best.information)
    errors = np.sqrt(np.diag(covariance))
    drop = float(stats.chi2.ppf(level, 1))
    at_null = [held_at(model, best, int(j), 0.0) for j in columns]
    change = np.array([max(2 * (best.value - null.value), 0.0) for null in at_null])
    lower, upper = (
        np.array([profile_limit(model, best, int(j), sign * errors[j], drop) for j in columns]) for sign in (-1.0, 1.0)
    )
    linear = model.design @ best.beta
    plain = float(counts @ (outcome * linear - np.logaddexp(0, linear)))
    return FirthFit(
        names=tuple(names),
        coefficients=best.beta / scale,
        covariance=covariance / np.outer(scale, scale),
        lower=lower / scale,
        upper=upper / scale,
        p_value=np.asarray(special.chdtrc(1, change)),
        penalised_log_likelihood=best.value + float(np.log(scale).sum()),
        log_likelihood=plain,
        level=level,
        n=float(counts.sum()),
        method=METHOD,
    )


def _check(
    design: NDArray[np.float64], outcome: NDArray[np.float64], counts: NDArray[np.float64], names: Sequence[str]
) -> None:
    if design.ndim != 2 or design.shape != (outcome.size, len(names)) or counts.shape != outcome.shape:
        raise UsageError("The design needs a row for each outcome and weight, and a column for each name.")
    if not np.isin(outcome, (0.0, 1.0)).all():
        raise UsageError("The outcome must be 0 or 1 in every row.")
    if not (np.isfinite(counts).all() and (counts >= 0).all()):
        raise UsageError("Weights must be finite and not negative.")
    if not np.isfinite(design).all():
        raise UsageError("The design holds a missing or infinite value.")
    if not counts.any():
        raise NotEstimableError("A regression needs observations; there are none.")


def check_columns(design: NDArray[np.float64], names: Sequence[str]) -> None:
    """Refuse a column that follows from those before it.

    Raises
    ------
    NotEstimableError
        Naming the column.
    """
    largest = np.abs(design).max(axis=0)
    for j, name in enumerate(names):
        kept = design[:, : j + 1] / np.where(largest > 0, largest, 1.0)[: j + 1]
        if np.linalg.matrix_rank(kept) <= j:
            raise NotEstimableError(
                f"The column '{name}' follows from the other columns in these data, so it has no coefficient."
            )
