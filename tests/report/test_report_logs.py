"""What readers make of logs and plans that are old, damaged or cut short: what is missing is said, the rest stands."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controller.config.load import load_machine
from controller.config.places import shipped
from controller.report.build import evidence_of, summarise
from controller.report.compare import FEW, compare
from controller.report.compareread import SessionRead, read_session
from controller.report.comparewords import lines
from controller.report.files import whole, write_named, write_whole
from controller.report.glance import findings
from controller.report.runfiles import logged_scale, machine_scale
from controller.report.tables import segment_table
from controller.session.runs import scale_meta
from controller.stream.timinglog import TimingLogWriter, log_meta
from tests.report.comparedays import LINES, Day, make_days

MACHINE = "machines/boathouse.toml"


def run_log(root: Path) -> Path:
    """The log of the pass."""
    return root / "runs" / "0002-moon-1" / "timing.gtl"


def following(root: Path) -> list[str]:
    """What the report's first lines say of following errors."""
    report = summarise(root)
    told = findings(report.data, report.passes, report.overall, evidence_of(report).segments, ())
    return [one.words for one in told if one.what == "Following error"]


# The scale of counts ----------------------------------------------------------------------------------------------


def test_a_log_says_what_its_counts_are() -> None:
    """Signed counts per mm: 324000 a turn of 20 teeth of 3 mm are 5400; the y drive counts backwards. What is not two
    finite numbers, none of them 0, says nothing."""
    machine = load_machine(shipped(MACHINE))
    found = logged_scale(scale_meta(machine))
    assert found == machine_scale(machine)
    assert found is not None
    assert found.counts_per_mm == (5400.0, -5400.0)
    assert found.following_max_mm == (4.0, 4.0)
    for wrong in (None, [], [1.0], ["a", 1], [float("nan"), 1.0], 3, [0.0, 1.0]):
        assert logged_scale({**scale_meta(machine), "counts_per_mm": wrong}) is None
    assert logged_scale({}) is None


@pytest.mark.parametrize("scale", [True, False])
def test_a_new_pulley_does_not_rescale_what_was_painted_before(
    make: Any, tmp_path: Path, scale: bool
) -> None:
    """Pulleys of twice the teeth and another limit, after the session: its errors and the limit that they are held
    against stay. A log that does not say takes today's file, and the report and the comparison say that."""
    machine_file = tmp_path / "boathouse.toml"
    shutil.copy(shipped(MACHINE), machine_file)
    root = make(tmp_path / "state", machine_file=machine_file, scale=scale).root
    before, told, read = summarise(root).passes[0], following(root), read_session(root, 1)
    text = machine_file.read_text()
    changed = text.replace("pulley_teeth = 20", "pulley_teeth = 40").replace(
        "error_max_mm = 4.0", "error_max_mm = 2.0"
    )
    assert changed != text
    machine_file.write_text(changed)
    after, again = summarise(root), read_session(root, 1)
    factor = 1.0 if scale else 2.0
    assert after.passes[0].following_max_mm == pytest.approx(factor * before.following_max_mm)
    np.testing.assert_allclose(again.following_mm, factor * read.following_mm, rtol=1e-6)
    assert ("of 4 allowed" in following(root)[0]) == scale
    assert (following(root) == told) == scale
    for notes in (after.data.notes, again.notes):
        assert sum("as it stands today" in note for note in notes) == (not scale)


# Damaged logs -----------------------------------------------------------------------------------------------------


def test_a_stretch_that_the_log_lost_is_no_timing_error(make: Any, tmp_path: Path) -> None:
    """Ticks missing from the middle of a segment: it took no longer than before the loss, in the report and in the
    comparison, and so did all others."""
    made = make(tmp_path / "state")
    long = int(np.argmax(made.schedule.segments["ticks"]))
    first, ticks = (int(made.schedule.segments[name][long]) for name in ("first_tick", "ticks"))
    assert ticks > 100
    meta = log_meta(run_log(made.root))
    whole_table = table_of(made.root)
    lost = np.concatenate([made.records[: first + 30], made.records[first + 80 :]])
    run_log(made.root).unlink()
    with TimingLogWriter(run_log(made.root), {name: meta[name] for name in meta if name != "record"}) as log:
        log.append(lost)
    table = table_of(made.root)
    assert len(table) == len(whole_table)
    assert table["ticks"][long] == ticks - 50
    np.testing.assert_allclose(table["timing_error_ms"], whole_table["timing_error_ms"], atol=1e-9)
    read = read_session(made.root, 1)
    of_strokes = whole_table[np.isin(whole_table["stroke"], [0, 1]) & (whole_table["kind"] == "stroke")]
    np.testing.assert_allclose(
        read.parts[0].strokes["timing_us"], 1e3 * np.abs(of_strokes["timing_error_ms"]), atol=1e-6
    )


def table_of(root: Path) -> np.ndarray[Any, Any]:
    """Segments of the pass' run."""
    data = summarise(root).data
    return segment_table(data.ticks[1], data.passes[0].segments)


def test_a_damaged_block_is_told_in_a_comparison(make: Any, tmp_path: Path) -> None:
    """A broken checksum: the block is left out, and the comparison says so as the report does."""
    made = make(tmp_path / "state")
    content = bytearray(run_log(made.root).read_bytes())
    content[len(content) // 2] ^= 0xFF
    run_log(made.root).write_bytes(content)
    read = read_session(made.root, 1)
    assert 0 < len(read.lateness_us) < made.schedule.ticks
    (note,) = [note for note in read.notes if "checksum does not hold" in note]
    assert note in summarise(made.root).data.notes
    assert f"A: {note}" in compare(read, read).notes


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9])
def test_strokes_that_are_cut_short_cost_their_own_figures(make: Any, tmp_path: Path, share: float) -> None:
    """A strokes.npz that ends early, as a full disk leaves one: report and comparison say so and go on."""
    made = make(tmp_path / "state")
    place = made.prepared / "moon-1" / "strokes.npz"
    content = place.read_bytes()
    place.write_bytes(content[: int(share * len(content))])
    report = summarise(made.root)
    assert report.data.passes[0].strokes is None
    assert any("moon-1" in note and "cannot be read" in note for note in report.data.notes)
    assert report.passes[0].lateness.ticks == made.schedule.ticks
    read = read_session(made.root, 1)
    assert any("moon-1" in note for note in read.notes)
    assert len(read.lateness_us) == made.schedule.ticks


def test_strokes_with_a_damaged_middle_cost_their_own_figures(make: Any, tmp_path: Path) -> None:
    """Compressed bytes that are none, under a directory that is whole: the same."""
    made = make(tmp_path / "state")
    place = made.prepared / "moon-1" / "strokes.npz"
    content = bytearray(place.read_bytes())
    content[60:400] = b"\xff" * 340
    place.write_bytes(content)
    assert summarise(made.root).data.passes[0].strokes is None
    assert any("moon-1" in note for note in read_session(made.root, 1).notes)


# Strokes one by one -----------------------------------------------------------------------------------------------


def few(read: SessionRead, count: int) -> SessionRead:
    """The session as if it had finished ``count`` strokes."""
    from dataclasses import replace

    return replace(read, parts=tuple(replace(part, strokes=part.strokes[:count]) for part in read.parts))


def test_one_by_one_is_said_only_where_it_was_done(tmp_path: Path) -> None:
    """All strokes painted twice are held against each other; five are too few, and the words say that."""
    root = make_days(tmp_path / "s", (Day(seed=1), Day(seed=2)))
    a, b = read_session(root, 1), read_session(root, 2)
    found = compare(a, b)
    assert any(row.paired and row.name.endswith("of the same strokes") for row in found.rows)
    assert (
        lines(found)[-1]
        == f"{LINES} strokes of the same plan were painted in both, and are compared one by one"
    )
    found = compare(few(a, 5), few(b, 5))
    assert not any(row.paired for row in found.rows)
    assert all(row.verdict == FEW for row in found.rows if row.name.endswith("stroke, median"))
    said = "5 strokes of the same plan were painted in both; too few to be compared one by one"
    assert lines(found)[-1] == said
    assert lines(compare(few(a, 1), few(b, 1)))[-1].startswith(
        "1 stroke of the same plan was painted in both;"
    )


# Files whole ------------------------------------------------------------------------------------------------------


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    """What fails half way leaves the old content and nothing beside it."""
    place = tmp_path / "page.html"
    write_whole(place, "low tide")

    def fail() -> None:
        with whole(place) as partial:
            partial.write_text("half")
            raise RuntimeError("moon")

    with pytest.raises(RuntimeError, match="moon"):
        fail()
    assert place.read_text() == "low tide"
    write_whole(place, b"high tide")
    assert place.read_bytes() == b"high tide"
    assert [one.name for one in tmp_path.iterdir()] == ["page.html"]


def test_a_place_that_takes_no_file_keeps_nothing(tmp_path: Path) -> None:
    """A folder where the file shall be: one message, and the part that was written is gone again."""
    from controller.config.errors import InputError

    (tmp_path / "page.html").mkdir()
    with pytest.raises(InputError, match="a file that can be written"):
        write_named(tmp_path / "page.html", "low tide")
    assert [one.name for one in tmp_path.iterdir()] == ["page.html"]
    write_named(tmp_path / "deep" / "page.html", "low tide")
    assert (tmp_path / "deep" / "page.html").read_text() == "low tide"
