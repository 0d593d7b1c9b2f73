"""For whom: whether the ratio of thresholds differs between kinds of patients, with no subgroup without its test.

One accelerated threshold model for each modifier, with placement, modifier, their product, and what is adjusted for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats
from statsmodels.stats.multitest import multipletests

from capstat.distributions.covariates import Covariates, Kind, complete_cases, covariate_table, read_column
from capstat.distributions.design_matrix import make_design
from capstat.distributions.families import LOGNORMAL
from capstat.distributions.regression import fit_regression
from capstat.results import Curve, Estimate, NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.distributions.regression import ThresholdRegression
    from capstat.thresholds import CensoredThresholds

__all__ = ["ModifierAnalysis", "SubgroupForest", "SubgroupRow", "modifier_analysis", "subgroup_forest"]

# cut points of subgroups of a number: clinically usual for body mass index (common practice, no source), else tertiles
USUAL_CUTS = {"body_mass_index": (25.0, 30.0)}
FEWEST_CAPTURED = 5
CENTILES = (0.05, 0.95)
CURVE_POINTS = 41
METHOD = "lognormal accelerated threshold model with a product of placement and modifier; Wald t interval"


@dataclass(frozen=True, slots=True)
class SubgroupRow:
    """One subgroup.

    Attributes
    ----------
    modifier, level : str
        The subgroup.
    n_first, n_minus : int
        Patients with the first and with the second placement.
    n_captured_first, n_captured_minus : int
        Of them captured.
    ratio : Estimate
        Ratio of thresholds, first relative to second placement, from one model for all subgroups of the modifier;
        without a value where fewer than 5 patients of a placement were captured.
    interaction_p : float
        p-value of the modifier's test, the same for all its subgroups.
    """

    modifier: str
    level: str
    n_first: int
    n_minus: int
    n_captured_first: int
    n_captured_minus: int
    ratio: Estimate
    interaction_p: float


@dataclass(frozen=True, slots=True, eq=False)
class ModifierAnalysis:
    """Whether the ratio of thresholds depends on one modifier.

    Attributes
    ----------
    modifier : str
        Its name.
    statistic : float
        Wald statistic of the products over its degrees of freedom.
    df, df_error : int
        Degrees of freedom of the F distribution.
    p_value : float
        Test that the ratio is the same for all.
    p_holm : float
        The same, allowing for all modifiers that were looked at (Holm 1979, from memory).
    bend_p : float or None
        For a number, test that the log ratio changes along a straight line (a squared term in both placements).
    curve : Curve or None
        For a number, the ratio over its central 90 %; limits for one value at a time.
    rows : tuple of SubgroupRow
        Subgroups.
    n_complete, n_total : int
        Attempts with everything in the model, and all attempts.
    """

    modifier: str
    statistic: float
    df: int
    df_error: int
    p_value: float
    p_holm: float
    bend_p: float | None
    curve: Curve | None
    rows: tuple[SubgroupRow, ...]
    n_complete: int
    n_total: int


@dataclass(frozen=True, slots=True, eq=False)
class SubgroupForest:
    """All modifiers that were looked at.

    Attributes
    ----------
    modifiers : tuple of ModifierAnalysis
        In the order asked for.
    reasons : tuple of (str, str)
        Modifiers without a test, and why; they have no subgroups either.
    """

    modifiers: tuple[ModifierAnalysis, ...]
    reasons: tuple[tuple[str, str], ...]

    @property
    def rows(self) -> tuple[SubgroupRow, ...]:
        """Subgroups of all modifiers."""
        return tuple(row for modifier in self.modifiers for row in modifier.rows)


@dataclass(frozen=True, slots=True, eq=False)
class _Model:
    """A fit with products: ``own`` (k,) and ``product`` (k,) are the columns of the modifier and its products."""

    fit: ThresholdRegression
    columns: NDArray[np.float64]
    product: NDArray[np.intp]


def _fit(
    used: CensoredThresholds, first: str, columns: NDArray[np.float64], other: NDArray[np.float64]
) -> _Model:  # fmt: skip
    """Fit intercept, placement, modifier columns, other columns and the products of placement and modifier."""
    is_first = (used.placement == first).astype(float)[:, None]
    design = np.column_stack((np.ones(len(used)), is_first, columns, other, is_first * columns))
    names = tuple(f"column {j}" for j in range(design.shape[1]))
    fit = fit_regression(used, design, names, family=LOGNORMAL)
    return _Model(fit, columns, np.arange(design.shape[1] - columns.shape[1], design.shape[1]))


def _wald(model: _Model, which: NDArray[np.intp]) -> tuple[float, int, int, float]:
    """Statistic over its degrees of freedom, both degrees of freedom, p-value: F with the patients captured."""
    fit = model.fit
    df, df_error = which.size, fit.n_captured - fit.coefficients.size
    if df_error <= 0:
        raise NotEstimableError("there are no more captured patients than coefficients in the model")
    block = fit.covariance[np.ix_(which, which)] * fit.n_captured / df_error
    value = fit.coefficients[which]
    statistic = float(value @ np.linalg.solve(block, value)) / df
    return statistic, df, df_error, float(stats.f.sf(statistic, df, df_error))


def _ratio(
    model: _Model, at: NDArray[np.float64], level: float, quantity: str, direction: str, n: int
) -> Estimate:  # fmt: skip
    """Ratio of thresholds for patients with these values of the modifier's columns."""
    contrast = np.zeros(model.fit.parameters.size)
    contrast[1] = 1.0
    contrast[model.product] = at
    found = model.fit.exponentiated(contrast, level=level, quantity=quantity, unit="ratio", direction=direction)
    return replace(found, n=n, method=METHOD)


def _complete(
    thresholds: CensoredThresholds, first: str, minus: str, modifier: str, adjust_for: Sequence[str]
) -> tuple[CensoredThresholds, int]:
    pair = thresholds.subset(np.isin(thresholds.placement, (first, minus)))
    complete, _ = complete_cases(pair, (modifier, *adjust_for))
    used = pair.subset(complete)
    for name in (first, minus):
        if name not in used.placements:
            raise NotEstimableError(f"no attempt with {name} placement has {modifier} and what is adjusted for")
    return used, len(pair)


def _others(used: CensoredThresholds, adjust_for: Sequence[str]) -> NDArray[np.float64]:
    design = make_design(used, Covariates(tuple(adjust_for)))
    return design.matrix(covariate_table(used))[:, 1:]


def _groups(values: pd.Series[float], modifier: str) -> pd.Series[str]:
    """Subgroups of a number."""
    cuts = USUAL_CUTS.get(modifier) or tuple(float(v) for v in np.quantile(values, (1 / 3, 2 / 3)))
    low, high = cuts
    words = np.select(
        [values < low, values < high], [f"below {low:.4g}", f"{low:.4g} to below {high:.4g}"], f"{high:.4g} or more"
    )
    order = [f"below {low:.4g}", f"{low:.4g} to below {high:.4g}", f"{high:.4g} or more"]
    return pd.Series(pd.Categorical(words, [name for name in order if name in set(words)], ordered=True))


def _dummies(groups: pd.Series[str]) -> NDArray[np.float64]:
    """Columns of the levels after the first."""
    return np.column_stack([(groups == name).to_numpy(dtype=float) for name in groups.cat.categories[1:]])


def _subgroups(
    used: CensoredThresholds, first: str, minus: str, modifier: str, groups: pd.Series[str],
    other: NDArray[np.float64], p_value: float, level: float,
) -> tuple[SubgroupRow, ...]:  # fmt: skip
    columns = _dummies(groups)
    direction = f"{first} relative to {minus}"
    model: _Model | None = None
    reason = ""
    try:
        model = _fit(used, first, columns, other)
    except NotEstimableError as error:
        reason = str(error)
    rows = []
    for k, name in enumerate(groups.cat.categories):
        inside = (groups == name).to_numpy()
        counts = []
        for placement in (first, minus):
            own = used.subset(inside & (used.placement == placement))
            counts.append((own.n_patients, own.subset(np.isfinite(own.upper_ma)).n_patients))
        quantity = f"ratio of capture thresholds, {modifier}: {name}"
        at = np.zeros(columns.shape[1])
        if k:
            at[k - 1] = 1.0
        n = counts[0][0] + counts[1][0]
        few = min(captured for _, captured in counts) < FEWEST_CAPTURED
        if few or model is None:
            why = f"fewer than {FEWEST_CAPTURED} captured patients with one of the placements" if few else reason
            ratio = Estimate(
                quantity, None, None, None, level, "ratio", "log", n, METHOD, direction, reason=why
            )  # fmt: skip
        else:
            ratio = _ratio(model, at, level, quantity, direction, n)
        rows.append(
            SubgroupRow(modifier, str(name), counts[0][0], counts[1][0], counts[0][1], counts[1][1], ratio, p_value)
        )
    return tuple(rows)


def _curve(model: _Model, values: NDArray[np.float64], centre: float, modifier: str, level: float) -> Curve:
    x = np.linspace(*np.quantile(values, CENTILES), CURVE_POINTS)
    found = [_ratio(model, np.array([v - centre]), level, "", "", model.fit.n_patients) for v in x]
    value = np.array([e.value for e in found], dtype=float)
    low, high = (np.array([getattr(e, side) for e in found], dtype=float) for side in ("lower", "upper"))
    return Curve(f"ratio of capture thresholds against {modifier}", x, value, value, low, high, level, METHOD)


def _bend(used: CensoredThresholds, first: str, z: NDArray[np.float64], other: NDArray[np.float64]) -> float | None:
    """Test of the product of placement and the squared modifier."""
    try:
        model = _fit(used, first, np.column_stack((z, z**2 - (z**2).mean())), other)
        return _wald(model, model.product[1:])[3]
    except NotEstimableError:
        return None


def modifier_analysis(
    thresholds: CensoredThresholds,
    first: str,
    minus: str,
    modifier: str,
    *,
    adjust_for: Sequence[str] = (),
    level: float = 0.95,
) -> ModifierAnalysis:
    """Test whether the ratio of thresholds depends on a modifier, and give it by subgroup.

    Parameters
    ----------
    thresholds : CensoredThresholds
        One attempt for each patient, normally (else errors are clustered); other placements are ignored.
    first, minus : str
        Ratios are ``first / minus``.
    modifier : str
        Number, yes/no or text column that is settled before the pads are placed.
    adjust_for : sequence of str
        Covariates of the model; the modifier itself may be among them.
    level : float
        Confidence level.

    Raises
    ------
    NotEstimableError
        When the test of interaction has no answer; then there are no subgroups either.
    UsageError
        When the modifier does not exist, is the placement, or is settled only with or after it.
    """
    if modifier == "placement":
        raise UsageError("The placement cannot modify itself.")
    rest = [name for name in adjust_for if name != modifier]
    used, n_total = _complete(thresholds, first, minus, modifier, rest)
    kind, values = read_column(covariate_table(used)[modifier], modifier)
    other = _others(used, rest)
    bend, curve = None, None
    if kind is Kind.LINE:
        number = values.astype(float)
        if number.nunique() < 3:
            raise NotEstimableError(f"{modifier} has too few distinct values")
        centre = float(number.mean())
        z = number.to_numpy() - centre
        model = _fit(used, first, z[:, None], other)
        statistic, df, df_error, p_value = _wald(model, model.product)
        curve = _curve(model, number.to_numpy(), centre, modifier, level)
        bend = _bend(used, first, z, other)
        groups = _groups(number, modifier)
    else:
        words = values.map({1.0: "yes", 0.0: "no"}) if kind is Kind.YES_NO else values.astype(str)
        groups = pd.Series(pd.Categorical(words, sorted(set(words))))
        if len(groups.cat.categories) < 2:
            raise NotEstimableError(f"{modifier} is the same in all attempts")
        model = _fit(used, first, _dummies(groups), other)
        statistic, df, df_error, p_value = _wald(model, model.product)
    rows = _subgroups(used, first, minus, modifier, groups, other, p_value, level)
    return ModifierAnalysis(
        modifier, statistic, df, df_error, p_value, p_value, bend, curve, rows, len(used), n_total
    )  # fmt: skip


def subgroup_forest(
    thresholds: CensoredThresholds,
    first: str,
    minus: str,
    modifiers: Sequence[str],
    *,
    adjust_for: Sequence[str] = (),
    level: float = 0.95,
) -> SubgroupForest:
    """Look at several modifiers; p-values of interaction also with Holm's correction for their number.

    Parameters and errors as in :func:`modifier_analysis`; a modifier without a test is listed with its reason.
    """
    found, reasons = [], []
    for name in dict.fromkeys(modifiers):
        try:
            found.append(modifier_analysis(thresholds, first, minus, name, adjust_for=adjust_for, level=level))
        except NotEstimableError as error:
            reasons.append((name, str(error)))
    if found:
        adjusted = multipletests([one.p_value for one in found], method="holm")[1]
        found = [replace(one, p_holm=float(p)) for one, p in zip(found, adjusted, strict=True)]
    return SubgroupForest(tuple(found), tuple(reasons))
