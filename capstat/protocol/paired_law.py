"""Joint law of the thresholds of one patient with two placements, as an estimate with draws of its parameters."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr, owens_t

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["MarginalLaw", "PairedLaw"]

# a standard normal value beyond this has no density that a double can hold
BEYOND = 40.0
# two shares captured with neither placement that differ by less are the same
SAME_SHARE = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class MarginalLaw:
    """Lognormal law of the threshold with one placement; row 0 is the estimate, the others draws.

    Attributes
    ----------
    name : str
        Placement.
    log_mean, log_sd : ndarray, shape (B + 1,)
        Mean and standard deviation of log threshold (mA).
    capturable : ndarray, shape (B + 1,)
        Share of patients that some current captures.
    n_patients : int
        Patients it was estimated from; 0 where it was not estimated.
    """

    name: str
    log_mean: NDArray[np.float64]
    log_sd: NDArray[np.float64]
    capturable: NDArray[np.float64]
    n_patients: int = 0

    def __post_init__(self) -> None:
        """Refuse arrays that do not fit together."""
        shapes = {np.shape(part) for part in (self.log_mean, self.log_sd, self.capturable)}
        if len(shapes) > 1 or len(shape := shapes.pop()) != 1 or shape[0] < 1:
            raise ValueError(
                f"The law of {self.name} needs log_mean, log_sd and capturable as arrays of one axis and one length."
            )
        _check_numbers(self.log_mean, self.log_sd, self.capturable)


@dataclass(frozen=True, slots=True, eq=False)
class PairedLaw:
    """Two thresholds of one patient are jointly lognormal; some patients are captured with neither placement.

    Row 0 of every array is the estimate, the other B rows are draws of the parameters.

    Attributes
    ----------
    names : tuple of str
        First and second placement.
    log_means, log_sds : ndarray, shape (B + 1, 2)
        Mean and standard deviation of log threshold (mA) with either placement.
    correlation : ndarray, shape (B + 1,)
        Of the two log thresholds of a patient who can be captured.
    capturable : ndarray, shape (B + 1,)
        Share of patients that some current captures with either placement.
    source : str
        Where the parameters come from, in words.
    n_patients : int
        Patients they were estimated from; 0 where they were not estimated.
    notes : tuple of str
        What a reader must know before using the law.
    is_assumed : bool
        Whether the correlation was assumed and not estimated from pairs.
    only_one : ndarray, shape (B + 1, 2), or None
        Share that some current captures with the first placement only, and with the second only; none when ``None``.
        All others are captured with neither.

    Raises
    ------
    ValueError
        When the arrays do not fit together or hold impossible values.
    """

    names: tuple[str, str]
    log_means: NDArray[np.float64]
    log_sds: NDArray[np.float64]
    correlation: NDArray[np.float64]
    capturable: NDArray[np.float64]
    source: str
    n_patients: int = 0
    notes: tuple[str, ...] = ()
    is_assumed: bool = False
    only_one: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        """Refuse a law that is none."""
        rows = np.shape(self.correlation)[:1]
        expected = {"log_means": (*rows, 2), "log_sds": (*rows, 2), "correlation": rows, "capturable": rows}
        for name, shape in expected.items():
            if np.shape(getattr(self, name)) != shape or rows in ((), (0,)):
                raise ValueError(
                    "A paired law needs log_means and log_sds of shape (B + 1, 2), correlation and capturable of shape "
                    f"(B + 1,); {name} has {np.shape(getattr(self, name))}."
                )
        if len(self.names) != 2 or self.names[0] == self.names[1]:
            raise ValueError(f"A paired law is of two placements with different names, not of {', '.join(self.names)}.")
        _check_numbers(self.log_means, self.log_sds, self.capturable)
        if self.only_one is not None and (
            self.only_one.shape != (*rows, 2)
            or not np.all(self.only_one >= 0)
            or not np.all(self.only_one.sum(axis=1) + self.capturable <= 1 + SAME_SHARE)
        ):
            raise ValueError(
                "Shares that one placement alone can capture (only_one) have the shape (B + 1, 2), are at least 0, and "
                "with those that either can capture make at most 1."
            )
        if not np.all(np.abs(self.correlation) < 1):
            raise ValueError("A correlation of two log thresholds (correlation) lies strictly between -1 and 1.")

    @property
    def draws(self) -> int:
        """Number of draws of the parameters, without the estimate."""
        return int(self.correlation.size) - 1

    def probability(
        self, lower_first: ArrayLike, upper_first: ArrayLike, lower_second: ArrayLike, upper_second: ArrayLike
    ) -> NDArray[np.float64]:
        """Probability that both thresholds of a patient lie in a rectangle, under the estimate and every draw.

        The four corners come from Owen's T function (Owen 1956, from memory), so that the time does not hang on the
        correlation; the absolute error is below 1e-14.  The relative error of far smaller probabilities is not
        bounded.

        Parameters
        ----------
        lower_first, upper_first, lower_second, upper_second : array_like, shape (...)
            Sides in mA, broadcast against each other: the first threshold lies in (lower_first, upper_first].  0 and
            infinity stand for open sides.  A rectangle with both upper sides open also holds the patients whom
            neither placement captures.

        Returns
        -------
        ndarray, shape (B + 1, ...)

        Raises
        ------
        ValueError
            When a side is negative, not a number, or lies below the lower one.
        """
        sides = np.broadcast_arrays(
            *(np.asarray(side, dtype=np.float64) for side in (lower_first, upper_first, lower_second, upper_second))
        )
        for low, high in (sides[:2], sides[2:]):
            if not np.all((low >= 0) & np.isfinite(low) & (high >= low)):
                raise ValueError(
                    "A side of a rectangle is finite and at least 0 mA below, and not lower than that above."
                )
        a, b, c, d = (side[None] for side in sides)
        found = self._above(a, c) - self._above(a, d) - self._above(b, c) + self._above(b, d)
        # rounding must not turn an empty rectangle into a negative probability
        return np.clip(found, 0.0, 1.0)

    def above_by_row(self, first_ma: NDArray[np.float64], second_ma: NDArray[np.float64]) -> NDArray[np.float64]:
        """Probability that both thresholds lie above currents, one pair of currents for each row.

        Parameters
        ----------
        first_ma, second_ma : ndarray, shape (B + 1,)
            Currents in mA.

        Returns
        -------
        ndarray, shape (B + 1,)
            Patients whom neither placement captures are among them.
        """
        return self._above(first_ma, second_ma)

    def _above(self, first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float64]:
        """P(T1 > first, T2 > second), rows along the first axis; an infinite current leaves only nobody above it.

        Patients captured with neither are counted above infinity too, where both currents are finite: the corners of
        a rectangle with both upper sides open are then right without a case of its own.
        """
        extra = (1,) * (max(np.ndim(first), np.ndim(second)) - 1)

        def column(parts: NDArray[np.float64]) -> NDArray[np.float64]:
            return parts.reshape(-1, *extra)

        with np.errstate(divide="ignore"):
            h, k = (
                np.clip((np.log(x) - column(self.log_means[:, j])) / column(self.log_sds[:, j]), -BEYOND, BEYOND)
                for j, x in enumerate((first, second))
            )
        share, finite = column(self.capturable), (np.isfinite(first), np.isfinite(second))
        found = share * _upper_corner(h, k, column(self.correlation))
        others = 1 - share
        if self.only_one is not None:
            # whom one placement alone captures is above every finite current of the other
            one, two = column(self.only_one[:, 0]), column(self.only_one[:, 1])
            found = found + one * ndtr(-h) * finite[1] + two * ndtr(-k) * finite[0]
            others = others - one - two
        return np.asarray(found + np.maximum(others, 0.0) * (finite[0] & finite[1]))

    def marginal(self, k: int) -> MarginalLaw:
        """Law of the threshold with the first (0) or the second (1) placement."""
        share = self.capturable if self.only_one is None else self.capturable + self.only_one[:, k]
        return MarginalLaw(self.names[k], self.log_means[:, k], self.log_sds[:, k], share, self.n_patients)

    def scaled(self, factor: float) -> PairedLaw:
        """Every threshold multiplied by a factor above 0."""
        if not (np.isfinite(factor) and factor > 0):
            raise ValueError(f"Thresholds are multiplied by a finite number above 0, not by {factor:g}.")
        return replace(self, log_means=self.log_means + np.log(factor))

    def swapped(self) -> PairedLaw:
        """The second placement in the place of the first."""
        only_one = None if self.only_one is None else self.only_one[:, ::-1]
        return replace(
            self, names=(self.names[1], self.names[0]), log_means=self.log_means[:, ::-1],
            log_sds=self.log_sds[:, ::-1], only_one=only_one,
        )  # fmt: skip

    @classmethod
    def assumed(cls, first: MarginalLaw, second: MarginalLaw, correlation: float, source: str = "") -> PairedLaw:
        """Join the laws of two different groups of patients with a correlation that nobody observed.

        Two groups say nothing of how alike two thresholds of one patient are.  Their draws are independent.  Each
        placement keeps its own share never captured; those whom the better one does not capture are taken to be among
        those whom the other does not, so that no more are captured with neither than the better one leaves.

        Parameters
        ----------
        first, second : MarginalLaw
            Laws with as many draws.
        correlation : float
            Assumed, strictly between -1 and 1.
        source : str
            Where the two laws come from, in words.

        Raises
        ------
        ValueError
            When the laws have different numbers of draws, or the correlation is none.
        """
        if first.log_mean.shape != second.log_mean.shape:
            raise ValueError(
                f"The laws of {first.name} and {second.name} need the same number of draws, not "
                f"{first.log_mean.size - 1} and {second.log_mean.size - 1}."
            )
        notes = [f"the correlation of {correlation:g} between the two thresholds of a patient is assumed, not observed"]
        never = np.column_stack((1 - first.capturable, 1 - second.capturable))
        neither = never.min(axis=1)
        if np.abs(never[:, 0] - never[:, 1]).max() > SAME_SHARE:
            better = first.name if never[0, 0] <= never[0, 1] else second.name
            notes.append(f"whom no current captures with {better} is assumed to be captured with neither")
        return cls(
            (first.name, second.name), np.column_stack((first.log_mean, second.log_mean)),
            np.column_stack((first.log_sd, second.log_sd)), np.full(first.log_mean.size, float(correlation)),
            1 - never.max(axis=1), source or "two different groups of patients", first.n_patients + second.n_patients,
            tuple(notes), is_assumed=True, only_one=(never - neither[:, None])[:, ::-1],
        )  # fmt: skip


def _check_numbers(
    log_means: NDArray[np.float64], log_sds: NDArray[np.float64], capturable: NDArray[np.float64]
) -> None:
    if not np.all(np.isfinite(log_means)):
        raise ValueError("A mean of log threshold (log_means) is a finite number.")
    if not np.all(np.isfinite(log_sds) & (np.asarray(log_sds) > 0)):
        raise ValueError("A standard deviation of log threshold (log_sds) is a finite number above 0.")
    if not np.all((np.asarray(capturable) >= 0) & (np.asarray(capturable) <= 1)):
        raise ValueError("A share of patients that some current captures (capturable) lies between 0 and 1.")


def _upper_corner(h: NDArray[np.float64], k: NDArray[np.float64], rho: NDArray[np.float64]) -> NDArray[np.float64]:
    """P(X > h, Y > k) of standard normal X, Y with correlation ``rho``, from Owen's T function."""
    # -0.0 would give the infinite slopes below the wrong sign
    h, k = np.broadcast_arrays(h + 0.0, k + 0.0)
    spread = np.sqrt((1 - rho) * (1 + rho))
    with np.errstate(divide="ignore", invalid="ignore"):
        by_h, by_k = (k - rho * h) / (h * spread), (h - rho * k) / (k * spread)
    opposite = (h * k < 0) | ((h * k == 0) & (h + k < 0))
    found = (ndtr(-h) + ndtr(-k)) / 2 - owens_t(h, by_h) - owens_t(k, by_k) - 0.5 * opposite
    return np.asarray(np.where((h == 0) & (k == 0), 0.25 + np.arcsin(rho) / (2 * np.pi), found))
