"""What is wrong with the data, one record for each problem, in the words of somebody who can mend it."""

from __future__ import annotations

import unicodedata
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "MOST_PER_RULE",
    "Finding",
    "FindingLog",
    "Severity",
    "Withheld",
    "count_by_rule",
    "count_by_severity",
    "counted",
    "printable",
    "render_findings",
]

Severity = Literal["error", "warning"]

MOST_PER_RULE = 1000
"""Findings kept for one rule in one column; the rest are counted in one closing finding."""

# While one of these is broken, what the cells say may be misunderstood.
_HEADER_RULES = frozenset({"no-header", "missing-column", "duplicate-column", "personal-column"})

_LONGEST_VALUE = 40
_LONGEST_TEXT = 1000


def printable(text: str, longest: int = _LONGEST_VALUE) -> str:
    """Return ``text`` on one line, without control characters, at most ``longest`` characters long."""
    # Format characters (Cf) could turn the direction of a terminal line; surrogates (Cs) cannot be printed.
    clean = "".join(" " if unicodedata.category(c)[0] in "CZ" else c for c in text[: 4 * longest + 4]).strip()
    return clean if len(clean) <= longest else clean[: longest - 1] + "\u2026"


@dataclass(frozen=True, slots=True)
class Withheld:
    """Stands in place of a value that must not be repeated; ``what`` begins the message instead."""

    what: str


@dataclass(frozen=True, slots=True)
class Finding:
    """One problem in the data.

    Attributes
    ----------
    severity : {"error", "warning"}
        An error keeps the study from being read; a warning is kept with it.
    file : str
        File name, with the sheet for a workbook.
    row : int or None
        Row as a spreadsheet shows it: the header is row 1.  ``None`` for a whole column or file.
    column : str or None
        Name of the field.
    value : str or None
        What the cell holds, shortened.  Never an identifier and never a value that may point to a person.
    rule : str
        Short stable name of the rule that was broken.
    message : str
        What is wrong, as the end of a sentence that begins with the place.
    remedy : str
        What to do or what is accepted, as a sentence; may be empty.
    header : str or None
        The column's name in the file where it differs from the name of the field.
    occurrences : int
        Cells, rows or columns that this finding stands for.
    stands_for : str
        What the occurrences are ("column", "row", ...) when one finding speaks for all of them; empty when each
        of them is a problem of its own.
    example : str
        Lines to copy into a mapping file; may be empty.
    """

    severity: Severity
    file: str
    row: int | None
    column: str | None
    value: str | None
    rule: str
    message: str
    remedy: str
    header: str | None = None
    occurrences: int = 1
    stands_for: str = ""
    example: str = ""

    @property
    def problems(self) -> int:
        """How often the finding counts: once when it speaks for many cells."""
        return 1 if self.stands_for else self.occurrences

    def lines(self) -> list[str]:
        """Return the sentence, and below it, indented, the lines to copy."""
        return [self.sentence(), *(f"    {line}" for line in self.example.splitlines())]

    def sentence(self) -> str:
        """Return one line that names the place, the value, the problem and the remedy."""
        place = [self.file]
        if self.row is not None:
            place.append(f"row {self.row}")
        if self.column is not None:
            place.append(f"column {self.column}" + (f' ("{self.header}")' if self.header else ""))
        value = "" if self.value is None else f'"{self.value}" '
        remedy = f" {self.remedy}" if self.remedy else ""
        return f"{', '.join(place)}: {value}{self.message}.{remedy}"


class FindingLog:
    """Collects findings while a study is checked, in bounded memory."""

    __slots__ = ("_beyond", "_kept", "_stored")

    def __init__(self) -> None:
        self._kept: list[Finding] = []
        self._stored: Counter[tuple[str, str, str | None]] = Counter()
        self._beyond: dict[tuple[str, str, str | None], tuple[Finding, int]] = {}

    def add(
        self,
        severity: Severity,
        rule: str,
        message: str,
        *,
        file: str,
        remedy: str = "",
        row: int | None = None,
        column: str | None = None,
        value: str | Withheld | None = None,
        header: str | None = None,
        occurrences: int = 1,
        stands_for: str = "",
        example: str = "",
    ) -> None:
        """Record one problem; beyond `MOST_PER_RULE` of a kind it is only counted."""
        if isinstance(value, Withheld):
            message, value = f"{value.what} {message}", None
        finding = Finding(
            severity=severity,
            file=printable(file, _LONGEST_TEXT),
            row=row,
            column=column,
            value=None if value is None else printable(value),
            rule=rule,
            message=printable(message, _LONGEST_TEXT),
            remedy=remedy,
            header=None if header is None else printable(header),
            occurrences=occurrences,
            stands_for=stands_for,
            example=example,
        )
        key = (rule, file, column)
        if self._stored[key] < MOST_PER_RULE:
            self._stored[key] += 1
            self._kept.append(finding)
        else:
            self._count_more(finding, occurrences)

    def add_rows(
        self,
        severity: Severity,
        rule: str,
        message: str | Callable[[int], str],
        *,
        file: str,
        rows: NDArray[np.int64],
        remedy: str = "",
        column: str | None = None,
        value: Callable[[int], str | Withheld | None] | None = None,
        header: str | None = None,
    ) -> None:
        """Record one problem for each of ``rows``.

        ``message`` and ``value`` may be functions of the position in ``rows``; they are called only for
        the findings that are kept, so a million bad rows cost no more than a thousand.
        """
        room = max(MOST_PER_RULE - self._stored[rule, file, column], 1)
        for at, row in enumerate(rows[:room].tolist()):
            self.add(
                severity,
                rule,
                message if isinstance(message, str) else message(at),
                file=file,
                remedy=remedy,
                row=row,
                column=column,
                value=value(at) if value else None,
                header=header,
            )
        if len(rows) > room:
            beyond = self._beyond.get((rule, file, column))
            self._count_more(beyond[0] if beyond else self._kept[-1], len(rows) - room)

    def _count_more(self, example: Finding, more: int) -> None:
        key = (example.rule, example.file, example.column)
        first, count = self._beyond.get(key, (example, 0))
        self._beyond[key] = (first, count + more)

    @property
    def has_errors(self) -> bool:
        """Whether any problem so far keeps the study from being read."""
        return any(finding.severity == "error" for finding in self._kept)

    def findings(self) -> tuple[Finding, ...]:
        """Return everything found: errors first, those about column names before all others, then by file and row.

        Whole columns come before their rows.
        """
        closing = [
            Finding(
                severity=first.severity,
                file=first.file,
                row=None,
                column=first.column,
                value=None,
                rule=first.rule,
                message=f"{counted(count, 'more row')} {'has' if count == 1 else 'have'} the same problem and "
                f"{'is' if count == 1 else 'are'} not listed",
                remedy="",
                header=first.header,
                occurrences=count,
            )
            for first, count in self._beyond.values()
        ]
        files = {file: at for at, file in enumerate(dict.fromkeys(f.file for f in self._kept))}
        kept = sorted(
            self._kept,
            key=lambda f: (f.severity != "error", not _about_names(f.rule), files[f.file], f.row or 0),
        )
        ordered = [f for f in kept if f.severity == "error"]
        ordered += [f for f in closing if f.severity == "error"]
        ordered += [f for f in kept if f.severity == "warning"]
        ordered += [f for f in closing if f.severity == "warning"]
        return tuple(ordered)


def count_by_severity(findings: Iterable[Finding]) -> dict[str, int]:
    """Return the numbers of errors and of warnings; rows that are not listed count, a column as a whole counts once."""
    counts = {"error": 0, "warning": 0}
    for finding in findings:
        counts[finding.severity] += finding.problems
    return counts


def count_by_rule(findings: Iterable[Finding]) -> dict[str, int]:
    """Return how often each rule was broken, most often first; every cell, row or column counts."""
    counts: Counter[str] = Counter()
    for finding in findings:
        counts[finding.rule] += finding.occurrences
    return dict(counts.most_common())


def render_findings(findings: Sequence[Finding], limit: int = 50) -> str:
    """Return the findings as text: counts, then at most ``limit`` errors and ``limit`` warnings.

    The text ends without a line break and says how many findings it leaves out.
    """
    if not findings:
        return "No findings."
    counts = count_by_severity(findings)
    totals, lines = [], []
    for severity, title in (("error", "Errors"), ("warning", "Warnings")):
        chosen = [finding for finding in findings if finding.severity == severity]
        totals.append(counted(counts[severity], severity) + _extent(chosen))
        if chosen:
            lines += ["", title]
            lines += [f"  {line}" for finding in chosen[:limit] for line in finding.lines()]
        left = sum(finding.problems for finding in chosen[limit:])
        if left:
            lines.append(f"  ... and {counted(left, 'more ' + severity)}.")
    return "\n".join([", ".join(totals) + ".", *lines])


def counted(count: int, noun: str) -> str:
    """Return a number with its noun, which takes an s in the plural."""
    return f"{count:,} {noun}" + ("" if count == 1 else "s")


def _about_names(rule: str) -> bool:
    return rule in _HEADER_RULES or rule.startswith("mapping-")


def _extent(findings: Sequence[Finding]) -> str:
    """Return in brackets what findings stand for when each of them speaks for many cells."""
    if not findings or not all(finding.stands_for for finding in findings):
        return ""
    extents: Counter[str] = Counter()
    for finding in findings:
        extents[finding.stands_for] += finding.occurrences
    return f" ({', '.join(counted(count, noun) for noun, count in extents.items())})"
