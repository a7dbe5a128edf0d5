"""Trials on a disk that is truly full: a small file system in memory, mounted where nobody else sees it.

Owns the mount: a process in a mount namespace of its own (and a user namespace, where the account may not mount) puts
a tmpfs of a few MB on the trial's folder and plays there; its trials come back as JSON lines. The gantry's own record
lies outside: it is the world, not the computer.
"""

from __future__ import annotations

import dataclasses
import errno
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from tests.faults.judge import Bound, Trial

SIZE = "16m"
_MOUNT = f'mount -t tmpfs -o size={SIZE} none "$0" && exec "$@"'


@cache
def namespace() -> tuple[str, ...]:
    """The words that give a process mounts of its own; none where this computer permits no such thing."""
    for words in (("unshare", "-m"), ("unshare", "-Urm")):
        try:
            done = subprocess.run(
                (*words, "sh", "-c", _MOUNT, "/mnt", "true"), capture_output=True, timeout=20, check=False
            )
        except OSError:
            continue
        if done.returncode == 0:
            return words
    return ()


def play_inside(kind: str, seed: int, folder: Path, only: int | None) -> Iterator[Trial]:
    """The trials of ``kind``, played by a process for which ``folder/disk`` is the small disk."""
    disk = folder / "disk"
    disk.mkdir(exist_ok=True)
    words = (
        *namespace(), "sh", "-c", _MOUNT, str(disk), sys.executable, "-m", "tests.faults.fulldisk",
        kind, str(seed), str(folder), "" if only is None else str(only),
    )  # fmt: skip
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        for line in child.stdout:
            raw = json.loads(line)
            bound = raw.pop("bound")
            yield Trial(**raw, bound=None if bound is None else Bound(**bound))
    if child.returncode:
        raise RuntimeError(f"expected the trials on the small disk to end with 0, got {child.returncode}")


def fill(folder: Path) -> None:
    """Write until not one byte more is taken. Raises RuntimeError when there is room without end."""
    descriptor = os.open(folder / "ballast", os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    try:
        for piece in (1 << 16, 1 << 12, 1):
            for _ in range(1 << 12):
                try:
                    os.write(descriptor, bytes(piece))
                except OSError as error:
                    if error.errno != errno.ENOSPC:
                        raise
                    break
            else:
                raise RuntimeError(f"{folder}: expected a small disk, got one that takes everything")
    finally:
        os.close(descriptor)


def main(arguments: list[str]) -> int:
    """Play inside the namespace, one JSON line a trial."""
    from tests.faults import realtime

    name, seed, folder, only = arguments
    for trial in realtime.play_here(
        realtime.REAL_BY_NAME[name],
        int(seed),
        Path(folder) / "disk",
        int(only) if only else None,
        world=Path(folder),
    ):
        print(json.dumps(dataclasses.asdict(trial)), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
