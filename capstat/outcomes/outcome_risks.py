"""Risks of an outcome in two groups as they are, and what missing outcomes could make of their contrasts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.numerics.two_groups import Limited, two_groups
from capstat.outcomes.outcome_data import GroupCounts, OutcomeData, group_counts
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from capstat.numerics.two_groups import TwoGroups

__all__ = ["EventsPerVariable", "GroupCounts", "OutcomeData", "OutcomeRisks", "events_per_variable", "outcome_risks"]

# both are rules of thumb, no source
MUCH_MISSING = 0.20
UNEQUALLY_MISSING = 0.10
# rule of thumb (Peduzzi et al. 1996, from memory)
ENOUGH_EVENTS = 10

RISK = "share; Wilson score limits"
DIFFERENCE = "difference of shares; limits by Newcombe's hybrid of two Wilson intervals"
RATIO = "ratio of shares; Miettinen-Nurminen score limits"
ODDS_RATIO = "conditional maximum-likelihood odds ratio; exact conditional limits, Fisher's exact p-value"
NUMBER = "1 over the absolute difference of shares; limits of the difference turned over"
BOUNDS = "lowest and highest value over all that the missing outcomes could have been; limits of the two extremes"


@dataclass(frozen=True, slots=True)
class OutcomeRisks:
    """Unadjusted comparison of those whose outcome is known.

    Attributes
    ----------
    groups : tuple of GroupCounts
        First group, second group.
    others : int
        Patients who belong to neither.
    risks : tuple of Estimate
        In each group.
    difference, ratio, odds_ratio : Estimate
        First group minus, or over, the second.
    number_needed : Estimate or None
        Patients for one event more or fewer; ``None`` unless the interval of the difference leaves out 0.
    missing_bounds : tuple of Estimate
        Difference and ratio over all possible values of the missing outcomes, as ``identified``; empty where none is
        missing.
    notes : tuple of str
        What a reader must know.
    """

    groups: tuple[GroupCounts, GroupCounts]
    others: int
    risks: tuple[Estimate, Estimate]
    difference: Estimate
    ratio: Estimate
    odds_ratio: Estimate
    number_needed: Estimate | None
    missing_bounds: tuple[Estimate, ...]
    notes: tuple[str, ...]


def outcome_risks(data: OutcomeData, level: float = 0.95) -> OutcomeRisks:
    """Compare the risks of two groups without adjustment.

    Parameters
    ----------
    data : OutcomeData
        Patients; those without a recorded outcome are counted and left out.
    level : float
        Confidence level.

    Raises
    ------
    NotEstimableError
        When the outcome is recorded for nobody in either group.
    """
    groups = one, two = group_counts(data)
    if one.known + two.known == 0:
        raise NotEstimableError(f"The outcome '{data.outcome}' is recorded for nobody in either group.")
    found = two_groups(one.events, one.known, two.events, two.known, level)
    n = one.known + two.known
    notes = [f"{part.group}: outcome missing in {part.missing} of {part.n}." for part in groups if part.missing]
    much = max(part.share_missing for part in groups) > MUCH_MISSING
    unequal = abs(one.share_missing - two.share_missing) > UNEQUALLY_MISSING
    # a few missing ones can turn a difference round as well
    bounds = _bounds(data, one, two, level) if one.missing + two.missing else ()
    if much or unequal:
        why = f"more than {MUCH_MISSING:.0%} of a group" if much else "more often in one group than in the other"
        notes.append(
            f"The outcome is missing in {why} (rule of thumb, no source): whether it is missing may depend on the "
            "outcome itself."
        )
    number = None
    if found.number_needed is not None:
        number = _estimate(
            found.number_needed, f"patients for one {data.outcome} more or fewer", level, "patients", "inverse", n,
            NUMBER, f"{data.first} minus {data.minus}",
        )  # fmt: skip
    return OutcomeRisks(
        groups, int((~data.compared).sum()),
        (_risk(data, one, found.risk_1, level), _risk(data, two, found.risk_2, level)),
        *_contrasts(data, found, level, n), number, bounds, tuple(notes),
    )  # fmt: skip


def _risk(data: OutcomeData, counts: GroupCounts, found: Limited, level: float) -> Estimate:
    return _estimate(
        found, f"risk of {data.outcome}, {counts.group}", level, "proportion", "score", counts.known, RISK,
        reason=f"the outcome is recorded for nobody in the group {counts.group}",
    )  # fmt: skip


def _contrasts(data: OutcomeData, found: TwoGroups, level: float, n: int) -> tuple[Estimate, Estimate, Estimate]:
    minus, over, name = f"{data.first} minus {data.minus}", f"{data.first} over {data.minus}", data.outcome
    return (
        _estimate(
            found.difference, f"difference in risk of {name}", level, "proportion", "score", n, DIFFERENCE, minus
        ),
        _estimate(found.ratio, f"ratio of risks of {name}", level, "ratio", "score", n, RATIO, over),
        _estimate(
            found.odds_ratio, f"odds ratio of {name}", level, "ratio", "exact", n, ODDS_RATIO, over,
            p_value=found.p_fisher,
        ),
    )  # fmt: skip


def _estimate(
    found: Limited, quantity: str, level: float, unit: str, scale: str, n: int, method: str, direction: str = "",
    *, p_value: float | None = None, reason: str = "",
) -> Estimate:  # fmt: skip
    why = "" if found.value is not None else reason or found.reason
    return Estimate(
        quantity, found.value, found.lower, found.upper, level, unit, scale, n, method, direction, reason=why,
        p_value=p_value,
    )  # fmt: skip


def _bounds(data: OutcomeData, one: GroupCounts, two: GroupCounts, level: float) -> tuple[Estimate, ...]:
    """Difference and ratio when all the missing had the event in one group and nobody in the other, both ways."""
    if not (one.n and two.n):
        return ()
    low = two_groups(one.events, one.n, two.events + two.missing, two.n, level)
    high = two_groups(one.events + one.missing, one.n, two.events, two.n, level)
    n = one.n + two.n
    reason = "the missing outcomes leave a set of values that the data cannot tell apart"
    parts = (
        ("difference in risk", "minus", "proportion", low.difference, high.difference),
        ("ratio of risks", "over", "ratio", low.ratio, high.ratio),
    )
    return tuple(
        Estimate(
            f"{words} of {data.outcome}, whatever the missing outcomes were", None, least.lower, most.upper, level,
            unit, "score", n, BOUNDS, f"{data.first} {joint} {data.minus}", reason=reason,
            identified=(
                0.0 if least.value is None else least.value, float(np.inf) if most.value is None else most.value,
            ),
        )
        for words, joint, unit, least, most in parts
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class EventsPerVariable:
    """The rarer of events and non-events for each column of a model.

    Attributes
    ----------
    events : int
        Events or non-events, whichever are fewer.
    columns : int
        Columns of the model without its intercept.
    value : float
        Their ratio.
    note : str
        A warning where it is below 10; empty otherwise.
    """

    events: int
    columns: int
    value: float
    note: str


def events_per_variable(events: int, n: int, columns: int) -> EventsPerVariable:
    """How many events a model has for each of its columns.

    Below 10 ordinary logistic regression is commonly held to be unreliable: a rule of thumb (Peduzzi et al. 1996, from
    memory).

    Parameters
    ----------
    events, n : int
        Patients with the event, and all.
    columns : int
        1 or more, the group included, the intercept not.
    """
    rarer = min(events, n - events)
    value = rarer / columns
    note = ""
    if value < ENOUGH_EVENTS:
        note = (
            f"{value:.1f} events for each column of the model, fewer than {ENOUGH_EVENTS} (rule of thumb): adjustment "
            "can remove little, and its results depend on the penalty."
        )
    return EventsPerVariable(rarer, columns, value, note)
