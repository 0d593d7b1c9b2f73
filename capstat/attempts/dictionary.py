"""The table of fields for people and programs: printed dictionary, blank templates, Table Schema."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

from capstat.attempts.fields import TABLE_MEANINGS, TABLES
from capstat.attempts.vocabulary import MISSING_WORDS

if TYPE_CHECKING:
    from capstat.attempts.field import Field, Table

__all__ = ["field_table_text", "table_schema", "template_csvs"]

_WIDTH = 100
_TYPES = {
    "identifier": "string",
    "category": "string",
    "number": "number",
    "whole": "integer",
    "yes_no": "boolean",
}
_NAMES = {
    "identifier": "code",
    "category": "one of a list",
    "number": "number",
    "whole": "whole number",
    "yes_no": "yes or no",
}


def field_table_text(table: Table | None = None) -> str:
    """Return the data dictionary of one table, or of all, as text to read."""
    parts = [_table_text(name) for name in TABLES if table in (None, name)]
    return "\n\n".join(parts)


def template_csvs() -> dict[str, str]:
    """Return blank files to fill in: file name to a line of column names."""
    return {f"{table}.csv": ",".join(field.name for field in fields) + "\n" for table, fields in TABLES.items()}


def table_schema(table: Table) -> dict[str, Any]:
    """Return one table's schema in the open Table Schema form, ready for JSON."""
    schema: dict[str, Any] = {
        "description": TABLE_MEANINGS[table],
        "fields": [_schema_field(field) for field in TABLES[table]],
        "missingValues": list(MISSING_WORDS),
        "primaryKey": {
            "attempts": "attempt_id",
            "steps": ["attempt_id", "step_order"],
            "periods": ["attempt_id", "capture_criterion", "from_s"],
            "patients": "patient_id",
        }[table],
    }
    if table in ("steps", "periods"):
        schema["foreignKeys"] = [_reference("attempt_id", "attempts")]
    if table == "attempts":
        schema["foreignKeys"] = [_reference("patient_id", "patients")]
    return schema


def _table_text(table: Table) -> str:
    lines = [f"{table}: {TABLE_MEANINGS[table]}", ""]
    for field in TABLES[table]:
        kind = _NAMES[field.kind] + (f", {field.unit}" if field.unit else "")
        lines.append(f"  {field.name}  ({kind}{', required' if field.required else ''})")
        lines += textwrap.wrap(_explanation(field), _WIDTH, initial_indent=" " * 6, subsequent_indent=" " * 6)
        if field.kind == "category" and field.allowed is not None:
            for term in field.allowed.terms:
                text = f"{term.value}: {term.meaning}"
                lines += textwrap.wrap(text, _WIDTH, initial_indent=" " * 8, subsequent_indent=" " * 10)
    return "\n".join(lines)


def _explanation(field: Field) -> str:
    text = _capitalised(field.meaning).rstrip(".") + "."
    if field.numeric and (field.minimum is not None or field.maximum is not None):
        text += f" {_capitalised(field.accepted())}" + (f" ({field.limit_source})." if field.limit_source else ".")
    if field.blank_means:
        text += f" Empty means: {field.blank_means}."
    return f"{text} Why: {field.why}."


def _capitalised(text: str) -> str:
    return text[:1].upper() + text[1:]


def _schema_field(field: Field) -> dict[str, Any]:
    description: dict[str, Any] = {
        "name": field.name,
        "title": _capitalised(field.meaning),
        "description": _explanation(field),
        "type": _TYPES[field.kind],
    }
    if field.kind == "yes_no":
        description |= {"trueValues": ["yes"], "falseValues": ["no"]}
    if field.unit:
        description["unit"] = field.unit
    constraints: dict[str, Any] = {}
    if field.required:
        constraints["required"] = True
    if field.minimum is not None:
        constraints["minimum"] = field.minimum
    if field.maximum is not None:
        constraints["maximum"] = field.maximum
    if field.kind == "category" and field.allowed is not None:
        constraints["enum"] = list(field.allowed.values)
    if constraints:
        description["constraints"] = constraints
    return description


def _reference(name: str, resource: str) -> dict[str, Any]:
    return {"fields": name, "reference": {"resource": resource, "fields": name}}
