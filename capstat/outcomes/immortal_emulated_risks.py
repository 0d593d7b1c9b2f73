"""Estimates of an emulated trial: risks of death in both arms, their difference and ratio."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from capstat.numerics.mover import Bounded, mover_difference, mover_ratio
from capstat.numerics.proportions import wilson
from capstat.results import Estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["emulated_risks"]

_METHOD = (
    "cloning, censoring and weighting (Hernan 2018, Maringe et al. 2020; both from memory): weighted Kaplan-Meier, "
    "weights from logistic and proportional-hazards models of capture; Wilson limits at the effective sample size of a "
    "patient bootstrap that refits both, difference and ratio by square-and-add with the resamples' correlation"
)


def _limits(risk: float, drawn: NDArray[np.float64], size: float, level: float) -> Bounded:
    """Wilson limits of a risk, at the sample size of independent patients that would vary as much as the resamples.

    The size is reduced by the squared ratio of normal and t quantiles (Korn & Graubard 1998, from memory) with the
    weights' effective size for the degrees of freedom; it is that size where nobody or everybody died.
    """
    variance, plain = float(drawn.var(ddof=1)), risk * (1 - risk)
    effective = plain / variance if plain > 0 and variance > 1e-12 * plain else size
    own, fewer = float(stats.norm.ppf(0.5 + level / 2)), float(stats.t.ppf(0.5 + level / 2, max(size - 1, 1.0)))
    effective *= (own / fewer) ** 2
    lower, upper = wilson(risk * effective, effective, level)
    return Bounded(risk, risk, min(lower, risk), max(upper, risk))


def emulated_risks(
    risks: tuple[float, float],
    drawn: NDArray[np.float64],
    sizes: tuple[float, float],
    minutes: tuple[float, float],
    level: float,
    n: int,
    notes: tuple[str, ...],
) -> tuple[Estimate, Estimate, Estimate, Estimate]:
    """Risk in both arms, their difference and ratio.

    Parameters
    ----------
    risks : tuple of float
        Of the captured and the not captured arm, between 0 and 1.
    drawn : ndarray, shape (b, 2)
        The same in resamples of patients.
    sizes : tuple of float
        Effective sizes of the weights of both arms.
    minutes : tuple of float
        End of the grace period and horizon.
    level : float
        Confidence level.
    n : int
        Patients.
    notes : tuple of str
        For every estimate.
    """
    grace, horizon = minutes
    strategies = f"captured within {grace:g} min", f"not captured within {grace:g} min"
    head = f"risk of death by {horizon:g} min"
    one, two = (_limits(risks[arm], drawn[:, arm], sizes[arm], level) for arm in (0, 1))
    varied = bool((drawn.std(axis=0) > 0).all())
    rho = float(np.clip(stats.pearsonr(drawn[:, 0], drawn[:, 1]).statistic, -1, 1)) if varied else 0.0
    singles = [
        Estimate(f"{head}, {name}", 100 * arm.low, 100 * arm.limit_low, 100 * arm.limit_high, level, "%", "score", n,
                 _METHOD, notes=notes)
        for arm, name in ((one, strategies[0]), (two, strategies[1]))
    ]  # fmt: skip
    gap, quotient = mover_difference(one, two, rho), mover_ratio(one, two, rho)
    difference = Estimate(
        f"difference in {head}", 100 * (risks[0] - risks[1]), 100 * gap.limit_low, 100 * gap.limit_high, level,
        "percentage points", "identity", n, _METHOD, direction=f"{strategies[0]} minus {strategies[1]}", notes=notes,
    )  # fmt: skip
    value = risks[0] / risks[1] if risks[1] > 0 else None
    ratio = Estimate(
        f"ratio of {head}", value, quotient.limit_low, quotient.limit_high, level, "ratio", "log", n, _METHOD,
        direction=f"{strategies[0]} over {strategies[1]}", notes=notes,
        reason="" if value is not None else f"nobody {strategies[1]} died",
    )  # fmt: skip
    return singles[0], singles[1], difference, ratio
