"""Compiled loops that are kept on disk do not outlive a change of what is built into them."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOM = Path(__file__).parents[2] / "controller" / "motion"

INNER = '''"""The inner part."""
from controller.motion.compiled import compiled


@compiled
def inner(x):
    return {factor}.0 * x
'''
OUTER = '''"""The outer part, which calls the inner one."""
from controller.motion.compiled import compiled
from controller.motion.inner_part import inner


@compiled
def outer(x):
    return inner(x) + 1.0


print(outer(1.0), sum(outer.stats.cache_hits.values()))
'''


def test_code_is_kept_and_never_outlives_a_change_of_a_module_that_it_calls(tmp_path: Path) -> None:
    """A room of its own with two modules: the second run takes kept code (numba counts its hits), the third, after a
    change of the inner module only, gives the new result. The compiler by itself would give the old one."""
    package = tmp_path / "controller"
    room = package / "motion"
    room.mkdir(parents=True)
    (package / "__init__.py").write_text("")
    (room / "__init__.py").write_text("")
    shutil.copy(ROOM / "compiled.py", room)
    (room / "outer_part.py").write_text(OUTER)

    def run() -> list[str]:
        done = subprocess.run(
            [sys.executable, "-m", "controller.motion.outer_part"],
            cwd=tmp_path, env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        return done.stdout.split()

    inner = room / "inner_part.py"
    inner.write_text(INNER.format(factor=2))
    assert run() == ["3.0", "0"]
    assert run() == ["3.0", "1"]
    before = inner.stat()
    inner.write_text(INNER.format(factor=5))
    os.utime(inner, ns=(before.st_atime_ns, before.st_mtime_ns + 1_000_000))
    assert run() == ["6.0", "0"]
