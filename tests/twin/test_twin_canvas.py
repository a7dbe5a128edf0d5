"""The canvas and the record: what the tip touched, what truly moved, their files, and the picture."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from drivers.clock import VirtualClock
from drivers.twin.canvas import Canvas, Pen
from drivers.twin.physics import COLUMNS
from drivers.twin.picture import WARM_WHITE, render
from drivers.twin.record import MotionRecord, Recorder
from drivers.twin.virtual import VirtualGantry

from .conftest import MS, TICK_NS, MakeMaster, Master, make_axis, make_parameters, make_settings

DOWN = 1 << 16


def draw_circle(master: Master, turns: float = 1.0) -> None:
    """A circle of 20 mm radius at 100 mm/s with the pen down, then up."""
    master.tick(0, 0, outputs=DOWN)
    for _ in range(20):
        master.tick(0, 0)
    for k in range(round(turns * 2 * math.pi / 0.02)):
        master.tick(round(100_000 * math.cos(0.02 * k)), -round(100_000 * math.sin(0.02 * k)))
    for _ in range(30):
        master.tick(0, 0)
    master.tick(0, 0, outputs=0)
    for _ in range(20):
        master.tick(0, 0)


def test_canvas_keeps_only_what_the_tip_touches(make_master: MakeMaster):
    """Travel with the pen up, or with an empty holder, leaves nothing; a stroke lies where the head truly was."""
    master = make_master().ready()
    draw_circle(master, 0.1)
    assert master.twin.gantry.canvas.strokes == 0
    master.twin.load_pen("deep", "#203a5c", 4.0)
    began_ns = master.clock.now_ns()
    draw_circle(master)
    ended_ns = master.clock.now_ns()
    for _ in range(50):
        master.tick(50_000, 0)
    canvas = master.twin.gantry.canvas
    assert canvas.strokes == 1
    assert canvas.pens[canvas.ink[0]] == Pen("deep", "#203a5c", 4.0)
    assert canvas.t_ns[0] == began_ns + 60 * MS
    assert canvas.t_ns[-1] < ended_ns
    moving = np.diff(canvas.t_ns)[np.hypot(*np.diff(canvas.points_mm, axis=0).T) > 1e-6]
    assert moving.max() <= MS
    truth = master.twin.gantry.record().head_at(canvas.t_ns) - np.array([100.0, 50.0])
    assert np.abs(truth - canvas.points_mm).max() < 1e-9
    design = np.column_stack((canvas.points_mm, np.ones(len(canvas.points_mm))))
    a, b, c = np.linalg.lstsq(design, (canvas.points_mm**2).sum(axis=1), rcond=None)[0]
    radius = math.sqrt(c + (a / 2) ** 2 + (b / 2) ** 2)
    # servo lag shrinks the circle: R / sqrt(1 + (v/(R Kv))^2), Kv = 1 / 8 ms (references 1.4)
    assert radius == pytest.approx(20 / math.sqrt(1 + (5 * 0.008) ** 2), abs=0.01)


def test_play_shows_on_the_canvas(make_master: MakeMaster):
    """With a gap of 0.5 mm the head turns 0.5 mm later than the motor: the painted line is shorter by the gap."""
    axes = {"x": make_axis(play_mm=0.5), "y": make_axis()}
    master = make_master(make_parameters(axes=axes)).ready()
    master.twin.load_pen("deep", "#203a5c", 4.0)
    for _ in range(10):
        master.tick(25_000, 0)  # takes up the play
    for _ in range(40):
        master.tick(0, 0)
    master.tick(0, 0, outputs=DOWN)
    for _ in range(20):
        master.tick(0, 0)
    for speed in (30_000, -30_000):  # steps that the loop takes without saturating
        for _ in range(25):
            master.tick(speed, 0)
    for _ in range(60):
        master.tick(0, 0)
    master.tick(0, 0, outputs=0)
    x = master.twin.gantry.canvas.points_mm[:, 0]
    assert x[-1] - x[0] == pytest.approx(0.5, abs=1e-6)
    assert x.max() - x[0] == pytest.approx(3.0, abs=0.25)


def test_changing_the_pen_in_mid_contact_starts_a_new_stroke(make_master: MakeMaster):
    """Nothing is painted with a pen that is not there."""
    master = make_master().ready()
    master.twin.load_pen("one", "red", 2.0)
    master.tick(0, 0, outputs=DOWN)
    for _ in range(30):
        master.tick(20_000, 0)
    master.twin.load_pen("two", "blue", 3.0)
    for _ in range(30):
        master.tick(20_000, 0)
    master.twin.gantry.flush_contact()
    canvas = master.twin.gantry.canvas
    assert list(canvas.ink) == [0, 1]
    assert canvas.stroke_mm(0)[-1] == pytest.approx(canvas.stroke_mm(1)[0])


def test_everything_goes_on_after_a_restart(tmp_path: Path):
    """Axes stand where they stood, the holder holds its pen, the canvas and the record go on."""

    def life() -> tuple[Master, VirtualClock]:
        clock = VirtualClock(start_ns=10**9 if not (tmp_path / "motion.npz").exists() else 10**12)
        gantry = VirtualGantry(make_settings(), make_parameters(), clock, tmp_path)
        return Master(gantry, clock), clock

    first, _ = life()
    first.ready()
    first.twin.load_pen("deep", "#203a5c", 4.0)
    draw_circle(first)
    for _ in range(30):
        first.tick(80_000, 20_000)
    for _ in range(80):
        first.tick(0, 0)
    first.twin.save(picture=True)
    stood = [motor.head_mm for motor in first.twin.gantry.motors]
    counts = [motor.position_counts for motor in first.twin.gantry.motors]
    second, _ = life()
    assert [motor.head_mm for motor in second.twin.gantry.motors] == stood
    assert [motor.position_counts for motor in second.twin.gantry.motors] == counts
    assert second.twin.gantry.canvas.pen == Pen("deep", "#203a5c", 4.0)
    second.ready()
    draw_circle(second, 0.25)
    second.twin.save()
    canvas = Canvas.load(tmp_path / "canvas.npz")
    assert canvas.strokes == 2
    assert np.array_equal(canvas.stroke_mm(0), first.twin.gantry.canvas.stroke_mm(0))
    record = MotionRecord.load(tmp_path / "motion.npz")
    assert np.all(np.diff(record.t_ns) >= 0)
    assert record.t_ns[0] == 10**9
    assert record.end_ns == second.clock.now_ns()
    assert (tmp_path / "canvas.png").stat().st_size > 1000
    assert not list(tmp_path.glob("*.part"))


@pytest.mark.parametrize("name", ["state.json", "canvas.npz", "motion.npz"])
@pytest.mark.parametrize("content", [b"", b"{", b"PK\x03\x04 no", b"[1, 2]"])
def test_unreadable_files_are_put_aside(tmp_path: Path, name: str, content: bytes):
    """A file that is not ours is kept under another name and reported; the gantry starts anew."""
    (tmp_path / name).write_bytes(content)
    gantry = VirtualGantry(make_settings(), make_parameters(), VirtualClock(), tmp_path)
    assert gantry.gantry.motors[0].head_mm == 300.0
    assert (tmp_path / f"{name}.unreadable").read_bytes() == content
    gantry.save()
    assert (tmp_path / name).exists()


def test_record_judges_standstill(make_master: MakeMaster):
    """standstill_ns: the first instant of final rest; None while it moves or where the record ends too early."""
    master = make_master().ready()
    began_ns = master.clock.now_ns()
    for _ in range(50):
        master.tick(100_000, 0)
    gantry = master.twin.gantry
    assert gantry.record().standstill_ns(began_ns) is None
    told_ns = master.clock.now_ns()
    for _ in range(60):
        master.tick(0, 0)
    record = gantry.record()
    stood_ns = record.standstill_ns(began_ns)
    assert stood_ns is not None
    # at 8000 mm/s2 down to the loop's linear range (64 mm/s), then lag * ln(64 / 0.5): closed form
    closed_ns = ((100 - 64) / 8000 + 0.008 * math.log(64 / 0.5)) * 1e9
    assert 0 <= stood_ns - told_ns - closed_ns <= MS
    assert record.standstill_ns(record.end_ns + 1) is None
    assert record.travel_mm(stood_ns, record.end_ns).max() < 0.01
    assert record.travel_mm(began_ns, record.end_ns) == pytest.approx([20.0, 0.0], abs=1e-3)


def test_bounded_record_forgets_the_oldest_and_says_so(make_master: MakeMaster):
    """The bound holds; what was dropped is counted; the canvas loses nothing."""
    from drivers.twin import record as record_module

    master = make_master(max_samples=record_module.CHUNK).ready()
    master.twin.load_pen("deep", "#203a5c", 4.0)
    master.tick(0, 0, outputs=DOWN)
    for k in range(36_000):
        master.tick(50_000 if k % 2000 < 1000 else -50_000, 0)
    master.tick(0, 0, outputs=0)
    record = master.twin.gantry.record()
    assert record.dropped > 0
    assert len(record.t_ns) <= 2 * record_module.CHUNK
    assert np.all(np.diff(record.t_ns) > 0)
    canvas = master.twin.gantry.canvas
    assert len(canvas.points_mm) == pytest.approx(36_000 * TICK_NS / MS, rel=0.01)
    assert np.diff(canvas.t_ns).min() > 0


def test_recorder_holds_the_last_still_instant():
    """Straight lines between samples are the motion: before a move stands the last still instant."""
    recorder = Recorder()
    axes = np.zeros((2, COLUMNS))
    for t in (0, 1, 2, 3):
        recorder.note(axes, t * MS)
    axes[0, 0], axes[0, 1] = 1.0, 5.0
    recorder.note(axes, 4 * MS)
    record = recorder.record(5 * MS)
    assert list(record.t_ns) == [0, 3 * MS, 4 * MS]
    assert record.motor_at([3 * MS, 3_500_000])[:, 0] == pytest.approx([0.0, 0.5])


def test_picture_has_the_tips_width_and_ink():
    """A straight stroke of a 10 mm tip covers 10 mm by its length plus two round ends, in its colour, to scale."""
    canvas = Canvas((200.0, 100.0))
    canvas.load_pen(Pen("deep", "#204060", 10.0))
    canvas.begin(0, 50.0, 50.0)
    t = np.arange(1, 101, dtype=np.int64)
    canvas.extend(t, np.column_stack((50.0 + t, np.full(100, 50.0))))
    image = np.asarray(render(canvas, longest_px=1600)).astype(int)
    assert image.shape == (800, 1600, 3)
    assert tuple(image[10, 10]) == WARM_WHITE
    assert tuple(image[400, 800]) == (0x20, 0x40, 0x60)
    darkness = (WARM_WHITE[0] - image[:, :, 0]) / (WARM_WHITE[0] - 0x20)
    assert darkness[:, 800].sum() / 8 == pytest.approx(10.0, abs=0.15)
    assert darkness.sum() / 64 == pytest.approx(100 * 10 + math.pi * 25, rel=0.01)
    assert darkness[400, : 8 * 44].max() == 0.0


def test_a_mark_looks_the_same_wherever_others_are():
    """Pixel by pixel, a slanting stroke is drawn as it is beside marks in every corner, and as it is alone."""
    alone, beside, corners = (Canvas((400.0, 250.0)) for _ in range(3))
    along = np.linspace(0.0, 1.0, 60)[1:]
    wave = np.column_stack((163.3 + 51.7 * along, 97.1 + 33.9 * along + 9.0 * np.sin(7.0 * along)))
    spots = [(1.0, 1.0), (399.0, 2.0), (-1.0, 249.0), (401.0, 251.0)]
    for canvas, marks in ((alone, ()), (beside, spots), (corners, spots)):
        canvas.load_pen(Pen("ochre", "#d9952b", 6.0))
        for x_mm, y_mm in marks:
            canvas.begin(0, x_mm, y_mm)
        if canvas is not corners:
            canvas.load_pen(Pen("deep", "#204060", 3.7))
            canvas.begin(0, 163.3, 97.1)
            canvas.extend(np.arange(1, 60, dtype=np.int64), wave)
    pictures = [np.asarray(render(canvas, longest_px=1111)) for canvas in (alone, beside, corners)]
    np.testing.assert_array_equal(pictures[0][150:450, 300:800], pictures[1][150:450, 300:800])
    drawn = (pictures[0] != WARM_WHITE).any(axis=2)
    assert drawn.sum() > 300
    np.testing.assert_array_equal(np.where(drawn[:, :, None], pictures[0], pictures[2]), pictures[1])
    assert [tuple(pictures[1][y, x]) for y, x in ((2, 2), (2, -2), (-2, 2), (-2, -2))] == [
        (0xD9, 0x95, 0x2B)
    ] * 4


def test_canvas_refuses_a_foreign_file(tmp_path: Path):
    """Another npz is not a canvas."""
    np.savez(tmp_path / "other.npz", a=np.zeros(3))
    with pytest.raises(KeyError):
        Canvas.load(tmp_path / "other.npz")
