"""How soon patients were captured, as tables: shares by minutes, ends of the wait, groups, regression."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from capstat.outcomes.episodes import CAPTURE, CAUSES
from capstat.report.outcome_words import ORIGINS, begin, cell, end
from capstat.report.table import NOT_SHOWN, Table, estimates_frame
from capstat.report.wording import listed, p_text, plain_name

if TYPE_CHECKING:
    from capstat.analysis.outcome_analysis import OutcomeAnalysis
    from capstat.outcomes.time_group_results import TimeGroup
    from capstat.outcomes.time_to_capture import TimeToCapture
    from capstat.results import Estimate

__all__ = ["notes_of", "time_tables"]

DASH = "\u2013"
COMPETES = (
    "Shares are cumulative incidences of all patients: a wait that ended otherwise stays in the count as not captured.  "
    "Patients who were still paced when the record ended count for as long as they were watched."
)


def time_tables(found: OutcomeAnalysis) -> tuple[Table, ...]:
    """Return every table on the time to capture; those without content are left out."""
    tables: list[Table | None] = []
    if found.waits:
        tables += [_times_table(found), _ends_table(found), _differences_table(found)]
    tables += [_grouped_table(wait) for wait in found.other_waits if wait.groups]
    return tuple(table for table in tables if table is not None)


def end_count(group: TimeGroup, cause: str) -> str:
    """Return how many waits ended so; an end that was taken out is not shown."""
    count = dict(group.counts).get(cause)
    return NOT_SHOWN if count is None else f"{count}"


def _other_ends(group: TimeGroup) -> str:
    counts = dict(group.counts)
    names = [name for code, name in enumerate(CAUSES) if code > CAPTURE]
    if any(name not in counts for name in names):
        return NOT_SHOWN
    return f"{sum(counts[name] for name in names)}"


def _labels(found: OutcomeAnalysis) -> tuple[str, ...]:
    return tuple(dict.fromkeys(group.label for wait in found.waits for group in wait.groups))


def _group(wait: TimeToCapture, label: str) -> TimeGroup | None:
    if label == "all":
        return wait.everybody
    return next((group for group in wait.groups if group.label == label), None)


def _group_estimates(group: TimeGroup) -> tuple[Estimate, ...]:
    return (*group.captured_by, *group.captured_after, group.waiting, group.with_capture)


def _line(estimate: Estimate) -> str:
    return estimate.quantity.replace("share captured by", "captured by").replace("minutes by which", "time by which")


def _times_table(found: OutcomeAnalysis) -> Table:
    labels = ("all", *_labels(found))
    rows: list[tuple[str, ...]] = []
    flat: list[tuple[str, Estimate]] = []
    for wait in found.waits:
        groups = [_group(wait, label) for label in labels]

        lines: list[tuple[str, list[str]]] = [
            ("patients", [DASH if group is None else f"{group.n}" for group in groups]),
            ("captured", [DASH if group is None else end_count(group, CAUSES[CAPTURE]) for group in groups]),
            ("other ends of the wait", [DASH if group is None else _other_ends(group) for group in groups]),
        ]
        for k, estimate in enumerate(_group_estimates(wait.everybody)):
            own = [DASH if group is None else cell(_group_estimates(group)[k]) for group in groups]
            lines.append((_line(estimate), own))
        rows += [(wait.awaited, what, *cells) for what, cells in lines]
        flat += [
            (f"{wait.awaited}: {label}", estimate)
            for label, group in zip(labels, groups, strict=True) if group is not None
            for estimate in _group_estimates(group)
        ]  # fmt: skip
    origins = listed(sorted({ORIGINS[wait.origin] for wait in found.waits}))
    notes = [
        f"Time counts from {origins}.  In parentheses limits at {100 * found.level:g} %.", COMPETES,
        *notes_of(*(note for wait in found.waits for note in wait.notes)),
        *notes_of(*(f"{group.label}: {note}" for wait in found.waits[-1:] for group in (wait.everybody, *wait.groups)
                  for note in group.notes)),
    ]  # fmt: skip
    return Table(
        "time_to_capture", "How soon were patients captured?", ("capture", "what", *labels), tuple(rows),
        estimates_frame(flat), tuple(notes),
    )  # fmt: skip


def notes_of(*notes: str) -> tuple[str, ...]:
    """Return each note once, as a sentence."""
    return tuple(dict.fromkeys(end(begin(note)) for note in notes))


def _ends_table(found: OutcomeAnalysis) -> Table:
    rows, frame = [], []
    for wait in found.waits:
        for group in (wait.everybody, *wait.groups):
            rows.append((wait.awaited, group.label, f"{group.n}", *(end_count(group, cause) for cause in CAUSES)))
            counts = dict(group.counts)
            frame.append(
                {"awaited": wait.awaited, "group": group.label, "patients": group.n}
                | {cause: counts.get(cause) for cause in CAUSES}
            )
    left_out = [
        f"Left out: {listed([f'{count} ({reason})' for reason, count in wait.left_out])} ({wait.awaited})."
        for wait in found.waits if wait.left_out
    ]  # fmt: skip
    unnamed = [
        f"{wait.n_without_group} patients have no recorded {plain_name(wait.grouped_by)} and are in 'all' alone."
        for wait in found.waits if wait.n_without_group
    ]  # fmt: skip
    return Table(
        "time_ends", "How did the wait for capture end?", ("capture", "group", "patients", *CAUSES), tuple(rows),
        pd.DataFrame(frame).astype(dict.fromkeys(CAUSES, "Int64")), tuple(dict.fromkeys((*left_out, *unnamed))),
    )  # fmt: skip


def _differences_table(found: OutcomeAnalysis) -> Table | None:
    rows: list[tuple[str, ...]] = []
    flat: list[tuple[str, Estimate]] = []
    tests = []
    for wait in found.waits:
        several: list[tuple[str, Estimate]] = [("capture", estimate) for estimate in wait.differences]
        ends = [(cause, estimate) for cause, part in wait.other_differences for estimate in part]
        shown_ends = [(cause, part[-1]) for cause, part in wait.other_differences if part]
        minutes = [("minutes", e) for e in (wait.waiting_difference, wait.with_capture_difference) if e is not None]
        rows += [
            (wait.awaited, _difference_line(estimate), cell(estimate), "")
            for _, estimate in (*several, *shown_ends, *minutes)
        ]
        flat += [(f"{wait.awaited}: {cause}", estimate) for cause, estimate in (*several, *ends, *minutes)]
        untested = {test.reason for test in wait.tests}
        if wait.tests and len(untested) == 1 and all(test.p_value is None for test in wait.tests):
            rows.append((wait.awaited, "Gray's test of all groups", "", f"none: {untested.pop()}"))
        else:
            rows += [
                (
                    wait.awaited, f"Gray's test of all groups, {test.cause}", "",
                    f"none: {test.reason}" if test.p_value is None else p_text(test.p_value),
                )
                for test in wait.tests
            ]  # fmt: skip
        tests += [
            {
                "group": f"{wait.awaited}: {test.cause}", "quantity": "Gray's test", "statistic": test.statistic,
                "degrees_of_freedom": test.df, "p_value": test.p_value, "reason": test.reason,
            }
            for test in wait.tests
        ]  # fmt: skip
    if not rows:
        return None
    frame = estimates_frame(flat)
    if tests:
        frame = pd.concat([frame.astype(object), pd.DataFrame(tests).astype(object)], ignore_index=True)
    head = "difference" if not flat else flat[0][1].direction
    return Table(
        "time_differences", "Did the groups differ in how soon they were captured?",
        ("capture", "what", head, "test"), tuple(rows), frame,
        (
            f"In parentheses limits at {100 * found.level:g} %.  Other ends at the last time only; the CSV file has all times.",
            "Gray's test asks whether the cumulative incidence of one end is the same in all groups, the others competing.",
            _whose(found),
        ),
    )  # fmt: skip


def _whose(found: OutcomeAnalysis) -> str:
    if found.randomised:
        return "The placement was drawn by lot."
    return "A comparison of groups as they came about: nothing is adjusted for."


def _difference_line(estimate: Estimate) -> str:
    return _line(estimate).removeprefix("difference of ")


def _grouped_table(wait: TimeToCapture) -> Table:
    groups = (wait.everybody, *wait.groups)
    minutes = [f"captured by {estimate.quantity.split(' by ')[-1]}" for estimate in wait.everybody.captured_by]
    rows = tuple(
        (group.label, f"{group.n}", end_count(group, CAUSES[CAPTURE]), *(cell(e) for e in group.captured_by),
         cell(group.captured_after[0]))
        for group in groups
    )  # fmt: skip
    tests = tuple(
        f"Gray's test of {test.cause}: {p_text(test.p_value)}." for test in wait.tests if test.p_value is not None
    )
    name = plain_name(wait.grouped_by).replace(" ", "_")
    return Table(
        "time_by_ramp_speed" if name == "ramp_speed" else f"time_by_{name}",
        f"Time to {wait.awaited}, by {plain_name(wait.grouped_by)}",
        ("group", "patients", "captured", *minutes, "half by"), rows,
        estimates_frame((group.label, e) for group in groups for e in _group_estimates(group)),
        (COMPETES, *tests, *notes_of(*wait.notes)),
    )  # fmt: skip
