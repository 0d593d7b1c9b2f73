"""Placements in different patients: ratio of thresholds from a censored regression on the current axis."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.covariates import (
    Covariates,
    Kind,
    check_confounder,
    complete_cases,
    covariate_table,
)
from capstat.distributions.design_matrix import make_design
from capstat.distributions.families import LOGNORMAL, TWO_PARAMETER_FAMILIES
from capstat.distributions.regression import (
    ThresholdRegression,
    captured_patients,
    fit_regression,
    profile_coefficient,
)
from capstat.numerics.maximise import NoMaximumError
from capstat.numerics.small_sample import drop_in_log_likelihood
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.distributions.families import Family
    from capstat.thresholds import CensoredThresholds

__all__ = ["BODY_SIZE_COLUMNS", "UnpairedRatio", "body_size_column", "unit_step", "unpaired_ratio"]

BODY_SIZE_COLUMNS = ("body_mass_index", "weight_kg", "chest_circumference_cm")
# share of attempts that need the measurement before it is used
ENOUGH_RECORDED = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class UnpairedRatio:
    """Ratio of thresholds between patients.

    Attributes
    ----------
    ratio : Estimate
        Adjusted for the covariates in ``adjusted_for`` (complete cases); the unadjusted ratio when there are
        none.
    unadjusted : Estimate
        From all attempts.
    difference_at_median : Estimate
        Difference of medians in mA at the average covariates, from the same model as ``ratio``.
    by_family : tuple of (str, float, Estimate)
        Model, AIC and ratio: how much the answer depends on the family, and on a share never captured.
    covariate_ratios : tuple of Estimate
        Ratio of thresholds for each covariate.
    adjusted_for : tuple of str
        Covariates in the model.
    n_complete, n_total : int
        Attempts with all covariates, and all attempts.
    """

    ratio: Estimate
    unadjusted: Estimate
    difference_at_median: Estimate
    by_family: tuple[tuple[str, float, Estimate], ...]
    covariate_ratios: tuple[Estimate, ...]
    adjusted_for: tuple[str, ...]
    n_complete: int
    n_total: int


def body_size_column(thresholds: CensoredThresholds) -> str | None:
    """The first measure of body size that most attempts have, or ``None``."""
    for name in BODY_SIZE_COLUMNS:
        if name in thresholds.covariates:
            values = thresholds.covariates[name].to_numpy(dtype=float)
            if np.isfinite(values).mean() >= ENOUGH_RECORDED and np.nanstd(values) > 0:
                return name
    return None


def unit_step(name: str) -> tuple[float, str]:
    """Step for which a covariate's ratio is quoted: one unit of BMI or one kilogram says little."""
    steps = {
        "body_mass_index": (5.0, "5 kg/m² of body mass index"),
        "weight_kg": (10.0, "10 kg of body weight"),
        "chest_circumference_cm": (10.0, "10 cm of chest circumference"),
        "age_years": (10.0, "10 years of age"),
    }
    return steps.get(name, (1.0, name.replace("_", " ")))


def _infinite_ratio(
    thresholds: CensoredThresholds,
    design: NDArray[np.float64],
    family: Family,
    level: float,
    direction: str,
    reason: str,
) -> Estimate:
    """No finite ratio: give the one-sided profile-likelihood limit that the data still hold."""
    drop = drop_in_log_likelihood(captured_patients(thresholds), design.shape[1], level)
    limits = (0.0, np.inf)
    if np.isfinite(drop):
        try:
            low, high = profile_coefficient(thresholds, design, 1, family=family, drop=drop)
            limits = (float(np.exp(low)), float(np.exp(high)))
        except (NotEstimableError, NoMaximumError):
            limits = (0.0, np.inf)  # the other coefficients have no estimate either: nothing is bounded
    return Estimate(
        "ratio of capture thresholds", None, *limits, level, "ratio", "log", thresholds.n_patients,
        f"{family.name} accelerated threshold model; profile-likelihood limit", direction, reason=reason,
    )  # fmt: skip


def _fit_ratio(
    thresholds: CensoredThresholds,
    design: NDArray[np.float64],
    names: tuple[str, ...],
    family: Family,
    level: float,
    direction: str,
) -> tuple[Estimate, ThresholdRegression | None]:
    if np.isinf(thresholds.upper_ma).all():
        return _no_ratio(thresholds, family, level, direction, "no attempt captured with either placement"), None
    for value, column in zip((1.0, 0.0), direction.split(" relative to "), strict=True):
        own = design[:, 1] == value
        if np.isinf(thresholds.upper_ma[own]).all():
            reason = f"no attempt with {column} placement captured"
            return _infinite_ratio(thresholds, design, family, level, direction, reason), None
    try:
        fit = fit_regression(thresholds, design, names, family=family)
    except NotEstimableError as error:
        return _infinite_ratio(thresholds, design, family, level, direction, str(error)), None
    return _ratio_of(fit, names[1], level, direction), fit


def _ratio_of(fit: ThresholdRegression, name: str, level: float, direction: str) -> Estimate:
    return fit.ratio(name, level=level, quantity="ratio of capture thresholds", direction=direction)


def _median_difference(
    fit: ThresholdRegression | None, level: float, n: int, direction: str, ratio: Estimate, *, adjusted: bool
) -> Estimate:
    minus = direction.replace(" relative to ", " minus ")
    quantity = "difference of median capture thresholds" + (" at average covariates" if adjusted else "")
    if fit is None:
        return Estimate(
            quantity, None, None, None, level, "mA", "identity", n, ratio.method, minus, reason=ratio.reason
        )
    residual, by_ancillary = fit.family.quantile(0.5, fit.ancillary)
    base = float(np.exp(fit.coefficients[0] + residual))
    shifted = base * float(np.exp(fit.coefficients[1]))
    p = fit.coefficients.size
    slope = np.zeros(fit.parameters.size)
    slope[0], slope[1], slope[p:] = shifted - base, shifted, (shifted - base) * by_ancillary
    error = float(np.sqrt(slope @ fit.covariance @ slope))
    reach = fit.multiplier(level) * error
    value = shifted - base
    return Estimate(
        quantity, value, value - reach, value + reach, level, "mA", "identity", fit.n_patients,
        f"{fit.family.name} accelerated threshold model at average covariates; delta method", minus,
    )  # fmt: skip


def unpaired_ratio(
    thresholds: CensoredThresholds,
    first: str,
    minus: str,
    *,
    adjust_for: Sequence[str],
    family: Family = LOGNORMAL,
    level: float = 0.95,
) -> UnpairedRatio:
    """Ratio of thresholds, first placement relative to second, between patients.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts; other placements are ignored.
    first, minus : str
        The ratio is ``first / minus``: below 1, the first needs less current.
    adjust_for : sequence of str
        Covariates known before the pads were placed: numbers, yes/no or levels.  Attempts without them are left out
        of the adjusted ratio (complete cases) and counted.
    family : Family
        Family of the main analysis; all others are given beside it.
    level : float
        Confidence level.

    Raises
    ------
    NotEstimableError
        When there is no attempt with one of the placements.
    UsageError
        When a covariate does not exist, or is known only after the pads were placed.
    """
    pair = thresholds.subset(np.isin(thresholds.placement, (first, minus)))
    for name in (first, minus):
        if name not in pair.placements:
            raise NotEstimableError(f"There is no attempt with {name} placement.")
    direction = f"{first} relative to {minus}"
    is_first = (pair.placement == first).astype(float)
    plain = np.column_stack((np.ones(len(pair)), is_first))
    unadjusted, _ = _fit_ratio(pair, plain, ("intercept", first), family, level, direction)

    for name in adjust_for:
        check_confounder(covariate_table(pair), name)
    complete, _ = complete_cases(pair, adjust_for)
    used = pair.subset(complete)
    missing = _arm_without_covariates(pair, complete, (first, minus), adjust_for)
    if missing:
        ratio: Estimate = _no_ratio(used, family, level, direction, missing)
        return UnpairedRatio(
            ratio, unadjusted, _median_difference(None, level, used.n_patients, direction, ratio, adjusted=True),
            (), (), tuple(adjust_for), len(used), len(pair),
        )  # fmt: skip
    columns, column_names, quantities = _covariate_columns(used, adjust_for)
    design = np.column_stack((np.ones(len(used)), is_first[complete], *columns))
    names = ("intercept", first, *column_names)
    ratio, fit = _fit_ratio(used, design, names, family, level, direction)
    by_family = _by_family(used, design, names, level, direction) if fit is not None else ()
    covariate_ratios = tuple(
        fit.ratio(name, level=level, quantity=quantity)
        for name, quantity in zip(names[2:], quantities, strict=True)
        if fit is not None
    )
    at_median = _median_difference(fit, level, used.n_patients, direction, ratio, adjusted=bool(adjust_for))
    return UnpairedRatio(
        ratio, unadjusted, at_median, by_family, covariate_ratios, tuple(adjust_for), len(used), len(pair)
    )


def _by_family(
    used: CensoredThresholds, design: NDArray[np.float64], names: tuple[str, ...], level: float, direction: str
) -> tuple[tuple[str, float, Estimate], ...]:
    """The ratio under every family of two parameters, and under the lognormal with a share never captured."""
    found = []
    constant = np.ones((len(used), 1))
    models: list[tuple[str, Family, NDArray[np.float64] | None]] = [(f.name, f, None) for f in TWO_PARAMETER_FAMILIES]
    models.append((f"{LOGNORMAL.name} with a share never captured", LOGNORMAL, constant))
    for words, family, capturable in models:
        try:
            fit = fit_regression(
                used, design, names, family=family, capturable=capturable,
                capturable_names=() if capturable is None else ("intercept",),
            )  # fmt: skip
        except NotEstimableError:
            continue
        found.append((words, fit.aic, _ratio_of(fit, names[1], level, direction)))
    return tuple(found)


def _covariate_columns(
    used: CensoredThresholds, adjust_for: Sequence[str]
) -> tuple[list[NDArray[np.float64]], tuple[str, ...], tuple[str, ...]]:
    """Centred columns of the covariates, their names, and the ratio that each of them gives, in words."""
    design = make_design(used, Covariates(tuple(adjust_for)))
    matrix = design.matrix(covariate_table(used))
    columns, quantities = [], []
    for term in design.terms:
        step, words = unit_step(term.name)
        for j in range(term.columns.start, term.columns.stop):
            columns.append((matrix[:, j] - matrix[:, j].mean()) / step)
            if term.kind is Kind.LEVELS:
                level = term.levels[1 + j - term.columns.start]
                words = f"{term.name.replace('_', ' ')}: {level} relative to {term.levels[0]}"
            quantities.append(f"ratio of capture thresholds per {words}" if term.kind is Kind.LINE
                              else f"ratio of capture thresholds, {words}")  # fmt: skip
    return columns, design.names[1:], tuple(quantities)


def _arm_without_covariates(
    pair: CensoredThresholds, complete: NDArray[np.bool_], placements: tuple[str, str], names: Sequence[str]
) -> str:
    """Say which placement has no attempt with all covariates; empty when both have some."""
    for placement in placements:
        own = pair.placement == placement
        if not complete[own].any():
            count = int(own.sum())
            return f"{', '.join(names)} is recorded for none of the {count} attempts with {placement} placement"
    return ""


def _no_ratio(thresholds: CensoredThresholds, family: Family, level: float, direction: str, reason: str) -> Estimate:
    return Estimate(
        "ratio of capture thresholds", None, None, None, level, "ratio", "log", thresholds.n_patients,
        f"{family.name} accelerated threshold model", direction, reason=reason,
    )  # fmt: skip
