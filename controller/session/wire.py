"""The words of the control socket: what a request must be, and events, results and errors as JSON.

Owns the format (docs/session.md) in both directions, for the service and for its clients. Pure: no socket, no clock,
no machine. A request that is not exactly as written here raises ``WireError`` with what was expected and what came.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from controller.config.errors import HaltedError, InputError, Mistake, RefusedError, code_of, plain
from controller.motion.probe import AxisTest, CircleTest, Test
from controller.motion.probesteps import BrakeTest, StepsTest
from controller.session.disk import DAMAGED, DiskError
from controller.session.prepared import PreparedPass
from controller.session.recorder import Advance
from controller.session.runner import PauseAt
from controller.session.service import StoppedError
from controller.session.states import DaemonState
from controller.session.watcher import DriftWords, Watcher
from drivers.errors import DriverError, FaultError, LinkError, MisuseError

VERSION: Final = 1
LINE_BYTES_MAX: Final = 16_384
"""A request may have so many bytes; what is longer ends the talk."""
GOT_SHOWN: Final = 120
SPEED_MIN_MM_S: Final = 0.001
RADIUS_MIN_MM: Final = 0.5

KINDS_OF_STOP: Final = ("controlled", "immediate")
PAUSES_AT: Final[tuple[PauseAt, ...]] = ("stroke-end", "path")
MM_MAX: Final = 1e6

Message = dict[str, Any]


class RemoteError(Exception):
    """The service failed by a fault of its own; the words are its own."""

    code: Final = "internal-fault"


class WireError(Exception):
    """A request that is not as it must be; nothing was done."""

    def __init__(self, expected: str, got: str) -> None:
        self.expected = expected
        self.got = plain(got, GOT_SHOWN)
        super().__init__(f"expected {expected}, got {self.got}")


# -- requests -------------------------------------------------------------------------------------------------


class _Arguments(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)

    machine_digest: str | None = Field(default=None, pattern="^[0-9a-f]{64}$")
    """SHA-256 of the machine file that the caller means; another than the service's own is refused."""
    virtual: bool = False
    """The caller wants virtual time; a service that moves a real machine refuses."""
    yes: bool = False
    """Pens are in and everybody is clear: no prompts."""


Name = str


def _absolute_path(value: str) -> str:
    if "\0" in value or not value.startswith("/"):
        raise ValueError("an absolute path")
    return value


class HomeArguments(_Arguments):
    """Arguments of ``home``."""

    accept_difference: bool = False


class PaintArguments(_Arguments):
    """Arguments of ``paint``. ``prepared``: absolute path of the prepared folder."""

    prepared: str = Field(min_length=1, max_length=4096)
    inks: list[Name] = Field(default=[], max_length=200)
    passes: list[Name] = Field(default=[], max_length=200)
    again: bool = False

    _absolute = field_validator("prepared")(_absolute_path)


class MeasureArguments(_Arguments):
    """Arguments of ``measure``: the test, by its ``kind``."""

    test: Annotated[Test, Field(discriminator="kind")]

    @field_validator("test")
    @classmethod
    def _bounded(cls, test: Test) -> Test:
        """Whether it fits the machine is planning's to say; this is what no machine takes."""
        if test.speed_mm_s < SPEED_MIN_MM_S:
            raise ValueError(f"a speed of {SPEED_MIN_MM_S} mm/s or more")
        if isinstance(test, CircleTest) and test.radius_mm < RADIUS_MIN_MM:
            raise ValueError(f"a radius of {RADIUS_MIN_MM} mm or more")
        if isinstance(test, AxisTest) and not (2 <= test.repeats <= 100 and 2 <= len(test.targets_mm) <= 200):
            raise ValueError("2 to 200 targets and 2 to 100 repeats")
        if isinstance(test, StepsTest) and not 2 <= test.repeats <= 50:
            raise ValueError("2 to 50 repeats")
        if isinstance(test, BrakeTest) and not (1 <= len(test.places_mm) <= 50 and 0.0 < test.rest_s <= 60.0):
            raise ValueError("1 to 50 places and a rest of up to 60 s")
        return test


class MarksArguments(_Arguments):
    """Arguments of ``marks``: the job file with the marks, who measures. ``withdraw``: as without a service."""

    job: str = Field(min_length=1, max_length=4096)
    person: str = Field(min_length=1, max_length=200)
    withdraw: bool = False

    _absolute = field_validator("job")(_absolute_path)


class ClearArguments(BaseModel):
    """Arguments of ``clear``: the latched reason code that the person has seen, and who clears it."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    reason: str = Field(min_length=1, max_length=200)
    person: str = Field(min_length=1, max_length=200)


Arguments = HomeArguments | PaintArguments | MeasureArguments | MarksArguments | ClearArguments

ARGUMENTS: Final[Mapping[str, type[Arguments]]] = {
    "home": HomeArguments,
    "paint": PaintArguments,
    "measure": MeasureArguments,
    "marks": MarksArguments,
    "clear": ClearArguments,
}
"""Every verb that a service runs for others, and what it takes."""


@dataclass(frozen=True, slots=True)
class Request:
    """One request, checked. ``kind``: of stop. ``verb``, ``arguments``: of run. ``prompt``, ``value``: of answer;
    what a value must be is the question's to say. ``at``, ``park_mm``: of pause."""

    ask: str
    kind: str = ""
    verb: str = ""
    arguments: Arguments | None = None
    prompt: int = 0
    value: Any = None
    at: PauseAt = "stroke-end"
    park_mm: tuple[float, float] | None = None


FIELDS: Final[Mapping[str, frozenset[str]]] = {
    "status": frozenset(),
    "pause": frozenset({"at", "park_mm"}),
    "stop": frozenset({"kind"}),
    "follow": frozenset(),
    "run": frozenset({"verb", "arguments"}),
    "answer": frozenset({"prompt", "value"}),
}
"""Every request and what it may carry beside ``v`` and ``ask``."""


def parse(line: bytes) -> Request:
    """The request in a line. Raises WireError."""
    try:
        said = json.loads(line)
    except (ValueError, RecursionError):
        raise WireError("a JSON object on one line", "unreadable bytes") from None
    if not isinstance(said, dict):
        raise WireError("a JSON object", type(said).__name__)
    version = said.get("v")
    if type(version) is not int or version != VERSION:
        raise WireError(f'"v": {VERSION}', f'"v": {version!r}')
    ask = said.get("ask")
    if not isinstance(ask, str):
        raise WireError('"ask" with a word', repr(ask))
    if ask not in FIELDS:
        raise WireError(", ".join(FIELDS), repr(ask))
    if extra := sorted(set(said) - {"v", "ask"} - FIELDS[ask]):
        allowed = ", ".join(f'"{name}"' for name in ("v", "ask", *sorted(FIELDS[ask])))
        raise WireError(f"only {allowed} with {ask}", ", ".join(extra))
    match ask:
        case "stop":
            return Request(ask, kind=_kind(said))
        case "run":
            return _run(said)
        case "answer":
            return _answer(said)
        case "pause":
            return _pause(said)
    return Request(ask)


def _pause(said: Message) -> Request:
    at, place = said.get("at", "stroke-end"), said.get("park_mm")
    if at not in PAUSES_AT:
        raise WireError(f'"at" one of {", ".join(PAUSES_AT)}', repr(at))
    if place is None:
        return Request("pause", at=at)
    numbers = place if isinstance(place, list) else []
    if len(numbers) != 2 or not all(type(one) in (int, float) and abs(one) < MM_MAX for one in numbers):
        raise WireError('"park_mm" with two numbers', repr(place))
    return Request("pause", at=at, park_mm=(float(numbers[0]), float(numbers[1])))


def _kind(said: Message) -> str:
    kind = said.get("kind", "")
    if "kind" in said and kind not in KINDS_OF_STOP:
        raise WireError('"kind" controlled or immediate', repr(kind))
    return str(kind)


def _run(said: Message) -> Request:
    verb = said.get("verb")
    if not isinstance(verb, str) or verb not in ARGUMENTS:
        raise WireError(f'"verb" one of {", ".join(ARGUMENTS)}', repr(verb))
    arguments = said.get("arguments", {})
    if not isinstance(arguments, dict):
        raise WireError('"arguments" an object', type(arguments).__name__)
    try:
        # As JSON, so that arrays are tuples where types are strict.
        return Request("run", verb=verb, arguments=ARGUMENTS[verb].model_validate_json(json.dumps(arguments)))
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, ("arguments", *first["loc"])))
        raise WireError(f"{plain(where, GOT_SHOWN)}: {first['msg']}", repr(first["input"])) from None


def _answer(said: Message) -> Request:
    prompt, value = said.get("prompt"), said.get("value")
    if type(prompt) is not int:
        raise WireError('"prompt" with the number of a prompt', repr(prompt))
    if not isinstance(value, bool | str | dict):
        raise WireError('"value" true, false, a word or an object', repr(value))
    return Request("answer", prompt=prompt, value=value)


def line_of(message: Mapping[str, Any]) -> bytes:
    """One message as the line that carries it."""
    return json.dumps({"v": VERSION, **message}, default=str).encode() + b"\n"


def fault(error: WireError) -> Message:
    """The answer to a request that is not as it must be."""
    return {"ok": False, "expected": error.expected, "got": error.got}


# -- results --------------------------------------------------------------------------------------------------

_CODE: Final = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")

EXITS: Final[Mapping[str, int]] = {
    "input": 2, "refused": 3, "halted": 4, "fault": 5, "link": 5, "misuse": 1, "stopped": 130, "system": 1,
    "internal": 1,
}  # fmt: skip
"""Exit code of the command line by the kind of an error."""

_DRIVER_KINDS: Final[Mapping[str, type[DriverError]]] = {
    "fault": FaultError,
    "link": LinkError,
    "misuse": MisuseError,
}


def success(value: Mapping[str, Any]) -> Message:
    """The last line of a verb that was done."""
    return {"result": "done", "ok": True, "exit": 0, "value": dict(value)}


def failure(error: BaseException) -> Message:
    """The last line of a verb that was not."""
    kind, detail = _described(error)
    return {
        "result": "failed",
        "ok": False,
        "exit": EXITS[kind],
        "error": {"kind": kind, "message": str(error), "code": code_of(error), **detail},
    }


def _described(error: BaseException) -> tuple[str, Message]:
    match error:
        case InputError():
            return "input", {
                "mistakes": [
                    {
                        "file": str(one.file),
                        "where": one.where,
                        "expected": one.expected,
                        "got": one.got,
                        "code": one.code,
                    }
                    for one in error.mistakes
                ]
            }
        case RefusedError():
            return "refused", {"reason": error.reason, "remedy": error.remedy}
        case HaltedError():
            return "halted", {"reason": error.reason, "remedy": error.remedy}
        case StoppedError():
            return "stopped", {}
        case DriverError():
            kind = next((name for name, of in _DRIVER_KINDS.items() if isinstance(error, of)), "link")
            return kind, {"where": error.where, "expected": error.expected, "got": error.got}
        case OSError():
            return "system", {}
    return "internal", {"type": type(error).__name__}


def told_code(said: Mapping[str, Any]) -> str:
    """The code that a message carries; empty where it carries none that could be one."""
    code = said.get("code")
    return code if isinstance(code, str) and _CODE.fullmatch(code) else ""


def error_in(message: Mapping[str, Any]) -> Exception:
    """The error that a last line or a refusal tells of, as it would have been raised here."""
    said = message.get("error")
    if not isinstance(said, dict):
        expected, got = message.get("expected", "a request"), message.get("got", "something else")
        return RefusedError(
            f"the service did not understand: expected {expected}, got {got}",
            "service and command are of different versions: end the one and start it anew",
            code="versions-differ",
        )
    text = {
        name: str(said.get(name, "")) for name in ("message", "reason", "remedy", "where", "expected", "got")
    }
    code = told_code(said)
    match said.get("kind"):
        case "input":
            mistakes = [
                Mistake(
                    Path(str(one["file"])),
                    str(one["where"]),
                    str(one["expected"]),
                    str(one["got"]),
                    code=told_code(one) or "exit-2",
                )
                for one in said.get("mistakes", ())
            ]
            return InputError(mistakes)
        case "refused":
            return RefusedError(text["reason"], text["remedy"], code=code or "exit-3")
        case "halted":
            return HaltedError(text["reason"], text["remedy"], code=code or "exit-4")
        case "stopped":
            return StoppedError(text["message"])
        case "fault" | "link" | "misuse" as kind:
            return _DRIVER_KINDS[kind](text["where"], text["expected"], text["got"], code=code)
        case "system":
            return _system_error(text["message"], code)
    return RemoteError(f"{said.get('type', 'error')}: {text['message']}")


def _system_error(words: str, code: str) -> OSError:
    """As it was there, so that its code leads to the same entry here; a journal's own errors are DiskErrors too."""
    error = DiskError(words) if code in (DiskError.code, DAMAGED) else OSError(words)
    if code:
        error.code = code  # type: ignore[attr-defined]
    return error


# -- events ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class DriftTold:
    """A machine's drift as an event tells it. ``open_jumps``: the axis of each."""

    short: tuple[str, ...]
    open_jumps: tuple[str, ...]


class EventWatcher(Watcher):
    """Turns what a session tells its watcher into events. ``tell`` must neither raise nor wait."""

    def __init__(self, tell: Callable[[Message], None]) -> None:
        self._tell = tell

    def state(self, state: DaemonState) -> None:
        """The state's name."""
        self._tell({"event": "state", "state": state.value})

    def homing_begun(self) -> None:
        """Nothing more is known."""
        self._tell({"event": "homing_begun"})

    def homed(self, accepted: bool, lines: Any) -> None:
        """One sentence an axis."""
        self._tell({"event": "homed", "accepted": accepted, "lines": list(lines)})

    def drifted(self, drift: DriftWords) -> None:
        """Its sentences, and how many jumps nobody has looked at."""
        jumps = [str(axis) for axis, *_ in drift.open_jumps]
        self._tell({"event": "drifted", "lines": list(drift.short), "open_jumps": jumps})

    def pass_begun(self, part: PreparedPass, number: int, count: int, finished: int, ticks: int) -> None:
        """The pass as prepared."""
        self._tell({
            "event": "pass_begun", "pass": part.model_dump(mode="json"), "number": number, "count": count,
            "finished": finished, "ticks": ticks,
        })  # fmt: skip

    def measuring_begun(self, what: str, ticks: int) -> None:
        """The test."""
        self._tell({"event": "measuring_begun", "what": what, "ticks": ticks})

    def advanced(self, advance: Advance, strokes: int, ticks_total: int) -> None:
        """How far."""
        self._tell({
            "event": "advanced", "ticks": advance.ticks, "run_strokes": advance.strokes,
            "head_down": advance.head_down, "strokes": strokes, "ticks_total": ticks_total,
        })  # fmt: skip

    def pass_ended(self, part: PreparedPass, state: str) -> None:
        """How it ended."""
        self._tell({"event": "pass_ended", "pass": part.model_dump(mode="json"), "state": state})

    def note(self, text: str) -> None:
        """The words."""
        self._tell({"event": "note", "text": text})


def relay(event: Mapping[str, Any], watcher: Watcher) -> None:
    """Tell a watcher what an event tells; events that no watcher knows are left out.

    Raises KeyError, TypeError or ValueError (pydantic's among them) for an event that is not as it must be.
    """
    match event["event"]:
        case "state":
            watcher.state(DaemonState(event["state"]))
        case "homing_begun":
            watcher.homing_begun()
        case "homed":
            watcher.homed(bool(event["accepted"]), [str(one) for one in event["lines"]])
        case "drifted":
            lines, jumps = event["lines"], event["open_jumps"]
            watcher.drifted(DriftTold(tuple(map(str, lines)), tuple(map(str, jumps))))
        case "pass_begun":
            watcher.pass_begun(
                part_of(event), int(event["number"]), int(event["count"]), int(event["finished"]),
                int(event["ticks"]),
            )  # fmt: skip
        case "measuring_begun":
            watcher.measuring_begun(str(event["what"]), int(event["ticks"]))
        case "advanced":
            advance = Advance(int(event["ticks"]), int(event["run_strokes"]), bool(event["head_down"]))
            watcher.advanced(advance, int(event["strokes"]), int(event["ticks_total"]))
        case "pass_ended":
            watcher.pass_ended(part_of(event), str(event["state"]))
        case "note":
            watcher.note(str(event["text"]))


def part_of(event: Mapping[str, Any]) -> PreparedPass:
    """The pass that an event or a prompt is about. Raises KeyError or pydantic's ValidationError."""
    return PreparedPass.model_validate_json(json.dumps(event["pass"]))
