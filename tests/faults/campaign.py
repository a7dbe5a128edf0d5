"""``make faults``: thousands of seeded faults, each judged from the gantry's own record of what truly moved.

``python -m tests.faults.campaign [--trials N] [--seed N] [--quick] [--kinds a,b] [--json FILE]`` plays them all and
ends with 1 when any trial went beyond its bound or still moved. ``--only KIND --seed N --trial M`` plays one again.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from tests.faults import realtime, sessions, virtual
from tests.faults.judge import Trial, percentile
from tests.faults.kinds import BY_NAME, KINDS
from tests.faults.realtime import HOST_MS
from tests.faults.scene import Scene
from tests.faults.sessions import SESSION_BY_NAME, SESSION_KINDS

REAL_KINDS = (*realtime.REAL_KINDS, *SESSION_KINDS)
REAL_BY_NAME = {kind.name: kind for kind in REAL_KINDS}
TRIALS = 2000
QUICK_TRIALS = 140
DEFAULT_JSON = Path("build/faults/faults.json")


def shared_folder() -> Path:
    """A fresh folder in memory where there is such a place: a disk that syncs must not set the pace."""
    memory = Path("/dev/shm")
    return Path(tempfile.mkdtemp(prefix="giornata-faults-", dir=memory if memory.is_dir() else None))


def play_virtual(names: Sequence[str], count: int, seed: int, folder: Path) -> Iterator[Trial]:
    """``count`` trials of each kind, in virtual time."""
    scene = virtual.with_phases(Scene.build(folder), folder)
    for name in names:
        for number in range(count):
            yield virtual.run_trial(scene, BY_NAME[name], seed, number, folder)


def play_real(name: str, seed: int, folder: Path, only: int | None = None) -> Iterator[Trial]:
    """The trials of one kind in real time, or one of them."""
    if name in SESSION_BY_NAME:
        return sessions.play(SESSION_BY_NAME[name], seed, folder, only)
    return realtime.play(realtime.REAL_BY_NAME[name], seed, folder, only)


def rows(trials: Sequence[Trial]) -> list[dict[str, Any]]:
    """One row a kind: ends, and p50, p99, max of what was measured beside the bound."""
    out = []
    for name in dict.fromkeys(trial.kind for trial in trials):
        mine = [trial for trial in trials if trial.kind == name]
        row: dict[str, Any] = {
            "kind": name,
            "clock": "real" if mine[0].real_time else "virtual",
            "trials": len(mine),
            "ends": dict(Counter(trial.end for trial in mine)),
            "failed": sum(bool(trial.problems) for trial in mine),
        }
        for key in ("react_ms", "stand_ms", "travel_mm"):
            values = [value for trial in mine if (value := getattr(trial, key)) is not None]
            row[key] = [percentile(values, percent) for percent in (50.0, 99.0, 100.0)] if values else None
            bounds = [getattr(trial.bound, key) for trial in mine if trial.bound is not None]
            row[f"{key}_bound"] = max(bounds) if bounds else None
        out.append(row)
    return out


def table(of: Sequence[dict[str, Any]]) -> Table:
    """The rows for a person."""
    shown = Table(title="faults: p50 / p99 / max, and the bound", title_justify="left")
    for heading in (
        "kind",
        "clock",
        "n",
        "ends",
        "fault to stop, ms",
        "bound",
        "way to standstill, mm",
        "bound",
    ):
        shown.add_column(heading, justify="left" if heading in ("kind", "clock", "ends") else "right")
    for row in of:
        ends = ", ".join(f"{count} {end}" for end, count in sorted(row["ends"].items()))
        shown.add_row(
            f"[red]{row['kind']}[/]" if row["failed"] else row["kind"],
            row["clock"],
            str(row["trials"]),
            ends,
            *_cells(row, "react_ms"),
            *_cells(row, "travel_mm"),
        )
    return shown


def _cells(row: dict[str, Any], key: str) -> tuple[str, str]:
    values, bound = row[key], row[f"{key}_bound"]
    shown = " / ".join(f"{value:.1f}" for value in values) if values else "-"
    return shown, "-" if bound is None else f"{bound:.0f}"


def host_words(trials: Sequence[Trial]) -> str:
    """What the host took while trials were played in real time, and how many it cost."""
    real = [trial for trial in trials if trial.real_time]
    voided = sum(trial.voided for trial in real)
    taken = [trial.taken_ms for trial in real]
    if not any(taken):
        return "Nobody stood by to tell what the host took."
    return (
        f"Within a tenth of a second the host took of a core at most {percentile(taken, 50.0):.0f} ms in half of the "
        f"trials in real time and {max(taken):.0f} ms in the worst; {voided} in which it took more than {HOST_MS:g} ms "
        "were thrown away, whatever came of them, and played again."
    )


def markdown(of: Sequence[dict[str, Any]]) -> str:
    """The rows for ``docs/faults.md``."""
    lines = [
        "| kind | clock | trials | ends | fault → stop, ms | bound | way to standstill, mm | bound |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for row in of:
        ends = ", ".join(f"{count} {end}" for end, count in sorted(row["ends"].items()))
        cells = (
            row["kind"],
            row["clock"],
            str(row["trials"]),
            ends,
            *_cells(row, "react_ms"),
            *_cells(row, "travel_mm"),
        )
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"


def kinds_markdown() -> str:
    """What each kind is and what its first term is made of."""
    lines = ["| kind | what happens | react | ends |", "|---|---|---|---|"]
    lines += [
        f"| {one.name} | {one.what} | {one.of} | {', '.join(one.ends)} |" for one in (*KINDS, *REAL_KINDS)
    ]
    return "\n".join(lines) + "\n"


def write_document(path: Path, of: Sequence[dict[str, Any]], trials: Sequence[Trial], seed: int) -> None:
    """Replace what stands between the marks ``kinds`` and ``measured`` of a Markdown file."""
    text = path.read_text()
    real = sum(trial.real_time for trial in trials)
    failed = sum(bool(trial.problems) for trial in trials)
    said = (
        f"{len(trials)} trials, seed {seed}: {len(trials) - real} in virtual time, {real} in real time; {failed} "
        f"beyond their bound or still moving. {host_words(trials)} p50 / p99 / max.\n\n{markdown(of)}"
    )
    for mark, content in (("kinds", kinds_markdown()), ("measured", said)):
        before, rest = text.split(f"<!-- {mark} -->\n", 1)
        _, after = rest.split(f"<!-- end of {mark} -->", 1)
        text = f"{before}<!-- {mark} -->\n{content}<!-- end of {mark} -->{after}"
    path.write_text(text)


def say_failures(console: Console, failed: Sequence[Trial]) -> None:
    """Each failed trial with the words that play it again."""
    for trial in failed:
        console.print(
            f"[red]{trial.kind}[/] trial {trial.number} ({trial.phase}, {trial.end}): {'; '.join(trial.problems)}"
            f"\n  {trial.reason} {trial.note}\n  again: --only {trial.kind} --seed {trial.seed} --trial {trial.number}",
            soft_wrap=True,
        )


def main(arguments: Sequence[str] | None = None) -> int:
    """Play the campaign; 0 when every trial was as it should be."""
    parser = argparse.ArgumentParser(description="fault campaign on the simulated gantry")
    parser.add_argument("--trials", type=int, default=TRIALS, help="how many in all (default %(default)s)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--quick", action="store_true", help=f"about {QUICK_TRIALS} trials, virtual time only"
    )
    parser.add_argument("--kinds", default="", help="only these, with commas between")
    parser.add_argument("--no-real-time", action="store_true", help="virtual time only")
    parser.add_argument("--only", metavar="KIND", help="play one trial again")
    parser.add_argument("--trial", type=int, default=0)
    parser.add_argument(
        "--json", type=Path, default=DEFAULT_JSON, help="where the figures go (default %(default)s)"
    )
    parser.add_argument(
        "--document", type=Path, help="put both tables into this Markdown file, between its marks"
    )
    asked = parser.parse_args(arguments)
    console = Console(width=None if sys.stdout.isatty() else 140)
    wanted = [name for name in asked.kinds.split(",") if name] or [*BY_NAME, *REAL_BY_NAME]
    unknown = [
        name
        for name in (*wanted, *([asked.only] if asked.only else []))
        if name not in BY_NAME | REAL_BY_NAME
    ]
    if unknown:
        console.print(f"unknown: {', '.join(unknown)}; known: {', '.join((*BY_NAME, *REAL_BY_NAME))}")
        return 2
    folder = shared_folder()
    try:
        if asked.only:
            return _again(console, asked.only, asked.seed, asked.trial, folder)
        begun_s = time.monotonic()
        trials = _play_all(console, asked, wanted, folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    found = rows(trials)
    console.print(table(found))
    failed = [trial for trial in trials if trial.problems]
    say_failures(console, failed)
    real = sum(trial.real_time for trial in trials)
    console.print(
        f"{len(trials)} trials ({len(trials) - real} in virtual time, {real} in real time), seed {asked.seed}, "
        f"{time.monotonic() - begun_s:.0f} s: {len(failed)} failed"
    )
    if real:
        console.print(host_words(trials), soft_wrap=True)
    asked.json.parent.mkdir(parents=True, exist_ok=True)
    answer = {"seed": asked.seed, "rows": found, "trials": [trial.as_json() for trial in trials]}
    asked.json.write_text(json.dumps(answer, indent=1) + "\n")
    if asked.document:
        write_document(asked.document, found, trials, asked.seed)
    return 1 if failed else 0


def _play_all(
    console: Console, asked: argparse.Namespace, wanted: Sequence[str], folder: Path
) -> list[Trial]:
    in_virtual = [name for name in wanted if name in BY_NAME]
    in_real = [] if asked.quick or asked.no_real_time else [name for name in wanted if name in REAL_BY_NAME]
    real_count = sum(REAL_BY_NAME[name].trials for name in in_real)
    total = QUICK_TRIALS if asked.quick else asked.trials
    trials: list[Trial] = []
    if in_virtual:
        each = max(1, -(-max(0, total - real_count) // len(in_virtual)))
        for trial in play_virtual(in_virtual, each, asked.seed, folder):
            trials.append(trial)
            if trial.number == each - 1:
                _progress(console, trials, trial)
    for name in in_real:
        trials.extend(play_real(name, asked.seed, folder))
        _progress(console, trials, trials[-1])
    return trials


def _progress(console: Console, trials: Sequence[Trial], last: Trial) -> None:
    failed = sum(bool(trial.problems) for trial in trials if trial.kind == last.kind)
    console.print(f"[dim]{len(trials):5d}  {last.kind}{f'  [red]{failed} failed[/]' if failed else ''}[/]")


def _again(console: Console, name: str, seed: int, number: int, folder: Path) -> int:
    if name in BY_NAME:
        scene = virtual.with_phases(Scene.build(folder), folder)
        trial = virtual.run_trial(scene, BY_NAME[name], seed, number, folder)
    else:
        (trial,) = play_real(name, seed, folder, number)
    console.print_json(json.dumps(trial.as_json()))
    return 1 if trial.problems else 0


assert len(BY_NAME) == len(KINDS)
assert len(REAL_BY_NAME) == len(REAL_KINDS)

if __name__ == "__main__":
    sys.exit(main())
