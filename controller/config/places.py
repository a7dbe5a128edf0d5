"""Where things lie: shipped configuration, and the layout of a machine's state directory.

Owns paths only; reads and writes no content. Every process of one machine finds its sockets and files through
``StateDir``, so that two machines never share one.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path

from controller.config.errors import InputError, Mistake

SOCKET_PATH_BYTES_MAX = 107
"""Longest path of a Unix socket in bytes: sun_path has 108 (unix(7)) and ends in a zero byte."""

_RUN_FOLDER = re.compile(r"^(\d{4,})-")


def shipped_root() -> Path:
    """The folder of the shipped machines, jobs and schemas: inside the installed package, or in the checkout."""
    packaged = Path(__file__).parent / "shipped"
    return packaged if packaged.is_dir() else Path(__file__).parents[2] / "configs"


def shipped(name: str) -> Path:
    """The shipped file ``name``, such as ``machines/boathouse.toml``. Raises InputError listing what there is."""
    root = shipped_root()
    path = root / name
    if ".." in Path(name).parts or not path.is_file():
        known = sorted(str(one.relative_to(root)) for one in root.rglob("*.toml"))
        raise InputError(
            [Mistake(root, "shipped file", f"one of {', '.join(known)}", name, code="shipped-file")]
        )
    return path


def default_state_root(machine: str) -> Path:
    """Where the state of the machine named ``machine`` is kept when nobody says otherwise."""
    from platformdirs import user_state_path

    return user_state_path("giornata") / machine


@dataclass(frozen=True, slots=True)
class StateDir:
    """Layout of one machine's state directory. ``open`` checks and creates it; the properties only name paths."""

    root: Path

    @classmethod
    def at(cls, root: Path | None, machine: str) -> StateDir:
        """The same by name only: nothing is made, and nothing is asked of its path. For whoever only reads there."""
        return cls((root if root is not None else default_state_root(machine)).expanduser().absolute())

    @classmethod
    def for_session(cls, root: Path | None, machine: str) -> StateDir:
        """The same for whoever will open a session there: nothing is made.

        Raises InputError when a socket's path would be too long.
        """
        state = cls.at(root, machine)
        state.check_socket_paths()
        return state

    @classmethod
    def open(cls, root: Path | None, machine: str) -> StateDir:
        """The state directory at ``root`` (the account's own for ``machine`` if None), made when it is missing.

        Raises InputError when a socket's path would be too long or the folder cannot be made.
        """
        state = cls.for_session(root, machine)
        try:
            for folder in (state.root, state.run, state.runs, state.twin, state.reports):
                folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(
                [
                    Mistake(
                        state.root,
                        "state folder",
                        "a folder that can be written",
                        error.strerror or str(error),
                        code="file-unwritable",
                    )
                ]
            ) from None
        return state

    def check_socket_paths(self) -> None:
        """Raise InputError when a socket's path exceeds what the kernel takes (bind would fail much later)."""
        longest = max(
            (self.control_socket, self.beat_socket, self.stop_socket, self.input_socket),
            key=lambda path: len(os.fsencode(path)),
        )
        length = len(os.fsencode(longest))
        if length > SOCKET_PATH_BYTES_MAX:
            raise InputError(
                [
                    Mistake(
                        self.root,
                        "state folder",
                        f"a path short enough for sockets (up to {SOCKET_PATH_BYTES_MAX} bytes with "
                        f"{longest.relative_to(self.root)})",
                        f"{length} bytes; choose a shorter one with --state",
                        code="state-path-long",
                    )
                ]
            )

    @property
    def journal(self) -> Path:
        """SQLite journal of sessions, homings, passes and strokes."""
        return self.root / "journal.sqlite"

    @property
    def latch(self) -> Path:
        """The latched stop, when there is one."""
        return self.root / "latch.json"

    @property
    def lock(self) -> Path:
        """File lock of the one service that may drive this machine."""
        return self.root / "lock"

    @property
    def run(self) -> Path:
        """Sockets and start-up files of the processes that live now."""
        return self.root / "run"

    @property
    def control_socket(self) -> Path:
        """The service's control socket."""
        return self.run / "control.sock"

    @property
    def beat_socket(self) -> Path:
        """Beats from streamer to guard."""
        return self.run / "beat.sock"

    @property
    def stop_socket(self) -> Path:
        """Stop requests to the guard."""
        return self.run / "stop.sock"

    @property
    def input_socket(self) -> Path:
        """Reports of stop inputs to the guard."""
        return self.run / "inputs.sock"

    @property
    def guard_settings(self) -> Path:
        """What the guard is told when it starts."""
        return self.run / "guard.json"

    @property
    def twin_settings(self) -> Path:
        """What the simulated gantry is told when it starts."""
        return self.run / "twin.json"

    @property
    def runs(self) -> Path:
        """One folder for every life of the streamer."""
        return self.root / "runs"

    def run_folder(self, number: int, what: str) -> Path:
        """Folder of run ``number``, such as ``runs/0007-moon``. ``what`` must be a plain name."""
        if not re.fullmatch(r"[a-z0-9][a-z0-9-]*", what):
            raise ValueError(f"expected small letters, digits and hyphens, got {what!r}")
        return self.runs / f"{number:04d}-{what}"

    def next_run_number(self) -> int:
        """One more than the highest run number on disk; 1 for the first."""
        if not self.runs.is_dir():
            return 1
        numbers = [int(match[1]) for one in self.runs.iterdir() if (match := _RUN_FOLDER.match(one.name))]
        return max(numbers, default=0) + 1

    @property
    def twin(self) -> Path:
        """State of the simulated gantry between its lives."""
        return self.root / "twin"

    @property
    def reports(self) -> Path:
        """Finished reports."""
        return self.root / "reports"
