# ruff: noqa: D102
"""Each quirk with a simulated drive that has it: with the name it is set up, moved and stopped; without, it is not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import get_args

import pytest

from drivers.can.group import CanDriveGroup
from drivers.clock import VirtualClock
from drivers.errors import FaultError, MisuseError
from drivers.interface import DriveState
from drivers.quirks import QUIRKS, Quirk
from drivers.settings import GroupSettings
from drivers.twin import habits
from drivers.twin.virtual import VirtualGantry
from tests.fakes.drive_settings import group_settings, twin_parameters

TICK_NS = 4_000_000


@dataclass
class Rig:
    """A group on a simulated gantry whose x drive has a quirk; ``told``: whether the settings say so."""

    gantry: VirtualGantry
    clock: VirtualClock
    group: CanDriveGroup
    habit: habits.Habits

    @property
    def x(self):
        return self.group.feedback.axes[0]

    def run(self, units: int, ticks: int) -> None:
        for _ in range(ticks):
            self.group.send_tick((units, 0), 0)
            self.clock.sleep_until_ns(self.clock.now_ns() + TICK_NS)
            self.group.poll()


def quirky(settings: GroupSettings, *names: Quirk) -> GroupSettings:
    x = settings.axes["x"].model_copy(update={"quirks": names})
    return settings.model_copy(update={"axes": {**settings.axes, "x": x}})


def rig_of(quirk: Quirk, *, told: bool, pdo: str = "sync") -> Rig:
    settings = group_settings(pdo=pdo)
    if told:
        settings = quirky(settings, quirk)
    clock = VirtualClock()
    gantry = VirtualGantry(settings, twin_parameters(), clock)
    habit = gantry.gantry.nodes[0].behave(quirk)
    return Rig(gantry, clock, CanDriveGroup(settings, gantry.link, clock), habit)


def test_the_set_is_closed_and_told() -> None:
    """Every name that the settings take has its line, and no line has a name that they do not take."""
    assert set(QUIRKS) == set(get_args(Quirk))
    assert all(len(line) > 20 for line in QUIRKS.values())


@pytest.mark.parametrize("quirk", sorted(set(QUIRKS) - {"remote-bit"}))
def test_a_drive_whose_quirk_is_told_works(quirk: Quirk) -> None:
    """Set up, enabled, 10 ticks at 10 mm/s, down again: as any other drive."""
    rig = rig_of(quirk, told=True, pdo="immediate" if quirk == "immediate-by-254" else "sync")
    rig.group.configure()
    rig.group.enable()
    begun = rig.x.position_counts
    rig.run(54_000, 20)
    assert rig.x.position_counts > begun + 54_000 * 0.04
    assert all(axis.state is DriveState.OPERATION_ENABLED for axis in rig.group.feedback.axes)
    rig.run(0, 20)
    rig.group.disable()
    assert rig.x.state is DriveState.SWITCH_ON_DISABLED


@pytest.mark.parametrize(
    ("quirk", "call", "words"),
    [
        ("fixed-mapping", "configure", r"1600h:00.*06010002"),
        ("no-abort-option", "configure", r"6007h:00.*06020000"),
        ("no-interpolation-period", "configure", r"60C2h:02.*06020000"),
        ("factors-unreliable", "configure", r"velocity_unit_counts_s.*5400.*60A9h = 00B44700h.*1 in the settings"),
        ("immediate-by-254", "configure", r"1400h:02.*255.*06090031"),
        ("slow-mode-change", "enable", r"axis x \(node 1\).*emergency FF01h"),
        ("slow-switch-on", "enable", r"axis x \(node 1\).*emergency FF02h"),
        ("mode-display-late", "enable", r"axis x \(node 1\).*6061h:00.*= 9, got 0"),
    ],
)  # fmt: skip
def test_a_drive_whose_quirk_is_not_told_is_refused(quirk: Quirk, call: str, words: str) -> None:
    """Without its name such a drive is a FaultError that names it and what it did; nothing is taken for well."""
    rig = rig_of(quirk, told=False, pdo="immediate" if quirk == "immediate-by-254" else "sync")
    if call == "enable":
        rig.group.configure()
    with pytest.raises(FaultError, match=words):
        getattr(rig.group, call)()
    with pytest.raises(MisuseError):
        rig.group.send_tick((0, 0), 0)


def test_a_fixed_mapping_of_another_kind_is_refused() -> None:
    """A drive that cannot be remapped and carries something else: refused with index, sub-index, expected, got."""
    rig = rig_of("fixed-mapping", told=True)
    od = rig.gantry.gantry.nodes[0].od
    od.entries[0x1A01, 2].value = 0x6077_0010
    with pytest.raises(FaultError, match=r"axis x \(node 1\): expected 1A01h:02.*606C0020h.*got.*60770010h"):
        rig.group.configure()


def test_a_slow_reset() -> None:
    """The fault goes only with the name: controlword 0000h stands for a while before the reset's edge."""
    for told in (True, False):
        rig = rig_of("slow-reset", told=told)
        rig.group.configure()
        rig.gantry.gantry.fail_drive("x", 0x7305)
        if told:
            (fault,) = rig.group.clear_fault()
            assert "7305h" in fault
            assert "encoder 1" in fault
            assert rig.x.state is DriveState.SWITCH_ON_DISABLED
        else:
            with pytest.raises(FaultError, match="a fault that can be cleared"):
                rig.group.clear_fault()


def test_remote_control_is_waited_for() -> None:
    """While bit 9 is clear nothing leads upwards; when it comes, the drive is enabled; when not, bit 9 is named."""
    rig = rig_of("remote-bit", told=True)
    rig.group.configure()
    rig.habit.remote_from_ns = rig.clock.now_ns() + 500_000_000
    rig.group.enable()
    assert rig.group.is_enabled
    assert rig.clock.now_ns() >= rig.habit.remote_from_ns
    never = rig_of("remote-bit", told=True)
    never.habit.remote_from_ns = 1 << 60
    never.group.configure()
    with pytest.raises(FaultError, match=r"axis x \(node 1\).*not under remote control: bit 9 is clear"):
        never.group.enable()
    untold = rig_of("remote-bit", told=False)
    untold.habit.remote_from_ns = 1 << 60
    untold.group.configure()
    with pytest.raises(FaultError, match="emergency FF03h"):
        untold.group.enable()


def test_a_voltage_bit_without_sense_is_not_looked_at() -> None:
    """Bit 4 that comes and goes: taken out of the statusword with the name, so that nobody takes it for lost power."""
    seen = {}
    for told in (True, False):
        rig = rig_of("no-voltage-bit", told=told)
        rig.group.configure()
        rig.group.enable()
        bits = set()
        for _ in range(12):
            rig.run(0, 1)
            bits.add(rig.x.statusword >> 4 & 1)
        seen[told] = bits
    assert seen == {True: {0}, False: {0, 1}}


def test_inverted_switches_are_turned_round() -> None:
    """Limits and home at rest read 0 with the name, 7 without; the head's own bits are as they were either way."""
    seen = {}
    for told in (True, False):
        rig = rig_of("inputs-inverted", told=told)
        rig.group.configure()
        rig.group.enable()
        rig.run(0, 3)
        seen[told] = rig.x.inputs & 7, rig.x.inputs >> 16 & 3
    assert seen == {True: (0, 2), False: (7, 2)}
