"""Errors of the hardware layer, sorted by what the caller does next.

* ``MisuseError``: our own bug; nothing was sent. Mend the program.
* ``FaultError``: a drive reports a fault. Stop, find the cause, home again.
* ``LinkError``: the state of the machine is unknown. Stop by every means there is.

A message names the axis or the wire, what was expected and what came.
"""

from __future__ import annotations


class DriverError(Exception):
    """Any error of the hardware layer. ``code`` names its sort for whoever explains it; a site may know a finer one."""

    code = "driver-misuse"

    def __init__(self, where: str, expected: str, got: str, *, code: str = "") -> None:
        self.where = where
        self.expected = expected
        self.got = got
        if code:
            self.code = code
        super().__init__(f"{where}: expected {expected}, got {got}")


class MisuseError(DriverError):
    """The call breaks the interface's contract; nothing was sent."""

    code = "driver-misuse"


class FaultError(DriverError):
    """The drive reports a fault or refuses a transition."""

    code = "drive-error"


class LinkError(DriverError):
    """The wire or the node does not answer; what the machine does now is not known."""

    code = "wire-error"
