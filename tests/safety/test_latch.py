"""The latch: never lost, never misread as clear, removed by one function and a person only."""

from __future__ import annotations

import json
import os
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from safety import latch
from safety.latch import ClearRefusedError, Latch

STOPPED = Latch(
    "lease-out", "the lease ended", "", "2031-05-01T10:00:00.000+00:00", 5, 6, 1234, 77, "pending"
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "latch.json"


def test_what_is_written_is_read(path: Path) -> None:
    """Every field survives, and what is found later about standstill is added."""
    latch.write(path, STOPPED)
    assert latch.read(path) == STOPPED
    newer = latch.update_standstill(path, STOPPED, "proved")
    assert latch.read(path) == newer == replace(STOPPED, standstill="proved")


def test_a_latch_without_the_later_fields_is_read(path: Path) -> None:
    """A latch that an older guard wrote, without lease and doubt, is itself and not an unreadable one.

    Any other field that is missing, and any that nobody knows, makes it unreadable; so does a lease that is none.
    """
    latch.write(path, STOPPED)
    record = json.loads(path.read_text())
    older = {name: value for name, value in record.items() if name not in ("lease", "doubt")}
    path.write_text(json.dumps(older))
    assert latch.read(path) == STOPPED
    bad: list[dict[str, Any]] = [older | {"mood": "calm"}, older | {"lease": "lent"}, older | {"lease": 1}]
    bad += [{name: value for name, value in older.items() if name != left_out} for left_out in older]
    for record in bad:
        path.write_text(json.dumps(record))
        found = latch.read(path)
        assert found is not None
        assert found.reason == latch.UNREADABLE


def test_what_is_known_of_standstill_is_said_in_words() -> None:
    """Proved and pending are said plainly; not proved says why, what had been allowed to move, and what to do.

    Where nobody knows of leases nothing is said of them.
    """
    assert replace(STOPPED, lease="never given").standstill_words() == "pending"
    assert replace(STOPPED, standstill="proved", lease="held").standstill_words() == "proved"
    doubt = "no position came from axis x and y"
    unproved = replace(STOPPED, standstill="not proved", doubt=doubt)
    words = replace(unproved, lease="never given").standstill_words()
    assert words.startswith(f"not proved: {doubt}; ")
    assert "nothing had been told to move" in words
    assert "look whether both axes stand" in words
    assert "may have been under way" in replace(unproved, lease="held").standstill_words()
    assert "lease" not in unproved.standstill_words()
    assert "look whether both axes stand" in replace(unproved, doubt="").standstill_words()


def test_no_file_is_no_latch(path: Path) -> None:
    """Only the absence of both files is clear."""
    assert latch.read(path) is None


@pytest.mark.parametrize(
    "content",
    [
        b"", b"{", b"null", b"[]", b"\xff\xfe", b"{}", b'{"format": 2}', b'{"format": 1}',
        json.dumps({"format": 1, "reason": "x"}).encode(),
    ],
)  # fmt: skip
def test_an_unreadable_latch_is_a_latch(path: Path, content: bytes) -> None:
    """A latch file that makes no sense counts as latched, with a reason code of its own."""
    path.write_bytes(content)
    found = latch.read(path)
    assert found is not None
    assert found.reason == latch.UNREADABLE


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_no_damage_makes_a_latch_clear(path: Path, data: st.DataObject) -> None:
    """Cut anywhere or with any byte changed, the file still means latched."""
    latch.write(path, STOPPED)
    good = path.read_bytes()
    at = data.draw(st.integers(0, len(good) - 1))
    damaged = data.draw(
        st.sampled_from([good[:at], good[:at] + bytes([data.draw(st.integers(0, 255))]) + good[at + 1 :]])
    )
    path.write_bytes(damaged)
    assert latch.read(path) is not None


def test_a_folder_in_its_place_is_a_latch(path: Path) -> None:
    """What cannot be opened as a file cannot be shown to be clear."""
    path.mkdir()
    found = latch.read(path)
    assert found is not None
    assert found.reason == latch.UNREADABLE


def test_an_unfinished_latch_is_a_latch(path: Path) -> None:
    """A crash while the latch was being written leaves the machine latched; a person can clear it."""
    path.with_name("latch.json.new").write_text('{"format": 1, "rea')
    found = latch.read(path)
    assert found is not None
    assert found.reason == latch.UNREADABLE
    latch.clear(path, "Ada", latch.UNREADABLE)
    assert latch.read(path) is None


def test_clearing_needs_a_name_and_the_reason_that_stands(path: Path) -> None:
    """Without a person, or with another reason than the one that stands, nothing is cleared."""
    latch.write(path, STOPPED)
    for person, reason in [
        ("", "lease-out"),
        ("  ", "lease-out"),
        ("Ada", ""),
        ("Ada", "stop-asked"),
        ("Ada", "lease"),
    ]:
        with pytest.raises(ClearRefusedError):
            latch.clear(path, person, reason)
        assert latch.read(path) == STOPPED
    assert not (path.parent / latch.HISTORY).exists()


def test_clearing_keeps_the_story(path: Path) -> None:
    """A cleared latch lies in the history with who cleared it and when; the place is clear."""
    latch.write(path, STOPPED)
    kept = latch.clear(path, " Ada ", "lease-out")
    assert latch.read(path) is None
    assert kept.parent == path.parent / latch.HISTORY
    record = json.loads(kept.read_text())
    assert record["cleared_by"] == "Ada"
    assert record["cleared_at"]
    assert record["reason"] == "lease-out"
    assert record["stopped_ns"] == 5


def test_clearing_an_unreadable_latch_keeps_its_bytes(path: Path) -> None:
    """Evidence is not thrown away because it is damaged."""
    path.write_bytes(b"{half \xff")
    record = json.loads(latch.clear(path, "Ada", latch.UNREADABLE).read_text())
    assert record["raw"] == {"latch.json": "{half \\xff"}


def test_nothing_to_clear_says_so(path: Path) -> None:
    """Clearing where nothing is latched is refused, not quietly done."""
    with pytest.raises(ClearRefusedError, match="no latch stands"):
        latch.clear(path, "Ada", "lease-out")


def test_two_latches_of_one_instant_are_both_kept(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The history never overwrites itself."""
    monkeypatch.setattr(latch, "now_text", lambda: "2031-05-01T10:00:00.000+00:00")
    kept = set()
    for _ in range(3):
        latch.write(path, STOPPED)
        kept.add(latch.clear(path, "Ada", "lease-out"))
    assert len(kept) == 3


@pytest.mark.parametrize("broken", ["fsync", "replace", "open"])
def test_a_disk_that_refuses_leaves_what_stood(
    path: Path, monkeypatch: pytest.MonkeyPatch, broken: str
) -> None:
    """When writing or clearing fails half-way, the machine is still latched."""
    latch.write(path, STOPPED)

    def refuse(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", refuse) if broken == "replace" else patch.setattr(
            f"safety.latch.os.{broken}", refuse
        )
        with pytest.raises(OSError, match="No space"):
            latch.write(path, replace(STOPPED, reason="stop-asked"))
        with pytest.raises(OSError, match="No space"):
            latch.clear(path, "Ada", "lease-out")
    assert latch.read(path) == STOPPED


def test_a_reader_waits_for_a_latch_that_is_being_written(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Read at any moment of its first writing, a latch is whole or not begun, never unreadable."""
    seen: list[Latch | None] = []
    fsync = os.fsync
    readers: list[threading.Thread] = []

    def slow_fsync(descriptor: int) -> None:
        if not readers:
            readers.append(threading.Thread(target=lambda: seen.append(latch.read(path))))
            readers[0].start()
            while not waits:
                real_sleep(0.001)
        fsync(descriptor)

    waits: list[float] = []
    real_sleep = time.sleep

    def counted_sleep(duration_s: float) -> None:
        waits.append(duration_s)
        real_sleep(duration_s)

    monkeypatch.setattr("safety.latch.time.sleep", counted_sleep)
    monkeypatch.setattr("safety.latch.os.fsync", slow_fsync)
    latch.write(path, STOPPED)
    readers[0].join(10)
    assert seen == [STOPPED]


def test_a_write_torn_at_any_byte_is_a_latch(path: Path) -> None:
    """However many bytes of a latch have reached the disk, beside the old one, alone or in place: latched.

    Beside a latch that stands, the old one is read as it was; alone or in place, a torn one has its own code.
    """
    latch.write(path, STOPPED)
    whole = path.read_bytes()
    unfinished = path.with_name("latch.json.new")
    for size in range(len(whole) + 1):
        path.write_bytes(whole)
        unfinished.write_bytes(whole[:size])
        assert latch.read(path) == STOPPED
        path.unlink()
        found = latch.read(path)
        assert found is not None, size
        assert found.reason == latch.UNREADABLE
        unfinished.unlink()
        path.write_bytes(whole[:size])
        found = latch.read(path)
        assert found is not None, size
        # The last byte is the line's end: without it the latch is whole all the same.
        assert found == STOPPED if size >= len(whole) - 1 else found.reason == latch.UNREADABLE
        path.unlink()


class PowerFailure(BaseException):
    """The lights go out: nobody catches this."""


CALLS = ("os.open", "os.fsync", "fcntl.flock", "Path.replace", "Path.unlink", "Path.mkdir")


def cut_power_at(patch: pytest.MonkeyPatch, number: int) -> list[str]:
    """Let call ``number`` to the disk never happen, and none after it; returns the calls as they come."""
    made: list[str] = []

    def counted(name: str, real: Any) -> Any:
        def call(*arguments: Any, **keywords: Any) -> Any:
            if len(made) >= number:
                raise PowerFailure
            made.append(name)
            return real(*arguments, **keywords)

        return call

    for name in CALLS:
        holder, attribute = name.split(".")
        place = Path if holder == "Path" else getattr(latch, holder)
        patch.setattr(place, attribute, counted(name, getattr(place, attribute)))
    return made


@pytest.mark.parametrize("stands", [False, True])
def test_power_may_go_at_any_step_of_writing(tmp_path: Path, stands: bool) -> None:
    """From the moment the latch's file is begun, a power cut at any later step leaves the machine latched."""
    for number in range(20):
        path = tmp_path / f"{number}" / "latch.json"
        path.parent.mkdir()
        if stands:
            latch.write(path, replace(STOPPED, reason="stop-asked"))
        with pytest.MonkeyPatch.context() as patch:
            made = cut_power_at(patch, number)
            try:
                latch.write(path, STOPPED)
            except PowerFailure:
                whole = False
            else:
                whole = True
        found = latch.read(path)
        assert (found is not None) is (stands or "os.open" in made), made
        if whole:
            assert found == STOPPED
            return
    pytest.fail("writing a latch takes more steps than this test knows")


@pytest.mark.parametrize("remains", [False, True])
def test_power_may_go_at_any_step_of_clearing(tmp_path: Path, remains: bool) -> None:
    """Cut anywhere, the machine is still latched, or the story of the clearing is whole in the history."""
    for number in range(30):
        path = tmp_path / f"{number}" / "latch.json"
        latch.write(path, STOPPED)
        if remains:
            path.with_name("latch.json.new").write_bytes(b"{")
        with pytest.MonkeyPatch.context() as patch:
            cut_power_at(patch, number)
            try:
                latch.clear(path, "Ada", "lease-out")
            except PowerFailure:
                whole = False
            else:
                whole = True
        if latch.read(path) is None:
            (kept,) = (path.parent / latch.HISTORY).glob("*.json")
            assert json.loads(kept.read_text())["cleared_by"] == "Ada"
        if whole:
            assert latch.read(path) is None
            return
    pytest.fail("clearing a latch takes more steps than this test knows")


def test_the_power_cut_is_part_of_the_story(path: Path) -> None:
    """What became of the power-cut output survives; a word that is none of the three is unreadable."""
    for word in ("not fitted", "kept", "opened"):
        latch.write(path, replace(STOPPED, power_cut=word))
        found = latch.read(path)
        assert found is not None
        assert found.power_cut == word
    path.write_text(path.read_text().replace("opened", "open"))
    found = latch.read(path)
    assert found is not None
    assert found.reason == latch.UNREADABLE
