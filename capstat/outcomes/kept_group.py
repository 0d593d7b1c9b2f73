"""What became of capture in one group of patients: first loss, number of losses, capture regained, paced minutes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capstat.numerics.cumulative_incidence import incidence_at, incidence_limits
from capstat.numerics.event_curves import event_curves
from capstat.numerics.recurrent import mean_at, mean_count, mean_limits
from capstat.numerics.time_summaries import incidence_quantile
from capstat.outcomes.kept_course import FIRST_LOSS, REGAINED
from capstat.outcomes.kept_minutes import share_of_minutes, shares_of_patients
from capstat.results import Curve, Estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.numerics.event_curves import EventCurves
    from capstat.outcomes.kept_course import KeptCourse
    from capstat.outcomes.kept_minutes import PacedMinutes

__all__ = ["TIMES_MIN", "KeptGroup", "kept_group"]

TIMES_MIN: Final = (5.0, 10.0, 30.0)
"""Minutes since capture at which losses are told."""

INCIDENCE: Final = "Aalen-Johansen, the end of pacing competes; complementary log-log limits"
MEAN: Final = (
    "mean cumulative number with the end of pacing as terminal event (Ghosh & Lin 2000, from memory); log limits, "
    "errors by patient"
)
_LOST: Final = "capture lost within {:g} min"
_NUMBER: Final = "mean number of losses within {:g} min"
_SCALE: Final = "complementary log-log"


@dataclass(frozen=True, slots=True, eq=False)
class KeptGroup:
    """What became of capture in one group of patients.

    Attributes
    ----------
    name : str
        The group, or "all".
    n_paced, n_captured : int
        Patients, and those of them who were captured and whose periods are recorded.
    n_lost, losses : int
        Patients who lost capture at least once, and losses.
    first_loss : Curve or None
        Share whose first loss came by a time since capture (minutes), the end of pacing with capture competing.
    lost_within : tuple of Estimate
        Share that had lost capture within each of :data:`TIMES_MIN`, in percent.
    mean_losses : Curve or None
        Mean number of losses of a captured patient by a time since capture (minutes).
    mean_losses_within : tuple of Estimate
        The same at each of :data:`TIMES_MIN`.
    regained : Estimate
        Share that was captured again after the first loss, in percent.
    time_to_regain : Estimate
        Minutes after the first loss by which half of those who lost capture had it again.
    share_of_minutes : Estimate
        Share of all paced minutes with capture, in percent.
    shares_of_patients : tuple of Estimate
        Lower quartile, median and upper quartile of the patients' own shares, in percent.
    """

    name: str
    n_paced: int
    n_captured: int
    n_lost: int
    losses: int
    first_loss: Curve | None
    lost_within: tuple[Estimate, ...]
    mean_losses: Curve | None
    mean_losses_within: tuple[Estimate, ...]
    regained: Estimate
    time_to_regain: Estimate
    share_of_minutes: Estimate
    shares_of_patients: tuple[Estimate, ...]


def kept_group(
    name: str, inside: NDArray[np.bool_], course: KeptCourse, minutes: PacedMinutes, level: float
) -> KeptGroup:
    """Describe one group.

    Parameters
    ----------
    name : str
        Its name.
    inside : ndarray of bool, shape (n,)
        Which episodes belong to it.
    course : KeptCourse
        Captured patients of all groups.
    minutes : PacedMinutes
        Minutes of all episodes.
    level : float
        Confidence level.
    """
    captured = inside[course.episode]
    n = int(captured.sum())
    rows = captured[course.person]
    losses = int(course.lost[rows].sum())
    kept_cause = course.kept_cause[captured]
    paced = minutes.paced[inside], minutes.captured[inside]
    first_loss = mean_losses = None
    if n:
        curves = event_curves(course.kept_min[captured], kept_cause, n_causes=2)
        first_loss = _curve(curves, FIRST_LOSS, f"first loss of capture, {name}", level)
        within = tuple(_lost_within(curves, minute, n, level) for minute in TIMES_MIN)
        mean_losses, means = _means(course, captured, rows, name, level)
    else:
        within = tuple(_no_value(_LOST.format(t), level, "%", INCIDENCE) for t in TIMES_MIN)
        means = tuple(_no_value(_NUMBER.format(t), level, "losses", MEAN) for t in TIMES_MIN)
    regained, time_to_regain = _regained(course, captured & (course.kept_cause == FIRST_LOSS), level)
    return KeptGroup(
        name, int(inside.sum()), n, int((kept_cause == FIRST_LOSS).sum()), losses, first_loss, within,
        mean_losses, means, regained, time_to_regain, share_of_minutes(*paced, level),
        shares_of_patients(*paced, level),
    )  # fmt: skip


def _no_value(quantity: str, level: float, unit: str, method: str) -> Estimate:
    why = "no patient of this group was captured with recorded periods"
    return Estimate(quantity, None, None, None, level, unit, "identity", 0, method, reason=why)


def _curve(curves: EventCurves, cause: int, label: str, level: float) -> Curve:
    lower, upper = incidence_limits(curves, cause, level)
    x, value = _from_zero(curves.times, curves.incidence[cause - 1])
    return Curve(label, x, value, value, _from_zero(x, lower)[1], _from_zero(x, upper)[1], level, INCIDENCE)


def _from_zero(
    times: NDArray[np.float64], values: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Begin a step curve at time 0 with the value 0."""
    return np.append(0.0, times), np.append(0.0, values)


def _lost_within(curves: EventCurves, minute: float, n: int, level: float) -> Estimate:
    found = incidence_at(curves, FIRST_LOSS, minute, level)
    value = None if found.value is None else 100 * found.value
    return Estimate(
        _LOST.format(minute), value, 100 * found.lower, 100 * found.upper, level, "%", _SCALE, n, INCIDENCE,
        reason=found.reason,
    )  # fmt: skip


def _means(
    course: KeptCourse, captured: NDArray[np.bool_], rows: NDArray[np.bool_], name: str, level: float
) -> tuple[Curve, tuple[Estimate, ...]]:
    """Mean number of losses: each patient is followed until the end, with capture or without."""
    lost = rows & course.lost
    patients = np.flatnonzero(captured)
    person = np.concatenate([course.person[lost], patients])
    stop = np.concatenate([course.stop_min[lost], course.until_min[captured]])
    event = np.repeat([True, False], [int(lost.sum()), patients.size])
    order = np.lexsort((~event, stop, person))
    person, stop, event = person[order], stop[order], event[order]
    start = np.where(np.diff(person, prepend=-1) == 0, np.append(0.0, stop[:-1]), 0.0)
    terminal = ~event & course.terminal[person]
    # a loss at the very end leaves no time after it: the end is then the row of the loss
    empty = stop <= start
    terminal[:-1] |= empty[1:] & terminal[1:]
    kept = ~empty
    found = mean_count(person[kept], start[kept], stop[kept], event[kept], terminal[kept])
    lower, upper = mean_limits(found, level)
    x, value = _from_zero(found.times, found.mean)
    curve = Curve(
        f"mean number of losses, {name}", x, value, value, _from_zero(x, lower)[1], _from_zero(x, upper)[1], level, MEAN
    )
    estimates = []
    for minute in TIMES_MIN:
        at = mean_at(found, minute, level)
        estimates.append(
            Estimate(
                _NUMBER.format(minute), at.value, at.lower, at.upper, level, "losses", "log", patients.size, MEAN,
                reason=at.reason,
            )
        )  # fmt: skip
    return curve, tuple(estimates)


def _regained(course: KeptCourse, lost: NDArray[np.bool_], level: float) -> tuple[Estimate, Estimate]:
    """Share captured again after the first loss, and the time by which half were."""
    share, time = "captured again after the first loss", "time from first loss until half were captured again"
    n = int(lost.sum())
    if not n:
        why = "nobody lost capture"
        return (
            Estimate(share, None, None, None, level, "%", _SCALE, 0, INCIDENCE, reason=why),
            Estimate(time, None, None, None, level, "min", _SCALE, 0, INCIDENCE, reason=why),
        )
    curves = event_curves(course.regain_min[lost], course.regain_cause[lost], n_causes=2)
    at = incidence_at(curves, REGAINED, curves.last, level)
    half = incidence_quantile(curves, REGAINED, 0.5, level)
    return (
        Estimate(
            share, None if at.value is None else 100 * at.value, 100 * at.lower, 100 * at.upper, level, "%",
            _SCALE, n, INCIDENCE, notes=(f"by {curves.last:.1f} min after the loss",), reason=at.reason,
        ),
        Estimate(
            time, half.value, half.lower, half.upper, level, "min", _SCALE, n, INCIDENCE,
            notes=("of all who lost capture, also those whose pacing ended without it",), reason=half.reason,
        ),
    )  # fmt: skip
