"""Ratios of the time to capture and standardised shares, as tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from capstat.report.outcome_time_tables import notes_of
from capstat.report.outcome_words import cell
from capstat.report.table import Table, estimates_frame
from capstat.report.wording import interval_text, p_text, ratio_text

if TYPE_CHECKING:
    from capstat.analysis.outcome_analysis import OutcomeAnalysis
    from capstat.outcomes.time_regression import TimeRegression
    from capstat.results import Estimate

__all__ = ["regression_tables"]

QUESTIONS = {
    "capture": "Among those still waiting, how many times as high is the rate of capture?",
    "other": "Among those still waiting, how many times as high is the rate of other ends?",
    "share": "Of all patients, with every other end counted, are more captured by a time?",
    "times": "How many times as long does capture take, if nothing else ended the wait (assumed)?",
    "constant": "Does the hazard ratio of capture change with time?",
}
OTHER_COLUMNS = (
    "Ratios of what is adjusted for are in the CSV file; they are not meant to be read one by one (Westreich & Greenland "
    "2013, from memory)."
)


def regression_tables(found: OutcomeAnalysis) -> tuple[Table, ...]:
    """Return the table of ratios and that of standardised shares, where they could be had."""
    tables = (
        None if found.regression is None else _regression_table(found.regression),
        _standardised_table(found),
    )
    return tuple(table for table in tables if table is not None)


def _regression_table(found: TimeRegression) -> Table:
    models: tuple[tuple[str, str, tuple[Estimate, ...], str], ...] = (
        ("capture", "hazard ratio of capture", found.capture.ratios, found.capture.reason),
        ("other", "hazard ratio of other ends", found.other_ends.ratios, found.other_ends.reason),
        ("share", "subdistribution hazard ratio", found.subdistribution.ratios, found.subdistribution.reason),
        ("times", f"ratio of times ({found.times.family or 'no model'})", found.times.ratios, found.times.reason),
    )
    rows = []
    for key, what, ratios, reason in models:
        if ratios and ratios[0].value is not None:
            one = ratios[0]
            limits = "" if one.lower is None or one.upper is None else interval_text(one)
            rows.append((QUESTIONS[key], what, ratio_text(ratios[0].value), limits, p_text(one.p_value)))
        else:
            why = ratios[0].reason if ratios else reason
            rows.append((QUESTIONS[key], what, f"not estimable: {why.rstrip('.')}", "", ""))
    check = found.proportionality
    tests = [*check.terms[:1], *(() if check.together is None else (check.together,))]
    names = ("test for the groups", "test for all columns together")
    rows += [(QUESTIONS["constant"], name, "", "", p_text(t.p_value)) for name, t in zip(names, tests, strict=False)]
    if not tests:
        rows.append((QUESTIONS["constant"], "test", f"none: {check.reason.rstrip('.') or 'not asked'}", "", ""))
    estimates = [(QUESTIONS[key], e) for key, _, ratios, _ in models for e in ratios]
    frame = estimates_frame(estimates)
    every = [*check.terms, *(() if check.together is None else (check.together,))]
    reasons = [
        {"group": QUESTIONS[key], "quantity": what, "reason": reason}
        for key, what, ratios, reason in models
        if not ratios
    ]
    if every or reasons:
        told = pd.DataFrame([
            {"group": QUESTIONS["constant"], "quantity": f"test, {t.name}", "statistic": t.statistic, "p_value": t.p_value}
            for t in every
        ] + reasons)  # fmt: skip
        frame = pd.concat([frame.astype(object), told.astype(object)], ignore_index=True)
    level = next((f"{100 * e.level:g} % CI" for _, e in estimates), "limits")
    own = notes_of(*(note for _, e in estimates for note in e.notes), *found.notes, *check.notes)
    return Table(
        "time_regression", f"Time to capture, {found.first} over {found.minus}, allowing for what was known before",
        ("question", "what", "value", level, "p"), tuple(rows), frame,
        (f"Complete records of {found.n} patients.", OTHER_COLUMNS, *own),
    )  # fmt: skip


def _standardised_table(found: OutcomeAnalysis) -> Table | None:
    made = found.standardised
    if made is None:
        return None
    rows = tuple(
        (one.quantity.split(", everybody")[0], cell(one), cell(two), cell(difference))
        for (one, two), difference in zip(made.captured_by, made.differences, strict=True)
    )
    flat = [(made.first, one) for one, _ in made.captured_by] + [(made.minus, two) for _, two in made.captured_by]
    flat += [("difference", e) for e in made.differences]
    failed = (f"{made.failed} of {made.replicates} resamples had no answer.",) if made.failed else ()
    return Table(
        "time_standardised", "Shares captured, standardised over the recorded confounders",
        ("what", f"everybody {made.first}", f"everybody {made.minus}", f"{made.first} minus {made.minus}"), rows,
        estimates_frame(flat), (*failed, *notes_of(*made.notes)),
    )  # fmt: skip
