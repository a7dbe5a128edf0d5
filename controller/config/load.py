"""Reading machine and job files: TOML to frozen models, every mistake of a file at once.

Owns the door: what comes out of here holds, and whoever comes later need not check again. Knows no artwork: that
the picture fits the canvas is for who reads the picture. Nothing here changes a file.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, Literal, TypeVar

from pydantic import BaseModel, ValidationError

from controller.config.contradictions import Rule, run_rules
from controller.config.describedrules import with_drive_files
from controller.config.edsfile import with_eds_files
from controller.config.errors import InputError, Mistake
from controller.config.headrules import with_head_file
from controller.config.job import Job
from controller.config.machine import Machine
from controller.config.rules import job_rules, machine_rules
from controller.config.values import of_file, untagged
from controller.config.words import contradiction_of, mistakes_of

FILE_BYTES_MAX = 1_000_000
"""Machine and job files are written by hand; what is larger is something else."""

KEY_PARTS_MAX = 40
"""Parts of a dotted key; the time and memory that the parser takes grow with the square of them."""
MISTAKES_MAX = 200
"""Mistakes told one by one; the rest are counted."""

Kind = Literal["machine", "job"]

_LONG_KEY = re.compile(
    r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){%d}""" % KEY_PARTS_MAX  # noqa: UP031
)
_POSITION = re.compile(r"^(?P<what>.*) \(at (?P<where>line \d+, column \d+|end of document)\)$", re.DOTALL)
_Model = TypeVar("_Model", bound=BaseModel)
_SHARED_FIELDS = frozenset({"format", "name"})


def load_machine(path: Path | str) -> Machine:
    """The machine file at ``path``. Raises InputError with every mistake."""
    path = Path(path)
    return machine_from(read_toml(path), path)


def load_job(path: Path | str) -> Job:
    """The job file at ``path``; its artwork is not opened. Raises InputError with every mistake."""
    path = Path(path)
    return job_from(read_toml(path), path)


def machine_from(data: dict[str, Any], path: Path) -> Machine:
    """A machine from a parsed file, its drive and EDS files looked up. Raises InputError with every mistake."""
    data, mistakes = with_drive_files(data, path)
    data, more = with_head_file(data, path)
    mistakes += more
    try:
        machine = _validated(Machine, machine_rules(), data, path)
    except InputError as error:
        raise InputError([*mistakes, *error.mistakes]) from None
    if mistakes:
        raise InputError(mistakes)
    return with_eds_files(machine, path)


def job_from(data: dict[str, Any], path: Path) -> Job:
    """A job from a parsed file. Raises InputError with every mistake."""
    return _validated(Job, job_rules(), data, path)


def kind_of(data: dict[str, Any], path: Path) -> Kind:
    """Whether a parsed file is a machine or a job, told by its top-level fields. Raises InputError when neither."""
    machine = len((set(Machine.model_fields) - _SHARED_FIELDS) & set(data))
    job = len((set(Job.model_fields) - _SHARED_FIELDS) & set(data))
    if machine == job:
        expected = "a machine file (tables wire, axes, head, ...) or a job file (artwork, inks, ...)"
        got = f"the fields {', '.join(map(str, data))}" if data else "an empty file"
        raise InputError([Mistake(path, "file", expected, got, code="file-kind")])
    return "machine" if machine > job else "job"


def read_toml(path: Path) -> dict[str, Any]:
    """The parsed file. Raises InputError with line and column of a syntax error."""
    try:
        with path.open("rb") as stream:
            raw = stream.read(FILE_BYTES_MAX + 1)
    except OSError as error:
        raise InputError(
            [
                Mistake(
                    path,
                    "file",
                    "a file that can be read",
                    (error.strerror or str(error)).lower(),
                    code="file-unreadable",
                )
            ]
        ) from None
    if len(raw) > FILE_BYTES_MAX:
        raise InputError(
            [Mistake(path, "file", f"up to {FILE_BYTES_MAX} bytes", "a larger file", code="file-not-toml")]
        )
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise InputError(
            [
                Mistake(
                    path,
                    f"line {line}",
                    "text in UTF-8",
                    f"byte {raw[error.start]:#04x}",
                    code="file-not-toml",
                )
            ]
        ) from None
    if long := _LONG_KEY.search(text):
        line = text.count("\n", 0, long.start()) + 1
        raise InputError(
            [
                Mistake(
                    path,
                    f"line {line}",
                    f"keys of up to {KEY_PARTS_MAX} parts",
                    "a longer one",
                    code="file-not-toml",
                )
            ]
        )
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError as error:
        match = _POSITION.match(str(error))
        where, what = (match["where"], match["what"]) if match else ("file", str(error))
        raise InputError(
            [Mistake(path, where, "valid TOML", _first_small(what), code="file-not-toml")]
        ) from None
    except (ValueError, RecursionError) as error:
        # tomllib lets these through for numbers of thousands of digits and for brackets nested a thousand deep.
        what = "brackets nested too deep" if isinstance(error, RecursionError) else str(error)
        raise InputError(
            [Mistake(path, "file", "valid TOML of ordinary size", what, code="file-not-toml")]
        ) from None


def _validated(model: type[_Model], rules: tuple[Rule, ...], data: dict[str, Any], path: Path) -> _Model:
    try:
        return model.model_validate(data)
    except ValidationError as error:
        mistakes = mistakes_of(error, path, data, model, MISTAKES_MAX)
        if error.error_count() > MISTAKES_MAX:
            more = f"{error.error_count() - MISTAKES_MAX} more"
            raise InputError(
                [*mistakes, Mistake(path, "others", "no further mistakes", more, code="file-many-mistakes")]
            ) from None
        # The model looks for contradictions only once every field holds; the file's reader wants them all now.
        bad = frozenset(untagged(model, one["loc"]) for one in error.errors() if one["type"] != "value_error")
        found = run_rules(rules, of_file(data, model, bad))
        mistakes += [contradiction_of(path, one, data) for one in found]
        raise InputError(list(dict.fromkeys(mistakes))) from None


def _first_small(text: str) -> str:
    return text[:1].lower() + text[1:]
