"""Lines of Linux GPIO chips through the library gpiod (its version 2 interface). An optional dependency.

Owns the library: it is imported when lines are opened and by nothing else, so that machines without GPIO need it
nowhere. Each line is requested as an input, pulled towards its open level where the chip can (a broken wire then
reads open), with edges reported, so that a change wakes whoever waits.
"""

from __future__ import annotations

import contextlib
import importlib
import select
from collections.abc import Sequence
from types import ModuleType
from typing import Any

from drivers.clock import NS_PER_MS
from drivers.errors import LinkError, MisuseError
from drivers.settings import GpioInputSettings

CONSUMER = "giornata stop input"
_WAIT_AFTER_FAILURE_S = 0.001


class GpioLines:
    """Requested lines, in the order of the settings. ``close`` gives them back."""

    def __init__(self, requests: Sequence[tuple[GpioInputSettings, Any]], library: ModuleType) -> None:
        self._requests = tuple(requests)
        self._active = library.line.Value.ACTIVE
        self._poll = select.poll()
        self._by_fd = {}
        for _, request in self._requests:
            self._poll.register(request.fd, select.POLLIN)
            self._by_fd[request.fd] = request

    @classmethod
    def open(cls, inputs: Sequence[GpioInputSettings]) -> GpioLines:
        """Request every line. Raises MisuseError without the library, LinkError naming a line that is refused."""
        library = load_library()
        line = library.line
        requests: list[tuple[GpioInputSettings, Any]] = []
        try:
            for one in inputs:
                is_low = one.closed_level == "low"
                settings = library.LineSettings(
                    direction=line.Direction.INPUT,
                    edge_detection=line.Edge.BOTH,
                    bias=line.Bias.PULL_UP if is_low else line.Bias.PULL_DOWN,
                    active_low=is_low,
                )
                try:
                    request = library.request_lines(one.chip, consumer=CONSUMER, config={one.line: settings})
                except (OSError, ValueError) as error:
                    where = f"stop input {one.name}"
                    raise LinkError(
                        where,
                        f"line {one.line} of {one.chip} as an input",
                        str(error),
                        code="stop-inputs-unreadable",
                    ) from None
                requests.append((one, request))
        except LinkError:
            for _, request in requests:
                request.release()
            raise
        return cls(requests, library)

    def read(self) -> list[bool | None]:
        """Whether each line is at its closed level; None where it cannot be read. Never raises."""
        return [self._read_one(one, request) for one, request in self._requests]

    def _read_one(self, one: GpioInputSettings, request: Any) -> bool | None:
        try:
            return bool(request.get_value(one.line) is self._active)
        except Exception:  # noqa: BLE001
            # Whatever it is (the chip unplugged, a bug of the library): a line that cannot be read is open.
            return None

    def wait(self, timeout_ns: int) -> None:
        """Return on the first change of a line, or when the time is over."""
        try:
            ready = self._poll.poll(max(0.0, timeout_ns / NS_PER_MS))
            for fd, event in ready:
                if event & select.POLLIN:
                    self._by_fd[fd].read_edge_events()
                else:
                    # A chip that has gone is always "ready"; its lines read open from now on.
                    self._poll.unregister(fd)
        except OSError:
            # Then the time itself has to do.
            select.select((), (), (), min(_WAIT_AFTER_FAILURE_S, timeout_ns * 1e-9))

    def close(self) -> None:
        """Give the lines back. Never raises."""
        for _, request in self._requests:
            with contextlib.suppress(Exception):
                request.release()


def load_library() -> ModuleType:
    """gpiod, or a MisuseError that says how to get it."""
    try:
        library = importlib.import_module("gpiod")
    except ImportError as error:
        got = f"none ({error}). Install it: pip install 'gpiod>=2.2,<3'"
        raise MisuseError("stop inputs of kind gpio", "the library gpiod, version 2", got) from None
    if not hasattr(library, "request_lines"):
        version = getattr(library, "__version__", "another one")
        raise MisuseError("stop inputs of kind gpio", "the library gpiod, version 2", str(version))
    return library
