"""Frames that no wire should bring, into every decoder and every running group: `python -m tests.fuzz.frames`.

`--count 200000 --seed 1` gives each decoder, and each kind of group in virtual time, so many frames: random, mutated,
good ones of others, good ones at the wrong time. A trial is its seed, its name and its number; `--only NAME --trial N`
repeats one. Then each kind of group lives through one long rain, and what Python holds is counted as it goes on: it
must not grow. Prints a table; exit code 1 when anything ended badly.
"""

from __future__ import annotations

import argparse
import gc
import random
import resource
import sys
import time
import traceback
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from drivers.interface import DriveGroup
from tests.fuzz.framesdecoders import DECODERS, Counts, FindingError
from tests.fuzz.framesrunning import GROUPS, WORLDS, World

FRAMES = {"decoder": 25, "group": 200}
"""Frames of one trial."""
LOOKS = 4
"""How often memory is looked at in a run of the whole count."""
BLOCKS_MAX = 5000
"""By so many blocks of memory Python may hold more at the end of a rain than when a quarter of it had come."""
READY_EVERY = 50
"""Ticks of a long rain after which a group that is not well is set up anew."""
Trial = Callable[[random.Random, int], Counts]
KINDS: dict[str, tuple[str, Trial]] = {name: ("decoder", trial) for name, trial in DECODERS.items()} | {
    name: ("group", trial) for name, trial in GROUPS.items()
}


def blocks() -> int:
    """How many blocks of memory Python holds, once what nobody holds has gone."""
    gc.collect()
    return sys.getallocatedblocks()


def resident_mb() -> float:
    """Memory of this process that lies in the computer's, MiB."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() / 2**20


@dataclass
class Run:
    """What came of one kind. ``failures``: by trial. ``held``: (frames so far, blocks, MiB)."""

    name: str
    frames: int = 0
    counts: Counts = field(default_factory=Counter)
    failures: dict[int, str] = field(default_factory=dict)
    held: list[tuple[int, int, float]] = field(default_factory=list)
    seconds: float = 0.0

    @property
    def grown(self) -> int:
        """Blocks at the end beyond those of the first look."""
        return self.held[-1][1] - self.held[0][1] if self.held else 0


def chance_of(seed: int, name: str, trial: int) -> random.Random:
    """A trial's own luck."""
    return random.Random(f"{seed}/{name}/{trial}")


def one(name: str, seed: int, trial: int, kinds: Mapping[str, tuple[str, Trial]] = KINDS) -> Counts:
    """Run one trial. Raises what it finds."""
    kind, run = kinds[name]
    return run(chance_of(seed, name, trial), FRAMES[kind])


def run_kind(
    name: str, count: int, seed: int, *, looks: bool = True, kinds: Mapping[str, tuple[str, Trial]] = KINDS
) -> Run:
    """Trials until ``count`` frames have come. ``looks``: count memory on the way."""
    done = Run(name)
    begun_s, per = time.process_time(), FRAMES[kinds[name][0]]
    trials = -(-count // per)
    for trial in range(trials):
        try:
            done.counts += one(name, seed, trial, kinds)
        except FindingError as error:
            done.failures[trial] = str(error)
        except Exception as error:  # noqa: BLE001 - it is the finding
            done.failures[trial] = "".join(traceback.format_exception(error)[-3:])
        done.frames += per
        if looks and (trial + 1) % max(1, trials // LOOKS) == 0:
            done.held.append((done.frames, blocks(), resident_mb()))
    done.seconds = time.process_time() - begun_s
    if done.grown > BLOCKS_MAX:
        done.failures[trials] = f"{done.grown} blocks more than after a quarter"
    return done


def flood(
    wire: str, count: int, seed: int, adopt: Callable[[DriveGroup], DriveGroup] = lambda group: group
) -> Run:
    """One group, streaming as long as it is well, in a rain that does not end: what it holds must not grow."""
    done = Run(f"{wire}, one long rain")
    begun_s = time.process_time()
    world = World(wire, chance_of(seed, done.name, 0), adopt, dense=1.0)
    world.ready()
    world.link.on = True
    due, rests = count // LOOKS, 0
    try:
        while world.link.rained < count:
            if world.group_is_well():
                to_fro = 700 if rests // 100 % 2 else -700
                world.tick((to_fro, -to_fro))
            elif rests % READY_EVERY == 0:
                world.link.on = False
                world.ready()
                world.link.on = True
            world.rest()
            rests += 1
            if world.link.rained >= due:
                done.held.append((world.link.rained, blocks(), resident_mb()))
                due += count // LOOKS
        world.group.close()
    except Exception as error:  # noqa: BLE001 - it is the finding
        done.failures[0] = "".join(traceback.format_exception(error)[-3:])
    done.frames, done.counts = world.link.rained, world.counts
    done.seconds = time.process_time() - begun_s
    if done.grown > BLOCKS_MAX:
        done.failures[1] = f"{done.grown} blocks more than after a quarter of {count} frames"
    return done


def row(run: Run) -> str:
    """A line of the table."""
    wanted = (
        "taken",
        "enabled",
        "tick: held",
        "tick: FaultError",
        "configure: held",
        "enable: held",
        "proved",
        "trouble",
    )
    some = ", ".join(f"{name} {run.counts[name]}" for name in wanted if run.counts[name])
    held = f"{run.held[0][2]:.0f} to {run.held[-1][2]:.0f} MiB, {run.grown:+d} blocks" if run.held else ""
    us = 1e6 * run.seconds / max(1, run.frames)
    return f"{run.name:32} {run.frames:8} {len(run.failures):4} bad {us:7.1f} us  {held:34} {some}"


def main(arguments: list[str] | None = None) -> int:
    """Run as asked and say what came of it."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz.frames", description=__doc__)
    parser.add_argument("--count", type=int, default=200_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=list(KINDS))
    parser.add_argument("--trial", type=int)
    options = parser.parse_args(arguments)
    if options.trial is not None and options.only is not None:
        sys.stdout.write(f"{dict(one(options.only, options.seed, options.trial))}\n")
        return 0
    runs = []
    for name in [options.only] if options.only else list(KINDS):
        runs.append(run_kind(name, options.count, options.seed))
        sys.stdout.write(row(runs[-1]) + "\n")
        sys.stdout.flush()
    for wire in () if options.only else WORLDS:
        runs.append(flood(wire, options.count, options.seed))
        sys.stdout.write(row(runs[-1]) + "\n")
        sys.stdout.flush()
    for run in runs:
        for trial, what in sorted(run.failures.items())[:5]:
            sys.stdout.write(f"--- {run.name}, trial {trial}: {what[:1500]}\n")
    bad = sum(len(run.failures) for run in runs)
    sys.stdout.write(
        f"{sum(run.frames for run in runs)} frames, seed {options.seed}: {bad} trials ended badly\n"
    )
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
