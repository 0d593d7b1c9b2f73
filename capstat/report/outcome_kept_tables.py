"""Capture kept or lost, and where paced patients are over time, as tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.report.outcome_words import begin, cell, end
from capstat.report.table import Table, estimates_frame
from capstat.report.wording import p_text, plain_name

if TYPE_CHECKING:
    from capstat.outcomes.kept import CaptureKept
    from capstat.outcomes.kept_group import KeptGroup
    from capstat.outcomes.states import StateOccupation
    from capstat.results import Estimate

__all__ = ["MINUTES", "kept_table", "shown_minutes", "states_table"]

MINUTES = (1.0, 2.0, 5.0, 10.0, 30.0, 60.0)
"""Minutes at which the states of patients are told."""

DASH = "\u2013"


def _kept_estimates(group: KeptGroup) -> tuple[Estimate, ...]:
    return (
        *group.lost_within, *group.mean_losses_within, group.regained, group.time_to_regain, group.share_of_minutes,
        *group.shares_of_patients,
    )  # fmt: skip


def kept_table(found: CaptureKept) -> Table:
    """Return losses of capture, captures regained and paced minutes with capture, one column for each group."""
    groups = (found.everybody, *found.groups)
    rows: list[tuple[str, ...]] = [
        ("patients", *(f"{group.n_paced}" for group in groups), ""),
        ("captured, with recorded periods", *(f"{group.n_captured}" for group in groups), ""),
        ("lost capture at least once", *(f"{group.n_lost}" for group in groups), ""),
        ("losses of capture", *(f"{group.losses}" for group in groups), ""),
    ]
    rows += [
        (estimates[0].quantity, *map(cell, estimates), "")
        for estimates in zip(*map(_kept_estimates, groups), strict=True)
    ]
    blanks = ("",) * (len(groups) - 1)
    ratios = (found.rate_ratio, found.gap_ratio)
    for ratio in ratios:
        shown = cell(ratio) if ratio.value is not None else f"not estimable: {ratio.reason.rstrip('.')}"
        what = ", ".join(filter(None, (ratio.quantity, ratio.direction)))
        rows.append((what, shown, *blanks, p_text(ratio.p_value)))
    flat = [(group.name, e) for group in groups for e in _kept_estimates(group)]
    notes = [f"Grouped by {plain_name(found.by)}.  In parentheses limits at {100 * found.level:g} %."]
    notes += [end(begin(note)) for note in (*found.notes, *(note for r in ratios for note in r.notes))]
    return Table(
        "capture_kept", f"Was capture kept? ({found.awaited})", ("what", *(group.name for group in groups), "p"),
        tuple(rows), estimates_frame([*flat, *(("groups", ratio) for ratio in ratios)]), tuple(dict.fromkeys(notes)),
    )  # fmt: skip


def shown_minutes(found: StateOccupation) -> tuple[float, ...]:
    """Return the minutes of the table up to the horizon; the horizon itself where it comes before all of them."""
    return tuple(minute for minute in MINUTES if minute <= found.horizon_min) or (found.horizon_min,)


def states_table(found: StateOccupation) -> Table:
    """Return the share of patients in each state at a few minutes."""
    minutes = shown_minutes(found)
    shares = [found.shares(minute) for minute in minutes]
    rows = tuple(
        (state, *(cell(at[place]) for at in shares)) for place, state in enumerate(found.states)
    )  # fmt: skip
    return Table(
        "patients_over_time", f"Where are patients, so many minutes after {found.origin}?",
        ("state", *(f"{minute:g} min" for minute in minutes)), rows,
        estimates_frame((f"{minute:g} min", e) for minute, at in zip(minutes, shares, strict=True) for e in at),
        (
            f"{found.n} patients.  Per cent in each state, in parentheses limits at {100 * found.level:g} %.",
            *(end(begin(note)) for note in found.notes),
        ),
    )  # fmt: skip
