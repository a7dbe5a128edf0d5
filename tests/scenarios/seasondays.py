"""The days of a season: what happens in which night, and what the person does about it in the morning and then.

Owns the order of a day; ``season`` plays the parts.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from controller.config.load import load_machine
from tests.scenarios.season import Season

NOTICED_AFTER_MINUTES = 4.0
SAID_MINUTES = 5.0
"""A person says rather too many minutes than too few."""
TRIES = 3
"""A set of marks that is refused is measured again, so often in all."""


@dataclass(frozen=True)
class Day:
    """passes: how many are painted. hang: shift in mm and turn in degrees in the night before; jump: axis and teeth.
    widths: inks whose line is measured before. cut: of which of the day's passes, and after what share of it, all
    power goes; dry: the same for a pen that dries.
    """

    passes: int
    hang: tuple[tuple[float, float], float] | None = None
    jump: tuple[str, int] | None = None
    widths: tuple[str, ...] = ()
    cut: tuple[int, float] | None = None
    dry: tuple[int, float] | None = None
    noticed_after_minutes: float = NOTICED_AFTER_MINUTES
    said_minutes: float = SAID_MINUTES


def live(
    season: Season, days: Sequence[Day], first: int = 1, only: Sequence[str] = (),
    evening: Callable[[int], None] = lambda _day: None,
) -> None:  # fmt: skip
    """All days from ``first`` (1 is the first) on. only: passes that are painted, the others are passed over as if
    they had been; all when empty."""
    done = 0 if first == 1 else season.tale.log[-1]["passes"]
    for number, day in enumerate(days, 1):
        if number < first:
            continue
        season.morning(number)
        if day.hang is not None:
            season.hang_again(*day.hang)
        if day.jump is not None:
            season.jump_teeth(*day.jump)
        for ink in day.widths:
            season.measure_width(ink)
        if number == 1:
            season.home()
        names = [one.name for one in season.prepared().record.passes]
        today = names[done : done + day.passes] if number < len(days) else names[done:]
        done += len(today)
        if day.jump is not None:
            season.look_at_jump(today[0])
        if number > 1:
            for _ in range(TRIES):
                if not season.measures or season.measure_marks():
                    break
        for place, name in enumerate(today):
            if not only or name in only:
                _paint(season, day, place, name)
        season.tell("evening", passes=done)
        evening(number)


def _paint(season: Season, day: Day, place: int, name: str) -> None:
    if day.cut is not None and day.cut[0] == place:
        season.lose_power_in(name, day.cut[1])
        season.home()
    if day.dry is not None and day.dry[0] == place:
        stopped = season.paint(name, dry_at=day.dry[1], notice_minutes=day.noticed_after_minutes) is None
        season.tell("pen dry", at=name, share=day.dry[1], stopped=stopped)
        ink = season.prepared().part(name).ink
        season.mend_dry(ink, day.said_minutes)
        if not stopped:
            return
    done = season.paint(name)
    assert done is not None
    season.tell("painted", passes=[one.name for one in done.passes], at_h=round(season.age_h, 2))


def pitch_mm(season: Season, axis: str) -> float:
    """Of an axis' belt."""
    return load_machine(season.machine).axes[axis].drive.belt_pitch_mm
