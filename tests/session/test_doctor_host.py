"""The doctor's judgement of a computer, on invented /proc and /sys trees and invented figures."""

from __future__ import annotations

import os
import resource
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.session import doctorhost, doctorports
from controller.session.doctorfinding import Finding, must_be_mended, percentile, us
from controller.session.doctorhost import host_findings, steal_ticks

UNLIMITED = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
CAPS_OF_ROOT = 0x1FF_FFFF_FFFF
STAT = """cpu  10 0 10 1000 5 0 1 40 0 0
cpu0 5 0 5 500 2 0 1 10 0 0
cpu1 5 0 5 500 3 0 0 30 0 0
cpu11 5 0 5 500 3 0 0 77 0 0
intr 1
"""


def write(root: Path, **files: str) -> Path:
    """A tree of small files; ``__`` in a name is a slash."""
    for name, text in files.items():
        path = root / name.replace("__", "/")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text + "\n")
    return root


def by_name(findings: list[Finding]) -> dict[str, Finding]:
    """Findings by their name; every advice goes with something that is not good."""
    assert all(bool(one.advice) or one.state in ("good", "cannot tell") for one in findings)
    return {one.name: one for one in findings}


def test_a_well_kept_computer(tmp_path: Path) -> None:
    """Rights, memory, two cores of which one is isolated, the processor's own counter, no change of frequency: good."""
    proc = write(
        tmp_path / "proc",
        self__status=f"Name:\tx\nCapEff:\t{CAPS_OF_ROOT:016x}",
        sys__kernel__sched_rt_runtime_us="950000",
        sys__kernel__sched_rt_period_us="1000000",
    )
    sys = write(
        tmp_path / "sys",
        devices__system__cpu__isolated="3",
        devices__system__cpu__cpu3__cpufreq__scaling_governor="performance",
        devices__system__clocksource__clocksource0__current_clocksource="tsc",
        devices__system__clocksource__clocksource0__available_clocksource="tsc hpet acpi_pm",
    )
    found = by_name(host_findings(proc, sys, {0, 1, 3}, lambda _which: (0, 0)))
    assert {one.state for one in found.values()} == {"good"}
    assert found["cores"].measured == "3; core 3 is kept free for the streamer"


def test_an_ordinary_account_on_an_ordinary_computer(tmp_path: Path) -> None:
    """No rights, little lockable memory, one core, a slow clock, power saving: each could be better, with advice."""
    proc = write(
        tmp_path / "proc",
        self__status="CapEff:\t0000000000000000",
        sys__kernel__sched_rt_runtime_us="200000",
        sys__kernel__sched_rt_period_us="1000000",
    )
    sys = write(
        tmp_path / "sys",
        devices__system__cpu__cpu0__cpufreq__scaling_governor="powersave",
        devices__system__clocksource__clocksource0__current_clocksource="hpet",
    )
    limits = {resource.RLIMIT_RTPRIO: (0, 0), resource.RLIMIT_MEMLOCK: (8 << 20, 8 << 20)}
    found = by_name(host_findings(proc, sys, {0}, limits.__getitem__))
    assert {one.state for one in found.values()} == {"could be better"}
    assert "rtprio 80" in found["real-time scheduling"].advice
    assert found["locked memory"].figures["limit"].value == 8
    assert "governor powersave" in found["processor frequency"].measured
    assert not must_be_mended(found.values())


def test_a_computer_that_says_nothing(tmp_path: Path) -> None:
    """Empty trees: what cannot be read cannot be told; limits alone can give the rights."""
    found = by_name(host_findings(tmp_path, tmp_path, {0, 1}, lambda _which: UNLIMITED))
    assert {name for name, one in found.items() if one.state == "cannot tell"} == {
        "real-time throttling", "clock", "processor frequency",
    }  # fmt: skip
    assert found["real-time scheduling"].state == found["locked memory"].state == "good"


@pytest.mark.parametrize(("limit", "state"), [(79, "could be better"), (80, "good"), (99, "good")])
def test_an_rtprio_limit_must_reach_the_streamers_priority(limit: int, state: str) -> None:
    """SCHED_FIFO 80 needs an rtprio limit of 80 (sched(7)), or CAP_SYS_NICE, bit 23 of capabilities(7)."""
    assert doctorhost.realtime(0, (limit, limit)).state == state
    assert doctorhost.realtime(1 << 23, (0, 0)).state == "good"
    assert doctorhost.realtime(~(1 << 23) & CAPS_OF_ROOT, (0, 0)).state == "could be better"
    assert doctorhost.locked_memory(1 << 14, (0, 0)).state == "good"


def test_steal_is_the_eighth_column_of_the_core() -> None:
    """proc(5): user nice system idle iowait irq softirq steal; cpu1 is not cpu11."""
    assert (steal_ticks(STAT, 0), steal_ticks(STAT, 1), steal_ticks(STAT, 11), steal_ticks(STAT, 2)) == (
        10,
        30,
        77,
        None,
    )
    after = STAT.replace("3 0 0 30 0 0", "3 0 0 42 0 0")
    finding = doctorhost.stolen(STAT, after, 1, 100, 5.0)
    assert (finding.state, finding.measured) == ("could be better", "core 1: 120 ms of 5 s")
    assert doctorhost.stolen(STAT, STAT, 1, 100, 5.0).state == "good"
    assert doctorhost.stolen("", "", 1, 100, 5.0).state == "cannot tell"


def test_ports(tmp_path: Path) -> None:
    """A port that is not there, or is an ordinary file, must be mended; one that is ours to open is good."""
    assert doctorports.port(tmp_path / "ttyUSB9").state == "must be mended"
    (tmp_path / "ttyUSB8").write_text("")
    assert doctorports.port(tmp_path / "ttyUSB8").measured.endswith("no serial port")
    line, far = os.openpty()
    try:
        assert doctorports.port(Path(os.ttyname(far))).state == "good"
    finally:
        os.close(line)
        os.close(far)


def test_a_port_of_another_group(monkeypatch: pytest.MonkeyPatch) -> None:
    """A port that this account may not open: the advice names the group that owns it."""
    line, far = os.openpty()
    try:
        monkeypatch.setattr(os, "access", lambda *_: False)
        finding = doctorports.port(Path(os.ttyname(far)))
    finally:
        os.close(line)
        os.close(far)
    assert finding.state == "must be mended"
    assert "usermod -aG" in finding.advice


@pytest.mark.parametrize(
    ("timer", "state"),
    [("1", "good"), ("0", "good"), ("16", "must be mended"), ("", "cannot tell"), ("x", "cannot tell")],
)
def test_usb_latency_timers(tmp_path: Path, timer: str, state: str) -> None:
    """The kernel's usb-serial latency_timer in ms: 1 at most."""
    sys = write(tmp_path, bus__usb_serial__devices__ttyUSB0__latency_timer=timer)
    (sys / "bus/usb_serial").rename(sys / "bus/usb-serial")
    finding = doctorports.latency_timer(sys, "ttyUSB0")
    assert finding.state == state
    if state == "must be mended":
        assert 'ATTR{latency_timer}="1"' in finding.advice


@pytest.mark.parametrize(
    ("files", "state", "words"),
    [
        ({}, "must be mended", "not there"),
        ({"flags": "0x40080"}, "must be mended", "is down"),
        ({"flags": "0x40081", "tx_queue_len": "10"}, "good", "no errors"),
        ({"flags": "0x40081", "tx_queue_len": "1000"}, "could be better", "queue of 1000"),
        ({"flags": "0x40081", "statistics__rx_errors": "7"}, "could be better", "rx_errors 7"),
        ({"flags": "moon"}, "cannot tell", "flags moon"),
    ],
)
def test_can_interfaces(tmp_path: Path, files: dict[str, str], state: str, words: str) -> None:
    """Flags as in netdevice(7), bit 0 is up; counted errors and long queues are told."""
    sys = write(tmp_path, **{f"class__net__can0__{name}": text for name, text in files.items()})
    finding = doctorports.interface(sys, "can0")
    assert finding.state == state
    assert words in finding.measured


@settings(max_examples=40)
@given(st.lists(st.integers(0, 10**9), min_size=1, max_size=200), st.floats(0.001, 1.0))
def test_percentiles_are_nearest_ranks(values: list[int], share: float) -> None:
    """At least ``share`` of the values are no larger, and no smaller value would do."""
    ascending = sorted(values)
    found = percentile(ascending, share)
    at_most = sum(value <= found for value in values)
    assert at_most >= share * len(values) - 1e-9
    below = [value for value in values if value < found]
    assert len(below) < share * len(values) + 1e-9


def test_times_in_their_best_unit() -> None:
    """Three digits, µs to s."""
    assert [us(900), us(1_230_000), us(2_000_000_000)] == ["0.9 µs", "1.23 ms", "2 s"]


@settings(max_examples=40)
@given(st.text(max_size=200))
def test_texts_of_a_kernel_never_break_it(text: str) -> None:
    """Whatever those files hold, there is a finding."""
    doctorhost.throttling(text, text)
    doctorhost.clock_source(text, text)
    doctorhost.core_list(text)
    doctorhost.capabilities(text)
    doctorhost.stolen(text, text, 0, 100, 1.0)
