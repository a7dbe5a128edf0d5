"""What the fields of a drive file must agree on: all rules, in the order in which they may be asked.

Rules that need what another has refused wait: a file is checked field by field, then frame by frame, then as a whole.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from drivers.described import framerules, wholerules
from drivers.described.format import DriveFile, Finding

_STAGES: tuple[tuple[Callable[[DriveFile], Iterator[Finding]], ...], ...] = (
    (framerules.type_fits, framerules.wire_fits),
    (framerules.unit_fits, framerules.name_fits, framerules.lies_within, wholerules.names_are_known),
    (wholerules.commands_are_whole, wholerules.meaning_fits, wholerules.fixed_timeout_fits),
    (wholerules.numbers_are_exact, wholerules.identifiers_are_apart),
    (wholerules.limits_fit, wholerules.positions_agree, wholerules.replies_are_apart),
    (wholerules.samples_hold,),
)


def contradictions(drive: DriveFile) -> list[Finding]:
    """Everything in which the file contradicts itself, as far as the first stage that finds something."""
    for stage in _STAGES:
        if found := [one for rule in stage for one in rule(drive)]:
            return found
    return []
