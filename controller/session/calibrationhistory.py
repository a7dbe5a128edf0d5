"""Reading a machine's calibration history, while nothing else is needed of it. Writes nothing."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from controller.config.errors import RefusedError
from controller.config.load import load_machine
from controller.session.calibrationrows import CalibrationRow, WriteRow
from controller.session.journal import Journal
from controller.session.verbs import state_of


@dataclass(frozen=True, slots=True)
class History:
    """Measured values and changes of the machine file, oldest first."""

    rows: tuple[CalibrationRow, ...]
    writes: tuple[WriteRow, ...]


@contextlib.contextmanager
def _journal(machine_path: Path, state_root: Path | None) -> Iterator[Journal]:
    path = state_of(machine_path, state_root).journal
    with contextlib.closing(Journal.read(path, load_machine(machine_path).name)) as journal:
        yield journal


def history(machine_path: Path, state_root: Path | None) -> History:
    """All of it. Raises InputError where there is no journal."""
    with _journal(machine_path, state_root) as journal:
        return History(tuple(journal.calibration.all()), tuple(journal.calibration.writes()))


def one_of(machine_path: Path, state_root: Path | None, number: int) -> CalibrationRow:
    """One measured value. Raises RefusedError where there is none of that number."""
    for row in history(machine_path, state_root).rows:
        if row.id == number:
            return row
    raise RefusedError(
        f"no calibration {number} in the history", "giornata calibration list", code="calibration-unknown"
    )


def of_field(machine_path: Path, state_root: Path | None, field: str) -> History:
    """What was measured and written of one field. Raises RefusedError where it never was."""
    whole = history(machine_path, state_root)
    rows = tuple(row for row in whole.rows if row.measured.field == field)
    if not rows:
        known = sorted({row.measured.field for row in whole.rows})
        raise RefusedError(
            f"{field} was never measured",
            f"measured were {', '.join(known) or 'no fields yet'}",
            code="calibration-unknown",
        )
    return History(rows, tuple(row for row in whole.writes if row.field == field))
