"""Simulated ramps: the same tables as observed ones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.protocol.policy import RampPolicy

__all__ = ["Thresholds", "simulate_steps"]


@dataclass(frozen=True, slots=True, eq=False)
class Thresholds:
    """True thresholds of simulated attempts.

    Attributes
    ----------
    electrical_ma, mechanical_ma : ndarray, shape (n,)
        Currents at and above which capture occurs; infinite for a patient who cannot be captured.
    stop_above_ma : ndarray, shape (n,)
        The crew gives up after the first setting above this current without mechanical capture; infinite when
        it goes on to the maximum.
    lost_once : ndarray of bool, shape (n,)
        Whether the step after capture is seen to fail once (movement), although the current is sufficient.
    """

    electrical_ma: NDArray[np.float64]
    mechanical_ma: NDArray[np.float64]
    stop_above_ma: NDArray[np.float64]
    lost_once: NDArray[np.bool_]


def _settings_of(
    policy: RampPolicy, mechanical: float, stop_above: float, *, lost_once: bool
) -> tuple[list[float], int]:
    """Settings tried in one ramp, and the position of the one that fails once (-1 for none)."""
    tried: list[float] = []
    rising = policy.rising_settings()
    for position, current in enumerate(rising):
        tried.append(current)
        if current >= mechanical:
            after = list(rising[position + 1 : position + 3])
            if lost_once and len(after) == 2:
                return tried + after, len(tried)
            tried += after[:1]
            if policy.step_down_ma is not None:
                lower = current - policy.step_down_ma
                while lower > 0:
                    tried.append(round(lower, 6))
                    if lower < mechanical:
                        break
                    lower -= policy.step_down_ma
            return tried, -1
        if current > stop_above:
            return tried, -1
    return tried, -1


def simulate_steps(truth: Thresholds, policies: Sequence[RampPolicy], attempt_ids: Sequence[str]) -> pd.DataFrame:
    """Run one ramp for each true threshold and write down what would have been seen.

    Capture at and above the threshold, none below.  After capture one more step is tried (a safety margin),
    then the step-down, if the policy has one.  Mechanical capture is looked at only where electrical capture
    is seen, as in practice.

    Parameters
    ----------
    truth : Thresholds
        One entry for each attempt.
    policies : sequence of RampPolicy
        One for each attempt.
    attempt_ids : sequence of str
        One for each attempt.

    Returns
    -------
    pandas.DataFrame
        Columns of the steps table: ``attempt_id``, ``step_order``, ``current_ma``, ``time_s``,
        ``electrical_capture``, ``mechanical_capture``.
    """
    currents: list[float] = []
    rows: list[int] = []
    orders: list[int] = []
    lost: list[bool] = []
    for i, policy in enumerate(policies):
        tried, failing = _settings_of(
            policy, truth.mechanical_ma[i], truth.stop_above_ma[i], lost_once=bool(truth.lost_once[i])
        )
        currents += tried
        rows += [i] * len(tried)
        orders += range(1, len(tried) + 1)
        lost += [position == failing for position in range(len(tried))]
    row, current = np.array(rows, dtype=np.intp), np.array(currents)
    electrical = (current >= truth.electrical_ma[row]) & ~np.array(lost, dtype=bool)
    mechanical = (current >= truth.mechanical_ma[row]) & electrical
    dwell = np.array([policy.seconds_per_step for policy in policies], dtype=float)[row]
    return pd.DataFrame(
        {
            "attempt_id": np.asarray(attempt_ids, dtype=object)[row],
            "step_order": orders,
            "current_ma": current,
            "time_s": (np.array(orders) - 1) * dwell,
            "electrical_capture": np.where(electrical, "yes", "no"),
            "mechanical_capture": np.where(electrical, np.where(mechanical, "yes", "no"), ""),
        }
    )
