"""Files are left unread where only one mark's tests are asked for; no test of that mark may be lost by it."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest

from tests.conftest import MARKED, hidden, pytest_ignore_collect


def _asked(path: Path, expression: str) -> bool | None:
    config = SimpleNamespace(option=SimpleNamespace(markexpr=expression))
    return pytest_ignore_collect(path, config)  # type: ignore[arg-type]


def test_a_file_without_the_mark_is_left_only_where_the_mark_is_asked_for(tmp_path: Path) -> None:
    """The mark may stand in the file or in its folder's conftest; other questions read every file."""
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    plain, timed, beside = (
        tmp_path / "a/test_plain.py",
        tmp_path / "a/test_timed.py",
        tmp_path / "b/test_it.py",
    )
    plain.write_text("def test_it() -> None: ...")
    timed.write_text("pytestmark = pytest.mark.realtime")
    beside.write_text("def test_it(bench) -> None: ...")
    beside.with_name("conftest.py").write_text("pytest.param(1, marks=pytest.mark.realtime)")
    files = (plain, timed, beside, beside.with_name("conftest.py"), tmp_path)
    for expression in ("realtime", "realtime and not campaign"):
        assert [_asked(path, expression) for path in files] == [True, None, None, None, None]
    assert [_asked(path, "campaign") for path in files[:3]] == [True, True, True]
    for expression in ("", "not realtime", "not realtime and not campaign", "realtime or campaign"):
        assert [_asked(path, expression) for path in files] == [None] * 5


def test_the_check_has_what_it_asks_for() -> None:
    """Each question that ``make check`` and ``make faults`` ask by one mark is known here as they write it."""
    text = (Path(__file__).parents[1] / "Makefile").read_text()
    for expression in ("realtime and not campaign", "campaign"):
        assert expression in MARKED
        assert f'-m "{expression}"' in text or f"-m {expression}\n" in text


def test_a_mark_that_would_not_be_seen_is_refused(tmp_path: Path, request: pytest.FixtureRequest) -> None:
    """A test that was given its mark by another module is named; one whose file gives it is not."""
    path = tmp_path / "test_far.py"
    path.write_text("pytestmark = far.TIMED")
    near = tmp_path / "test_near.py"
    near.write_text("pytestmark = pytest.mark.realtime")

    def item(where: Path) -> SimpleNamespace:
        return SimpleNamespace(
            nodeid=where.name,
            path=where,
            get_closest_marker=lambda mark: True if mark == "realtime" else None,
        )

    assert hidden([item(path), item(near)]) == ["test_far.py: realtime"]  # type: ignore[list-item]
    assert hidden(request.session.items) == []
