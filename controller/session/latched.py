"""The words of a latched stop as an error: refused because one stands, or halted because one came.

Owns that every such error names the guard's reason, says what a person does next, and carries the reason as its code.
Knows neither who stopped the machine nor how.
"""

from __future__ import annotations

from typing import Final

from controller.config.errors import HaltedError, RefusedError, stop_code
from safety.latch import Latch

CLEAR_REMEDY: Final = "look at the machine, then giornata clear, then giornata home"

GUARD_STOPPED: Final = "guard-stopped"
"""The streamer saw no more than that the guard had stopped: the guard's own reason says more."""


def refused(standing: Latch, remedy: str = CLEAR_REMEDY) -> RefusedError:
    """Nothing moves while the latch stands."""
    return RefusedError(
        f"stopped: {standing.text} ({standing.reason})", remedy, code=stop_code(standing.reason)
    )


def halted(standing: Latch, *, cause: str = "", trouble: str = "", code: str = "") -> HaltedError:
    """A latch came while a request ran.

    ``cause``: what the streamer saw before the guard did, with its ``code``: then the guard's word is only what
    followed. ``trouble``: what else went wrong.
    """
    told = f"{cause}; " if cause else ""
    after = f"; {trouble}" if trouble else ""
    return HaltedError(
        f"{told}{standing.text} ({standing.reason}){after}",
        CLEAR_REMEDY,
        code=code if cause and code not in ("", GUARD_STOPPED) else stop_code(standing.reason),
    )
