"""What the guard is told when it starts: one JSON file, checked here with the standard library alone."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from pathlib import Path

_HUGE = 1e9
RTU_KINDS = ("modbus-rtu", "modbus-rtu-low-first")
"""Modbus RTU; how the two registers of a position follow each other."""
DEBOUNCE_MAX_MS = 10.0
SILENT_MAX_MS = 1000.0
OPEN_AFTER_MAX_MS = 60_000.0
_INPUT_LINES = ("dsr", "dcd", "cts", "ri")
_POSITIVE_NUMBERS = (
    "lease_max_ms", "beat_late_ms", "stop_repeat_ms", "standstill_window_ms", "standstill_um", "give_up_after_s",
    "realtime_priority", "overrun_ms", "standstill_samples", "feedback_late_ms", "tick_ms", "rest_um_s",
    "spin_window_ms", "spin_share",
)  # fmt: skip


class SettingsError(ValueError):
    """The guard's settings cannot be used; says which field, what was expected and what came."""


@dataclass(frozen=True, slots=True)
class StandstillAxis:
    """Where one axis' position stands in the frames that come back: little-endian signed integer.

    On a Modbus line ``can_id`` is the unit, and the position is the registers of its answer.
    """

    axis: str
    can_id: int
    offset_bytes: int
    length_bytes: int
    resolution_um: float


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

    wire_kind: ``tty`` (a serial CAN adapter's text lines), ``socketcan`` (an interface name), one of ``RTU_KINDS`` (a
    serial line of Modbus drives: ``poll_frame_hex`` is one request for each axis) or ``none`` (tests). Frames are hex
    strings, each written in one call. ``envelope_um``: smallest and largest allowed position of each axis in machine
    um (soft limits). ``stop_um_s2``: deceleration of each axis' quick stop, for "position plus stopping distance".
    ``feedback_late_ms``: how long beats may say that the drives are silent. ``tick_ms``: how often the streamer
    beats; at twice that pace for longer than a lease it has lost its clock. ``rest_um_s``: commanded speed up to
    which DISARM is believed. ``spin_share``: how much of one core the streamer may use over ``spin_window_ms``, or of
    its lease without a beat. ``input_socket``: where readers report inputs of kind ``reported``; empty when there are
    none.
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
        except (KeyError, TypeError, ValueError, IndexError) as error:
            raise SettingsError(f"{path}: expected complete guard settings, got {error!r}") from None
        mistakes = settings.mistakes()
        if mistakes:
            raise SettingsError(f"{path}: " + "; ".join(mistakes))
        return settings

    def mistakes(self) -> list[str]:
        """What makes these settings unusable, one text a field; empty when they are good."""
        found = []
        if self.wire_kind not in ("tty", "socketcan", *RTU_KINDS, "none"):
            found.append(
                f"wire_kind: expected tty, socketcan, {', '.join(RTU_KINDS)} or none, got {self.wire_kind!r}"
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
            f"standstill[{index}]: expected 1 to 8 bytes within a frame of 8 and a resolution above 0, got {word}"
            for index, word in enumerate(self.standstill)
            if not (
                0 <= word.can_id <= 0x7FF
                and word.offset_bytes >= 0
                and word.length_bytes >= 1
                and word.offset_bytes + word.length_bytes <= 8
                and 0 < word.resolution_um < _HUGE
            )
        )
        if self.wire_kind != "none" and not self.stop_frames_hex:
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
