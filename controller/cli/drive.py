"""``giornata drive``: what a drive file makes of commands and replies, tried without a drive. No logic."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from controller.cli.console import Exit, JsonOption, emit, err, out, warn

if TYPE_CHECKING:
    from drivers.described.trial import Trial, TriedFrame

drive = typer.Typer(
    name="drive",
    help="Drives of your own, described in a file: try what it says. No drive is touched.",
    no_args_is_help=True,
)


@drive.callback()
def _drive() -> None:
    """A group keeps its verbs' names even where it has only one."""


@drive.command("try")
def try_file(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Drive file (TOML).")],
    as_json: JsonOption = False,
) -> None:
    """Encode every command, check every sample, send both ways over a wire of its own, and say what is missing."""
    from controller.config.drivefile import load_drive
    from drivers.described.trial import tried

    trial = tried(load_drive(file))
    if as_json:
        emit(_json(file, trial))
    else:
        _print(file, trial)
    if not trial.ok:
        raise typer.Exit(Exit.FAILED)


def _json(file: Path, trial: Trial) -> dict[str, Any]:
    from drivers.described.facts import facts_of

    return {
        "ok": trial.ok,
        "file": file,
        "name": trial.drive.name,
        "facts": asdict(facts_of(trial.drive)),
        "commands": [{**asdict(one), "ok": one.ok} for one in trial.frames],
        "samples": [{**asdict(one), "ok": one.ok} for one in trial.samples],
        "loopbacks": [{**asdict(one), "ok": one.ok} for one in trial.loopbacks],
        "cautions": [asdict(one) for one in trial.cautions],
    }


def _print(file: Path, trial: Trial) -> None:
    from rich.text import Text

    from controller.cli.tables import plain_table
    from drivers.described.facts import facts_of

    console = out()
    console.print(Text(f"drive {trial.drive.name} ({file})", style="bold"), soft_wrap=True)
    if trial.drive.text:
        console.print(Text(trial.drive.text))
    facts = plain_table("")
    facts.show_header = False
    facts.add_column(no_wrap=True)
    facts.add_column(overflow="fold")
    for name, value in facts_of(trial.drive).words():
        facts.add_row(name, Text(value))
    console.print(facts)
    commands = plain_table("commands: what is sent, and what the bytes say when they are read again")
    commands.add_column("command", no_wrap=True)
    commands.add_column("node", justify="right", no_wrap=True)
    commands.add_column("bytes", overflow="fold")
    commands.add_column("read back", overflow="fold")
    commands.add_column("answer", overflow="fold")
    commands.add_column("", no_wrap=True)
    for one in trial.frames:
        name = one.command if one.count == 1 else f"{one.command} {one.place + 1}/{one.count}"
        commands.add_row(
            name,
            "all" if one.command == "stop_all" else str(one.node),
            one.text,
            Text(_values(one)),
            Text(", ".join(one.answers) or "-"),
            _mark(one.ok),
        )
    console.print(commands)
    if trial.samples:
        samples = plain_table("samples of the file")
        samples.add_column("sample", no_wrap=True)
        samples.add_column("node", justify="right", no_wrap=True)
        samples.add_column("bytes", overflow="fold")
        samples.add_column("says", overflow="fold")
        samples.add_column("", no_wrap=True)
        for sample in trial.samples:
            samples.add_row(
                sample.what, str(sample.node), " | ".join(sample.frames), sample.says, _mark(sample.ok)
            )
        console.print(samples)
    loops = plain_table("both ways over a wire of our own")
    loops.add_column("wire", no_wrap=True)
    for name in ("exchanges", "pieces", "strange"):
        loops.add_column(name, justify="right", no_wrap=True)
    loops.add_column("", no_wrap=True)
    for loop in trial.loopbacks:
        loops.add_row(loop.wire, str(loop.exchanges), str(loop.pieces), str(loop.garbage), _mark(loop.ok))
    console.print(loops)
    for caution in trial.cautions:
        warn(str(caution), code="drive-file-caution")
    troubles = [f"{one.command}: {one.trouble}" for one in trial.frames if not one.ok]
    troubles += [f"samples[#{one.place + 1}].{one.trouble}" for one in trial.samples if not one.ok]
    troubles += [f"{one.wire}: {one.trouble}" for one in trial.loopbacks if not one.ok]
    for trouble in troubles:
        err().print(Text.assemble(("error: ", "bold red"), trouble), soft_wrap=True)
    console.print("all holds" if trial.ok else f"{len(troubles)} do not hold")


def _values(one: TriedFrame) -> str:
    if one.trouble:
        return one.trouble
    parts = []
    for name, value in one.back.items():
        unit = one.units[name]
        parts.append(f"{name} {value:.10g}" + ("" if unit == "none" else f" {unit.replace('_s', '/s')}"))
    return ", ".join(parts) or "-"


def _mark(is_good: bool) -> str:
    return "[green]ok[/green]" if is_good else "[red]no[/red]"
