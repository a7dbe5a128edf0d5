"""Measuring marks in a session: what moves and when, what a person may say, what is kept and what comes of it."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from controller.config.errors import InputError, RefusedError
from controller.config.load import load_machine
from controller.config.places import shipped
from controller.motion.geometry import GeometryMap
from controller.register.fit import mapped
from controller.session import registering, verbs
from controller.session.daemon import locked
from controller.session.operator import SimulatedOperator
from controller.session.registering import AtMark, Found, Jog, Skip
from controller.session.replan import map_in_force
from controller.session.service import StoppedError
from controller.session.steering import HELP, GiveUp, Step, read
from controller.session.watcher import Watcher
from controller.stream.spec import HomingTask, MoveTask, ScheduleTask, StreamOutcome
from tests.session.conftest import JOB, SVG, FakeRunner

BOATHOUSE = shipped("machines/boathouse.toml")
MACHINE = load_machine(BOATHOUSE)
PLACES = {"a": (40.0, 40.0), "b": (2950.0, 45.0), "c": (2940.0, 1850.0), "d": (35.0, 1860.0)}
MARKS = "[register]\nexisting = true\nuncertainty_mm = 0.1\n[register.marks_mm]\n" + "".join(
    f"{name} = [{x}, {y}]\n" for name, (x, y) in PLACES.items()
)
TURN = np.radians(0.2)
MOVED = np.array([[np.cos(TURN), -np.sin(TURN), 6.0], [np.sin(TURN), np.cos(TURN), -2.0]])
"""The canvas hangs turned by 0.2 degrees, 6 mm to the right and 2 mm higher."""


@dataclass
class Steers:
    """Answers for each mark in turn from ``answers``; where there are none, as far off as ``moved`` puts it."""

    moved: np.ndarray = field(default_factory=lambda: np.eye(2, 3))
    answers: dict[str, list] = field(default_factory=dict)
    seen: list[AtMark] = field(default_factory=list)

    async def steer(self, at: AtMark):
        """The next answer."""
        self.seen.append(at)
        if self.answers.get(at.name):
            return self.answers[at.name].pop(0)
        nominal = np.array(PLACES[at.name])
        return Found(*(mapped(self.moved, nominal) - nominal - at.off_mm).tolist())


class Says(SimulatedOperator):
    """Confirms as told."""

    def __init__(self, yes: bool = True) -> None:
        super().__init__()
        self.yes = yes

    async def confirm(self, question: str) -> bool:
        """Keep the question."""
        self.asked.append(question)
        return self.yes


@dataclass
class Place:
    """A job with marks, a machine's state, a runner."""

    job: Path
    root: Path
    runner: FakeRunner
    operator: Says

    def measure(self, steerer: Steers) -> registering.MarksDone:
        """One session."""
        return asyncio.run(
            registering.marks(
                self.job, BOATHOUSE, self.root, self.operator, steerer, Watcher(), "Ada",
                runner_of=lambda *_: self.runner, signals=False,
            )
        )  # fmt: skip

    def in_force(self):
        """The map in force."""
        return map_in_force(verbs.state_of(BOATHOUSE, self.root), "boathouse", "three")

    def targets(self) -> list[tuple[float, float]]:
        """Where the head was sent, all moves."""
        return [
            task.target_mm
            for order in self.runner.orders
            for task in order.tasks
            if isinstance(task, MoveTask)
        ]


@pytest.fixture
def place(tmp_path: Path) -> Place:
    """Everything at its beginning."""
    (tmp_path / "three.svg").write_text(SVG)
    (tmp_path / "job.toml").write_text(JOB + MARKS)
    return Place(tmp_path / "job.toml", tmp_path / "s", FakeRunner(), Says())


def test_map_through_marks_is_kept_and_in_force(place: Place) -> None:
    """Home, then two moves to each mark, park; the map is the one by which the canvas moved; all is kept."""
    done = place.measure(Steers(MOVED))
    assert isinstance(place.runner.orders[0].tasks[0], HomingTask)
    assert all(len(order.tasks) == 2 for order in place.runner.orders[1:-1])
    assert len(place.runner.orders) == 6
    assert place.targets()[-1] == MACHINE.park_mm
    kept = place.in_force()
    assert kept is not None
    np.testing.assert_allclose(kept.matrix, MOVED, atol=1e-9)
    assert [one.name for one in kept.marks] == list(PLACES)
    assert kept.person == "Ada"
    assert kept.summary == done.lines
    assert done.registration.turn_deg == pytest.approx(0.2)
    assert done.registration.fit.dof == 5
    registering.marks_json(done)


def test_head_comes_to_a_mark_from_one_side_with_the_play_taken_up(place: Place) -> None:
    """The motors stop half the play beyond the mark, coming from before it by more than the play."""
    place.measure(Steers())
    geometry = GeometryMap.of(MACHINE)
    targets = np.array(place.targets()[:-1]).reshape(-1, 2, 2)
    heads = geometry.to_axes(np.array(list(PLACES.values())))
    half = np.array([MACHINE.axes[axis].play_mm / 2.0 for axis in "xy"])
    assert (half > 0).all()
    np.testing.assert_allclose(targets[:, 1], heads + half, atol=1e-9)
    assert (targets[:, 1] - targets[:, 0] > 2.0 * half + 1.0).all()


def test_jogs_add_up_and_are_driven(place: Place) -> None:
    """Two jogs and a typed rest: the place measured is their sum, and the head went each way."""
    moved = np.array([[1.0, 0.0, 1.05], [0.0, 1.0, -0.1]])
    steerer = Steers(moved, answers={"a": [Jog(1.0, 0.0), Jog(0.0, -0.1), Found(0.05, 0.0)]})
    done = place.measure(steerer)
    assert done.marks[0].measured_mm == pytest.approx((41.05, 39.9))
    assert [at.off_mm for at in steerer.seen[:3]] == [(0.0, 0.0), (1.0, 0.0), pytest.approx((1.0, -0.1))]
    first, second, third = (np.array(place.targets()[2 * n + 1]) for n in range(3))
    np.testing.assert_allclose(second - first, (1.0, 0.0), atol=1e-9)
    np.testing.assert_allclose(third - first, (1.0, -0.1), atol=1e-9)


def test_second_measuring_is_composed_with_the_first(place: Place) -> None:
    """Marks are looked for where the map in force puts them; what is found then comes on top of it."""
    place.measure(Steers(MOVED))
    first = place.in_force()
    small = np.array([[1.0, 0.0, 0.5], [0.0, 1.0, 0.25]])
    place.runner.orders.clear()
    place.measure(Steers(small))
    second = place.in_force()
    assert first is not None
    assert second is not None
    nominal = np.array(list(PLACES.values()))
    np.testing.assert_allclose(
        mapped(second.matrix, nominal), mapped(first.matrix, mapped(small, nominal)), atol=1e-9
    )
    half = np.array([MACHINE.axes[axis].play_mm / 2.0 for axis in "xy"])
    sent = np.array(place.targets()[1]) - half
    np.testing.assert_allclose(sent, GeometryMap.of(MACHINE, first.matrix).to_axes(nominal[0]), atol=1e-9)


def test_wrong_sign_is_refused_by_name_and_the_map_in_force_stays(place: Place) -> None:
    """One offset typed with the wrong sign: refused, the mark named; nothing is kept but a note."""
    place.measure(Steers(MOVED))
    before = place.in_force()
    answers = {"c": [Found(-4.2, 0.2)]}
    wrong = np.array([[1.0, 0.0, 4.2], [0.0, 1.0, 0.2]])
    with pytest.raises(RefusedError, match=r"mark c disagrees with the others.*other sign of its x offset"):
        place.measure(Steers(wrong, answers))
    assert place.in_force() == before


@pytest.mark.parametrize("reason", ["no", "gives up", "too few"])
def test_without_a_yes_nothing_is_kept(place: Place, reason: str) -> None:
    """A no, giving up at a mark, or too few marks seen: no map."""
    if reason == "no":
        place.operator.yes = False
        assert place.measure(Steers(MOVED)).kept is None
    elif reason == "gives up":
        with pytest.raises(StoppedError):
            place.measure(Steers(MOVED, {"b": [None]}))
    else:
        with pytest.raises(RefusedError, match="expected at least 3 marks, got 2"):
            place.measure(Steers(MOVED, {"a": [Skip()], "b": [Skip()]}))
    assert place.in_force() is None


def test_marks_out_of_reach_are_refused_before_anything_moves(place: Place) -> None:
    """A mark beyond the soft limits: refused, nothing was homed."""
    place.job.write_text(place.job.read_text().replace("d = [35.0, 1860.0]", "d = [35.0, 37000.0]"))
    with pytest.raises(RefusedError, match="outside the machine's travel"):
        place.measure(Steers())
    assert place.runner.orders == []


def test_jog_out_of_reach_moves_nothing_and_loses_nothing(place: Place) -> None:
    """The head stays, it is said, the same mark is asked for again; what was found before and after is kept."""

    class Notes(Watcher):
        def __init__(self) -> None:
            self.lines: list[str] = []

        def note(self, text: str) -> None:
            self.lines.append(text)

    high = MACHINE.axes["x"].max_mm - MACHINE.canvas.origin_mm[0]
    jogs = int((high - PLACES["b"][0]) / 10.0) + 2
    steerer, notes = Steers(MOVED, {"b": [Jog(10.0, 0.0)] * jogs}), Notes()
    done = asyncio.run(
        registering.marks(
            place.job, BOATHOUSE, place.root, place.operator, steerer, notes, "Ada",
            runner_of=lambda *_: place.runner, signals=False,
        )
    )  # fmt: skip
    assert done.kept is not None
    np.testing.assert_allclose(done.kept.matrix, MOVED, atol=1e-9)
    refused = [line for line in notes.lines if "outside the machine's travel: jog the other way" in line]
    asked = [at.off_mm for at in steerer.seen if at.name == "b"]
    assert len(asked) == jogs + 1
    assert len(refused) == sum(one == before for before, one in pairwise(asked)) >= 1
    assert max(x for x, _ in place.targets()) <= MACHINE.axes["x"].max_mm


def test_job_without_marks_and_busy_machine_are_refused(place: Place) -> None:
    """No [register] table; another session's lock."""
    with (
        locked(verbs.state_of(BOATHOUSE, place.root).open(place.root, "boathouse"), "paint"),
        pytest.raises(RefusedError, match="another session"),
    ):
        place.measure(Steers())
    place.job.write_text(JOB)
    with pytest.raises(InputError, match=r"register: expected a \[register\] table"):
        place.measure(Steers())


def test_stop_while_a_person_is_asked_ends_it(place: Place) -> None:
    """A stop asked for at the prompt: stopped, no map, no further move."""
    from controller.session import control

    class Stopping(Steers):
        async def steer(self, at: AtMark):
            socket = verbs.state_of(BOATHOUSE, place.root).control_socket
            await asyncio.to_thread(control.ask, socket, "stop", 5.0, "controlled")
            await asyncio.Event().wait()

    with pytest.raises(StoppedError):
        place.measure(Stopping())
    assert len(place.runner.orders) == 2
    assert place.in_force() is None


def test_passes_are_planned_under_the_map_and_their_strokes_stay(place: Place) -> None:
    """After the map: same strokes, other schedule; the record says the map; a folder of before is refused."""
    folder = place.root / "prepared" / "three"

    def prepared():
        return verbs.prepared_for(place.job, BOATHOUSE, folder, None, said.append, state_root=place.root)

    said: list[str] = []
    before = prepared()
    was, digest = before.strokes("teal-1"), before.part("teal-1").digest
    row = before.part("teal-1")
    place.measure(Steers(MOVED))
    after = prepared()
    assert any("under register map 1; their strokes stay" in one for one in said)
    np.testing.assert_array_equal(after.strokes("teal-1").points_mm, was.points_mm)
    assert after.part("teal-1").digest != digest
    assert after.part("teal-1").plan_key == row.plan_key != ""
    assert after.record.register_map is not None
    np.testing.assert_allclose(after.record.register_map, MOVED, atol=1e-9)
    with pytest.raises(RefusedError, match="register map 1 is in force for three"):
        asyncio.run(
            verbs.paint(
                before, BOATHOUSE, place.root, place.operator, Watcher(), runner_of=lambda *_: place.runner,
                signals=False,
            )
        )  # fmt: skip


def test_begun_pass_goes_on_under_the_map(place: Place) -> None:
    """One of three strokes painted, stopped, the canvas hung again and measured: the other two follow, same pass."""

    def paint():
        prepared = verbs.prepared_for(
            place.job, BOATHOUSE, place.root / "prepared" / "three", None, lambda _note: None,
            state_root=place.root,
        )  # fmt: skip
        return asyncio.run(
            verbs.paint(
                prepared, BOATHOUSE, place.root, place.operator, Watcher(), home_first=False,
                runner_of=lambda *_: place.runner, signals=False,
            )
        )  # fmt: skip

    asyncio.run(
        verbs.home(
            BOATHOUSE, place.root, place.operator, Watcher(), runner_of=lambda *_: place.runner, signals=False
        )
    )
    place.runner.strokes, place.runner.pass_end = 1, StreamOutcome(end="stopped")
    with pytest.raises(StoppedError):
        paint()
    place.runner.strokes, place.runner.pass_end = 3, StreamOutcome(end="done")
    place.measure(Steers(MOVED))
    (result,) = paint().passes
    assert (result.strokes, result.painted_now, result.state) == (3, 2, "finished")
    task = place.runner.orders[-1].tasks[0]
    assert isinstance(task, ScheduleTask)
    assert task.first_segment == 5
    assert paint().passes == ()


def test_withdrawn_map_plans_as_without(place: Place) -> None:
    """Another canvas: the map that changes nothing is in force, the one before stays in the journal."""
    with pytest.raises(RefusedError, match="no register map is in force"):
        registering.withdraw(place.job, BOATHOUSE, place.root, "Ada")
    folder = place.root / "prepared" / "three"
    digests = []
    for step in (lambda: None, lambda: place.measure(Steers(MOVED)), lambda: registering.withdraw(
        place.job, BOATHOUSE, place.root, "Ada"
    )):  # fmt: skip
        step()
        prepared = verbs.prepared_for(
            place.job, BOATHOUSE, folder, None, lambda _note: None, state_root=place.root
        )
        digests.append(prepared.part("teal-1").digest)
    assert digests[0] == digests[2] != digests[1]
    (shown,) = verbs.status(BOATHOUSE, place.root)["register_maps"]
    assert (shown["id"], shown["job"]) == (2, "three")
    assert "register map 1 withdrawn" in shown["lines"][0]


@pytest.mark.parametrize(
    ("line", "meant"),
    [
        ("r\n", Jog(1.0, 0.0)),
        ("u", Jog(0.0, -1.0)),
        ("ddl", Jog(-1.0, 2.0)),
        ("l 0.25", Jog(-0.25, 0.0)),
        ("10", Step(10.0)),
        ("0.1", Step(0.1)),
        ("here", Found()),
        ("OFF 0.3 -1.2", Found(0.3, -1.2)),
        ("skip", Skip()),
        ("stop", GiveUp()),
        ("", HELP),
        ("off 1", "expected two numbers after off: mm right, mm down"),
        ("off 1 nan", "expected two numbers after off: mm right, mm down"),
        ("off 5000 0", "expected an offset of at most 500 mm"),
        ("r 11", "expected at most 10 mm at a time"),
        ("rrrrrrrrrrr", "expected at most 10 mm at a time"),
        ("r x", "expected mm after r"),
        ("5", HELP),
    ],
)
def test_what_typed_words_mean(line: str, meant: object) -> None:
    """Letters, numbers and words; what means nothing says what would."""
    assert read(line, 1.0) == meant
