"""A comparison of patients whose placement was chosen, as tables and sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from capstat.report.table import Table, estimates_frame, shown_estimate, word_rows
from capstat.report.wording import listed, p_text, percent, plain_name, ratio_text

if TYPE_CHECKING:
    from capstat.placement.observational import ObservationalAnalysis
    from capstat.results import Estimate

__all__ = ["observational_sentences", "observational_tables"]


def _names(names: tuple[str, ...]) -> str:
    return ", ".join(map(plain_name, names))


def observational_sentences(analysis: ObservationalAnalysis) -> tuple[str, ...]:
    """What was declared, whether groups have counterparts, and how strong an unseen confounder would have to be."""
    sentences = []
    if analysis.confounders:
        sentences.append(
            f"Declared to come before the placement and to bear on both placement and threshold: {_names(analysis.confounders)}. "
            "They are adjusted for because they were declared, not because of how they came out; nothing measured after the pads "
            "were placed is."
        )
    else:
        sentences.append("No declared confounder was recorded often enough, so nothing can be adjusted for.")
    if analysis.dropped:
        dropped = "; ".join(f"{plain_name(name)} ({reason})" for name, reason in analysis.dropped)
        sentences.append(f"Declared but not usable: {dropped}.")
    if analysis.overlap is not None:
        outside = listed(
            [f"{percent(group.outside)} % of {group.placement} attempts" for group in analysis.overlap.groups]
        )
        sentences.append(f"Beyond the range of the other group's propensity scores: {outside}.")
        sentences += [note.rstrip(".") + "." for note in analysis.overlap.notes]
    sentences += [f"Not available: {reason.rstrip('.')}." for reason in analysis.reasons]
    if analysis.e_values and analysis.e_values[0].meaning:
        sentences.append(analysis.e_values[0].meaning.rstrip(".") + ".")
    return tuple(sentences)


def observational_tables(analysis: ObservationalAnalysis, name: str, suppress_below: int) -> list[Table]:
    """Adjustment sets, balance, shares that allow for confounders, E-values."""
    tables = [_adjustment_table(analysis, name)]
    if analysis.balance is not None:
        tables.append(_balance_table(analysis, name, suppress_below))
    if analysis.weighted or analysis.doubly_robust is not None:
        tables.append(_shares_table(analysis, name))
    if analysis.e_values:
        tables.append(_e_value_table(analysis, name))
    return tables


def _adjustment_table(analysis: ObservationalAnalysis, name: str) -> Table:
    sets = analysis.adjustment_sets
    everything = set(sets.fully_adjusted.adjusted_for)
    shown, frame = word_rows([(row.label, "", row.ratio) for row in sets.rows])
    cells = tuple(
        (_set_words(row.adjusted_for, everything), r[2], r[3], p_text(row.ratio.p_value))
        for r, row in zip(shown, sets.rows, strict=True)
    )
    return Table(
        f"adjustment_sets_{name}", f"The ratio of thresholds by what it is adjusted for ({name} capture)",
        ("adjusted for", "ratio", f"{100 * analysis.level:g} % CI", "p"), cells, frame,
        (
            (f"All on the same {sets.n_complete} of {sets.n_total} attempts, those with every confounder recorded. If the ratio "
            "changes much from row to row, what was not recorded could change it as well."),
        ),
    )  # fmt: skip


def _set_words(names: tuple[str, ...], everything: set[str]) -> str:
    left_out = [plain_name(name) for name in everything - set(names)]
    if not names:
        return "nothing"
    if not left_out:
        return "all declared confounders" if len(names) > 1 else f"{plain_name(names[0])} alone"
    return f"{plain_name(names[0])} alone" if len(names) == 1 else f"all but {listed(left_out)}"


def _balance_table(analysis: ObservationalAnalysis, name: str, suppress_below: int) -> Table:
    balance = analysis.balance
    if balance is None:
        raise ValueError("There is no balance to tabulate.")
    rows = tuple(
        (
            plain_name(row.name), f"{row.before:+.2f}", f"{row.after_inverse_probability:+.2f}", f"{row.after_overlap:+.2f}"
        )
        for row in balance.rows
    )  # fmt: skip
    frame = pd.DataFrame(
        [
            {
                "confounder": row.name, "before": row.before,
                "after_inverse_probability": row.after_inverse_probability, "after_overlap": row.after_overlap,
            }
            for row in balance.rows
        ]
    )  # fmt: skip
    notes = [
        (
            f"Standardised differences, {analysis.first} minus {analysis.minus}; below {balance.threshold:g} is commonly taken as "
            "negligible (common practice, no source). Overlap weights balance means exactly, for those who might have had either."
        )
    ]
    if analysis.overlap is not None and suppress_below <= 1:
        sizes = "; ".join(
            f"{group.placement}: {group.n} attempts count like {group.effective_inverse_probability:.0f} (inverse probability) and "
            f"{group.effective_overlap:.0f} (overlap)"
            for group in analysis.overlap.groups
        )
        notes.append(f"Effective sizes after weighting. {sizes}.")
    notes += balance.notes
    return Table(
        f"balance_{name}", f"Were the patients alike? ({name} capture)",
        ("confounder", "as it was", "inverse-probability weights", "overlap weights"), rows, frame, tuple(notes),
    )  # fmt: skip


def _shares_table(analysis: ObservationalAnalysis, name: str) -> Table:
    rows: list[tuple[str, tuple[Estimate, Estimate], Estimate]] = []
    if analysis.doubly_robust is not None:
        robust = analysis.doubly_robust
        rows += [
            ("doubly robust", pair, gap) for pair, gap in zip(robust.shares, robust.differences, strict=True)
        ]  # fmt: skip
    for one in analysis.weighted:
        rows += [(one.weighting.value, pair, gap) for pair, gap in zip(one.shares, one.differences, strict=True)]
    cells, flat = [], []
    for how, pair, gap in rows:
        current = gap.quantity.split(" at ")[-1].split(",")[0]
        shares = tuple("" if e.value is None else f"{percent(e.value)} %" for e in pair)
        cells.append((how, current, *shares, *shown_estimate(gap)))
        flat += [(how, estimate) for estimate in (*pair, gap)]
    notes = [
        (
            "Doubly robust: right if either the model of the threshold or that of the placement is. Inverse-probability weights: all "
            "patients; overlap weights: those who might have had either placement."
        )
    ]
    if analysis.doubly_robust is not None:
        notes += analysis.doubly_robust.notes
    return Table(
        f"adjusted_shares_{name}", f"Share captured, allowing for the declared confounders ({name} capture)",
        ("how", "current", analysis.first, analysis.minus, "difference", f"{100 * analysis.level:g} % CI"), tuple(cells),
        estimates_frame(flat), tuple(notes),
    )  # fmt: skip


def _e_value_table(analysis: ObservationalAnalysis, name: str) -> Table:
    def shown(value: float | None) -> str:
        return "" if value is None else ratio_text(value)

    rows = tuple(
        (e.quantity, shown(e.risk_ratio), shown(e.point) or e.reason, shown(e.limit)) for e in analysis.e_values
    )
    frame = pd.DataFrame(
        [
            {
                "association": e.quantity, "risk_ratio": e.risk_ratio, "e_value": e.point, "e_value_of_limit": e.limit,
                "method": e.method, "reason": e.reason,
            }
            for e in analysis.e_values
        ]
    )  # fmt: skip
    return Table(
        f"e_values_{name}", f"What would it take to explain it away? ({name} capture)",
        ("association", "as a risk ratio", "E-value", "E-value of the limit"), rows, frame,
        (
            ("E-value: a confounder that was not recorded would have to go with both the placement and capture by a risk ratio of at "
            "least this, beyond everything adjusted for, to explain the association away; a weaker one could not. It says "
            "nothing about whether there is such a confounder."),
        ),
    )  # fmt: skip
