"""Periods with mechanical capture in an invented registry: in the ramp as it was recorded, after it by hazards."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.synthetic.course_truth import CourseTruth

__all__ = ["RampCapture", "draw_periods", "ramp_capture"]

# capture is noticed, or lost, somewhere inside the setting
_INSIDE = (0.2, 0.9)
_SHORTEST_S = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class RampCapture:
    """Mechanical capture during the ramps.

    Attributes
    ----------
    periods : pandas.DataFrame
        Periods that ended inside their ramp: ``attempt_row``, ``from_s``, ``to_s``, ``lost``.
    captured : ndarray of bool, shape (attempts,)
        Whether there was mechanical capture at any setting.
    open_from_s : ndarray, shape (attempts,)
        Beginning of the period that goes on after the last setting; NaN without one.
    """

    periods: pd.DataFrame
    captured: NDArray[np.bool_]
    open_from_s: NDArray[np.float64]


def ramp_capture(
    steps: pd.DataFrame,
    row: NDArray[np.intp],
    seconds_per_step: NDArray[np.float64],
    n_attempts: int,
    rng: np.random.Generator,
) -> RampCapture:
    """Join the settings with mechanical capture to periods.

    Parameters
    ----------
    steps : pandas.DataFrame
        Settings in the order of their attempts, with ``time_s`` and ``mechanical_capture``.
    row : ndarray of int, shape (steps,)
        Position of each setting's attempt.
    seconds_per_step : ndarray, shape (attempts,)
        How long a setting lasts.
    n_attempts : int
        Attempts.
    rng : numpy.random.Generator
        Generator of the draws.
    """
    yes = (steps["mechanical_capture"] == "yes").to_numpy()
    # the first instant of capture, and of its loss, in a setting
    instant = steps["time_s"].to_numpy() + np.round(rng.uniform(*_INSIDE, len(steps)) * seconds_per_step[row], 1)
    same = np.append(row[1:] == row[:-1], False)
    begins = yes & ~np.concatenate(([False], (yes & same)[:-1]))
    ends = yes & ~(same & np.append(yes[1:], False))
    at, lost = row[begins], same[ends]
    following = np.minimum(np.flatnonzero(ends) + 1, len(steps) - 1)
    captured = np.zeros(n_attempts, dtype=bool)
    captured[at] = True
    open_from = np.full(n_attempts, np.nan)
    open_from[at[~lost]] = instant[begins][~lost]
    periods = pd.DataFrame(
        {"attempt_row": at[lost], "from_s": instant[begins][lost], "to_s": instant[following][lost], "lost": True}
    )
    return RampCapture(periods, captured, open_from)


def _losses(
    since: NDArray[np.float64], early: NDArray[np.float64], late: NDArray[np.float64], until: float,
    rng: np.random.Generator,
) -> NDArray[np.float64]:  # fmt: skip
    """Times of loss under a hazard that changes once, at ``until``."""
    spent = rng.standard_exponential(since.size)
    before = np.maximum(until - since, 0.0) * early
    time = np.where(spent < before, since + spent / early, np.maximum(since, until) + (spent - before) / late)
    return np.asarray(np.maximum(np.round(time, 1), since + _SHORTEST_S))


def draw_periods(
    ramp: RampCapture,
    last: NDArray[np.intp],
    begin: NDArray[np.float64],
    ramp_end: NDArray[np.float64],
    end: NDArray[np.float64],
    arrest: NDArray[np.bool_],
    ratio: NDArray[np.float64],
    truth: CourseTruth,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Draw losses and returns of capture from the end of the ramp to the end of pacing.

    Parameters
    ----------
    ramp : RampCapture
        What the settings say.
    last : ndarray of int, shape (n,)
        Each patient's last attempt, in which pacing goes on.
    begin : ndarray, shape (n,)
        Beginning of the capture that goes on after the ramp or comes after it.
    ramp_end, end : ndarray, shape (n,)
        End of the last ramp, and of pacing.
    arrest : ndarray of bool, shape (n,)
        In cardiac arrest.
    ratio : ndarray, shape (n,)
        Factor of the hazards of loss.
    truth : CourseTruth
        Parameters.
    rng : numpy.random.Generator
        Generator of the draws.

    Returns
    -------
    pandas.DataFrame
        ``attempt_row``, ``from_s``, ``to_s``, ``lost`` and ``capture_criterion``, by attempt and beginning.
    """
    early = ratio * np.where(arrest, truth.loss_early[1], truth.loss_early[0])
    late = ratio * np.where(arrest, truth.loss_late[1], truth.loss_late[0])
    regained = np.where(arrest, truth.regained[1], truth.regained[0])
    found = [ramp.periods]
    begin = begin.copy()
    active = np.flatnonzero(begin < end)
    while active.size:
        # what happened inside the ramp is known from its settings
        since = np.maximum(begin[active], ramp_end[active])
        loss = _losses(since, early[active], late[active], truth.loss_early_until_s, rng)
        lost = loss < end[active]
        found.append(
            pd.DataFrame(
                {
                    "attempt_row": last[active],
                    "from_s": begin[active],
                    "to_s": np.minimum(loss, end[active]),
                    "lost": lost,
                }
            )
        )
        active, loss = active[lost], loss[lost]
        wait = rng.standard_exponential(active.size) / regained[active]
        begin[active] = np.round(loss + np.maximum(wait, _SHORTEST_S), 1)
        active = active[begin[active] < end[active]]
    periods = pd.concat(found, ignore_index=True).sort_values(["attempt_row", "from_s"], kind="stable")
    return periods.assign(
        from_s=periods["from_s"].round(1),
        to_s=periods["to_s"].round(1),
        lost=np.where(periods["lost"].to_numpy(dtype=bool), "yes", "no"),
        capture_criterion="mechanical",
    ).reset_index(drop=True)
