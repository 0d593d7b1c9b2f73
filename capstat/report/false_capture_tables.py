"""False capture as tables: shares, currents, months, and before against after."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from capstat.report.confirmation_words import both, claim_words, full_sentences, reference_words
from capstat.report.table import Table, estimates_frame, level_text, parts, small, word_rows
from capstat.report.wording import p_text, percent

if TYPE_CHECKING:
    from capstat.analysis import FalseCaptureAnalysis
    from capstat.capture import BeforeAfter, ClaimedCurrents, FalseCaptureChart
    from capstat.results import Estimate

__all__ = ["false_capture_tables"]


def false_capture_tables(found: FalseCaptureAnalysis, suppress_below: int) -> list[Table]:
    """Every table about false capture."""
    tables = [_share_table(found, suppress_below)]
    if found.currents is not None:
        tables.append(_currents_table(found.currents))
    if found.chart is not None and suppress_below <= 1:
        # months are small groups
        tables.append(_months_table(found.chart))
    if found.before_after is not None:
        tables.append(_before_after_table(found.before_after))
    return tables


def _share_table(found: FalseCaptureAnalysis, suppress_below: int) -> Table:
    audit = found.audit
    p_values = {t.grouping: p_text(t.adjusted_p_value) for t in audit.tests}
    rows = [("all claims", "", *_counted(audit.false, audit.judged, suppress_below), both(audit.share), "")]
    seen: set[str] = set()
    for row in audit.groups:
        if not row.judged:
            continue  # claims that nobody reviewed tell nothing
        name = "" if row.grouping in seen else row.grouping
        p = "" if row.grouping in seen else p_values.get(row.grouping, "")
        seen.add(row.grouping)
        rows.append((name, row.label, *_counted(row.false, row.judged, suppress_below), both(row.share), p))
    estimates: list[tuple[str, Estimate]] = [("all claims", audit.share), ("all claims, exact limits", audit.exact)]
    estimates += [(f"{row.grouping}: {row.label}", row.share) for row in audit.groups]
    tests = dict.fromkeys(f"{t.grouping}: {t.method}" for t in audit.tests if t.method)
    notes = [
        (
            f"Claim: the first setting of an attempt read as {claim_words(found.claim)} at the bedside. False: "
            f"{reference_words(found.reference)} does not show capture at that setting. {found.judged.sentence}"
        ),
        (
            "Column p: that false captures are equally frequent in all groups, adjusted by Holm's method over the groupings "
            f"({'; '.join(tests)}). Groups are those that came about, so a difference shows association."
        ),
        *full_sentences(audit.share.notes),
    ]
    if audit.exact.value is not None:
        notes.append(f"Overall with exact (Clopper-Pearson) limits: {both(audit.exact)}.")
    return Table(
        "false_capture", f"Claimed captures that {reference_words(found.reference)} did not uphold",
        ("by", "group", "claims judged", "false", f"share false ({level_text(audit.share)})", "p"),
        tuple(rows), estimates_frame(estimates), tuple(notes),
    )  # fmt: skip


def _counted(false: int, judged: int, suppress_below: int) -> tuple[str, str]:
    shown = parts([false, judged - false], suppress_below)
    total = small(judged, suppress_below)
    return total, shown[0] if not total.startswith("<") else total


def _currents_table(currents: ClaimedCurrents) -> Table:
    rows = [
        ("false claims", "median current", currents.false_median),
        ("upheld claims", "median current", currents.upheld_median),
        ("false minus upheld", "difference of medians", currents.difference_of_medians),
        ("false minus upheld", "typical difference (Hodges-Lehmann)", currents.shift),
        ("false over upheld", "ratio of geometric means", currents.ratio),
    ]
    cells, frame = word_rows(rows)
    shown = tuple((*cell, p_text(e.p_value)) for cell, (_, _, e) in zip(cells, rows, strict=True))
    notes = full_sentences(note for _, _, e in rows for note in e.notes)
    return Table(
        "claimed_currents", "Currents of false and of upheld claims",
        ("claims", "quantity", "estimate", level_text(currents.shift), "p"), shown, frame,
        (
            ("In one study of field records false claims were made at lower currents than upheld ones (70 against 95 mA: Kimbrell "
            "et al. 2024, doi:10.1080/10903127.2024.2321287). Where false claims are more frequent in patients who need more "
            "current, it can be the other way round."),
            *notes,
        ),
    )  # fmt: skip


def _months_table(chart: FalseCaptureChart) -> Table:
    months = [f"{month:g}" for month in chart.month]
    rows = tuple(
        (month, str(judged), str(false), f"{percent(share)} %", f"{percent(low)} to {percent(high)} %")
        for month, judged, false, share, low, high in zip(
            months, chart.judged, chart.false, chart.share, chart.action_lower, chart.action_upper, strict=True
        )
    )
    frame = pd.DataFrame(
        {
            "study_month": chart.month, "judged": chart.judged, "false": chart.false, "share": chart.share,
            "expected": chart.expected, "warning_lower": chart.warning_lower, "warning_upper": chart.warning_upper,
            "action_lower": chart.action_lower, "action_upper": chart.action_upper,
        }
    )  # fmt: skip
    return Table(
        "false_capture_months", "False capture by study month",
        ("study month", "claims judged", "false", "share false", "no signal between (0.27 % limits)"), rows, frame,
        full_sentences([chart.verdict, *chart.notes, *_reasons(chart)]),
    )  # fmt: skip


def _reasons(chart: FalseCaptureChart) -> tuple[str, ...]:
    return (f"No run rules: {chart.rules_reason.rstrip('.')}.",) if chart.rules_reason else ()


def _before_after_table(found: BeforeAfter) -> Table:
    s = found.series
    months = f"{s.months_before} and {s.months_after} months"
    rows = [
        ("before", "share false", found.before),
        ("from the change on", "share false", found.after),
        ("after minus before", "difference", found.difference),
        ("after over before", "ratio of shares", found.risk_ratio),
        (f"trend by month ({months})", "change of level, odds ratio", s.level_change),
        (f"trend by month ({months})", "change of slope, ratio of odds ratios for a month", s.slope_change),
        (f"trend by month ({months})", "last month: fitted minus earlier trend", s.difference_at_end),
    ]
    cells, frame = word_rows(rows)
    shown = tuple((*cell, p_text(e.p_value)) for cell, (_, _, e) in zip(cells, rows, strict=True))
    notes = full_sentences([*found.notes, *(note for _, _, e in rows for note in e.notes)])
    return Table(
        "before_after", f"False capture before and from study month {found.change_month:g}",
        ("", "quantity", "estimate", level_text(found.difference), "p"), shown, frame,
        (f"Test of the two shares: {found.test.rstrip('.')}.", *notes),
    )  # fmt: skip
