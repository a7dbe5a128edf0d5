"""The EDS files that a machine file names: found beside it, read, and held against what the axes need.

Owns where they lie and how their faults are told. What a drive needs belongs to the hardware layer.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from controller.config.errors import InputError, Mistake

if TYPE_CHECKING:
    from controller.config.machine import Machine


def with_eds_files(machine: Machine, path: Path) -> Machine:
    """``machine`` with the places of its EDS files told in full: those that are relative lie beside ``path``.

    Raises InputError with every object that a file lacks or has otherwise than needed, and for a file that cannot be
    read. Without any EDS file the machine is returned as it is.
    """
    if all(axis.drive.eds is None for axis in machine.axes.values()):
        return machine
    axes = {}
    for name, axis in machine.axes.items():
        drive = axis.drive
        if drive.eds is not None:
            drive = drive.model_copy(update={"eds": str((path.parent / drive.eds).absolute())})
        axes[name] = axis.model_copy(update={"drive": drive})
    settled = machine.model_copy(update={"axes": axes})
    mistakes = [
        mistake
        for name, axis in axes.items()
        if axis.drive.eds is not None
        for mistake in _mistakes(settled, name, axis.drive.eds, path)
    ]
    if mistakes:
        raise InputError(list(dict.fromkeys(mistakes)))
    return settled


def _mistakes(machine: Machine, axis: str, eds_path: str, path: Path) -> list[Mistake]:
    # The library that reads these files is loaded only for machines that name one.
    from drivers.can.eds import misfits, read_eds
    from drivers.errors import MisuseError

    try:
        eds = read_eds(eds_path)
    except MisuseError as error:
        return [
            Mistake(
                path, f"axes.{axis}.drive.eds", error.expected, f"{error.got} ({eds_path})", code="eds-file"
            )
        ]
    return [
        Mistake(Path(eds_path), f"{one.where} (axis {axis})", one.expected, one.got, code="eds-disagrees")
        for one in misfits(eds, machine.group_settings(), axis)
    ]


def tells_its_units(eds_path: str) -> bool:
    """Whether a drive of this file can be asked for its unit of velocity."""
    from drivers.can.eds import read_eds, tells_units

    return tells_units(read_eds(eds_path))
