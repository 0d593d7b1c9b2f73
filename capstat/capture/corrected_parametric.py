"""Parametric threshold distributions from misjudged ramps, for one group or several."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import special

from capstat.capture.estimated_errors import (
    NEVER,
    ErrorModel,
    errors_of,
    estimate_errors,
    judgement_rates,
    judgement_scores,
)
from capstat.capture.judged_ramps import join_ramps
from capstat.capture.judgement_table import tabulate_ramps
from capstat.distributions import fit_parametric
from capstat.distributions.likelihood import IntervalData, row_scores, row_terms
from capstat.distributions.parametric import ParametricFit
from capstat.distributions.regression import ThresholdRegression
from capstat.numerics.maximise import NoMaximumError, Optimum, maximise_newton
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.capture.judged_ramps import JudgedRamps
    from capstat.capture.judgement_errors import JudgementErrors
    from capstat.capture.judgement_table import JudgementTable
    from capstat.distributions import Family

__all__ = ["CorrectedFit", "fit_corrected", "fit_corrected_groups"]

# step of the numerical second derivatives, of first derivatives that are exact
STEP = 1e-4
# logit of the capturable share at which the search for it begins
FIRST_NEVER = 3.0
# logit (about one in a hundred) at which the search for an error that was not seen begins
UNSEEN_START = -4.5


@dataclass(frozen=True, slots=True, eq=False)
class CorrectedFit:
    """A family fitted to misjudged ramps.

    Attributes
    ----------
    regression : ThresholdRegression
        Thresholds; its covariance carries the uncertainty of errors that were estimated.
    errors : tuple of JudgementErrors
        Of every group; equal where they were estimated.
    log_likelihood : float
        Of the judgements (not comparable to that of thresholds as claimed).
    """

    regression: ThresholdRegression
    errors: tuple[JudgementErrors, ...]
    log_likelihood: float

    @property
    def fit(self) -> ParametricFit:
        """The distribution of a single group."""
        return ParametricFit(self.regression)


@dataclass(frozen=True, slots=True, eq=False)
class _Group:
    """Ramps of one group with the cells of its own grid as rows of the threshold model."""

    table: JudgementTable
    cells: IntervalData


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    """Everything that the likelihood depends on.

    ``logits`` holds the three error logits of every group, shape (g, 3); those that are ``free`` are common to all
    groups and end the vector of parameters.  To an error that the reference never saw (``unseen``) half a wrong and
    half a right judgement are added, as on average in the bootstrap: taken as impossible it would lend its certainty
    to the thresholds.
    """

    family: Family
    groups: tuple[_Group, ...]
    logits: NDArray[np.float64]
    free: NDArray[np.bool_]
    unseen: NDArray[np.bool_]

    def split(self, x: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Parameters of the thresholds, and the error logits of every group."""
        count = int(self.free.sum())
        logits = self.logits.copy()
        logits[:, self.free] = x[x.size - count :]
        return x[: x.size - count], logits

    def scores(self, x: NDArray[np.float64]) -> tuple[float, list[NDArray[np.float64]]]:
        """Log-likelihood, and the scores of every distinct ramp in each group, shape (m, parameters)."""
        beta, logits = self.split(x)
        value, found = 0.0, []
        for group, row in zip(self.groups, logits, strict=True):
            miss, false_claim = judgement_rates(row, group.table.edges_ma)
            likelihood = group.table.likelihood_of(1 - miss, false_claim)
            with np.errstate(over="ignore", invalid="ignore", divide="ignore", under="ignore"):
                probability = np.exp(row_terms(self.family, group.cells, beta).value)
                joint = likelihood.matrix * probability
                mixed = joint.sum(axis=1)
                if not np.all(np.isfinite(mixed) & (mixed > 0)):
                    return -np.inf, []
                value += float(group.table.count @ (np.log(mixed) + likelihood.log_scale))
                posterior = joint / mixed[:, None]
                by_cell = np.where(probability[:, None] > 0, row_scores(self.family, group.cells, beta), 0.0)
            of_errors = judgement_scores(group.table, posterior, miss, false_claim)[:, self.free]
            found.append(np.column_stack((posterior @ by_cell, of_errors)))
        return value, found

    def gradient(self, x: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        """Log-likelihood and its gradient."""
        value, scores = self.scores(x)
        if not scores:
            return value, np.zeros(x.size)
        slope = np.array(sum(group.table.count @ part for group, part in zip(self.groups, scores, strict=True)))
        count = int(self.free.sum())
        if self.unseen.any():
            z = self.split(x)[1][0]
            value += 0.5 * float((special.log_expit(z) + special.log_expit(-z))[self.unseen].sum())
            slope[x.size - count :] += np.where(self.unseen, 0.5 - special.expit(z), 0.0)[self.free]
        return value, slope

    def gain_of_never(self, x: NDArray[np.float64]) -> float:
        """Slope of the log-likelihood in a share that is never captured, at a share of none.

        The likelihood is concave in the share with all else as it is: not positive, and none is the best share there.
        """
        beta, logits = self.split(x)
        gain = 0.0
        for group, row in zip(self.groups, logits, strict=True):
            miss, false_claim = judgement_rates(row, group.table.edges_ma)
            matrix = group.table.likelihood_of(1 - miss, false_claim).matrix
            with np.errstate(over="ignore", invalid="ignore", divide="ignore", under="ignore"):
                mixed = matrix @ np.exp(row_terms(self.family, group.cells, beta).value)
            gain += float(group.table.count @ (matrix[:, -1] / mixed - 1))
        return gain

    def terms(self, x: NDArray[np.float64]) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
        """Log-likelihood, gradient, and Hessian by central differences of the gradient."""
        value, slope = self.gradient(x)
        steps = STEP * np.eye(x.size)
        bend = np.array([(self.gradient(x + step)[1] - self.gradient(x - step)[1]) / (2 * STEP) for step in steps])
        return value, slope, (bend + bend.T) / 2


def _cells_of(table: JudgementTable, design: NDArray[np.float64], *, never_captured: bool) -> IntervalData:
    cells = table.lower_ma.size
    return IntervalData(
        table.lower_ma, table.upper_ma, np.tile(design, (cells, 1)), np.ones(cells),
        np.ones((cells, 1)) if never_captured else None,
    )  # fmt: skip


def _sandwich(
    problem: _Problem, x: NDArray[np.float64], bread: NDArray[np.float64], ramps: Sequence[JudgedRamps]
) -> NDArray[np.float64]:
    """Covariance clustered by patient (Liang & Zeger 1986), as without errors of judgement."""
    _, scores = problem.scores(x)
    rows = np.concatenate([part[g.table.index] for g, part in zip(problem.groups, scores, strict=True)])
    codes, labels = pd.factorize(np.concatenate([part.patient for part in ramps]))
    summed = np.zeros((len(labels), rows.shape[1]))
    np.add.at(summed, codes, rows)
    return np.asarray(bread @ (summed.T @ summed) @ bread * len(labels) / max(len(labels) - 1, 1))


def _groups(
    tables: Sequence[JudgementTable], design: NDArray[np.float64], *, never_captured: bool
) -> tuple[_Group, ...]:
    return tuple(
        _Group(table, _cells_of(table, row, never_captured=never_captured))
        for table, row in zip(tables, design, strict=True)
    )


def _maximise(problem: _Problem, start: NDArray[np.float64]) -> Optimum:
    try:
        # a fit that settles does so in fewer than twenty steps
        return maximise_newton(problem.terms, start, max_iterations=60)
    except NoMaximumError as error:
        raise NotEstimableError(
            f"The {problem.family.name} model of misjudged ramps has no finite estimate: {error}"
        ) from error


def _start(ramps: Sequence[JudgedRamps], design: NDArray[np.float64], family: Family) -> NDArray[np.float64]:
    """Thresholds as claimed: the same location for all groups."""
    claimed = [part.as_claimed() for part in ramps]
    pooled = CensoredThresholds.from_bounds(
        np.concatenate([part.lower_ma for part in claimed]), np.concatenate([part.upper_ma for part in claimed])
    )
    fit = fit_parametric(pooled, family=family)
    intercept = np.linalg.lstsq(design, np.full(design.shape[0], fit.mu), rcond=None)[0]
    return np.concatenate((intercept, fit.model.ancillary))


def fit_corrected_groups(
    ramps: Sequence[JudgedRamps],
    design: NDArray[np.float64],
    names: tuple[str, ...],
    *,
    family: Family,
    errors: Sequence[JudgementErrors] | ErrorModel,
    never_captured: bool = False,
) -> CorrectedFit:
    """Fit ``log T = x'b + r`` to the misjudged ramps of several groups.

    Parameters
    ----------
    ramps : sequence of JudgedRamps
        One for each group, subsets of the same ramps (patient codes are compared).
    design : ndarray, shape (g, p)
        Covariates of each group, intercept included.
    names : tuple of str
        Names of the columns.
    family : Family
        Distribution of ``r``.
    errors : sequence of JudgementErrors, or ErrorModel
        Given for each group; or to be estimated together, the same in all groups.
    never_captured : bool
        Whether a share, the same in all groups, is never captured.

    Returns
    -------
    CorrectedFit
        Standard errors from the observed information of the joint likelihood; clustered by patient when patients have
        several ramps.

    Raises
    ------
    NotEstimableError
        When the likelihood has no maximum, or an error cannot be estimated.
    UsageError
        When given errors leave nothing to be learned.
    """
    tables = [tabulate_ramps(part) for part in ramps]
    if isinstance(errors, ErrorModel):
        logits, free, unseen = _estimated_start(ramps, errors)
        rows = np.tile(logits, (len(tables), 1))
    else:
        for table, given in zip(tables, errors, strict=True):
            table.likelihood(given)
        rows, free = np.array([_logits_of(given) for given in errors]), np.zeros(3, dtype=bool)
        unseen = free
    everybody = _Problem(family, _groups(tables, design, never_captured=False), rows, free, unseen)
    start = np.concatenate((_start(ramps, design, family), rows[0, free]))
    problem, best = everybody, _maximise(everybody, start)
    if never_captured:
        if everybody.gain_of_never(best.x) <= 0:
            raise NotEstimableError(f"The {family.name} model of misjudged ramps has no share that is never captured.")
        problem = _Problem(family, _groups(tables, design, never_captured=True), rows, free, unseen)
        best = _maximise(problem, np.insert(best.x, best.x.size - int(free.sum()), FIRST_NEVER))
    covariance = np.asarray(np.linalg.inv(-best.hessian), dtype=np.float64)
    method = "observed information, misjudged ramps"
    n, patients = sum(map(len, ramps)), np.unique(np.concatenate([part.patient for part in ramps])).size
    if patients < n:
        covariance, method = (
            _sandwich(problem, best.x, covariance, ramps),
            "sandwich clustered by patient, misjudged ramps",
        )
    beta, logits = problem.split(best.x)
    p, k = design.shape[1], design.shape[1] + len(family.ancillary_names)
    regression = ThresholdRegression(
        family, names, beta[:p], beta[p:k], ("(intercept)",) if never_captured else (), beta[k:],
        covariance[: beta.size, : beta.size], method, best.value, n, int(patients), _claimed_patients(ramps),
    )  # fmt: skip
    return CorrectedFit(regression, tuple(errors_of(row) for row in logits), best.value)


def fit_corrected(
    ramps: JudgedRamps, *, family: Family, errors: JudgementErrors | ErrorModel, never_captured: bool = False
) -> CorrectedFit:
    """Fit a family to the misjudged ramps of one group; see :func:`fit_corrected_groups`."""
    given = errors if isinstance(errors, ErrorModel) else (errors,)
    return fit_corrected_groups(
        [ramps], np.ones((1, 1)), ("(intercept)",), family=family, errors=given, never_captured=never_captured
    )


def _claimed_patients(ramps: Sequence[JudgedRamps]) -> int:
    return int(np.unique(np.concatenate([part.patient[part.ramp[part.claimed]] for part in ramps])).size)


def _logits_of(errors: JudgementErrors) -> NDArray[np.float64]:
    with np.errstate(divide="ignore"):
        rates = special.logit(np.array([1 - errors.sensitivity, 1 - errors.specificity]))
    return np.append(np.maximum(rates, NEVER), np.log(errors.odds_ratio_per_10_ma))


def _estimated_start(
    ramps: Sequence[JudgedRamps], model: ErrorModel
) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
    """Errors of the nonparametric fit to all groups, which of them are estimated, and which need an added judgement."""
    profile, joint = estimate_errors(tabulate_ramps(join_ramps(ramps)), model)
    unseen = profile.free & np.append(joint.logits[:2] <= NEVER, False)
    free = profile.free.copy()
    # without any false capture there is nothing that could change with the current
    free[2] &= not unseen[1]
    return np.where(unseen, UNSEEN_START, joint.logits), free, unseen
