"""capstat confirm: was it capture at all?"""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

from capstat.cli.common import (
    add_compared_placements,
    add_estimation_options,
    add_study_options,
    compared_placements,
    open_study,
    print_json,
    progress,
    table_records,
    whole_number,
)
from capstat.cli.confirmation_options import add_confirmation_options, confirmation_question

if TYPE_CHECKING:
    import argparse

    from capstat.analysis import ConfirmationAnalysis
    from capstat.report.table import Table

__all__ = ["add_options", "run"]


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    add_study_options(parser)
    add_confirmation_options(parser)
    add_compared_placements(parser)
    add_estimation_options(parser)
    parser.add_argument(
        "--suppress-below", type=whole_number(1), default=1, metavar="N",
        help="hide counts and groups of fewer than N patients",
    )  # fmt: skip


def _print_text(found: ConfirmationAnalysis, fewest: int, *, synthetic: bool) -> None:
    from capstat.report.confirmation_sentences import confirmation_sentences
    from capstat.report.confirmation_tables import false_capture_part, sign_part, threshold_part
    from capstat.report.confirmation_words import claim_words, reference_words
    from capstat.report.table import table_text

    words = confirmation_sentences(found, fewest)
    if synthetic:
        print("SYNTHETIC DATA: this study, or part of it, is invented.\n")
    if found.claim:
        against = f" against {reference_words(found.reference)}" if found.reference else ""
        print(f"Was it capture at all? {claim_words(found.claim).capitalize()} as claimed{against}\n")
    parts: tuple[tuple[str, tuple[str, ...], list[Table]], ...] = (
        ("Claimed and false capture", words.false_capture, false_capture_part(found, fewest)),
        ("Signs", (*words.signs, *words.without_reference), sign_part(found, fewest)),
        ("Thresholds corrected for misjudged capture", (*words.corrected, *words.consequences), threshold_part(found)),
    )
    for heading, sentences, tables in parts:
        print(f"{heading}\n")
        for sentence in sentences:
            print("\n".join(textwrap.wrap(sentence, 100, initial_indent="  ", subsequent_indent="  ")))
        print()
        for table in tables:
            print(table_text(table))
    print("For research and education. Not a medical device, not bedside guidance.")


def _record(found: ConfirmationAnalysis, fewest: int) -> dict[str, Any]:
    from capstat.report.confirmation_tables import confirmation_tables

    return {
        "judgement": found.claim,
        "against": found.reference,
        "reasons": list(found.reasons),
        **table_records(confirmation_tables(found, fewest)),
    }


def run(options: argparse.Namespace) -> int:
    """Analyse and print."""
    from capstat.analysis import AnalysisOptions, analyse_confirmation, study_facts
    from capstat.analysis.suppress_confirmation import suppress_confirmation
    from capstat.results import NotEstimableError

    study = open_study(options)
    first, minus = compared_placements(options)
    chosen = AnalysisOptions(
        first=first, minus=minus, fractions=options.shares, level=options.level, replicates=options.replicates,
        seed=options.seed, confirmation=confirmation_question(options),
    )  # fmt: skip
    progress("holding claims and signs against the reference, correcting thresholds")
    found = analyse_confirmation(study, chosen)
    if found is None:
        raise NotEstimableError(
            "The study has no steps. What was judged at each setting is needed: a steps table with a judgement "
            "(electrical_capture or mechanical_capture) and, for some settings, a reference (adjudicated_capture, "
            "ultrasound or arterial_line)."
        )
    fewest = options.suppress_below
    facts = study_facts(study)
    if facts.n_patients < fewest:
        raise NotEstimableError(f"The study has fewer than {fewest} patients; its results are suppressed as requested.")
    if fewest > 1:
        found = suppress_confirmation(found, fewest)
    if options.json:
        print_json(_record(found, fewest))
    else:
        _print_text(found, fewest, synthetic=facts.synthetic)
    return 0
