"""What a search does to a patient whose threshold lies in a given cell, for every record that it can leave."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.protocol.search import search_records

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.capture import JudgementErrors
    from capstat.protocol.policy import RampPolicy
    from capstat.protocol.search import SearchRecords

__all__ = ["Courses", "courses_of"]

# courses rarer than this are left out
NEGLIGIBLE = 1e-15


@dataclass(frozen=True, slots=True, eq=False)
class Courses:
    """Every course that a search can take, given the cell of the threshold.

    Attributes
    ----------
    edges_ma : ndarray, shape (e,)
        Currents that the policy can try or leave on, rising.
    n_cells : int
        Number of cells: e + 1 for one placement, each above one edge, at or below the next, the last above all.
    cell : ndarray of int, shape (a,)
        Cell of the threshold.
    threshold_ma : ndarray, shape (a,)
        Upper end of that cell, for the placement with which the course ends; infinite for the last, in mA.
    probability : ndarray, shape (a,)
        Probability of the course in that cell; 1 where judgements are never wrong.
    first_capture_s : ndarray, shape (a,)
        When the first setting that captures begins, in s from the first pulse; infinite without one.
    paced_before_s : ndarray, shape (a,)
        Time with pulses up to then; all of the search without a capture, in s.
    end_s : ndarray, shape (a,)
        When the search ends, capture seen for as long as wanted, in s.
    without_output_s : ndarray, shape (a,)
        Time up to the end in which pulses did not capture, in s.
    exposure_s : ndarray, shape (a, e)
        Time up to the end at each current of ``edges_ma``, in s.
    accepted_ma : ndarray, shape (a,)
        Setting that was found to capture, NaN where the search gave up.
    final_ma : ndarray, shape (a,)
        Current that is left on, with the margin; NaN where the search gave up.
    """

    edges_ma: NDArray[np.float64]
    n_cells: int
    cell: NDArray[np.intp]
    threshold_ma: NDArray[np.float64]
    probability: NDArray[np.float64]
    first_capture_s: NDArray[np.float64]
    paced_before_s: NDArray[np.float64]
    end_s: NDArray[np.float64]
    without_output_s: NDArray[np.float64]
    exposure_s: NDArray[np.float64]
    accepted_ma: NDArray[np.float64]
    final_ma: NDArray[np.float64]

    @property
    def captured(self) -> NDArray[np.bool_]:
        """Whether the current that is left on captures."""
        return np.asarray(self.final_ma >= self.threshold_ma)

    @property
    def stopped_at_false_capture(self) -> NDArray[np.bool_]:
        """Whether the setting that was found to capture does not."""
        return np.asarray(self.accepted_ma < self.threshold_ma)


def courses_of(policy: RampPolicy, errors: JudgementErrors | None = None) -> Courses:
    """Work out every course of a policy (without what is done at the maximum).

    Parameters
    ----------
    policy : RampPolicy
        The policy.
    errors : JudgementErrors, optional
        How often a judgement of one setting is wrong; never when omitted.  Judgements are taken to be independent
        given the threshold, also at a setting that is tried twice.

    Raises
    ------
    UsageError
        When at some setting a judgement would be no better than chance, or there are too many courses to list.
    """
    records = search_records(policy, never_wrong=errors is None)
    tried = records.setting_ma[~np.isnan(records.setting_ma)]
    distinct_accepted = np.unique(records.accepted_ma[~np.isnan(records.accepted_ma)])
    left_on = np.array([policy.with_margin(current) for current in distinct_accepted])
    edges = np.unique(np.round(np.concatenate((tried, left_on)), 6))
    final = np.full(records.length.size, np.nan)
    found = ~np.isnan(records.accepted_ma)
    final[found] = left_on[np.searchsorted(distinct_accepted, records.accepted_ma[found])]
    cell, row, probability = (_certain if errors is None else _judged)(records, edges, errors)
    return _followed(policy, records, edges, final, cell, row, probability)


def _certain(
    records: SearchRecords, edges: NDArray[np.float64], _: JudgementErrors | None
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]:
    """One record for each cell: the one whose answers are right."""
    setting, captured = records.setting_ma, records.captured
    tried = ~np.isnan(setting)
    above = np.where(tried & ~captured, setting, 0.0).max(axis=1)
    order = np.argsort(above)
    cells = np.arange(edges.size + 1)
    # records in the order of their thresholds: a cell belongs to the last one that begins below its upper end
    top = np.append(edges, np.inf)
    row = order[np.searchsorted(above[order], top, side="left") - 1]
    return cells, row, np.ones(cells.size)


def _judged(
    records: SearchRecords, edges: NDArray[np.float64], errors: JudgementErrors | None
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]:
    """Every pair of cell and record, with the product of the probabilities of its judgements."""
    assert errors is not None  # noqa: S101 the caller chooses this function where there are errors
    errors.require_information(edges)
    false_claim = errors.false_claim_probability(edges)
    at = np.searchsorted(edges, np.nan_to_num(records.setting_ma, nan=edges[0]))
    tried = ~np.isnan(records.setting_ma)
    cells = np.arange(edges.size + 1)
    probability = np.ones((cells.size, records.length.size))
    for k in range(records.setting_ma.shape[1]):
        # a setting captures in cells whose upper end it reaches
        claim = np.where(at[None, :, k] >= cells[:, None], errors.sensitivity, false_claim[at[:, k]])
        answer = np.where(records.captured[:, k], claim, 1 - claim)
        probability *= np.where(tried[:, k], answer, 1.0)
    cell, row = np.nonzero(probability > NEGLIGIBLE)
    return cell.astype(np.intp), row.astype(np.intp), probability[cell, row]


def _followed(
    policy: RampPolicy, records: SearchRecords, edges: NDArray[np.float64], final: NDArray[np.float64],
    cell: NDArray[np.intp], row: NDArray[np.intp], probability: NDArray[np.float64],
) -> Courses:  # fmt: skip
    """Times and currents of each pair of cell and record."""
    dwell = policy.seconds_per_step
    setting, length, accepted = records.setting_ma[row], records.length[row], records.accepted_ma[row]
    threshold = np.append(edges, np.inf)[cell]
    captures = setting >= threshold[:, None]
    first_capture = np.where(captures.any(axis=1), dwell * captures.argmax(axis=1), np.inf)
    # capture must be seen for the hold; the last dwell counts where it was at the accepted setting
    found = ~np.isnan(accepted)
    at_accepted = setting[np.arange(row.size), length - 1] == accepted
    hold = np.where(found, np.maximum(policy.hold_s - np.where(at_accepted, dwell, 0.0), 0.0), 0.0)
    end = np.asarray(dwell * length + hold, dtype=float)
    missed = dwell * (~captures & ~np.isnan(setting)).sum(axis=1)
    without = missed + np.where(found & (accepted < threshold), hold, 0.0)
    exposure = np.zeros((row.size, edges.size))
    tried = ~np.isnan(setting)
    pair = np.broadcast_to(np.arange(row.size)[:, None], setting.shape)[tried]
    np.add.at(exposure, (pair, np.searchsorted(edges, setting[tried])), dwell)
    np.add.at(exposure, (np.flatnonzero(found), np.searchsorted(edges, accepted[found])), hold[found])
    before = np.minimum(first_capture, end)
    return Courses(
        edges, edges.size + 1, cell, threshold, probability, first_capture, before, end, without, exposure, accepted,
        final[row],
    )  # fmt: skip
