"""One self-contained page, with every table as CSV and every figure as PNG and SVG beside it."""

from __future__ import annotations

import base64
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import jinja2

from capstat.analysis import suppress_small_groups
from capstat.output import csv_text, new_folder_atomically
from capstat.protocol.policy_file import policy_text
from capstat.report.confirmation_sentences import ConfirmationSentences, confirmation_sentences
from capstat.report.confirmation_tables import confirmation_tables
from capstat.report.confirmation_words import claim_words, reference_words
from capstat.report.figures import Picture, figures_of_capture, figures_of_confirmation, figures_of_ramps
from capstat.report.literature_section import literature_section
from capstat.report.outcome_section import outcome_section
from capstat.report.placement_detail_text import adjusted_share_sentence, detail_sentences
from capstat.report.placement_sentences import comparison_text, regression_ratio_sentence
from capstat.report.provenance import provenance_of
from capstat.report.ramp_sentences import RampSentences, as_read_sentence, ramp_sentences
from capstat.report.ramp_tables import as_read_table, tables_of_part
from capstat.report.ramp_words import NOT_A_RECOMMENDATION
from capstat.report.sentences import cautions_for, summary_sentences, threshold_sentence
from capstat.report.tables import tables_of_capture, tables_of_data
from capstat.report.threshold_sentences import (
    covariate_sentence,
    fit_sentences,
    never_captured_sentences,
    shortcut_sentence,
)
from capstat.report.wording import counted

if TYPE_CHECKING:
    import os

    from capstat.analysis import CaptureAnalysis, ConfirmationAnalysis, RampAnalysis, RampPart, StudyAnalysis
    from capstat.attempts import Finding
    from capstat.report.placement_detail_text import DetailSentences
    from capstat.report.table import Table

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
    derivation: tuple[str, ...]
    thresholds: tuple[str, ...]
    fits: tuple[str, ...]
    never: tuple[str, ...]
    shortcuts: str
    covariates: str
    placement: tuple[str, ...]
    detail: DetailSentences
    not_compared: str
    tables: dict[str, Table]
    pictures: dict[str, Picture]


@dataclass(frozen=True, slots=True, eq=False)
class _Confirmation:
    """What the page shows of confirmation."""

    claim: str
    reference: str
    words: ConfirmationSentences
    tables: dict[str, Table]
    pictures: dict[str, Picture]
    references: tuple[str, ...]


def _confirmation(found: ConfirmationAnalysis, suppress_below: int) -> _Confirmation:
    return _Confirmation(
        claim_words(found.claim) if found.claim else "",
        reference_words(found.reference) if found.reference else "",
        confirmation_sentences(found, suppress_below),
        {table.name: table for table in confirmation_tables(found, suppress_below)},
        {picture.name: picture for picture in figures_of_confirmation(found)},
        tuple(reference.reference for reference in found.signs.references),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Ramps:
    """What the page shows of the policies that look for one kind of capture."""

    name: str
    selection: str
    words: RampSentences
    as_read: str
    tables: dict[str, Table]
    pictures: dict[str, Picture]


def _tables_of(part: RampPart, found: RampAnalysis) -> dict[str, Table]:
    tables = {table.name: table for table in tables_of_part(part, found)}
    if found.as_read is not None and part is found.parts[0]:
        tables["ramp_as_read"] = as_read_table(found.as_read)
    return tables


def _ramps(found: RampAnalysis) -> list[_Ramps]:
    pictures = {picture.name: picture for picture in figures_of_ramps(found)}
    return [
        _Ramps(
            part.capture.name, part.selection, ramp_sentences(part, found), as_read_sentence(found),
            _tables_of(part, found),
            # pictures are of the leading part alone
            pictures if part is found.parts[0] else {},
        )
        for part in found.parts
    ]  # fmt: skip


def _derivation_sentences(capture: CaptureAnalysis) -> tuple[str, ...]:
    d = capture.derivation
    if d is None:
        return ()
    sources = [
        text
        for count, text in (
            (d.from_steps, f"from the steps of {counted(d.from_steps, 'attempt')}"),
            (d.from_summary, f"from the summary columns of {counted(d.from_summary, 'attempt')}"),
        )
        if count
    ]
    sentences = [
        f"Thresholds were read {' and '.join(sources)}; {counted(capture.n_analysed, 'attempt')} analysed"
        + (f" ({capture.selection})." if "first" in capture.selection else ".")
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
            f"{counted(len(d.non_monotone_rows), 'ramp')} captured at a current at or below one that did not capture; "
            f"there the threshold is {rule} (rows {rows}{more} of the attempts file)."
        )
    if d.not_assessed:
        sentences.append(
            f"{counted(d.not_assessed, 'attempt')} without an assessment of this kind of capture: left out. If it was not "
            "looked at because capture seemed plain, the share not captured comes out too high."
        )
    if d.disagreeing:
        sentences.append(
            f"In {counted(d.disagreeing, 'attempt')} the summary columns do not match the attempt's own steps; the steps "
            "were used."
        )
    return tuple(sentences)


def _section(capture: CaptureAnalysis, fractions: tuple[float, ...], suppress_below: int) -> _Section:
    comparison = capture.comparison
    ending = f"_{capture.capture.name}"
    placement: tuple[str, ...] = ()
    if comparison is not None:
        beside = (
            adjusted_share_sentence(capture.placement_detail, comparison),
            regression_ratio_sentence(capture.covariates, comparison),
        )
        placement = (*comparison_text(comparison, suppress_below), *filter(None, beside))
    return _Section(
        capture.capture.name,
        capture.capture.meaning,
        _derivation_sentences(capture),
        tuple(threshold_sentence(group.summary, fractions) for group in capture.groups),
        fit_sentences(capture),
        never_captured_sentences(capture),
        shortcut_sentence(capture),
        covariate_sentence(capture.covariates),
        placement,
        detail_sentences(capture.placement_detail, comparison),
        capture.not_compared,
        {table.name.removesuffix(ending): table for table in tables_of_capture(capture, suppress_below)},
        {picture.name.removesuffix(ending): picture for picture in figures_of_capture(capture)},
    )


def _data_uri(picture: Picture) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(picture.svg).decode("ascii")


def _joined(sentence: str) -> str:
    """Keep a number and its unit on one line."""
    return sentence.replace(" mA", "\u00a0mA").replace(" %", "\u00a0%")


def _page(context: dict[str, object]) -> str:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("capstat.report", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["data_uri"] = _data_uri
    environment.filters["joined"] = _joined
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
        Where to write: ``report.html``, ``tables/*.csv``, ``figures/*.png`` and ``*.svg``, ``provenance.json``, and the
        ramp policies as ``ramp_policies.toml``.
    suppress_below : int
        Counts and groups of fewer patients than this are not shown.

    Raises
    ------
    FileExistsError
        When the folder exists and was not written by capstat.
    """
    analysis = suppress_small_groups(analysis, suppress_below)
    sections = [_section(capture, analysis.options.fractions, suppress_below) for capture in analysis.captures]
    data_tables = {table.name: table for table in tables_of_data(analysis, findings, suppress_below)}
    confirmation = None if analysis.confirmation is None else _confirmation(analysis.confirmation, suppress_below)
    outcomes = None if analysis.outcomes is None else outcome_section(analysis.outcomes, suppress_below)
    ramps = [] if analysis.ramps is None else _ramps(analysis.ramps)
    literature = None
    if analysis.evidence is not None:
        leading = analysis.captures[0] if analysis.captures else None
        # after suppression another definition of capture may stand first
        same = leading is not None and leading.capture.name == analysis.evidence.capture
        comparison = leading.comparison if leading is not None and same else None
        adjusted = ""
        if comparison is not None and leading is not None:
            adjusted = adjusted_share_sentence(leading.placement_detail, comparison)
        literature = literature_section(
            analysis.evidence, comparison, suppress_below=suppress_below, adjusted=adjusted,
            not_compared=leading.not_compared if leading is not None and same else "",
        )  # fmt: skip
    provenance = provenance_of(analysis, suppress_below)
    context: dict[str, object] = {
        "synthetic": analysis.facts.synthetic,
        "summary": () if analysis.facts.n_patients < suppress_below else summary_sentences(analysis, suppress_below),
        "cautions": cautions_for(analysis),
        "data": data_tables,
        "sections": sections,
        "confirmation": confirmation,
        "outcomes": outcomes,
        "not_followed": "" if analysis.facts.n_patients < suppress_below else analysis.not_followed,
        "ramps": ramps,
        "literature": literature,
        "not_a_recommendation": NOT_A_RECOMMENDATION,
        "provenance": provenance,
        "fewest": suppress_below,
    }
    parts: list[_Section | _Confirmation | _Ramps] = [*sections]
    if confirmation is not None:
        parts.append(confirmation)
    parts += ramps
    tables = [*data_tables.values(), *(t for part in parts for t in part.tables.values())]
    pictures = [p for part in parts for p in part.pictures.values()]
    if outcomes is not None:
        tables += outcomes.tables
        pictures += outcomes.pictures
    if literature is not None:
        tables += literature.tables
        pictures += literature.pictures
    target = Path(folder)
    with new_folder_atomically(target, kind="report") as scratch:
        (scratch / "tables").mkdir()
        (scratch / "figures").mkdir()
        for table in tables:
            (scratch / "tables" / f"{table.name}.csv").write_bytes(csv_text(table.frame).encode("utf-8"))
        for picture in pictures:
            (scratch / "figures" / f"{picture.name}.svg").write_bytes(picture.svg)
            (scratch / "figures" / f"{picture.name}.png").write_bytes(picture.png)
        if analysis.ramps is not None:
            policies = (policy for part in analysis.ramps.parts for policy in part.policies)
            (scratch / "ramp_policies.toml").write_bytes(policy_text(policies).encode("utf-8"))
        (scratch / "provenance.json").write_bytes(
            (json.dumps(provenance, indent=2, ensure_ascii=False) + "\n").encode("utf-8")
        )
        (scratch / PAGE).write_bytes(_page(context).encode("utf-8"))
    return ReportFiles(target, target / PAGE, len(tables), len(pictures))
