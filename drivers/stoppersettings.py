"""What the process with the guard's own handle on a CAN adapter is told. Data only, refused at the door when bad."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from drivers.model import Settings
from drivers.settings import CanAdapter

CanId = Annotated[int, Field(ge=0, le=0x7FF)]
HexData = Annotated[str, Field(pattern=r"^([0-9a-f]{2}){0,8}$")]
ReadyFrame = Annotated[tuple[CanId, HexData], Field(strict=False)]


class CanStopperSettings(Settings):
    """What ``python -m drivers.can.stopper`` is told: the adapter, and what to say and to hear on it."""

    adapter: CanAdapter
    stop: Annotated[tuple[ReadyFrame, ...], Field(strict=False, min_length=1, max_length=64)]
    poll: ReadyFrame
    proof: Annotated[tuple[tuple[CanId, HexData, CanId], ...], Field(strict=False, max_length=16)] = Field(
        description="a harmless question to each drive, and the identifier of its answer"
    )
    hear: Annotated[tuple[CanId, ...], Field(strict=False, min_length=1, max_length=16)] = Field(
        description="the identifier that brings each axis' position; its frames are handed on as they are"
    )
    repeat_ms: Annotated[float, Field(ge=1, le=100)] = 4.0
    beat_ms: Annotated[float, Field(ge=1, le=100)] = 20.0
