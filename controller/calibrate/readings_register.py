"""Readings of the sheet of two inks: by how much the second lies off the first, at each place and in the mean.

Owns what follows from them. Nothing of it stands in a machine file: the values go into the history, and say whether
homing, canvas or marks want looking at (docs/register.md).
"""

from __future__ import annotations

import math

from controller.calibrate.readings import Answers, mean_of
from controller.calibrate.sheets.page import Record
from controller.calibrate.values import Measured, PoorFit

WAYS = (("x", "right"), ("y", "down"))


def register(record: Record, answers: Answers) -> tuple[Measured, ...]:
    """Offset of the second ink, machine directions: a table by place for each axis; its mean is noted.

    The half width is the widest of a place's. Places that were not read are left out.
    """
    found: list[Measured] = []
    for axis, way in WAYS:
        rows: list[tuple[float, float, float]] = []
        count = 0
        for question in record.questions:
            if not question.key.endswith(axis) or not answers.get(question.key):
                continue
            off, half = mean_of(answers[question.key], question.resolution)
            number = question.key.removeprefix("place").removesuffix(axis)
            rows.append((float(number), off, half))
            count += len(answers[question.key])
        if not rows:
            continue
        offs = [row[1] for row in rows]
        mean = math.fsum(offs) / len(offs)
        table = {
            "place": tuple(row[0] for row in rows),
            f"{way}_mm": tuple(round(one, 4) for one in offs),
        }
        note = f"{mean:+.2f} mm to the {way}" if axis == "x" else f"{mean:+.2f} mm {way}"
        note += f" in the mean, places apart by {max(offs) - min(offs):.2f} mm"
        half = max(row[2] for row in rows)
        found.append(Measured(f"register.{axis}_off", table, "mm", half, "register sheet", count, note))
    if not found:
        raise PoorFit("register sheet", "one place or more that can be read", "none", code="fit-nothing-read")
    return tuple(found)
