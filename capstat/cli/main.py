"""Entry point: lists the verbs and turns failures into one clear sentence and an exit status."""

from __future__ import annotations

import argparse
import sys
from importlib import import_module, metadata
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["EXIT_FINDINGS", "EXIT_FINE", "EXIT_USAGE", "VERBS", "main"]

EXIT_FINE, EXIT_FINDINGS, EXIT_USAGE = 0, 1, 2

# verb -> the question it answers; the module of the same name adds options and runs it
VERBS = {
    "check": "What is wrong with my data?",
    "fields": "Which columns can a study have? Prints the field table, a blank template or a schema.",
    "thresholds": "What current captures 50, 90, 95 %% of these patients, and how many were not captured?",
    "compare": "Does one pad placement capture at a lower current, and by how much?",
    "report": "Everything above as one page, with tables and figures beside it.",
    "synth": "Make an invented study with known truth, to learn or to plan with.",
}


def build_parser() -> argparse.ArgumentParser:
    """Make the parser; no modelling or plotting library is loaded for it."""
    parser = argparse.ArgumentParser(
        prog="capstat",
        description="Capture thresholds and pad placement in transcutaneous pacing, as censored data.",
        epilog="For research and education. Not a medical device, not bedside guidance. "
        "Exit status: 0 fine, 1 findings in the data, 2 wrong usage.",
    )
    parser.add_argument("--version", action="version", version=f"capstat {metadata.version('capstat')}")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")
    for verb, question in VERBS.items():
        sub = verbs.add_parser(verb, help=question, description=question)
        import_module(f"capstat.cli.{verb}").add_options(sub)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one verb and return its exit status."""
    options = build_parser().parse_args(arguments)
    run = import_module(f"capstat.cli.{options.verb}").run
    try:
        return int(run(options))
    except (FileNotFoundError, FileExistsError, NotADirectoryError, PermissionError) as error:
        return _fail(error, EXIT_USAGE)
    except ValueError as error:
        from capstat.attempts import StudyError
        from capstat.results import NotEstimableError

        in_data = isinstance(error, StudyError | NotEstimableError)
        return _fail(error, EXIT_FINDINGS if in_data else EXIT_USAGE)


def _fail(error: Exception, status: int) -> int:
    print(f"capstat: {error}", file=sys.stderr)
    return status


if __name__ == "__main__":
    sys.exit(main())
