"""A real session in its own process, on the simulated gantry, long enough to be killed in the middle of a stroke."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.faults.sessionsite import Site
from tests.faults.waves import NEAR_EDITS, write_scene

# A short stroke at either end of a long one: whichever way round they are put in order, the long one is the second.
# It has no corner at which the axes would rest.
SVG = """<svg xmlns="http://www.w3.org/2000/svg" width="1000mm" height="600mm" viewBox="0 0 1000 600">
<g id="waves"><path d="M 20 20 L 60 20" fill="none" stroke="#1f7a78"/>
<path d="M 60 60 C 300 0 500 200 900 60 C 1000 25 980 180 900 190 C 700 215 600 120 400 160"
 fill="none" stroke="#1f7a78"/>
<path d="M 400 200 L 440 200" fill="none" stroke="#1f7a78"/></g></svg>
"""
# A computer that is busy with other tests must not halt the session before the fault under test does; none of the
# stops below waits for any of these.
EDITS = {
    "lease_ms = 100.0": "lease_ms = 1500.0",
    "beat_late_ms = 80.0": "beat_late_ms = 1500.0",
    "guard_late_ms = 150.0": "guard_late_ms = 1500.0",
    "feedback_late_ms = 120.0": "feedback_late_ms = 1500.0",
    "heartbeat_lost_after_ms = 160": "heartbeat_lost_after_ms = 1500",
    "following_error_max_mm = 4.0": "following_error_max_mm = 300.0",
    **NEAR_EDITS,
}


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """A homed machine; whatever a test leaves running is ended by its pid."""
    folder = tmp_path_factory.mktemp("f")
    write_scene(folder, SVG, edits=EDITS)
    site = Site(folder)
    try:
        assert site.here("home", "--virtual", "--yes") == 0
        yield site
    finally:
        site.end()
