"""Policies beside each other: which is dominated, which is best under stated weights, and what a wrong belief costs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capstat.protocol.expectation import Bounds, estimate_of
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.protocol.consequences import MeanConsequences, PolicyConsequences
    from capstat.results import Estimate

__all__ = ["CONSCIOUS", "UNCONSCIOUS", "Choice", "PolicyComparison", "Weights", "compare_policies"]

# means closer than this, in their units, count as the same
SAME = 1e-9


@dataclass(frozen=True, slots=True)
class Weights:
    """What counts how much, in the cost of one second without output.

    Attributes
    ----------
    name : str
        For whom.
    per_second_without_output : float
        Cost of a second without output.
    per_pulse_above_discomfort : float
        Cost of a pulse above the level of discomfort during the search.
    per_patient_not_captured : float
        Cost of a patient who is not captured at the end.

    Raises
    ------
    UsageError
        When a weight is negative or none is above 0.
    """

    name: str
    per_second_without_output: float
    per_pulse_above_discomfort: float
    per_patient_not_captured: float

    def __post_init__(self) -> None:
        """Refuse weights that rank nothing."""
        if not all(0 <= weight < np.inf for weight in self.all) or not any(self.all):
            raise UsageError(
                f"Weights are numbers of at least 0, one of them above 0, not {', '.join(f'{w:g}' for w in self.all)}."
            )

    @property
    def all(self) -> tuple[float, float, float]:
        """The three weights."""
        return self.per_second_without_output, self.per_pulse_above_discomfort, self.per_patient_not_captured


# for illustration: whoever uses them must state their own
CONSCIOUS: Final = Weights("conscious", 1.0, 1.0, 600.0)
UNCONSCIOUS: Final = Weights("unconscious", 1.0, 0.0, 600.0)


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """What the best choice would be under stated weights.

    Attributes
    ----------
    weights : Weights
        The weights.
    costs : tuple of Estimate
        Mean cost of a patient under each policy, in seconds without output.
    best : int
        Position of the policy with the lowest cost.
    share_best : tuple of float
        Share of the draws in which each policy costs least; empty without draws.
    regret : tuple of Estimate
        Cost of each policy above that of the best one, both under thresholds that are ``factor`` times as high.
    """

    weights: Weights
    costs: tuple[Estimate, ...]
    best: int
    share_best: tuple[float, ...]
    regret: tuple[Estimate, ...]


@dataclass(frozen=True, slots=True, eq=False)
class PolicyComparison:
    """Policies under one law of thresholds.

    Attributes
    ----------
    policies : tuple of PolicyConsequences
        What each does.
    dominated_by : tuple of tuple of str
        For each, the policies that do at least as well in time without output, pulses above the level of discomfort and
        share not captured, and better in one of them.
    share_dominated : tuple of float
        Share of the draws in which some other policy dominates it; empty without draws.
    factor : float
        By how much thresholds may be higher than believed, as a factor, for the regret.
    choices : tuple of Choice
        One for each set of weights.
    """

    policies: tuple[PolicyConsequences, ...]
    dominated_by: tuple[tuple[str, ...], ...]
    share_dominated: tuple[float, ...]
    factor: float
    choices: tuple[Choice, ...]


def _criteria(means: MeanConsequences) -> NDArray[np.float64]:
    """What must not be worse, shape (3, draws + 1)."""
    parts = (means.without_output_s, means.pulses_above_discomfort, means.not_captured)
    if any(np.abs(part.upper - part.lower).max() > SAME for part in parts):
        raise NotEstimableError(
            "Policies are compared under a model: without one the consequences are known between bounds only."
        )
    return np.array([part.lower for part in parts])


def compare_policies(
    policies: Sequence[PolicyConsequences],
    if_higher: Sequence[MeanConsequences],
    *,
    factor: float = 1.2,
    weights: Sequence[Weights] = (CONSCIOUS, UNCONSCIOUS),
    level: float = 0.95,
) -> PolicyComparison:
    """Compare policies under one law of thresholds.  Nothing of it is a recommendation.

    Parameters
    ----------
    policies : sequence of PolicyConsequences
        Under the thresholds that are believed; draws of all of them belong together (the smallest number counts).
    if_higher : sequence of MeanConsequences
        The same policies under thresholds that are ``factor`` times as high.
    factor : float
        Above 0.
    weights : sequence of Weights
        What counts how much; the defaults are for illustration.
    level : float
        Confidence level.

    Raises
    ------
    UsageError
        Without policies, when two have the same name, when the numbers of policies differ, or the factor is none.
    NotEstimableError
        When consequences are known between bounds only.
    """
    names = [found.policy.name for found in policies]
    if not names or len(set(names)) < len(names) or len(if_higher) != len(names):
        raise UsageError("A comparison needs one or more policies with different names.")
    if not 0 < factor < np.inf:
        raise UsageError(f"By how much thresholds may be higher (factor) is a finite number above 0, not {factor:g}.")
    every = [_criteria(means) for means in (*(found.means for found in policies), *if_higher)]
    # a law of two placements may have fewer draws
    kept = min(found.shape[1] for found in every)
    criteria = np.array([found[:, :kept] for found in every[: len(names)]])
    higher = np.array([found[:, :kept] for found in every[len(names) :]])
    no_worse = (criteria[:, None] <= criteria[None] + SAME).all(axis=2)
    better = (criteria[:, None] < criteria[None] - SAME).any(axis=2)
    dominates = np.asarray(no_worse & better)  # (which, whom, draw)
    drawn = criteria.shape[2] > 1
    return PolicyComparison(
        tuple(policies),
        tuple(tuple(names[k] for k in np.flatnonzero(dominates[:, whom, 0])) for whom in range(len(names))),
        tuple(float(d) for d in dominates[:, :, 1:].any(axis=0).mean(axis=1)) if drawn else (),
        factor,
        tuple(_choice(policies[0].not_captured, criteria, higher, one, level, factor) for one in weights),
    )


def _choice(
    example: Estimate, believed: NDArray[np.float64], if_higher: NDArray[np.float64], weights: Weights, level: float,
    factor: float,
) -> Choice:  # fmt: skip
    """Costs and regret from criteria of shape (policies, 3, draws + 1)."""
    costs, higher = (np.einsum("k,pkd->pd", weights.all, criteria) for criteria in (believed, if_higher))

    def tell(values: NDArray[np.float64], quantity: str) -> tuple[Estimate, ...]:
        return tuple(
            estimate_of(Bounds(row, row), quantity, "s", level=level, n=example.n, method=example.method)
            for row in values
        )

    # policies that cost the same share their draws
    cheapest = costs[:, 1:] <= costs[:, 1:].min(axis=0) + SAME if costs.shape[1] > 1 else np.zeros((0, 1), dtype=bool)
    return Choice(
        weights,
        tell(costs, f"mean cost of a patient ({weights.name} weights), in seconds without output"),
        int(costs[:, 0].argmin()),
        tuple(float(share) for share in (cheapest / cheapest.sum(axis=0)).mean(axis=1)) if cheapest.size else (),
        tell(
            higher - higher.min(axis=0), f"regret if thresholds are {factor:g} times as high ({weights.name} weights)"
        ),
    )
