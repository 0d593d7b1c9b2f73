"""Consequences of a policy that moves the pads when the maximum did not capture, and begins again."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.families import LOGNORMAL
from capstat.protocol.consequences import checked_discomfort, consequences_of, means_of
from capstat.protocol.courses import Courses, courses_of
from capstat.protocol.expectation import Expectation
from capstat.protocol.threshold_law import ModelLaw, Pieces
from capstat.results import UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.capture import JudgementErrors
    from capstat.protocol.consequences import MeanConsequences, PolicyConsequences
    from capstat.protocol.paired_law import PairedLaw
    from capstat.protocol.policy import RampPolicy

# pairs of courses rarer than this are left out: with wrong judgements there are millions of them
RAREST = 1e-11

__all__ = ["consequences_with_move", "mean_consequences_with_move"]


def mean_consequences_with_move(
    policy: RampPolicy, law: PairedLaw, *, discomfort_ma: float, errors: JudgementErrors | None = None
) -> MeanConsequences:
    """Work out the means by which policies are compared; see :func:`consequences_with_move`."""
    return means_of(_expectation(policy, law, errors), policy, checked_discomfort(discomfort_ma))


def consequences_with_move(
    policy: RampPolicy,
    law: PairedLaw,
    *,
    discomfort_ma: float,
    errors: JudgementErrors | None = None,
    level: float = 0.95,
) -> PolicyConsequences:
    """Work out what a policy does that moves the pads when the maximum did not capture.

    The search is carried out with the first placement of the law; where it gives up the pads are moved, without output
    meanwhile, and the same search begins again at the restart with the second placement.  Those patients are the ones
    whose threshold with the first was too high: how high it is with the second hangs on how alike two thresholds are.

    Parameters
    ----------
    policy : RampPolicy
        With ``at_maximum``.
    law : PairedLaw
        Two thresholds of one patient; the second placement is the one that the pads are moved to.
    discomfort_ma, errors, level
        As in :func:`capstat.protocol.consequences.policy_consequences`.

    Raises
    ------
    UsageError
        When the policy does not move the pads, or to another placement than the second of the law.
    """
    words = "two lognormal thresholds of one patient" + (", correlation assumed" if law.is_assumed else "")
    return consequences_of(
        _expectation(policy, law, errors), policy, law.names[0], law.n_patients, words,
        checked_discomfort(discomfort_ma), level,
        excess="it is not worked out where the pads are moved",
    )  # fmt: skip


def _expectation(policy: RampPolicy, law: PairedLaw, errors: JudgementErrors | None) -> Expectation:
    move = policy.at_maximum
    if move is None or move.placement != law.names[1]:
        raise UsageError(
            f"The policy '{policy.name}' does not move the pads from {law.names[0]} to {law.names[1]} at its maximum."
        )
    before = courses_of(policy, errors)
    after = courses_of(replace(policy, start_ma=move.start_ma, at_maximum=None), errors)
    failed = np.isnan(before.accepted_ma)
    failed_cells = np.unique(before.cell[failed])
    courses = _joined(before, after, failed, failed_cells, move.seconds)
    first = law.marginal(0)
    alone = ModelLaw(
        LOGNORMAL, first.log_mean, np.log(first.log_sd)[:, None], first.capturable, law.n_patients, first.name, ""
    ).pieces(before.edges_ma)  # fmt: skip
    joint = _joint_masses(law, before.edges_ma, after.edges_ma, failed_cells)
    cells = np.arange(courses.n_cells)
    return Expectation(courses, Pieces(cells, cells, np.concatenate((alone.mass, joint), axis=1)))


def _joint_masses(
    law: PairedLaw, edges: NDArray[np.float64], edges_after: NDArray[np.float64], failed_cells: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Probability of every pair of a cell in which a search can fail and a cell after the move, a row for each draw."""
    low, high = np.append(0.0, edges)[failed_cells], np.append(edges, np.inf)[failed_cells]
    low_after, high_after = np.append(0.0, edges_after), np.append(edges_after, np.inf)
    found = law.probability(low[:, None], high[:, None], low_after, high_after)
    return found.reshape(found.shape[0], -1)


def _joined(
    before: Courses, after: Courses, failed: NDArray[np.bool_], failed_cells: NDArray[np.intp], seconds: float
) -> Courses:
    """Courses that end with the first placement, then every failed one followed by every course after the move.

    Cells are those of the first placement, then the pairs of a failed cell and a cell after the move.
    """
    one, two = (part.ravel() for part in np.meshgrid(np.flatnonzero(failed), np.arange(after.cell.size), indexing="ij"))
    likely = before.probability[one] * after.probability[two] > RAREST
    one, two = one[likely], two[likely]
    kept = np.flatnonzero(~failed)
    edges = np.union1d(before.edges_ma, after.edges_ma)

    def exposure(courses: Courses) -> NDArray[np.float64]:
        wide = np.zeros((courses.cell.size, edges.size))
        wide[:, np.searchsorted(edges, courses.edges_ma)] = courses.exposure_s
        return wide

    first_exposure = exposure(before)
    # output that was missed with the first placement was output all the same
    late = before.end_s[one] + seconds + after.first_capture_s[two]
    pair = before.n_cells + np.searchsorted(failed_cells, before.cell[one]) * after.n_cells + after.cell[two]

    def both(alone: NDArray[np.float64], moved: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.concatenate((alone[kept], moved))

    return Courses(
        edges_ma=edges,
        n_cells=before.n_cells + failed_cells.size * after.n_cells,
        cell=np.concatenate((before.cell[kept], pair)).astype(np.intp),
        threshold_ma=both(before.threshold_ma, after.threshold_ma[two]),
        probability=both(before.probability, before.probability[one] * after.probability[two]),
        first_capture_s=both(before.first_capture_s, np.minimum(before.first_capture_s[one], late)),
        # no pulses are given while the pads are moved
        paced_before_s=both(
            before.paced_before_s,
            np.where(
                np.isfinite(before.first_capture_s[one]),
                before.paced_before_s[one],
                before.end_s[one] + after.paced_before_s[two],
            ),
        ),
        end_s=both(before.end_s, before.end_s[one] + seconds + after.end_s[two]),
        without_output_s=both(
            before.without_output_s, before.without_output_s[one] + seconds + after.without_output_s[two]
        ),
        exposure_s=np.concatenate((first_exposure[kept], first_exposure[one] + exposure(after)[two])),
        accepted_ma=both(before.accepted_ma, after.accepted_ma[two]),
        final_ma=both(before.final_ma, after.final_ma[two]),
    )
