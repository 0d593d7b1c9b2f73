"""Patients with both placements, their settings, and what a test of pairs reports."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.placement.order import first_attempt_with_each_placement
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = ["PairedTest", "Pairs", "compare_settings_within_patients", "pairs_of", "setting_notes"]


@dataclass(frozen=True, slots=True)
class PairedTest:
    """A test of no difference between two placements in the same patients.

    Attributes
    ----------
    name : str
        What was compared.
    statistic : float
        Zero when neither placement is favoured; ``direction`` says what a positive value means.
    p_value, p_mid : float
        Two-sided exact p-value, and mid-p (1 when the statistic is 0).
    n_pairs : int
        Patients in the test.
    n_informative : int
        Of them those who can move the statistic.
    first_lower, second_lower : int
        Patients whose threshold is certainly lower with the first, with the second placement.
    undecided : int
        Patients whose bounds do not say.
    direction : str
        What a positive statistic means.
    method : str
        Test by its name in the literature.
    notes : tuple of str
        What a reader must know before using the p-value.
    """

    name: str
    statistic: float
    p_value: float
    p_mid: float
    n_pairs: int
    n_informative: int
    first_lower: int
    second_lower: int
    undecided: int
    direction: str
    method: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """Patients with both placements: column 0 the first placement, column 1 the second; shapes (n, 2), bounds in mA."""

    names: tuple[str, str]
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    covariates: dict[str, NDArray[np.float64]]

    @property
    def order(self) -> NDArray[np.float64]:
        """Number of each attempt within its patient, shape (n, 2); NaN where it was not recorded."""
        return self.covariates.get("attempt_order", np.full(self.lower.shape, np.nan))

    @property
    def higher(self) -> str:
        """What a positive statistic means."""
        return f"positive when {self.names[0]} needs more current than {self.names[1]}"

    def subset(self, keep: NDArray[np.bool_]) -> Pairs:
        held = {name: values[keep] for name, values in self.covariates.items()}
        return Pairs(self.names, self.lower[keep], self.upper[keep], held)


def pairs_of(thresholds: CensoredThresholds, first: str, minus: str) -> Pairs:
    """First attempt with each of the two placements, of the patients who have both.

    Raises
    ------
    NotEstimableError
        When no patient has both placements.
    UsageError
        When both placements are the same, or attempts have weights.
    """
    if first == minus:
        raise UsageError(f"A placement cannot be compared with itself: both are {first}.")
    single = first_attempt_with_each_placement(thresholds.subset(np.isin(thresholds.placement, (first, minus))))
    if np.any(single.weight != 1):
        raise UsageError("A test of pairs counts every patient once; leave the weights out.")
    one, two = single.for_placement(first), single.for_placement(minus)
    _, i, j = np.intersect1d(one.patient, two.patient, return_indices=True)
    if i.size == 0:
        raise NotEstimableError(f"No patient has both {first} and {minus} placement.")
    recorded = {}
    for name in ("attempt_order", "max_output_ma", "step_ma"):
        if name in single.covariates:
            columns = (part.covariates[name].to_numpy(dtype=float, na_value=np.nan) for part in (one, two))
            recorded[name] = np.column_stack([c[at] for c, at in zip(columns, (i, j), strict=True)])
    return Pairs(
        (first, minus), np.column_stack((one.lower_ma[i], two.lower_ma[j])),
        np.column_stack((one.upper_ma[i], two.upper_ma[j])), recorded,
    )  # fmt: skip


def compare_settings_within_patients(thresholds: CensoredThresholds, first: str, minus: str) -> tuple[str, ...]:
    """Say in words where the two ramps of a patient differ in settings, or that this could not be checked.

    Tests of pairs take the two intervals of a patient as exchangeable when the placements do not differ, and so need
    equal ramps.

    Parameters
    ----------
    thresholds : CensoredThresholds
        With ``max_output_ma`` and ``step_ma`` among the covariates, where recorded.
    first, minus : str
        The two placements.

    Raises
    ------
    NotEstimableError
        When no patient has both placements.
    """
    return setting_notes(pairs_of(thresholds, first, minus))


def setting_notes(pairs: Pairs) -> tuple[str, ...]:
    """As :func:`compare_settings_within_patients`, of pairs already made."""
    notes, n = [], len(pairs.lower)
    for column, words in (("max_output_ma", "highest currents"), ("step_ma", "steps of current")):
        values = pairs.covariates.get(column, np.full((n, 2), np.nan))
        known = np.isfinite(values).all(axis=1)
        differ = int((known & (values[:, 0] != values[:, 1])).sum())
        if differ:
            notes.append(
                f"{words} ({column}) differ between the two attempts of {differ} of {n} patients; tests of pairs also "
                "respond to such a difference"
            )
        if not known.all():
            notes.append(
                f"{words} ({column}) were not recorded for both attempts of {n - int(known.sum())} of {n} patients, so "
                "it was not checked that their ramps are alike"
            )
    return tuple(notes)
