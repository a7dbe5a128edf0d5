"""The orders that the guard gives to the program with a handle: what it is told behind a stop, and at the end."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import pytest

from safety.handle import HandleWire
from safety.lines import Lines
from safety.scribe import Scribe
from safety.settings import GuardSettings, StandstillAxis
from safety.stopping import StopSequence

PROGRAM = """
import os, struct, sys, time
path, line = sys.argv[1], int(sys.argv[2])
os.write(line, struct.pack("<cQ", b"R", time.monotonic_ns()))
told = b""
while order := os.read(line, 16):
    told += order
    if order == b"S":
        os.write(line, struct.pack("<cQI", b"S", time.monotonic_ns(), 42))
    if order == b"Q":
        break
with open(path + ".part", "wb") as file:
    file.write(told)
os.rename(path + ".part", path)
"""
TROUBLED_ONCE = """
import os, struct, sys, time
path, line = sys.argv[1], int(sys.argv[2])
if not os.path.exists(path):
    open(path, "w").close()
    os.write(line, struct.pack("<cQ", b"T", time.monotonic_ns()) + b"error-passive")
os.write(line, struct.pack("<cQ", b"R", time.monotonic_ns()))
os.read(line, 16)
"""
PATIENCE_S = 30.0


def handled(settings: GuardSettings, told: Path, program: str = PROGRAM) -> GuardSettings:
    """With a program that writes down what it was told when it ends."""
    axes = tuple(StandstillAxis(name, 0x181 + place, 2, 4, 0.2) for place, name in enumerate("xy"))
    return replace(
        settings, wire_kind="handle", handle=("-I", "-S", "-c", program, str(told)), standstill=axes,
        handle_late_ms=20_000.0,
    )  # fmt: skip


def read(told: Path) -> bytes:
    """What it was told, once it has ended."""
    end_s = time.monotonic() + PATIENCE_S
    while not told.exists():
        assert time.monotonic() < end_s, "the program has not ended"
        time.sleep(0.002)
    return told.read_bytes()


@pytest.mark.parametrize(("is_proved", "orders"), [(True, b"SEQ"), (False, b"S")])
def test_behind_a_proved_stop_the_program_ends_in_order(
    settings: GuardSettings, folder: Path, is_proved: bool, orders: bytes
) -> None:
    """Told to rest, it is told to quit: else it would say stop for two seconds more, to whoever comes next."""
    wire = HandleWire(handled(settings, folder / "told"))
    assert wire.hindrance(PATIENCE_S) == ""
    wire.send_stop()
    if is_proved:
        wire.rest()
    wire.close()
    assert read(folder / "told") == orders


def test_asked_for_a_stop_behind_one_it_rests_again(settings: GuardSettings, folder: Path) -> None:
    """A person's stop always goes out, once: nobody waits for a proof that would end more rounds."""
    told = handled(settings, folder / "told")
    scribe = Scribe(folder / "latch.json", folder / "events.jsonl")
    stopping = StopSequence(told, scribe, Lines(told))
    assert stopping.open_wire(PATIENCE_S)
    stopping.send_again()
    stopping.send_again()
    stopping.close()
    assert read(folder / "told") == b"SESEQ"


def test_trouble_of_the_bus_is_over_when_the_handle_was_opened_anew(
    settings: GuardSettings, folder: Path
) -> None:
    """Drives without power leave a controller error-passive. With power, the try after the next one is taken."""
    wire = HandleWire(handled(settings, folder / "told", TROUBLED_ONCE))
    end_s = time.monotonic() + PATIENCE_S
    while not wire.bus_trouble():
        assert time.monotonic() < end_s, "no trouble was told"
        time.sleep(0.002)
    first = wire.pid
    assert wire.hindrance(0.0) == "error-passive; the guard's own handle is being opened anew: try again"
    assert wire.hindrance(PATIENCE_S) == ""
    assert wire.bus_trouble() == ""
    assert wire.pid != first
    wire.close()
