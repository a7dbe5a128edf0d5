"""Which sheets there are.

Owns the table of names; what is on them is their modules'.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from controller.calibrate.sheets.circles import circles_sheet, marks_sheet, waves_sheet
from controller.calibrate.sheets.combs import pen_sheet, play_sheet
from controller.calibrate.sheets.lengths import lengths_sheet, square_sheet
from controller.calibrate.sheets.page import Sheet
from controller.calibrate.sheets.register import register_sheet
from controller.calibrate.sheets.tips import dots_sheet, dry_sheet, tip_sheet, wear_sheet
from controller.config.errors import InputError, Mistake
from controller.config.machine import Machine


@dataclass(frozen=True, slots=True)
class Kind:
    """A sheet by name: what makes it, with the machine and keywords of its own, and what it is for."""

    make: Callable[..., Sheet]
    words: str


SHEETS: Final[dict[str, Kind]] = {
    "play": Kind(play_sheet, "combs for the play of both axes, at several places"),
    "square": Kind(square_sheet, "crosses for squareness by two diagonals"),
    "lengths": Kind(lengths_sheet, "ticks along both axes against a tape"),
    "circles": Kind(circles_sheet, "circles both ways round, three sizes"),
    "waves": Kind(waves_sheet, "how the belts ring, as waves on a line"),
    "pen": Kind(pen_sheet, "how the tip leans in its holder and where it lands"),
    "tip": Kind(tip_sheet, "width of the tip's line"),
    "dots": Kind(dots_sheet, "size of dots"),
    "wear": Kind(wear_sheet, "width of the line by metres painted"),
    "dry": Kind(dry_sheet, "how long a raised pen stays wet"),
    "marks": Kind(marks_sheet, "register marks"),
    "register": Kind(register_sheet, "crosses of two inks, how far one lies off the other"),
}
"""In the order in which a new machine wants them."""

WORDS: Final = {
    "places": "--places",
    "most_mm": "--most",
    "step_mm": "--step",
    "every_mm": "--every",
    "resolution_mm": "--read-to",
    "minutes": "--minutes",
    "metres": "--metres",
}
"""What sheets take beside machine and tip, as the command line has it."""


def make_sheet(name: str, machine: Machine, tip_mm: float | None = None, **options: Any) -> Sheet:
    """The sheet ``name`` for ``machine``, with its own tip where None.

    Raises InputError for a name that is none, for options that are another sheet's, and for a sheet that does not fit
    the canvas.
    """
    kind = SHEETS.get(name)
    if kind is None:
        raise InputError(
            [Mistake(Path("sheet"), "NAME", f"one of {', '.join(SHEETS)}", name, code="sheet-unknown")]
        )
    takes = inspect.signature(kind.make).parameters
    if strange := [one for one in options if one not in takes]:
        known = [word for key, word in WORDS.items() if key in takes]
        expected = f"options of this sheet: {', '.join(known)}" if known else "no options of its own"
        got = ", ".join(WORDS.get(one, one) for one in strange)
        raise InputError([Mistake(Path(f"sheet {name}"), got, expected, got, code="sheet-setting")])
    given = {} if tip_mm is None else {"tip_mm": tip_mm}
    return kind.make(machine, **given, **options)
