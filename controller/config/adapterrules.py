"""Contradictions between a CAN adapter, its options and how the guard stops through it; and what is worth a warning.

Owns these rules; controller/config/rules.py says how rules work. Whether an adapter lets a second program in is known
only when it is tried.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from controller.config.contradictions import Contradiction, Rule, Values
from drivers.settings import CanAdapter

if TYPE_CHECKING:
    from controller.config.machine import Machine

OWN_LINK = "slcan"
SERIAL_ADAPTERS = frozenset({OWN_LINK, "python-can:slcan"})
GUARDS_OWN = SERIAL_ADAPTERS | {"socketcan", "python-can:socketcan"}
"""Interfaces that the guard writes to with nothing but a descriptor."""

IN_ONE_PROCESS = frozenset({"virtual", "python-can:virtual"})


def adapter_rules() -> tuple[Rule, ...]:
    """Every rule of this module."""
    return (_options, _two_processes, _power_cut, _simulated)


def adapter_warnings(machine: Machine) -> Iterator[tuple[str, str, str]]:
    """(field, what cannot be checked, code) of adapters that the guard reaches otherwise than by a descriptor."""
    wire, cut = machine.wire, machine.stops.power_cut
    if not isinstance(wire, CanAdapter):
        return
    if wire.stop_by == "power-cut" and cut is not None:
        yield (
            "wire.stop_by",
            (
                "the guard can say no stop over this wire and never sees standstill: the streamer and the drives' own "
                f"time-out are what stops softly, and the motors' power goes {cut.open_after_ms:g} ms after the verdict"
            ),
            "check-stop-by-power",
        )
    elif wire.interface not in GUARDS_OWN:
        yield (
            "wire.interface",
            (
                f"the guard stops through a second handle on the {wire.interface} adapter; whether it lets two in is "
                "seen when a session starts. If it does not, nothing moves: what is left is [stops.power_cut] and "
                'wire.stop_by = "power-cut"'
            ),
            "check-second-handle",
        )


def _options(values: Values) -> Iterator[Contradiction]:
    if values("wire.interface") == OWN_LINK and values("wire.options"):
        yield Contradiction(
            "wire.options", "none for slcan (python-can:slcan takes some)", "some", code="adapter-options"
        )


def _two_processes(values: Values) -> Iterator[Contradiction]:
    interface = values("wire.interface")
    if interface in IN_ONE_PROCESS:
        yield Contradiction(
            "wire.interface",
            "a bus that guard and streamer can both open",
            f'"{interface}"',
            code="can-not-shared",
        )


def _power_cut(values: Values) -> Iterator[Contradiction]:
    if values("wire.stop_by") != "power-cut":
        return
    interface = values("wire.interface")
    if interface in GUARDS_OWN:
        yield Contradiction(
            "wire.stop_by",
            f'"wire", as the guard writes to {interface} by itself',
            '"power-cut"',
            code="adapter-options",
        )
    elif values("stops.power_cut") is None:
        yield Contradiction(
            "stops.power_cut",
            'a power-cut output, as wire.stop_by is "power-cut"',
            "nothing",
            code="power-cut-missing",
        )


def _simulated(values: Values) -> Iterator[Contradiction]:
    interface = values("wire.interface")
    if values("wire.channel") == "simulated" and interface not in SERIAL_ADAPTERS:
        yield Contradiction(
            "wire.interface",
            f"{' or '.join(sorted(SERIAL_ADAPTERS))}, as the simulated gantry's line is a serial adapter's",
            f'"{interface}"',
            code="adapter-options",
        )
