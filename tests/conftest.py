"""What holds for every test: generated inputs are judged by what they show, not by how long they took.

They are the same in every run, so that a check that passes here passes elsewhere; `make laws` draws others, and
five times as many.

A test that waits for processes, threads or the far end of a line is tried again, twice at most, when it fails:
a shared computer keeps them waiting, now and then for seconds. What fails by our own fault fails each time, and what
was tried again is named at the end of the run.
"""

from __future__ import annotations

import os
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
    "faults/test_serve_faults.py", "reference/test_can_bytes.py", "safety/test_beat_line.py",
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


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Give those that wait their further tries."""
    root = Path(__file__).parent
    for item in items:
        name = item.path.relative_to(root).as_posix()
        if name in WAITING or item.get_closest_marker("realtime"):
            item.add_marker(pytest.mark.flaky(reruns=TRIES_AGAIN))
