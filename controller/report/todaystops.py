"""What to do when the machine halts, as it hangs on the wall: first what is always right, then by the latch's reason.

Owns these words. Every reason that the guard can give stands on one card, so that whoever reads a code in
``giornata status`` finds it. Codes are those of ``safety.events`` and ``safety.latch``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from safety.events import Reason
from safety.latch import UNREADABLE


@dataclass(frozen=True, slots=True)
class Card:
    """One kind of halt: what it is called, the codes that a latch may show, and what to do in three lines."""

    title: str
    reasons: tuple[str, ...]
    lines: tuple[str, str, str]


EMERGENCY: Final = "Danger: press the red emergency stop on the machine. No key and no page replaces it."

ALWAYS: Final = (
    "Stand clear until all is still; the hanging axis can fall. Power off and locked out before hands go in.",
    "Read the reason: giornata status. Do what its card says. If it is long: pen out, cap on.",
    "When the cause is gone: giornata clear, giornata home, giornata paint. It goes on where it was.",
)

CARDS: Final = (
    Card(
        "Somebody stopped it, or a loop opened",
        (Reason.STOP_ASKED, Reason.INPUT_OPEN),
        (
            "Find who pressed what, or which gate, switch or plug is open.",
            "At a limit switch: free the head by hand, motor power locked out.",
            "Close the loop only when its cause is gone.",
        ),
    ),
    Card(
        "Head held back, too fast or beyond its limits",
        (Reason.ENVELOPE_FOLLOWING, Reason.ENVELOPE_SPEED, Reason.ENVELOPE_POSITION),
        (
            "Motor power locked out; look for what caught: cable, clamp, belt, pen.",
            "Move both axes by hand over their length: they must run freely.",
            "If homing then lies far off the last one: do not paint; giornata drift.",
        ),
    ),
    Card(
        "Drive fault, motor power gone",
        (Reason.DRIVE_FAULT, Reason.MOTOR_POWER_LOST),
        (
            "Read the fault at the drive and look it up in its manual.",
            "Was it the emergency stop or a limit switch? Find out why first.",
            "The same fault twice: stop for today and find it.",
        ),
    ),
    Card(
        "Wire lost or silent",
        (Reason.WIRE_LOST, Reason.BUS_OFF, Reason.FEEDBACK_STALE, Reason.HANDLE_LOST),
        (
            "Motor power off; look at adapter, plugs, cable chain, terminators.",
            "giornata doctor: do all drives answer, at what rate?",
            "Bend no cable with power on to see whether it helps.",
        ),
    ),
    Card(
        "Computer late, or a program died",
        (
            Reason.LEASE_OUT,
            Reason.LEASE_TOO_LONG,
            Reason.BEAT_MISSING,
            Reason.BEAT_LATE,
            Reason.BEAT_REPEATED,
            Reason.BEAT_OUT_OF_ORDER,
            Reason.BEAT_UNREADABLE,
            Reason.BEAT_FLOOD,
            Reason.STREAMER_DIED,
            Reason.STREAMER_STOPPED,
            Reason.STREAMER_SPINNING,
            Reason.SERVICE_DIED,
            Reason.CLOSED_WITHOUT_WORD,
            Reason.DISARMED_MOVING,
            Reason.GUARD_OVERRUN,
            Reason.GUARD_FAILED,
        ),
        (
            "End what else runs on this computer; giornata doctor says what is slow.",
            "Finished strokes are kept: nothing is painted twice.",
            "The same reason twice: keep the state folder, do not paint on.",
        ),
    ),
    Card(
        "The stop's record cannot be read",
        (UNREADABLE,),
        (
            "Treat it as a stop for an unknown reason: look at the whole machine.",
            "Look at the disk: is it full, does it fail?",
            "Only then giornata clear.",
        ),
    ),
)
