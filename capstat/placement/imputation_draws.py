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

__all__ = ["Completed", "Draws", "Incomplete", "check_recorded", "cycles_needed", "incomplete_covariates"]

# Proposals for each missing number, one from each of as many equally wide strata of its own regression's residual, to
# this many standard deviations; one is kept with probability proportional to its density times the probability of the
# threshold interval.  Equally wide, not equally probable: where a covariate determines the threshold closely, an
# outlying threshold needs proposals far out.  Plain rejection would be exact, but keeps a few per cent of proposals.
PROPOSALS = 100
REACH = 6.0
FEWEST_RECORDED = 10
# of the attempts with either placement: with less, chains forget their start too slowly
LEAST_SHARE_RECORDED = 0.1
FEWEST_CYCLES = 10
# a chain forgets at least the recorded share in a cycle; what may be left of where it started
LEFT_OF_START = 0.02


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


def check_recorded(incomplete: Sequence[Incomplete], placements: Mapping[str, NDArray[np.bool_]]) -> None:
    """Refuse to impute what is recorded for hardly anybody with one of the placements.

    Raises
    ------
    NotEstimableError
        When nothing is missing, or a covariate is recorded in less than a tenth of the attempts with a placement.
    """
    if not any(c.missing.any() for c in incomplete):
        raise NotEstimableError("Only covariates of more than two levels are missing, and these are not imputed.")
    for c in incomplete:
        for name, own in placements.items():
            recorded, count = int((~c.missing[own]).sum()), int(own.sum())
            if recorded <= LEAST_SHARE_RECORDED * count:
                raise NotEstimableError(
                    f"'{c.name}' is recorded in {recorded} of {count} attempts with {name} placement, too few to "
                    "impute the others."
                )


def cycles_needed(incomplete: Sequence[Incomplete], groups: Sequence[NDArray[np.bool_]]) -> int:
    """Cycles after which at most 2 % are left of where a chain started: the more is missing, the more cycles."""
    share = max(float(c.missing[own].mean()) for c in incomplete for own in groups)
    return max(FEWEST_CYCLES, int(np.ceil(np.log(LEFT_OF_START) / np.log(share))) if share > 0 else 0)


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

    @property
    def names(self) -> tuple[str, ...]:
        """Columns of the outcome model."""
        return ("intercept", "placement", *(c.name for c in self.incomplete))

    def columns(self, one: Completed) -> NDArray[np.float64]:
        """Columns of the outcome model, shape (n, k), centred."""
        stacked = np.column_stack([one.filled[c.name] for c in self.incomplete])
        return np.asarray(stacked - stacked.mean(axis=0))

    def completed(self, imputations: int, cycles: int) -> list[Completed]:
        """Independent chains, each started from recorded values with the same placement drawn at random."""
        return [self._chain(cycles) for _ in range(imputations)]

    def _chain(self, cycles: int) -> Completed:
        values = {}
        for c in self.incomplete:
            filled = c.entries.copy()
            for own in (self.is_first == 0, self.is_first == 1):
                absent, recorded = own & c.missing, c.entries[own & ~c.missing]
                filled[absent] = self.rng.choice(recorded, int(absent.sum()))
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
        if c.number:
            proposals, weight = self._number(c, values[c.name], predictors, rows)
        else:
            proposals, weight = np.tile([0.0, 1.0], (rows.size, 1)), self._binary(values[c.name], predictors, rows)
        design = np.column_stack(
            (np.ones(rows.size), self.is_first[rows], *(values[o.name][rows] for o in self.incomplete))
        )
        rest = design @ coefficients - design[:, own] * coefficients[own]
        weight = weight + self._seen(rows, rest[:, None] + coefficients[own] * proposals, sigma)
        weight = np.exp(weight - weight.max(axis=1, keepdims=True))
        cumulative = np.cumsum(weight, axis=1)
        pick = (cumulative < self.rng.random((rows.size, 1)) * cumulative[:, -1:]).sum(axis=1)
        filled = values[c.name].copy()
        filled[rows] = proposals[np.arange(rows.size), pick]
        return filled

    def _seen(self, rows: NDArray[np.intp], location: NDArray[np.float64], sigma: float) -> NDArray[np.float64]:
        """Log probability of what was seen of the thresholds at these locations, shape (rows, k)."""
        low, high = (bound[rows, None] - location for bound in (self.log_lower, self.log_upper))
        found = np.empty(location.shape)
        exact = self.exact[rows]
        # a threshold that is known exactly has a density, not a probability
        found[exact] = NORMAL.log_pdf(high[exact] / sigma)
        with np.errstate(invalid="ignore", divide="ignore"):
            found[~exact] = log_difference(NORMAL, low[~exact] / sigma, high[~exact] / sigma)
        return found

    def _outcome_draw(self, values: dict[str, NDArray[np.float64]]) -> tuple[NDArray[np.float64], float]:
        """Coefficients and scale of the threshold model, drawn about their estimates."""
        design = np.column_stack((np.ones(len(self.used)), self.is_first, *(values[c.name] for c in self.incomplete)))
        fit = fit_regression(self.used, design, self.names, family=LOGNORMAL)
        drawn = self.rng.multivariate_normal(fit.parameters, fit.covariance, method="cholesky")
        return drawn[: fit.coefficients.size], float(np.exp(drawn[fit.coefficients.size]))

    def _number(
        self, c: Incomplete, current: NDArray[np.float64], predictors: NDArray[np.float64], rows: NDArray[np.intp]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Proposals for a number and their log density up to a constant, each (rows, k).

        From the normal regression on the other columns, parameters drawn first.
        """
        y = np.log(current) if c.logarithm else current
        coefficients, *_ = np.linalg.lstsq(predictors, y, rcond=None)
        residual = y - predictors @ coefficients
        df = y.size - predictors.shape[1]
        sigma = float(np.sqrt(residual @ residual / self.rng.chisquare(df)))
        spread = np.linalg.inv(predictors.T @ predictors) * sigma**2
        drawn = self.rng.multivariate_normal(coefficients, spread, method="cholesky")
        centre = predictors[rows] @ drawn
        strata = (np.arange(PROPOSALS) + self.rng.uniform(size=(rows.size, PROPOSALS))) / PROPOSALS
        z = REACH * (2 * strata - 1)
        found = centre[:, None] + sigma * z
        return (np.exp(found) if c.logarithm else found), -(z**2) / 2

    def _binary(
        self, current: NDArray[np.float64], predictors: NDArray[np.float64], rows: NDArray[np.intp]
    ) -> NDArray[np.float64]:
        """Log probabilities of 0 and 1 from a logistic regression, parameters drawn first, shape (rows, 2)."""
        centre, spread = predictors[:, 1:].mean(axis=0), predictors[:, 1:].std(axis=0)
        z = np.column_stack((predictors[:, :1], (predictors[:, 1:] - centre) / spread))
        # a few attempts of either kind, one standard deviation to either side in each column, keep the estimate and
        # its spread sensible where a column separates yes from no (White, Daniel & Royston 2010, from memory)
        k = centre.size
        sides = np.column_stack((np.ones(2 * k), np.vstack((np.eye(k), -np.eye(k)))))
        x = np.vstack((z, sides, sides))
        y = np.concatenate((current, np.zeros(2 * k), np.ones(2 * k)))
        weights = np.append(np.ones(current.size), np.full(4 * k, (k + 1) / (4 * k)))
        fit = sm.GLM(y, x, family=sm.families.Binomial(), freq_weights=weights).fit()
        drawn = self.rng.multivariate_normal(fit.params, fit.cov_params(), method="eigh")
        logit = z[rows] @ drawn
        return np.column_stack((special.log_expit(-logit), special.log_expit(logit)))
