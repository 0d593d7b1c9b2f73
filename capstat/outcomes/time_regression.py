"""Regression of the time to capture on the placement and on what was settled before pacing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from capstat.outcomes.episodes import CAPTURE
from capstat.outcomes.time_data import ANOTHER_END, complete_times
from capstat.outcomes.time_hazards import HazardRatios, cause_specific_ratios, subdistribution_ratios
from capstat.outcomes.time_proportional import ProportionalityCheck, check_proportionality
from capstat.outcomes.time_ratio import TimeRatios, time_ratios
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from capstat.distributions.covariates import Covariates
    from capstat.outcomes.episodes import Episodes

__all__ = ["TimeRegression", "time_regression"]

ASSOCIATION = "ratios describe groups as they came about, unless the placement was drawn by lot"


@dataclass(frozen=True, slots=True, eq=False)
class TimeRegression:
    """Models of the time to capture, all of the same complete cases.

    Attributes
    ----------
    first, minus : str
        Placements; ratios are first over minus.
    names : tuple of str
        Columns of the model matrix, in the order of the ratios.
    capture, other_ends : HazardRatios
        Cause-specific hazard ratios of capture, and of any other end of the wait.
    subdistribution : HazardRatios
        Subdistribution hazard ratios of capture.
    proportionality : ProportionalityCheck
        Whether the hazard ratios of capture change with time.
    times : TimeRatios
        Ratios of times.
    n, n_offered : int
        Complete cases, and episodes before any were left out.
    missing : tuple of (str, int)
        Episodes without each covariate.
    notes : tuple of str
        What a reader must know.
    """

    first: str
    minus: str
    names: tuple[str, ...]
    capture: HazardRatios
    other_ends: HazardRatios
    subdistribution: HazardRatios
    proportionality: ProportionalityCheck
    times: TimeRatios
    n: int
    n_offered: int
    missing: tuple[tuple[str, int], ...]
    notes: tuple[str, ...]


def time_regression(
    episodes: Episodes,
    *,
    covariates: Covariates,
    first: str | None = None,
    minus: str | None = None,
    level: float = 0.95,
) -> TimeRegression:
    """Regress the time to capture on the placement of the first attempt and on covariates.

    Parameters
    ----------
    episodes : Episodes
        One row for each patient.
    covariates : Covariates
        What is adjusted for; only what is settled before the pads are placed.
    first, minus : str, optional
        Placements to compare; the two with most episodes when omitted, the larger first.
    level : float
        Confidence level.

    Raises
    ------
    UsageError
        When a covariate does not exist or is not settled before the pads are placed, or a placement does not occur.
    NotEstimableError
        When nobody complete was captured, there are not two placements, or a covariate has a single value.
    """
    data = complete_times(episodes, covariates, first, minus)
    if not data.captured:
        raise NotEstimableError(f"None of the {len(data.waits)} complete episodes ended with {episodes.awaited.name}.")
    return TimeRegression(
        data.first, data.minus, data.names,
        cause_specific_ratios(data, CAPTURE, level),
        cause_specific_ratios(data, ANOTHER_END, level),
        subdistribution_ratios(data, level),
        check_proportionality(data),
        time_ratios(data, level),
        len(data.waits), data.n_offered, data.missing, (ASSOCIATION, *episodes.notes),
    )  # fmt: skip
