"""What the guard is told follows from the machine file, in its units."""

from __future__ import annotations

from pathlib import Path

from controller.config.load import load_machine
from controller.config.places import StateDir, shipped
from controller.session.guarding import guard_settings
from drivers.interface import StandstillWord, StopPlan
from safety.settings import GuardSettings


def test_limits_and_paths(tmp_path: Path) -> None:
    """mm become um, the envelope is the soft limits and the allowed following error, and the file reads back."""
    machine, state = load_machine(shipped("machines/boathouse.toml")), StateDir(tmp_path)
    plan = StopPlan(
        "tty", "/dev/pts/9", b"\r", (b"t0000\r",), b"t0800\r", (StandstillWord("x", 0x181, 2, 4, 0.2),)
    )
    settings = guard_settings(machine, state, plan, 42)
    assert settings.envelope_um == ((16_000, 3_384_000), (16_000, 2_184_000))
    assert settings.speed_max_um_s == (770_000, 770_000)
    assert settings.following_max_um == (4_000, 4_000)
    assert settings.stop_um_s2 == (5_000_000, 5_000_000)
    assert settings.lease_max_ms > machine.lease.lease_ms
    assert settings.overrun_ms < machine.lease.lease_ms
    assert (settings.service_pid, settings.latch_path) == (42, str(tmp_path / "latch.json"))
    settings.dump(tmp_path / "guard.json")
    assert GuardSettings.load(tmp_path / "guard.json") == settings
