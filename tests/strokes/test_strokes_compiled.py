"""Compiled loops of this room call nothing of another module, so that kept code cannot outlive a change."""

from __future__ import annotations

import ast
from pathlib import Path

ROOM = Path(__file__).parents[2] / "controller" / "strokes"


def borrowed(source: str) -> list[str]:
    """Names that a module with compiled functions takes from modules of ours, but for the decorator itself."""
    tree = ast.parse(source)
    uses = any(
        isinstance(node, ast.FunctionDef)
        and any(ast.unparse(one) == "compiled" for one in node.decorator_list)
        for node in ast.walk(tree)
    )
    return [
        alias.name
        for node in ast.walk(tree)
        if uses and isinstance(node, ast.ImportFrom) and (node.module or "").startswith("controller")
        for alias in node.names
        if alias.name != "compiled"
    ]


def test_compiled_modules_stand_alone() -> None:
    """Every module whose functions are compiled imports nothing else of ours; a bad sample is found."""
    modules = sorted(ROOM.glob("*.py"))
    assert any("@compiled" in path.read_text() for path in modules)
    for path in modules:
        assert borrowed(path.read_text()) == [], path.name
    bad = "from controller.strokes.x import helper\n\n@compiled\ndef f(x):\n    return helper(x)\n"
    assert borrowed(bad) == ["helper"]
