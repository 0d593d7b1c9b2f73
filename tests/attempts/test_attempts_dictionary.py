"""The table of fields as text, as templates and as a schema."""

from __future__ import annotations

import json

import pytest

from capstat.attempts import TABLES, field_table_text, table_schema, template_csvs
from capstat.attempts.fields import field_named


@pytest.mark.parametrize("table", list(TABLES))
def test_the_dictionary_has_every_field_and_word(table: str) -> None:
    text = field_table_text(table)  # type: ignore[arg-type]
    assert text in field_table_text()
    for field in TABLES[table]:  # type: ignore[index]
        assert f"  {field.name}  (" in text
        if field.kind == "category":
            assert all(word in text for word in field.words)
    assert max(map(len, text.splitlines())) <= 100


def test_every_field_says_what_it_is_and_why_it_matters() -> None:
    for table, fields in TABLES.items():
        names = [field.name for field in fields]
        assert len(set(names)) == len(names)
        for field in fields:
            assert field.table == table
            assert field.meaning
            assert field.why
            assert (field.allowed is not None) == (field.kind in ("category", "yes_no"))
            for ending in ("ma", "ms", "ppm", "s", "cm", "kg", "mmhg", "years"):
                if field.numeric and field.name.endswith(f"_{ending}"):
                    assert field.unit.casefold() == ending


def test_templates_hold_the_column_names_only() -> None:
    templates = template_csvs()
    assert list(templates) == ["attempts.csv", "steps.csv", "periods.csv", "patients.csv"]
    for table, fields in TABLES.items():
        assert templates[f"{table}.csv"] == ",".join(field.name for field in fields) + "\n"


@pytest.mark.parametrize("table", list(TABLES))
def test_the_schema_follows_the_open_form(table: str) -> None:
    schema = table_schema(table)  # type: ignore[arg-type]
    assert json.loads(json.dumps(schema, allow_nan=False)) == schema
    by_name = {field["name"]: field for field in schema["fields"]}
    assert list(by_name) == [field.name for field in TABLES[table]]  # type: ignore[index]
    assert {field["type"] for field in schema["fields"]} <= {"string", "number", "integer", "boolean"}
    assert "" in schema["missingValues"]
    keys = schema["primaryKey"]
    assert all(key in by_name for key in ([keys] if isinstance(keys, str) else keys))
    for key in schema.get("foreignKeys", []):
        assert key["fields"] in by_name
        assert key["reference"]["resource"] in TABLES


def test_constraints_come_from_the_fields() -> None:
    fields = {field["name"]: field for field in table_schema("attempts")["fields"]}
    assert fields["placement"]["constraints"] == {
        "required": True,
        "enum": ["anterior-posterior", "anterior-lateral", "other", "unknown"],
    }
    assert fields["max_output_ma"]["constraints"] == {"required": True, "minimum": 1.0, "maximum": 200.0}
    assert fields["pulse_width_ms"]["constraints"]["maximum"] == 50.0
    assert fields["attempt_order"]["type"] == "integer"


def test_fields_are_found_by_name() -> None:
    assert field_named("steps", "current_ma").unit == "mA"
    with pytest.raises(KeyError, match="no field"):
        field_named("steps", "placement")


def test_every_sentence_of_the_dictionary_is_whole() -> None:
    text = " ".join(field_table_text().split())
    for fault in (", .", "..", " .", "the where", ",."):
        assert fault not in text
    assert "2 for the second, and so on." in text
