"""A simulated gantry of round numbers, and a bare master that speaks bytes to it. No driver of ours is used here."""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import Any

import pytest

from drivers.clock import VirtualClock
from drivers.settings import CanWire, DriveOutputHead, DriveSettings, GroupSettings
from drivers.twin.parameters import TwinAxis, TwinParameters
from drivers.twin.virtual import VirtualGantry

MS = 1_000_000
TICK_NS = 4 * MS
COUNTS_PER_MM = 1000
MAPPING = (
    (0x1400, 0x200, (0x6040_0010, 0x60FF_0020)),
    (0x1401, 0x300, (0x60FE_0120,)),
    (0x1800, 0x180, (0x6041_0010, 0x6064_0020)),
    (0x1801, 0x280, (0x60FD_0020, 0x606C_0020)),
)


def make_axis(**changes: Any) -> TwinAxis:
    values: dict[str, Any] = {
        "length_mm": 1000.0,
        "start_mm": 300.0,
        "home_switch_mm": 15.0,
        "home_switch_active_below": True,
        "loop_lag_ms": 8.0,
        "acceleration_max_mm_s2": 8000.0,
        "speed_max_mm_s": 900.0,
    }
    return TwinAxis(**{**values, **changes})


def make_settings(**drive_changes: Any) -> GroupSettings:
    drive: dict[str, Any] = {
        "direction": 1,
        "counts_per_turn": 100_000,
        "belt_pitch_mm": 5.0,
        "pulley_teeth": 20,
        "quick_stop_mm_s2": 5000.0,
        **drive_changes,
    }
    return GroupSettings(
        wire=CanWire(interface="slcan", channel="simulated", bitrate_bit_s=1_000_000),
        axes={
            "x": DriveSettings(node_id=1, **drive),
            "y": DriveSettings(node_id=2, **{**drive, "direction": -drive["direction"]}),
        },
        head=DriveOutputHead(
            axis="x", output_bit=16, down_input_bit=16, up_input_bit=17, settle_down_ms=0.0, settle_up_ms=0.0
        ),
        tick_us=4000,
    )


def make_parameters(**changes: Any) -> TwinParameters:
    values: dict[str, Any] = {
        "axes": {"x": make_axis(), "y": make_axis(start_mm=200.0)},
        "seed": 7,
        "canvas_origin_mm": (100.0, 50.0),
        "canvas_size_mm": (800.0, 600.0),
    }
    return TwinParameters(**{**values, **changes})


class Master:
    """Whoever sits at the other end of the wire: raw frames in virtual time."""

    def __init__(self, gantry: VirtualGantry, clock: VirtualClock) -> None:
        self.twin = gantry
        self.clock = clock
        self.heard: list[tuple[int, bytes]] = []
        self.beats = True

    def wait(self, duration_ns: int) -> None:
        """Let time pass and keep what came."""
        self.clock.sleep_until_ns(self.clock.now_ns() + duration_ns)
        self.heard += [(frame.can_id, frame.data) for frame in self.twin.link.receive()]

    def send(self, can_id: int, data: bytes = b"") -> None:
        """One frame."""
        self.twin.link.send_frames([(can_id, data)])

    def last(self, can_id: int) -> bytes:
        """Data of the latest frame with an identifier."""
        return next(data for at, data in reversed(self.heard) if at == can_id)

    def write(self, node: int, index: int, subindex: int, value: int, size: int) -> int:
        """Expedited download; returns 0 or the abort code."""
        data = (value & ((1 << 8 * size) - 1)).to_bytes(4, "little")
        self.send(0x600 + node, bytes([0x23 | (4 - size) << 2]) + struct.pack("<HB", index, subindex) + data)
        self.wait(MS)
        answer = self.last(0x580 + node)
        assert answer[1:4] == struct.pack("<HB", index, subindex)
        return 0 if answer[0] == 0x60 else int.from_bytes(answer[4:], "little")

    def read(self, node: int, index: int, subindex: int = 0, signed: bool = False) -> int:
        """Expedited upload."""
        self.send(0x600 + node, b"\x40" + struct.pack("<HB", index, subindex) + bytes(4))
        self.wait(MS)
        answer = self.last(0x580 + node)
        assert answer[0] & 0xE3 == 0x43, f"abort {answer[4:].hex()}"
        size = 4 - (answer[0] >> 2 & 3)
        return int.from_bytes(answer[4 : 4 + size], "little", signed=signed)

    def must(self, node: int, index: int, subindex: int, value: int, size: int) -> None:
        """Expedited download that has to succeed."""
        assert self.write(node, index, subindex, value, size) == 0

    def map_all(self) -> None:
        """Map the PDOs of both drives, mode 9, NMT start."""
        for node in (1, 2):
            for communication, cob_id, words in MAPPING:
                mapping = communication + 0x200
                self.must(node, communication, 1, (cob_id + node) | 1 << 31, 4)
                self.must(node, communication, 2, 1, 1)
                self.must(node, mapping, 0, 0, 1)
                for place, word in enumerate(words, start=1):
                    self.must(node, mapping, place, word, 4)
                self.must(node, mapping, 0, len(words), 1)
                self.must(node, communication, 1, cob_id + node, 4)
            self.must(node, 0x6060, 0, 9, 1)
        self.send(0x000, b"\x01\x00")

    def tick(
        self, x: int, y: int, word: int = 0x0F, outputs: int | None = None, after_ns: int = TICK_NS
    ) -> None:
        """One tick: both commands, the head's outputs if given, our heartbeat, SYNC; then ``after_ns`` pass."""
        frames = [(0x201, struct.pack("<Hi", word, x)), (0x202, struct.pack("<Hi", word, y))]
        if outputs is not None:
            frames.append((0x301, struct.pack("<I", outputs)))
        if self.beats:
            frames.append((0x77F, b"\x05"))
        self.twin.link.send_frames([*frames, (0x080, b"")])
        self.wait(after_ns)

    def enable(self) -> None:
        """Walk both drives to OPERATION ENABLED."""
        for word in (0x06, 0x07, 0x0F, 0x0F):
            self.tick(0, 0, word)
        assert all(self.status(node) & 0x6F == 0x27 for node in (1, 2))

    def status(self, node: int) -> int:
        """Latest statusword."""
        return struct.unpack_from("<H", self.last(0x180 + node))[0]

    def position(self, node: int) -> int:
        """Latest position."""
        return struct.unpack_from("<i", self.last(0x180 + node), 2)[0]

    def inputs(self, node: int) -> int:
        """Latest digital inputs."""
        return struct.unpack_from("<I", self.last(0x280 + node))[0]

    def ready(self) -> Master:
        """Mapped and enabled."""
        self.map_all()
        self.enable()
        return self


MakeMaster = Callable[..., Master]


@pytest.fixture
def make_master() -> MakeMaster:
    """A master on a fresh gantry: ``make_master(parameters=..., settings=...)``."""

    def make(
        parameters: TwinParameters | None = None, settings: GroupSettings | None = None, **keywords: Any
    ) -> Master:
        clock = VirtualClock()
        gantry = VirtualGantry(
            settings or make_settings(), parameters or make_parameters(), clock, **keywords
        )
        return Master(gantry, clock)

    return make
