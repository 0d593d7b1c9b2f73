"""Shares captured with everybody's pads in the one placement, and in the other: standardised over covariates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.numerics.hazards import fit_hazards
from capstat.numerics.hazards_predict import standardised_incidence
from capstat.outcomes.episodes import CAPTURE
from capstat.outcomes.time_data import ANOTHER_END, TimeData, complete_times
from capstat.results import Curve, Estimate, NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.distributions.covariates import Covariates
    from capstat.numerics.hazards import HazardsFit
    from capstat.outcomes.episodes import Episodes

__all__ = ["StandardisedCapture", "standardised_capture"]

METHOD = (
    "standardised over the covariates of all complete episodes (g-formula; Robins 1986, from memory): cumulative "
    "incidence from cause-specific proportional hazards of capture and of any other end; percentile limits of a "
    "patient bootstrap that refits both"
)
ASSUMED = (
    "the two curves would be what placement brings about only if the covariates were all that placements were chosen "
    "by, hazards were proportional, and censoring told nothing of the wait: assumed, not shown"
)
# with fewer resamples left the percentiles say nothing
LEAST_SHARE = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class StandardisedCapture:
    """Shares captured with everybody in either placement.

    Attributes
    ----------
    first, minus : str
        Placements.
    curves : tuple of Curve
        Share captured by minutes, with everybody in the first and in the second placement.
    captured_by : tuple of (Estimate, Estimate)
        Shares captured (%) by each of the given minutes, first and second placement.
    differences : tuple of Estimate
        First minus second, in percentage points.
    n, captured, other_ends : int
        Complete episodes, and how many of them ended with capture and otherwise.
    replicates, failed : int
        Resamples, and those of them in which a model had no finite estimate.
    missing : tuple of (str, int)
        Episodes without each covariate.
    notes : tuple of str
        What a reader must know.
    """

    first: str
    minus: str
    curves: tuple[Curve, Curve]
    captured_by: tuple[tuple[Estimate, Estimate], ...]
    differences: tuple[Estimate, ...]
    n: int
    captured: int
    other_ends: int
    replicates: int
    failed: int
    missing: tuple[tuple[str, int], ...]
    notes: tuple[str, ...]


def _fits(
    data: TimeData, ends: tuple[int, ...], weight: NDArray[np.float64] | None, starts: list[NDArray[np.float64]] | None
) -> tuple[HazardsFit, ...]:
    """Cause-specific models of every end that occurs."""
    return tuple(
        fit_hazards(
            data.waits.latest, data.cause == end, data.matrix, entry=data.waits.entry, weight=weight,
            names=data.names, start=None if starts is None else starts[place],
        )
        for place, end in enumerate(ends)
    )  # fmt: skip


def _shares(
    fits: tuple[HazardsFit, ...],
    designs: tuple[NDArray[np.float64], NDArray[np.float64]],
    times: NDArray[np.float64],
    weight: NDArray[np.float64] | None,
) -> NDArray[np.float64]:
    """Share captured in either placement, shape (2, k)."""
    return np.stack([standardised_incidence(fits, [design] * len(fits), times, weight)[0] for design in designs])


def _grid(data: TimeData, times: NDArray[np.float64]) -> NDArray[np.float64]:
    """Minutes of the curves: evenly spaced up to the last time asked for, and those asked for."""
    last = min(float(times[-1]), float(data.waits.latest.max()))
    return np.unique(np.concatenate([np.linspace(0, last, 61), times]))


def standardised_capture(
    episodes: Episodes,
    *,
    covariates: Covariates,
    seed: int,
    times_min: Sequence[float] = (2.0, 5.0, 10.0),
    first: str | None = None,
    minus: str | None = None,
    replicates: int = 200,
    level: float = 0.95,
) -> StandardisedCapture:
    """Standardise the share captured by each minute over the covariates of all complete episodes.

    Parameters
    ----------
    episodes : Episodes
        One row for each patient.
    covariates : Covariates
        What is adjusted for; only what is settled before the pads are placed.
    seed : int
        Of the bootstrap; the same seed gives the same limits.
    times_min : sequence of float
        Minutes at which shares are wanted, increasing; those after the last end of a wait are left out, with a note.
    first, minus : str, optional
        Placements to compare; the two with most episodes when omitted, the larger first.
    replicates : int
        Resamples of patients.
    level : float
        Confidence level.

    Raises
    ------
    UsageError
        When the minutes do not increase, a covariate cannot be adjusted for, or a placement
        does not occur.
    NotEstimableError
        When nobody complete was captured, no wait lasted to the first minute, or a model has no finite estimate.
    """
    times = np.asarray(times_min, dtype=float)
    if times.size == 0 or not (np.isfinite(times).all() and times[0] > 0 and (np.diff(times) > 0).all()):
        raise UsageError("The minutes at which shares are wanted (times_min) must be positive and increase.")
    data = complete_times(episodes, covariates, first, minus)
    if not data.captured:
        raise NotEstimableError(f"None of the {len(data.waits)} complete episodes ended with {episodes.awaited.name}.")
    longest = float(data.waits.latest.max())
    beyond, times = times[times > longest], times[times <= longest]
    if not times.size:
        raise NotEstimableError(f"No wait lasted {beyond[0]:g} min; the longest was {longest:.3g} min.")
    n = len(data.waits)
    ends = (CAPTURE, ANOTHER_END) if (data.cause == ANOTHER_END).any() else (CAPTURE,)
    designs = (data.with_placement(data.first), data.with_placement(data.minus))
    x = _grid(data, times)
    fits = _fits(data, ends, None, None)
    shares = _shares(fits, designs, x, None)
    starts = [fit.coefficients for fit in fits]
    rng = np.random.default_rng(seed)
    drawn = []
    for counts in rng.multinomial(n, np.full(n, 1 / n), size=replicates).astype(float):
        try:
            drawn.append(_shares(_fits(data, ends, counts, starts), designs, x, counts))
        except NotEstimableError:
            continue
    notes = episodes.notes
    if beyond.size:
        notes = (*notes, f"no wait lasted {beyond[0]:g} min, so nothing is standardised there")
    return _results(data, x, times, shares, np.asarray(drawn), replicates, level, notes)


def _results(
    data: TimeData,
    x: NDArray[np.float64],
    times: NDArray[np.float64],
    shares: NDArray[np.float64],
    drawn: NDArray[np.float64],
    replicates: int,
    level: float,
    notes: tuple[str, ...],
) -> StandardisedCapture:
    """Curves, shares and differences with percentile limits."""
    n, kept = len(data.waits), len(drawn)
    failed = replicates - kept
    limited = kept >= max(2, LEAST_SHARE * replicates)
    said = [ASSUMED, *data.notes(data.captured, "capture"), *notes]
    if data.waits.entry is not None:
        said.append("patients are at risk from their first pulse on, and few are at risk early: limits there are wide")
    if not data.waits.exact:
        said.append("times of capture that are intervals enter with their latest time")
    if failed:
        said.append(
            f"in {failed} of {replicates} resamples a model had no finite estimate; limits come from the others"
        )
    if not limited:
        said.append("in most resamples a model had no finite estimate, so there are no limits")
    tails = [(1 - level) / 2, (1 + level) / 2]

    def estimate(quantity: str, unit: str, direction: str, value: float, values: NDArray[np.float64]) -> Estimate:
        # resamples of nobody captured are all alike, and say nothing of how many there could be
        told = limited and float(np.ptp(values)) > 0
        lower, upper = (float(limit) for limit in np.quantile(values, tails)) if told else (None, None)
        return Estimate(quantity, value, lower, upper, level, unit, "identity", n, METHOD, direction, notes=tuple(said))

    captured_by, differences = [], []
    names = (data.first, data.minus)
    for t in times:
        i = int(np.searchsorted(x, t))
        both = 100 * (drawn[:, :, i] if kept else np.empty((0, 2)))
        one, two = (
            estimate(f"share captured by {t:g} min, everybody {name}", "%", "", 100 * float(shares[p, i]), both[:, p])
            for p, name in enumerate(names)
        )
        captured_by.append((one, two))
        differences.append(
            estimate(
                f"difference of shares captured by {t:g} min", "percentage points", f"{data.first} minus {data.minus}",
                100 * float(shares[0, i] - shares[1, i]), both[:, 0] - both[:, 1],
            )
        )  # fmt: skip
    bands = np.quantile(drawn, tails, axis=0) if limited else np.stack([np.zeros_like(shares), np.ones_like(shares)])
    first, second = (
        Curve(f"captured, everybody {name}", x, shares[p], shares[p], bands[0, p], bands[1, p], level, METHOD)
        for p, name in enumerate(names)
    )
    return StandardisedCapture(
        data.first, data.minus, (first, second), tuple(captured_by), tuple(differences), n, data.captured,
        int((data.cause == ANOTHER_END).sum()), replicates, failed, data.missing, tuple(said),
    )  # fmt: skip
