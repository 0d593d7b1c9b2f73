"""Families side by side by Akaike's criterion, and capture currents averaged over them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from capstat.distributions.families import FAMILIES
from capstat.distributions.never_captured import gains_from_mixing
from capstat.distributions.parametric import checked_fraction, fit_parametric
from capstat.numerics.small_sample import wald_multiplier
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.distributions.families import Family
    from capstat.distributions.parametric import ParametricFit
    from capstat.thresholds import CensoredThresholds

__all__ = ["FamilyComparison", "FamilyRow", "averaged_capture_currents", "compare_families"]

METHOD = (
    "capture curve averaged over families with Akaike weights on the probit scale; limits from the unconditional "
    "standard error (Buckland, Burnham & Augustin 1997), inverted"
)
# points of the averaged curve, and how far it goes to either side in scales of log current
GRID, REACH = 201, 6.0
# probits beyond this are shares of less than 1e-15
FAR = 8.0
# a model of less weight moves nothing that is shown
NEGLIGIBLE = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class FamilyRow:
    """One model of the comparison.

    Attributes
    ----------
    name : str
        Family, and whether a share is never captured.
    fit : ParametricFit or None
        The fit; ``None`` when there is none.
    reason : str
        Why there is no fit; empty when there is one.
    aic, difference : float or None
        Akaike's criterion, and by how much it exceeds the smallest.
    weight : float
        Akaike weight; 0 without a fit.
    """

    name: str
    fit: ParametricFit | None
    reason: str
    aic: float | None
    difference: float | None
    weight: float


@dataclass(frozen=True, slots=True, eq=False)
class FamilyComparison:
    """Models fitted to the same attempts, best first, those without a fit last.

    Attributes
    ----------
    rows : tuple of FamilyRow
        The models; weights sum to one when there is any fit.
    n, n_patients : int
        Attempts and patients that every model was fitted to.
    notes : tuple of str
        What a reader must know before using the weights.
    unsettled : bool
        Whether the data call for a share never captured that cannot be estimated: the likelihood rises with such a
        share and has no finite maximum.  The models that can be fitted are then not those that the data favour.
    """

    rows: tuple[FamilyRow, ...]
    n: int
    n_patients: int
    notes: tuple[str, ...] = ()
    unsettled: bool = False


def compare_families(
    thresholds: CensoredThresholds,
    families: Sequence[Family] = FAMILIES,
    never_captured: Sequence[bool] = (False, True),
) -> FamilyComparison:
    """Fit every family to the same attempts and weigh the fits by Akaike's criterion.

    The weight of a model is ``exp(-difference / 2)`` over the sum of these (Burnham & Anderson 2002,
    doi:10.1007/b97636, from memory).  A model without a fit has no weight and keeps its reason.  All fits are to
    all attempts given, so the criteria are comparable.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts.
    families : sequence of Family
        Each fitted in every variant.
    never_captured : sequence of bool
        Variants: without and with a share that is never captured.
    """
    found: list[tuple[str, ParametricFit | None, str]] = []
    for some_never in never_captured:
        for family in families:
            try:
                fit = fit_parametric(thresholds, family=family, never_captured=some_never)
            except NotEstimableError as error:
                name = family.name + (" with a share never captured" if some_never else "")
                found.append((name, None, str(error)))
            else:
                found.append((fit.name, fit, ""))
    smallest = min((fit.aic for _, fit, _ in found if fit is not None), default=0.0)
    total = sum(np.exp((smallest - fit.aic) / 2) for _, fit, _ in found if fit is not None)
    rows = [
        FamilyRow(name, None, reason, None, None, 0.0)
        if fit is None
        else FamilyRow(name, fit, "", fit.aic, fit.aic - smallest, float(np.exp((smallest - fit.aic) / 2) / total))
        for name, fit, reason in found
    ]
    rows.sort(key=lambda row: np.inf if row.difference is None else row.difference)
    # with a mixture among the fits the share is settled; without one the ordinary fits are asked whether they lack it
    mixed = [fit for _, fit, _ in found if fit is not None and fit.never_captured]
    ordinary = [fit for _, fit, _ in found if fit is not None and not fit.never_captured]
    unsettled = True in never_captured and not mixed and bool(ordinary) and gains_from_mixing(thresholds, ordinary[0])
    return FamilyComparison(tuple(rows), len(thresholds), thresholds.n_patients, _notes(thresholds), unsettled)


def _notes(thresholds: CensoredThresholds) -> tuple[str, ...]:
    """Say where the likelihood is not that of the data, so that its weights are too sure."""
    notes = []
    if thresholds.clustered:
        notes.append("Akaike's criterion takes several attempts in a patient as independent, so weights are too sure")
    if not np.all(thresholds.weight == 1):
        notes.append("Akaike's criterion is computed from a weighted likelihood, so model weights are only a guide")
    return tuple(notes)


def averaged_capture_currents(
    comparison: FamilyComparison, fractions: Sequence[float], level: float = 0.95
) -> tuple[Estimate, ...]:
    """Currents (mA) that capture the given shares of patients, from the capture curve averaged over models.

    At every current the probit of the share captured is averaged with the model weights ``w_i``; its unconditional
    standard error is ``sum_i w_i sqrt(var_i + (theta_i - mean)^2)`` (Buckland, Burnham & Augustin 1997,
    doi:10.2307/2533961, formula from memory), taken with the t multiplier of a single fit.  The currents are where the
    averaged curve and its limits reach the fraction.  Averaging the curve instead of the currents keeps limits in order
    and needs no rule for models under which the fraction cannot be reached: where the lower limit of the curve levels
    off below the fraction, there is no upper limit.

    Parameters
    ----------
    comparison : FamilyComparison
        From :func:`compare_families`.
    fractions : sequence of float
        Shares of patients, strictly between 0 and 1.
    level : float
        Confidence level.

    Raises
    ------
    ValueError
        When a fraction is not strictly between 0 and 1.
    """
    wanted = [checked_fraction(fraction) for fraction in fractions]
    fits = [(row.weight, row.fit) for row in comparison.rows if row.fit is not None and row.weight > NEGLIGIBLE]
    reason = "" if fits else "none of the models could be fitted"
    if comparison.unsettled:
        reason = "the data call for a share never captured, which cannot be estimated from them"
    if reason:
        return tuple(_estimate(comparison, p, level, None, reason) for p in wanted)
    log_current, curves = _averaged_probits(fits, level)
    estimates = []
    for p in wanted:
        at, low, high = (_crossing(log_current, curve, float(special.ndtri(p))) for curve in curves)
        if np.isinf(at):
            reason = f"the averaged curve does not reach {100 * p:g} % at any current"
            estimates.append(_estimate(comparison, p, level, None, reason))
            continue
        # the upper limit of the curve gives the lower one of the current
        estimates.append(_estimate(comparison, p, level, (at, low, high), ""))
    return tuple(estimates)


def _averaged_probits(
    fits: Sequence[tuple[float, ParametricFit]], level: float
) -> tuple[NDArray[np.float64], tuple[NDArray[np.float64], ...]]:
    """Log currents, and the averaged probit there with its upper and lower limit, each made non-decreasing."""
    centre = float(np.mean([fit.mu for _, fit in fits]))
    spread = max(0.05, *(fit.sigma for _, fit in fits))
    log_current = np.linspace(centre - REACH * spread, centre + REACH * spread, GRID)
    weight = np.array([w for w, _ in fits]) / sum(w for w, _ in fits)
    with np.errstate(all="ignore"):  # a narrow family is far out in its tails at the ends of the grid
        probit, error = np.array([fit.probit_curve(np.exp(log_current)) for _, fit in fits]).transpose(1, 0, 2)
    inside = np.abs(probit) < FAR
    probit, error = np.clip(probit, -FAR, FAR), np.where(inside, error, 0.0)
    mean = weight @ probit
    reach = wald_multiplier(fits[0][1].model.n_captured, 1, level)
    unconditional = weight @ np.hypot(error, probit - mean)
    width = reach * unconditional if np.isfinite(reach) else np.full(GRID, np.inf)
    # a distribution function does not fall: the upper limit from the right, the lower from the left
    upper = np.minimum.accumulate((mean + width)[::-1])[::-1]
    return log_current, (np.maximum.accumulate(mean), upper, np.maximum.accumulate(mean - width))


def _crossing(log_current: NDArray[np.float64], curve: NDArray[np.float64], probit: float) -> float:
    """Log current at which a non-decreasing curve reaches the probit; minus or plus infinity beyond its ends."""
    k = int(np.searchsorted(curve, probit))
    if k == 0:
        return -np.inf
    if k == curve.size:
        return np.inf
    low, high = curve[k - 1], curve[k]
    return float(log_current[k - 1] + (probit - low) / (high - low) * (log_current[k] - log_current[k - 1]))


def _estimate(
    comparison: FamilyComparison, fraction: float, level: float, logs: tuple[float, float, float] | None, reason: str
) -> Estimate:
    with np.errstate(over="ignore"):  # with two patients a limit may be beyond any number
        value, low, high = (None, None, None) if logs is None else (float(np.exp(x)) for x in logs)
    return Estimate(
        f"current that captures {100 * fraction:g} % of patients", value, low, high, level, "mA", "probit",
        comparison.n_patients, METHOD, notes=comparison.notes, reason=reason,
    )  # fmt: skip
