"""Accuracy of a yes/no sign when a patient gives several steps."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import stats

from capstat.capture.two_by_two import (
    RATIOS,
    SHARES,
    Accuracy,
    Ratio,
    Share,
    TwoByTwo,
    accuracy_from_counts,
    score_limits_of_ratio,
)
from capstat.numerics.clustered import clustered_proportion

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.capture.signs import SignRecord
    from capstat.results import Estimate

__all__ = ["FEW_PATIENTS", "SignAccuracy", "assess_sign", "two_by_two"]

FEW_PATIENTS: Final = 10
# steps without a single disagreement from which on copying is likelier than perfection (common practice, no source)
SUSPICIOUSLY_MANY: Final = 20
SHARE_METHOD = (
    "proportion of steps; Wilson limits at the effective number of independent steps, patients as clusters "
    "(Korn & Graubard 1998, from memory)"
)
RATIO_METHOD = (
    "ratio of proportions; limits on the log scale by the delta method, covariance clustered by patient, t quantile "
    "with patients - 1 degrees of freedom"
)
ZERO_METHOD = (
    "ratio of proportions; a cell is zero, so score limits of the ratio of two independent proportions (Miettinen & "
    "Nurminen 1985, from memory) at the effective numbers of independent steps, patients as clusters"
)
ELECTRICAL: Final = frozenset({"electrical_capture", "qrs_with_t_wave", "adjudicated_capture"})


@dataclass(frozen=True, slots=True)
class SignAccuracy:
    """A sign held against a reference.

    Attributes
    ----------
    name, label : str
        The sign.
    reference_name, reference_label : str
        The reference.
    n_steps, n_patients : int
        Steps at which both were recorded, and patients that they come from.
    cell_patients : tuple of int
        Patients in each cell: true positive, false positive, false negative, true negative.
    accuracy : Accuracy
        The table and the estimates; ``Estimate.n`` counts the patients behind each.
    notes : tuple of str
        What a reader must know about all of them.
    """

    name: str
    label: str
    reference_name: str
    reference_label: str
    n_steps: int
    n_patients: int
    cell_patients: tuple[int, int, int, int]
    accuracy: Accuracy
    notes: tuple[str, ...]


def _cells(record: SignRecord, used: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Position of each used step in ``TwoByTwo.cells``."""
    sign, reference = record.value[used] == 1, record.reference[used] == 1
    return np.where(reference, np.where(sign, 0, 2), np.where(sign, 1, 3)).astype(np.intp)


def two_by_two(record: SignRecord) -> TwoByTwo:
    """Count the steps at which sign and reference were both recorded.

    Raises
    ------
    UsageError
        The sign is a number.
    NotEstimableError
        They were never recorded together.
    """
    counts = np.bincount(_cells(record, record.require_both(continuous=False)), minlength=4)
    return TwoByTwo(*(int(count) for count in counts))


def _clustered_share(
    plain: Estimate, share: Share, cells: NDArray[np.intp], patient: NDArray[np.intp], level: float
) -> Estimate:
    used = np.isin(cells, (*share.success, *share.failure))
    if not used.any():
        return replace(plain, method=SHARE_METHOD)
    found = clustered_proportion(np.isin(cells[used], share.success), patient[used], level)
    return replace(plain, lower=found.lower, upper=found.upper, n=found.clusters, method=SHARE_METHOD)


def _clustered_ratio(
    plain: Estimate, ratio: Ratio, cells: NDArray[np.intp], patient: NDArray[np.intp], level: float
) -> Estimate:
    codes, first = np.unique(patient, return_inverse=True)
    groups = codes.size
    counts = np.bincount(cells, minlength=4).astype(float)
    plain = replace(plain, n=groups)
    if plain.value is not None and counts.min() > 0:
        if groups == 1:
            return replace(
                plain, lower=None, upper=None, method=RATIO_METHOD,
                notes=("one patient does not tell how much patients differ",),
            )  # fmt: skip
        # influence of each step on log p1 - log p2; one patient may be in both
        influence = np.zeros(4)
        for sign, (success, failure) in ((1, ratio.with_capture), (-1, ratio.without_capture)):
            nobs = counts[success] + counts[failure]
            share = counts[success] / nobs
            influence[success] = sign * (1 - share) / (nobs * share)
            influence[failure] = -sign / nobs
        totals = np.bincount(first, weights=influence[cells], minlength=groups)
        error = float(np.sqrt(groups / (groups - 1) * float(totals @ totals)))
        reach = float(np.exp(stats.t.ppf(0.5 + level / 2, groups - 1) * error))
        return replace(plain, lower=plain.value / reach, upper=plain.value * reach, method=RATIO_METHOD)
    if plain.lower is None:
        return plain
    effective: list[float] = []
    for success, failure in (ratio.with_capture, ratio.without_capture):
        used = np.isin(cells, (success, failure))
        part = clustered_proportion(cells[used] == success, patient[used], level)
        effective += [part.value * part.effective_n, part.effective_n]
    lower, upper = score_limits_of_ratio(effective[0], effective[1], effective[2], effective[3], level)
    return replace(plain, lower=lower, upper=upper, method=ZERO_METHOD)


def _notes(record: SignRecord, table: TwoByTwo, patients: int) -> tuple[str, ...]:
    notes = list(record.notes)
    if patients < FEW_PATIENTS:
        notes.append(f"only {patients} patient{'s' * (patients != 1)}: the limits are rough")
    if table.false_positive + table.false_negative == 0 and table.total >= SUSPICIOUSLY_MANY:
        notes.append(
            f"no error seen in {table.total} steps; check that the reference was read independently of the sign"
        )
    if record.reference_name == "mechanical_capture":
        notes.append(
            "the reference is a judgement at the bedside that may rest on this sign (incorporation), which makes the "
            "sign look better than it is"
        )
    electrical = {part in ELECTRICAL for part in record.parts}
    if record.reference_name in ELECTRICAL and False in electrical:
        notes.append("the reference shows electrical capture; a heart that follows without ejecting counts as missed")
    if record.reference_name not in ELECTRICAL and True in electrical:
        notes.append("the reference shows mechanical capture; electrical capture without it counts as false")
    return tuple(notes)


def assess_sign(record: SignRecord, level: float = 0.95) -> SignAccuracy:
    """Accuracy of a yes/no sign, with limits that allow for several steps of one patient.

    With one step from every patient the limits are those of :func:`accuracy_from_counts`.

    Parameters
    ----------
    record : SignRecord
        Sign and reference; only steps at which both were recorded count.
    level : float
        Confidence level.

    Raises
    ------
    UsageError
        The sign is a number.
    NotEstimableError
        Sign and reference were never recorded together.
    """
    used = record.require_both(continuous=False)
    table = two_by_two(record)
    cells, patient = _cells(record, used), record.patient[used]
    patients = int(np.unique(patient).size)
    accuracy = accuracy_from_counts(table, level)
    if patients < table.total:
        accuracy = Accuracy(
            table,
            **{
                name: _clustered_share(getattr(accuracy, name), share, cells, patient, level)
                for name, share in SHARES.items()
            },
            **{
                name: _clustered_ratio(getattr(accuracy, name), ratio, cells, patient, level)
                for name, ratio in RATIOS.items()
            },
        )
    a, b, c, d = (int(np.unique(patient[cells == cell]).size) for cell in range(4))
    return SignAccuracy(
        record.name, record.label, record.reference_name, record.reference_label, table.total, patients, (a, b, c, d),
        accuracy,
        _notes(record, table, patients),
    )  # fmt: skip
