"""Reposition or go on: what more current and what moving the pads promise a patient not captured so far."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.protocol.paired_law import PairedLaw
from capstat.protocol.reposition_crossing import crossing_current
from capstat.protocol.reposition_times import ChoiceTimes, RampTiming, choice_times, curve_of_draws, estimable
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.protocol.paired_law import MarginalLaw
    from capstat.results import Curve, Estimate

__all__ = ["RepositionCurve", "assumed_range", "reposition_or_go_on"]

# a share of patients below which nothing is said on the condition of being one of them
LEAST = 1e-6
JUDGED = "given that nothing captured up to that current; every judgement is taken to have been right"
NO_TIME = "the shares do not count the time without pacing while the pads are moved"
SILENT_DRAWS = "draws under which hardly anybody reaches a current do not count towards the limits there"
NO_DRAWS = "the law has no draws of its parameters, so the shares have no limits"


@dataclass(frozen=True, slots=True, eq=False)
class RepositionCurve:
    """What going on and moving the pads promise after each current without capture; share of patients, not percent.

    Attributes
    ----------
    here, there : str
        Present placement, and the one that the pads would be moved to.
    highest_here_ma, highest_there_ma : float
        Highest current with either.
    captured_here, captured_there : Curve
        Share captured by the highest current of either placement, among patients not captured by the current so far.
    captured_there_at_same : Curve
        Share of them whom the other placement captures at that same current.
    difference : Curve
        ``captured_there`` minus ``captured_here``: above 0, moving is more likely to capture.
    reached : Curve
        Share of all patients who get to the current without capture.
    crossing : Estimate
        Current in mA above which moving is at least as likely to capture as going on.
    times : ChoiceTimes or None
        The same in seconds; ``None`` where no timing was given.
    left_out_ma : tuple of float
        Currents that hardly anybody reaches without capture.
    correlation : float
        Of the two log thresholds of a patient, the estimate.
    is_assumed : bool
        Whether that correlation was assumed; the result is then one of a range.
    n_patients : int
        Patients that the law was estimated from; 0 where it was not.
    source : str
        Where the law comes from.
    notes : tuple of str
        What a reader must know.
    """

    here: str
    there: str
    highest_here_ma: float
    highest_there_ma: float
    captured_here: Curve
    captured_there: Curve
    captured_there_at_same: Curve
    difference: Curve
    reached: Curve
    crossing: Estimate
    times: ChoiceTimes | None
    left_out_ma: tuple[float, ...]
    correlation: float
    is_assumed: bool
    n_patients: int
    source: str
    notes: tuple[str, ...]


def reposition_or_go_on(
    law: PairedLaw,
    here: str,
    currents_ma: Sequence[float] | NDArray[np.float64],
    highest_here_ma: float,
    highest_there_ma: float,
    level: float = 0.95,
    *,
    timing: RampTiming | None = None,
) -> RepositionCurve:
    """Compare more current with the present placement with moving the pads, after each current without capture.

    Everything is conditional on no capture up to the current although that was judged rightly: where a capture was
    overlooked, the patient was not one of those that this speaks of.  Patients not captured so far are those with high
    thresholds, and as a patient's two thresholds are alike, theirs are high with the other placement too; only pairs
    within patients say how much.  A comparison of two placements in two groups of patients does not; with an assumed
    correlation the result is labelled assumed, and a range of correlations is to be shown (:func:`assumed_range`).

    Moving the pads takes time, during which nothing paces.  The shares captured in the end leave that out, so with
    ``timing`` the fairer comparison is made beside them: the share captured within some seconds of the decision by
    either choice.

    The difference of the two shares has the sign of P(not captured here by the highest) - P(T here > c, not captured
    there by the highest), which rises with the current c: moving is the better choice above one current at most.

    Parameters
    ----------
    law : PairedLaw
        Thresholds with both placements.
    here : str
        Present placement, one of ``law.names``.
    currents_ma : array_like, shape (k,)
        Currents without capture, in mA, increasing, at most ``highest_here_ma``.
    highest_here_ma, highest_there_ma : float
        Highest current with the present and with the other placement, in mA.
    level : float
        Confidence level of the limits, which are percentiles of the law's draws.
    timing : RampTiming or None
        How fast either choice is carried out.

    Raises
    ------
    UsageError
        When a placement, current or level cannot be used.
    NotEstimableError
        When hardly anybody reaches any of the currents without capture.
    """
    if here not in law.names:
        raise UsageError(f"The present placement (here) is one of {' and '.join(law.names)}, not {here}.")
    currents = _checked_currents(currents_ma, highest_here_ma, highest_there_ma, level)
    if timing is not None and timing.restart_ma > highest_there_ma:
        raise UsageError(
            f"After moving the ramp starts (restart_ma) at or below the highest current there, {highest_there_ma:g} "
            f"mA, not at {timing.restart_ma:g} mA."
        )
    own = law if law.names[0] == here else law.swapped()
    there = own.names[1]
    reached = own.probability(currents, np.inf, 0.0, np.inf)
    # fewer than one patient of a study of that size would be left
    least = max(LEAST, 1 / law.n_patients) if law.n_patients else LEAST
    said = np.where(reached >= LEAST, reached, np.nan)
    kept = (reached[0] >= least) & estimable(said)
    if not kept.any():
        raise NotEstimableError(f"Hardly anybody reaches any of these currents without capture with {here} placement.")
    x, reached, said = currents[kept], reached[:, kept], said[:, kept]
    on = own.probability(x, highest_here_ma, 0.0, np.inf) / said
    moved = own.probability(x, np.inf, 0.0, highest_there_ma) / said
    same = own.probability(x, np.inf, 0.0, x) / said
    left_out = tuple(float(current) for current in currents[~kept])
    notes = _notes(own, here, left_out, least, timed=timing is not None)
    if np.isnan(said).any():
        notes += (SILENT_DRAWS,)

    highest = (highest_here_ma, highest_there_ma)

    def curve(label: str, rows: NDArray[np.float64], lowest: float = 0.0) -> Curve:
        return curve_of_draws(label, x, rows, (lowest, 1.0), level)

    return RepositionCurve(
        here, there, float(highest_here_ma), float(highest_there_ma),
        curve(f"share captured by {highest_here_ma:g} mA, going on with {here}", on),
        curve(f"share captured by {highest_there_ma:g} mA, moving to {there}", moved),
        curve(f"share captured at the same current, moving to {there}", same),
        curve(f"share captured, moving to {there} minus going on with {here}", moved - on, -1.0),
        curve(f"share not captured so far with {here}", reached),
        crossing_current(own, highest_here_ma, highest_there_ma, least, level, notes),
        None if timing is None else choice_times(own, x, said, highest, timing, LEAST, level),
        left_out, float(law.correlation[0]), law.is_assumed, law.n_patients, law.source, notes,
    )  # fmt: skip


def assumed_range(
    first: MarginalLaw,
    second: MarginalLaw,
    here: str,
    currents_ma: Sequence[float] | NDArray[np.float64],
    highest_here_ma: float,
    highest_there_ma: float,
    level: float = 0.95,
    *,
    correlations: Sequence[float] = (0.0, 0.3, 0.6, 0.9),
    timing: RampTiming | None = None,
    source: str = "",
) -> tuple[RepositionCurve, ...]:
    """Return the comparison under each of several assumed correlations, where no patient had both placements.

    The range is a sensitivity analysis: no member of it is an estimate.

    Parameters
    ----------
    first, second : MarginalLaw
        Laws of two different groups of patients.
    here, currents_ma, highest_here_ma, highest_there_ma, level, timing
        As in :func:`reposition_or_go_on`.
    correlations : sequence of float
        Assumed correlations of the two log thresholds of a patient.
    source : str
        Where the two laws come from, in words.

    Raises
    ------
    UsageError, NotEstimableError
        As :func:`reposition_or_go_on`.
    """
    return tuple(
        reposition_or_go_on(
            PairedLaw.assumed(first, second, correlation, source), here, currents_ma, highest_here_ma,
            highest_there_ma, level, timing=timing,
        )
        for correlation in correlations
    )  # fmt: skip


def _checked_currents(
    currents_ma: Sequence[float] | NDArray[np.float64], highest_here: float, highest_there: float, level: float
) -> NDArray[np.float64]:
    for name, highest in (("highest_here_ma", highest_here), ("highest_there_ma", highest_there)):
        if not (np.isfinite(highest) and highest > 0):
            raise UsageError(f"The highest current ({name}) is a finite number of mA above 0, not {highest:g}.")
    currents = np.asarray(currents_ma, dtype=np.float64)
    if currents.ndim != 1 or currents.size == 0 or not np.all((currents >= 0) & (currents <= highest_here)):
        raise UsageError(
            "Currents without capture (currents_ma) are one or more numbers from 0 to the highest current, "
            f"{highest_here:g} mA."
        )
    if np.any(np.diff(currents) <= 0):
        raise UsageError("Currents without capture (currents_ma) rise from one to the next.")
    if not 0 < level < 1:
        raise UsageError(f"A confidence level lies strictly between 0 and 1, not {level:g}.")
    return currents


def _notes(law: PairedLaw, here: str, left_out: tuple[float, ...], least: float, *, timed: bool) -> tuple[str, ...]:
    notes = [JUDGED, *(() if timed else (NO_TIME,)), *law.notes]
    if not law.draws:
        notes.append(NO_DRAWS)
    if left_out:
        listed = ", ".join(f"{current:g}" for current in left_out)
        notes.append(
            f"currents that fewer than {100 * least:.3g} % reach without capture with {here} placement are left out: "
            f"{listed} mA"
        )
    return tuple(notes)
