"""What the code itself must show: safety stands alone, and nobody else can write or remove a latch."""

from __future__ import annotations

import ast
import functools
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
# The one way from a person's command to the latch, and the service's own latch when no guard is left to write one.
MAY_CLEAR = frozenset({"controller/session/daemon.py"})
MAY_WRITE = frozenset({"controller/session/processrunner.py"})
REMOVERS = frozenset(
    {"unlink", "remove", "rename", "renames", "replace", "rmdir", "rmtree", "removedirs", "move", "truncate"}
)
WRITERS = frozenset(
    {"write_text", "write_bytes", "write", "update_standstill", "touch", "open", "dump", "symlink_to"}
)


@functools.cache
def parsed(path: Path) -> ast.Module:
    """A file's syntax tree; most tests here look at all of them."""
    return ast.parse(path.read_text())


def modules(*rooms: str, root: Path = ROOT) -> Iterator[tuple[str, ast.Module]]:
    for room in rooms:
        for path in sorted((root / room).rglob("*.py")):
            yield path.relative_to(root).as_posix(), parsed(path)


def imported(tree: ast.Module) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield ("." * node.level) + (node.module or "")
        elif isinstance(node, ast.Call):
            yield from (
                f"call of {word.id}"
                for word in ast.walk(node.func)
                if isinstance(word, ast.Name) and word.id == "__import__"
            )


def foreign(tree: ast.Module) -> list[str]:
    """Imports that neither the standard library nor safety provides."""
    allowed = sys.stdlib_module_names - {"importlib"}
    return [name for name in imported(tree) if name.split(".")[0] not in allowed | {"safety"}]


def latch_offences(tree: ast.Module, may_clear: bool = False, may_write: bool = False) -> list[str]:
    """Calls that write, move or remove a latch: by the latch module's functions, or by file calls on its path."""
    aliases = {"latch"}
    bare: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module == "safety":
            aliases |= {name.asname or name.name for name in node.names if name.name == "latch"}
        if isinstance(node, ast.ImportFrom) and node.module == "safety.latch":
            bare |= {
                name.asname or name.name
                for name in node.names
                if name.name not in ("read", "Latch", "now_text")
            }
        if isinstance(node, ast.Import):
            aliases |= {name.asname for name in node.names if name.name == "safety.latch" and name.asname}
    found = [
        f"imports {name} of safety.latch"
        for name in bare
        if not (may_clear and name in ("clear", "ClearRefusedError"))
    ]
    aliases.add("safety.latch")
    for node in ast.walk(tree):
        # Any mention counts, not only a call: a function can be carried off and called elsewhere.
        if isinstance(node, ast.Attribute) and dotted(node.value) in aliases:
            name = node.attr
            if (
                (name == "clear" and not may_clear)
                or (name == "write" and not may_write)
                or name == "update_standstill"
                or name.startswith("_")
            ):
                found.append(f"line {node.lineno}: {ast.unparse(node)}")
            continue
        if (
            isinstance(node, ast.Call)
            and isinstance(node.func, ast.Name)
            and node.func.id in ("getattr", "vars", "setattr")
            and dotted(node.args[0]) in aliases
        ):
            found.append(f"line {node.lineno}: {ast.unparse(node)}")
            continue
        if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
            continue
        if node.func.attr not in REMOVERS | WRITERS or dotted(node.func.value) in aliases:
            continue
        whole = ast.unparse(node)
        if "latch" in whole.split("#")[0].lower() and "latch" in touched(node):
            found.append(f"line {node.lineno}: {whole}")
    return found


def dotted(node: ast.expr) -> str:
    """A name with its attributes as it is written; nothing for any other expression."""
    if isinstance(node, ast.Name):
        return node.id
    if isinstance(node, ast.Attribute):
        base = dotted(node.value)
        return f"{base}.{node.attr}" if base else ""
    return ""


def touched(node: ast.Call) -> str:
    """The names in what a file call works on: its object, and for removers and openers the arguments."""
    assert isinstance(node.func, ast.Attribute)
    parts: list[ast.AST] = [node.func.value]
    if node.func.attr in REMOVERS or node.func.attr == "open":
        parts += node.args
    words = []
    for part in parts:
        for word in ast.walk(part):
            if isinstance(word, ast.Name):
                words.append(word.id)
            elif isinstance(word, ast.Attribute):
                words.append(word.attr)
            elif (
                isinstance(word, ast.Constant)
                and isinstance(word.value, str)
                and word.value.endswith(".json")
            ):
                words.append(word.value)
    return " ".join(words).lower()


def test_safety_imports_the_standard_library_only() -> None:
    """The guard can be reasoned about alone: nothing of ours and nothing installed stands under it."""
    offences = {name: foreign(tree) for name, tree in modules("safety")}
    assert {name: found for name, found in offences.items() if found} == {}


@pytest.mark.parametrize(
    "line",
    ["import numpy", "from drivers import clock", "import controller.config", "from . import latch", "import importlib",
     "__import__('numpy')"],
)  # fmt: skip
def test_the_import_check_can_fail(line: str) -> None:
    """The check sees what it is there to see."""
    assert foreign(ast.parse(line))


def test_nobody_outside_safety_writes_or_removes_a_latch() -> None:
    """A latch is written by the guard and cleared by a person through one command; no other code touches it."""
    offences = {
        name: latch_offences(tree, name in MAY_CLEAR, name in MAY_WRITE)
        for name, tree in modules("controller", "drivers")
    }
    assert {name: found for name, found in offences.items() if found} == {}


def test_one_place_clears() -> None:
    """There is one road to clearing, not two."""
    places = [name for name, tree in modules("controller", "drivers") if latch_offences(tree, may_write=True)]
    assert len(places) <= 1


@pytest.mark.parametrize(
    "line",
    [
        "from safety import latch\nlatch.clear(p, 'me', 'lease-out')",
        "from safety import latch as l\nl.clear(p, 'me', 'lease-out')",
        "import safety.latch\nsafety.latch.clear(p, 'me', 'x')",
        "from safety.latch import clear\nclear(p, 'me', 'x')",
        "from safety import latch\nlatch.write(p, x)",
        "from safety import latch\nrelease = latch.clear",
        "from safety import latch\ngetattr(latch, 'cl' + 'ear')(p, 'me', 'x')",
        "from safety import latch\nlatch._write_durably(p, {})",
        "state.latch.unlink()",
        "latch_path.unlink(missing_ok=True)",
        "os.remove(settings.latch_path)",
        "shutil.move(str(state.latch), 'elsewhere')",
        "(root / 'latch.json').write_text('')",
        "latch_path.open('w')",
    ],
)
def test_the_latch_check_can_fail(line: str) -> None:
    """The check sees each way of touching a latch that it knows."""
    assert latch_offences(ast.parse(line))


@pytest.mark.parametrize(
    "line",
    [
        "from safety import latch\nfound = latch.read(state.latch)",
        "from safety.latch import Latch, read",
        "journal.write('latch seen')",
        "line.replace('a', 'b')",
    ],
)
def test_the_latch_check_lets_readers_be(line: str) -> None:
    """Reading a latch is everybody's right."""
    assert latch_offences(ast.parse(line)) == []


def test_a_planted_module_is_found(tmp_path: Path) -> None:
    """The whole check, on a tree with one module too many in each room: both rules are broken and seen.

    The same tree without the planted lines is clean, so it is these lines that are found.
    """
    clear = "from safety import latch\n\n\ndef tidy(path):\n    latch.clear(path, 'nobody', latch.read(path).reason)\n"
    for room, text in (
        ("controller/session", clear),
        ("drivers/can", clear),
        ("safety", "import drivers.errors\n"),
    ):
        folder = tmp_path / room
        folder.mkdir(parents=True)
        (folder / "sound.py").write_text("from safety import latch\n\nlatch.read(None)\n")
        (folder / "planted.py").write_text(text)
    clearing = [
        name for name, tree in modules("controller", "drivers", root=tmp_path) if latch_offences(tree)
    ]
    importing = [name for name, tree in modules("safety", root=tmp_path) if foreign(tree)]
    assert clearing == ["controller/session/planted.py", "drivers/can/planted.py"]
    assert importing == ["safety/planted.py"]


def test_the_stop_knows_no_beats() -> None:
    """Proof of standstill cannot come from the streamer where its words are not even known."""
    for name in ("standstill", "stopping", "wire", "scribe"):
        tree = ast.parse((ROOT / "safety" / f"{name}.py").read_text())
        assert "safety.beat" not in set(imported(tree)), name
        words = {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
        assert not words & {"position_um", "speed_um_s", "following_um"}, name
