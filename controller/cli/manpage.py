"""The manual page giornata(1), written from the command line itself: ``python -m controller.cli.manpage FILE``.

Owns the page's form: sections in the order of man-pages(7), requests of the package man (groff_man(7)), letters beyond
ASCII as groff names them. What a verb does is told by its own help. The page's date is that of its last change: a page
that says the same keeps its date, so that writing it again changes nothing.
"""

from __future__ import annotations

import importlib.metadata
import re
import sys
from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Final

import typer

from controller.cli.console import PROGRAM, TRACEBACK_VARIABLE, Exit

EXITS: Final[dict[Exit, str]] = {
    Exit.DONE: "What was asked has been done.",
    Exit.FAILED: "It could not be done: the system, or a fault in the program itself.",
    Exit.BAD_INPUT: "A file, an option or an argument cannot be used. Nothing moved.",
    Exit.REFUSED: "The machine's state forbids it: a stop is latched, it is not homed, it is busy. Nothing moved.",
    Exit.HALTED: "A stop latched while the command ran; giornata status says whether standstill is proved. A person "
    "has to look and to clear it.",
    Exit.DRIVE: "The wire or a drive does not answer, or reports a fault.",
    Exit.INTERRUPTED: "Ctrl-C, SIGTERM or a gentle stop, after a controlled stop.",
}
"""What each exit code means."""

_DESCRIPTION: Final = """\
Giornata moves a wall-sized painting gantry: it plans every pen stroke of an SVG drawing sorted by ink, homes the axes,
streams velocity commands to two servo drives at exact instants, lowers and raises the pen, asks for pens, and shows
afterwards what was painted. A guard process of its own stops the axes whenever fresh proof that all is well fails to
arrive. After such a stop nothing moves until a person has looked, cleared it and homed again.

Answers go to standard output; warnings, progress and errors to standard error. With --json standard output holds
exactly one JSON object, also when the command fails.
"""

_FILES: Final = (
    (
        "~/.local/state/giornata/MACHINE/",
        "What one machine remembers, elsewhere with --state: journal, latch, logs, prepared jobs, reports.",
    ),
    ("MACHINE/journal.sqlite", "Sessions, homings, passes, strokes, pens, calibration."),
    (
        "MACHINE/latch.json",
        "The stop that stands. Nothing moves while it is there; giornata clear removes it.",
    ),
    (
        "MACHINE/runs/",
        "One folder for each life of the streamer, with its timing log.",
    ),
    (
        "MACHINE/run/",
        "Sockets of the processes that live: control.sock of the service, stop.sock of the guard.",
    ),
)

_ENVIRONMENT: Final = (
    (TRACEBACK_VARIABLE, "When set, a fault in the program itself is shown with where it came from."),
    ("XDG_STATE_HOME", "Where the states of machines lie; ~/.local/state if not set."),
    ("SUDO_USER, USER", "Whose name is written down beside what a person did."),
    ("NOTIFY_SOCKET, WATCHDOG_USEC", "Set by a service manager; giornata serve speaks to it (sd_notify(3))."),
)

_CAVEATS: Final = """\
This program is no safety device and claims no safety rating. The machine has to come to rest by its own hardware (limit
switches that cut motor power, an emergency-stop circuit, a brake on every axis that can fall), whatever this program
does or fails to do. Power off and locked out before hands go into the machine; follow local codes.
"""

_SEE_ALSO: Final = (("chrt", 1), ("limits.conf", 5), ("systemd.service", 5), ("sd_notify", 3))

_GLYPHS: Final = {
    "\\": r"\e", "'": r"\(aq", "^": r"\(ha", "~": r"\(ti", "`": r"\(ga", '"': r"\(dq", "\u2013": r"\(en",
}  # fmt: skip
_OPTION: Final = re.compile(r"(?<![\w\\-])--?[A-Za-z][\w-]*")


def text(words: str) -> str:
    """Words as roff takes them: no escape, no quote and no letter that means something else; options keep hyphens."""
    plain = "".join(
        _GLYPHS.get(letter, letter if letter.isascii() else f"\\[u{ord(letter):04X}]")
        for letter in " ".join(words.split())
    )
    plain = _OPTION.sub(lambda found: found[0].replace("-", r"\-"), plain)
    return rf"\&{plain}" if plain.startswith((".", "\\(aq")) else plain


def page(on: date) -> str:
    """The whole page as of a day."""
    from controller.cli.main import app

    command: Any = typer.main.get_command(app)
    version = importlib.metadata.version(PROGRAM)
    lines = [
        r".\" Written by python -m controller.cli.manpage from the program's own help; changes belong there.",
        f'.TH {PROGRAM.upper()} 1 {on.isoformat()} "{PROGRAM} {version}" "User Commands"',
        ".SH NAME",
        rf"{PROGRAM} \- paint pictures with a wall-sized gantry",
        ".SH SYNOPSIS",
        f".B {PROGRAM}",
        ".I COMMAND",
        r".RI [ OPTION ].\|.\|.",
        r".RI [ ARGUMENT ].\|.\|.",
        ".SH DESCRIPTION",
        *_paragraphs(_DESCRIPTION),
        ".SH COMMANDS",
        *_commands(command, ()),
        ".SH OPTIONS",
        "These stand without a command.",
        *_options(command),
        *_tagged([("--help", "Show what the program, or a command, can be told, and exit.")]),
        ".SH EXIT STATUS",
        *_tagged([(str(int(code)), EXITS[code]) for code in Exit]),
        ".SH ENVIRONMENT",
        *_tagged(_ENVIRONMENT),
        ".SH FILES",
        *_tagged(_FILES),
        ".SH CAVEATS",
        *_paragraphs(_CAVEATS),
        ".SH SEE ALSO",
        *_see_also(),
    ]
    return "\n".join(lines) + "\n"


def date_of(written: str) -> date | None:
    """The date in a page's title line; None in what is no page of ours."""
    found = re.search(r"^\.TH \S+ 1 (\d{4}-\d\d-\d\d) ", written, re.MULTILINE)
    return date.fromisoformat(found[1]) if found else None


def is_fresh(written: str) -> bool:
    """Whether a page says what the program says, whatever its date."""
    on = date_of(written)
    return on is not None and page(on) == written


def write(path: Path, today: date) -> bool:
    """Write the page where it is missing or stale; answers whether it was."""
    if path.is_file() and is_fresh(path.read_text(encoding="utf-8")):
        return False
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(page(today), encoding="utf-8")
    return True


def _paragraphs(all_words: str) -> Iterator[str]:
    for place, words in enumerate(all_words.strip().split("\n\n")):
        if place:
            yield ".P"
        yield text(words)


def _tagged(rows: Iterable[tuple[str, str]]) -> Iterator[str]:
    for tag, words in rows:
        yield ".TP"
        yield rf"\fB{text(tag)}\fP"
        yield text(words)


def _commands(group: Any, above: tuple[str, ...]) -> Iterator[str]:
    for name, command in group.commands.items():
        if command.hidden:
            continue
        if hasattr(command, "commands"):
            yield from _group(command, (*above, name))
            continue
        yield f".SS {text(' '.join((*above, name)))}"
        yield ".P"
        yield _usage(command, (*above, name))
        for words in (command.help or "").split("\n\n"):
            yield ".P"
            yield text(words)
        yield from _options(command)


def _group(command: Any, names: tuple[str, ...]) -> Iterator[str]:
    yield f".SS {text(' '.join(names))}"
    yield ".P"
    yield text(command.help or "")
    yield from _commands(command, names)


def _usage(command: Any, names: tuple[str, ...]) -> str:
    parts = [rf"\fB{PROGRAM} {' '.join(names)}\fP"]
    for one in command.params:
        if one.param_type_name == "argument":
            name = one.metavar or one.name.upper()
            parts.append(rf"\fI{text(name)}\fP" if one.required else rf"[\fI{text(name.strip('[]'))}\fP]")
    needed = [one for one in command.params if one.param_type_name == "option" and one.required]
    parts += [rf"\fB{text(max(one.opts, key=len))}\fP \fI{text(_takes(one, command))}\fP" for one in needed]
    if any(one.param_type_name == "option" and not one.required for one in command.params):
        parts.append(r"[\fIOPTION\fP].\|.\|.")
    return " ".join(parts)


def _options(command: Any) -> Iterator[str]:
    for one in command.params:
        if getattr(one, "hidden", False) or not one.help or "--help" in one.opts:
            continue
        yield ".TP"
        yield (
            rf"\fI{text(one.metavar or one.name.upper())}\fP"
            if one.param_type_name == "argument"
            else _names(one, command)
        )
        yield text(one.help + _default(one))


def _names(one: Any, command: Any) -> str:
    names = ", ".join(rf"\fB{text(name)}\fP" for name in sorted(one.opts, key=len))
    return names if one.is_flag else rf"{names} \fI{text(_takes(one, command))}\fP"


def _takes(one: Any, command: Any) -> str:
    """What an option takes: its own word, its choices, or the name of its type."""
    if one.metavar:
        return str(one.metavar)
    kind = str(one.display_type(typer.Context(command))).strip("[]<>")
    return kind if "|" in kind else kind.upper()


def _default(one: Any) -> str:
    """The default where it says something."""
    plain = isinstance(one.default, str | int | float | Path) and not isinstance(one.default, bool)
    if one.param_type_name != "option" or not plain or one.show_default is False or one.default == "":
        return ""
    return f" Default: {one.default}."


def _see_also() -> Iterator[str]:
    for place, (name, section) in enumerate(sorted(_SEE_ALSO, key=lambda one: (one[1], one[0]))):
        comma = "," if place < len(_SEE_ALSO) - 1 else ""
        yield rf".BR {name.replace('-', chr(92) + '-')} ({section}){comma}"


if __name__ == "__main__":
    for argument in sys.argv[1:]:
        written = write(Path(argument), datetime.now(UTC).date())
        sys.stdout.write(f"{argument}: {'written' if written else 'says what the program says'}\n")
