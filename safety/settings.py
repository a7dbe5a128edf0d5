"""What the guard is told when it starts: one JSON file, checked here with the standard library alone."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from pathlib import Path


class SettingsError(ValueError):
    """The guard's settings cannot be used; says which field, what was expected and what came."""


@dataclass(frozen=True, slots=True)
class StandstillAxis:
    """Where one axis' position stands in the frames that come back: little-endian signed integer."""

    axis: str
    can_id: int
    offset_bytes: int
    length_bytes: int
    resolution_um: float


@dataclass(frozen=True, slots=True)
class GuardSettings:
    """All that the guard knows.

    wire_kind: ``tty`` (a serial CAN adapter's text lines), ``socketcan`` (an interface name) or ``none``
    (tests). Frames are hex strings, each written in one call. ``envelope_um``: smallest and largest allowed
    position of each axis in machine um (soft limits). ``stop_um_s2``: deceleration of each axis' quick stop, for
    "position plus stopping distance". ``inputs`` is empty until hardware stop inputs are wired.
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
    realtime_priority: int = 70
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
        if settings.wire_kind not in ("tty", "socketcan", "none"):
            raise SettingsError(
                f"{path}: wire_kind: expected tty, socketcan or none, got {settings.wire_kind!r}"
            )
        return settings
