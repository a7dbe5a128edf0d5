"""What the guard is told when it starts: one JSON file, checked here with the standard library alone."""

from __future__ import annotations

import json
import re
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Literal

from safety.checks import CHECKS

_HUGE = 1e9
EXTENDED = 0x8000_0000
"""Marks an identifier of 29 bits (linux/can.h)."""

FRAME_BYTES_MAX = 128
FRAMES_KIND = "described-serial"
"""A serial line of described drives; each axis has its own request."""

_HEX = re.compile(r"([0-9A-Fa-f]{2})*")
RTU_KINDS = ("modbus-rtu", "modbus-rtu-low-first")
"""Modbus RTU; how the two registers of a position follow each other."""
HANDLE_KIND = "handle"
"""An adapter that the guard cannot write to by itself: a program with a handle does it (safety/handle.py)."""
DEBOUNCE_MAX_MS = 10.0
SILENT_MAX_MS = 1000.0
OPEN_AFTER_MAX_MS = 60_000.0
LINE_US_MAX = 1_000_000.0
_INPUT_LINES = ("dsr", "dcd", "cts", "ri")
_POSITIVE_NUMBERS = (
    "lease_max_ms", "beat_late_ms", "stop_repeat_ms", "standstill_window_ms", "standstill_um", "give_up_after_s",
    "realtime_priority", "overrun_ms", "standstill_samples", "feedback_late_ms", "tick_ms", "rest_um_s",
    "spin_window_ms", "spin_share", "handle_late_ms",
)  # fmt: skip


class SettingsError(ValueError):
    """The guard's settings cannot be used; says which field, what was expected and what came."""


@dataclass(frozen=True, slots=True)
class StandstillAxis:
    """Where one axis' position stands in the frames that come back: little-endian signed integer.

    On a Modbus line ``can_id`` is the unit, and the position is the registers of its answer. Identifiers of 29 bits
    have bit 31 set (linux/can.h).

    Where it is not CiA 402's: ``order`` of the bytes (little or big); ``mask_hex`` and ``value_hex``, as long as the
    answer (CAN: as its data, or empty), say which of its bits are always the same, and how they read; on CAN a mask of
    0 says how long the answer is, and no more. On a described serial line ``poll_hex`` is the request that brings the
    answer, and ``checksum`` (a name of ``safety.checks``, or none) stands at ``checksum_at`` and is over the bytes from
    ``checksum_from`` up to there.
    """

    axis: str
    can_id: int
    offset_bytes: int
    length_bytes: int
    resolution_um: float
    order: str = "little"
    mask_hex: str = ""
    value_hex: str = ""
    poll_hex: str = ""
    checksum: str = ""
    checksum_from: int = 0
    checksum_at: int = 0
    checksum_order: str = "little"

    def position(self, data: bytes) -> int | None:
        """The position in CAN data or a whole serial frame; None where the bytes that are always the same differ."""
        end = self.offset_bytes + self.length_bytes
        if len(data) < end:
            return None
        if self.mask_hex:
            mask, value = int(self.mask_hex, 16), int(self.value_hex, 16)
            if 2 * len(data) != len(self.mask_hex) or int.from_bytes(data, "big") & mask != value:
                return None
        order: Literal["big", "little"] = "big" if self.order == "big" else "little"
        return int.from_bytes(data[self.offset_bytes : end], order, signed=True)

    def mistakes(self, *, on_line: bool) -> list[str]:
        """What makes it unusable; ``on_line``: for a described serial line."""
        found = []
        longest = len(self.mask_hex) // 2 if on_line else 8
        is_id = 0 <= self.can_id <= 0x7FF or EXTENDED <= self.can_id <= EXTENDED + 0x1FFF_FFFF
        if not (
            is_id
            and self.offset_bytes >= 0
            and 1 <= self.length_bytes <= 8
            and self.offset_bytes + self.length_bytes <= min(longest, FRAME_BYTES_MAX)
            and 0 < self.resolution_um < _HUGE
        ):
            found.append(
                f"an identifier of 11 or 29 bits, 1 to 8 bytes within a frame of {min(longest, FRAME_BYTES_MAX)}, "
                "and a resolution above 0"
            )
        if self.order not in ("little", "big") or self.checksum_order not in ("little", "big"):
            found.append("orders little or big")
        if not _HEX.fullmatch(self.mask_hex) or not _HEX.fullmatch(self.value_hex):
            found.append("mask and value in hex")
        elif len(self.mask_hex) != len(self.value_hex):
            found.append("a value as long as the mask")
        elif on_line and self.mask_hex and int(self.mask_hex, 16) == 0:
            found.append("a mask that is not 0")
        if not on_line:
            return found
        if not self.poll_hex or not _HEX.fullmatch(self.poll_hex):
            found.append("a request in hex")
        if self.checksum:
            size = CHECKS[self.checksum][0] if self.checksum in CHECKS else FRAME_BYTES_MAX + 1
            if not 0 <= self.checksum_from < self.checksum_at <= len(self.mask_hex) // 2 - size:
                found.append(f"a checksum of {', '.join(CHECKS)} within the answer")
        return found


@dataclass(frozen=True, slots=True)
class StopInput:
    """A stop input, normally closed: open, unplugged, unreadable or silent is a stop.

    ``kind``: ``modem-line`` (the guard reads ``line`` of the serial port ``device`` itself: dsr, dcd, cts or ri) or
    ``reported`` (a reader process says how it is, over the input socket). An opening is acted on no later than
    ``debounce_ms`` after it was first read; silence of the reader longer than ``silent_ms`` is an opening.
    """

    name: str
    kind: str
    device: str = ""
    line: str = ""
    debounce_ms: float = 2.0
    silent_ms: float = 50.0


@dataclass(frozen=True, slots=True)
class PowerCut:
    """An output that holds the motors' power while it is energised: ``line`` (rts or dtr) of the port ``device``.

    Let go when standstill is not proved ``open_after_ms`` after the first stop bytes.
    """

    device: str
    line: str
    open_after_ms: float = 1000.0


@dataclass(frozen=True, slots=True)
class GuardSettings:
    """All that the guard knows.

    wire_kind: ``tty`` (a serial CAN adapter's text lines), ``socketcan`` (an interface name), one of ``RTU_KINDS``
    (a serial line of Modbus drives: ``poll_frame_hex`` is one request for each axis), ``FRAMES_KIND``,
    ``HANDLE_KIND`` (``handle`` are the arguments of the program that stops, believed for ``handle_late_ms`` without
    a word of it) or ``none`` (nothing is sent). Frames are hex strings, each written in one call. ``envelope_um``:
    smallest and largest allowed position of each axis in machine um (soft limits). ``stop_um_s2``: deceleration of
    each axis' quick stop, for "position plus stopping distance". ``feedback_late_ms``: how long beats may say that
    the drives are silent. ``tick_ms``: how often the streamer beats; at twice that pace for longer than a lease it
    has lost its clock. ``rest_um_s``: commanded speed up to which DISARM is believed. ``spin_share``: how much of
    one core the streamer may use over ``spin_window_ms``, or of its lease without a beat. ``input_socket``: where
    readers report inputs of kind ``reported``; empty when there are none. On a described serial line:
    ``silence_us`` between frames, ``answer_us`` until an answer begins at the latest, ``stop_rest_us`` for answers
    to a stop, and ``polls_stop``, whether a request stops its axis, too.
    """

    wire_kind: str
    wire_channel: str
    end_frame_hex: str
    stop_frames_hex: tuple[str, ...]
    poll_frame_hex: str
    standstill: tuple[StandstillAxis, ...]
    beat_socket: str
    stop_socket: str
    latch_path: str
    event_path: str
    service_pid: int
    lease_max_ms: float
    beat_late_ms: float
    envelope_um: tuple[tuple[int, int], tuple[int, int]]
    speed_max_um_s: tuple[int, int]
    following_max_um: tuple[int, int]
    stop_um_s2: tuple[int, int]
    stop_repeat_ms: float = 4.0
    standstill_window_ms: float = 60.0
    standstill_um: float = 20.0
    give_up_after_s: float = 5.0
    realtime_priority: int = 85
    overrun_ms: float = 15.0
    standstill_samples: int = 5
    feedback_late_ms: float = 60.0
    tick_ms: float = 0.5
    rest_um_s: float = 5000.0
    spin_share: float = 0.9
    spin_window_ms: float = 1000.0
    inputs: tuple[StopInput, ...] = ()
    power_cut: PowerCut | None = None
    input_socket: str = ""
    silence_us: float = 1750.0
    answer_us: float = 10_000.0
    stop_rest_us: float = 0.0
    polls_stop: bool = True
    handle: tuple[str, ...] = ()
    handle_late_ms: float = 150.0
    extra: dict[str, str] = field(default_factory=dict)

    def dump(self, path: Path) -> None:
        """Write the settings as JSON."""
        path.write_text(json.dumps(asdict(self), indent=1) + "\n")

    @classmethod
    def load(cls, path: Path) -> GuardSettings:
        """Read and check settings. Raises SettingsError naming the field."""
        try:
            raw = json.loads(path.read_text())
        except (OSError, ValueError) as error:
            raise SettingsError(f"{path}: expected a JSON file, got {error}") from None
        if not isinstance(raw, dict):
            raise SettingsError(f"{path}: expected a JSON object, got {type(raw).__name__}")
        known = set(cls.__dataclass_fields__)
        unknown = sorted(set(raw) - known)
        if unknown:
            raise SettingsError(f"{path}: expected only known fields, got {', '.join(unknown)}")
        try:
            raw["standstill"] = tuple(StandstillAxis(**word) for word in raw["standstill"])
            raw["stop_frames_hex"] = tuple(raw["stop_frames_hex"])
            raw["handle"] = tuple(str(word) for word in raw.get("handle") or ())
            raw["inputs"] = tuple(StopInput(**word) for word in raw.get("inputs") or ())
            power = raw.get("power_cut")
            raw["power_cut"] = None if power is None else PowerCut(**power)
            for name in ("speed_max_um_s", "following_max_um", "stop_um_s2"):
                raw[name] = (int(raw[name][0]), int(raw[name][1]))
            low_high = raw["envelope_um"]
            raw["envelope_um"] = (
                (int(low_high[0][0]), int(low_high[0][1])),
                (int(low_high[1][0]), int(low_high[1][1])),
            )
            settings = cls(**raw)
            for name in ("end_frame_hex", "poll_frame_hex"):
                bytes.fromhex(getattr(settings, name))
            for frame in settings.stop_frames_hex:
                bytes.fromhex(frame)
            mistakes = settings.mistakes()
        except (KeyError, TypeError, ValueError, IndexError) as error:
            raise SettingsError(f"{path}: expected complete guard settings, got {error!r}") from None
        if mistakes:
            raise SettingsError(f"{path}: " + "; ".join(mistakes))
        return settings

    def mistakes(self) -> list[str]:
        """What makes these settings unusable, one text a field; empty when they are good."""
        found = []
        kinds = ("tty", "socketcan", *RTU_KINDS, FRAMES_KIND, HANDLE_KIND, "none")
        if self.wire_kind not in kinds:
            found.append(f"wire_kind: expected one of {', '.join(kinds)}, got {self.wire_kind!r}")
        if self.wire_kind == FRAMES_KIND and not self.standstill:
            found.append("standstill: expected a request for each axis, got none")
        found.extend(
            f"{name}: expected 0 to {LINE_US_MAX:g}, got {getattr(self, name)!r}"
            for name in ("silence_us", "answer_us", "stop_rest_us")
            if not _is_number(getattr(self, name), 0.0, LINE_US_MAX)
        )
        if self.wire_kind in RTU_KINDS and (
            not self.standstill or len(self.poll_frame_hex) % (2 * len(self.standstill))
        ):
            found.append("poll_frame_hex: expected one request for each axis, all equally long")
        for name in _POSITIVE_NUMBERS:
            value = getattr(self, name)
            if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < _HUGE:
                found.append(f"{name}: expected a finite number above 0, got {value!r}")
        if not found and self.spin_share > 1:
            found.append(f"spin_share: expected a share of one core, got {self.spin_share}")
        found.extend(
            f"{name}: expected numbers above 0, got {getattr(self, name)!r}"
            for name in ("speed_max_um_s", "following_max_um", "stop_um_s2")
            if min(getattr(self, name)) <= 0
        )
        found.extend(
            f"envelope_um[{index}]: expected smallest below largest, got {low} and {high}"
            for index, (low, high) in enumerate(self.envelope_um)
            if low >= high
        )
        found.extend(
            f"standstill[{index}]: expected {expected}, got {word}"
            for index, word in enumerate(self.standstill)
            for expected in word.mistakes(on_line=self.wire_kind == FRAMES_KIND)
        )
        if self.wire_kind == HANDLE_KIND and not (self.handle and self.standstill):
            found.append("handle: expected a program's arguments and an answer of each axis, got none")
        if self.wire_kind not in ("none", HANDLE_KIND) and not self.stop_frames_hex:
            found.append("stop_frames_hex: expected at least one frame, got none")
        if self.wire_kind == "socketcan":
            frames = (self.end_frame_hex, self.poll_frame_hex, *self.stop_frames_hex)
            if any(len(frame) not in (0, 32) for frame in frames):
                found.append(
                    "stop_frames_hex: expected CAN frames of 16 bytes each, or an empty text for none"
                )
        found.extend(self._input_mistakes())
        if self.service_pid < 0:
            found.append(f"service_pid: expected a process id, or 0 for none, got {self.service_pid}")
        return found

    def _input_mistakes(self) -> list[str]:
        found = []
        for index, one in enumerate(self.inputs):
            where = f"inputs[{index}]"
            if not one.name or [other.name for other in self.inputs].count(one.name) > 1:
                found.append(f"{where}.name: expected a name that no other input has, got {one.name!r}")
            if one.kind not in ("modem-line", "reported"):
                found.append(f"{where}.kind: expected modem-line or reported, got {one.kind!r}")
            if one.kind == "modem-line" and (not one.device or one.line not in _INPUT_LINES):
                found.append(
                    f"{where}: expected a device and one of {', '.join(_INPUT_LINES)}, got {one.device!r}, {one.line!r}"
                )
            if one.kind == "reported" and not self.input_socket:
                found.append("input_socket: expected a path for inputs that are reported, got none")
            if not _is_number(one.debounce_ms, 0.0, DEBOUNCE_MAX_MS):
                found.append(
                    f"{where}.debounce_ms: expected 0 to {DEBOUNCE_MAX_MS:g}, got {one.debounce_ms!r}"
                )
            if not _is_number(one.silent_ms, 1.0, SILENT_MAX_MS):
                found.append(f"{where}.silent_ms: expected 1 to {SILENT_MAX_MS:g}, got {one.silent_ms!r}")
        power = self.power_cut
        if power is not None:
            if not power.device or power.line not in ("rts", "dtr"):
                found.append(
                    f"power_cut: expected a device and rts or dtr, got {power.device!r}, {power.line!r}"
                )
            if not _is_number(power.open_after_ms, 1.0, OPEN_AFTER_MAX_MS):
                found.append(
                    f"power_cut.open_after_ms: expected 1 to {OPEN_AFTER_MAX_MS:g}, got {power.open_after_ms!r}"
                )
        return found


def _is_number(value: object, low: float, high: float) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high
