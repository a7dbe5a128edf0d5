"""``python -m tests.faults.crash --count N --seed N``: sessions that die, and what the account says of the canvas.

Each trial paints in virtual time in a process of its own until it dies: by SIGKILL at any instant or at any statement
of the journal, by a power cut that takes what was not yet on the disk, by a commit torn in the middle, or by a disk
that takes no more (the kernel's own limit on file sizes). Then the state is opened, accounted for and held against the
gantry's canvas, stroke by stroke; some trials die a second time; then the picture is painted to its end and judged
again.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import asdict, dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from controller.session.daemon import recover
from controller.session.journal import Journal
from controller.session.rows import InterruptionRow
from drivers.twin.canvas import Canvas
from safety import latch
from tests.faults.dying import KINDS, PASS, Crash, Kind, Site, in_child, lose_power, paint_until_death, tear
from tests.faults.inked import Contact, contacts

COUNT = 1000
TOLERANCE_MM = 1.5
"""What matching a contact to its path leaves: the tip lies behind its holder, and places are sampled."""


@dataclass
class Trial:
    """One trial: what died how often, what was found, and what should not be."""

    kind: str
    seed: int
    number: int
    deaths: int = 0
    found: list[str] = field(default_factory=list)
    doubtful: int = 0
    twice: int = 0
    painted_over_mm: float = 0.0
    widths_mm: list[float] = field(default_factory=list)
    latched: int = 0
    problems: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Reach:
    """What there is to die at in one undisturbed session: virtual ns, the pass' part of them, statements, commits."""

    ns: int
    pass_ns: tuple[int, int]
    statements: int
    commits: int


def reach_of(site: Site, folder: Path) -> Reach:
    """Measured, not known."""
    answers = []
    for commits_only in (False, True):
        code, answer = in_child(
            partial(paint_until_death, site.copy(folder / f"whole-{commits_only}"), None, commits_only)
        )
        if code != 0:
            raise RuntimeError(f"the undisturbed session: {answer}")
        answers.append(answer)
    first, last = answers[0]["pass_ns"]
    return Reach(answers[0]["ns"], (first, last), answers[0]["statements"], answers[1]["statements"])


def _crash_of(kind: Kind, reach: Reach, rng: random.Random) -> Crash:
    if kind == "killed writing":
        return Crash(kind, 0, rng.randint(1, reach.statements), rng.getrandbits(32))
    if kind == "torn commit":
        return Crash(kind, 0, rng.randint(1, reach.commits), rng.getrandbits(32))
    first, last = reach.pass_ns if rng.random() < 0.85 or kind == "disk full" else (0, reach.ns)
    return Crash(kind, rng.randint(first, last), 0, rng.getrandbits(32))


def play(kind: Kind, seed: int, number: int, site: Site, reach: Reach, folder: Path) -> Trial:
    """One trial, the same every time but for what the computer's own clock leaves in the journal."""
    trial = Trial(kind, seed, number)
    rng = random.Random(f"{seed}/{kind}/{number}")
    mine = site.copy(folder)
    for death in range(1 if rng.random() < 0.75 else 2):
        if death:
            code, answer = in_child(mine.clear)
            if code != 0:
                trial.problems.append(f"after death {death}: {answer['at'] if answer else code}")
                return trial
        crash = _crash_of(kind, reach, rng)
        code, answer = in_child(partial(paint_until_death, mine, crash, kind == "torn commit"))
        if code not in (-signal.SIGKILL, 0, 1):
            trial.problems.append(f"the session ended with {code}")
            return trial
        trial.deaths += code != 0
        if kind == "power cut" and code < 0:
            lose_power(mine, rng)
        if kind == "torn commit" and code < 0:
            tear(mine, rng)
        code, answer = in_child(lambda: _open_and_judge(mine))
        if code != 0:
            trial.problems.append(f"after death {death + 1}: {answer['at'] if answer else code}")
            return trial
        _take(trial, answer)
    code, answer = in_child(lambda: _finish_and_judge(mine))
    if code != 0:
        trial.problems.append(f"to the end: {answer['at'] if answer else code}")
        return trial
    trial.problems += answer["problems"]
    trial.twice, trial.painted_over_mm = answer["twice"], answer["painted_over_mm"]
    return trial


def _take(trial: Trial, answer: dict[str, Any]) -> None:
    trial.problems += answer["problems"]
    trial.found.append(answer["found"])
    trial.doubtful += answer["doubtful"]
    trial.widths_mm += answer["widths_mm"]
    trial.latched += answer["latched"]


# What is judged -------------------------------------------------------------------------------------------------


def _canvas_contacts(site: Site) -> list[Contact]:
    path = site.state.twin / "canvas.npz"
    return contacts(Canvas.load(path), site.strokes) if path.exists() else []


def _open_and_judge(site: Site) -> dict[str, Any]:
    """In a child: open the state as the next session would, and hold the account against the canvas."""
    state = site.state
    with closing(Journal.open(state.journal, "boathouse")) as journal:
        recover(journal, state)
        row = journal.latest_pass("waves", PASS)
        finished = [] if row is None else journal.finished_strokes(row.id)
        entries = [] if row is None else journal.interruptions(row.id)
        row_state = "not begun" if row is None else journal.pass_row(row.id).state
        ended = row is None or journal.open_runs() == []
        registered = journal.registered
    found = _canvas_contacts(site)
    problems = judge_account(found, finished, entries)
    if not ended:
        problems.append("a run is left open")
    died = any(entry for entry in entries)
    if registered and latch.read(state.latch) is not None:
        problems.append("registered although a latch stands")
    if (row_state == "finished") != (len(finished) == len(site.strokes)):
        problems.append(f"pass {row_state} with {len(finished)} of {len(site.strokes)} strokes")
    entry = entries[-1] if entries else None
    widths = [entry.high_mm - entry.low_mm] if entry is not None and entry.stroke is not None else []
    what = (
        row_state if not died or row_state == "finished"
        else "pen up" if entry is None or entry.stroke is None else "in a stroke"
    )  # fmt: skip
    return {
        "problems": problems,
        "found": what,
        "doubtful": len(entry.doubtful) if entry is not None else 0,
        "widths_mm": widths,
        "latched": int(latch.read(state.latch) is not None),
    }


def judge_account(
    found: Sequence[Contact], finished: Sequence[int], entries: Sequence[InterruptionRow]
) -> list[str]:
    """What the account says and the canvas does not, or the other way round."""
    problems: list[str] = []
    named = {entry.stroke for entry in entries} | {one for entry in entries for one in entry.doubtful}
    unknown = any("no readable order" in entry.note or "cannot be read" in entry.note for entry in entries)
    for contact in found:
        if contact.stroke is None:
            problems.append("a contact that belongs to no stroke")
        elif not contact.is_whole and contact.stroke not in named and not unknown:
            problems.append(f"stroke {contact.stroke}: a part of it is on the canvas and in no account")
        elif contact.is_whole and contact.stroke not in {*finished, *named} and not unknown:
            problems.append(f"stroke {contact.stroke}: painted whole and in no account")
    whole = {contact.stroke for contact in found if contact.is_whole}
    problems += [
        f"stroke {stroke}: finished by the account, not on the canvas"
        for stroke in finished
        if stroke not in whole
    ]
    last = entries[-1] if entries else None
    # A stroke that was interrupted once and has been finished since is judged with the finished ones.
    if last is not None and last.stroke is not None and last.stroke not in finished:
        mine = [contact for contact in found if contact.stroke == last.stroke]
        if not mine:
            if last.low_mm > 0.0:
                problems.append(f"stroke {last.stroke}: interrupted by the account, not on the canvas")
        elif not last.low_mm - TOLERANCE_MM <= mine[-1].to_mm <= last.high_mm + TOLERANCE_MM:
            problems.append(
                f"stroke {last.stroke}: painted to {mine[-1].to_mm:.1f} mm, the account says "
                f"{last.low_mm:.1f} to {last.high_mm:.1f} mm"
            )
    return problems


def _finish_and_judge(site: Site) -> dict[str, Any]:
    """In a child: clear, home, paint what is left; then every stroke is there, and nothing that no account explains."""
    site.finish()
    with closing(Journal.read(site.state.journal)) as journal:
        row = journal.latest_pass("waves", PASS)
        assert row is not None
        finished, entries = journal.finished_strokes(row.id), journal.interruptions(row.id)
        row_state = row.state
    found = _canvas_contacts(site)
    problems: list[str] = []
    strokes = len(site.strokes)
    if row_state != "finished" or finished != list(range(strokes)):
        problems.append(f"the pass is {row_state} with strokes {finished}")
    explained = Counter(entry.stroke for entry in entries)
    explained.update(one for entry in entries for one in entry.doubtful)
    unknown = sum("no readable order" in entry.note or "cannot be read" in entry.note for entry in entries)
    twice, over_mm = 0, 0.0
    for stroke in range(strokes):
        mine = [contact for contact in found if contact.stroke == stroke]
        whole = sum(contact.is_whole for contact in mine)
        if whole == 0:
            problems.append(f"stroke {stroke}: not painted")
        if len(mine) - 1 > explained[stroke] + unknown:
            problems.append(
                f"stroke {stroke}: {len(mine)} contacts, {explained[stroke]} of them in the account"
            )
        twice += max(whole - 1, 0)
        over_mm += sum(contact.to_mm - contact.from_mm for contact in mine[:-1])
    if any(contact.stroke is None for contact in found):
        problems.append("a contact that belongs to no stroke")
    return {"problems": problems, "twice": twice, "painted_over_mm": over_mm}


# The campaign ---------------------------------------------------------------------------------------------------


def campaign(count: int, seed: int, kinds: Sequence[Kind], only: int | None = None) -> Iterator[Trial]:
    """``count`` trials in all, the kinds in turn; ``only``: that number of the first kind."""
    memory = Path("/dev/shm")
    root = Path(tempfile.mkdtemp(prefix="giornata-crash-", dir=memory if memory.is_dir() else None))
    try:
        (root / "site").mkdir()
        site = Site.build(root / "site")
        reach = reach_of(site, root)
        for number in range(count) if only is None else (only,):
            folder = root / f"trial-{number}"
            yield play(
                kinds[number % len(kinds)] if only is None else kinds[0], seed, number, site, reach, folder
            )
            shutil.rmtree(folder, ignore_errors=True)
    finally:
        shutil.rmtree(root, ignore_errors=True)


def table(trials: Sequence[Trial]) -> str:
    """A row a kind, as Markdown."""
    heading = (
        "| kind | trials | deaths | pen up / in a stroke / finished / not begun / other | latched | in doubt "
        "| again whole | painted over, mm, mean | width in a stroke, mm: p50 / max | failed |"
    )
    lines = [heading, "|---|---|---|---|---|---|---|---|---|---|"]
    names = ("pen up", "in a stroke", "finished", "not begun")
    for kind in dict.fromkeys(trial.kind for trial in trials):
        mine = [trial for trial in trials if trial.kind == kind]
        found = Counter(word for trial in mine for word in trial.found)
        other = sum(found.values()) - sum(found[name] for name in names)
        widths = sorted(width for trial in mine for width in trial.widths_mm)
        shown = f"{widths[len(widths) // 2]:.1f} / {widths[-1]:.1f}" if widths else "-"
        lines.append(
            f"| {kind} | {len(mine)} | {sum(t.deaths for t in mine)} | "
            f"{' / '.join(str(found[name]) for name in names)} / {other} | {sum(t.latched for t in mine)} | "
            f"{sum(t.doubtful for t in mine)} | {sum(t.twice for t in mine)} | "
            f"{sum(t.painted_over_mm for t in mine) / len(mine):.1f} | {shown} | "
            f"{sum(bool(t.problems) for t in mine)} |"
        )
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> int:
    """Play the campaign, or as much of it as there is time until Ctrl-C; 0 when every account held."""
    parser = argparse.ArgumentParser(description="sessions that die, judged by the canvas")
    parser.add_argument("--count", type=int, default=COUNT, help="how many in all (default %(default)s)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kinds", default="", help=f"only these, with commas between: {', '.join(KINDS)}")
    parser.add_argument("--only", type=int, help="play this number of one kind again")
    parser.add_argument("--json", type=Path, default=Path("build/faults/crash.json"))
    asked = parser.parse_args(arguments)
    wanted = [kind for kind in KINDS if not asked.kinds or kind in asked.kinds.split(",")]
    begun_s = time.monotonic()
    trials: list[Trial] = []
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    with contextlib.suppress(KeyboardInterrupt):
        for trial in campaign(asked.count, asked.seed, wanted, asked.only):
            trials.append(trial)
            for problem in trial.problems:
                print(f"{trial.kind} {trial.number}: {problem}", flush=True)
            if len(trials) % 50 == 0:
                print(f"{len(trials)} trials, {time.monotonic() - begun_s:.0f} s", flush=True)
    print(table(trials))
    failed = sum(bool(trial.problems) for trial in trials)
    print(f"{len(trials)} trials, seed {asked.seed}, {time.monotonic() - begun_s:.0f} s: {failed} failed")
    asked.json.parent.mkdir(parents=True, exist_ok=True)
    asked.json.write_text(json.dumps([asdict(trial) for trial in trials], indent=1) + "\n")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
