"""What holds for every test: generated inputs are judged by what they show, not by how long they took.

They are the same in every run, so that a check that passes here passes elsewhere; `make laws` draws others, and
five times as many.

A test that waits for processes, threads or the far end of a line is tried again, twice at most, when it fails:
a shared computer keeps them waiting, now and then for seconds. What fails by our own fault fails each time, and what
was tried again is named at the end of the run.

Where only tests of one mark are asked for, files that hold none of them are not read: what they import costs each
process seconds.
"""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("giornata", deadline=None, print_blob=True, derandomize=True, max_examples=60)
settings.register_profile("laws", deadline=None, print_blob=True, max_examples=300)
settings.load_profile(os.environ.get("GIORNATA_LAWS", "giornata"))

TRIES_AGAIN = 2

WAITING = frozenset({
    "cli/test_check.py", "cli/test_register_verbs.py", "cli/test_serve.py", "drivers/test_adapters.py",
    "drivers/test_can_health.py", "drivers/test_cia402.py", "drivers/test_modbus_master.py",
    "drivers/test_registry.py", "drivers/test_slcan_link.py", "drivers/test_stop_inputs.py",
    "faults/test_serve_faults.py", "page/test_in_browser.py", "page/test_pressing.py", "page/test_real_session.py",
    "page/test_serve.py", "page/test_talk.py", "page/test_watch.py",
    "reference/test_can_bytes.py", "safety/test_beat_line.py",
    "safety/test_bus.py", "safety/test_cut_frames.py", "safety/test_described_frames.py",
    "safety/test_guard_handle.py", "safety/test_guard_process.py", "safety/test_latch.py",
    "safety/test_modem_lines.py", "safety/test_rtu.py", "safety/test_wire.py",
    "scenarios/test_mend_through_service.py", "scenarios/test_pause.py", "session/test_control.py",
    "session/test_doctor_host.py", "session/test_following.py", "session/test_journal.py",
    "session/test_keys.py", "session/test_listening.py", "session/test_marks_served.py",
    "session/test_mqtt.py", "session/test_mqtt_broker.py", "session/test_mqtt_mad.py",
    "session/test_operator.py", "session/test_passcache.py", "session/test_pausing_served.py",
    "session/test_serve.py", "session/test_stop_inputs.py", "session/test_stops.py", "stream/test_child.py",
    "stream/test_guard_gone.py", "stream/test_host.py", "stream/test_pause.py", "stream/test_watch.py",
    "twin/test_twin_process.py",
})  # fmt: skip
"""Files whose tests wait for somebody else, beside all that is marked ``realtime``."""


MARKED = {
    "realtime": "mark.realtime", "realtime and not campaign": "mark.realtime", "campaign": "mark.campaign",
}  # fmt: skip
"""What is asked for by mark, and the words without which neither a test file nor its folder's conftest gives it."""


@cache
def gives_mark(path: Path, words: str) -> bool:
    """Whether the test file at ``path``, or the conftest beside it, gives the mark with these ``words``."""
    return any(one.is_file() and words in one.read_text() for one in (path, path.with_name("conftest.py")))


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Do not read a file without a test of the one mark that is asked for."""
    words = MARKED.get(config.option.markexpr)
    if words is None or not collection_path.match("test_*.py"):
        return None
    return None if gives_mark(collection_path, words) else True


def hidden(items: list[pytest.Item]) -> list[str]:
    """Tests whose mark would not be found by the words in their file: they would never run."""
    return [
        f"{item.nodeid}: {mark}"
        for item in items
        for mark in ("realtime", "campaign")
        if item.get_closest_marker(mark) and not gives_mark(item.path, MARKED[mark])
    ]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Give those that wait their further tries; refuse a mark that would go unseen."""
    if lost := hidden(items):
        raise pytest.UsageError(f"write the mark in the test's own file or its folder's conftest: {lost}")
    root = Path(__file__).parent
    for item in items:
        name = item.path.relative_to(root).as_posix()
        if name in WAITING or item.get_closest_marker("realtime"):
            item.add_marker(pytest.mark.flaky(reruns=TRIES_AGAIN))
