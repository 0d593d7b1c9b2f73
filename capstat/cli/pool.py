"""capstat pool: what do published studies say, and how do our own records sit beside them?"""

from __future__ import annotations

import argparse
import textwrap
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from capstat.cli.common import (
    CAPTURE_NAMES,
    add_compared_placements,
    add_level_option,
    compared_placements,
    open_study,
    print_json,
    progress,
    table_records,
    whole_number,
)
from capstat.cli.literature_options import add_literature_options, literature_question

if TYPE_CHECKING:
    from capstat.analysis import EvidenceAnalysis, EvidenceBrief, LiteratureQuestion, LocalStudy
    from capstat.synthesis.study_effect import Measure

__all__ = ["add_options", "run"]

MEASURES = ("threshold", "capture", "ratio", "difference", "capture-ratio", "outcome")
TEMPLATES = {"studies": "my-studies.csv", "judgements": "my-judgements.toml"}


def _condition(text: str) -> tuple[str, tuple[str, ...]]:
    name, sign, values = text.partition("=")
    words = tuple(value.strip() for value in values.split(",") if value.strip())
    if not sign or not name.strip() or not words:
        raise argparse.ArgumentTypeError(f"{text} is not COLUMN=WORD or COLUMN=WORD,WORD")
    from capstat.synthesis.questions import canonical_words

    return name.strip(), canonical_words(name.strip(), words)


def _columns(text: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(name.strip() for name in text.split(",") if name.strip()))


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    parser.add_argument(
        "study", nargs="?",
        help="your own records, to stand beside the published studies (a file of attempts, or a folder); may be absent",
    )  # fmt: skip
    parser.add_argument("--mapping", help="TOML file that renames columns and recodes values of a local spreadsheet")
    parser.add_argument("--json", action="store_true", help="print results for programs")
    parser.add_argument(
        "--list", action="store_true", help="print every record of the evidence table, and nothing else"
    )
    parser.add_argument(
        "--columns", action="store_true", help="print the columns of an evidence file (with --json as Table Schema)"
    )
    parser.add_argument(
        "--template", choices=tuple(TEMPLATES), metavar="KIND",
        help="write an example file to be changed: studies (CSV) or judgements (TOML), and nothing else",
    )  # fmt: skip
    parser.add_argument(
        "--to", metavar="FILE", help="where --template writes (default my-studies.csv, my-judgements.toml)"
    )
    parser.add_argument(
        "--measure",
        action="append",
        choices=MEASURES,
        help="what is pooled; may be given again (default: all but difference)",
    )
    parser.add_argument(
        "--where", action="append", type=_condition, default=[], metavar="COLUMN=WORDS",
        help="only records with one of these words in a column, such as urgency=elective; may be given again",
    )  # fmt: skip
    parser.add_argument(
        "--by",
        # "by" is the column of groups of the other verbs, which the choice of placements looks at
        dest="apart",
        type=_columns,
        metavar="COLUMNS",
        help="columns whose values are pooled apart, in place of the usual ones",
    )
    parser.add_argument(
        "--borrow-spread", action="store_true",
        help="give thresholds reported without a spread that of the other studies (an assumption)",
    )  # fmt: skip
    parser.add_argument("--subgroups", default="", metavar="COLUMN", help="compare the studies by a column")
    parser.add_argument(
        "--regress", default="", metavar="COLUMN", help="regress on a column of numbers (ten studies or more)"
    )
    parser.add_argument(
        "--brief", action="store_true", help="print the one-page brief for a committee, and nothing else"
    )
    add_literature_options(parser)
    parser.add_argument("--capture", choices=CAPTURE_NAMES, help="what capture means in your own records")
    add_compared_placements(parser)
    add_level_option(parser)
    parser.add_argument("--seed", type=whole_number(0), default=1, help="seed of the range checks (default 1)")
    parser.add_argument(
        "--suppress-below", type=whole_number(1), default=1, metavar="N",
        help="hide counts and groups of your own records of fewer than N patients",
    )  # fmt: skip


def _write_template(kind: str, target: str) -> int:
    from capstat.output import new_file_atomically

    if kind == "studies":
        from capstat.synthesis.evidence_template import evidence_template_text

        text = evidence_template_text()
    else:
        from capstat.synthesis.judgements_file import judgements_template_text

        text = judgements_template_text()
    new_file_atomically(Path(target), text.encode("utf-8"))
    print(f"An example to be changed is in {target}.")
    return 0


def _print_columns(*, as_json: bool) -> int:
    from capstat.synthesis.evidence_template import evidence_dictionary, evidence_schema

    if as_json:
        print_json(evidence_schema())
        return 0
    for row in evidence_dictionary():
        unit = f", {row.unit}" if row.unit else ""
        needed = " (needed)" if row.required else ""
        print(f"{row.name}{needed}: {row.meaning}{unit}")
        if row.accepted:
            print(textwrap.fill(row.accepted, 96, initial_indent="    ", subsequent_indent="    "))
    return 0


def _paragraphs(sentences: tuple[str, ...]) -> None:
    for sentence in sentences:
        print("\n".join(textwrap.wrap(sentence, 100, initial_indent="  ", subsequent_indent="  ")))


def _of_brief(question: LiteratureQuestion, named: list[Measure] | None) -> tuple[Measure, ...]:
    """Measures of the brief, that which it is about first: the one named, or judged, or the ratio of placements."""
    from capstat.analysis.evidence_brief import brief_measures

    judged: list[Measure] = [judgement.measure for judgement in question.judgements]
    return brief_measures([*(named or ()), *judged, "ratio"][0])


def _print_brief(brief: EvidenceBrief, *, synthetic: bool, as_json: bool) -> None:
    from capstat.report.brief import brief_text, brief_words

    words = brief_words(brief_text(brief))
    if as_json:
        told = [{"heading": heading, "sentences": list(sentences)} for heading, sentences in words if sentences]
        print_json({"synthetic_data": synthetic, "measure": brief.measure, "brief": told})
        return
    if synthetic:
        print("SYNTHETIC DATA: the local study, or part of it, is invented.\n")
    print("Brief for a committee\n")
    for heading, sentences in words:
        if sentences:
            print(heading)
            _paragraphs(sentences)
            print()


def _print_questions(found: EvidenceAnalysis) -> None:
    from capstat.report.literature_sentences import local_notes, part_sentences, unanswered_sentence
    from capstat.report.literature_tables import tables_of_question
    from capstat.report.literature_words import question_title
    from capstat.report.table import table_text

    if not found.parts:
        print("No record of the evidence table fits what was asked.\n")
    answered = [(k, part) for k, part in enumerate(found.parts, 1) if part.pooled.studies]
    if len(answered) > 1:
        print("In short\n")
        _paragraphs(tuple(f"{question_title(p.pooled.question)}. {part_sentences(p)[0]}" for _, p in answered))
        print()
    for position, part in answered:
        print(f"{question_title(part.pooled.question)}\n")
        _paragraphs(part_sentences(part, found.local_words))
        print()
        # one study by itself is told by its sentence
        if part.pooled.headline is not None or part.local or part.pooled.gathered.excluded:
            for table in tables_of_question(part, position):
                print(table_text(table))
    unanswered = tuple(unanswered_sentence(part) for part in found.parts if not part.pooled.studies)
    if unanswered:
        print("Questions that no record answers\n")
    notes = local_notes(found)
    for sentences in (unanswered, notes):
        if sentences:
            _paragraphs(sentences)
            print()


def _print_text(found: EvidenceAnalysis, *, synthetic: bool) -> None:
    from capstat.report.literature_sentences import reanalysis_sentences
    from capstat.report.literature_tables import reanalysis_table
    from capstat.report.literature_words import SECTION_CAUTIONS
    from capstat.report.range_tables import range_sentences, range_tables
    from capstat.report.table import table_text

    if synthetic:
        print("SYNTHETIC DATA: the local study, or part of it, is invented.\n")
    _print_questions(found)
    if found.reanalysis is not None and any(part.pooled.question.measure == "ratio" for part in found.parts):
        _paragraphs(reanalysis_sentences(found.reanalysis))
        print()
        print(table_text(reanalysis_table(found.reanalysis)))
    if found.ranges is not None:
        print("Your own records beside published and trade ranges\n")
        _paragraphs(range_sentences(found.ranges))
        print()
        for table in range_tables(found.ranges):
            print(table_text(table))
    for caution in SECTION_CAUTIONS:
        print("\n".join(textwrap.wrap(caution, 100)))
    print("For research and education. Not a medical device, not bedside guidance.")


def _record(found: EvidenceAnalysis, *, synthetic: bool) -> dict[str, Any]:
    from capstat.report.literature_sentences import part_sentences
    from capstat.report.literature_tables import literature_tables, reanalysis_table
    from capstat.report.literature_words import SECTION_CAUTIONS, file_name, question_title
    from capstat.report.range_tables import range_tables

    tables = [*literature_tables(found)]
    if found.reanalysis is not None:
        tables.append(reanalysis_table(found.reanalysis))
    if found.ranges is not None:
        tables += range_tables(found.ranges)
    return {
        "synthetic_data": synthetic,
        "caution": " ".join(SECTION_CAUTIONS),
        "settings": {
            "measures": list(found.question.measures),
            "where": {name: list(values) for name, values in found.question.where},
            "borrowed_spread": found.question.borrow_spread,
            "literature_weight": found.question.weight,
            "level": found.level,
            "seed": found.seed,
            "evidence": list(found.table.sources),
            "evidence_fingerprint": found.table.fingerprint,
        },
        "questions": [
            {
                "tables": file_name(part.pooled.question, position),
                "title": question_title(part.pooled.question),
                "measure": part.pooled.question.measure,
                "where": {name: list(values) for name, values in part.pooled.question.where},
                "sentences": list(part_sentences(part, found.local_words)),
            }
            for position, part in enumerate(found.parts, 1)
        ],
    } | table_records(tables)


def _local(options: argparse.Namespace) -> tuple[LocalStudy, bool, int]:
    from capstat.analysis import AnalysisOptions, capture_definitions_for, describe_local, study_facts
    from capstat.results import NotEstimableError, UsageError
    from capstat.thresholds import CAPTURE_DEFINITIONS

    study = open_study(options)
    first, minus = compared_placements(options)
    if first == minus:
        raise UsageError(f"--first and --minus are both {first}; name two placements.")
    facts = study_facts(study)
    if facts.n_patients < options.suppress_below:
        raise NotEstimableError(
            f"The study has fewer than {options.suppress_below} patients; its results are suppressed as requested."
        )
    by_name = {capture.name: capture for capture in CAPTURE_DEFINITIONS}
    definitions = (by_name[options.capture],) if options.capture else capture_definitions_for(study)
    chosen = AnalysisOptions(first=first, minus=minus, level=options.level, seed=options.seed)
    return describe_local(study, chosen, definitions), facts.synthetic, facts.n_patients


def _question(options: argparse.Namespace) -> LiteratureQuestion:
    question = replace(
        literature_question(options), where=tuple(options.where), by=options.apart, borrow_spread=options.borrow_spread,
        subgroups=options.subgroups, regress=options.regress,
    )  # fmt: skip
    return replace(question, measures=tuple(options.measure)) if options.measure else question


def run(options: argparse.Namespace) -> int:
    """Pool and print."""
    if options.to and not options.template:
        from capstat.results import UsageError

        raise UsageError("--to says where --template writes; give --template studies or --template judgements as well.")
    if options.template:
        return _write_template(options.template, options.to or TEMPLATES[options.template])
    if options.columns:
        return _print_columns(as_json=options.json)
    question = _question(options)
    if options.brief:
        question = replace(question, measures=_of_brief(question, options.measure))
    if options.list:
        return _print_list(question, as_json=options.json)
    from capstat.analysis import analyse_evidence, evidence_brief
    from capstat.analysis.suppress_evidence import suppress_evidence

    local, synthetic = None, False
    if options.study is not None:
        local, synthetic, _ = _local(options)
    progress("pooling")
    found = suppress_evidence(
        analyse_evidence(question, local, level=options.level, seed=options.seed), options.suppress_below
    )
    if options.brief:
        brief = evidence_brief(
            found, question.measures[0], None if local is None else local.comparison, capture=found.capture,
            suppress_below=options.suppress_below, not_compared="" if local is None else local.not_compared,
        )  # fmt: skip
        _print_brief(brief, synthetic=synthetic, as_json=options.json)
    elif options.json:
        print_json(_record(found, synthetic=synthetic))
    else:
        _print_text(found, synthetic=synthetic)
    return 0


def _print_list(question: LiteratureQuestion, *, as_json: bool) -> int:
    from capstat.report.literature_tables import evidence_list_table
    from capstat.report.table import table_text
    from capstat.synthesis.evidence_file import published_evidence
    from capstat.synthesis.questions import records_of

    table = evidence_list_table(records_of(question.table or published_evidence(), question.where))
    if as_json:
        print_json(table_records([table]))
    else:
        print(table_text(table))
    return 0
