"""Outcomes of two groups as tables: risks as they are, adjusted, balance, missing outcomes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from capstat.report.outcome_words import begin, cell, end, outcome_words
from capstat.report.table import Table, estimates_frame
from capstat.report.wording import listed, p_text, plain_name, ratio_text

if TYPE_CHECKING:
    from capstat.analysis.outcome_analysis import OutcomeAnalysis
    from capstat.outcomes.outcome_compare import OutcomeComparison
    from capstat.outcomes.outcome_contrast import AdjustedContrast
    from capstat.placement.observational.balance import BalanceRow
    from capstat.placement.observational.evalue import EValue
    from capstat.results import Estimate

__all__ = ["risk_tables"]


def risk_tables(found: OutcomeAnalysis) -> tuple[Table, ...]:
    """Return every table on outcomes; those without content are left out."""
    if not found.outcomes:
        return ()
    tables = (_risks_table(found), _adjusted_table(found), _balance_table(found), _missing_table(found))
    return tuple(table for table in tables if table is not None)


def _notes(*notes: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(end(begin(note)) for note in notes))


def _name(one: OutcomeComparison) -> str:
    return outcome_words(one.outcome)


def _risks_table(found: OutcomeAnalysis) -> Table:
    rows = []
    flat: list[tuple[str, Estimate]] = []
    for one in found.outcomes:
        risks = one.risks
        # a p-value invites to pick among outcomes that nobody declared
        p_value = p_text(risks.odds_ratio.p_value) if one.role == "declared" else ""
        rows.append((
            _name(one), one.role,
            *(f"{group.events} of {group.known}" for group in risks.groups),
            " / ".join(f"{group.missing}" for group in risks.groups),
            *(cell(risk) for risk in risks.risks), cell(risks.difference), cell(risks.ratio), p_value,
        ))  # fmt: skip
        several = [*risks.risks, risks.difference, risks.ratio, risks.odds_ratio]
        if risks.number_needed is not None:
            several.append(risks.number_needed)
        flat += [(f"{one.outcome} ({one.role})", e) for e in several]
    whose = (
        "The placement was drawn by lot." if found.randomised else "Groups as they came about: nothing is adjusted for."
    )
    counts = pd.DataFrame([
        {
            "outcome": one.outcome, "role": one.role, "group": group.group, "patients": group.n, "known": group.known,
            "events": group.events, "missing": group.missing,
        }
        for one in found.outcomes for group in one.risks.groups
    ])  # fmt: skip
    frame = pd.concat([estimates_frame(flat).astype(object), counts.astype(object)], ignore_index=True)
    return Table(
        "outcomes", f"Outcomes, {found.first} and {found.minus}",
        (
            "outcome", "role", f"{found.first}", f"{found.minus}", "missing", f"risk, {found.first}",
            f"risk, {found.minus}", "difference", "ratio", "p",
        ),
        tuple(rows), frame,
        (
            f"Of those whose outcome is recorded.  In parentheses limits at {100 * found.level:g} %.",
            f"Missing: first / second group.  {whose}",
            "The exact p-value stands at the declared outcome alone; nothing is corrected for looking at several.",
            *_grouped([(_name(one), note) for one in found.outcomes for note in one.risks.notes], len(found.outcomes)),
        ),
    )  # fmt: skip


def _contrasts(one: OutcomeComparison) -> tuple[tuple[str, AdjustedContrast], ...]:
    return (
        ("standardised", one.standardised),
        ("inverse-probability weights", one.inverse_probability),
        ("overlap weights", one.overlap),
    )


def _adjusted_table(found: OutcomeAnalysis) -> Table | None:
    rows: list[tuple[str, ...]] = []
    flat: list[tuple[str, Estimate]] = []
    notes: list[tuple[str, str]] = []
    e_values = []
    for one in found.outcomes:
        name = _name(one)
        rows += [(name, "odds ratio (Firth)", f"{one.n_complete}", "", "", "", cell(e)) for e in one.firth[:1]]
        flat += [(f"{one.outcome}, Firth", e) for e in one.firth]
        if one.firth_reason:
            notes.append((name, f"no logistic model: {one.firth_reason}"))
        for how, contrast in _contrasts(one):
            several = (*contrast.risks, contrast.difference, contrast.ratio)
            flat += [(f"{one.outcome}, {how}", e) for e in several]
            if contrast.difference.value is None:
                notes.append((name, f"{how}: {contrast.difference.reason}"))
                continue
            rows.append((name, how, f"{one.n_complete}", *map(cell, several)))
            notes += [(name, f"{how}: {note}") for note in contrast.notes]
        if one.e_value is not None and one.e_value.point is not None:
            rows.append((name, "E-value of the ratio", f"{one.n_complete}", "", "", "", _e_value(one.e_value)))
            e_values.append({"group": f"{one.outcome}, E-value", "quantity": one.e_value.quantity,
                             "value": one.e_value.point, "lower": one.e_value.limit, "method": one.e_value.method})  # fmt: skip
            notes.append((name, one.e_value.meaning.replace(one.outcome, plain_name(one.outcome))))
        notes += [(name, note) for note in one.notes]
    if not rows and not notes:
        return None
    frame = estimates_frame(flat)
    if e_values:
        frame = pd.concat([frame.astype(object), pd.DataFrame(e_values).astype(object)], ignore_index=True)
    return Table(
        "outcomes_adjusted", "Outcomes, allowing for the declared confounders",
        (
            "outcome", "how", "patients", f"risk, {found.first}", f"risk, {found.minus}", "difference", "ratio",
        ),
        tuple(rows), frame, _grouped(notes, len(found.outcomes)),
    )  # fmt: skip


def _grouped(notes: list[tuple[str, str]], everything: int) -> tuple[str, ...]:
    """Each note once, with the outcomes that it is about unless it is about all."""
    about: dict[str, list[str]] = {}
    for name, note in notes:
        about.setdefault(note, []).append(name)
    return _notes(*(note if len(names) == everything else f"{listed(names)}: {note}" for note, names in about.items()))


def _e_value(found: EValue) -> str:
    if found.point is None:
        return ""
    limit = "" if found.limit is None else f" (limit nearer to 1: {ratio_text(found.limit)})"
    return f"{ratio_text(found.point)}{limit}"


def _balance_table(found: OutcomeAnalysis) -> Table | None:
    listed_rows = [(one, row) for one in found.outcomes for row in one.balance]
    if not listed_rows:
        return None
    # outcomes that are recorded for the same patients have the same balance
    alike: dict[tuple[BalanceRow, ...], list[str]] = {}
    for one in found.outcomes:
        if one.balance:
            alike.setdefault(one.balance, []).append(_name(one))
    rows = tuple(
        (
            listed(names), plain_name(row.name), f"{row.before:+.2f}", f"{row.after_inverse_probability:+.2f}",
            f"{row.after_overlap:+.2f}",
        )
        for balance, names in alike.items() for row in balance
    )  # fmt: skip
    frame = pd.DataFrame([
        {
            "outcome": one.outcome, "confounder": row.name, "before": row.before,
            "after_inverse_probability": row.after_inverse_probability, "after_overlap": row.after_overlap,
        }
        for one, row in listed_rows
    ])  # fmt: skip
    return Table(
        "outcome_balance", "Were the patients alike whose outcomes are compared?",
        ("outcome", "confounder", "as it was", "inverse-probability weights", "overlap weights"), rows, frame,
        (
            f"Standardised differences, {found.first} minus {found.minus}, of patients with the outcome and all confounders.",
            "Below 0.1 is commonly taken as negligible (common practice, no source).",
        ),
    )  # fmt: skip


def _missing_table(found: OutcomeAnalysis) -> Table | None:
    rows = []
    flat: list[tuple[str, Estimate]] = []
    for one in found.outcomes:
        for known, bound in zip((one.risks.difference, one.risks.ratio), one.risks.missing_bounds, strict=False):
            rows.append((_name(one), bound.quantity.split(" of ")[0], bound.direction, cell(known), cell(bound)))
            flat += [(f"{one.outcome}, as recorded", known), (f"{one.outcome}, bounds", bound)]
    if not rows:
        return None
    return Table(
        "outcome_missing", "What missing outcomes could make of it",
        ("outcome", "what", "who", "of those recorded", "whatever the missing ones were"), tuple(rows),
        estimates_frame(flat),
        (
            "Bounds: every missing outcome taken as an event in one group and as none in the other, both ways.",
            "Shown where more than a fifth of a group is missing, or groups differ by a tenth (rule of thumb, no source).",
        ),
    )  # fmt: skip
