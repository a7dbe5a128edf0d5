"""What drives do otherwise than the standard or the rest: a closed set of names for the machine file.

Owns the names and one line about each. What is done about them stands where the thing is done: setting up
(drivers/can/setup.py), walking up and clearing faults (drivers/can/group.py), reading words (drivers/can/mirror.py).
"""

from __future__ import annotations

from typing import Final, Literal

Quirk = Literal[
    "fixed-mapping",
    "slow-reset",
    "slow-mode-change",
    "mode-display-late",
    "slow-switch-on",
    "remote-bit",
    "no-voltage-bit",
    "no-abort-option",
    "no-interpolation-period",
    "immediate-by-254",
    "inputs-inverted",
    "factors-unreliable",
]

QUIRKS: Final[dict[Quirk, str]] = {
    "fixed-mapping": "cannot remap process data: its mapping is only read, and must be the one that we use",
    "slow-reset": "acknowledges a fault only when controlword 0000h stood for 50 ms before the reset bit rises",
    "slow-mode-change": "takes up to a second to change its mode: nothing follows until 6061h shows it",
    "mode-display-late": "shows its mode in 6061h only some time after it has been enabled",
    "slow-switch-on": "wants to stay in ready to switch on, and in switched on, for a tenth of a second each",
    "remote-bit": "obeys controlwords only while bit 9 of its statusword (remote) is set",
    "no-voltage-bit": "has no sensible bit 4 (voltage enabled) in its statusword: it is not looked at",
    "no-abort-option": "has no 6007h: what it does without our heartbeat is set with its maker's tool, and not checked",
    "no-interpolation-period": "has no 60C2h: the tick is not told to it",
    "immediate-by-254": "takes transmission type 254 in place of 255 for process data that act at once",
    "inputs-inverted": "shows limit and home switches (bits 0 to 2 of 60FDh) as 0 while they are actuated",
    "factors-unreliable": "tells units (608Fh, 6091h, 6092h, 6094h, 60A9h, 60AAh) that do not hold: they are not read",
}
"""Every quirk, and what such a drive does."""

FIXED_MAPPING: Final[Quirk] = "fixed-mapping"
SLOW_RESET: Final[Quirk] = "slow-reset"
SLOW_MODE_CHANGE: Final[Quirk] = "slow-mode-change"
MODE_DISPLAY_LATE: Final[Quirk] = "mode-display-late"
SLOW_SWITCH_ON: Final[Quirk] = "slow-switch-on"
REMOTE_BIT: Final[Quirk] = "remote-bit"
NO_VOLTAGE_BIT: Final[Quirk] = "no-voltage-bit"
NO_ABORT_OPTION: Final[Quirk] = "no-abort-option"
NO_INTERPOLATION_PERIOD: Final[Quirk] = "no-interpolation-period"
IMMEDIATE_BY_254: Final[Quirk] = "immediate-by-254"
INPUTS_INVERTED: Final[Quirk] = "inputs-inverted"
FACTORS_UNRELIABLE: Final[Quirk] = "factors-unreliable"
