"""Reading a drive file: the description of a user's own drive, every mistake at once.

Owns the door, as ``load`` does for machine and job files. Knows no machine.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from controller.config.errors import InputError, Mistake
from controller.config.load import MISTAKES_MAX, read_toml
from controller.config.values import location_of
from controller.config.words import mistakes_of, path_of
from drivers.described.format import DriveFile, DriveFileError

DRIVE_FILE_CODES: Final = {
    "commands": "drive-file-commands",
    "faults": "drive-file-status",
    "position": "drive-file-position",
    "replies": "drive-file-replies",
    "status": "drive-file-status",
    "switches": "drive-file-status",
    "timeout": "drive-file-timeout",
}
"""Codes of rules between the fields of a drive file, by the part that a rule speaks of first."""
DRIVE_FILE_CODE: Final = "drive-file-frames"
"""The rest: node numbers, identifiers, addresses, what tells a frame."""


def drive_file_code(where: str) -> str:
    """The catalogue's entry for a rule that field ``where`` of a drive file breaks."""
    return DRIVE_FILE_CODES.get(where.partition(".")[0], DRIVE_FILE_CODE)


def load_drive(path: Path | str) -> DriveFile:
    """The drive file at ``path``. Raises InputError with every mistake."""
    path = Path(path)
    return drive_from(read_toml(path), path)


def drive_from(data: dict[str, Any], path: Path) -> DriveFile:
    """A drive from a parsed file. Raises InputError with every mistake."""
    try:
        return DriveFile.model_validate(data)
    except ValidationError as error:
        raise InputError(_mistakes(error, path, data)) from None


def _mistakes(error: ValidationError, path: Path, data: dict[str, Any]) -> list[Mistake]:
    contradictions = [
        one["ctx"]["error"] for one in error.errors(include_url=False) if one["type"] == "value_error"
    ]
    found = [
        Mistake(
            path,
            path_of(location_of(one.where), data),
            one.expected,
            one.got,
            code=drive_file_code(one.where),
        )
        for each in contradictions
        if isinstance(each, DriveFileError)
        for one in each.found
    ]
    if not found:
        found = _together(mistakes_of(error, path, data, DriveFile, MISTAKES_MAX))
    if len(found) > MISTAKES_MAX:
        found = [
            *found[:MISTAKES_MAX],
            Mistake(
                path,
                "others",
                "no further mistakes",
                f"{len(found) - MISTAKES_MAX} more",
                code="file-many-mistakes",
            ),
        ]
    return list(dict.fromkeys(found))


def _together(mistakes: list[Mistake]) -> list[Mistake]:
    """One mistake for each value: where either of two kinds may stand, both are named; headings as they are written."""
    found: dict[tuple[str, str], Mistake] = {}
    for one in mistakes:
        if (one.expected, one.got) == ("a list in brackets ([...])", "a table"):
            one = replace(one, expected=f"a heading [[{one.where}]]", got=f"[{one.where}]")
        before = found.get((one.where, one.got))
        if before is not None and one.expected not in before.expected:
            one = replace(one, expected=f"{before.expected} or {one.expected}")
        found[one.where, one.got] = one
    return list(found.values())
