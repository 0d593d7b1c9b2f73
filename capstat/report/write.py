"""One self-contained page, with every table as CSV and every figure as PNG and SVG beside it."""

from __future__ import annotations

import base64
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import jinja2

from capstat.output import csv_text, new_folder_atomically
from capstat.report.figures import Picture, figures_of_capture
from capstat.report.provenance import provenance_of
from capstat.report.sentences import (
    comparison_sentences,
    paired_capture_sentence,
    summary_sentences,
    threshold_sentence,
)
from capstat.report.tables import Table, tables_of_capture, tables_of_data
from capstat.report.wording import CAUTIONS

if TYPE_CHECKING:
    import os

    from capstat.analysis import CaptureAnalysis, StudyAnalysis
    from capstat.attempts import Finding

__all__ = ["ReportFiles", "write_report"]

PAGE = "report.html"


@dataclass(frozen=True, slots=True)
class ReportFiles:
    """Where a report is.

    Attributes
    ----------
    folder, page : Path
        The folder and the page inside it.
    tables, figures : int
        How many of each were written.
    """

    folder: Path
    page: Path
    tables: int
    figures: int


@dataclass(frozen=True, slots=True, eq=False)
class _Section:
    """What the page shows of one definition of capture."""

    name: str
    meaning: str
    selection: str
    derivation: tuple[str, ...]
    thresholds: tuple[str, ...]
    placement: tuple[str, ...]
    not_compared: str
    tables: dict[str, Table]
    pictures: dict[str, Picture]


def _derivation_sentences(capture: CaptureAnalysis) -> tuple[str, ...]:
    d = capture.derivation
    sentences = [
        (
            f"Thresholds were read from the steps of {d.from_steps} attempts and from the summary columns of {d.from_summary}; "
            f"the analysis uses {capture.selection}."
        )
    ]
    if d.non_monotone_rows:
        rows = ", ".join(str(row) for row in d.non_monotone_rows[:20])
        more = f" and {len(d.non_monotone_rows) - 20} more" if len(d.non_monotone_rows) > 20 else ""
        rule = (
            "the lowest current at and above which every assessed step captured"
            if d.rule == "sustained"
            else "the first current that captured"
        )
        sentences.append(
            f"{len(d.non_monotone_rows)} ramps captured at a current at or below one that did not capture; their threshold "
            f"is {rule} (rows {rows}{more} of the attempts file)."
        )
    if d.not_assessed:
        sentences.append(f"{d.not_assessed} attempts were not assessed for this kind of capture and are left out.")
    if d.disagreeing:
        sentences.append(
            f"In {d.disagreeing} attempts the summary columns do not match the attempt's own steps; the steps were used."
        )
    return tuple(sentences)


def _section(capture: CaptureAnalysis, fractions: tuple[float, ...], suppress_below: int) -> _Section:
    comparison = capture.comparison
    tables = {
        table.name.removesuffix(f"_{capture.capture.name}"): table
        for table in tables_of_capture(capture, suppress_below)
    }
    pictures = {
        picture.name.removesuffix(f"_{capture.capture.name}"): picture
        for picture in figures_of_capture(capture, suppress_below)
    }
    placement: tuple[str, ...] = ()
    hidden = False
    if comparison is not None:
        hidden = min(comparison.n_first, comparison.n_minus) < suppress_below
        sentences = (comparison.why, *comparison_sentences(comparison), paired_capture_sentence(comparison))
        placement = () if hidden else tuple(s for s in sentences if s)
    return _Section(
        capture.capture.name,
        capture.capture.meaning,
        capture.selection,
        _derivation_sentences(capture),
        tuple(
            threshold_sentence(group.summary, fractions)
            for group in capture.groups
            if group.counts.patients >= suppress_below
        ),
        placement,
        capture.not_compared or ("The groups are too small to be shown." if hidden else ""),
        tables,
        pictures,
    )


def _data_uri(picture: Picture) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(picture.svg).decode("ascii")


def _page(context: dict[str, object]) -> str:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("capstat.report", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["data_uri"] = _data_uri
    return environment.get_template("report.html.j2").render(context)


def write_report(
    analysis: StudyAnalysis,
    findings: tuple[Finding, ...],
    folder: str | os.PathLike[str],
    *,
    suppress_below: int = 1,
) -> ReportFiles:
    """Write the report of an analysis.

    The folder appears whole or not at all; a folder of an earlier report is replaced, any other is refused.

    Parameters
    ----------
    analysis : StudyAnalysis
        All results.
    findings : tuple of Finding
        What the check of the data found.
    folder : path
        Where to write: ``report.html``, ``tables/*.csv``, ``figures/*.png`` and ``*.svg``, ``provenance.json``.
    suppress_below : int
        Counts and groups of fewer patients than this are not shown.

    Raises
    ------
    FileExistsError
        When the folder exists and was not written by capstat.
    """
    sections = [_section(capture, analysis.options.fractions, suppress_below) for capture in analysis.captures]
    data_tables = {table.name: table for table in tables_of_data(analysis, findings, suppress_below)}
    provenance = provenance_of(analysis, suppress_below)
    too_small = analysis.facts.n_patients < suppress_below
    context: dict[str, object] = {
        "synthetic": analysis.facts.synthetic,
        "summary": () if too_small else summary_sentences(analysis),
        "cautions": CAUTIONS,
        "data": data_tables,
        "sections": sections,
        "provenance": provenance,
        "fewest": suppress_below,
    }
    tables = [*data_tables.values(), *(t for section in sections for t in section.tables.values())]
    pictures = [p for section in sections for p in section.pictures.values()]
    target = Path(folder)
    with new_folder_atomically(target) as scratch:
        (scratch / "tables").mkdir()
        (scratch / "figures").mkdir()
        for table in tables:
            (scratch / "tables" / f"{table.name}.csv").write_bytes(csv_text(table.frame).encode("utf-8"))
        for picture in pictures:
            (scratch / "figures" / f"{picture.name}.svg").write_bytes(picture.svg)
            (scratch / "figures" / f"{picture.name}.png").write_bytes(picture.png)
        (scratch / "provenance.json").write_bytes(
            (json.dumps(provenance, indent=2, ensure_ascii=False) + "\n").encode("utf-8")
        )
        (scratch / PAGE).write_bytes(_page(context).encode("utf-8"))
    return ReportFiles(target, target / PAGE, len(tables), len(pictures))
