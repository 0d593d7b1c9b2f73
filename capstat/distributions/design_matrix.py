"""Model matrix of a regression: straight lines, yes/no, levels against a reference, natural cubic splines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import formulaic
import numpy as np
import pandas as pd

from capstat.distributions.covariates import Covariates, Kind, Spline, check_name, covariate_table, read_column
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = ["Design", "Term", "design_of_table", "make_design"]


@dataclass(frozen=True, slots=True)
class Term:
    """One covariate in a model matrix.

    Attributes
    ----------
    name : str
        Covariate.
    kind : Kind
        How it enters.
    levels : tuple of str
        Its levels, the reference first; empty unless it has levels.
    spline : Spline or None
        With all knots filled in.
    columns : slice
        Its columns of the matrix.
    """

    name: str
    kind: Kind
    levels: tuple[str, ...]
    spline: Spline | None
    columns: slice


@dataclass(frozen=True, slots=True, eq=False)
class Design:
    """How to make a model matrix, with the state (levels, knots, centring) of the attempts it was made from.

    Attributes
    ----------
    terms : tuple of Term
        Covariates in the order asked for; the intercept is column 0 of the matrix.
    names : tuple of str
        Names of the columns.
    spec : formulaic.ModelSpec
        The recipe.
    """

    terms: tuple[Term, ...]
    names: tuple[str, ...]
    spec: Any

    def term(self, name: str) -> Term:
        """Return the term of a covariate.

        Raises
        ------
        UsageError
            When the model does not contain it.
        """
        for term in self.terms:
            if term.name == name:
                return term
        have = ", ".join(term.name for term in self.terms) or "none"
        raise UsageError(f"The model has no covariate '{name}'; it has: {have}.")

    def matrix(self, table: pd.DataFrame) -> NDArray[np.float64]:
        """Model matrix of any attempts, also of a single one.

        Parameters
        ----------
        table : DataFrame, n rows
            With a column for each covariate, none of them missing.

        Returns
        -------
        ndarray, shape (n, p)

        Raises
        ------
        UsageError
            When a column or a value is missing, or a level did not occur in the attempts of the model.
        """
        frame = pd.DataFrame(index=range(len(table)))
        for place, term in enumerate(self.terms):
            if term.name not in table:
                raise UsageError(f"The table has no column '{term.name}', which the model needs.")
            frame[f"x{place}"] = _coded(table[term.name], term.name, term.kind, term.levels)
        return np.asarray(self.spec.get_model_matrix(frame, context={}), dtype=np.float64)


def make_design(thresholds: CensoredThresholds, covariates: Covariates) -> Design:
    """Set up the model matrix.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts with all covariates; see :func:`complete_cases`.
    covariates : Covariates
        What enters, and how.

    Raises
    ------
    UsageError
        When a covariate does not exist, comes after the placement, or does not fit what was asked of it.
    NotEstimableError
        When a covariate has a single level, or too few distinct values for its spline.
    """
    return design_of_table(covariate_table(thresholds), covariates)


def design_of_table(table: pd.DataFrame, covariates: Covariates) -> Design:
    """Set up the model matrix of a table with one row for each attempt or patient; otherwise as `make_design`.

    Parameters
    ----------
    table : DataFrame, n rows
        With a column for each covariate, none of them missing.
    covariates : Covariates
        What enters, and how.

    Raises
    ------
    UsageError
        When a covariate does not exist, comes after the placement, or does not fit what was asked of it.
    NotEstimableError
        When a covariate has a single level, or too few distinct values for its spline.
    """
    _check_request(table, covariates)
    splines = {spline.name: spline for spline in covariates.splines}
    reference = dict(covariates.reference)
    frame = pd.DataFrame(index=range(len(table)))
    parts, described = ["1"], []
    for place, name in enumerate(covariates.names):
        # columns go by number, so that no text of the user's ever becomes part of a formula
        variable = f"x{place}"
        kind, values = read_column(table[name], name)
        levels: tuple[str, ...] = ()
        spline = None
        formula = variable
        if kind is Kind.LEVELS:
            levels = _levels(values, name, reference.get(name))
        elif name in reference:
            raise UsageError(f"'{name}' is a {kind.value} and has no reference level.")
        if name in splines:
            if kind is not Kind.LINE:
                raise UsageError(f"'{name}' is not a number, so it cannot enter as a spline.")
            kind = Kind.SPLINE
            spline, formula = _with_knots(splines[name], values.to_numpy(dtype=float), variable)
        frame[variable] = _coded(table[name], name, kind, levels)
        parts.append(formula)
        described.append((name, kind, levels, spline))
    matrix = formulaic.model_matrix(" + ".join(parts), frame, context={}, na_action="raise")
    return _described(described, matrix.model_spec)


def _described(described: list[tuple[str, Kind, tuple[str, ...], Spline | None]], spec: Any) -> Design:
    """Give the columns of a matrix names that can be read."""
    terms, names = [], ["intercept"]
    for (name, kind, levels, spline), structure in zip(described, spec.structure[1:], strict=True):
        first, count = len(names), len(structure.columns)
        if kind is Kind.LEVELS:
            names += [f"{name}: {level}" for level in levels[1:]]
        elif kind is Kind.SPLINE:
            names += [f"{name}: spline column {j + 1}" for j in range(count)]
        else:
            names.append(name)
        terms.append(Term(name, kind, levels, spline, slice(first, first + count)))
    return Design(tuple(terms), tuple(names), spec)


def _check_request(table: pd.DataFrame, covariates: Covariates) -> None:
    for name in covariates.names:
        check_name(table, name)
        if covariates.names.count(name) > 1:
            raise UsageError(f"The covariate '{name}' is named twice.")
    for name in [spline.name for spline in covariates.splines] + [name for name, _ in covariates.reference]:
        if name not in covariates.names:
            raise UsageError(f"'{name}' is given a spline or a reference level but is not among the covariates.")


def _coded(column: pd.Series[Any], name: str, kind: Kind, levels: tuple[str, ...]) -> Any:
    """Column of the frame that a formula is evaluated on.

    The kind was settled by the attempts of the model: a single new row may not show it.
    """
    values = column.reset_index(drop=True)
    if kind is Kind.LEVELS:
        text = values.astype(object).map(str, na_action="ignore")
        unknown = sorted(set(text.dropna()) - set(levels))
        if unknown:
            raise UsageError(f"'{name}' has no level '{unknown[0]}' in this model; it has: {', '.join(levels)}.")
        coded: Any = pd.Categorical(text, categories=list(levels))
    elif kind is Kind.YES_NO:
        coded = values.astype(object).map({True: 1.0, False: 0.0, "yes": 1.0, "no": 0.0}).to_numpy(dtype=float)
    else:
        coded = pd.to_numeric(values, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    absent = np.flatnonzero(pd.isna(coded))
    if absent.size:
        raise UsageError(f"'{name}' is missing, or not of the kind the model has seen, in row {absent[0] + 1}.")
    return coded


def _levels(values: pd.Series[Any], name: str, reference: str | None) -> tuple[str, ...]:
    counts = values.value_counts()
    found = sorted(map(str, counts.index))
    if reference is None:
        reference = min(found, key=lambda level: (-counts[level], level))
    if reference not in found:
        raise UsageError(f"'{name}' has no level '{reference}' to compare with; it has: {', '.join(found)}.")
    if len(found) == 1:
        raise NotEstimableError(f"'{name}' is '{reference}' in all of these attempts.")
    return (reference, *(level for level in found if level != reference))


def _with_knots(spline: Spline, values: NDArray[np.float64], variable: str) -> tuple[Spline, str]:
    """Fill in the knots that were left to the data, as R's ``ns`` does, and write the formula."""
    low, high = spline.boundary or (float(values.min()), float(values.max()))
    knots = spline.knots
    if not knots:
        if spline.df < 2:
            raise UsageError(f"A spline of '{spline.name}' needs 2 columns or more, not {spline.df}.")
        knots = tuple(map(float, np.quantile(values, np.arange(1, spline.df) / spline.df)))
    if not (np.diff((low, *knots, high)) > 0).all():
        if spline.knots:
            raise UsageError(f"The knots of '{spline.name}' do not increase inside its boundary {low:g} to {high:g}.")
        raise NotEstimableError(
            f"'{spline.name}' has too few distinct values in these attempts for a spline of {spline.df} columns."
        )
    # centring makes room for the intercept: without it the columns add up to one
    formula = (
        f"cr({variable}, knots={[float(knot) for knot in knots]}, lower_bound={float(low)}, "
        f"upper_bound={float(high)}, constraints='center')"
    )
    return Spline(spline.name, len(knots) + 1, knots, (low, high)), formula
