"""Entry point: lists the verbs and turns failures into one clear sentence and an exit status."""

from __future__ import annotations

import argparse
import io
import os
import sys
from importlib import import_module, metadata
from typing import TYPE_CHECKING, NoReturn

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["EXIT_FINDINGS", "EXIT_FINE", "EXIT_USAGE", "VERBS", "main"]

EXIT_FINE, EXIT_FINDINGS, EXIT_USAGE = 0, 1, 2
# as shells report a program that was stopped from the keyboard
EXIT_INTERRUPTED = 130

# verb -> the question it answers; the module of the same name adds options and runs it
VERBS = {
    "check": "What is wrong with my data?",
    "fields": "Which columns can a study have? Prints the field table, a blank template or a schema.",
    "thresholds": "What current captures 50, 90, 95 %% of these patients, and how many were not captured?",
    "compare": "Does one pad placement capture at a lower current, and by how much?",
    "confirm": "Was it capture at all: how many claims were false, which sign to trust, what that does to thresholds?",
    "ramp": "What would a ramp policy do: time to capture, pulses, current left on, chance of none or of losing it?",
    "outcomes": "How soon was capture, was it kept, and what became of the patients?",
    "pool": "What do published studies say together, and how do our own records sit beside them?",
    "report": "Everything above as one page, with tables and figures beside it.",
    "synth": "Make an invented study with known truth, to learn or to plan with.",
}


class _Parser(argparse.ArgumentParser):
    """A parser whose complaint is one sentence."""

    def error(self, message: str) -> NoReturn:
        """Say what is wrong and where help is."""
        self.exit(EXIT_USAGE, f"{self.prog}: {message}. See: {self.prog} --help\n")


def build_parser() -> argparse.ArgumentParser:
    """Make the parser; no modelling or plotting library is loaded for it."""
    parser = _Parser(
        prog="capstat",
        description="Capture thresholds and pad placement in transcutaneous pacing, as censored data.",
        epilog="For research and education. Not a medical device, not bedside guidance. "
        "Exit status: 0 fine, 1 findings in the data, 2 wrong usage.",
    )
    parser.add_argument("--version", action="version", version=f"capstat {metadata.version('capstat')}")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")
    for verb, question in VERBS.items():
        sub = verbs.add_parser(verb, help=question, description=question.replace("%%", "%"))
        import_module(f"capstat.cli.{verb}").add_options(sub)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one verb and return its exit status."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # a terminal or pipe that knows few characters gets substitutes, not a failure halfway
            stream.reconfigure(errors="backslashreplace")
    options = build_parser().parse_args(arguments)
    run = import_module(f"capstat.cli.{options.verb}").run
    try:
        status = int(run(options))
        sys.stdout.flush()
    except BrokenPipeError:
        # the reader has seen enough; give the interpreter a place to flush the rest to
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_FINE
    except KeyboardInterrupt:
        return _fail("stopped; nothing was written", EXIT_INTERRUPTED)
    except OSError as error:
        return _fail(_os_sentence(error), EXIT_USAGE)
    except ValueError as error:
        return _fail_for_value(error)
    return status


def _os_sentence(error: OSError) -> str:
    if error.errno is None or error.strerror is None:
        return str(error)
    place = f"{error.filename}: " if error.filename else ""
    return f"{place}{error.strerror}."


def _fail_for_value(error: ValueError) -> int:
    """Data errors and answers that cannot be had are findings; a wrong choice is wrong usage."""
    from capstat.attempts import StudyError, render_findings
    from capstat.results import NotEstimableError, UsageError

    if isinstance(error, StudyError):
        print(render_findings(error.findings), file=sys.stderr)
        return _fail("The data have errors, so nothing was estimated.", EXIT_FINDINGS)
    if isinstance(error, NotEstimableError):
        return _fail(str(error), EXIT_FINDINGS)
    if isinstance(error, UsageError):
        return _fail(str(error), EXIT_USAGE)
    raise error


def _fail(message: str, status: int) -> int:
    print(f"capstat: {message}", file=sys.stderr)
    return status


if __name__ == "__main__":
    sys.exit(main())
