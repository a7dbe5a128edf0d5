"""What lies on the disk: which job, which strokes, what stands, and what cannot be read."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.config.places import StateDir
from controller.page import looking
from controller.page.board import Board
from controller.page.looking import UNREAD, Looker
from controller.session.journal import Journal
from controller.session.prepared import Prepared, PreparedPass
from safety import latch

from .test_picture import folder_of, strokes_of

LINES = [[[0.0, 10.0 * step], [50.0, 10.0 * step]] for step in range(4)]


@pytest.fixture
def state(tmp_path: Path) -> StateDir:
    """A state folder with a prepared job of two passes of four strokes, and no journal."""
    import numpy as np

    state = StateDir.open(tmp_path / "s", "boathouse")
    folder = state.root / "prepared" / "tide"
    folder.mkdir(parents=True)
    lines = strokes_of(*map(np.array, LINES))
    folder_of(folder, lines, lines)
    return state


@pytest.fixture
def journal(state: StateDir) -> Iterator[Journal]:
    """Its journal, open as the service has it."""
    with contextlib.closing(Journal.open(state.journal, "boathouse")) as one:
        yield one


def begin(journal: Journal, state: StateDir, part: PreparedPass, **changes: object) -> tuple[int, int, int]:
    """A session with a run of a pass; answers their ids."""
    session = journal.begin_session("paint", "tide")
    named = {
        "schedule_digest": part.digest,
        "folder": state.root / "prepared" / "tide" / part.name,
        **changes,
    }
    row = journal.begin_pass(
        session, job="tide", job_digest="j", name=part.name, ink=part.ink, ink_index=0, strokes=part.strokes,
        **named,  # type: ignore[arg-type]
    )  # fmt: skip
    run = journal.begin_run(session, part.name, lambda number: state.runs / str(number), pass_id=row.id)
    return session, row.id, run.id


def parts(state: StateDir) -> tuple[PreparedPass, ...]:
    """The prepared passes."""
    from controller.session.prepared import load_prepared

    return load_prepared(state.root / "prepared" / "tide").record.passes


def test_a_machine_that_has_done_nothing(state: StateDir) -> None:
    """No journal, no latch: unregistered, no picture, nothing to complain of, and nothing is made by looking."""
    before = sorted(state.root.rglob("*"))
    seen = Looker(state, "boathouse").look()
    assert (seen.latch, seen.picture, seen.trouble, seen.account.state) == (None, None, (), "unregistered")
    assert sorted(state.root.rglob("*")) == before


def test_strokes_by_pass_as_they_are_finished(state: StateDir, journal: Journal) -> None:
    """Every look tells the strokes that the journal has by then, by pass of the picture."""
    looker = Looker(state, "boathouse")
    session, row, run = begin(journal, state, parts(state)[1])
    seen = looker.look()
    assert seen.picture is not None
    assert (seen.account.job, seen.account.painted, seen.account.left_open) == ("tide", ((), ()), True)
    journal.finish_strokes(row, run, [(2, 5), (0, 6)])
    assert looker.look().account.painted == ((), (0, 2))
    journal.finish_strokes(row, run, [(1, 7), (3, 8)])
    journal.end_run(run, "done", "", realtime=False)
    journal.end_pass(row, "finished")
    journal.end_session(session, "done")
    seen = looker.look()
    assert (seen.account.painted, seen.account.left_open) == (((), (0, 1, 2, 3)), False)
    # Begun anew: what was painted before is no part of it.
    begin(journal, state, parts(state)[1])
    assert looker.look().account.painted == ((), ())


def test_a_session_that_waits_for_its_first_pen_has_a_picture(state: StateDir, journal: Journal) -> None:
    """Before any pass was begun the job's prepared folder is where it always is."""
    journal.begin_session("paint", "tide")
    seen = Looker(state, "boathouse").look()
    assert seen.picture is not None
    assert seen.account.painted == ((), ())


def test_another_plan_is_not_shown_as_painted(state: StateDir, journal: Journal) -> None:
    """Numbers of strokes mean something in their own plan only; another register map is none."""
    begin(journal, state, parts(state)[0], schedule_digest="earlier")
    row = journal.latest_pass("tide", "teal-1")
    assert row is not None
    journal.finish_strokes(row.id, journal.runs()[-1].id, [(0, 1)])
    seen = Looker(state, "boathouse").look()
    assert (seen.account.painted, seen.account.elsewhere) == (((), ()), ("teal-1",))


def test_files_that_have_not_changed_are_not_read_again(
    state: StateDir, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A second look at the same files opens no journal: a page at rest costs three calls of stat."""
    begin(journal, state, parts(state)[0])
    looker = Looker(state, "boathouse")
    first = looker.look()

    def never(*_: object) -> Journal:
        raise AssertionError("read again")

    monkeypatch.setattr(Journal, "read", never)
    assert looker.look() == first
    journal.note("note", "a gull")
    with pytest.raises(AssertionError, match="read again"):
        looker.look()


def test_prepared_anew_is_another_picture(state: StateDir, journal: Journal) -> None:
    """The picture follows the folder."""
    import numpy as np

    begin(journal, state, parts(state)[0])
    looker = Looker(state, "boathouse")
    first = looker.look().picture
    folder = state.root / "prepared" / "tide"
    shutil.rmtree(folder)
    folder.mkdir()
    prepared: Prepared = folder_of(folder, strokes_of(np.array(LINES[0]) + 3.0))
    begin(journal, state, prepared.record.passes[0])
    second = looker.look().picture
    assert first is not None
    assert second is not None
    assert first.key != second.key
    assert len(second.passes) == 1


def test_a_latch_is_seen_without_anybody(state: StateDir) -> None:
    """By its file alone."""
    latch.write(state.latch, latch.Latch("stop-asked", "a gull", standstill="pending"))
    seen = Looker(state, "boathouse").look()
    assert seen.latch is not None
    assert (seen.latch.text, seen.account.state) == ("a gull", "halted")


@pytest.mark.parametrize("harm", ["journal", "other machine", "strokes", "folder"])
def test_what_cannot_be_read_is_told(state: StateDir, journal: Journal, harm: str) -> None:
    """A damaged journal, another machine's, a damaged or missing folder: a sentence, and the rest is told."""
    begin(journal, state, parts(state)[0])
    journal.close()
    folder = state.root / "prepared" / "tide"
    match harm:
        case "journal":
            for path in state.root.glob("journal.sqlite*"):
                path.write_bytes(b"not a journal" * 500)
        case "strokes":
            (folder / "teal-1" / "strokes.npz").write_bytes(b"PK nonsense")
        case "folder":
            shutil.rmtree(folder)
    latch.write(state.latch, latch.Latch("stop-asked", "a gull"))
    seen = Looker(state, "lighthouse" if harm == "other machine" else "boathouse").look()
    (said,) = seen.trouble
    assert ("journal" in said) == (harm in ("journal", "other machine"))
    assert seen.picture is None
    assert seen.latch is not None
    assert (seen.account.state == UNREAD) == (harm in ("journal", "other machine"))


@pytest.mark.parametrize("how", ["in its place", "gone before", "within the file"])
def test_another_journal_is_read_as_another(state: StateDir, tmp_path: Path, how: str) -> None:
    """A backup put back, a demonstration begun again: numbers of passes are the same, and nothing is taken for painted
    that this journal does not have. Whether it is another file, was gone in between, or has other rows."""
    part = parts(state)[0]
    other = tmp_path / "other.sqlite"
    # At one instant both, where only the file tells them apart.
    for path, at_ms, done in ((state.journal, 5, [0, 1, 2, 3]), (other, 5 + (how == "within the file"), [])):
        with contextlib.closing(Journal.open(path, "boathouse", lambda at_ms=at_ms: at_ms)) as journal:
            _, row, run = begin(journal, state, part)
            journal.finish_strokes(row, run, [(one, one) for one in done])
    looker = Looker(state, "boathouse")
    assert looker.look().account.painted == ((0, 1, 2, 3), ())
    if how == "gone before":
        state.journal.unlink()
        assert looker.look().account.painted == ()
    if how == "within the file":
        state.journal.write_bytes(other.read_bytes())
    else:
        other.rename(state.journal)
    assert looker.look().account.painted == ((), ())


def test_without_its_journal_a_picture_goes_too(state: StateDir, journal: Journal) -> None:
    """What is told of a machine fits together: a board makes a view of it, a latch stays in sight, and a journal that
    comes back brings its picture."""
    begin(journal, state, parts(state)[0])
    journal.close()
    looker, board = Looker(state, "boathouse"), Board("boathouse")
    assert looker.look().picture is not None
    latch.write(state.latch, latch.Latch("stop-asked", "a gull"))
    kept = state.journal.rename(state.journal.with_name("kept"))
    seen = looker.look()
    assert (seen.picture, seen.account.state, seen.trouble) == (None, "halted", ())
    board.looked(seen)
    view = board.view(0)
    assert "a gull" in view["alerts"][0]
    assert ["Whole job", "no picture"] in view["facts"]
    kept.rename(state.journal)
    seen = looker.look()
    assert seen.picture is not None
    assert len(seen.account.painted) == 2


def test_a_latch_that_comes_during_a_look_is_in_the_next(
    state: StateDir, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However the instant falls: the state follows from the latch that is told, at the latest a look later."""
    stamp = looking._stamp
    latches = [latch.Latch("stop-asked", "a gull")]

    def stamped(*paths: Path) -> looking.Stamp:
        if latches:
            latch.write(state.latch, latches.pop())
        return stamp(*paths)

    monkeypatch.setattr(looking, "_stamp", stamped)
    looker = Looker(state, "boathouse")
    looker.look()
    seen = looker.look()
    assert seen.latch is not None
    assert seen.account.state == "halted"
