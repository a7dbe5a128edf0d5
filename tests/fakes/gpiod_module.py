# ruff: noqa: D101, D102 - named and meant as in the library
"""A stand-in for the library gpiod, version 2, as far as stop inputs use it: names and meaning of its own docs.

Each requested line is a pipe whose far end a test holds, so that an edge wakes a real poll. ``levels`` maps (chip,
offset) to the electrical level; a missing line is refused as the kernel does. Written from the library's documented
interface (libgpiod 2.x Python bindings); a test compares the names with the library where it is installed.
"""

from __future__ import annotations

import enum
import errno
import os
from dataclasses import dataclass, field
from types import ModuleType, SimpleNamespace
from typing import Any


class Value(enum.Enum):
    INACTIVE = 0
    ACTIVE = 1


class Direction(enum.Enum):
    AS_IS = 1
    INPUT = 2


class Bias(enum.Enum):
    AS_IS = 1
    PULL_UP = 4
    PULL_DOWN = 5


class Edge(enum.Enum):
    NONE = 1
    BOTH = 4


@dataclass
class LineSettings:
    """As the library's."""

    direction: Direction = Direction.AS_IS
    edge_detection: Edge = Edge.NONE
    bias: Bias = Bias.AS_IS
    active_low: bool = False


@dataclass
class FakeRequest:
    """One requested line."""

    key: tuple[str, int]
    settings: LineSettings
    chips: FakeChips
    released: bool = False
    edges_fail: bool = False
    ends: tuple[int, ...] = field(default_factory=os.pipe)

    @property
    def fd(self) -> int:
        return self.ends[0]

    def get_value(self, line: int) -> Value:
        assert line == self.key[1]
        if self.key in self.chips.hung:
            self.chips.hung[self.key]()
        level = self.chips.levels.get(self.key)
        if level is None:
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))
        return Value.ACTIVE if level is not self.settings.active_low else Value.INACTIVE

    def hang_up(self) -> None:
        """The chip is unplugged: its descriptor only says so."""
        os.close(self.ends[1])
        self.ends = (self.ends[0],)

    def read_edge_events(self) -> list[int]:
        if self.edges_fail:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return list(os.read(self.fd, 64))

    def release(self) -> None:
        if not self.released:
            self.released = True
            for end in self.ends:
                os.close(end)


class FakeChips:
    """All lines of all chips. ``module`` is what ``import gpiod`` gives."""

    def __init__(self, levels: dict[tuple[str, int], bool]) -> None:
        self.levels: dict[tuple[str, int], bool | None] = dict(levels)
        self.hung: dict[tuple[str, int], Any] = {}
        self.requests: list[FakeRequest] = []
        self.module = ModuleType("gpiod")
        self.module.__version__ = "2.2.0"  # type: ignore[attr-defined]
        self.module.line = SimpleNamespace(Value=Value, Direction=Direction, Bias=Bias, Edge=Edge)  # type: ignore[attr-defined]
        self.module.LineSettings = LineSettings  # type: ignore[attr-defined]
        self.module.request_lines = self.request_lines  # type: ignore[attr-defined]

    def request_lines(self, path: str, consumer: str, config: dict[int, LineSettings]) -> FakeRequest:
        ((offset, settings),) = config.items()
        if self.levels.get((path, offset)) is None:
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
        request = FakeRequest((path, offset), settings, self)
        self.requests.append(request)
        return request

    def set(self, key: tuple[str, int], level: bool | None) -> None:
        """Change a level (None: the chip is gone); a change is an edge."""
        self.levels[key] = level
        for request in self.requests:
            if request.key == key and not request.released and level is not None:
                os.write(request.ends[1], b"e")
