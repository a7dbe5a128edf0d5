"""What a photograph tells beside what a person read from the same sheet.

Owns the comparison. A photograph takes the place of no reading: where both are there, both are shown with whether
their intervals meet, and the person says which one counts.
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.calibrate.photo import Finding, PhotoReading
from controller.calibrate.readings import Answers, mean_of
from controller.calibrate.sheets.page import Record
from controller.config.counting import counted


@dataclass(frozen=True, slots=True)
class Beside:
    """A finding, and what was read of the same thing with its half width, None where nobody read it."""

    finding: Finding
    read: float | None
    read_half_width: float | None

    @property
    def agrees(self) -> bool | None:
        """Their intervals meet; None where there is nothing to compare."""
        if self.read is None or self.read_half_width is None:
            return None
        return abs(self.read - self.finding.value) <= self.read_half_width + self.finding.half_width

    def words(self) -> str:
        """One line: the photograph's figure, the person's, and whether they agree."""
        one = self.finding
        places = counted(one.n, "place")
        told = f"{one.words}: {one.value:.3f} +- {one.half_width:.3f} mm by the photograph ({places})"
        if self.read is None or self.read_half_width is None:
            return told
        verdict = (
            "they agree"
            if self.agrees
            else "they differ by more than both leave open: look at the sheet again"
        )
        return f"{told}; {self.read:.3f} +- {self.read_half_width:.3f} mm as read; {verdict}"


def beside(record: Record, read: PhotoReading, answers: Answers) -> list[Beside]:
    """Every finding with the person's reading of it: a ladder's pair less half a step, as ``readings_pen`` has it."""
    half_step = record.of("step_mm")[0] / 2.0 if record.of("step_mm") else 0.0
    questions = {one.key: one for one in record.questions}
    rows: list[Beside] = []
    for one in read.findings:
        given = answers.get(one.key)
        if not given or one.key not in questions:
            rows.append(Beside(one, None, None))
            continue
        mean, half = mean_of(given, questions[one.key].resolution)
        rows.append(Beside(one, mean - half_step, half))
    return rows
