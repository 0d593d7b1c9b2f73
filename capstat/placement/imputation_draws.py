"""Draws of missing covariates given the others, the placement, and what was seen of the threshold."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import statsmodels.api as sm
from scipy import special

from capstat.distributions.covariates import Kind, read_column
from capstat.distributions.families import LOGNORMAL, NORMAL, log_difference
from capstat.distributions.regression import fit_regression
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = ["Completed", "Draws", "Incomplete", "incomplete_covariates"]

# Proposals from the covariate's own regression for each missing value, one from each of as many equally probable
# strata; one is kept with probability proportional to the probability of the threshold interval.  Plain rejection would
# be exact, but it keeps only the few per cent of proposals that a narrow interval allows.
PROPOSALS = 60
FEWEST_RECORDED = 10


@dataclass(frozen=True, slots=True, eq=False)
class Incomplete:
    """One column of the model, possibly with missing values.

    ``entries`` (n,) are numbers, or 0 and 1; ``missing`` (n,) tells which were not recorded; ``number`` is false for
    0/1; ``logarithm`` tells whether a number is imputed on the log scale.
    """

    name: str
    entries: NDArray[np.float64]
    missing: NDArray[np.bool_]
    number: bool
    logarithm: bool


@dataclass(frozen=True, slots=True, eq=False)
class Completed:
    """All columns with missing values filled in."""

    filled: Mapping[str, NDArray[np.float64]]

    def shifted(self, name: str, which: NDArray[np.bool_], size: float) -> Completed:
        """Return the same with some values of one column moved."""
        moved = np.where(which, self.filled[name] + size, self.filled[name])
        return replace(self, filled={**self.filled, name: moved})


def incomplete_covariates(
    table: pd.DataFrame, names: Sequence[str]
) -> tuple[NDArray[np.bool_], tuple[Incomplete, ...]]:
    """Columns of the covariates, and which attempts can be used.

    A column of more than two levels enters by one 0/1 column for each level but the first and is not imputed; attempts
    without it cannot be used.

    Raises
    ------
    NotEstimableError
        When a covariate is recorded in fewer than 10 attempts or does not vary.
    """
    keep = np.ones(len(table), dtype=bool)
    found: list[Incomplete] = []
    for name in names:
        kind, column = read_column(table[name], name)
        absent = column.isna().to_numpy()
        known = column[~absent]
        if len(known) < FEWEST_RECORDED or known.nunique() < 2:
            raise NotEstimableError(
                f"'{name}' is recorded in too few attempts, or does not vary, so it is not imputed."
            )
        if kind is Kind.LEVELS:
            levels = sorted(map(str, known.unique()))
            if len(levels) > 2:
                keep &= ~absent
            text = column.astype(object).map(str, na_action="ignore")
            for level in levels[1:]:
                values = np.asarray(text == level, dtype=np.float64)
                found.append(Incomplete(f"{name}: {level}", values, absent, number=False, logarithm=False))
        else:
            values = np.asarray(column.to_numpy(dtype=float, na_value=np.nan), dtype=np.float64)
            number = kind is Kind.LINE
            found.append(Incomplete(name, values, absent, number, number and bool((known > 0).all())))
    return keep, tuple(found)


class Draws:
    """Chained draws of all incomplete columns."""

    def __init__(
        self, used: CensoredThresholds, is_first: NDArray[np.float64], incomplete: tuple[Incomplete, ...],
        rng: np.random.Generator,
    ) -> None:  # fmt: skip
        self.used, self.is_first, self.incomplete, self.rng = used, is_first, incomplete, rng
        with np.errstate(divide="ignore"):
            self.log_lower, self.log_upper = np.log(used.lower_ma), np.log(used.upper_ma)
        self.exact = used.lower_ma == used.upper_ma

    def columns(self, one: Completed) -> NDArray[np.float64]:
        """Columns of the outcome model, shape (n, k), centred."""
        stacked = np.column_stack([one.filled[c.name] for c in self.incomplete])
        return np.asarray(stacked - stacked.mean(axis=0))

    def completed(self, imputations: int, cycles: int) -> list[Completed]:
        """Independent chains, each started from recorded values drawn at random."""
        return [self._chain(cycles) for _ in range(imputations)]

    def _chain(self, cycles: int) -> Completed:
        values = {}
        for c in self.incomplete:
            filled = c.entries.copy()
            filled[c.missing] = self.rng.choice(c.entries[~c.missing], int(c.missing.sum()))
            values[c.name] = filled
        for _ in range(cycles):
            for c in self.incomplete:
                if c.missing.any():
                    values[c.name] = self._redraw(c, values)
        return Completed(values)

    def _redraw(self, c: Incomplete, values: dict[str, NDArray[np.float64]]) -> NDArray[np.float64]:
        """New values of one column given all others."""
        coefficients, sigma = self._outcome_draw(values)
        others = [values[o.name] for o in self.incomplete if o is not c]
        own = 2 + [o.name for o in self.incomplete].index(c.name)
        predictors = np.column_stack((np.ones(len(self.used)), self.is_first, *others))
        rows = np.flatnonzero(c.missing)
        proposals = (
            self._number(c, values[c.name], predictors, rows) if c.number else np.tile([0.0, 1.0], (rows.size, 1))
        )
        design = np.column_stack(
            (np.ones(rows.size), self.is_first[rows], *(values[o.name][rows] for o in self.incomplete))
        )
        rest = design @ coefficients - design[:, own] * coefficients[own]
        location = rest[:, None] + coefficients[own] * proposals
        low, high = (bound[rows, None] - location for bound in (self.log_lower, self.log_upper))
        weight = np.empty(location.shape)
        exact = self.exact[rows]
        # a threshold that is known exactly has a density, not a probability
        weight[exact] = NORMAL.log_pdf(high[exact] / sigma)
        with np.errstate(invalid="ignore", divide="ignore"):
            weight[~exact] = log_difference(NORMAL, low[~exact] / sigma, high[~exact] / sigma)
        if not c.number:
            weight = weight + self._binary(values[c.name], predictors, rows)
        weight = np.exp(weight - weight.max(axis=1, keepdims=True))
        cumulative = np.cumsum(weight, axis=1)
        pick = (cumulative < self.rng.random((rows.size, 1)) * cumulative[:, -1:]).sum(axis=1)
        filled = values[c.name].copy()
        filled[rows] = proposals[np.arange(rows.size), pick]
        return filled

    def _outcome_draw(self, values: dict[str, NDArray[np.float64]]) -> tuple[NDArray[np.float64], float]:
        """Coefficients and scale of the threshold model, drawn about their estimates."""
        design = np.column_stack((np.ones(len(self.used)), self.is_first, *(values[c.name] for c in self.incomplete)))
        names = tuple(f"c{j}" for j in range(design.shape[1]))
        fit = fit_regression(self.used, design, names, family=LOGNORMAL)
        drawn = self.rng.multivariate_normal(fit.parameters, fit.covariance, method="cholesky")
        return drawn[: fit.coefficients.size], float(np.exp(drawn[fit.coefficients.size]))

    def _number(
        self, c: Incomplete, current: NDArray[np.float64], predictors: NDArray[np.float64], rows: NDArray[np.intp]
    ) -> NDArray[np.float64]:
        """Proposals from the normal regression of a number on the other columns, parameters drawn first."""
        y = np.log(current) if c.logarithm else current
        coefficients, *_ = np.linalg.lstsq(predictors, y, rcond=None)
        residual = y - predictors @ coefficients
        df = y.size - predictors.shape[1]
        sigma = float(np.sqrt(residual @ residual / self.rng.chisquare(df)))
        spread = np.linalg.inv(predictors.T @ predictors) * sigma**2
        drawn = self.rng.multivariate_normal(coefficients, spread, method="cholesky")
        centre = predictors[rows] @ drawn
        strata = (np.arange(PROPOSALS) + self.rng.uniform(size=(rows.size, PROPOSALS))) / PROPOSALS
        found = centre[:, None] + sigma * special.ndtri(np.maximum(strata, np.finfo(float).tiny))
        return np.asarray(np.exp(found) if c.logarithm else found)

    def _binary(
        self, current: NDArray[np.float64], predictors: NDArray[np.float64], rows: NDArray[np.intp]
    ) -> NDArray[np.float64]:
        """Log probabilities of 0 and 1 from a logistic regression, parameters drawn first, shape (rows, 2)."""
        # half an attempt with each value at the mean keeps the estimate finite where a column is separated
        centre = predictors.mean(axis=0)
        x = np.vstack((predictors, centre, centre))
        y = np.append(current, [0.0, 1.0])
        weights = np.append(np.ones(current.size), [0.5, 0.5])
        fit = sm.GLM(y, x, family=sm.families.Binomial(), freq_weights=weights).fit()
        drawn = self.rng.multivariate_normal(fit.params, fit.cov_params(), method="eigh")
        logit = predictors[rows] @ drawn
        return np.column_stack((special.log_expit(-logit), special.log_expit(logit)))
