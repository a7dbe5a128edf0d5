"""What campaigns over damaged files share: the bounds on a trial, what it may open, counting, the command line.

A trial is its seed and number, so that each can be repeated alone. It ends well when it gives one of the outcomes that
its campaign calls good, within the processor time and the memory stated here, without opening any other file than its
own or a socket.
"""

from __future__ import annotations

import argparse
import resource
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from controller.config.errors import InputError

SECONDS_MAX = 20.0
"""Processor time in which each trial must end; far above what the bounds allow, so that only a hang meets it."""
WAIT_MAX_S = 300.0
"""Wall time after which a trial counts as hung although it uses no processor, as on a pipe that nobody writes to."""
MEMORY_MAX_MB = 1000.0
"""By so much one trial may raise the process' peak memory."""
WORDS_MAX = 2000
"""Characters of one mistake as a person reads it."""

_WATCHED = frozenset(
    {
        "open",
        "os.listdir",
        "os.scandir",
        "os.mkdir",
        "os.remove",
        "os.rename",
        "socket.connect",
        "socket.getaddrinfo",
        "socket.bind",
        "subprocess.Popen",
        "os.system",
        "os.exec",
    }
)


_IMPORTING = tuple(
    f"{event} {place}/"
    for event in ("open", "os.listdir")
    for place in (sys.prefix, f"{sys.base_prefix}/lib")
)
"""Modules that are first imported within a trial."""


class Guard:
    """Notes every file and socket that is opened while it is on (PEP 578 audit events)."""

    def __init__(self) -> None:
        self.on = False
        self.seen: list[str] = []
        sys.addaudithook(self._hook)

    def _hook(self, event: str, arguments: tuple[object, ...]) -> None:
        if self.on and event in _WATCHED:
            self.seen.append(
                f"{event} {arguments[0]}" if event.partition(".")[0] in ("open", "os") else event
            )

    @contextmanager
    def watching(self) -> Iterator[list[str]]:
        """The list of what is opened meanwhile."""
        self.seen, self.on = [], True
        try:
            yield self.seen
        finally:
            self.on = False


class HangError(BaseException):
    """A trial took longer than any may. No Exception, so that nothing on the way can swallow it."""


def _alarm(_: int, __: FrameType | None) -> None:
    raise HangError


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one trial came to: one of its campaign's good outcomes or what went wrong; processor seconds."""

    what: str
    seconds: float


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def words_amiss(error: InputError) -> str | None:
    """What is wrong with the words of an error; None where each mistake says file, place, expected, got, in a line."""
    if not error.mistakes:
        return "refused without a mistake"
    for one in error.mistakes:
        if not (str(one.file) and one.where and one.expected and one.got):
            return f"refused without a word: {one!r:.300}"
        if len(str(one)) > WORDS_MAX:
            return f"refused with {len(str(one))} characters: {one!s:.200}"
        if not str(one).isprintable():
            return f"refused with what no line can hold: {one!s:.300}"
    return None


def held(act: Callable[[], str], guard: Guard, allowed: Iterable[Path]) -> Outcome:
    """Run a trial within its bounds. ``act`` gives its outcome or raises; InputError is the outcome "refused"."""
    before, peak_mb = time.process_time(), _peak_mb()
    signal.setitimer(signal.ITIMER_PROF, SECONDS_MAX)
    signal.setitimer(signal.ITIMER_REAL, WAIT_MAX_S)
    try:
        with guard.watching() as seen:
            what = act()
    except InputError as error:
        what = words_amiss(error) or "refused"
    except HangError:
        what = f"longer than {SECONDS_MAX} s"
    except Exception:  # noqa: BLE001 - whatever it is, it is what a campaign looks for
        what = traceback.format_exc(limit=-4)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.setitimer(signal.ITIMER_REAL, 0.0)
    names = {f"open {one}" for one in allowed}
    if strangers := [one for one in seen if one not in names and not one.startswith(_IMPORTING)]:
        what = f"opened {strangers[:3]}"
    if _peak_mb() > peak_mb + MEMORY_MAX_MB:
        what = f"{_peak_mb() - peak_mb:.0f} MB"
    return Outcome(what, time.process_time() - before)


@dataclass(slots=True)
class Campaign:
    """Counts of outcomes, the slowest trial, and every trial that went wrong."""

    counts: Counter[str]
    slowest: tuple[float, int]
    failures: dict[int, str]


Trial = Callable[[int, Path, Guard], Outcome]
"""Number (negative: an undamaged source), an empty folder, what watches; to the outcome."""


def run_trials(
    trial: Trial, good: frozenset[str], count: int, tell: Callable[[str], None] | None = None
) -> Campaign:
    """Run trials 0 to ``count``, after undamaged ones, so that what is imported late is there."""
    guard = Guard()
    campaign = Campaign(Counter(), (0.0, -1), {})
    before = signal.signal(signal.SIGPROF, _alarm), signal.signal(signal.SIGALRM, _alarm)
    try:
        with tempfile.TemporaryDirectory() as folder:
            undamaged = [trial(number, Path(folder), guard).what for number in (-1, -8, -1, -8)]
            assert set(undamaged[2:]) <= good - {"refused"}, undamaged
            for number in range(count):
                outcome = trial(number, Path(folder), guard)
                ended_well = outcome.what in good
                campaign.counts[outcome.what if ended_well else "wrong"] += 1
                campaign.slowest = max(campaign.slowest, (outcome.seconds, number))
                if not ended_well:
                    campaign.failures[number] = outcome.what
                if tell and (number + 1) % 1000 == 0:
                    tell(f"{number + 1}: {dict(campaign.counts)}, slowest {campaign.slowest[0]:.2f} s")
    finally:
        signal.signal(signal.SIGPROF, before[0])
        signal.signal(signal.SIGALRM, before[1])
    return campaign


def run_from_command_line(
    what: str,
    damaged: Callable[[int, int], bytes],
    campaign: Callable[[int, int, Callable[[str], None]], Campaign],
    once: Callable[[int, int], Outcome],
) -> int:
    """Run as asked; exit code 1 where anything went wrong.

    damaged: the file of a seed and trial; campaign: count, seed, teller; once: one trial of a seed alone.
    """
    parser = argparse.ArgumentParser(description=f"Read damaged {what}.")
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--trial", type=int, help="only this one; its file is printed")
    arguments = parser.parse_args()
    if arguments.trial is not None:
        sys.stdout.buffer.write(damaged(arguments.seed, arguments.trial) + b"\n")
        sys.stdout.flush()
        print(once(arguments.seed, arguments.trial), file=sys.stderr)
        return 0
    found = campaign(arguments.count, arguments.seed, lambda text: print(text, flush=True))
    seconds, trial = found.slowest
    print(f"{arguments.count} trials of seed {arguments.seed}: {dict(found.counts)}")
    print(f"slowest: trial {trial}, {seconds:.2f} s of processor time; peak memory {_peak_mb():.0f} MB")
    for trial, ended in list(found.failures.items())[:20]:
        print(f"--- trial {trial}\n{ended}")
    return 1 if found.failures else 0
