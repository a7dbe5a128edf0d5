"""Compiled mechanics do not outlive a change of what they are made of."""

from __future__ import annotations

import importlib
import re
from pathlib import Path

import numba
import pytest

from drivers.twin import compiled as compiled_module

FOLDER = Path(compiled_module.__file__).parent


def test_every_compiled_module_counts_for_the_age_of_kept_code() -> None:
    """Whoever uses the decorator, and what such modules take their constants from, is among the parts."""
    users = {
        path.stem
        for path in FOLDER.glob("*.py")
        if re.search(r"^@compiled$", path.read_text(encoding="utf-8"), re.MULTILINE)
    }
    assert len(users) > 2
    assert users <= set(compiled_module._PARTS)
    assert all((FOLDER / f"{part}.py").exists() for part in compiled_module._PARTS)
    assert not [
        path for path in FOLDER.glob("*.py") if "njit" in path.read_text() and path.stem != "compiled"
    ]


@pytest.mark.parametrize("part", ["physics", "elastic", "tip", "playback"])
def test_kept_code_carries_the_age_of_all_parts(part: str) -> None:
    """The compiler compares this mark before it takes code from disk (numba keeps it in the index of its cache)."""
    module = importlib.import_module(f"drivers.twin.{part}")
    made = [one for one in vars(module).values() if isinstance(one, numba.core.registry.CPUDispatcher)]
    assert made
    for one in made:
        assert one._cache._cache_file._source_stamp == compiled_module._stamp()


def test_a_changed_part_makes_another_mark(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One byte more in any part is another mark."""
    for part in compiled_module._PARTS:
        (tmp_path / f"{part}.py").write_text("1")
    monkeypatch.setattr(compiled_module, "__file__", str(tmp_path / "compiled.py"))
    before = compiled_module._stamp()
    (tmp_path / "elastic.py").write_text("12")
    assert compiled_module._stamp() != before
