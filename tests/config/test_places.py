"""Where things lie: the layout of a state folder and its limits."""

from __future__ import annotations

import os
import socket
import stat
from pathlib import Path

import pytest

from controller.config.errors import InputError
from controller.config.places import SOCKET_PATH_BYTES_MAX, StateDir, default_state_root, shipped


def test_open_makes_a_private_folder(tmp_path: Path) -> None:
    """The state folder and its parts exist afterwards and are nobody else's."""
    state = StateDir.open(tmp_path / "deep" / "boathouse", "boathouse")
    for folder in (state.root, state.run, state.runs, state.twin, state.reports):
        assert folder.is_dir()
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def test_open_again_changes_nothing(tmp_path: Path) -> None:
    """Opening a folder that exists keeps what is in it."""
    state = StateDir.open(tmp_path, "boathouse")
    state.latch.write_text("{}")
    assert StateDir.open(tmp_path, "boathouse").latch.read_text() == "{}"


def test_all_paths_lie_inside_and_differ(tmp_path: Path) -> None:
    """No two things share a path, and none lies outside the root."""
    state = StateDir(tmp_path)
    names = [name for name, value in vars(StateDir).items() if isinstance(value, property)]
    paths = [getattr(state, name) for name in names]
    assert len(paths) >= 12
    assert len(set(paths)) == len(paths)
    assert all(path.is_relative_to(tmp_path) for path in paths)


def test_kernel_takes_the_longest_allowed_socket_path(tmp_path: Path) -> None:
    """The limit is the kernel's: 107 bytes bind, 108 do not (unix(7), sun_path of 108 with its zero byte)."""
    base = str(tmp_path) + "/"
    longest = base + "s" * (SOCKET_PATH_BYTES_MAX - len(os.fsencode(base)))
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as listener:
        listener.bind(longest)
    with (
        socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as listener,
        pytest.raises(OSError, match="too long"),
    ):
        listener.bind(longest + "s")


def test_too_deep_a_folder_is_refused_before_anything_is_made(tmp_path: Path) -> None:
    """A root whose sockets could not be bound is refused with a way out, and no folder is left behind."""
    root = tmp_path / ("deep" * 30)
    with pytest.raises(InputError, match="--state"):
        StateDir.open(root, "boathouse")
    assert not root.exists()


def test_limit_counts_bytes_not_letters() -> None:
    """A path of 2-byte letters is measured in bytes, as the kernel does."""
    letters = SOCKET_PATH_BYTES_MAX - len("/") - len("/run/control.sock")
    StateDir(Path("/" + "a" * letters)).check_socket_paths()
    with pytest.raises(InputError):
        StateDir(Path("/" + "ö" * letters)).check_socket_paths()


def test_unwritable_place_is_one_mistake(tmp_path: Path) -> None:
    """A root that cannot be made (a file stands there) is bad input."""
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="state folder"):
        StateDir.open(tmp_path / "file" / "boathouse", "boathouse")


def test_run_folders_sort_and_count(tmp_path: Path) -> None:
    """Run folders carry a number that goes up from what is on disk."""
    state = StateDir.open(tmp_path, "boathouse")
    assert state.next_run_number() == 1
    state.run_folder(1, "homing").mkdir()
    state.run_folder(12, "moon").mkdir()
    (state.runs / "notes").mkdir()
    assert state.run_folder(12, "moon").name == "0012-moon"
    assert state.next_run_number() == 13


@pytest.mark.parametrize("what", ["../up", "", "a/b", "Moon", ".hidden"])
def test_run_folder_takes_plain_names_only(tmp_path: Path, what: str) -> None:
    """A name from outside cannot lead out of the runs folder."""
    with pytest.raises(ValueError, match="expected small letters"):
        StateDir(tmp_path).run_folder(1, what)


def test_default_is_the_machines_own(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Without --state, machines keep apart under the account's state folder (XDG Base Directory: XDG_STATE_HOME)."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    assert default_state_root("boathouse") == tmp_path / "giornata" / "boathouse"
    assert default_state_root("attic") != default_state_root("boathouse")


@pytest.mark.parametrize("name", ["machines/none.toml", "../pyproject.toml", "machines"])
def test_unknown_shipped_file_lists_what_there_is(name: str) -> None:
    """Asking for a file that is not shipped names those that are; nothing outside is reachable."""
    with pytest.raises(InputError, match=r"machines/boathouse\.toml"):
        shipped(name)
