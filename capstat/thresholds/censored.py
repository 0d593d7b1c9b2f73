"""Capture thresholds as they can be known: half-open intervals on the current axis."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import pandas as pd

from capstat.results import NotEstimableError
from capstat.thresholds.tabulate import Cells, tabulate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

_Item = TypeVar("_Item", bound=np.generic)

__all__ = ["Cells", "CensoredThresholds", "Censoring", "Derivation", "Ending"]


class Censoring(Enum):
    """How much of a threshold was seen."""

    LEFT = "left-censored"
    INTERVAL = "interval-censored"
    RIGHT = "right-censored"
    EXACT = "exact"


class Ending(Enum):
    """Why the search for capture ended.

    Stopping early is kept apart from reaching the maximum: who stops early may differ from who goes on.
    """

    CAPTURED = "captured"
    MAXIMUM_REACHED = "no capture at the device maximum"
    STOPPED_EARLY = "stopped below the device maximum without capture"
    UNKNOWN = "not recorded"


@dataclass(frozen=True, slots=True)
class Derivation:
    """Account of how every attempt of a study was read.

    Attributes
    ----------
    rule : str
        How ramps that contradict themselves were read.
    from_steps, from_summary : int
        Usable attempts by where the bounds came from.
    non_monotone_rows : tuple of int
        Ramps with capture at or below a current that did not capture, by the row of the attempts file as a
        spreadsheet shows it.
    not_assessed : int
        Attempts in which this kind of capture was never looked at, or that were recorded by another
        criterion; they are left out.
    disagreeing : int
        Attempts whose summary columns contradict their own steps; the steps were used.
    """

    rule: str
    from_steps: int
    from_summary: int
    non_monotone_rows: tuple[int, ...]
    not_assessed: int
    disagreeing: int


def _checked_bounds(lower_ma: ArrayLike, upper_ma: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    lower = np.array(lower_ma, dtype=float)
    upper = np.array(upper_ma, dtype=float)
    if lower.ndim != 1 or lower.shape != upper.shape:
        raise ValueError(
            f"Lower and upper bounds must be two lists of the same length, not {lower.shape} and {upper.shape}."
        )
    rules = (
        (np.isnan(lower) | np.isnan(upper), "is not a number; use 0 and inf for an open side"),
        (np.isinf(lower) | (lower < 0), "needs a finite lower bound of 0 mA or more"),
        (upper <= 0, "needs an upper bound above 0 mA"),
        (lower > upper, "has its lower bound above its upper bound"),
    )
    problems = [
        f"interval {i + 1} ({lower[i]:g}, {upper[i]:g}] {text}"
        for broken, text in rules
        for i in np.flatnonzero(broken)
    ]
    if problems:
        shown = "; ".join(problems[:20])
        more = f"; and {len(problems) - 20} more" if len(problems) > 20 else ""
        raise ValueError(f"Not a threshold interval: {shown}{more}.")
    return lower, upper


def _codes(labels: Sequence[Any] | ArrayLike | None, n: int, what: str) -> NDArray[np.intp]:
    if labels is None:
        return np.arange(n, dtype=np.intp)
    codes, _ = pd.factorize(np.asarray(labels))
    if codes.size != n:
        raise ValueError(f"{what} has {codes.size} entries for {n} intervals.")
    if (codes < 0).any():
        raise ValueError(f"{what} is missing for interval {int(np.flatnonzero(codes < 0)[0]) + 1}.")
    return np.asarray(codes, dtype=np.intp)


def _frozen(array: NDArray[_Item]) -> NDArray[_Item]:
    array.setflags(write=False)
    return array


@dataclass(frozen=True, slots=True, eq=False)
class CensoredThresholds:
    """Thresholds known to lie in (lower, upper]: above the last current without capture, at or below the
    first with it.

    ``lower = 0`` when the first setting captured, ``upper = inf`` when nothing captured,
    ``lower = upper`` when the threshold is known exactly.  Arrays are read-only; make instances with
    :meth:`from_bounds` or :func:`capstat.derive_thresholds`.

    Attributes
    ----------
    lower_ma, upper_ma : ndarray, shape (n,)
        Bounds in mA.
    patient : ndarray of int, shape (n,)
        Which attempts belong to the same patient (codes, never the identifiers themselves).
    placement : ndarray of str, shape (n,)
        Pad placement; ``"unknown"`` where none was given.
    weight : ndarray, shape (n,)
        Analysis weights (for example inverse probabilities), not counts: a repeated row is a repeated row.
    ending : ndarray of Ending, shape (n,)
        Why the search ended.
    covariates : pandas.DataFrame
        What else is known about each attempt, in the same order; may have no columns.
    capture : str
        Name of the definition of capture that the intervals refer to.
    derivation : Derivation or None
        How every attempt of the study was read; ``None`` for intervals given as arrays.  A subset keeps the
        account of the whole.
    """

    lower_ma: NDArray[np.float64]
    upper_ma: NDArray[np.float64]
    patient: NDArray[np.intp]
    placement: NDArray[np.str_]
    weight: NDArray[np.float64]
    ending: NDArray[np.object_]
    covariates: pd.DataFrame
    capture: str = "as given"
    derivation: Derivation | None = None

    @classmethod
    def from_bounds(
        cls,
        lower_ma: ArrayLike,
        upper_ma: ArrayLike,
        patient: Sequence[Any] | ArrayLike | None = None,
        placement: Sequence[str] | ArrayLike | None = None,
        weights: ArrayLike | None = None,
        ending: Sequence[Ending] | None = None,
        covariates: pd.DataFrame | None = None,
        capture: str = "as given",
        derivation: Derivation | None = None,
    ) -> CensoredThresholds:
        """Make thresholds from arrays of bounds.

        Parameters
        ----------
        lower_ma, upper_ma : array-like, shape (n,)
            Bounds in mA; ``upper_ma`` may be infinite.
        patient : array-like, shape (n,), optional
            Any labels; each interval is its own patient when omitted.
        placement : array-like of str, shape (n,), optional
            Pad placement of each interval.
        weights : array-like, shape (n,), optional
            Positive analysis weights; all 1 when omitted.

        Raises
        ------
        ValueError
            When a bound is missing, negative or reversed; the message lists every such interval.

        Examples
        --------
        >>> thresholds = CensoredThresholds.from_bounds([60, 65, 140], [65, 70, float("inf")])
        >>> [kind.value for kind in thresholds.censoring]
        ['interval-censored', 'interval-censored', 'right-censored']
        """
        lower, upper = _checked_bounds(lower_ma, upper_ma)
        n = lower.size
        weight = np.ones(n) if weights is None else np.array(weights, dtype=float)
        if weight.shape != (n,) or not np.all(np.isfinite(weight) & (weight > 0)):
            raise ValueError("Weights must be positive numbers, one for each interval.")
        codes = _codes(patient, n, "The patient of an interval")
        places = np.full(n, "unknown") if placement is None else np.asarray(placement, dtype=np.str_)
        if places.shape != (n,):
            raise ValueError(f"There are {places.size} placements for {n} intervals.")
        if ending is None:
            ending = [Ending.UNKNOWN if open_above else Ending.CAPTURED for open_above in np.isinf(upper)]
        endings = np.empty(len(ending), dtype=object)
        endings[:] = ending
        table = pd.DataFrame(index=range(n)) if covariates is None else covariates.reset_index(drop=True)
        if len(table) != n or endings.shape != (n,):
            raise ValueError(f"Covariates and endings need one row for each of the {n} intervals.")
        return cls(
            _frozen(lower), _frozen(upper), _frozen(codes), _frozen(places), _frozen(weight), _frozen(endings),
            table, capture, derivation,
        )  # fmt: skip

    def __len__(self) -> int:
        """Return the number of attempts."""
        return int(self.lower_ma.size)

    @property
    def n_patients(self) -> int:
        """Number of patients."""
        return int(pd.unique(self.patient).size)

    @property
    def clustered(self) -> bool:
        """Whether some patient has several attempts."""
        return self.n_patients < len(self)

    @property
    def censoring(self) -> list[Censoring]:
        """Kind of censoring of each attempt."""
        kinds = np.full(len(self), Censoring.INTERVAL, dtype=object)
        kinds[self.lower_ma == 0] = Censoring.LEFT
        kinds[np.isinf(self.upper_ma)] = Censoring.RIGHT
        kinds[self.lower_ma == self.upper_ma] = Censoring.EXACT
        return list(kinds)

    @property
    def placements(self) -> tuple[str, ...]:
        """The placements that occur, sorted."""
        return tuple(str(name) for name in np.unique(self.placement))

    def subset(self, keep: NDArray[np.bool_]) -> CensoredThresholds:
        """Return the attempts where ``keep`` is true; patients keep their codes."""
        return CensoredThresholds(
            _frozen(self.lower_ma[keep]),
            _frozen(self.upper_ma[keep]),
            _frozen(self.patient[keep]),
            _frozen(self.placement[keep]),
            _frozen(self.weight[keep]),
            _frozen(self.ending[keep]),
            self.covariates.loc[keep].reset_index(drop=True),
            self.capture,
            self.derivation,
        )

    def for_placement(self, placement: str) -> CensoredThresholds:
        """Return the attempts with one placement."""
        return self.subset(self.placement == placement)

    def cells(self) -> Cells:
        """Tabulate the distinct intervals.

        On a device's grid of currents there are few, so what is estimated from cells costs the same
        whatever the number of attempts.

        Raises
        ------
        NotEstimableError
            When there are no attempts at all.
        """
        if len(self) == 0:
            raise NotEstimableError("There are no attempts with a usable threshold interval.")
        return tabulate(self.lower_ma, self.upper_ma, self.weight)
