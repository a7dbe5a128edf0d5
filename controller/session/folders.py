"""The layout of one machine's state directory: names only, no contents."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import platformdirs

from controller.config.errors import InputError, Mistake

SOCKET_PATH_MAX_BYTES = 107
"""sun_path of Linux holds 108 bytes with its closing zero (unix(7))."""


@dataclass(frozen=True, slots=True)
class StateFolder:
    """Where everything of one machine is kept."""

    root: Path

    @classmethod
    def of(cls, machine_name: str, given: Path | None = None) -> StateFolder:
        """The folder given, or the user's state directory for this machine."""
        root = given if given is not None else Path(platformdirs.user_state_dir("giornata")) / machine_name
        return cls(root.absolute())

    @property
    def journal(self) -> Path:
        """The SQLite journal."""
        return self.root / "journal.sqlite"

    @property
    def latch(self) -> Path:
        """Stands while a stop is latched."""
        return self.root / "latch.json"

    @property
    def lock(self) -> Path:
        """Locked by the one service that may run."""
        return self.root / "lock"

    @property
    def run(self) -> Path:
        """Sockets and settings of the processes that run now."""
        return self.root / "run"

    @property
    def control_socket(self) -> Path:
        """Where the service listens."""
        return self.run / "control.sock"

    @property
    def beat_socket(self) -> Path:
        """Where the guard takes beats."""
        return self.run / "beat.sock"

    @property
    def stop_socket(self) -> Path:
        """Where the guard takes a person's stop."""
        return self.run / "stop.sock"

    @property
    def guard_settings(self) -> Path:
        """What the guard was told."""
        return self.run / "guard.json"

    @property
    def guard_events(self) -> Path:
        """What the guard saw, one JSON object a line."""
        return self.root / "guard-events.jsonl"

    @property
    def twin_settings(self) -> Path:
        """What the simulated gantry was told."""
        return self.run / "twin.json"

    @property
    def twin(self) -> Path:
        """What the simulated gantry keeps between lives."""
        return self.root / "twin"

    @property
    def reports(self) -> Path:
        """Reports, one folder a session."""
        return self.root / "reports"

    @property
    def runs(self) -> Path:
        """One folder for every life of the streamer."""
        return self.root / "runs"

    @property
    def prepared(self) -> Path:
        """Prepared jobs, one folder each."""
        return self.root / "prepared"

    def run_folder(self, run_id: int, what: str) -> Path:
        """The folder of one life of the streamer."""
        return self.runs / f"{run_id:04d}-{what}"

    def make(self) -> None:
        """Make the folders that must be there. Raises InputError when they cannot be, or sockets would not fit."""
        for socket_path in (self.control_socket, self.beat_socket, self.stop_socket):
            length = len(bytes(socket_path))
            if length > SOCKET_PATH_MAX_BYTES:
                raise InputError([
                    Mistake(
                        self.root,
                        "--state",
                        f"a path so short that {socket_path.name} in it has at most {SOCKET_PATH_MAX_BYTES} bytes",
                        f"{length} bytes",
                    )
                ])  # fmt: skip
        for folder in (self.root, self.run, self.runs):
            try:
                folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            except OSError as error:
                raise InputError(
                    [Mistake(folder, "state directory", "a folder that can be made", str(error.strerror))]
                ) from None
