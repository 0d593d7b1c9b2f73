"""Multiple imputation of covariates, compatible with a censored threshold as the outcome.

A missing covariate is drawn from its regression on placement and the other covariates times the probability of what was
seen of the threshold, so that the imputed values go with the model that is then fitted (Bartlett, Seaman, White &
Carpenter 2015, from memory).  Thresholds are never imputed: they stay intervals.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.covariates import check_confounder, complete_cases, covariate_table
from capstat.distributions.families import LOGNORMAL
from capstat.distributions.regression import fit_regression
from capstat.numerics.rubin import Pooled, pool
from capstat.placement.imputation_draws import (
    Completed,
    Draws,
    Incomplete,
    check_recorded,
    cycles_needed,
    incomplete_covariates,
)
from capstat.placement.unpaired import unpaired_ratio
from capstat.results import Estimate, NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = ["ImputedRatio", "TippingPoint", "imputed_ratio"]

# shifts of imputed values, in standard deviations of the recorded ones
SHIFTS = (-2.0, -1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0)
METHOD = (
    "lognormal accelerated threshold model on multiply imputed covariates, drawn compatibly with the censored "
    "threshold; Rubin's rules with Barnard & Rubin's degrees of freedom"
)


@dataclass(frozen=True, slots=True)
class TippingPoint:
    """How far the imputed values of one covariate would have to be off to change the conclusion.

    Attributes
    ----------
    covariate : str
        The one with most missing values among numbers.
    placement : str
        The values of attempts with this placement are shifted, the others stay; empty when it is not the placement that
        tells them apart.
    shifted : str
        Which attempts' imputed values are shifted, in words.
    n_shifted : int
        How many.
    rows : tuple of (float, Estimate)
        Shift, in the covariate's unit, and the ratio.
    tipping : float or None
        The shift nearest to 0 at which the interval lies otherwise than without a shift: below, around or above 1;
        ``None`` when it does so at none of the shifts.
    """

    covariate: str
    placement: str
    shifted: str
    n_shifted: int
    rows: tuple[tuple[float, Estimate], ...]
    tipping: float | None


@dataclass(frozen=True, slots=True)
class ImputedRatio:
    """Adjusted ratio of thresholds with missing covariates imputed, beside the complete cases.

    Attributes
    ----------
    ratio : Estimate
        Pooled on the log scale.
    complete_case : Estimate
        From the attempts with all covariates.
    missing_information : float
        Fraction of missing information about the ratio.
    missing : tuple of (str, int)
        Attempts without each covariate.
    n_complete, n_used, n_total : int
        Attempts with all covariates, in the imputed analysis (without those that lack a covariate which is not imputed,
        one with more than two levels), and all attempts.
    tipping : TippingPoint or None
        With the imputed values of the first placement shifted; ``None`` where no number is missing there.
    further_tipping : tuple of TippingPoint
        With those of the second placement shifted, and those of attempts without capture.
    imputations, cycles, seed : int
        How many, how long, and from which seed.
    """

    ratio: Estimate
    complete_case: Estimate
    missing_information: float
    missing: tuple[tuple[str, int], ...]
    n_complete: int
    n_used: int
    n_total: int
    tipping: TippingPoint | None
    further_tipping: tuple[TippingPoint, ...]
    imputations: int
    cycles: int
    seed: int


def _pooled(draws: Draws, sets: Sequence[Completed]) -> Pooled:
    """Log ratio over imputed data sets."""
    estimates, variances = [], []
    df = 1.0
    for one in sets:
        design = np.column_stack((np.ones(len(draws.used)), draws.is_first, draws.columns(one)))
        fit = fit_regression(draws.used, design, draws.names, family=LOGNORMAL)
        df = max(fit.n_captured - fit.coefficients.size, 1)
        estimates.append(float(fit.coefficients[1]))
        # the variance inflation that the t interval of a single fit has
        variances.append(float(fit.covariance[1, 1]) * fit.n_captured / df)
    return pool(estimates, variances, df)


def _estimate(pooled: Pooled, used: CensoredThresholds, level: float, names: tuple[str, str]) -> Estimate:
    low, high = pooled.interval(level)
    return Estimate(
        "ratio of capture thresholds", float(np.exp(pooled.estimate)), float(np.exp(low)), float(np.exp(high)), level,
        "ratio", "log", used.n_patients, METHOD, f"{names[0]} relative to {names[1]}", p_value=pooled.p_value(),
    )  # fmt: skip


def _tipping(
    draws: Draws, sets: Sequence[Completed], names: tuple[str, str], level: float, unshifted: Estimate
) -> tuple[TippingPoint, ...]:
    """Shift the imputed values of one number: with the first placement, with the second, without capture."""
    numbers = [c for c in draws.incomplete if c.number and c.missing.any()]
    if not numbers:
        return ()
    chosen = max(numbers, key=lambda c: int(c.missing.sum()))
    spread = float(chosen.entries[~chosen.missing].std(ddof=1))
    groups = (
        (names[0], f"attempts with {names[0]} placement", draws.is_first == 1),
        (names[1], f"attempts with {names[1]} placement", draws.is_first == 0),
        ("", "attempts without capture", np.isinf(draws.used.upper_ma)),
    )
    found = []
    for placement, words, group in groups:
        affected = chosen.missing & group
        if not affected.any():
            continue
        rows = []
        for size in (shift * spread for shift in SHIFTS):
            moved = [one.shifted(chosen.name, affected, size) for one in sets]
            ratio = unshifted if size == 0 else _estimate(_pooled(draws, moved), draws.used, level, names)
            rows.append((size, ratio))
        found.append(
            TippingPoint(chosen.name, placement, words, int(affected.sum()), tuple(rows), _nearest_change(rows))
        )
    return tuple(found)


def _nearest_change(rows: list[tuple[float, Estimate]]) -> float | None:
    def side(e: Estimate) -> int:
        return int(e.lower is not None and e.lower > 1) - int(e.upper is not None and e.upper < 1)

    now = side(next(e for size, e in rows if size == 0))
    return min((size for size, e in rows if side(e) != now), key=abs, default=None)


def _pair(thresholds: CensoredThresholds, first: str, minus: str) -> CensoredThresholds:
    """Attempts with either placement, one for each patient and without weights."""
    pair = thresholds.subset(np.isin(thresholds.placement, (first, minus)))
    for name in (first, minus):
        if name not in pair.placements:
            raise NotEstimableError(f"There is no attempt with {name} placement.")
    if pair.clustered:
        raise NotEstimableError(
            "Missing covariates are imputed for one attempt of each patient, and some have several."
        )
    if not np.all(pair.weight == 1):
        raise NotEstimableError("Missing covariates are not imputed in weighted attempts.")
    return pair


def imputed_ratio(
    thresholds: CensoredThresholds,
    first: str,
    minus: str,
    *,
    adjust_for: Sequence[str],
    imputations: int = 20,
    level: float = 0.95,
    seed: int,
) -> ImputedRatio:
    """Ratio of thresholds adjusted for covariates of which some values are missing.

    Missing values are taken to be missing at random given what is recorded, the threshold interval included.

    Parameters
    ----------
    thresholds : CensoredThresholds
        One attempt for each patient, without weights; other placements are ignored.
    first, minus : str
        The ratio is ``first / minus``.
    adjust_for : sequence of str
        Covariates known before the pads were placed.  Numbers (on the log scale where all are above 0), yes/no and
        columns with two levels are imputed; attempts without a column of more levels are left out.
    imputations : int
        How many data sets, at least 2.
    level : float
        Confidence level.
    seed : int
        Of all draws.

    Raises
    ------
    NotEstimableError
        When nothing that can be imputed is missing, a covariate is hardly recorded (also with one of the placements), a
        patient has several attempts, or the model has no estimate.
    UsageError
        When a covariate does not exist or is settled only with or after the placement, or for fewer than 2
        imputations.
    """
    if imputations < 2:
        raise UsageError(f"Imputations vary, so at least 2 are needed, not {imputations}.")
    pair = _pair(thresholds, first, minus)
    table = covariate_table(pair)
    for name in adjust_for:
        check_confounder(table, name)
    complete, missing = complete_cases(pair, adjust_for)
    if complete.all():
        raise NotEstimableError("Nothing is missing, so there is nothing to impute.")
    keep, incomplete = incomplete_covariates(table, adjust_for)
    used = pair.subset(keep)
    incomplete = tuple(_kept(one, keep) for one in incomplete)
    placements = {name: used.placement == name for name in (first, minus)}
    check_recorded(incomplete, placements)
    cycles = cycles_needed(incomplete, tuple(placements.values()))
    is_first = placements[first].astype(float)
    draws = Draws(used, is_first, incomplete, np.random.default_rng(seed))
    sets = draws.completed(imputations, cycles)
    pooled = _pooled(draws, sets)
    ratio = _estimate(pooled, used, level, (first, minus))
    tipping = _tipping(draws, sets, (first, minus), level, ratio)
    return ImputedRatio(
        ratio,
        unpaired_ratio(pair, first, minus, adjust_for=adjust_for, level=level).ratio,
        pooled.missing_information, missing, int(complete.sum()), len(used), len(pair),
        next((one for one in tipping if one.placement == first), None),
        tuple(one for one in tipping if one.placement != first), imputations, cycles, seed,
    )  # fmt: skip


def _kept(covariate: Incomplete, keep: NDArray[np.bool_]) -> Incomplete:
    return Incomplete(
        covariate.name, covariate.entries[keep], covariate.missing[keep], covariate.number, covariate.logarithm
    )  # fmt: skip
