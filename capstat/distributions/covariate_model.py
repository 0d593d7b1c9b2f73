"""Accelerated threshold model on the covariates of a study: ratios of thresholds and tests, term by term."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import linalg, stats

from capstat.distributions.covariates import Covariates, Kind, complete_cases, covariate_table
from capstat.distributions.design_matrix import Design, Term, make_design
from capstat.distributions.regression import ThresholdRegression, fit_regression
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.distributions.families import Family
    from capstat.thresholds import CensoredThresholds

__all__ = ["CovariateModel", "TermTest", "fit_covariate_model"]

CENTILES = (0.25, 0.75)


@dataclass(frozen=True, slots=True)
class TermTest:
    """Test that some coefficients, or combinations of them, are all zero.

    Attributes
    ----------
    name : str
        Covariate.
    hypothesis : str
        What was tested, in words.
    statistic : float
        Wald statistic over its degrees of freedom.
    df, df_error : int
        Degrees of freedom of the F distribution.
    p_value : float or None
        ``None`` when there are no more patients with capture than coefficients.
    """

    name: str
    hypothesis: str
    statistic: float
    df: int
    df_error: int
    p_value: float | None


@dataclass(frozen=True, slots=True, eq=False)
class CovariateModel:
    """A fitted model with the attempts it rests on.

    Attributes
    ----------
    regression : ThresholdRegression
        The fit.
    design : Design
        Model matrix of the threshold.
    capturable_design : Design or None
        Model matrix of the share that can be captured; ``None`` when everybody is taken to be capturable.
    thresholds : CensoredThresholds
        Attempts with all covariates.
    n_complete, n_total : int
        Attempts with all covariates, and all attempts.
    missing : tuple of (str, int)
        For each covariate, attempts in which it is missing.
    """

    regression: ThresholdRegression
    design: Design
    capturable_design: Design | None
    thresholds: CensoredThresholds
    n_complete: int
    n_total: int
    missing: tuple[tuple[str, int], ...]

    def ratios(self, level: float = 0.95) -> tuple[Estimate, ...]:
        """Ratios of capture thresholds with Wald t intervals on the log scale.

        Per unit of a number, yes relative to no, each level relative to the reference, and for a spline its 75th
        centile (over attempts) relative to its 25th.
        """
        return tuple(
            estimate
            for term in self.design.terms
            for estimate in self._effects(term, self.design, 0, level, "ratio of capture thresholds", "ratio")
        )

    def capturable_odds_ratios(self, level: float = 0.95) -> tuple[Estimate, ...]:
        """Odds ratios of being capturable at all, as in :meth:`ratios`; empty without a share never captured."""
        design = self.capturable_design
        if design is None:
            return ()
        offset = self.regression.coefficients.size + self.regression.ancillary.size
        return tuple(
            estimate
            for term in design.terms
            for estimate in self._effects(term, design, offset, level, "odds ratio of being capturable", "odds ratio")
        )

    def tests(self) -> tuple[TermTest, ...]:
        """Wald tests of every term of the threshold, and of every spline against a straight line.

        The statistic is scaled and referred to F so that, like the intervals, it is exact for the uncensored normal
        model.
        """
        found = []
        for term in self.design.terms:
            size = term.columns.stop - term.columns.start
            found.append(self._wald(term, np.eye(size), "no effect"))
            if term.kind is Kind.SPLINE:
                line = self._straight_line(term)
                found.append(self._wald(term, linalg.null_space(line[None, :]).T, "a straight line"))
        return tuple(found)

    def _wald(self, term: Term, contrasts: NDArray[np.float64], hypothesis: str) -> TermTest:
        fit = self.regression
        value = contrasts @ fit.coefficients[term.columns]
        covariance = contrasts @ fit.covariance[term.columns, term.columns] @ contrasts.T
        df, n, p = value.size, fit.n_captured, fit.coefficients.size
        # the factor removes the downward bias of the maximum-likelihood variance, as in wald_multiplier
        statistic = float(value @ np.linalg.solve(covariance, value)) / df * max(n - p, 0) / n
        p_value = float(stats.f.sf(statistic, df, n - p)) if n > p else None
        return TermTest(term.name, hypothesis, statistic, df, max(n - p, 0), p_value)

    def _effects(
        self, term: Term, design: Design, offset: int, level: float, what: str, unit: str
    ) -> tuple[Estimate, ...]:
        contrasts = []
        if term.kind is Kind.SPLINE:
            low, high = np.quantile(covariate_table(self.thresholds)[term.name].to_numpy(dtype=float), CENTILES)
            rows = self._spline_rows(term, design, np.array([low, high]))
            label = f"{term.name}: 75th centile relative to 25th"
            contrasts.append((rows[1] - rows[0], label, f"{high:g} relative to {low:g}"))
        else:
            for j, row in enumerate(np.eye(term.columns.stop - term.columns.start)):
                contrasts.append((row, *_wording(term, j)))
        start = offset + term.columns.start
        estimates = []
        for row, label, direction in contrasts:
            contrast = np.zeros(self.regression.parameters.size)
            contrast[start : start + row.size] = row
            estimates.append(
                self.regression.exponentiated(
                    contrast, level=level, quantity=f"{what}, {label}", unit=unit, direction=direction
                )
            )
        return tuple(estimates)

    def _spline_rows(self, term: Term, design: Design, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Columns of a spline at some values of its covariate."""
        anybody = covariate_table(self.thresholds).iloc[[0] * values.size]
        return design.matrix(anybody.assign(**{term.name: values}))[:, term.columns]

    def _straight_line(self, term: Term) -> NDArray[np.float64]:
        """Coefficients with which a spline is a straight line: the direction that is no departure from one."""
        values = covariate_table(self.thresholds)[term.name].to_numpy(dtype=float)
        at = np.linspace(values.min(), values.max(), 2 * (term.columns.stop - term.columns.start) + 2)
        basis = np.column_stack((np.ones(at.size), self._spline_rows(term, self.design, at)))
        line, *_ = np.linalg.lstsq(basis, (at - at[0]) / (at[-1] - at[0]), rcond=None)
        return np.asarray(line[1:])


def _wording(term: Term, j: int) -> tuple[str, str]:
    if term.kind is Kind.LEVELS:
        direction = f"{term.levels[j + 1]} relative to {term.levels[0]}"
        return f"{term.name}: {direction}", direction
    if term.kind is Kind.YES_NO:
        return f"{term.name}: yes relative to no", "yes relative to no"
    return f"per unit of {term.name}", "higher relative to lower"


def fit_covariate_model(
    thresholds: CensoredThresholds,
    covariates: Covariates,
    *,
    family: Family,
    never_captured: Covariates | None = None,
) -> CovariateModel:
    """Fit ``log T = x'b + r`` to the attempts that have all covariates.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Outcomes and their covariates.
    covariates : Covariates
        Of the threshold.
    family : Family
        Distribution of ``r``.
    never_captured : Covariates, optional
        Of the share that can be captured (Farewell 1982, from memory); ``Covariates(())`` for the same share in
        everybody.  Everybody can be captured when omitted.

    Returns
    -------
    CovariateModel
        Complete cases only: unbiased when being incomplete does not depend on the threshold given the covariates.

    Raises
    ------
    UsageError
        When a covariate does not exist, comes after the placement, or does not fit what was asked of it.
    NotEstimableError
        When no attempt has all covariates, one of them does not vary, or the likelihood has no maximum.
    """
    names = dict.fromkeys((*covariates.names, *(never_captured.names if never_captured else ())))
    complete, missing = complete_cases(thresholds, names)
    if not complete.any():
        raise NotEstimableError(f"No attempt has all of {', '.join(names)}." if names else "There are no attempts.")
    used = thresholds.subset(complete)
    table = covariate_table(used)
    design = make_design(used, covariates)
    share = None if never_captured is None else make_design(used, never_captured)
    regression = fit_regression(
        used, design.matrix(table), design.names, family=family,
        capturable=None if share is None else share.matrix(table),
        capturable_names=() if share is None else share.names,
    )  # fmt: skip
    return CovariateModel(regression, design, share, used, len(used), len(thresholds), missing)
