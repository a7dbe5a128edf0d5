"""What this computer gives a streamer: rights, memory, cores, clock, governor. Texts and folders in, findings out.

Owns the judgements. Reads nothing but what it is given: ``proc`` and ``sys`` are folders laid out as /proc and /sys, so
that an invented computer is judged like a real one. Names and meanings of files: proc(5), capabilities(7),
getrlimit(2), sched(7) and the kernel's documentation (cpu-freq, usb-serial, sysfs-class-net).
"""

from __future__ import annotations

import re
import resource
from collections.abc import Callable, Collection
from pathlib import Path

from controller.session.doctorfinding import Figure, Finding

CAP_IPC_LOCK, CAP_SYS_NICE = 14, 23
PRIORITY_WANTED = 80
LOCKED_BYTES_WANTED = 512 << 20
"""The streamer holds about 140 MiB, a trace its ring; the service and the guard are not locked."""

Limits = Callable[[int], tuple[int, int]]
"""``resource.getrlimit``: soft and hard."""


def host_findings(
    proc: Path, sys: Path, cores: Collection[int], limits: Limits = resource.getrlimit
) -> list[Finding]:
    """Everything about the computer that can be read without measuring. ``cores``: those this process may use."""
    caps = capabilities(read_text(proc / "self" / "status"))
    return [
        realtime(caps, limits(resource.RLIMIT_RTPRIO)),
        throttling(
            read_text(proc / "sys/kernel/sched_rt_runtime_us"),
            read_text(proc / "sys/kernel/sched_rt_period_us"),
        ),
        locked_memory(caps, limits(resource.RLIMIT_MEMLOCK)),
        core_count(cores, read_text(sys / "devices/system/cpu/isolated")),
        clock_source(
            read_text(sys / "devices/system/clocksource/clocksource0/current_clocksource"),
            read_text(sys / "devices/system/clocksource/clocksource0/available_clocksource"),
        ),
        governor(sys, max(cores)),
    ]


def read_text(path: Path) -> str:
    """A small file's text, stripped; empty when it cannot be read."""
    try:
        return path.read_text(errors="replace").strip()
    except OSError:
        return ""


def capabilities(status: str) -> int | None:
    """The effective capabilities in /proc/self/status, as bits; None when it does not say."""
    found = re.search(r"^CapEff:\s*([0-9a-fA-F]{1,16})$", status, re.MULTILINE)
    return int(found[1], 16) if found else None


def _has(caps: int | None, bit: int) -> bool:
    return caps is not None and bool(caps >> bit & 1)


def realtime(caps: int | None, rtprio: tuple[int, int]) -> Finding:
    """Whether SCHED_FIFO 80 will be granted: CAP_SYS_NICE, or an rtprio limit that reaches so far."""
    soft = rtprio[0]
    figures = {"rtprio": Figure(float(soft), "")}
    is_unlimited = soft == resource.RLIM_INFINITY
    if _has(caps, CAP_SYS_NICE):
        return Finding("real-time scheduling", "good", "granted (CAP_SYS_NICE)", figures=figures)
    if is_unlimited or soft >= PRIORITY_WANTED:
        return Finding("real-time scheduling", "good", f"granted (rtprio limit {soft})", figures=figures)
    return Finding(
        "real-time scheduling",
        "could be better",
        f"not granted: no CAP_SYS_NICE, rtprio limit {soft}",
        f"other programs may delay ticks: put `@gantry - rtprio {PRIORITY_WANTED}` into /etc/security/limits.conf "
        "(your group for gantry), or LimitRTPRIO= in the service's unit; then log in again",
        figures,
    )


def throttling(runtime: str, period: str) -> Finding:
    """How much of each second the kernel leaves to real-time programs before it holds them up."""
    try:
        runtime_us, period_us = int(runtime), int(period)
    except ValueError:
        return Finding("real-time throttling", "cannot tell", "the kernel does not say")
    if runtime_us < 0 or runtime_us >= period_us:
        return Finding("real-time throttling", "good", "off")
    share = runtime_us / period_us
    text = f"real-time programs may run {share:.0%} of {period_us / 1e6:g} s"
    figures = {"share": Figure(share, "")}
    if share >= 0.9:
        return Finding("real-time throttling", "good", text, figures=figures)
    return Finding(
        "real-time throttling",
        "could be better",
        text,
        "a streamer takes up to a quarter of a core; leave it room: sysctl kernel.sched_rt_runtime_us=950000",
        figures,
    )


def locked_memory(caps: int | None, memlock: tuple[int, int]) -> Finding:
    """Whether all of the streamer's memory can be kept in memory."""
    soft = memlock[0]
    if _has(caps, CAP_IPC_LOCK) or soft == resource.RLIM_INFINITY:
        return Finding("locked memory", "good", "without limit")
    figures = {"limit": Figure(soft / (1 << 20), "MiB")}
    text = f"limit {soft / (1 << 20):.3g} MiB, {LOCKED_BYTES_WANTED >> 20} MiB are wanted"
    if soft >= LOCKED_BYTES_WANTED:
        return Finding("locked memory", "good", f"limit {soft / (1 << 20):.3g} MiB", figures=figures)
    return Finding(
        "locked memory",
        "could be better",
        text,
        "page faults may delay ticks: put `@gantry - memlock unlimited` into /etc/security/limits.conf, or "
        "LimitMEMLOCK=infinity into the service's unit",
        figures,
    )


def core_count(cores: Collection[int], isolated: str) -> Finding:
    """How many cores there are, and whether the streamer's is kept for it."""
    figures = {"cores": Figure(float(len(cores)), "")}
    if len(cores) < 2:
        return Finding(
            "cores",
            "could be better",
            "1",
            "guard and drives' side wait for the streamer: give it two or more",
            figures,
        )
    own = max(cores)
    if own in core_list(isolated):
        return Finding(
            "cores", "good", f"{len(cores)}; core {own} is kept free for the streamer", figures=figures
        )
    return Finding("cores", "good", f"{len(cores)}; the streamer takes core {own}", figures=figures)


def core_list(text: str) -> frozenset[int]:
    """A kernel's list of cores, such as 1,4-6. What cannot be read is left out."""
    found: set[int] = set()
    for part in text.split(","):
        match = re.fullmatch(r"(\d{1,5})(?:-(\d{1,5}))?", part.strip())
        if match:
            found.update(range(int(match[1]), int(match[2] or match[1]) + 1))
    return frozenset(found)


def clock_source(current: str, available: str) -> Finding:
    """What CLOCK_MONOTONIC counts: reading some sources takes microseconds, each time."""
    if not current:
        return Finding("clock", "cannot tell", "the kernel does not say what it counts by")
    if current in ("tsc", "arch_sys_counter", "kvm-clock", "riscv_clocksource", "timebase"):
        return Finding("clock", "good", current)
    others = ", ".join(name for name in available.split() if name != current) or "none other"
    return Finding(
        "clock",
        "could be better",
        f"{current} (there is: {others})",
        "reading it is slow; the kernel's log says why it does not trust the processor's own counter (tsc)",
    )


def governor(sys: Path, core: int) -> Finding:
    """Whether the streamer's core keeps its frequency."""
    told = read_text(sys / f"devices/system/cpu/cpu{core}/cpufreq/scaling_governor")
    if not told:
        return Finding("processor frequency", "cannot tell", "the system does not change it, or does not say")
    if told == "performance":
        return Finding("processor frequency", "good", f"core {core}: performance")
    return Finding(
        "processor frequency",
        "could be better",
        f"core {core}: governor {told}",
        f"it slows down between ticks: cpupower frequency-set -g performance, or write performance into "
        f"/sys/devices/system/cpu/cpu{core}/cpufreq/scaling_governor",
    )


def stolen(before: str, after: str, core: int, ticks_a_second: int, seconds: float) -> Finding:
    """What a virtual machine's host took away while the timer was measured, by two texts of /proc/stat."""
    first, second = steal_ticks(before, core), steal_ticks(after, core)
    if first is None or second is None:
        return Finding("taken away by a host", "cannot tell", "the kernel does not say")
    ms = (second - first) * 1000.0 / ticks_a_second
    figures = {"stolen": Figure(ms, "ms")}
    if ms <= 0:
        return Finding("taken away by a host", "good", f"nothing in {seconds:g} s", figures=figures)
    return Finding(
        "taken away by a host",
        "could be better",
        f"core {core}: {ms:.0f} ms of {seconds:g} s",
        "this is a virtual machine whose host is busy; no setting in here helps. Paint from a computer of its own",
        figures,
    )


def steal_ticks(stat: str, core: int) -> int | None:
    """The steal column of a core in /proc/stat (proc(5)); None when there is none."""
    found = re.search(rf"^cpu{core}((?: +\d+)+)", stat, re.MULTILINE)
    columns = found[1].split() if found else []
    return int(columns[7]) if len(columns) > 7 else None
