"""The simulated gantry's folder: ``state.json``, ``canvas.npz``, ``motion.npz``, ``canvas.png``.

Owns reading and writing them, each whole or not at all. An unreadable file is put aside (``.unreadable``), never
overwritten unseen. ``lock`` is held by the one process that lives in the folder; the kernel drops it with its holder.
"""

from __future__ import annotations

import fcntl
import json
import os
import time
import zipfile
from pathlib import Path
from typing import Any

from drivers.twin.canvas import Canvas
from drivers.twin.gantry import Gantry
from drivers.twin.keeper import STATE, write_state
from drivers.twin.record import MotionRecord, boot_id

_NOT_OURS = (OSError, KeyError, ValueError, TypeError, IndexError, EOFError, zipfile.BadZipFile)
CANVAS, MOTION, PICTURE = "canvas.npz", "motion.npz", "canvas.png"


class FolderBusyError(Exception):
    """Another simulated gantry lives in the folder."""


def lock(folder: Path, patience_s: float) -> int:
    """Hold ``folder`` for this process; the descriptor that holds it. Waits up to ``patience_s`` for another's end.

    It is the folder itself that is locked, so no file is left over. Raises FolderBusyError.
    """
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    deadline_s = time.monotonic() + patience_s
    while True:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() < deadline_s:
                time.sleep(0.05)
                continue
            os.close(descriptor)
            raise FolderBusyError(
                f"{folder}: expected a free folder, got one in which another simulated gantry lives"
            ) from None
        return descriptor


def save_state(gantry: Gantry, folder: Path) -> None:
    """Write ``state.json`` atomically, also while a child of this process writes it."""
    write_state(folder, state_text(gantry.state()))


def state_text(state: dict[str, Any]) -> str:
    """What ``state.json`` says of ``Gantry.state``."""
    return json.dumps(state, indent=1) + "\n"


def save_all(gantry: Gantry, folder: Path, *, picture: bool = True) -> None:
    """Write everything; the folder is made when missing."""
    folder.mkdir(parents=True, exist_ok=True)
    gantry.flush_contact()
    save_state(gantry, folder)
    gantry.canvas.save(folder / CANVAS)
    gantry.record().save(folder / MOTION)
    if picture:
        from drivers.twin.picture import save_picture

        save_picture(gantry.canvas, folder / PICTURE)


def restore(gantry: Gantry, folder: Path) -> list[str]:
    """Continue an earlier life from ``folder``. Returns what could not be read (put aside)."""
    troubles: list[str] = []
    canvas: Canvas | None = None
    try:
        canvas = Canvas.load(folder / CANVAS)
    except FileNotFoundError:
        pass
    except _NOT_OURS as error:
        troubles.append(_put_aside(folder / CANVAS, error))
    try:
        gantry.restore(json.loads((folder / STATE).read_text()), canvas)
    except FileNotFoundError:
        if canvas is not None:
            gantry.canvas = canvas
    except _NOT_OURS as error:
        troubles.append(_put_aside(folder / STATE, error))
    try:
        earlier = MotionRecord.load(folder / MOTION)
        if earlier.boot == boot_id() and earlier.end_ns <= gantry.now_ns:
            gantry.recorder.continue_from(earlier)
    except FileNotFoundError:
        pass
    except _NOT_OURS as error:
        troubles.append(_put_aside(folder / MOTION, error))
    return troubles


def _put_aside(path: Path, error: Exception) -> str:
    aside = path.with_name(path.name + ".unreadable")
    os.replace(path, aside)  # noqa: PTH105
    return f"{path}: expected a file of this program, got {error}; kept as {aside.name}"
