"""The file to fill in, the dictionary and the schema say what reading accepts."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from capstat.synthesis.evidence_fields import EVIDENCE_FIELDS
from capstat.synthesis.evidence_file import EvidenceError, published_evidence, read_evidence
from capstat.synthesis.evidence_template import evidence_dictionary, evidence_schema, evidence_template_text

NAMES = [field.name for field in EVIDENCE_FIELDS]


def test_the_template_is_read_without_a_word_and_is_never_pooled(tmp_path: Path):
    text = evidence_template_text()
    header, *rows = text.splitlines()
    assert header.split(",") == NAMES
    assert len(rows) == 2
    file = tmp_path / "template.csv"
    file.write_text(text)
    table = read_evidence(file)
    assert table.findings == ()
    assert all("INVENTED" in arm.citation and "INVENTED" in arm.not_pooled for arm in table)
    assert {arm.provenance for arm in table} == {"own"}


def test_only_the_header_of_the_template_is_told_to_hold_no_records(tmp_path: Path):
    file = tmp_path / "template.csv"
    file.write_text(evidence_template_text().splitlines()[0] + "\n")
    with pytest.raises(EvidenceError) as caught:
        read_evidence(file)
    assert [f.rule for f in caught.value.findings] == ["no-rows"]


def test_the_dictionary_tells_every_field_in_order():
    rows = evidence_dictionary()
    assert [row.name for row in rows] == NAMES
    by_name = {row.name: row for row in rows}
    assert (by_name["mean_ma"].unit, by_name["mean_ma"].accepted) == ("mA", "a number from 0 to 200 mA")
    assert by_name["pmid"].accepted == "a whole number from 1 to 1000000000"
    assert by_name["paced"].accepted == "one of: yes, no"
    assert by_name["overlaps"].accepted == "codes of other records, with spaces between them"
    assert dict(by_name["capture_definition"].words)["pulse"] == "a pulse felt, or a blood pressure measured"
    assert by_name["arm"].required
    assert not by_name["n"].required
    assert all(row.meaning and row.accepted for row in rows)


def test_the_schema_is_a_table_schema():
    """Types, constraint names and top-level keys of the open Table Schema specification (frictionless data)."""
    schema = json.loads(json.dumps(evidence_schema()))
    assert set(schema) == {"description", "fields", "missingValues", "primaryKey", "foreignKeys"}
    assert schema["primaryKey"] == "arm"
    assert schema["foreignKeys"] == [{"fields": "compared_with", "reference": {"resource": "", "fields": "arm"}}]
    assert [field["name"] for field in schema["fields"]] == NAMES
    for field in schema["fields"]:
        assert field["type"] in ("string", "number", "integer", "boolean")
        assert set(field.get("constraints", {})) <= {"required", "unique", "minimum", "maximum", "enum"}


def test_the_published_table_keeps_the_schema():
    """A second check of the shipped table, by the schema alone."""
    for field in evidence_schema()["fields"]:
        limits = field.get("constraints", {})
        for arm in published_evidence():
            value = getattr(arm, field["name"])
            if value is None or value in ("", ()):
                assert not limits.get("required"), (arm.arm, field["name"])
            elif "enum" in limits:
                assert value in limits["enum"]
            elif field["type"] in ("number", "integer"):
                assert limits["minimum"] <= value <= limits["maximum"]
