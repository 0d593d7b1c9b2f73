"""Which column of an evidence file holds which field, and what is said of the others."""

from __future__ import annotations

import difflib
import re
from collections import defaultdict
from typing import TYPE_CHECKING, Final

from capstat.attempts.echo import name_to_show
from capstat.attempts.header_report import labels
from capstat.attempts.headers import header_key, looks_like_data
from capstat.attempts.privacy import certainly_personal_header
from capstat.attempts.raw import spreadsheet_letter
from capstat.synthesis.evidence_fields import EVIDENCE_FIELDS

if TYPE_CHECKING:
    from capstat.attempts.findings import FindingLog
    from capstat.attempts.raw import RawTable
    from capstat.synthesis.evidence_fields import EvidenceField

__all__ = ["find_columns"]

_SIMILAR: Final = 0.8
_MOST_COMPARED: Final = 200
_LONGEST: Final = 100
_MOST_NAMED: Final = 10
_NEGATIONS: Final = frozenset({"no", "non", "not", "without"})  # such names may say the opposite
_OF_PATIENTS: Final = frozenset(
    {"patientid", "patient", "patientcode", "patientno", "patientnumber", "subjectid", "subjectno", "participantid",
     "attemptid", "caseid", "caseno", "casenumber"}
)  # fmt: skip


def find_columns(raw: RawTable, log: FindingLog) -> dict[str, int] | None:
    """Return the column of each field that the file has; ``None`` when the file cannot be an evidence file.

    A column that nearly has the name of a field is an error, because its numbers would silently be left out; any other
    unknown column is a warning.
    """
    places: dict[str, list[int]] = defaultdict(list)
    for at, header in enumerate(raw.headers):
        places[header_key(header)].append(at)
    fields = {header_key(field.name): field for field in EVIDENCE_FIELDS}
    if _OF_PATIENTS & places.keys() or any(
        certainly_personal_header(header) for header in raw.headers if header_key(header) not in fields
    ):
        log.add(
            "error",
            "patient-level",
            "this looks like a study of patients; an evidence file has one row for each study arm",
            file=raw.file,
            remedy="Give it to `capstat check`, or name a file made from the evidence template.",
        )
        return None
    known = {key: field for key, field in fields.items() if key in places}
    if not known:
        data = "; it looks like data" if looks_like_data(raw.headers) else ""
        log.add(
            "error",
            "no-header",
            "no column is recognised",
            file=raw.file,
            remedy=f"The first row must hold the names of columns, as in the evidence template{data}.",
        )
        return None
    for key, field in known.items():
        if len(places[key]) > 1:
            letters = ", ".join(map(spreadsheet_letter, places[key][:_MOST_NAMED]))
            log.add(
                "error",
                "duplicate-column",
                f"{len(places[key])} columns have this name: {letters}",
                file=raw.file,
                column=field.name,
                remedy="Rename or delete all but one.",
            )
    absent = {key: field for key, field in fields.items() if key not in places}
    near = _unknown(raw, [at for key, at in _singles(places) if key not in fields], absent, log)
    for field in absent.values():
        if field.required and field.name not in near:
            log.add(
                "error",
                "missing-column",
                "the column is missing",
                file=raw.file,
                column=field.name,
                remedy=f"It holds: {field.meaning}.",
            )
    return {field.name: places[key][0] for key, field in known.items()}


def _singles(places: dict[str, list[int]]) -> list[tuple[str, int]]:
    return [(key, at) for key, columns in places.items() for at in columns]


def _unknown(raw: RawTable, columns: list[int], absent: dict[str, EvidenceField], log: FindingLog) -> set[str]:
    """Say which columns are no field; return the fields that some of them seem to mean."""
    near: set[str] = set()
    unused = []
    for at in columns:
        header = raw.headers[at]
        field = _meant(header, absent) if at < _MOST_COMPARED else None
        if field is not None:
            near.add(field.name)
            log.add(
                "error",
                "misspelt-column",
                f"is no column of an evidence file (did you mean {field.name}?)",
                file=raw.file,
                value=header,
                remedy=f"It holds: {field.meaning}. Rename the column.",
            )
        elif header or _filled(raw, at):
            name = name_to_show(header) if header else None
            letter = f"column {spreadsheet_letter(at)}"
            unused.append(f'"{name}"' if name else letter)
    if unused:
        more = f" and {len(unused) - _MOST_NAMED} more" if len(unused) > _MOST_NAMED else ""
        one = len(unused) == 1
        log.add(
            "warning",
            "unknown-columns",
            f"{len(unused)} column{' is' if one else 's are'} not used: {', '.join(unused[:_MOST_NAMED])}{more}",
            file=raw.file,
            occurrences=len(unused),
            stands_for="column",
        )
    return near


def _meant(header: str, absent: dict[str, EvidenceField]) -> EvidenceField | None:
    """Return the field whose name, with or without its unit, a header nearly spells."""
    if not header or len(header) > _LONGEST or _NEGATIONS & set(re.findall("[a-z]+", header.casefold())):
        return None
    spellings = dict(absent)
    for key, field in absent.items():
        if field.unit == "mA":
            spellings.setdefault(key.removesuffix("ma"), field)
        if field.unit == "ms":
            spellings.setdefault(key.removesuffix("ms"), field)
    found = difflib.get_close_matches(header_key(header), spellings, 1, _SIMILAR)
    return spellings[found[0]] if found else None


def _filled(raw: RawTable, at: int) -> bool:
    return any(True for _ in labels(raw.columns[at]))
