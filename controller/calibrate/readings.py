"""What a person read from a sheet: taken at a prompt, held against what can be on the sheet, and made into values.

Owns answers, their intervals and the way from a sheet's record to ``Measured``; the formulas are in the modules
beside it. Knows no terminal: whoever asks gives a function that asks. Saves nothing.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from controller.calibrate.sheets.page import Question, Record
from controller.calibrate.values import Measured
from controller.config.errors import InputError, Mistake

CANNOT: Final = ("?", "cannot", "cannot read", "unreadable")
"""Words for a place that cannot be read."""
REPEATS_MAX: Final = 50
_GRID: Final = 1e-6
_NUMBER: Final = re.compile(r"[+-]?\d+(?:[.,]\d+)?")
_SPAN: Final = re.compile(r"(?P<low>\S+)\s+(?:to|-|\.\.)\s+(?P<high>\S+)")


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading: the middle of what looked alike, and half of how far that went beyond one mark of the scale."""

    value: float
    half_width: float = 0.0


Answers = Mapping[str, Sequence[Reading]]
"""By a question's key, one reading or several; none where the place could not be read."""


class NonsenseError(ValueError):
    """An answer that cannot have been read from the sheet; says what was expected."""

    code: Final = "reading-nonsense"


def parse(question: Question, words: str) -> Reading | None:
    """What a person typed. None: it cannot be read. Raises NonsenseError with what was expected."""
    said = (
        words.strip().lower().removesuffix(question.unit).strip() if question.unit else words.strip().lower()
    )
    if said in CANNOT:
        if question.optional:
            return None
        raise NonsenseError(f"{question.key}: expected a number, as nothing follows without this one")
    span = _SPAN.fullmatch(said)
    if span and question.kind == "tooth":
        low, high = (_checked(question, span[part]) for part in ("low", "high"))
        if high < low:
            raise NonsenseError(f"{question.key}: expected the lower one first, got {words.strip()}")
        return Reading(0.5 * (low + high), 0.5 * (high - low))
    return Reading(_checked(question, said))


def _checked(question: Question, said: str) -> float:
    unit = f" {question.unit}" if question.unit else ""
    if not _NUMBER.fullmatch(said):
        what = f"a number in{unit}" if unit else "a number"
        more = ' or two with "to" between' if question.kind == "tooth" else ""
        cannot = ', or "?" where it cannot be read' if question.optional else ""
        raise NonsenseError(f"{question.key}: expected {what}{more}{cannot}, got {said[:40]!r}")
    value = float(said.replace(",", "."))
    if not question.least - _GRID <= value <= question.most + _GRID:
        raise NonsenseError(
            f"{question.key}: expected {question.least:g} to {question.most:g}{unit}, which is all that the sheet has, "
            f"got {value:g}"
        )
    if question.step:
        steps = value / question.step
        if abs(steps - round(steps)) > 1e-3:
            low = math.floor(steps) * question.step
            raise NonsenseError(
                f"{question.key}: expected a mark of the scale, every {question.step:g}{unit}, such as {low:g} or "
                f"{low + question.step:g}, got {value:g}"
            )
        value = round(steps) * question.step
    return value


def ask(
    record: Record,
    ask_line: Callable[[str], str],
    tell: Callable[[str], None],
    repeats: int = 1,
) -> dict[str, list[Reading]]:
    """Ask for every reading of a sheet, ``repeats`` times over, until each makes sense.

    ask_line: shows the words and answers with what was typed. tell: says what was wrong.
    """
    answers: dict[str, list[Reading]] = {question.key: [] for question in record.questions}
    for turn in range(repeats):
        for question in record.questions:
            again = f", reading {turn + 1} of {repeats}" if repeats > 1 else ""
            cannot = ', "?" if it cannot be read' if question.optional else ""
            unit = f" in {question.unit}" if question.unit else ""
            while True:
                try:
                    found = parse(question, ask_line(f"{question.words}{unit}{cannot}{again}: "))
                except NonsenseError as error:
                    tell(str(error))
                    continue
                break
            if found is not None:
                answers[question.key].append(found)
    return answers


def answers_from(record: Record, given: Mapping[str, object], where: Path) -> dict[str, list[Reading]]:
    """Answers from a table of words or numbers by key, one or a list each. Raises InputError with every mistake."""
    mistakes: list[Mistake] = []
    known = {question.key: question for question in record.questions}
    answers: dict[str, list[Reading]] = {key: [] for key in known}
    for key, said in given.items():
        if key not in known:
            names = ", ".join(known)
            mistakes.append(
                Mistake(
                    where,
                    key,
                    f"a key of the sheet {record.sheet} ({names})",
                    str(said),
                    code="reading-answers",
                )
            )
            continue
        each = list(said) if isinstance(said, list | tuple) else [said]
        if not 1 <= len(each) <= REPEATS_MAX:
            mistakes.append(
                Mistake(where, key, f"1 to {REPEATS_MAX} readings", f"{len(each)}", code="reading-answers")
            )
            continue
        for one in each:
            try:
                found = parse(known[key], str(one))
            except NonsenseError as error:
                expected, _, got = str(error).partition(": expected ")[2].rpartition(", got ")
                mistakes.append(Mistake(where, key, expected or got, str(one), code="reading-nonsense"))
                continue
            if found is not None:
                answers[key].append(found)
    mistakes += [
        Mistake(where, key, f"a reading: {question.words}", "nothing", code="reading-answers")
        for key, question in known.items()
        if not question.optional and key not in given
    ]
    if mistakes:
        raise InputError(mistakes)
    return answers


def mean_of(readings: Sequence[Reading], resolution: float) -> tuple[float, float]:
    """Mean of readings and half its 95 % interval.

    Of one reading: what its scale leaves open (``resolution``, half the interval), or half of what looked alike, if
    that is wider. Of several, Student's interval of the mean, with what the scale leaves open added by squares, as
    every reading is rounded by the same scale and repeating does not average that out.
    """
    from scipy.special import stdtrit

    if not readings:
        raise ValueError("readings: expected one or more, got none")
    values = [one.value for one in readings]
    mean = math.fsum(values) / len(values)
    open_ = max(resolution, math.fsum(one.half_width for one in readings) / len(readings))
    if len(values) == 1:
        return mean, open_
    spread = math.sqrt(math.fsum((one - mean) ** 2 for one in values) / (len(values) - 1))
    student = float(stdtrit(len(values) - 1, 0.975)) * spread / math.sqrt(len(values))
    return mean, math.hypot(student, open_)


def measured_from(record: Record, answers: Answers) -> tuple[Measured, ...]:
    """The values that a sheet's readings give. Raises PoorFit for readings from which none is taken.

    Values whose field begins with ``job.`` belong to job files, the rest to the machine file.
    """
    from controller.calibrate import readings_frame, readings_pen, readings_register

    makers: dict[str, Callable[[Record, Answers], tuple[Measured, ...]]] = {
        "play": readings_frame.play,
        "square": readings_frame.square,
        "lengths": readings_frame.lengths,
        "circles": readings_frame.circles,
        "waves": readings_frame.waves,
        "pen": readings_pen.pen,
        "tip": readings_pen.tip,
        "dots": readings_pen.dots,
        "wear": readings_pen.wear,
        "dry": readings_pen.dry,
        "register": readings_register.register,
    }
    maker = makers.get(record.sheet)
    if maker is None:
        raise InputError(
            [
                Mistake(
                    Path(f"sheet {record.sheet}"),
                    "readings",
                    f"one of {', '.join(makers)}",
                    record.sheet,
                    code="sheet-unknown",
                )
            ]
        )
    return maker(record, answers)
