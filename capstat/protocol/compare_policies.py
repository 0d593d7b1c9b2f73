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

    def cost(self, means: MeanConsequences) -> NDArray[np.float64]:
        """Mean cost of a patient, for the estimate and every draw."""
        parts = (means.without_output_s, means.pulses_above_discomfort, means.not_captured)
        return np.asarray(sum(weight * part.lower for weight, part in zip(self.all, parts, strict=True)))


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
        Under the thresholds that are believed; draws of all of them belong together.
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
        Without policies, or when two have the same name or the numbers of policies differ.
    NotEstimableError
        When consequences are known between bounds only.
    """
    names = [found.policy.name for found in policies]
    if not names or len(set(names)) < len(names) or len(if_higher) != len(names):
        raise UsageError("A comparison needs one or more policies with different names.")
    criteria = np.array([_criteria(found.means) for found in policies])
    no_worse = (criteria[:, None] <= criteria[None] + SAME).all(axis=2)
    better = (criteria[:, None] < criteria[None] - SAME).any(axis=2)
    dominates = np.asarray(no_worse & better)  # (which, whom, draw)
    drawn = criteria.shape[2] > 1
    return PolicyComparison(
        tuple(policies),
        tuple(tuple(names[k] for k in np.flatnonzero(dominates[:, whom, 0])) for whom in range(len(names))),
        tuple(float(d) for d in dominates[:, :, 1:].any(axis=0).mean(axis=1)) if drawn else (),
        factor,
        tuple(_choice(policies, if_higher, one, level, factor) for one in weights),
    )


def _choice(
    policies: Sequence[PolicyConsequences], if_higher: Sequence[MeanConsequences], weights: Weights, level: float,
    factor: float,
) -> Choice:  # fmt: skip
    believed = np.array([weights.cost(found.means) for found in policies])
    higher = np.array([weights.cost(means) for means in if_higher])
    first, count = policies[0].not_captured, len(policies)

    def tell(values: NDArray[np.float64], quantity: str) -> tuple[Estimate, ...]:
        return tuple(
            estimate_of(Bounds(row, row), quantity, "s", level=level, n=first.n, method=first.method) for row in values
        )

    cheapest = np.bincount(believed[:, 1:].argmin(axis=0), minlength=count) if believed.shape[1] > 1 else np.zeros(0)
    return Choice(
        weights,
        tell(believed, f"mean cost of a patient ({weights.name} weights), in seconds without output"),
        int(believed[:, 0].argmin()),
        tuple(float(share) for share in cheapest / max(believed.shape[1] - 1, 1)),
        tell(
            higher - higher.min(axis=0), f"regret if thresholds are {factor:g} times as high ({weights.name} weights)"
        ),
    )
