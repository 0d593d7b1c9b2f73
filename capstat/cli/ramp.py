"""capstat ramp: what would a ramp policy do?"""

from __future__ import annotations

import textwrap
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from capstat.cli.common import (
    CAPTURE_NAMES,
    add_compared_placements,
    add_level_option,
    compared_placements,
    odds_ratio,
    open_study,
    percentage,
    print_json,
    progress,
    table_records,
    whole_number,
)
from capstat.cli.ramp_options import add_ramp_options, ramp_question

if TYPE_CHECKING:
    import argparse

    from capstat.analysis import AnalysisOptions, RampAnalysis
    from capstat.capture import JudgementErrors

__all__ = ["add_options", "run"]


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    parser.add_argument(
        "study", nargs="?",
        help="a CSV, Parquet or Excel file of attempts, or a folder with attempts, steps, patients",
    )  # fmt: skip
    parser.add_argument("--mapping", help="TOML file that renames columns and recodes values of a local spreadsheet")
    parser.add_argument("--json", action="store_true", help="print results for programs")
    parser.add_argument(
        "--template", nargs="?", const="ramp-policies.toml", metavar="FILE",
        help="write the example policies, with an explanation of every setting, into a new file to be changed (default "
        "ramp-policies.toml), and nothing else",
    )  # fmt: skip
    parser.add_argument(
        "--capture", choices=CAPTURE_NAMES, help="what capture means in policies that do not say so (default: the "
        "study's leading one)",
    )  # fmt: skip
    parser.add_argument(
        "--rule", choices=("sustained", "first"), default="sustained",
        help="threshold of a ramp that contradicts itself",
    )  # fmt: skip
    add_ramp_options(parser)
    parser.add_argument("--by", default="placement", metavar="COLUMN", help="groups (default: placement)")
    parser.add_argument(
        "--sensitivity", type=percentage, metavar="PERCENT", default=1.0,
        help="of settings that capture, how many are judged so (default 100)",
    )  # fmt: skip
    parser.add_argument(
        "--specificity", type=percentage, metavar="PERCENT", default=1.0,
        help="of settings of 80 mA without capture, how many are judged so (default 100)",
    )  # fmt: skip
    parser.add_argument(
        "--odds-per-10-ma", type=odds_ratio, default=1.0, metavar="RATIO",
        help="with --specificity: factor of the odds of a false claim for each 10 mA more (default 1: none)",
    )  # fmt: skip
    parser.add_argument(
        "--as-read", action="store_true",
        help="also what the policies would do if capture were judged as wrongly as reviewed steps of this study show",
    )  # fmt: skip
    add_compared_placements(parser)
    add_level_option(parser)
    parser.add_argument("--draws", type=whole_number(50), default=200, help="draws of the uncertainty (default 200)")
    parser.add_argument("--seed", type=whole_number(0), default=1, help="seed of the draws (default 1)")
    parser.add_argument(
        "--suppress-below", type=whole_number(1), default=1, metavar="N",
        help="hide counts and groups of fewer than N patients",
    )  # fmt: skip


def _errors(options: argparse.Namespace) -> JudgementErrors | None:
    from capstat.capture import JudgementErrors
    from capstat.results import UsageError

    if options.odds_per_10_ma != 1 and options.specificity == 1:
        raise UsageError("--odds-per-10-ma tells how a given --specificity changes with the current; give both.")
    if options.sensitivity == options.specificity == 1:
        return None
    return JudgementErrors(options.sensitivity, options.specificity, options.odds_per_10_ma)


def _write_template(target: str) -> int:
    from capstat.output import new_file_atomically
    from capstat.protocol.policy_file import example_policies_text

    new_file_atomically(Path(target), example_policies_text().encode("utf-8"))
    print(f"Example policies are in {target}; nothing in it is a recommendation.")
    return 0


def _print_text(found: RampAnalysis, *, synthetic: bool) -> None:
    from capstat.report.ramp_sentences import as_read_sentence, ramp_sentences
    from capstat.report.ramp_tables import as_read_table, tables_of_part
    from capstat.report.ramp_words import NOT_A_RECOMMENDATION
    from capstat.report.table import table_text

    if synthetic:
        print("SYNTHETIC DATA: this study, or part of it, is invented.\n")
    for part in found.parts:
        words = ramp_sentences(part, found)
        print(f"Ramp policies and {part.capture.name} capture ({part.selection})\n")
        for sentence in (*words.consequences, *words.comparison, *words.margins, *words.reposition):
            print("\n".join(textwrap.wrap(sentence, 100, initial_indent="  ", subsequent_indent="  ")))
        print()
        for table in tables_of_part(part, found):
            print(table_text(table))
    read = as_read_sentence(found)
    if read:
        print("\n".join(textwrap.wrap(read, 100, initial_indent="  ", subsequent_indent="  ")) + "\n")
    if found.as_read is not None:
        print(table_text(as_read_table(found.as_read)))
    print("\n".join(textwrap.wrap(NOT_A_RECOMMENDATION, 100)))
    print("For research and education. Not a medical device, not bedside guidance.")


def _settings(found: RampAnalysis, chosen: AnalysisOptions, *, synthetic: bool) -> dict[str, Any]:
    """What a program must know before it uses the numbers."""
    from capstat.report.ramp_words import NOT_A_RECOMMENDATION

    question = found.question
    return {
        "synthetic_data": synthetic,
        "caution": NOT_A_RECOMMENDATION,
        "settings": {
            "discomfort_ma": question.discomfort_ma,
            "higher_factor": question.factor,
            "assumed_correlation": question.correlation,
            "move_seconds": question.move_s,
            "by": question.by,
            "level": chosen.level,
            "draws": question.draws,
            "seed": chosen.seed,
        },
    }


def run(options: argparse.Namespace) -> int:
    """Analyse and print."""
    from capstat.results import NotEstimableError, UsageError

    if options.template and options.study:
        raise UsageError("--template writes example policies and takes no study; give one of the two.")
    if options.template:
        return _write_template(options.template)
    if options.study is None:
        raise UsageError(
            "capstat ramp needs a study, or --template to write example policies. See: capstat ramp --help"
        )
    from capstat.analysis import (
        AnalysisOptions,
        analyse_confirmation,
        analyse_ramps,
        capture_definitions_for,
        study_facts,
    )
    from capstat.analysis.suppress_ramps import suppress_ramps
    from capstat.thresholds import CAPTURE_DEFINITIONS, NonMonotoneRule

    # the files of policies first: a mistake in them should not wait for the study
    question = replace(ramp_question(options), by=options.by, errors=_errors(options), draws=options.draws)
    study = open_study(options)
    first, minus = compared_placements(options)
    if first == minus:
        raise UsageError(f"--first and --minus are both {first}; name two placements.")
    chosen = AnalysisOptions(
        rule=NonMonotoneRule(options.rule), first=first, minus=minus, level=options.level, seed=options.seed
    )
    by_name = {capture.name: capture for capture in CAPTURE_DEFINITIONS}
    leading = by_name[options.capture] if options.capture else capture_definitions_for(study)[0]
    progress("applying the policies to the thresholds")
    confirmed = analyse_confirmation(study, chosen) if options.as_read else None
    if options.as_read and (confirmed is None or confirmed.corrected is None):
        raise NotEstimableError(
            "--as-read needs steps with a judgement of capture, and for some of them a reference; see: capstat confirm"
        )
    corrected = None if confirmed is None else confirmed.corrected
    found = analyse_ramps(study, chosen, question, leading, corrected=corrected)
    fewest, facts = options.suppress_below, study_facts(study)
    if facts.n_patients < fewest:
        raise NotEstimableError(f"The study has fewer than {fewest} patients; its results are suppressed as requested.")
    found = suppress_ramps(found, fewest)
    if options.json:
        from capstat.report.ramp_tables import ramp_tables

        print_json(_settings(found, chosen, synthetic=facts.synthetic) | table_records(ramp_tables(found)))
    else:
        _print_text(found, synthetic=facts.synthetic)
    return 0
