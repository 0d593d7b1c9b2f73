"""capstat outcomes: how soon was capture, was it kept, and what became of the patients?"""

from __future__ import annotations

import textwrap
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from capstat.cli.common import (
    CAPTURE_NAMES,
    add_level_option,
    add_study_options,
    names_of,
    open_study,
    print_json,
    progress,
    table_records,
    whole_number,
)
from capstat.cli.outcome_options import add_outcome_options, outcome_question

if TYPE_CHECKING:
    import argparse

    from capstat.analysis import AnalysisOptions, OutcomeAnalysis

__all__ = ["add_options", "run"]


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    add_study_options(parser)
    add_outcome_options(parser)
    parser.add_argument(
        "--capture", choices=CAPTURE_NAMES, help="what counts as capture (default: mechanical where recorded)"
    )
    parser.add_argument(
        "--by", default="placement", metavar="COLUMN",
        help="groups that are compared: any column with named values, settled before or with the pads (default: "
        "placement)",
    )  # fmt: skip
    parser.add_argument("--first", help="group that is compared (default: anterior-posterior) ...")
    parser.add_argument("--minus", help="... with this one (default: anterior-lateral)")
    parser.add_argument(
        "--adjust",
        help="declared confounders, settled before the pads are placed, separated by commas; '' for none (default: "
        "age, sex, body mass index, arrest, consciousness, setting, rhythm, where recorded)",
    )
    add_level_option(parser)
    parser.add_argument("--replicates", type=whole_number(100), default=300, help="bootstrap resamples (default 300)")
    parser.add_argument("--seed", type=whole_number(0), default=1, help="seed of the bootstrap (default 1)")
    parser.add_argument(
        "--suppress-below", type=whole_number(1), default=1, metavar="N",
        help="hide counts and groups of fewer than N patients",
    )  # fmt: skip


def _pair(options: argparse.Namespace) -> tuple[str | None, str | None]:
    """The two groups that were asked for; placements by any of their spellings."""
    from capstat.attempts.vocabulary import PLACEMENT
    from capstat.results import UsageError

    if options.by != "placement":
        return options.first, options.minus
    named: list[str | None] = []
    for name, default in (("first", "anterior-posterior"), ("minus", "anterior-lateral")):
        word = getattr(options, name)
        try:
            named.append(default if word is None else PLACEMENT.match(word))
        except KeyError:
            raise UsageError(
                f"--{name}: '{word}' is not a placement; use one of {', '.join(PLACEMENT.values)}."
            ) from None
    if named[0] == named[1]:
        raise UsageError(f"--first and --minus are both {named[0]}; name two placements.")
    return named[0], named[1]


def _settings(found: OutcomeAnalysis, chosen: AnalysisOptions, *, synthetic: bool) -> dict[str, Any]:
    """What a program must know before it uses the numbers."""
    question = found.question
    return {
        "synthetic_data": synthetic,
        "settings": {
            "origin": question.origin.value,
            "sustained_s": question.sustained_s,
            "by": question.by,
            "first": found.first,
            "minus": found.minus,
            "randomised": found.randomised,
            "declared_outcome": question.declared or None,
            "adjusted_for": list(found.confounders),
            "minutes": list(question.minutes),
            "within_minutes": list(question.within_min),
            "horizon_minutes": question.horizon_min,
            "level": chosen.level,
            "replicates": question.replicates,
            "seed": chosen.seed,
        },
        "not_had": [{"part": part, "reason": reason} for part, reason in found.reasons],
    }


def _print_text(found: OutcomeAnalysis, fewest: int, *, synthetic: bool) -> None:
    from capstat.report.outcome_section import outcome_section
    from capstat.report.table import table_text

    if synthetic:
        print("SYNTHETIC DATA: this study, or part of it, is invented.\n")
    for part in outcome_section(found, fewest, draw=False).parts:
        print(f"{part.heading}\n")
        for sentence in part.sentences:
            print("\n".join(textwrap.wrap(sentence, 100, initial_indent="  ", subsequent_indent="  ")))
        print()
        for table in part.tables[: part.shown]:
            print(table_text(table))
    print("Every table: capstat outcomes STUDY --json, or as CSV beside a report (capstat report STUDY --out FOLDER).")
    print("For research and education. Not a medical device, not bedside guidance.")


def run(options: argparse.Namespace) -> int:
    """Analyse and print."""
    from capstat.analysis import AnalysisOptions, analyse_outcomes, capture_definitions_for, study_facts
    from capstat.analysis.suppress_outcomes import suppress_outcomes
    from capstat.results import NotEstimableError
    from capstat.thresholds import CAPTURE_DEFINITIONS

    question = replace(outcome_question(options), by=options.by, replicates=options.replicates)
    pair = _pair(options)
    study = open_study(options)
    chosen = AnalysisOptions(adjust_for=names_of(options.adjust), level=options.level, seed=options.seed)
    by_name = {capture.name: capture for capture in CAPTURE_DEFINITIONS}
    leading = by_name[options.capture] if options.capture else capture_definitions_for(study)[0]
    progress("following patients from the first pulse on")
    found = analyse_outcomes(study, chosen, question, leading, pair=pair)
    if found is None:
        raise NotEstimableError(
            "The study records neither times (pacing_start_s and others of the attempts, time_s of the steps) nor "
            "outcomes of patients (such as survived_to_discharge). See: capstat fields"
        )
    fewest, facts = options.suppress_below, study_facts(study)
    if facts.n_patients < fewest:
        raise NotEstimableError(f"The study has fewer than {fewest} patients; its results are suppressed as requested.")
    found = suppress_outcomes(found, fewest)
    if options.json:
        from capstat.report.outcome_tables import outcome_tables

        print_json(_settings(found, chosen, synthetic=facts.synthetic) | table_records(outcome_tables(found)))
    else:
        _print_text(found, fewest, synthetic=facts.synthetic)
    return 0
