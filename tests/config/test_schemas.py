"""JSON Schemas for editors: never stale, and they say what the models say."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from controller.config.places import shipped_root
from controller.config.schemas import schema_texts, stale, write


def resolve(schema: dict[str, Any], root: dict[str, Any]) -> dict[str, Any]:
    """Follow a local reference."""
    while "$ref" in schema:
        schema = root["$defs"][schema["$ref"].removeprefix("#/$defs/")]
    return schema


def test_shipped_schemas_are_current() -> None:
    """The schema files in configs/schemas are what the models generate."""
    assert stale(shipped_root() / "schemas") == []


def test_stale_and_missing_are_told(tmp_path: Path) -> None:
    """A changed and a missing schema are both found; writing mends both."""
    write(tmp_path)
    assert stale(tmp_path) == []
    (tmp_path / "job.schema.json").unlink()
    (tmp_path / "machine.schema.json").write_text("{}")
    assert {path.name for path in stale(tmp_path)} == {"job.schema.json", "machine.schema.json"}
    write(tmp_path)
    assert stale(tmp_path) == []


def test_dialect_is_named() -> None:
    """Every schema names the 2020-12 dialect by the identifier that JSON Schema 2020-12 (core, 8.1.1) gives."""
    for text in schema_texts().values():
        assert json.loads(text)["$schema"] == "https://json-schema.org/draft/2020-12/schema"


def test_schema_refuses_what_the_models_refuse() -> None:
    """Unknown fields are closed off, required ones demanded, bounds carried over, words kept for hovering."""
    root = json.loads(schema_texts()["machine.schema.json"])
    assert root["additionalProperties"] is False
    assert {"format", "name", "tick_us", "wire", "axes"} <= set(root["required"])
    axis = resolve(root["properties"]["axes"]["additionalProperties"], root)
    assert axis["properties"]["play_mm"]["minimum"] == 0
    assert axis["properties"]["play_mm"]["description"]
    assert "twin" not in root["required"]


@pytest.mark.parametrize(
    "path", sorted((shipped_root() / "machines").glob("*.toml")), ids=lambda path: path.name
)
def test_shipped_files_point_at_their_schema(path: Path) -> None:
    """The first line of a shipped machine file leads an editor to a schema that exists."""
    first = path.read_text(encoding="utf-8").splitlines()[0]
    assert first.startswith("#:schema ")
    assert (path.parent / first.removeprefix("#:schema ")).is_file()
