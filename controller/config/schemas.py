"""JSON Schemas of machine, job and drive files, generated from the models, for editors that know them.

Owns the files' names and content; the models own the truth.
"""

from __future__ import annotations

import json
from pathlib import Path

from controller.config.job import Job
from controller.config.machine import Machine
from drivers.described.format import DriveFile

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schema_texts() -> dict[str, str]:
    """File name to JSON text of every schema, ending in a newline."""
    texts: dict[str, str] = {}
    for name, model in (("machine", Machine), ("job", Job), ("drive", DriveFile)):
        schema = model.model_json_schema(mode="validation")
        schema = {"$schema": DIALECT, **schema, "title": f"Giornata {name} file"}
        texts[f"{name}.schema.json"] = json.dumps(schema, indent=2, ensure_ascii=False) + "\n"
    return texts


def stale(folder: Path) -> list[Path]:
    """Schema files in ``folder`` that are missing or differ from the models."""
    return [
        folder / name
        for name, text in schema_texts().items()
        if not (folder / name).is_file() or (folder / name).read_text(encoding="utf-8") != text
    ]


def write(folder: Path) -> list[Path]:
    """Write every schema into ``folder``, made when missing; returns the files written."""
    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    for name, text in schema_texts().items():
        (folder / name).write_text(text, encoding="utf-8")
        written.append(folder / name)
    return written
