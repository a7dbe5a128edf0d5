"""What to do when the machine halts, as it hangs on the wall: first what is always right, then by the latch's reason.

Owns these words. Every reason that the guard can give stands on one card, so that whoever reads a code in
``giornata status`` finds it. Codes are those of ``safety.events`` and ``safety.latch``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from safety.events import LATCH_UNREADABLE, Reason


@dataclass(frozen=True, slots=True)
class Card:
    """One kind of halt: what it is called, the codes that a latch may show, and what to do in three lines."""

    title: str
    reasons: tuple[str, ...]
    lines: tuple[str, str, str]


EMERGENCY: Final = "Danger: the red emergency stop on the machine. No key replaces it."

ALWAYS: Final = (
    "Stand clear until all is still: the hanging axis can fall.",
    "Power off and locked out before hands go in. If it takes long: pen out, cap on.",
    "Read the reason: giornata status. Do what its card says.",
    "Cause gone: giornata clear, giornata home, giornata paint goes on where it was.",
)

CARDS: Final = (
    Card(
        "Stopped by somebody, or a loop opened",
        (Reason.STOP_ASKED, Reason.INPUT_OPEN),
        (
            "Find who stopped it, or the open loop.",
            "At a limit: power locked out, free the head.",
            "Close the loop when its cause is gone.",
        ),
    ),
    Card(
        "Head held back, too fast, too far",
        (Reason.ENVELOPE_FOLLOWING, Reason.ENVELOPE_SPEED, Reason.ENVELOPE_POSITION),
        (
            "Power locked out; look for what caught.",
            "By hand, both axes must run freely.",
            "Homing far off the last: do not paint.",
        ),
    ),
    Card(
        "Drive fault, motor power gone",
        (Reason.DRIVE_FAULT, Reason.MOTOR_POWER_LOST),
        (
            "Emergency stop or limit switch? Find why.",
            "Read the fault at the drive, in its manual.",
            "The same fault twice: enough for today.",
        ),
    ),
    Card(
        "Wire lost or silent",
        (Reason.WIRE_LOST, Reason.BUS_OFF, Reason.FEEDBACK_STALE, Reason.HANDLE_LOST),
        (
            "Motor power off; look at plugs and cables.",
            "giornata doctor: do all drives answer?",
            "Again today: change adapter or cable.",
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
            "End what else runs on this computer.",
            "giornata doctor: what is slow?",
            "Again: stop painting, keep the logs.",
        ),
    ),
    Card(
        "The stop's record cannot be read",
        (LATCH_UNREADABLE,),
        (
            "Reason unknown: look at the whole machine.",
            "Look at the disk: is it full, is it failing?",
            "Only then clear it.",
        ),
    ),
)
