"""``giornata trace`` as a shell sees it: on, a run, show, export, off. Virtual time."""

from __future__ import annotations

import os
from pathlib import Path

import can
import pytest

from controller.cli.trace import line_text
from controller.config.places import StateDir, shipped
from controller.session import tracing
from drivers.tracefile import TraceWriter, read_trace
from drivers.tracewords import Line
from tests.cli.conftest import Answer, Shell


def verb(shell: Shell, name: str, *arguments: object) -> Answer:
    """A verb of ``trace`` on this machine and state."""
    return shell.run("trace", name, *arguments, "--machine", shell.machine, "--state", shell.state)


def near_home(shell: Shell) -> None:
    """The simulated gantry stands close to its switches, which are touched twice: a short homing."""
    for old, new in (("start_mm = 300.0", "start_mm = 30.0"), ("start_mm = 220.0", "start_mm = 30.0")):
        shell.edit(shell.machine, old, new)
    for _axis in range(2):
        shell.edit(shell.machine, "touches = 4", "touches = 2")


def test_a_run_is_traced_shown_and_exported(shell: Shell) -> None:
    """On, home, show, export, off: the run's folder holds every frame, and the export is what python-can reads."""
    assert verb(shell, "on", "--mib", 4, "--json").json == {"ok": True, "mib": 4}
    assert shell.home().code == 0
    folder = shell.state / "runs" / "0001-homing"
    assert shell.runs == ["0001-homing"]
    trace = read_trace(folder / "wire.gtr")
    assert (trace.overwritten, trace.torn, trace.description["run"]) == (0, 0, "0001-homing")
    pieces = list(trace.pieces())

    shown = shell.run("trace", "show", folder)
    assert shown.code == 0
    lines = shown.out.splitlines()
    assert lines[0].startswith("boathouse, 0001-homing, virtual time, from 20")
    assert len(lines) == 1 + len(pieces)
    assert any("x enable operation, velocity" in line for line in lines)
    assert any("y operation enabled, position" in line for line in lines)

    some = shell.run(
        "trace", "show", folder, "--kind", "sdo", "--node", "y", "--to", "0.5", "--last", 3, "--json"
    ).json
    assert [(frame["node"], frame["kind"]) for frame in some["frames"]] == [(2, "sdo")] * 3
    assert all(frame["at_ns"] <= 500_000_000 for frame in some["frames"])
    late = shell.run("trace", "show", folder, "--from", "9999")
    assert "no frame is like that" in late.err

    log = shell.folder / "moon.log"
    assert shell.run("trace", "export", folder, log, "--json").json["frames"] == len(pieces)
    with can.LogReader(log) as reader:
        assert [(one.arbitration_id, bytes(one.data)) for one in reader] == [
            (piece.can_id, piece.data) for piece in pieces
        ]

    assert verb(shell, "off").code == 0
    assert tracing.wanted(StateDir(shell.state)) is None


def test_bad_input_is_told(shell: Shell) -> None:
    """Files that are none, unknown kinds and axes, a suffix without a format: exit 2, with what was expected."""
    assert shell.run("trace", "show", shell.folder / "nothing").code == 2
    assert "a file that giornata wrote" in shell.run("trace", "show", shell.machine).err
    path = shell.folder / "wire.gtr"
    TraceWriter.create(path, 4, {"nodes": {"1": "x"}, "wire": {"kind": "can", "carries": "frames"}}).close()
    assert "sdo" in shell.run("trace", "show", path, "--kind", "moon").err
    wrong = shell.run("trace", "show", path, "--node", "z")
    assert (wrong.code, "one of x" in wrong.err) == (2, True)
    wrong = shell.run("trace", "export", path, shell.folder / "moon.png")
    assert (wrong.code, ".asc" in wrong.err) == (2, True)


def test_a_modbus_line_is_traced_too(shell: Shell) -> None:
    """The same on a serial line: exchanges in words; the export is a table."""
    shell.machine.write_text(shipped("machines/boathouse-modbus.toml").read_text())
    near_home(shell)
    verb(shell, "on")
    assert shell.home().code == 0
    folder = shell.state / "runs" / "0001-homing"
    shown = shell.run("trace", "show", folder, "--json").json["frames"]
    kinds = {
        kind: sum(frame["kind"] == kind for frame in shown)
        for kind in ("request", "answer", "broken", "other")
    }
    assert kinds["request"] == kinds["answer"] > 100
    assert (kinds["broken"], kinds["other"]) == (0, 0)
    assert any("operation enabled" in frame["words"] for frame in shown)
    assert "ends in .csv" in shell.run("trace", "export", folder, shell.folder / "moon.log").err
    assert shell.run("trace", "export", folder, shell.folder / "moon.csv").code == 0


def test_what_a_dead_session_left_is_kept(tmp_path: Path) -> None:
    """A ring without a writer goes into its run's folder before the next run makes its own."""
    state = StateDir.open(tmp_path / "s", "boathouse")
    (state.runs / "0007-moon").mkdir()
    tracing.switch(state, 2)
    wanted = tracing.wanted(state)
    assert wanted is not None
    ring, mib = wanted
    assert mib == 2
    writer = TraceWriter.create(ring, 10, {"run": "0007-moon"})
    writer.frame(1, 0, 0x181, b"\x37\x02")
    writer.count()
    assert tracing.wanted(state) == wanted
    assert not ring.exists()
    kept = state.runs / "0007-moon" / "wire.gtr"
    assert len(list(tracing.load(kept).pieces())) == 1
    tracing.switch(state, None)
    assert tracing.wanted(state) is None


def test_only_the_latest_runs_keep_their_traces(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Traces of weeks do not fill the disk: the oldest goes when a run's trace is kept beyond the limit."""
    monkeypatch.setattr(tracing, "KEPT_RUNS", 2)
    state = StateDir.open(tmp_path / "s", "boathouse")
    for number, name in enumerate(("0001-moon", "0002-moon", "0003-moon"), start=1):
        (state.runs / name).mkdir()
        ring = tracing.in_memory(state, "trace")
        TraceWriter.create(ring, 10, {"run": name}).close()
        assert tracing.keep_left(state) == ()
        os.utime(state.runs / name / "wire.gtr", (number, number))
    TraceWriter.create(tracing.in_memory(state, "trace"), 10, {"run": "0003-moon"}).close()
    assert tracing.keep_left(state) == ()
    assert sorted(path.parent.name for path in state.runs.glob("*/wire.gtr")) == ["0002-moon", "0003-moon"]


def test_a_trace_that_cannot_be_kept_is_told(tmp_path: Path) -> None:
    """A run's folder that takes no file: a note for the outcome says where the ring lies; nothing half is left."""
    state = StateDir.open(tmp_path / "s", "boathouse")
    (state.runs / "0001-moon" / "wire.gtr").mkdir(parents=True)
    ring = tracing.in_memory(state, "trace")
    TraceWriter.create(ring, 10, {"run": "0001-moon"}).close()
    (note,) = tracing.keep_left(state)
    assert "could not be kept" in note
    assert str(ring) in note
    assert ring.exists()
    assert [path.name for path in (state.runs / "0001-moon").iterdir()] == ["wire.gtr"]
    ring.unlink()


@pytest.mark.parametrize(
    ("text", "mib"),
    [("{}", 32), ("moon", 32), ('{"mib": 5}', 5), ('{"mib": true}', 32), ('{"mib": 9999}', 32)],
)
def test_a_damaged_switch_still_means_on(tmp_path: Path, text: str, mib: int) -> None:
    """Whoever switched it on wanted a trace."""
    state = StateDir.open(tmp_path / "s", "boathouse")
    tracing.switch_path(state).write_text(text)
    assert tracing.switched(state) == mib


def test_a_line_fits_a_terminal_of_80_columns() -> None:
    """A drive's commonest frames are whole on 80 columns."""
    for data, words in (
        (bytes(8), "x operation enabled, position 1620000"),
        (b"", "SYNC"),
        (bytes(6), "x quick stop"),
    ):
        line = Line(0, True, True, 0x181, 1, "pdo", data, words)
        assert len(line_text(999_999_000_000, 999_999_000, line)) <= 80
