"""Which sheets of a workbook hold which table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from capstat.attempts.echo import name_to_show
from capstat.attempts.headers import header_key

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from collections.abc import Set as AbstractSet

    from capstat.attempts.field import Table
    from capstat.attempts.findings import FindingLog

__all__ = ["SheetTop", "choose_sheets", "sheet_name"]

_ENOUGH_KNOWN: Final = 2
_MOST_NAMED: Final = 10


@dataclass(frozen=True, slots=True)
class SheetTop:
    """Title of a sheet and its column names; ``position`` counts sheets from 1."""

    position: int
    title: str
    headers: tuple[str, ...]

    def known(self, names: AbstractSet[str]) -> int:
        """Return how many column names are among ``names``."""
        return len({header_key(header) for header in self.headers if header.strip()} & names)


def sheet_name(file: str, sheet: SheetTop) -> str:
    """Return the name of a sheet for findings."""
    title = name_to_show(sheet.title)
    return f"{file}, sheet {sheet.position if title is None else title}"


def choose_sheets(
    sheets: Sequence[SheetTop], wanted: Sequence[Table], names: AbstractSet[str], file: str, log: FindingLog
) -> Mapping[Table, SheetTop]:
    """Return the sheet of each table; empty when two could be the first table, with the reason in ``log``.

    Sheets are found by title.  Where the first table has none, it is the only other sheet with recognised
    column names, or the first sheet when there is none such.

    Parameters
    ----------
    sheets : sequence of SheetTop
        Sheets of the workbook in their order.
    wanted : sequence of str
        Tables that the workbook may hold.
    names : set of str
        Column names of the first table, as `header_key` gives them.
    file : str
        Name of the file for findings.
    log : FindingLog
        Receives what is ambiguous or left out.
    """
    chosen: dict[Table, SheetTop] = {}
    for table in wanted:
        titled = [sheet for sheet in sheets if sheet.title.strip().casefold() == table]
        if titled:
            chosen[table] = titled[0]
    others = [sheet for sheet in sheets if sheet not in chosen.values()]
    filled = [sheet for sheet in others if any(map(str.strip, sheet.headers))]
    first = wanted[0]
    if first not in chosen and others:
        alike = _recognised(filled, names)
        if len(alike) > 1:
            places = ", ".join(str(sheet.position) for sheet in alike)
            log.add(
                "error",
                "which-sheet",
                f"sheets {places} could each be the table {first}",
                file=file,
                remedy=f"Give one of them the name {first}, or delete the others.",
            )
            return {}
        chosen[first] = (alike or filled or others)[0]
    _report_ignored([sheet for sheet in filled if sheet not in chosen.values()], file, log)
    return chosen


def _recognised(sheets: Sequence[SheetTop], names: AbstractSet[str]) -> list[SheetTop]:
    # One known name may be chance, as in a summary; where no sheet has more, it is better than none.
    for fewest in (_ENOUGH_KNOWN, 1):
        found = [sheet for sheet in sheets if sheet.known(names) >= fewest]
        if found:
            return found
    return []


def _report_ignored(sheets: Sequence[SheetTop], file: str, log: FindingLog) -> None:
    if not sheets:
        return
    shown = [
        f"sheet {sheet.position}" + (f' ("{title}")' if (title := name_to_show(sheet.title)) is not None else "")
        for sheet in sheets[:_MOST_NAMED]
    ]
    more = f" and {len(sheets) - _MOST_NAMED:,} more" if len(sheets) > _MOST_NAMED else ""
    log.add(
        "warning",
        "sheet-ignored",
        f"not read: {', '.join(shown)}{more}",
        file=file,
        occurrences=len(sheets),
        stands_for="sheet",
        remedy="Sheets named attempts, steps, periods and patients are read; delete others, or save them as a file.",
    )
