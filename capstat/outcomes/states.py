"""Where paced patients are at each minute: not captured, captured, capture lost, or pacing ended."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capstat.numerics.multistate import state_limits, state_probabilities
from capstat.outcomes.kept_periods import known_capture
from capstat.outcomes.kept_stays import NOT_CAPTURED, STATES, stays_of
from capstat.results import Estimate, NotEstimableError, UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.outcomes.episodes import Episodes

__all__ = ["STATES", "StateOccupation", "occupation"]

METHOD: Final = (
    "Aalen-Johansen state occupation, late entries allowed; limits by Wilson with the effective sample size from the "
    "infinitesimal jackknife by patient (Korn & Graubard 1998, from memory)"
)
_SECONDS: Final = 60.0


@dataclass(frozen=True, slots=True, eq=False)
class StateOccupation:
    """Probability of being in each state over time.

    Attributes
    ----------
    states : tuple of str
        Names, ``s`` of them (:data:`STATES`).
    times_min : ndarray, shape (k,)
        Times in minutes since the origin at which a probability changes, beginning with 0; up to the horizon or the
        last time observed.  Values hold until the next time.
    probability, lower, upper : ndarray, shape (s, k)
        Probabilities and their pointwise limits.
    risk_times_min : ndarray, shape (m,)
        A few times.
    at_risk : ndarray of int, shape (3, m)
        Patients under observation at them in the first three states.
    horizon_min : float
        Last time at which a probability is given.
    level : float
        Confidence level.
    n : int
        Patients.
    origin : str
        Time zero, in words.
    method : str
        Estimator and limits.
    notes : tuple of str
        What a reader must know.
    """

    states: tuple[str, ...]
    times_min: NDArray[np.float64]
    probability: NDArray[np.float64]
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    risk_times_min: NDArray[np.float64]
    at_risk: NDArray[np.intp]
    horizon_min: float
    level: float
    n: int
    origin: str
    method: str
    notes: tuple[str, ...]

    def _at(self, minute: float) -> int:
        if not 0 <= minute <= self.horizon_min:
            raise UsageError(f"The minute must lie between 0 and {self.horizon_min:g}; it is {minute:g}.")
        return int(np.searchsorted(self.times_min, minute, side="right")) - 1

    def shares(self, minute: float) -> tuple[Estimate, ...]:
        """Share of patients in each state at a minute, in percent.

        Raises
        ------
        UsageError
            When the minute lies beyond the horizon.
        """
        i = self._at(minute)
        values = zip(
            self.states, 100 * self.probability[:, i], 100 * self.lower[:, i], 100 * self.upper[:, i], strict=True
        )
        return tuple(
            Estimate(
                f"{state}, {minute:g} min after {self.origin}", float(value), float(low), float(high), self.level, "%",
                "score", self.n, self.method,
            )
            for state, value, low, high in values
        )  # fmt: skip

    def sentence(self, minute: float) -> str:
        """Natural frequencies at a minute: whole numbers that sum to 100 (largest remainder; earlier states at ties).

        Raises
        ------
        UsageError
            When the minute lies beyond the horizon.
        """
        counts = _of_hundred(self.probability[:, self._at(minute)])
        told = "; ".join(f"{count} {state}" for count, state in zip(counts, self.states, strict=True) if count)
        unit = "minute" if minute == 1 else "minutes"
        return f"{minute:g} {unit} after {self.origin}, of 100 paced patients: {told}."


def _of_hundred(probability: NDArray[np.float64]) -> list[int]:
    # sums that should be equal differ by rounding, and must not break ties
    exact = np.round(100 * probability, 9)
    whole = np.floor(exact).astype(int)
    order = np.argsort(-(exact - whole), kind="stable")
    whole[order[: 100 - int(whole.sum())]] += 1
    return [int(count) for count in whole]


def occupation(episodes: Episodes, horizon_min: float, *, level: float = 0.95) -> StateOccupation:
    """Probability of being in each state at each time up to a horizon.

    All begin "paced, not captured" with the first pulse.  They are captured in the recorded periods, of any length;
    after the first, "capture lost" between periods, also while pads are moved.  Where pacing has ended the state is
    that of its end; a patient who was given up but lives is "ended, alive".  Where the end is not known, observation
    ends at the last known time (independent censoring is assumed).  A patient who is handed over still paced has left
    the record; that is a state of its own, since it says nothing about what would have followed.

    Parameters
    ----------
    episodes : Episodes
        One row for each patient; their origin is time zero, with late entry where the first pulse came after it.
    horizon_min : float
        Last minute that is wanted.
    level : float
        Confidence level.

    Raises
    ------
    UsageError
        When the horizon is not positive.
    NotEstimableError
        When nobody is observed for any time.
    """
    if not horizon_min > 0:
        raise UsageError("The horizon must be more than 0 minutes.")
    known = known_capture(episodes)
    stays = stays_of(episodes, known)
    if not stays.episode.size:
        raise NotEstimableError("No patient was observed for any time, so that there are no states to describe.")
    initial = np.eye(len(STATES))[NOT_CAPTURED]
    found = state_probabilities(
        stays.episode, stays.start, stays.stop, stays.state, stays.target, n_states=len(STATES), initial=initial
    )
    lower, upper = state_limits(found, level)
    # at time zero all are in the first state, by definition
    begin = initial[:, None]
    reached = horizon_min
    left = found.probability[:3, -1].sum() if found.times.size else 1.0
    notes = [*episodes.notes, *known.notes]
    if left > 0 and found.last / _SECONDS < horizon_min:
        reached = found.last / _SECONDS
        notes.append(f"Nobody was observed beyond {reached:.1f} min; the curves end there.")
    if episodes.delayed:
        notes.append(
            f"Time counts from {episodes.origin.value}, and patients are observed from their first pulse on; "
            f"early values rest on few patients."
        )
        emptied = np.flatnonzero(found.probability[NOT_CAPTURED] <= 0)
        gone = float(found.times[emptied[0]]) if emptied.size else np.inf
        later = int((episodes.entry_s >= gone).sum())
        if later and gone <= reached * _SECONDS:
            notes.append(
                f"{later} patients were first paced after {gone / _SECONDS:.1f} min, when nobody observed so far was "
                "left without capture; from there on the curves do not describe them."
            )
    kept = found.times <= reached * _SECONDS
    times = np.append(0.0, found.times[kept] / _SECONDS)
    risk_times = np.linspace(0.0, reached, 5)
    return StateOccupation(
        STATES, times, np.hstack([begin, found.probability[:, kept]]), np.hstack([begin, lower[:, kept]]),
        np.hstack([begin, upper[:, kept]]), risk_times, stays.under_observation(risk_times * _SECONDS), reached,
        level, len(episodes), _ORIGINS[episodes.origin.value], METHOD, tuple(notes),
    )  # fmt: skip


_ORIGINS: Final = {
    "onset": "onset",
    "arrival": "arrival",
    "pads": "the pads were placed",
    "pacing-start": "the first pulse",
}
