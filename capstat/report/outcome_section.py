"""The section on time to capture and outcome: headings, sentences, pictures and tables in the order of the page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from capstat.report.figures.outcomes import figures_of_outcomes
from capstat.report.outcome_sentences import outcome_sentences
from capstat.report.outcome_tables import outcome_tables

if TYPE_CHECKING:
    from capstat.analysis.outcome_analysis import OutcomeAnalysis
    from capstat.report.figures.canvas import Picture
    from capstat.report.table import Table

__all__ = ["OutcomePart", "OutcomeSection", "outcome_section"]


@dataclass(frozen=True, slots=True, eq=False)
class OutcomePart:
    """One heading of the section.

    Attributes
    ----------
    heading : str
        Heading.
    sentences : tuple of str
        What it says.
    pictures : tuple of Picture
        Its figures.
    tables : tuple of Table
        Its tables.
    shown : int
        How many of them stand open on the page; the others are behind a line that says what they are.
    more : str
        That line.
    """

    heading: str
    sentences: tuple[str, ...]
    pictures: tuple[Picture, ...]
    tables: tuple[Table, ...]
    shown: int
    more: str


@dataclass(frozen=True, slots=True, eq=False)
class OutcomeSection:
    """Everything that the page shows of time to capture and outcome.

    Attributes
    ----------
    parts : tuple of OutcomePart
        In the order of the page; parts without content are left out.
    """

    parts: tuple[OutcomePart, ...]

    @property
    def tables(self) -> tuple[Table, ...]:
        """Every table."""
        return tuple(table for part in self.parts for table in part.tables)

    @property
    def pictures(self) -> tuple[Picture, ...]:
        """Every figure."""
        return tuple(picture for part in self.parts for picture in part.pictures)


def outcome_section(found: OutcomeAnalysis, suppress_below: int = 1, *, draw: bool = True) -> OutcomeSection:
    """Put the section together.

    Parameters
    ----------
    found : OutcomeAnalysis
        Results; small counts are taken out of them beforehand (`suppress_outcomes`).
    suppress_below : int
        Counts of fewer patients are not told in sentences.
    draw : bool
        Whether figures are made; a terminal has no use for them.
    """
    told = outcome_sentences(found, suppress_below)
    tables = outcome_tables(found)
    pictures = figures_of_outcomes(found) if draw else ()
    by_setting = tuple(table.name for table in tables if table.name.startswith("time_by_"))
    # heading, sentences, figures, tables, how many of these stand open, and what the others are
    plan = (
        (
            "How soon were patients captured?", told.time, ("time_to_capture",),
            ("time_to_capture", "time_differences", "time_ends"), 1,
            "Did the groups differ, and how did waits end?",
        ),
        ("In which settings, and with which ramps?", (), (), by_setting, 1, "By speed of the ramp"),
        (
            "Does it go with the placement?" if found.question.by == "placement" else "Does it go with the groups?",
            told.regression, ("hazards_over_time",), ("time_regression", "time_standardised"), 2, "",
        ),
        ("Was capture kept?", told.kept, ("capture_kept",), ("capture_kept",), 1, ""),
        ("Where are paced patients over time?", told.states, ("patients_over_time",), ("patients_over_time",), 1, ""),
        (
            "Death after capture: a comparison that goes wrong, and three that count time as it passes", told.immortal,
            ("after_capture",), ("after_capture",), 1, "",
        ),
        (
            "Outcomes", told.outcomes, ("outcomes",),
            ("outcomes", "outcomes_adjusted", "outcome_missing", "outcome_balance"), 2,
            "Missing outcomes, and balance of the groups",
        ),
        ("What could not be had", told.not_had, (), (), 0, ""),
    )  # fmt: skip
    of_name = {table.name: table for table in tables}
    parts = (
        OutcomePart(
            heading, sentences,
            tuple(picture for picture in pictures if picture.name in drawn),
            tuple(of_name[name] for name in names if name in of_name), shown, more,
        )
        for heading, sentences, drawn, names, shown, more in plan
    )  # fmt: skip
    return OutcomeSection(tuple(part for part in parts if part.sentences or part.pictures or part.tables))
