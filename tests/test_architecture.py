"""The architecture, held against the code: who may import whom, how long a file may be, what no file may name.

The tables below are the design. A new room, a new dependency or a new way through has to be written down here,
where a reviewer sees it. The checks themselves are fed bad samples: a check that cannot fail proves nothing.
"""

from __future__ import annotations

import ast
import functools
import re
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("controller", "drivers", "safety")
FOLDERS = (*PACKAGES, "tests", "configs", "docs")
LINES_MAX = 600

ORDER = (
    "config", "artwork", "strokes", "register", "motion", "calibrate.sheets", "calibrate", "stream", "session",
    "report", "page", "cli",
)  # fmt: skip
"""The controller's rooms, one way: each may import itself and those to its left."""

HARDWARE = frozenset(
    {"drivers", "drivers.can", "drivers.described", "drivers.heads", "drivers.line", "drivers.modbus"}
)

ALLOWED: dict[str, frozenset[str]] = {
    "safety": frozenset({"safety"}),
    "drivers": HARDWARE,
    "drivers.can": frozenset({"drivers", "drivers.can"}),
    "drivers.line": frozenset({"drivers", "drivers.line"}),
    "drivers.modbus": frozenset({"drivers", "drivers.line", "drivers.modbus"}),
    "drivers.described": HARDWARE,
    "drivers.heads": HARDWARE,
    "drivers.inputs": frozenset({"drivers", "drivers.inputs"}),
    "drivers.twin": HARDWARE | {"drivers.twin"},
    **{
        f"controller.{room}": frozenset(f"controller.{left}" for left in ORDER[: place + 1])
        | {"drivers", "safety"}
        for place, room in enumerate(ORDER)
    },
}
"""Room to the rooms of ours that it may import. The controller sees drivers only through their neutral part."""

WAYS_THROUGH: frozenset[tuple[str, str]] = frozenset(
    {
        # The machine file has a [twin] table; its model lives with the twin.
        ("controller.config", "drivers.twin.parameters"),
        # A drive file is read at the same door as machine and job files.
        ("controller.config.drivefile", "drivers.described.format"),
        ("controller.config.schemas", "drivers.described.format"),
        # So is a head file; what a head cannot do by itself is told with it.
        ("controller.config.headrules", "drivers.heads.headfile"),
        ("controller.config.headrules", "drivers.heads.settings"),
        ("controller.config.headrules", "drivers.heads.framing"),
        # A waving line begins with the run-up that its reading leaves out.
        ("controller.calibrate.sheets.circles", "controller.calibrate.identify_ring"),
        # A drive file is tried before there is a machine.
        ("controller.cli.drive", "drivers.described.facts"),
        ("controller.cli.drive", "drivers.described.trial"),
        # EDS files named in the machine file are read by the library that the hardware layer keeps for CANopen.
        ("controller.config.edsfile", "drivers.can.eds"),
        # Stop loops on the drives' own inputs are looked at once a tick.
        ("controller.stream.watch", "drivers.inputs.drive"),
        # The service starts the simulated process and writes its start-up file.
        ("controller.session.simulated", "drivers.twin.settings"),
        # Virtual time: gantry, wire and streamer in one process, the stop put on that wire by hand.
        ("controller.session.virtualrunner", "drivers.twin.virtual"),
        ("controller.session.virtualrunner", "drivers.twin.record"),
    }
)
"""Exceptions: (importing module or room, imported module). The simulated gantry is reached over the wire, else here."""

NUMBERS = frozenset(f"controller.{room}" for room in ORDER if room not in ("config", "cli"))

THIRD_PARTY: dict[str, frozenset[str]] = {
    "aiomqtt": frozenset({"controller.session"}),
    "can": frozenset({"drivers.can", "drivers.described", "drivers.twin"}),
    "canopen": frozenset({"drivers.can"}),
    "defusedxml": frozenset({"controller.artwork"}),
    "gpiod": frozenset({"drivers.inputs"}),
    "matplotlib": frozenset({"controller.report", "drivers.twin"}),
    "numba": frozenset({"controller.motion", "controller.strokes", "drivers.twin"}),
    "numpy": NUMBERS | {"drivers.twin"},
    "PIL": frozenset({"controller.calibrate", "controller.report", "drivers.twin"}),
    "pyarrow": frozenset({"controller.report"}),
    "platformdirs": frozenset({"controller.config"}),
    "pydantic": frozenset(
        {
            "controller.calibrate",
            "controller.calibrate.sheets",
            "controller.config",
            "controller.stream",
            "controller.session",
            "controller.report",
            "drivers",
            "drivers.described",
            "drivers.heads",
            "drivers.inputs",
            "drivers.twin",
        }
    ),
    "rich": frozenset({"controller.cli", "controller.session"}),
    "scipy": frozenset(
        {"controller.calibrate", "controller.register", "controller.strokes", "controller.report"}
    ),
    "serial": frozenset({"drivers.line"}),
    "shapely": frozenset({"controller.strokes", "controller.report"}),
    "skimage": frozenset({"controller.calibrate"}),
    "starlette": frozenset({"controller.page"}),
    "svgelements": frozenset({"controller.artwork"}),
    "tinycss2": frozenset({"controller.artwork"}),
    "typer": frozenset({"controller.cli"}),
    "uvicorn": frozenset({"controller.page"}),
}
"""Imported distribution to the rooms that may use it."""


def module_name(path: Path) -> str:
    """Dotted name of a file of ours."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def room_of(module: str) -> str | None:
    """The room that a module lives in: the longest name in the table that it begins with."""
    steps = module.split(".")
    for length in range(len(steps), 0, -1):
        name = ".".join(steps[:length])
        if name in ALLOWED:
            return name
    return None


@functools.cache
def nodes_of(source: str) -> tuple[ast.AST, ...]:
    """Every node of a file's syntax tree; most tests here look at all files."""
    return tuple(ast.walk(ast.parse(source)))


def _called(call: ast.Call) -> str:
    """The last word of what is called; empty where that is no name."""
    func = call.func
    return func.attr if isinstance(func, ast.Attribute) else func.id if isinstance(func, ast.Name) else ""


def imports_of(source: str, module: str) -> Iterator[tuple[int, str]]:
    """Line and dotted name of everything that ``source`` imports, lazily or not, by statement or by name."""
    package = module.rpartition(".")[0]
    for node in nodes_of(source):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                above = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join([*above, base] if base else above)
            for alias in node.names:
                yield node.lineno, f"{base}.{alias.name}"
        elif isinstance(node, ast.Call) and _called(node).endswith(("import_module", "__import__")):
            for argument in node.args[:1]:
                if isinstance(argument, ast.Constant) and isinstance(argument.value, str):
                    yield node.lineno, argument.value


def violations(source: str, module: str) -> list[str]:
    """What in ``source`` breaks the tables, one line each."""
    room = room_of(module)
    if room is None:
        return [] if module in PACKAGES else [f"{module}: belongs to no room in the table"]
    found: list[str] = []
    for line, name in imports_of(source, module):
        top = name.partition(".")[0]
        if top in PACKAGES:
            target = room_of(name)
            through = any(
                (module == who or room == who) and (name == what or name.startswith(what + "."))
                for who, what in WAYS_THROUGH
            )
            if target is None:
                found.append(f"{module}:{line}: imports {name}, which belongs to no room")
            elif target not in ALLOWED[room] and not through:
                found.append(f"{module}:{line}: {room} may not import {name}")
        elif top not in sys.stdlib_module_names and room not in THIRD_PARTY.get(top, frozenset()):
            found.append(f"{module}:{line}: {room} may not import {top}")
    return found


def sources() -> list[Path]:
    """Every Python file of the three packages."""
    return [path for package in PACKAGES for path in sorted((ROOT / package).rglob("*.py"))]


def texts() -> Iterator[tuple[Path, str]]:
    """Every text file that belongs to the project, with its text."""
    paths = [
        path for path in ROOT.iterdir() if path.suffix in (".md", ".toml", ".txt") or path.name == "Makefile"
    ]
    paths += [
        path for folder in FOLDERS for path in (ROOT / folder).rglob("*") if "__pycache__" not in path.parts
    ]
    for path in sorted(paths):
        if path.is_file() and path.suffix not in (".png", ".npz", ".npy", ".gz"):
            yield path, path.read_text(encoding="utf-8")


def test_imports_keep_to_the_table() -> None:
    """No module imports what its room may not: stages one way, drivers blind to us, safety alone."""
    paths = sources()
    assert len(paths) > 40
    found = [
        line for path in paths for line in violations(path.read_text(encoding="utf-8"), module_name(path))
    ]
    assert found == []


def test_every_room_is_in_the_table() -> None:
    """Every folder of code is a room in the table, and every room in the table is a folder."""
    folders = {
        ".".join(path.parent.relative_to(ROOT).parts)
        for path in sources()
        if path.parent != ROOT / "controller"
    }
    assert folders == set(ALLOWED)


def test_every_way_through_is_used() -> None:
    """An exception that nobody needs any more is taken out of the table."""
    used = {
        (who, what)
        for path in sources()
        for _, name in imports_of(path.read_text(encoding="utf-8"), module_name(path))
        for who, what in WAYS_THROUGH
        if who in (module_name(path), room_of(module_name(path)))
        and (name == what or name.startswith(what + "."))
    }
    assert used == WAYS_THROUGH


@pytest.mark.parametrize(
    ("module", "source"),
    [
        ("safety.guard", "import drivers.errors"),
        ("safety.guard", "import numpy"),
        ("safety.guard", "def f():\n    from controller.config import load"),
        ("safety.guard", "import importlib\nimportlib.import_module('drivers.can.link')"),
        ("drivers.cia402", "from safety import beat"),
        ("drivers.can.group", "from controller.config.machine import Machine"),
        ("drivers.registry", "from drivers.twin.virtual import VirtualGantry"),
        ("drivers.registry", "from .twin import virtual"),
        ("controller.artwork.read", "from controller.strokes import build"),
        ("controller.motion.plan", "from controller.stream.run import run_stream"),
        ("controller.session.daemon", "import matplotlib.pyplot as plt"),
        ("controller.session.daemon", "from drivers import twin"),
        ("controller.session.daemon", "import drivers.can.slcan"),
        ("controller.report.html", "from controller.cli import main"),
        ("controller.strokes.build", "import some_new_dependency"),
        ("controller.attic.thing", "import os"),
        ("controller.stray", "import os"),
    ],
)
def test_the_check_sees_bad_imports(module: str, source: str) -> None:
    """Each of these breaks the design, and the check says so with its line."""
    (line,) = violations(source, module)
    assert line.startswith(module)


@pytest.mark.parametrize(
    ("module", "source"),
    [
        ("safety.guard", "import os, struct\nfrom safety.beat import Beat"),
        ("drivers.registry", "def f():\n    from drivers.can import group"),
        ("controller.config.machine", "from drivers.twin.parameters import TwinParameters"),
        (
            "controller.cli.home",
            "from controller.report import html\nimport typer\nfrom safety import client",
        ),
        (
            "controller.stream.run",
            "from controller.register.homing import AxisHoming\nimport drivers.interface",
        ),
    ],
)
def test_the_check_lets_good_imports_pass(module: str, source: str) -> None:
    """What the design allows is no violation: the check is not merely always red."""
    assert violations(source, module) == []


def test_no_file_is_too_long() -> None:
    """A file past 600 lines wants a room of its own."""
    long = [
        f"{path.relative_to(ROOT)}: {lines} lines"
        for path, text in texts()
        if path.suffix == ".py" and (lines := text.count("\n")) > LINES_MAX
    ]
    assert long == []


def test_every_module_says_what_it_owns() -> None:
    """Every module opens with a docstring of more than a word."""
    bare = [
        module_name(path)
        for path in sources()
        if len(ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "") < 20
    ]
    assert bare == []


EVERYWHERE = frozenset({"/", "/dev", "/etc", "/home", "/mnt", "/opt", "/run", "/srv", "/tmp", "/usr", "/var"})
"""Folders of every Linux machine (Filesystem Hierarchy Standard); naming them tells nothing."""


def machine_paths(text: str, places: tuple[Path, ...]) -> list[str]:
    """Which of ``places`` are named in ``text``."""
    return [str(place) for place in places if f"{place}/" in text or text.rstrip().endswith(str(place))]


def test_no_file_names_a_path_of_this_machine() -> None:
    """Nothing in the project names the folder that it happens to lie in, one above it, nor anybody's home."""
    places = tuple(place for place in {ROOT, *ROOT.parents, Path.home()} if str(place) not in EVERYWHERE)
    found = [
        f"{path.relative_to(ROOT)}: {name}" for path, text in texts() for name in machine_paths(text, places)
    ]
    assert found == []
    assert machine_paths(f"see {ROOT}/docs", places)


RATING = re.compile(
    r"\b(?:PL ?[a-e]|SIL ?-?[1-4]|(?:safety[- ])?(?:certified|rated) (?:software|program|daemon|guard))\b"
)
"""Ways of claiming a safety rating. ISO 13849-1 and IEC 61508 name levels so."""


def test_no_text_claims_a_safety_rating() -> None:
    """Nothing in the project claims a performance or integrity level: no software here may."""
    found = [
        f"{path.relative_to(ROOT)}: {match[0]}"
        for path, text in texts()
        if path.suffix in (".md", ".toml", ".svg") or path.is_relative_to(ROOT / "controller")
        if (match := RATING.search(text))
    ]
    assert found == []
    for claim in ("reaches PL d", "SIL 2 capable", "a safety-rated guard"):
        assert RATING.search(claim)


def test_every_dependency_earns_its_place() -> None:
    """Each library that we depend on has its row in the decision record, and the tables name no other."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    wanted = [*project["dependencies"], *extras["gpio"], *extras["page"], *extras["photo"], *extras["tables"]]
    names = {re.split(r"[<>=\[ ]", one)[0] for one in wanted}
    record = (ROOT / "docs/decisions/0002-dependencies.md").read_text(encoding="utf-8")
    rows = {
        name.strip()
        for line in record.splitlines()
        if line.startswith("| ") and not line.startswith("| dependency")
        for name in line.split("|")[1].split(",")
    }
    assert rows == names
    imported = {"pillow": "PIL", "pyserial": "serial", "python-can": "can", "scikit-image": "skimage"}
    assert set(THIRD_PARTY) == {imported.get(name, name) for name in names}


LINK = re.compile(r"\]\((?!https?:)([^)#\s]+)\)")


def test_links_between_documents_lead_somewhere() -> None:
    """Every relative link in README, DEVELOPERS and docs points at something that is there."""
    pages = [(path, text) for path, text in texts() if path.suffix == ".md"]
    links = [(path, target) for path, text in pages for target in LINK.findall(text)]
    assert len(links) > 5
    assert [f"{path.name}: {target}" for path, target in links if not (path.parent / target).exists()] == []
