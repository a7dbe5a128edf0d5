"""A painting of many days in virtual time: a world that changes overnight, and a person who does what the docs say.

Owns what is true of the simulated boathouse on each day (how the canvas hangs, sag, warmth, belts, tips, which pen is
dry), the person who sees the truth and reads it with noise, and the days' sessions by the session's own verbs. What the
gantry's canvas has taken is put away after every session, in the canvas' own frame. Judges nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import random
import shutil
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import numpy.typing as npt

from controller.config.errors import RefusedError
from controller.config.job import Job
from controller.config.load import load_job, load_machine
from controller.config.machine import Machine
from controller.config.places import StateDir
from controller.report import mended
from controller.report.painted import load_painted
from controller.session import journal as journal_module
from controller.session import looking, mends, pens, registering, verbs
from controller.session.journal import Journal
from controller.session.operator import SimulatedOperator
from controller.session.prepare import prepare
from controller.session.prepared import Prepared, PreparedPass
from controller.session.registering import AtMark, Found
from controller.session.runner import Order
from controller.session.service import Service, StoppedError
from controller.session.watcher import Watcher
from controller.stream.spec import ScheduleTask, StreamOutcome
from controller.strokes.wear import wear_curve
from drivers.clock import NS_PER_S
from drivers.twin.parameters import TwinParameters
from drivers.twin.record import MotionRecord
from tests.faults.dying import Crash, DyingRunner, in_child, lose_power
from tests.faults.waves import Files

Floats = npt.NDArray[np.float64]
DAY_NS, HOUR_NS = 86_400 * NS_PER_S, 3600 * NS_PER_S
FIRST_MORNING_NS = 1_780_300_800 * NS_PER_S
"""Eight o'clock of the first day, UTC."""
BETWEEN_NS = 15 * 60 * NS_PER_S
"""From one session of a day to the next."""


@dataclass(frozen=True)
class Troubles:
    """What the season does to the machine. tips: by ink, how much wider its pens truly are than the job says."""

    sag_mm_day: float = 0.15
    growth_ppm_h: float = 8.0
    noise_mm: float = 0.1
    width_noise_mm: float = 0.03
    tips: dict[str, float] = field(default_factory=dict)


@dataclass
class Tale:
    """What has happened so far; kept between days. hang: the canvas' true place; counts: of belts that jumped."""

    wall_ns: int = FIRST_MORNING_NS
    day: int = 1
    origin_mm: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0
    counts: dict[str, int] = field(default_factory=dict)
    chunks: int = 0
    crosses_mm: dict[str, tuple[float, float]] = field(default_factory=dict)
    log: list[dict[str, Any]] = field(default_factory=list)
    questions: int = 0
    marks: int = 0
    readings: int = 0


class Clockface:
    """Stands in for the journal's clock: the wall's time on the season's days."""

    def __init__(self) -> None:
        self.base_ns = 0
        self.runner: SeasonRunner | None = None

    def time_ns(self) -> int:
        """What the clock on the wall shows."""
        runner = self.runner
        return self.base_ns + (0 if runner is None else runner._clock.now_ns() - runner._begun_ns)


class SeasonRunner(DyingRunner):
    """A virtual session in the world as it is on that day; may lose all power, or have its pen run dry, in a pass."""

    def __init__(self, season: Season, machine: Machine, machine_path: Path, state: StateDir) -> None:
        assert machine.twin is not None
        world = machine.model_copy(update={"twin": season.truth(machine.twin)})
        super().__init__(world, machine_path, state, None, False)
        self._season = season
        self.cut_after_ns: int | None = None
        self.dry_after_ns: int | None = None
        self.notice_ns = 0
        self.service: Service | None = None
        self._dry_ns: int | None = None

    async def run(self, order: Order) -> StreamOutcome:
        """Stream; in a pass the trouble's time is set."""
        begun_ns = self._clock.now_ns()
        if isinstance(order.tasks[0], ScheduleTask):
            if self.cut_after_ns is not None:
                self.crash = Crash("power cut", begun_ns - self._begun_ns + self.cut_after_ns, 0, 0)
            if self.dry_after_ns is not None:
                self._dry_ns = begun_ns + self.dry_after_ns
                self._season.note_hands({"dry_ns": self._dry_ns})
        return await super().run(order)

    def _look(self, now_ns: int) -> None:
        if self.crash is not None:
            super()._look(now_ns)
        if self._dry_ns is not None and now_ns >= self._dry_ns + self.notice_ns:
            self._dry_ns = None
            assert self.service is not None
            self.service.stop("pause", "the person, whose pen is dry")

    async def load_pen(self, part: PreparedPass) -> None:
        """The person's hands, and a note of what they did."""
        await super().load_pen(part)
        assert self.world is not None
        self._season.note_hands(
            {"contacts": self.world.gantry.canvas.strokes, "ink": part.ink, "pass": part.name, "fresh": part.fresh_pen}
        )  # fmt: skip


class Season(Files):
    """One machine, one job, and their days. ``marks``: whether the person measures marks at all."""

    def __init__(
        self, folder: Path, troubles: Troubles, seed: int, *, marks: bool = True, workers: int = 1,
        say: Callable[[str], None] = lambda _text: None,
    ) -> None:  # fmt: skip
        self.folder, self.troubles, self.measures, self.workers = folder, troubles, marks, workers
        self.tale = Tale()
        self.say = say
        self._seed = seed
        self.runner: SeasonRunner | None = None
        self._face = Clockface()
        self._job: Job | None = None

    # Files ----------------------------------------------------------------------------------------------------

    @property
    def canvases(self) -> Path:
        """What each session left on the canvas, and the hands' notes."""
        return self.folder / "canvases"

    def loaded_job(self) -> Job:
        """The job as written; it stays as it is all season."""
        if self._job is None:
            self._job = load_job(self.job)
        return self._job

    def rng(self, *what: object) -> np.random.Generator:
        """Chance, the same for the same seed and occasion."""
        words = "/".join(map(str, (self._seed, self.tale.day, *what)))
        return np.random.default_rng(random.Random(words).getrandbits(64))

    def note_hands(self, what: dict[str, Any]) -> None:
        """Write down what hands did, for the judge; with a flush, since a power cut may follow."""
        self.canvases.mkdir(exist_ok=True)
        with (self.canvases / "hands.jsonl").open("a") as file:
            file.write(json.dumps({"chunk": self.tale.chunks, **what}) + "\n")

    def tell(self, what: str, **more: object) -> None:
        """Keep what happened on which day, and say it."""
        self.tale.log.append({"day": self.tale.day, "what": what, **more})
        self.say(f"day {self.tale.day}: {what} {json.dumps(more) if more else ''}".rstrip())

    def keep_tale(self) -> None:
        """Write down what has happened."""
        (self.folder / "tale.json").write_text(json.dumps(asdict(self.tale)))

    def keep(self, into: Path) -> None:
        """A copy of everything as it is between two days, to go on from."""
        self.keep_tale()
        self.keep_as_is(into)

    def keep_as_is(self, into: Path) -> None:
        """A copy of the folder; files that are never written again are linked."""
        shutil.rmtree(into, ignore_errors=True)

        def copy(source: str, target: str) -> None:
            fixed = {"prepared", "runs", "mends", "canvases"} & set(Path(source).parts)
            if fixed and not source.endswith(".jsonl"):
                os.link(source, target)
            else:
                shutil.copy2(source, target)

        shutil.copytree(self.folder, into, copy_function=copy, ignore=shutil.ignore_patterns("run"))

    def take_up(self) -> None:
        """Go on from a copy that ``keep`` made."""
        kept = json.loads((self.folder / "tale.json").read_text())
        self.tale = Tale(**{**kept, "origin_mm": tuple(kept["origin_mm"])})

    # The world ------------------------------------------------------------------------------------------------

    @property
    def age_h(self) -> float:
        """Hours since this morning."""
        return (self.tale.wall_ns - self._morning_ns) / HOUR_NS

    @property
    def _morning_ns(self) -> int:
        return FIRST_MORNING_NS + (self.tale.day - 1) * DAY_NS

    def truth(self, twin: TwinParameters) -> TwinParameters:
        """The gantry and its canvas as they truly are today; warmth and sag go on by the gantry's own age."""
        sag_mm = self.troubles.sag_mm_day * (self.tale.day - 1)
        x, y = twin.canvas_origin_mm
        dx, dy = self.tale.origin_mm
        axes = {
            name: axis.model_copy(
                update={
                    "length_drift_ppm_h": self.troubles.growth_ppm_h,
                    "encoder_zero_counts": axis.encoder_zero_counts + self.tale.counts.get(name, 0),
                }
            )
            for name, axis in twin.axes.items()
        }
        return twin.model_copy(
            update={
                "axes": axes,
                "canvas_origin_mm": (x + dx, y + dy - sag_mm),
                "canvas_turn_deg": self.tale.turn_deg,
                "frame_drift_mm_h": (0.0, self.troubles.sag_mm_day / 24.0),
            }
        )

    def morning(self, day: int) -> None:
        """The night is over."""
        self.tale.day = day
        self.tale.wall_ns = self._morning_ns

    def hang_again(self, shift_mm: tuple[float, float], turn_deg: float) -> None:
        """Somebody took the canvas down and hung it again."""
        dx, dy = self.tale.origin_mm
        self.tale.origin_mm = (dx + shift_mm[0], dy + shift_mm[1])
        self.tale.turn_deg += turn_deg
        self.tell("canvas hung again", shift_mm=shift_mm, turn_deg=turn_deg)

    def jump_teeth(self, axis: str, teeth: int) -> None:
        """The belt jumps on its pulley: the same place of the head, another of the motor."""
        drive = load_machine(self.machine).axes[axis].drive
        counts = round(teeth * drive.belt_pitch_mm * float(drive.counts_per_mm)) * drive.direction
        self.tale.counts[axis] = self.tale.counts.get(axis, 0) + counts
        self.tell("belt jumped", axis=axis, teeth=teeth)

    def width_mm(self, ink: str, metres: float) -> float:
        """How wide the ink's line truly is after so many metres of its pen."""
        job = self.loaded_job()
        one = next(one for one in job.inks if one.name == ink)
        table = job.tips[one.tip] if one.tip is not None else None
        expected = (
            one.tip_mm if table is None else float(wear_curve(table.metres, table.width_mm).width_mm(metres))
        )
        return expected * self.troubles.tips.get(ink, 1.0)

    # Sessions -------------------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def _session(self, label: str) -> Iterator[Callable[[Machine, Path, StateDir], SeasonRunner]]:
        """Yields what makes the runner; the clock on the wall goes, and the canvas is put away in the end."""
        began_ns = self._virtual_end_ns()
        self._age()
        self._face.base_ns, self._face.runner = self.tale.wall_ns, None

        def runner_of(machine: Machine, path: Path, state: StateDir) -> SeasonRunner:
            self.runner = self._face.runner = SeasonRunner(self, machine, path, state)
            return self.runner

        try:
            with patch.object(journal_module, "time", self._face):
                yield runner_of
        finally:
            self._face.runner = None
            self.tale.wall_ns += max(self._virtual_end_ns() - began_ns, 0) + BETWEEN_NS
            self._put_away(label)

    def _virtual_end_ns(self) -> int:
        try:
            return MotionRecord.load(self.state.twin / "motion.npz").end_ns
        except FileNotFoundError:
            return 0

    def _age(self) -> None:
        """Frame and belts are as old as the day."""
        path = self.state.twin / "state.json"
        if path.exists():
            said = json.loads(path.read_text())
            path.write_text(json.dumps({**said, "age_s": int(self.age_h * 3600.0)}))

    def _put_away(self, label: str) -> None:
        canvas, motion = self.state.twin / "canvas.npz", self.state.twin / "motion.npz"
        if motion.exists():
            whole = MotionRecord.load(motion)
            if len(whole.t_ns) > 2:
                kept = ("t_ns", "motor_mm", "head_mm", "motor_mm_s", "head_mm_s")
                last = {name: getattr(whole, name)[-2:] for name in kept}
                place = None if whole.place_mm is None else whole.place_mm[-2:]
                replace(whole, **last, place_mm=place).save(motion)
        if canvas.exists():
            if len(load_painted(canvas).ink):
                self.canvases.mkdir(exist_ok=True)
                canvas.rename(self.canvases / f"{self.tale.chunks:03d}.npz")
                self.note_hands({"label": label, "day": self.tale.day, **self._off_by_homing()})
                self.tale.chunks += 1
            else:
                canvas.unlink()

    def _off_by_homing(self) -> dict[str, Any]:
        """Without marks: the map from where the job says to where it comes to lie on the canvas, so that strokes are
        told apart; the judge's figures do not go by it."""
        if self.measures:
            return {}
        turn, (dx, dy) = np.radians(self.tale.turn_deg), self.tale.origin_mm
        back = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        shift = back @ [-dx, self.troubles.sag_mm_day * (self.tale.day - 1) - dy]
        return {"hang": np.column_stack([back, shift]).tolist()}

    def _operator(self) -> SimulatedOperator:
        return _Counting(self.tale)

    def prepared(self) -> Prepared:
        """The job, planned under the map in force."""
        place = self.state.root / "prepared" / self.loaded_job().name
        return verbs.prepared_for(
            self.job, self.machine, place, None, lambda _note: None, self.workers, state_root=self.state.root
        )

    def home(self, *, accept_difference: bool = False) -> verbs.Done:
        """``giornata home``."""
        with self._session("home") as runner_of:
            return asyncio.run(
                verbs.home(
                    self.machine, self.state.root, self._operator(), Watcher(), runner_of=runner_of, signals=False,
                    accept_difference=accept_difference,
                )
            )  # fmt: skip

    def paint(
        self, name: str, *, prepared: Prepared | None = None, cut_at: float | None = None,
        dry_at: float | None = None, notice_minutes: float = 0.0,
    ) -> verbs.Done | None:  # fmt: skip
        """``giornata paint --pass NAME``; None when the person stopped it for a dry pen.

        cut_at: all power is gone after this share of the pass' time, and the process with it. dry_at: the pen is dry.
        """
        ready = prepared if prepared is not None else self.prepared()
        pass_ns = round(ready.part(name).seconds * 1e9)
        with self._session(name) as runner_of:

            def made(machine: Machine, path: Path, state: StateDir) -> SeasonRunner:
                runner = runner_of(machine, path, state)
                runner.cut_after_ns = None if cut_at is None else round(cut_at * pass_ns)
                runner.dry_after_ns = None if dry_at is None else round(dry_at * pass_ns)
                runner.notice_ns = round(notice_minutes * 60e9)
                return runner

            def meanwhile(service: Service) -> None:
                assert self.runner is not None
                self.runner.service = service

            painting = verbs.paint(
                ready, self.machine, self.state.root, self._operator(), Watcher(), passes=[name],
                runner_of=made, signals=False, meanwhile=meanwhile,
            )  # fmt: skip
            try:
                return asyncio.run(painting)
            except StoppedError:
                if dry_at is None:
                    raise
                return None

    def lose_power_in(self, name: str, share: float) -> None:
        """All processes are gone at that share of a pass, and what was not on the disk yet."""
        ready = self.prepared()

        def die() -> None:
            fsync = os.fsync

            def synced(descriptor: int) -> None:
                fsync(descriptor)
                if self.runner is not None:
                    path = str(Path(f"/proc/self/fd/{descriptor}").readlink())
                    self.runner.synced[path] = os.fstat(descriptor).st_size

            os.fsync = synced
            self.paint(name, prepared=ready, cut_at=share)

        with self._session(name):
            code, answer = in_child(die)
        assert code == -9, (code, answer)
        lose_power(self, random.Random(f"{self._seed}/{name}"))  # type: ignore[arg-type]
        self.tell("power cut", at=name, share=round(share, 3))

    def measure_marks(self) -> bool:
        """``giornata marks``: the person reads how far each cross lies off the tip. Answers whether a map was kept."""
        if not self.measures:
            return False
        if not self.tale.crosses_mm:
            self._see_crosses()
        person = Reader(self)
        with self._session("marks") as runner_of:
            try:
                done = asyncio.run(
                    registering.marks(
                        self.job, self.machine, self.state.root, self._operator(), person, Watcher(), "Ada",
                        runner_of=runner_of, signals=False,
                    )
                )  # fmt: skip
            except RefusedError as error:
                self.tell("marks refused", why=str(error))
                return False
        fit = done.registration.fit
        self.tell(
            "marks", count=len(done.marks), kind=fit.kind.value,
            everywhere_mm=round(float(done.registration.everywhere_mm), 3),
        )  # fmt: skip
        return done.kept is not None

    def _see_crosses(self) -> None:
        """Where the crosses of the first pass truly are on the canvas: two contacts each, along x and along y."""
        painted = load_painted(self.canvases / "000.npz")
        names = list(self.loaded_job().marks.marks_mm)  # type: ignore[union-attr]

        def contact(row: int) -> Floats:
            return painted.points_mm[painted.offsets[row] : painted.offsets[row + 1]]

        for row, name in enumerate(names):
            along, down = contact(2 * row), contact(2 * row + 1)
            self.tale.crosses_mm[name] = (float(down[:, 0].mean()), float(along[:, 1].mean()))

    def measure_width(self, ink: str) -> float:
        """A fresh pen's line on a scrap of paper, read with a magnifier and entered; the job is prepared by it."""
        width = self.width_mm(ink, 0.0) + self.rng("width", ink).normal(0.0, self.troubles.width_noise_mm)
        entered = round(float(width) / 0.05) * 0.05
        name = load_machine(self.machine).name
        pens.enter(name, self.state, "Ada", stock={}, fresh=(ink,), widths={ink: entered})
        self.prepare()
        self.tale.readings += 1
        self.tell("line measured", ink=ink, mm=round(entered, 2))
        return entered

    def prepare(self) -> Prepared:
        """``giornata prepare``."""
        job = self.loaded_job()
        factors = pens.measured_factors(self.state, load_machine(self.machine).name, job)
        place = self.state.root / "prepared" / job.name
        prepare(self.job, self.machine, place, None, workers=self.workers, tip_factors=factors)
        return self.prepared()

    def mend_dry(self, ink: str, minutes: float) -> tuple[str, ...]:
        """``giornata mend --dry-minutes``, and its passes painted with a fresh pen."""
        asked = mended.Asked(self.job, self.machine, self.state, (ink,), dry_minutes=minutes, person="Ada")
        (made,) = mended.make(asked, lambda *_: None)
        assert made.mend is not None, made.nothing
        names = made.mend.passes
        self.tell(
            "mend", passes=names, strokes=made.figures["strokes"], metres=round(made.figures["metres"], 2)
        )
        for name in names:
            ready = mends.asked_for(self.job, self.machine, self.state, [name], None, lambda _note: None)
            assert ready is not None
            self.paint(name, prepared=ready)
        return names

    def look_at_jump(self, name: str) -> None:
        """The morning after a belt has jumped: what the software says at each step, until it lets paint again."""
        said: list[str] = []

        def refused(work: Callable[[], object]) -> None:
            try:
                work()
            except RefusedError as error:
                said.append(str(error))
            else:
                said.append("not refused")

        refused(self.home)
        self.home(accept_difference=True)
        refused(lambda: self.paint(name))
        done = self.home()
        refused(lambda: self.paint(name))
        assert done.drift is not None
        jumps = [
            {
                "axis": axis,
                "finding": event.finding.value,
                "teeth": event.teeth,
                "mm": round(event.size_mm, 3),
            }
            for axis, event in done.drift.open_jumps
        ]
        if jumps:
            looking.look(
                self.machine, self.state.root, cause="belt", reason="x belt had jumped a tooth", person="Ada"
            )
            self.tale.questions += 1
        self.tell("jump looked at", named=jumps, said=said)

    def finished(self) -> set[str]:
        """Passes that are painted, by the journal; for choosing what comes next."""
        if not self.state.journal.exists():
            return set()
        with contextlib.closing(Journal.read(self.state.journal)) as journal:
            return {row.name for row in journal.passes() if row.state == "finished"}


class _Counting(SimulatedOperator):
    """Says yes, and counts how often a person was asked."""

    def __init__(self, tale: Tale) -> None:
        super().__init__()
        self._tale = tale

    async def load_pen(self, part: PreparedPass, number: int, count: int) -> bool:
        """Yes."""
        self._tale.questions += 1
        return await super().load_pen(part, number, count)

    async def confirm(self, question: str) -> bool:
        """Yes."""
        self._tale.questions += 1
        return await super().confirm(question)


class Reader:
    """Sees the cross and the raised tip as they truly are, and says how far apart, right and down, with noise."""

    def __init__(self, season: Season) -> None:
        self._season = season
        self._rng = season.rng("marks", season.tale.wall_ns)

    async def steer(self, at: AtMark) -> Found:
        """Reads the distance with a rule."""
        season = self._season
        assert season.runner is not None
        assert season.runner.world is not None
        gantry = season.runner.world.gantry
        tip_mm = gantry._holder_mm()[0]
        off = np.array(season.tale.crosses_mm[at.name]) - tip_mm
        turn = np.radians(season.tale.turn_deg)
        seen = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ off
        seen += self._rng.normal(0.0, season.troubles.noise_mm, 2)
        season.tale.marks += 1
        return Found(float(seen[0]), float(seen[1]))
