"""The section on published studies: its sentences, tables and figures in the order of the page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from capstat.analysis import evidence_brief
from capstat.report.brief import brief_text, brief_words
from capstat.report.figures import figure_of_ranges, figures_of_question, medians_picture, reanalysis_picture
from capstat.report.literature_sentences import part_sentences, reanalysis_sentences
from capstat.report.literature_tables import evidence_list_table, reanalysis_table, tables_of_question
from capstat.report.literature_words import SECTION_CAUTIONS, question_title
from capstat.report.range_tables import range_sentences, range_tables

if TYPE_CHECKING:
    from capstat.analysis import EvidenceAnalysis
    from capstat.placement import PlacementComparison
    from capstat.report.figures import Picture
    from capstat.report.table import Table

__all__ = ["LiteratureSection", "QuestionSection", "literature_section"]


@dataclass(frozen=True, slots=True, eq=False)
class QuestionSection:
    """One question to the published studies.

    Attributes
    ----------
    title : str
        Heading.
    sentences : tuple of str
        What it says.
    tables : tuple of Table
        Its tables.
    pictures : tuple of Picture
        Its figures.
    leading : bool
        Whether it is shown open: several studies, or the local one beside a single one.
    """

    title: str
    sentences: tuple[str, ...]
    tables: tuple[Table, ...]
    pictures: tuple[Picture, ...]
    leading: bool


@dataclass(frozen=True, slots=True, eq=False)
class LiteratureSection:
    """Everything that the page shows of the published studies.

    Attributes
    ----------
    cautions, range_sentences, reanalysis_sentences : tuple of str
        Sentences.
    questions : tuple of QuestionSection
        In their order.
    range_tables, reanalysis_tables, listed : tuple of Table
        Tables of the range check, of the reanalysis, and of all records.
    range_pictures, reanalysis_pictures : tuple of Picture
        Figures.
    brief : tuple of (str, tuple of str)
        Headings and sentences of the committee's page.
    """

    cautions: tuple[str, ...]
    range_sentences: tuple[str, ...]
    range_tables: tuple[Table, ...]
    range_pictures: tuple[Picture, ...]
    questions: tuple[QuestionSection, ...]
    reanalysis_sentences: tuple[str, ...]
    reanalysis_tables: tuple[Table, ...]
    reanalysis_pictures: tuple[Picture, ...]
    listed: tuple[Table, ...]
    brief: tuple[tuple[str, tuple[str, ...]], ...]

    @property
    def tables(self) -> tuple[Table, ...]:
        """Every table."""
        own = tuple(table for question in self.questions for table in question.tables)
        return (*self.range_tables, *own, *self.reanalysis_tables, *self.listed)

    @property
    def pictures(self) -> tuple[Picture, ...]:
        """Every figure."""
        own = tuple(picture for question in self.questions for picture in question.pictures)
        return (*self.range_pictures, *own, *self.reanalysis_pictures)


def literature_section(
    found: EvidenceAnalysis,
    comparison: PlacementComparison | None,
    *,
    suppress_below: int = 1,
    adjusted: str = "",
    not_compared: str = "",
) -> LiteratureSection:
    """Put the section together.

    Parameters
    ----------
    found : EvidenceAnalysis
        The published studies, with the local one beside them.
    comparison : PlacementComparison or None
        The local comparison of placements, for the brief.
    suppress_below : int
        Counts of fewer local patients are not shown in the brief.
    adjusted, not_compared : str
        A sentence on the adjusted difference in shares, and why there is no comparison; empty where there is none.
    """
    questions = tuple(
        QuestionSection(
            question_title(part.pooled.question), part_sentences(part, found.local_words), tables_of_question(part, k),
            figures_of_question(part, k), bool(part.pooled.headline or (part.local and part.pooled.question.measure in ("threshold", "ratio"))),
        )
        for k, part in enumerate(found.parts, 1)
    )  # fmt: skip
    ranges, reanalysis = found.ranges, found.reanalysis
    drawn = None if ranges is None else figure_of_ranges(ranges)
    measure = found.question.judgements[0].measure if found.question.judgements else "ratio"
    return LiteratureSection(
        SECTION_CAUTIONS,
        () if ranges is None else range_sentences(ranges),
        () if ranges is None else range_tables(ranges),
        () if drawn is None else (drawn,),
        questions,
        () if reanalysis is None else reanalysis_sentences(reanalysis),
        () if reanalysis is None else (reanalysis_table(reanalysis),),
        () if reanalysis is None else (medians_picture(reanalysis), reanalysis_picture(reanalysis)),
        (evidence_list_table(found.table),),
        brief_words(
            brief_text(
                evidence_brief(
                    found,
                    measure,
                    comparison,
                    capture=found.capture,
                    suppress_below=suppress_below,
                    adjusted=adjusted,
                    not_compared=not_compared,
                )
            )
        ),
    )
