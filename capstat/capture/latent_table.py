"""Signs of capture as one array, ready for a latent class model."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["SignTable", "sign_table"]


@dataclass(frozen=True, slots=True, eq=False)
class SignTable:
    """Steps with at least one sign, and the signs that gave both answers.

    Attributes
    ----------
    values : ndarray, shape (n, signs)
        1, 0, or NaN where not looked for.
    names : tuple of str
        Signs in the columns.
    patient : ndarray of int, shape (n,)
        Patient of each step, from 0.
    patients : int
        How many there are.
    group : ndarray of int, shape (n,)
        Group of each step, from 0.
    groups : tuple of str
        Labels of the groups; one empty label without groups.
    asked : tuple of str
        All signs asked for.
    left_out : dict
        Why a sign is not in the columns.
    notes : tuple of str
        What was left out, and signs that never differ.
    """

    values: NDArray[np.float64]
    names: tuple[str, ...]
    patient: NDArray[np.intp]
    patients: int
    group: NDArray[np.intp]
    groups: tuple[str, ...]
    asked: tuple[str, ...]
    left_out: dict[str, str]
    notes: tuple[str, ...]


def _check(values: NDArray[np.float64], names: Sequence[str], others: Sequence[NDArray[np.generic]]) -> None:
    if values.ndim != 2 or values.shape[1] != len(names) or any(len(other) != len(values) for other in others):
        raise UsageError("The signs need one column for each name, and one patient and group for each row.")
    if len(set(names)) < len(names):
        raise UsageError("A sign is named twice; every sign may be used once.")
    if not np.all(np.isnan(values) | (values == 0) | (values == 1)):
        raise UsageError(f"A sign of {', '.join(names)} holds a value that is not 1 (yes), 0 (no) or missing.")


def sign_table(
    values: NDArray[np.float64],
    names: Sequence[str],
    patient: NDArray[np.generic],
    group: NDArray[np.generic] | None,
) -> SignTable:
    """Check the signs, and leave out what says nothing; see :func:`capstat.capture.latent_signs.fit_signs`.

    Raises
    ------
    NotEstimableError
        When fewer than two signs gave both answers.
    UsageError
        When the shapes do not fit, or a value is not 0, 1 or missing.
    """
    values = np.asarray(values, dtype=float)
    owners = np.zeros(len(values)) if group is None else np.asarray(group)
    _check(values, names, (np.asarray(patient), owners))
    left_out = {}
    for column, name in enumerate(names):
        answers = np.unique(values[~np.isnan(values[:, column]), column])
        if answers.size == 0:
            left_out[name] = f"{name} was never looked for."
        elif answers.size == 1:
            left_out[name] = f"{name} always said {'yes' if answers[0] else 'no'}, which tells no step from another."
    kept = [column for column, name in enumerate(names) if name not in left_out]
    if len(kept) < 2:
        why = " ".join(left_out.values())
        raise NotEstimableError(
            f"A latent class model needs at least two signs that say both yes and no. {why}".strip()
        )
    notes = [f"Left out: {why}" for why in left_out.values()]
    usable = ~np.isnan(values[:, kept]).all(axis=1) & ~pd.isna(owners) & ~pd.isna(patient)
    if not usable.all():
        notes.append(f"{int((~usable).sum())} steps without any of the signs, a patient or a group were left out.")
    values = values[usable][:, kept]
    for one, two in itertools.combinations(range(len(kept)), 2):
        both = ~np.isnan(values[:, one]) & ~np.isnan(values[:, two])
        if both.any() and np.array_equal(values[both, one], values[both, two]):
            notes.append(
                f"{names[kept[one]]} and {names[kept[two]]} never differed; "
                "the model is then bound to take their answer for the truth."
            )
    codes, patients = pd.factorize(np.asarray(patient)[usable])
    group_codes, labels = pd.factorize(owners[usable], sort=True)
    groups = ("",) if group is None else tuple(str(label) for label in labels)
    return SignTable(
        values, tuple(names[column] for column in kept), codes.astype(np.intp), len(patients),
        group_codes.astype(np.intp), groups, tuple(names), left_out, tuple(notes),
    )  # fmt: skip
