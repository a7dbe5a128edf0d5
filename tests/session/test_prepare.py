"""Preparing a job: whole or not at all, fresh or said to be stale."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from controller.config.errors import InputError
from controller.config.load import load_machine
from controller.config.places import shipped
from controller.motion.schedule import Schedule
from controller.session import prepare as prepare_module
from controller.session.prepare import prepare
from controller.session.prepared import load_prepared
from controller.strokes.strokeset import StrokeSet

SVG = """<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="60mm" viewBox="0 0 100 60">
<g id="moon"><circle id="full" cx="20" cy="20" r="5" fill="none" stroke="#000"/><text id="sign">T</text></g>
<g id="water"><path d="M 10 40 L 60 40" fill="none" stroke="#000"/></g></svg>
"""
JOB = """format = 1
name = "two"
artwork = "two.svg"
origin_mm = [20.0, 20.0]
[[inks]]
name = "ochre"
group = "moon"
colour = "#d9952b"
tip_mm = 4.0
[[inks]]
name = "teal"
group = "water"
colour = "#1f7a78"
tip_mm = 4.0
"""


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    """A job file and a machine file."""
    (tmp_path / "two.svg").write_text(SVG)
    (tmp_path / "job.toml").write_text(JOB)
    (tmp_path / "machine.toml").write_text(shipped("machines/boathouse.toml").read_text())
    return tmp_path / "job.toml", tmp_path / "machine.toml"


def _tree(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_folder_says_what_it_holds(files: tuple[Path, Path], tmp_path: Path) -> None:
    """Totals are those of the strokes and schedules in the folder; skipped elements are named."""
    made = prepare(*files, tmp_path / "out")
    read = load_prepared(tmp_path / "out")
    assert read.record == made.record
    assert read.stale() == []
    assert [one.element_id for one in read.record.skipped] == ["sign"]
    for ink in read.record.passes:
        strokes, schedule = read.strokes(ink.name), read.schedule(ink.name)
        assert (ink.strokes, ink.ticks, ink.digest) == (len(strokes), schedule.ticks, schedule.digest())
        assert ink.metres == pytest.approx(strokes.lengths_mm().sum() / 1000)
        assert ink.seconds == pytest.approx(schedule.ticks * 0.004)
    assert read.ink("teal").metres == pytest.approx(0.05)


def test_motion_stays_within_the_soft_limits(files: tuple[Path, Path], tmp_path: Path) -> None:
    """Every tick boundary of every ink, lead-ins included, lies within the travel."""
    prepared, machine = prepare(*files, tmp_path / "out"), load_machine(files[1])
    for ink in prepared.record.passes:
        boundaries = prepared.schedule(ink.name).boundaries_quanta()
        for index, name in enumerate(("x", "y")):
            mm = boundaries[:, index] / machine.quanta_per_mm(name)
            assert mm.min() >= machine.axes[name].min_mm
            assert mm.max() <= machine.axes[name].max_mm


@pytest.mark.parametrize("which", ["job.toml", "machine.toml", "two.svg"])
def test_any_source_changed_makes_it_stale(files: tuple[Path, Path], tmp_path: Path, which: str) -> None:
    """A changed or missing source is named; bytes count, not times."""
    prepared = prepare(*files, tmp_path / "out")
    path = tmp_path / which
    text = path.read_text()
    path.write_text(text)
    assert prepared.stale() == []
    path.write_text(text + "\n")
    assert prepared.stale() == [str(path)]
    path.unlink()
    assert prepared.stale() == [str(path)]


@pytest.mark.parametrize("fail_at", [1, 2, 3, 4, 5])
def test_interrupted_leaves_the_last_good_one(files: tuple[Path, Path], tmp_path: Path, fail_at: int) -> None:
    """Ctrl-C at any stage leaves the earlier folder byte for byte, and no litter beside it."""
    prepare(*files, tmp_path / "out")
    before, beside = _tree(tmp_path / "out"), sorted(tmp_path.iterdir())
    (tmp_path / "two.svg").write_text(SVG.replace("60 40", "70 40"))
    calls = 0

    def progress(_ink: str, _stage: str, _fraction: float) -> None:
        nonlocal calls
        calls += 1
        if calls == fail_at:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        prepare(*files, tmp_path / "out", progress)
    assert _tree(tmp_path / "out") == before
    assert sorted(tmp_path.iterdir()) == beside


@pytest.mark.parametrize("kernel_swaps", [True, False])
def test_swapped_in_whole(
    files: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kernel_swaps: bool
) -> None:
    """A second preparation replaces the first without a trace, with or without the kernel's exchange."""
    prepare(*files, tmp_path / "out")
    (tmp_path / "out" / "note.txt").write_text("of the earlier one")
    (tmp_path / "two.svg").write_text(SVG.replace("60 40", "70 40"))
    if not kernel_swaps:
        monkeypatch.setattr(prepare_module, "_RENAME_EXCHANGE", 1 << 20)  # the kernel answers EINVAL
    beside = sorted(tmp_path.iterdir())
    prepare(*files, tmp_path / "out")
    assert not (tmp_path / "out" / "note.txt").exists()
    assert load_prepared(tmp_path / "out").ink("teal").metres == pytest.approx(0.06)
    assert sorted(tmp_path.iterdir()) == beside


def test_damaged_schedule_is_noticed(files: tuple[Path, Path], tmp_path: Path) -> None:
    """A changed tick is refused by its digest; so is a schedule that is whole but not the one prepared."""
    prepared = prepare(*files, tmp_path / "out")
    path = tmp_path / "out" / "teal-1" / "schedule" / "velocity.npy"
    velocity = np.load(path)
    velocity[0, 0] += 1
    np.save(path, velocity)
    with pytest.raises(InputError, match="whole files"):
        prepared.schedule("teal-1")


DAMAGES: dict[str, Callable[[bytes], bytes]] = {
    "empty": lambda _: b"",
    "cut short": lambda whole: whole[: len(whole) // 2],
    "its head gone": lambda whole: whole[64:],
    "a byte turned": lambda whole: whole[: len(whole) // 2] + b"\xff" + whole[len(whole) // 2 + 1 :],
    "text": lambda _: b"tide mural\n" * 9,
    "of nothing": lambda whole: b"\0" * len(whole),
}


def test_whatever_the_damage_it_is_one_error(files: tuple[Path, Path], tmp_path: Path) -> None:
    """Truncated, emptied or overwritten, by whatever error numpy and zipfile tell it: ValueError that names the file,
    and of a prepared job a mistake with the remedy."""
    prepared = prepare(*files, tmp_path / "out")
    folder = tmp_path / "out" / "teal-1"
    for name in ("strokes.npz", "schedule/velocity.npy", "schedule/segments.npy", "schedule/meta.json"):
        path = folder / name
        sound = path.read_bytes()
        load, told = (
            (lambda: StrokeSet.load(folder / "strokes.npz"), prepared.strokes)
            if name == "strokes.npz"
            else (lambda: Schedule.load(folder / "schedule"), prepared.schedule)
        )
        for damage in DAMAGES.values():
            path.write_bytes(damage(sound))
            with pytest.raises(ValueError, match=r"teal-1/(strokes\.npz|schedule)"):
                load()
            with pytest.raises(InputError, match="run giornata prepare"):
                told("teal-1")
        path.write_bytes(sound)
        told("teal-1")


def test_arrays_that_do_not_belong_together_are_no_strokes(tmp_path: Path) -> None:
    """An archive that is whole by its sums and holds another number of vertices, kinds or elements."""
    path = tmp_path / "strokes.npz"
    kinds, element = np.zeros(2, dtype=np.uint8), np.zeros(2, dtype=np.int32)
    good = StrokeSet(np.arange(8.0).reshape(4, 2), np.array([0, 2, 4]), kinds, element, ("full",))
    good.save(path)
    assert len(StrokeSet.load(path)) == 2
    for bad in (
        replace(good, points_mm=np.zeros((3, 2))), replace(good, points_mm=np.zeros((4, 3))),
        replace(good, offsets=np.array([0, 5, 4])), replace(good, offsets=np.array([1, 2, 4])),
        replace(good, offsets=np.zeros(0, dtype=np.int64)), replace(good, kind=kinds[:1]),
        replace(good, element=element[:1]),
    ):  # fmt: skip
        bad.save(path)
        with pytest.raises(ValueError, match=r"strokes\.npz: damaged"):
            StrokeSet.load(path)


@pytest.mark.parametrize("text", ["", "{}", '{"format": 2}', "[1]"])
def test_folder_that_is_none(tmp_path: Path, text: str) -> None:
    """A file that prepare did not write is refused with its place."""
    (tmp_path / "prepared.json").write_text(text)
    with pytest.raises(InputError, match=r"prepared\.json"):
        load_prepared(tmp_path)


def test_ink_without_shapes_is_refused(files: tuple[Path, Path], tmp_path: Path) -> None:
    """An ink that would paint nothing is a mistake in the drawing or the job, not an empty pass."""
    (tmp_path / "two.svg").write_text(
        SVG.replace('<path d="M 10 40 L 60 40" fill="none" stroke="#000"/>', "")
    )
    with pytest.raises(InputError, match="water"):
        prepare(*files, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_kept_sequence_is_the_drawing_s(files: tuple[Path, Path], tmp_path: Path) -> None:
    """Lines drawn to and fro, in an order nobody would choose, are painted in that order and in that direction."""
    lines = ("M 90 50 L 10 50", "M 10 10 L 90 10", "M 90 30 L 10 30", "M 10 20 L 90 20")
    paths = "".join(f'<path d="{line}" fill="none" stroke="#000"/>' for line in lines)
    svg = SVG.replace('<path d="M 10 40 L 60 40" fill="none" stroke="#000"/>', paths)
    (tmp_path / "two.svg").write_text(svg)
    (tmp_path / "job.toml").write_text(JOB + 'sequence = "as-drawn"\n')
    strokes = prepare(*files, tmp_path / "out").strokes("teal-1")
    assert strokes.points_mm.tolist() == [
        [110.0, 70.0], [30.0, 70.0], [30.0, 30.0], [110.0, 30.0],
        [110.0, 50.0], [30.0, 50.0], [30.0, 40.0], [110.0, 40.0],
    ]  # fmt: skip
    (tmp_path / "job.toml").write_text(JOB)
    best = prepare(*files, tmp_path / "out").strokes("teal-1")
    assert best.points_mm.tolist() != strokes.points_mm.tolist()
