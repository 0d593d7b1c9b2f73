"""The search for capture as a crew carries it out, one setting after another, and every record it can leave.

A search asks whether a setting captured and gets an answer.  As answers are finite in number, so are the records; with
answers that are never wrong each record belongs to the thresholds of one interval.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.protocol.policy_parts import SAME_MA, Direction
from capstat.results import UsageError

if TYPE_CHECKING:
    from collections.abc import Generator

    from numpy.typing import NDArray

    from capstat.protocol.policy import RampPolicy

    Search = Generator[float, bool, float | None]

__all__ = ["SearchRecords", "search_records"]

# more records than any ramp on a device's grid leaves: an answer that is often wrong, on a very fine grid
MOST_RECORDS = 20_000


def _rise(policy: RampPolicy, from_ma: float) -> Search:
    """Up to the first setting that captures, ``None`` without one."""
    for setting in policy.settings_above(from_ma):
        if (yield setting):
            return setting
    return None


def _rising(policy: RampPolicy) -> Search:
    failed = 0.0
    for setting in policy.rising_settings():
        if (yield setting):
            if policy.step_down_ma is None:
                return setting
            return (yield from _down_and_up(policy, setting, failed, policy.step_down_ma))
        failed = setting
    return None


def _down_and_up(policy: RampPolicy, captured: float, failed: float, step: float | None) -> Search:
    """Down from a setting that captured until capture is lost, and back up by the same steps.

    Settings at or below one that failed on the way up are not tried again.
    """
    while True:
        lower = round(captured - (step or policy.step_at(captured)), 6)
        if lower <= failed + SAME_MA:
            return captured
        if not (yield lower):
            break
        captured = lower
    while not (yield captured):
        if captured >= policy.maximum_ma - SAME_MA:
            return None
        captured = min(round(captured + (step or policy.step_at(captured)), 6), policy.maximum_ma)
    return captured


def _falling(policy: RampPolicy) -> Search:
    if (yield policy.start_ma):
        return (yield from _down_and_up(policy, policy.start_ma, 0.0, None))
    if policy.start_ma >= policy.maximum_ma - SAME_MA:
        return None
    return (yield from _rise(policy, min(policy.start_ma + policy.step_at(policy.start_ma), policy.maximum_ma)))


def _bisecting(policy: RampPolicy) -> Search:
    settings = policy.rising_settings()
    low, high = -1, len(settings)
    while high - low > 1:
        middle = (low + high) // 2
        if (yield settings[middle]):
            high = middle
        else:
            low = middle
    return settings[high] if high < len(settings) else None


_SEARCHES = {Direction.RISING: _rising, Direction.FALLING: _falling, Direction.BISECTING: _bisecting}


@dataclass(frozen=True, slots=True, eq=False)
class SearchRecords:
    """Every record that a search can leave.

    Attributes
    ----------
    setting_ma : ndarray, shape (r, s)
        Settings in the order of their trial, NaN after the end of a record.
    captured : ndarray of bool, shape (r, s)
        How each was judged.
    length : ndarray of int, shape (r,)
        Settings tried.
    accepted_ma : ndarray, shape (r,)
        Setting that was found to capture, NaN where the search gave up.
    """

    setting_ma: NDArray[np.float64]
    captured: NDArray[np.bool_]
    length: NDArray[np.intp]
    accepted_ma: NDArray[np.float64]


@dataclass(slots=True)
class _Trial:
    """One record while it is made; ``low`` and ``high`` hold what its answers say of the threshold."""

    settings: list[float]
    answers: list[bool]
    low: float = 0.0
    high: float = np.inf

    def note(self, setting: float, *, captured: bool) -> None:
        self.settings.append(setting)
        self.answers.append(captured)
        if captured:
            self.high = min(self.high, setting)
        else:
            self.low = max(self.low, setting)


def search_records(policy: RampPolicy, *, never_wrong: bool) -> SearchRecords:
    """List the records that a search can leave, by following every answer to every setting.

    Parameters
    ----------
    policy : RampPolicy
        How the search is carried out (what is done at the maximum is not part of it).
    never_wrong : bool
        Whether answers are always right; records that contradict themselves are then left out.

    Raises
    ------
    UsageError
        When there are too many records to list, which only wrong answers on a very fine grid can bring about.
    """
    open_branches: list[list[bool]] = [[]]
    trials: list[tuple[_Trial, float | None]] = []
    while open_branches:
        told = open_branches.pop()
        trials.append(_followed(policy, told, open_branches, never_wrong=never_wrong))
        if len(trials) > MOST_RECORDS:
            raise UsageError(
                f"The policy '{policy.name}' has more than {MOST_RECORDS} possible courses when answers can be wrong; "
                "use larger steps."
            )
    length = np.array([len(trial.settings) for trial, _ in trials], dtype=np.intp)
    setting = np.full((length.size, int(length.max())), np.nan)
    captured = np.zeros(setting.shape, dtype=bool)
    for row, (trial, _) in enumerate(trials):
        setting[row, : length[row]] = trial.settings
        captured[row, : length[row]] = trial.answers
    accepted = np.array([np.nan if found is None else found for _, found in trials])
    return SearchRecords(setting, captured, length, accepted)


def _followed(
    policy: RampPolicy, told: list[bool], open_branches: list[list[bool]], *, never_wrong: bool
) -> tuple[_Trial, float | None]:
    """Follow one course: the answers that were told, then "no" wherever both answers are possible."""
    search, trial = _SEARCHES[policy.direction](policy), _Trial([], [])
    setting = next(search)
    while True:
        if len(trial.answers) < len(told):
            answer = told[len(trial.answers)]
        elif never_wrong and not trial.low < setting < trial.high:
            answer = setting >= trial.high
        else:
            open_branches.append([*trial.answers, True])
            answer = False
        trial.note(setting, captured=answer)
        try:
            setting = search.send(answer)
        except StopIteration as end:
            return trial, end.value
