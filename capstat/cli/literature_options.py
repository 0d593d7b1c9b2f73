"""Options about the published studies, shared by the verbs that use them."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from capstat.analysis import LiteratureQuestion
    from capstat.synthesis.study_arm import EvidenceTable

__all__ = ["add_literature_options", "evidence_table", "literature_question"]


def _weight(text: str) -> float:
    try:
        value = float(text.removesuffix("%")) / 100
    except ValueError:
        value = -1.0
    if not 0 < value <= 1:
        raise argparse.ArgumentTypeError(f"{text} is not a percentage above 0 and up to 100")
    return value


def add_literature_options(parser: argparse.ArgumentParser) -> None:
    """Add the files of studies and judgements, and the weight of the literature."""
    parser.add_argument(
        "--evidence", action="append", default=[], metavar="FILE",
        help="CSV file of more published studies, one row for each arm; may be given again",
    )  # fmt: skip
    parser.add_argument(
        "--without-published",
        action="store_true",
        help="use only the studies given with --evidence, not the shipped ones",
    )
    parser.add_argument("--judgements", metavar="FILE", help="TOML file of your judgements of certainty, for the brief")
    parser.add_argument(
        "--literature-weight", type=_weight, default=0.5, metavar="PERCENT",
        help="how much the published studies count as a prior for your own (default 50; an assumption, every weight is "
        "shown)",
    )  # fmt: skip


def evidence_table(options: argparse.Namespace) -> EvidenceTable:
    """The shipped studies and those of the user.

    Raises
    ------
    UsageError
        When no studies are left, or a file cannot be used.
    """
    from capstat.results import UsageError
    from capstat.synthesis.evidence_file import join_evidence, published_evidence, read_evidence

    if not options.evidence:
        if options.without_published:
            raise UsageError("--without-published leaves no studies; give some with --evidence FILE.")
        return published_evidence()
    table = own = read_evidence(*options.evidence)
    if not options.without_published:
        table = join_evidence((published_evidence(), own))
    for finding in table.findings:
        if finding.file in own.sources:
            print(f"warning: {finding.sentence()}", file=sys.stderr)
    return table


def literature_question(options: argparse.Namespace) -> LiteratureQuestion:
    """What is asked of the published studies."""
    from capstat.analysis import LiteratureQuestion
    from capstat.synthesis.judgements_file import read_judgements

    return LiteratureQuestion(
        table=evidence_table(options),
        weight=options.literature_weight,
        judgements=read_judgements(options.judgements) if options.judgements else (),
    )
