"""A pass' timing summary, beside the session: ``python -m controller.session.mqttsummary JOURNAL SESSION PASS``.

Owns how a summary is made, in a process of its own: a long pass' timing logs are hundreds of megabytes, and the service
has better things to do than to read them. Reads the journal and the logs only; prints one JSON object.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
from asyncio.subprocess import DEVNULL, PIPE
from pathlib import Path
from typing import Any

import numpy as np

from controller.session.figures import Lateness, TimingError, lateness_us
from controller.session.journal import Journal
from controller.stream.timinglog import TimingLogError

NICE = 10


def summary_of(journal_path: Path, session: int, pass_id: int) -> dict[str, Any]:
    """Ticks of the pass that were sent in the session and how late they left, in microseconds; ``missing`` logs.

    Lateness is actual minus scheduled, of the ticks of the schedule; percentiles as in the report.
    """
    journal = Journal.read(journal_path)
    try:
        row = journal.pass_row(pass_id)
        runs = [run for run in journal.runs(session) if run.pass_id == pass_id]
        finished = len(journal.finished_strokes(pass_id))
    finally:
        journal.close()
    late_us: list[Lateness] = []
    missing = 0
    for run in runs:
        try:
            late_us.append(lateness_us(run.folder / "timing.gtl"))
        except (OSError, TimingLogError):
            missing += 1
    all_us = np.concatenate([*late_us, np.empty(0, dtype=np.float32)])
    timing = TimingError.of(all_us)
    return {
        "session": session,
        "job": row.job,
        "pass": row.name,
        "ink": row.ink,
        "state": row.state,
        "strokes_finished": finished,
        "strokes": row.strokes,
        "runs": len(runs),
        "ticks": len(all_us),
        "late_p50_us": None if timing is None else round(timing.p50_us, 1),
        "late_p99_us": None if timing is None else round(timing.p99_us, 1),
        "late_p999_us": None if timing is None else round(timing.p999_us, 1),
        "late_max_us": None if timing is None else round(timing.max_us, 1),
        "realtime": all(bool(run.realtime) for run in runs),
        "missing_logs": missing,
    }


async def summary_beside(journal_path: Path, session: int, pass_id: int) -> dict[str, Any] | None:
    """The same from a process of its own; None when it came to nothing."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-P", "-m", "controller.session.mqttsummary", str(journal_path), str(session), str(pass_id),
        stdin=DEVNULL, stdout=PIPE, stderr=DEVNULL, start_new_session=True,
    )  # fmt: skip
    try:
        said, _ = await process.communicate()
    except asyncio.CancelledError:
        process.kill()
        await process.wait()
        raise
    try:
        found = json.loads(said)
    except ValueError:
        return None
    return found if isinstance(found, dict) else None


def main() -> int:
    """Print the summary of the journal, session and pass that are named."""
    os.nice(NICE)
    journal_path, session, pass_id = sys.argv[1:]
    print(json.dumps(summary_of(Path(journal_path), int(session), int(pass_id))))
    return 0


if __name__ == "__main__":
    sys.exit(main())
