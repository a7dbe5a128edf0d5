"""Whole gantries commissioned unattended: what is found is the truth within what a person can read, and it draws."""

from __future__ import annotations

import pytest

from tests.calibrate.gantries import gantry
from tests.calibrate.judged import art, judge, truth_of
from tests.calibrate.seeds import rows_of, table
from tests.calibrate.unattended import commissioned

WITHIN = {
    "play, mm": 0.06,
    "lag, ms": 0.15,
    "latency, ms": 0.25,
    "lag + latency, ms": 0.03,
    "length, mm": 0.25,
    "squareness, mm/m": 0.12,
    "sag, mm": 0.25,
}


@pytest.mark.parametrize("seed", [pytest.param(101, marks=pytest.mark.campaign), 102])
def test_a_gantry_is_commissioned_from_a_file_that_knows_nothing(seed: int) -> None:
    """One round, one place for combs and waves: every value within its reading's doubt of the truth, and circles of 5
    and 50 mm come at least five times as near to round as they were."""
    one = gantry(seed)
    done = commissioned(one, rounds=1, places=1)
    rows = rows_of(one, done)
    assert {row["name"] for row in rows} >= set(WITHIN)
    for row in rows:
        assert row["off"] <= WITHIN.get(row["name"], float("inf")), row
        if row["name"] == "belt, Hz":
            assert row["share"] < 0.12 or row["worth_mm"] < 0.02, row
    drawing, truth = art((5.0, 50.0), circles_only=True), truth_of(one.file)
    before, after = (judge(machine, truth, drawing) for machine in (one.machine(), done.machine()))
    assert after.g < 0.15
    assert after.p99 < min(0.15, before.p99 / 5.0)
    assert after.register < min(0.15, before.register / 5.0)
    assert after.place < min(0.4, before.place / 5.0)
    assert "play, mm" in table([
        {"rows": rows, "refused": done.refused, "cpu_s": 0.0,
         "figures": {"after": {"p99": after.p99, "max": after.max, "g": after.g, "register": after.register,
                               "place": after.place, "holds": after.holds}}},
    ])  # fmt: skip
