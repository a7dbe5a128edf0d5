"""``giornata trace``: put down what passes on the wire, show it in plain words, hand it to other programs. No logic."""

from __future__ import annotations

import datetime
import os
import shutil
import sys
from collections import deque
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from controller.cli.console import Exit, JsonOption, StateOption, emit, out, warn
from controller.cli.options import MachineOption

if TYPE_CHECKING:
    from drivers.tracefile import Trace
    from drivers.tracewords import Line

trace = typer.Typer(
    name="trace",
    help="What went over the wire: put it down, show it in plain words, export it. Nothing here moves the machine.",
    no_args_is_help=True,
)

FileArgument = Annotated[
    Path, typer.Argument(metavar="FILE", help="A trace (wire.gtr), or the folder of a run that has one.")
]


@trace.command("on")
def on(
    machine: MachineOption,
    mib: Annotated[
        int,
        typer.Option("--mib", metavar="N", help="Memory for a run's latest frames, MiB.", min=1, max=1024),
    ] = 32,
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """From the next run on, put down every frame, the latest that fit, as wire.gtr in the run's folder."""
    from controller.config.load import load_machine
    from controller.config.places import StateDir
    from controller.session import tracing

    tracing.switch(StateDir.open(state, load_machine(machine).name), mib)
    if as_json:
        emit({"ok": True, "mib": mib})
        return
    text = f"runs are traced from the next one on, the latest {mib} MiB of each; giornata trace off ends it"
    out().print(text, soft_wrap=True)


@trace.command("off")
def off(machine: MachineOption, state: StateOption = None, as_json: JsonOption = False) -> None:
    """From the next run on, put down nothing."""
    from controller.config.load import load_machine
    from controller.config.places import StateDir
    from controller.session import tracing

    tracing.switch(StateDir.open(state, load_machine(machine).name), None)
    if as_json:
        emit({"ok": True, "mib": None})
        return
    out().print("runs are no longer traced")


@trace.command("record")
def record(
    machine: MachineOption,
    seconds: Annotated[float, typer.Option("--seconds", metavar="S", help="How long.", min=0.1)] = 10.0,
    target: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="FILE", help="Where to; runs/heard.gtr in the machine's state if not given."
        ),
    ] = None,
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """Listen to a wire on which no session of ours runs. Sends no frame. Ctrl-C ends it early."""
    from controller.session import listening, tracing, verbs

    path: Path = verbs.run(listening.record(machine, state, seconds, target))
    heard = tracing.load(path)
    count = sum(1 for _ in heard.pieces())
    if as_json:
        emit({"ok": True, "file": path, "heard": count})
        return
    out().print(f"{_many(count, _unit(heard))} heard; giornata trace show {path}", soft_wrap=True)


@trace.command("show")
def show(
    file: FileArgument,
    begin: Annotated[
        float | None, typer.Option("--from", metavar="S", help="Seconds from the trace's first frame.")
    ] = None,
    end: Annotated[float | None, typer.Option("--to", metavar="S", help="Seconds, as --from.")] = None,
    node: Annotated[
        str | None, typer.Option("--node", metavar="NODE", help="This axis, node or unit only.")
    ] = None,
    kind: Annotated[
        list[str] | None,
        typer.Option("--kind", metavar="KIND", help="This kind only, such as sdo; may be given again."),
    ] = None,
    last: Annotated[
        int | None, typer.Option("--last", metavar="N", help="Only so many, the latest.", min=1)
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """One line a frame: instant (s), interval (ms), > ours or < theirs, identifier or unit, bytes, what it means.

    Kinds on CAN: nmt, sync, emcy, time, pdo, sdo, heartbeat. On a Modbus line: request, answer, exception, broadcast.
    Of drives with a file of their own: request, answer, broadcast. On all: broken, other.
    """
    from drivers.tracewords import KINDS, Decoder

    for one in kind or ():
        if one not in KINDS:
            raise typer.BadParameter(f"expected one of {', '.join(KINDS)}, got {one!r}", param_hint="--kind")
    path, loaded = _load(file)
    lines = Decoder(loaded.description).lines(loaded.pieces())
    chosen = _numbered(_chosen(lines, begin, end, _node(node, loaded), frozenset(kind or KINDS)))
    shown: Iterable[tuple[int, int, Line]] = chosen if last is None else deque(chosen, maxlen=last)
    if as_json:
        frames = [_frame_json(at_ns, before_ns, line) for at_ns, before_ns, line in shown]
        emit({"ok": True, "file": path, **_about(loaded), "frames": frames})
        return
    try:
        _print(loaded, shown)
    except BrokenPipeError:  # the reader has gone, as with `| head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise typer.Exit(Exit.DONE) from None


@trace.command("export")
def export(
    file: FileArgument,
    target: Annotated[
        Path,
        typer.Argument(
            metavar="OUT", help="What to write; its suffix says how: .asc, .blf, .csv, .log or .trc."
        ),
    ],
    as_json: JsonOption = False,
) -> None:
    """Write a trace in a format that other programs read; .log is what candump writes. A serial line gives .csv."""
    from controller.config.errors import InputError, Mistake
    from drivers.traceexport import export as written
    from drivers.traceexport import suffixes_for

    _, loaded = _load(file)
    try:
        count = written(loaded, target)
    except ValueError:
        expected = f"a name that ends in {', '.join(suffixes_for(loaded))}"
        raise InputError([Mistake(target, "OUT", expected, target.name, code="trace-file")]) from None
    if as_json:
        emit({"ok": True, "file": target, "frames": count})
        return
    out().print(f"{_many(count, _unit(loaded))} written to {target}", soft_wrap=True)


def _load(file: Path) -> tuple[Path, Trace]:
    from controller.session import tracing

    path = file / tracing.TRACE_NAME if file.is_dir() else file
    return path, tracing.load(path)


def _node(node: str | None, loaded: Trace) -> int | None:
    if node is None:
        return None
    names = {str(axis): int(number) for number, axis in dict(loaded.description.get("nodes", {})).items()}
    if node in names:
        return names[node]
    if node.isdecimal():
        return int(node)
    raise typer.BadParameter(
        f"expected a number or one of {', '.join(names)}, got {node!r}", param_hint="--node"
    )


def _chosen(
    lines: Iterable[Line], begin: float | None, end: float | None, node: int | None, kinds: frozenset[str]
) -> Iterator[tuple[int, Line]]:
    first_ns: int | None = None
    for line in lines:
        first_ns = line.instant_ns if first_ns is None else first_ns
        at_s = (line.instant_ns - first_ns) * 1e-9
        if (begin is not None and at_s < begin) or (end is not None and at_s > end):
            continue
        if line.kind in kinds and node in (None, line.node):
            yield line.instant_ns - first_ns, line


def _numbered(lines: Iterable[tuple[int, Line]]) -> Iterator[tuple[int, int, Line]]:
    """With the interval to the line shown before."""
    before_ns: int | None = None
    for at_ns, line in lines:
        yield at_ns, 0 if before_ns is None else at_ns - before_ns, line
        before_ns = at_ns


def _about(loaded: Trace) -> dict[str, Any]:
    told = {name: loaded.description.get(name) for name in ("machine", "run", "clock", "wire", "nodes")}
    return {**told, "overwritten_slots": loaded.overwritten, "torn_slots": loaded.torn}


def _frame_json(at_ns: int, before_ns: int, line: Line) -> dict[str, Any]:
    return {
        "at_ns": at_ns, "interval_ns": before_ns, "out": line.is_out, "taken": line.is_taken, "id": line.can_id,
        "node": None if line.node < 0 else line.node, "kind": line.kind, "bytes": line.data.hex().upper(),
        "words": line.words,
    }  # fmt: skip


def _unit(loaded: Trace) -> str:
    from drivers.traceexport import is_serial

    return "run of bytes" if is_serial(loaded) else "frame"


def _many(count: int, what: str) -> str:
    first, _, rest = what.partition(" ")
    return f"{count} {what}" if count == 1 else f"{count} {f'{first}s {rest}'.strip()}"


def _print(loaded: Trace, shown: Iterable[tuple[int, int, Line]]) -> None:
    told = _about(loaded)
    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else 0
    out().print(
        f"{told['machine']}, {told['run']}, {told['clock']} time, from {_wall(loaded)}; > ours, < theirs",
        soft_wrap=True,
    )
    if told["overwritten_slots"]:
        warn(
            f"the trace begins late: room for {told['overwritten_slots']} frames before it was used again",
            code="trace-incomplete",
        )
    if told["torn_slots"]:
        warn(f"left out, since half written or cut off: {told['torn_slots']}", code="trace-incomplete")
    count = 0
    for at_ns, before_ns, line in shown:
        text = line_text(at_ns, before_ns, line)
        if 0 < width < len(text):
            text = text[: width - 1] + "…"
        sys.stdout.write(text + "\n")
        count += 1
    sys.stdout.flush()
    if count == 0:
        warn("no frame is like that", code="trace-no-frames")


def _wall(loaded: Trace) -> str:
    """The wall clock's time of the first frame."""
    from drivers.traceexport import origin

    begin_ns, wall_ns = origin(loaded)
    first = next(loaded.slots(), None)
    at_ns = wall_ns if first is None else wall_ns + first[0] - begin_ns
    try:
        return datetime.datetime.fromtimestamp(at_ns * 1e-9).astimezone().strftime("%Y-%m-%d %H:%M:%S")
    except (OverflowError, ValueError, OSError):
        return "an unknown time"


def line_text(at_ns: int, before_ns: int, line: Line) -> str:
    """One frame as one line of text."""
    head = f"{at_ns * 1e-9:10.6f} {before_ns * 1e-6:8.3f} {'>' if line.is_out else '<'}"
    if line.can_id is not None:
        return f"{head} {line.can_id & 0x1FFF_FFFF:03X} {line.data.hex().upper():16} {line.words}"
    return f"{head} {'' if line.node < 0 else line.node:>3} {line.words}: {line.data.hex().upper()}"
