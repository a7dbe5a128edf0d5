"""A pulley slips between two homings of the simulated gantry: named, painting refused, looked at, painted on."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.config.errors import RefusedError
from controller.session import looking, verbs

from .conftest import Bench, made

SLIP_MM = 0.6
"""Less than the 0.8 mm that one homing may differ from the last: only the history sees it."""


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """The machine file as it is shipped: its homings are what is tested."""
    return made(tmp_path)


@pytest.mark.campaign
def test_slip_that_every_homing_accepts_stops_painting_until_looked_at(bench: Bench) -> None:
    """Eight homings, the slip, two homings more: a step of its size on x, nothing on y; a look lets it paint."""
    text = bench.job.read_text()
    bench.job.write_text(text.replace("[[inks]]", "[traps]\nwidth_mm = 3.0\n[[inks]]", 1))
    for _ in range(7):
        bench.home()
    bench.paint(inks=["ochre"])  # homes the eighth time
    machine = bench.machine.read_text()
    where = machine.index("home_switch_mm = 15.0", machine.index("[twin.axes.x]"))
    bench.machine.write_text(machine[:where] + f"home_switch_mm = {15.0 + SLIP_MM}" + machine[where + 21 :])
    bench.prepared()
    with pytest.raises(
        RefusedError, match=r"axis x: jumped by .*one homing alone may be wrong.*giornata home"
    ):
        bench.paint(inks=["teal"])
    done = bench.home()
    assert done.drift is not None
    ((axis, event),) = done.drift.open_jumps
    assert (axis, event.row, event.confirmed) == ("x", 8, True)
    assert event.size_mm == pytest.approx(SLIP_MM, abs=0.03)
    with pytest.raises(RefusedError, match=r"pulley.*--looked"):
        bench.paint(inks=["teal"])
    assert verbs.status(bench.machine, bench.root)["drift"]["refuses"][0]["axis"] == "x"
    said = " ".join(done.drift.lines)
    assert "small-tide: drift 0.6 mm of the 3.0 mm that the traps allow" in said
    looking.look(bench.machine, bench.root, cause="belt", reason="pulley screw tightened", person="Ada")
    (result,) = bench.paint(inks=["teal"]).passes
    assert result.state == "finished"
    seen = looking.drift(bench.machine, bench.root, bench.job)
    assert seen is not None
    assert seen.allowance is not None
    assert seen.allowance.used_mm < 0.1
