"""What is said of capture kept or lost, and of where paced patients are over time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.report.outcome_kept_tables import shown_minutes
from capstat.report.outcome_words import begin, limits_words, scaled
from capstat.report.table import small
from capstat.report.wording import counted, milliampere, percent, ratio_text

if TYPE_CHECKING:
    from capstat.outcomes.kept import CaptureKept
    from capstat.outcomes.states import StateOccupation

__all__ = ["kept_sentences", "states_sentences"]

STATES_AT = (5.0, 30.0)


def kept_sentences(found: CaptureKept, suppress_below: int) -> tuple[str, ...]:
    """Return paced minutes with capture, losses, captures regained, and the ratio of rates of loss."""
    group = found.everybody
    told = []
    minutes = scaled(group.share_of_minutes)
    if minutes.value is not None:
        told.append(
            f"Of 100 paced minutes, {percent(minutes.value)} had capture ({limits_words(group.share_of_minutes)})."
        )
    if group.n_captured:
        told.append(
            f"{small(group.n_lost, suppress_below)} of {counted(group.n_captured, 'captured patient')} lost capture at least "
            f"once."
        )
    within = next((e for e in group.lost_within[1:2] if e.value is not None), None)
    if within is not None and group.n_lost:
        told.append(
            f"{begin(within.quantity)}: {percent(scaled(within).value or 0.0)} % of captured patients ({limits_words(within)}); the "
            "end of pacing competes."
        )
    if group.regained.value is not None:
        told.append(
            f"Of those who lost it, {percent(group.regained.value / 100)} % ({limits_words(group.regained)}) had it again"
            + (
                f", half of them all by {milliampere(group.time_to_regain.value)} min after the loss."
                if group.time_to_regain.value is not None else "."
            )
        )  # fmt: skip
    if found.rate_ratio.value is not None:
        told.append(
            f"While captured, capture was lost {ratio_text(found.rate_ratio.value)} times as often, {found.rate_ratio.direction} "
            f"({limits_words(found.rate_ratio)}); why it was lost is not in these records."
        )
    return tuple(told)


def states_sentences(found: StateOccupation) -> tuple[str, ...]:
    """Return natural frequencies at one or two minutes."""
    minutes = shown_minutes(found)
    chosen = [minute for minute in STATES_AT if minute in minutes] or [minutes[-1]]
    return tuple(begin(found.sentence(minute)) for minute in chosen)
