"""The stops are proved one by one by a hand and a guard that sees it; nothing else goes on before."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from controller.config.errors import RefusedError
from controller.config.load import load_machine
from controller.config.places import StateDir, shipped
from controller.config.tomlkeep import toml_of
from controller.session.commission import NAMES, commission
from controller.session.commissionbench import Bench
from controller.session.journal import Journal
from controller.session.stopproof import unproved
from controller.session.watcher import Watcher
from controller.stream.spec import HoldTask
from safety import latch

from .commissioned import Loops, Person, Wired

STOPS: dict[str, Any] = {
    "inputs": [
        {"kind": "drive-input", "name": "limit-loop", "axis": "x", "bit": 20},
        {"kind": "modem-line", "name": "emergency-stop", "device": "/dev/serial/by-id/loop", "line": "cts"},
        {"kind": "gpio", "name": "fence", "chip": "/dev/gpiochip0", "line": 17},
    ],
    "power_cut": {"kind": "modem-line", "device": "/dev/serial/by-id/loop", "line": "rts"},
}


async def _no_pause(_seconds: float) -> None:
    """Hands are quick here."""


class Site:
    """A machine file on a real wire, its state, hands and loops."""

    def __init__(self, folder: Path, stops: dict[str, Any] = STOPS) -> None:
        self.path = folder / "m.toml"
        text = shipped("machines/boathouse.toml").read_text().replace('"simulated" ', '"/dev/ttyACM7" ')
        self.path.write_text(text.replace("[canvas]", f"[stops]\n{_fields(stops)}\n[canvas]"))
        self.state = StateDir.open(folder / "s", "boathouse")
        self.runner = Wired(self.path, self.state)
        self.loops = Loops(self.state, ("emergency-stop", "fence"))
        hands = {f"{verb} {name}": self.loops.hand for verb in ("open", "close") for name in self.loops.open}
        self.person = Person({**hands, "open limit-loop": self._limit_loop})

    def _limit_loop(self, _question: Any) -> None:
        self.runner.open_input = "limit-loop"

    async def go(self, only: str = "stops", **more: Any) -> Any:
        """One call of the commissioning."""
        bench = Bench(
            self.path, self.state.root, self.person, Watcher(), lambda *_: self.runner, False, self.loops.look,
            _no_pause, by_hand_s=1.0,
        )  # fmt: skip
        return await commission(
            self.path, self.state.root, self.person, Watcher(), only=only, bench=bench, **more
        )

    def missing(self) -> tuple[str, ...]:
        """What is not proved."""
        journal = Journal.read(self.state.journal)
        try:
            return unproved(journal.calibration, load_machine(self.path))
        finally:
            journal.close()


def _fields(stops: dict[str, Any]) -> str:
    return "\n".join(f"{name} = {toml_of(value)}" for name, value in stops.items())


async def test_every_loop_is_opened_and_seen_and_cleared(tmp_path: Path) -> None:
    """The guard's own inputs and the contactor first, with no drive enabled; the drive's with axes that hold. Then, and
    only then, everything is proved, by name of the person."""
    site = Site(tmp_path)
    assert tomllib.loads(site.path.read_text())["wire"]["channel"] == "/dev/ttyACM7"
    result = await site.go()
    assert (result.stopped_at, result.done[0].state) == ("", "done")
    hands = [key for key in site.person.keys if key.split()[0] in ("open", "close", "clear", "power")]
    assert hands == [
        "open emergency-stop", "close emergency-stop", "clear", "open fence", "close fence", "clear",
        "power on", "power off", "open limit-loop", "close limit-loop", "clear",
    ]  # fmt: skip
    assert [order.tasks for order in site.runner.orders] == [(HoldTask(seconds=1.0),)]
    assert site.missing() == ()
    assert latch.read(site.state.latch) is None
    journal = Journal.read(site.state.journal)
    proofs = journal.calibration.proofs()
    journal.close()
    assert {row.person for row in proofs} == {"Ada"}
    assert len(proofs) == 4


@pytest.mark.parametrize(
    ("spoil", "words", "left"),
    [
        (
            lambda site: site.loops.wired.update({"fence": "emergency-stop"}),
            "emergency-stop opened instead",
            3,
        ),
        (
            lambda site: site.person.replies.update({"open emergency-stop": None}),
            "the guard saw nothing open",
            4,
        ),
        (lambda site: setattr(site.loops, "latches", False), "did not latch", 4),
        (lambda site: site.person.replies.update({"close fence": None}), "did not close again", 3),
        (lambda site: site.person.replies.update({"open limit-loop": None}), "the drive saw nothing", 1),
        (
            lambda site: site.person.replies.update({"power on": False}),
            "does not hold while the guard lives",
            2,
        ),
        (lambda site: site.person.replies.update({"power off": False}), "holds without a guard", 2),
    ],
)
async def test_what_does_not_work_is_not_proved(tmp_path: Path, spoil: Any, words: str, left: int) -> None:
    """Swapped, not wired, no latch, stuck, a contactor that hangs: told, not proved, and no later step goes on."""
    site = Site(tmp_path)
    spoil(site)
    result = await site.go()
    assert result.stopped_at == "stops"
    assert words in result.why
    assert len(site.missing()) == left
    if (found := latch.read(site.state.latch)) is not None:
        latch.clear(site.state.latch, "Ada", found.reason)
    for name in NAMES[1:]:
        with pytest.raises(RefusedError, match="step stops comes before"):
            await site.go(name)
    assert all(order.tasks == (HoldTask(seconds=1.0),) for order in site.runner.orders)


@pytest.mark.parametrize("opened", ["limit-loop", "another"])
async def test_a_drives_input_is_told_by_name_when_the_guard_was_quicker(tmp_path: Path, opened: str) -> None:
    """The guard ends the streamer before it can name the input: with the latch cleared and the loop left open, the
    streamer refuses by its name. Another loop than the one that was asked for proves nothing."""
    site = Site(
        tmp_path, {"inputs": [STOPS["inputs"][0], STOPS["inputs"][0] | {"name": "another", "bit": 21}]}
    )
    site.runner.ended_early = True
    site.person.replies["open limit-loop"] = lambda _question: setattr(site.runner, "open_input", opened)
    site.person.replies["open another"] = lambda _question: setattr(site.runner, "open_input", "")
    result = await site.go()
    assert result.stopped_at == "stops"
    (again,) = [one.text for one in site.person.asked if one.key == "leave limit-loop"]
    assert "both motors will hold again" in again
    assert "hand on the emergency stop" in again
    hands = [key for key in site.person.keys if key.split()[0] in ("open", "leave", "clear", "close")]
    if opened == "limit-loop":
        assert hands == ["open limit-loop", "leave limit-loop", "clear", "close limit-loop", "open another"]
        assert site.missing() == ("input another",)
    else:
        assert hands == ["open limit-loop", "leave limit-loop", "clear"]
        assert "expected it to stop the machine, got stop input another is open" in result.why
        assert len(site.missing()) == 2


async def test_another_wiring_asks_again_and_only_for_what_is_missing(tmp_path: Path) -> None:
    """Broken off in the middle, the next call goes on; a changed [stops] begins anew."""
    site = Site(tmp_path)
    site.person.replies["open limit-loop"] = None
    await site.go()
    site.person.replies["open limit-loop"] = site._limit_loop
    site.person.asked.clear()
    assert (await site.go()).stopped_at == ""
    assert "open emergency-stop" not in site.person.keys
    assert "open limit-loop" in site.person.keys
    site.path.write_text(site.path.read_text().replace('"cts"', '"dsr"'))
    assert len(site.missing()) == 4
    with pytest.raises(RefusedError, match="step stops comes before"):
        await site.go("direction")


async def test_a_latch_is_never_cleared_without_a_yes(tmp_path: Path) -> None:
    """The person says no: the latch stays, and so does the refusal."""
    site = Site(tmp_path)
    site.person.replies["clear"] = False
    assert (await site.go()).stopped_at == "stops"
    assert latch.read(site.state.latch) is not None
    with pytest.raises(RefusedError, match="giornata clear"):
        await site.go()


async def test_a_machine_without_stops_is_told_so(tmp_path: Path) -> None:
    """Nothing to prove is said in words, and kept."""
    site = Site(tmp_path, {"debounce_ms": 2.0})
    (row,) = (await site.go()).done
    assert "nothing beside your hardware" in row.words[0]
