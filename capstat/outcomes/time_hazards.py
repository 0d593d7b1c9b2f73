"""Hazard ratios of capture and of other ends of the wait, and the subdistribution hazard ratio of capture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from capstat.numerics.hazards import fit_hazards
from capstat.numerics.subdistribution import fit_subdistribution
from capstat.outcomes.episodes import CAPTURE
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.outcomes.time_data import TimeData

__all__ = ["HazardRatios", "cause_specific_ratios", "subdistribution_ratios"]

COX = (
    "cause-specific proportional hazards (Cox 1972, from memory), Efron's ties, other ends censored; Wald limits on "
    "the log scale"
)
FINE_GRAY = (
    "subdistribution hazards (Fine & Gray 1999), Breslow's ties, sandwich variance with the weights of censoring "
    "estimated; Wald limits on the log scale"
)
NO_SPREAD = "the times show no variation from which limits could be made"
WHICH_QUESTION = (
    "the hazard ratio tells how fast those still waiting are captured, the subdistribution hazard ratio how many are "
    "captured by a time among all, those whose wait ended otherwise staying in the count; the second moves with "
    "anything that ends the wait, and is not a rate that anybody is exposed to"
)


@dataclass(frozen=True, slots=True)
class HazardRatios:
    """Ratios of one model.

    Attributes
    ----------
    end : str
        What the ratios are of.
    ratios : tuple of Estimate
        For each column of the model matrix, the placement first; above 1 is faster.
    events : int
        Patients with this end.
    reason : str
        Why there is no model; empty when there is one.
    """

    end: str
    ratios: tuple[Estimate, ...]
    events: int
    reason: str = ""


def _ratios(
    data: TimeData,
    words: tuple[str, str],
    coefficients: NDArray[np.float64],
    covariance: NDArray[np.float64],
    notes: tuple[str, ...],
    level: float,
) -> tuple[Estimate, ...]:
    """Exponentiated coefficients with Wald limits; ``words`` are quantity and method."""
    quantity, method = words
    errors = np.sqrt(np.diag(covariance))
    reach = float(stats.norm.ppf(0.5 + level / 2))
    found = []
    for place, name in enumerate(data.names):
        log_ratio, error = float(coefficients[place]), float(errors[place])
        with np.errstate(over="ignore"):
            value, lower, upper = (float(np.exp(log_ratio + side * reach * error)) for side in (0, -1, 1))
        found.append(
            Estimate(
                f"{quantity}, by placement" if place == 0 else f"{quantity} per unit of {name}",
                value,
                lower,
                upper,
                level,
                "ratio",
                "log",
                len(data.waits),
                method,
                data.direction if place == 0 else "",
                notes,
                p_value=float(2 * stats.norm.sf(abs(log_ratio) / error)),
            )
        )  # fmt: skip
    return tuple(found)


def _shift(data: TimeData, late: NDArray[np.float64], event: NDArray[np.bool_]) -> tuple[str, ...]:
    """How the placement's log ratio changes when captures are put as early as they can have been."""
    if data.waits.exact:
        return ()
    head = "the time of capture is the latest that its interval allows"
    try:
        early = fit_hazards(data.waits.earliest, event, data.matrix, entry=data.waits.entry, names=data.names)
    except NotEstimableError:
        return (f"{head}; with the earliest there is no estimate",)
    change = float(early.coefficients[0] - late[0])
    return (f"{head}; with the earliest the log ratio of the placement changes by {change:+.3f}",)


def cause_specific_ratios(data: TimeData, cause: int, level: float = 0.95) -> HazardRatios:
    """Hazard ratios of one end among those still waiting.

    Parameters
    ----------
    data : TimeData
        Complete cases.
    cause : int
        1 for capture, 2 for any other end.
    level : float
        Confidence level.
    """
    end = "capture" if cause == CAPTURE else "another end of the wait"
    event = data.cause == cause
    count = int(event.sum())
    if not count:
        return HazardRatios(end, (), 0, f"no wait ended with {end}")
    try:
        fit = fit_hazards(data.waits.latest, event, data.matrix, entry=data.waits.entry, names=data.names)
    except NotEstimableError as error:
        return HazardRatios(end, (), count, str(error))
    notes = (*data.notes(count, end), *_shift(data, fit.coefficients, event))
    words = f"hazard ratio of {end} among those still waiting", COX
    return HazardRatios(end, _ratios(data, words, fit.coefficients, fit.covariance, notes, level), count)


def subdistribution_ratios(data: TimeData, level: float = 0.95) -> HazardRatios:
    """Subdistribution hazard ratios of capture; not for patients who enter after time zero.

    Parameters
    ----------
    data : TimeData
        Complete cases.
    level : float
        Confidence level.
    """
    end = "capture"
    if data.waits.entry is not None:
        reason = "patients enter after time zero, which the censoring weights do not allow for"
        return HazardRatios(end, (), data.captured, reason)
    if not data.captured:
        return HazardRatios(end, (), 0, "no wait ended with capture")
    try:
        fit = fit_subdistribution(data.waits.latest, data.cause, data.matrix, which=CAPTURE, names=data.names)
    except NotEstimableError as error:
        return HazardRatios(end, (), data.captured, str(error))
    # when all times are alike the sandwich is nothing but rounding
    if not (np.diag(fit.covariance) > 1e-12).all():
        return HazardRatios(end, (), data.captured, NO_SPREAD)
    notes = (WHICH_QUESTION, *data.notes(data.captured, end))
    words = "subdistribution hazard ratio of capture", FINE_GRAY
    return HazardRatios(end, _ratios(data, words, fit.coefficients, fit.covariance, notes, level), data.captured)
