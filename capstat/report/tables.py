"""Results as tables: words for the page, plain numbers for the CSV file, from the same rows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from capstat.report.placement_detail_text import detail_tables
from capstat.report.placement_tables import placement_tables
from capstat.report.table import Table, level_text, parts, small, word_rows
from capstat.report.threshold_tables import threshold_tables

if TYPE_CHECKING:
    from capstat.analysis import CaptureAnalysis, GroupAnalysis, StudyAnalysis
    from capstat.attempts import Finding
    from capstat.results import Estimate

__all__ = ["tables_of_capture", "tables_of_data", "tables_of_thresholds"]


def tables_of_data(analysis: StudyAnalysis, findings: tuple[Finding, ...], suppress_below: int) -> tuple[Table, ...]:
    """What the data are, and what is wrong with them."""
    return (
        _data_table(analysis, suppress_below),
        _censoring_table(analysis, suppress_below),
        _findings_table(findings, suppress_below),
    )


def _data_table(analysis: StudyAnalysis, suppress_below: int) -> Table:
    facts = analysis.facts
    hidden = facts.n_patients < suppress_below
    records: list[dict[str, object]] = [
        {"item": "all", "value": "", "attempts": facts.n_attempts, "patients": facts.n_patients}
    ]
    for head, counts in (
        ("placement", facts.placements),
        ("setting", facts.settings),
        ("device maximum", facts.maxima),
        ("how the placement was decided", facts.assignments),
    ):
        patients_shown = parts([patients for _, _, patients in counts], suppress_below)
        records += [
            {"item": head, "value": value, "attempts": attempts if shown == f"{patients}" else shown, "patients": shown}
            for (value, attempts, patients), shown in zip(counts, patients_shown, strict=True)
        ]
    if hidden:
        for record in records:
            record["attempts"] = record["patients"] = f"<{suppress_below}"
    rows = []
    for record in records:
        words = " — ".join(str(record[key]) for key in ("item", "value") if record[key])
        rows.append((words, str(record["attempts"]), str(record["patients"])))
    for words, n, (q1, q2, q3) in facts.patient_numbers:
        if n >= suppress_below and not hidden:
            records.append({"item": words, "patients": n, "lower_quartile": q1, "median": q2, "upper_quartile": q3})
            rows.append((f"{words}: median {q2:.0f}, quartiles {q1:.0f} and {q3:.0f}", "", f"{n}"))
    steps = "" if hidden else f" {facts.n_steps} steps were recorded."
    return Table(
        "data", "What the study holds", ("", "attempts", "patients"), tuple(rows), pd.DataFrame(records),
        (f"A patient with several attempts is counted once in each line that applies.{steps}",),
    )  # fmt: skip


def _censoring_table(analysis: StudyAnalysis, suppress_below: int) -> Table:
    heads = (
        "capture", "group", "patients", "attempts", "captured at first setting", "bracketed", "not captured: at maximum",
        "not captured: stopped early", "not captured: ending unknown", "exact",
    )  # fmt: skip
    rows = []
    for capture in analysis.captures:
        for group in capture.groups:
            c = group.counts
            kinds = [c.left, c.interval, c.maximum_reached, c.stopped_early, c.ending_unknown, c.exact]
            totals = (small(n, suppress_below) for n in (c.patients, c.attempts))
            rows.append((capture.capture.name, c.label, *totals, *parts(kinds, suppress_below)))
    return Table(
        "censoring", "What was seen of each threshold", heads, tuple(rows), pd.DataFrame(rows, columns=list(heads)),
        (("Captured at first setting: the threshold is only known to be at or below it (left-censored). Bracketed: between "
         "two settings (interval-censored). Not captured: above the highest current tested (right-censored); these "
         "attempts stay in every analysis as what they are."),),
    )  # fmt: skip


def _findings_table(findings: tuple[Finding, ...], suppress_below: int, limit: int = 30) -> Table:
    if suppress_below > 1:
        return _findings_by_rule(findings, suppress_below)
    rules: dict[str, list[Finding]] = {}
    for finding in findings:
        rules.setdefault(finding.rule, []).append(finding)
    rows = tuple(
        (f"{sum(f.occurrences for f in group)}", group[0].sentence()) for group in list(rules.values())[:limit]
    )
    frame = pd.DataFrame(
        [
            {
                "severity": f.severity, "file": f.file, "row": f.row, "column": f.column, "value": f.value,
                "rule": f.rule, "message": f.message, "remedy": f.remedy, "occurrences": f.occurrences,
            }
            for f in findings
        ],
        columns=["severity", "file", "row", "column", "value", "rule", "message", "remedy", "occurrences"],
    )  # fmt: skip
    return Table(
        "findings", "What the check of the data found", ("times", "example"), rows, frame,
        ("One example of each kind; all of them are in findings.csv and in the output of capstat check.",) if rows else
        ("The check found nothing to report.",),
    )  # fmt: skip


def _findings_by_rule(findings: tuple[Finding, ...], suppress_below: int) -> Table:
    """Counts only: a row number or a value can lead to a patient."""
    counts: dict[tuple[str, str], int] = {}
    for finding in findings:
        key = (finding.rule, finding.column or "")
        counts[key] = counts.get(key, 0) + finding.occurrences
    rows = tuple((small(count, suppress_below), rule, column) for (rule, column), count in counts.items())
    return Table(
        "findings", "What the check of the data found", ("times", "rule", "column"), rows,
        pd.DataFrame(rows, columns=["times", "rule", "column"]), ("Single rows are not shown.",),
    )  # fmt: skip


def tables_of_thresholds(capture: CaptureAnalysis, suppress_below: int = 1) -> tuple[Table, ...]:
    """How thresholds are distributed under one definition of capture."""
    return (_currents_table(capture), _shares_table(capture), *threshold_tables(capture, suppress_below))


def tables_of_capture(capture: CaptureAnalysis, suppress_below: int = 1) -> tuple[Table, ...]:
    """Thresholds and placement under one definition of capture."""
    tables = list(tables_of_thresholds(capture, suppress_below))
    if capture.comparison is not None:
        tables += placement_tables(capture.comparison, capture.capture.name, suppress_below)
        tables += detail_tables(capture.placement_detail, capture.capture.name, suppress_below)
    return tuple(tables)


def _model_rows(group: GroupAnalysis) -> list[tuple[str, str, Estimate]]:
    """Capture currents of the best model and averaged over all, marked where nobody went that high."""
    best = group.models.best
    if best is None:
        return []
    top = float(group.summary.curve.x[-1])

    def words(kind: str, estimate: Estimate) -> str:
        beyond = estimate.value is not None and estimate.value > top
        return kind + (f", beyond the {top:g} mA tested" if beyond else "")

    label = group.summary.label
    return [
        *((label, words(f"best model: {best.name}", e), e) for e in group.models.currents),
        *((label, words("average of models", e), e) for e in group.models.averaged_currents),
    ]


def _currents_table(capture: CaptureAnalysis) -> Table:
    rows = []
    for group in capture.groups:
        rows += [(group.summary.label, "no assumption", e) for e in group.summary.capture_currents]
        rows += _model_rows(group)
    shown, frame = word_rows(rows)
    level = level_text(rows[0][2])
    quantities = [e.quantity.replace("current that captures ", "").replace(" of patients", "") for _, _, e in rows]
    cells = tuple((r[0], q, r[1], r[2], r[3]) for r, q in zip(shown, quantities, strict=True))
    return Table(
        f"capture_currents_{capture.capture.name}",
        f"Current that captures a given share of patients ({capture.capture.name} capture)",
        ("group", "share", "model", "current", level), cells, frame,
        (("No assumption: nonparametric maximum likelihood; the current is the lowest tested one known to capture that "
         "share. Model: the one with the lowest AIC, alone and averaged with the others by their weights (the average "
         "carries the doubt about the family). Beyond the highest current tested every model extrapolates."),),
    )  # fmt: skip


def _shares_table(capture: CaptureAnalysis) -> Table:
    rows = []
    for group in capture.groups:
        label = group.summary.label
        rows += [(label, e.quantity.replace("share captured at ", ""), e) for e in group.summary.capture_probabilities]
        rows.append((label, group.summary.not_captured.quantity.replace("share ", ""), group.summary.not_captured))
    shown, frame = word_rows(rows)
    return Table(
        f"share_captured_{capture.capture.name}", f"Share of patients captured ({capture.capture.name} capture)",
        ("group", "current", "share", level_text(rows[0][2])), shown, frame,
        ("Not captured at the highest current tested means only that: nobody saw what a higher current would have done.",),
    )  # fmt: skip
