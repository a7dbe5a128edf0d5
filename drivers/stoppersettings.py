"""What the process with the guard's own handle on a CAN adapter is told. Data only, refused at the door when bad."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from drivers.model import Settings
from drivers.settings import CanAdapter

CanId = Annotated[int, Field(ge=0, le=0x7FF)]
HexData = Annotated[str, Field(pattern=r"^([0-9a-f]{2}){0,8}$")]
ReadyFrame = Annotated[tuple[CanId, HexData], Field(strict=False)]


class PositionInFrame(Settings):
    """Where one axis' position stands in the frames that come back: little-endian signed integer."""

    can_id: CanId
    offset_bytes: Annotated[int, Field(ge=0, le=7)]
    length_bytes: Annotated[int, Field(ge=1, le=8)]


class CanStopperSettings(Settings):
    """What ``python -m drivers.can.stopper`` is told: the adapter, and what to say and to hear on it."""

    adapter: CanAdapter
    stop: Annotated[tuple[ReadyFrame, ...], Field(strict=False, min_length=1, max_length=64)]
    poll: ReadyFrame
    proof: Annotated[tuple[tuple[CanId, HexData, CanId], ...], Field(strict=False, max_length=16)] = Field(
        description="a harmless question to each drive, and the identifier of its answer"
    )
    positions: Annotated[tuple[PositionInFrame, ...], Field(strict=False, min_length=1, max_length=16)]
    repeat_ms: Annotated[float, Field(ge=1, le=100)] = 4.0
    beat_ms: Annotated[float, Field(ge=1, le=100)] = 20.0
