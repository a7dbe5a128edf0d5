"""What a drive must be told before it may move, written and read back.

Owns the table of objects and values; talks through ``ObjectAccess``. Sends no motion and no enabling command.
Object numbers are of CiA 301 (1xxxh) and CiA 402 / IEC 61800-7-201 (6xxxh).
"""

from __future__ import annotations

from dataclasses import dataclass

from drivers import cia402
from drivers.can import frames
from drivers.can.sdo import Entry, ObjectAccess
from drivers.clock import NS_PER_S, Clock
from drivers.errors import FaultError, MisuseError
from drivers.interface import DriveState
from drivers.settings import DriveSettings, GroupSettings

DEVICE_TYPE = Entry(0x1000, 0, "I", "device type")
HEARTBEAT_CONSUMER = Entry(0x1016, 1, "I", "consumer heartbeat")
HEARTBEAT_PRODUCER = Entry(0x1017, 0, "H", "producer heartbeat time")
ABORT_OPTION = Entry(0x6007, 0, "h", "abort connection option")
FAULT_CODE = Entry(0x603F, 0, "H", "error code")
CONTROLWORD = Entry(0x6040, 0, "H", "controlword")
STATUSWORD = Entry(0x6041, 0, "H", "statusword")
QUICK_STOP_OPTION = Entry(0x605A, 0, "h", "quick stop option")
MODE = Entry(0x6060, 0, "b", "mode of operation")
MODE_DISPLAY = Entry(0x6061, 0, "b", "mode of operation display")
QUICK_STOP_DECELERATION = Entry(0x6085, 0, "I", "quick stop deceleration")
INTERPOLATION_VALUE = Entry(0x60C2, 1, "B", "interpolation time period")
INTERPOLATION_EXPONENT = Entry(0x60C2, 2, "b", "interpolation time index")
OUTPUTS = Entry(0x60FE, 1, "I", "digital outputs")
OUTPUT_MASK = Entry(0x60FE, 2, "I", "digital outputs mask")
SUPPORTED_MODES = Entry(0x6502, 0, "I", "supported drive modes")

ABORT_BY_QUICK_STOP = 3
QUICK_STOP_THEN_DISABLE = 2
PROFILE_402 = 402

_PDO_INVALID = 1 << 31
_PDO_NO_REMOTE = 1 << 30
_STANDSTILL_LIMIT_NS = 3 * NS_PER_S
_CALM_POLL_NS = 2_000_000


@dataclass(frozen=True, slots=True)
class PdoMapping:
    """One process data object: where its parameters stand, its identifier and what it carries.

    ``objects`` are mapping words: index << 16 | sub-index << 8 | length in bits.
    """

    communication: int
    mapping: int
    cob_id: int
    objects: tuple[int, ...]


RPDO1 = PdoMapping(0x1400, 0x1600, frames.RPDO1, (0x6040_0010, 0x60FF_0020))
RPDO2 = PdoMapping(0x1401, 0x1601, frames.RPDO2, (0x60FE_0120,))
TPDO1 = PdoMapping(0x1800, 0x1A00, frames.TPDO1 | _PDO_NO_REMOTE, (0x6041_0010, 0x6064_0020))
TPDO2 = PdoMapping(0x1801, 0x1A01, frames.TPDO2 | _PDO_NO_REMOTE, (0x60FD_0020, 0x606C_0020))
_UNUSED_COMMUNICATION = (0x1402, 0x1403, 0x1802, 0x1803)


def quick_stop_units_s2(drive: DriveSettings) -> int:
    """6085h in the drive's units per s: the velocity unit per second.

    Raises MisuseError when it does not fit 32 bits or rounds to nothing.
    """
    units = drive.quick_stop_mm_s2 * float(drive.counts_per_mm) / drive.velocity_unit_counts_s
    rounded = round(units)
    if not 0 < rounded < 1 << 32:
        raise MisuseError("quick_stop_mm_s2", "a deceleration of 1 to 2^32 - 1 drive units", f"{units:g}")
    return rounded


def interpolation_period(tick_us: int) -> tuple[int, int]:
    """60C2h as (value, exponent) with value x 10^exponent s = the tick.

    Raises MisuseError when the tick has more digits than fit the value's 8 bits.
    """
    value, exponent = tick_us, -6
    while value % 10 == 0:
        value //= 10
        exponent += 1
    if value > 255:
        raise MisuseError("tick_us", "a tick of up to 255 times a power of ten", str(tick_us))
    return value, exponent


def heartbeat_consumer_word(lost_after_ms: int) -> int:
    """1016h: node to listen to << 16 | time in ms."""
    return frames.OUR_NODE_ID << 16 | lost_after_ms


def set_up_drive(access: ObjectAccess, axis: str, settings: GroupSettings, clock: Clock, where: str) -> None:
    """Write and read back all that one drive needs, in the pre-operational state.

    A drive with ``command_timeout = "none"`` is asked for no heartbeat consumer and no abort option; all others must
    hold both. ``where`` names axis and node in messages. Raises LinkError or FaultError as ``ObjectAccess`` does, and
    FaultError when the node is no CiA 402 drive, lacks the mode or cannot be brought to rest.
    """
    drive = settings.axes[axis]
    node = drive.node_id
    profile = access.read(node, DEVICE_TYPE) & 0xFFFF
    if profile != PROFILE_402:
        raise FaultError(where, f"{DEVICE_TYPE} of profile {PROFILE_402}", f"profile {profile}")
    _bring_to_rest(access, node, clock, where)
    modes = access.read_if_there(node, SUPPORTED_MODES)
    if modes is not None and not modes >> (cia402.VELOCITY_MODE - 1) & 1:
        raise FaultError(where, f"{SUPPORTED_MODES} with bit {cia402.VELOCITY_MODE - 1}", f"{modes:08X}h")

    access.hold(node, HEARTBEAT_PRODUCER, settings.can.heartbeat_ms)
    if drive.command_timeout == "heartbeat":
        access.hold(node, HEARTBEAT_CONSUMER, heartbeat_consumer_word(settings.can.heartbeat_lost_after_ms))
        access.hold(node, ABORT_OPTION, ABORT_BY_QUICK_STOP)
    access.hold(node, QUICK_STOP_OPTION, QUICK_STOP_THEN_DISABLE)
    access.hold(node, QUICK_STOP_DECELERATION, quick_stop_units_s2(drive))
    value, exponent = interpolation_period(settings.tick_us)
    access.hold(node, INTERPOLATION_EXPONENT, exponent)
    access.hold(node, INTERPOLATION_VALUE, value)
    access.hold(node, MODE, cia402.VELOCITY_MODE)

    _map(access, node, RPDO1)
    if axis == settings.head.axis:
        # Not every drive has a mask of outputs; where there is one, it must let the head's bit through.
        access.hold_if_there(node, OUTPUT_MASK, 1 << settings.head.output_bit, 1 << settings.head.output_bit)
        _map(access, node, RPDO2)
    else:
        _switch_off(access, node, RPDO2.communication)
    _map(access, node, TPDO1)
    _map(access, node, TPDO2)
    for communication in _UNUSED_COMMUNICATION:
        _switch_off(access, node, communication)


def _bring_to_rest(access: ObjectAccess, node: int, clock: Clock, where: str) -> None:
    """A drive left enabled by somebody before us is told to stop before anything is changed."""
    deadline_ns = clock.now_ns() + _STANDSTILL_LIMIT_NS
    while True:
        state = cia402.decode(access.read(node, STATUSWORD))
        if state not in (DriveState.OPERATION_ENABLED, DriveState.QUICK_STOP_ACTIVE):
            return
        if state is DriveState.OPERATION_ENABLED:
            access.write(node, CONTROLWORD, cia402.Command.QUICK_STOP)
        if clock.now_ns() >= deadline_ns:
            raise FaultError(where, "a drive that leaves operation by quick stop", state.value)
        clock.sleep_until_ns(clock.now_ns() + _CALM_POLL_NS)


def _map(access: ObjectAccess, node: int, pdo: PdoMapping) -> None:
    """The order that CiA 301 prescribes: off, number of objects 0, objects, their number, type, on."""
    cob_id = Entry(pdo.communication, 1, "I", "PDO identifier")
    kind = Entry(pdo.communication, 2, "B", "PDO transmission type")
    count = Entry(pdo.mapping, 0, "B", "number of mapped objects")
    access.hold(node, cob_id, _PDO_INVALID | pdo.cob_id | node, ~_PDO_NO_REMOTE)
    access.hold(node, count, 0)
    for position, word in enumerate(pdo.objects, start=1):
        access.hold(node, Entry(pdo.mapping, position, "I", "mapped object"), word)
    access.hold(node, count, len(pdo.objects))
    access.hold(node, kind, 1)
    access.hold(node, cob_id, pdo.cob_id | node, ~_PDO_NO_REMOTE)


def _switch_off(access: ObjectAccess, node: int, communication: int) -> None:
    """Make sure that a process data object we do not use stays silent and deaf."""
    cob_id = Entry(communication, 1, "I", "PDO identifier")
    present = access.read_if_there(node, cob_id)
    if present is not None and not present & _PDO_INVALID:
        access.hold(node, cob_id, present | _PDO_INVALID, _PDO_INVALID)
