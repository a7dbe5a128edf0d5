"""What a drive must be told before it may move, written and read back.

Owns the table of objects and values; talks through ``ObjectAccess``. Sends no motion and no enabling command.
Object numbers are of CiA 301 (1xxxh) and CiA 402 / IEC 61800-7-201 (6xxxh). What a drive does otherwise than others
is a name in its settings (drivers/quirks.py).
"""

from __future__ import annotations

from dataclasses import dataclass

from drivers import cia402, quirks
from drivers.can import frames, units
from drivers.can.sdo import Entry, ObjectAccess
from drivers.clock import NS_PER_MS, NS_PER_S, Clock
from drivers.errors import FaultError, MisuseError
from drivers.interface import DriveState
from drivers.settings import DriveSettings, GroupSettings

DEVICE_TYPE = Entry(0x1000, 0, "I", "device type")
VENDOR = Entry(0x1018, 1, "I", "vendor")
PRODUCT = Entry(0x1018, 2, "I", "product code")
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
SYNCHRONOUS = 1
"""Transmission type: at every SYNC."""
_AT_ONCE, _AT_ONCE_BY_MAKER = 255, 254
_STANDSTILL_LIMIT_NS = 3 * NS_PER_S
_MODE_LIMIT_NS = 1200 * NS_PER_MS
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
    """6085h in the drive's own unit: the velocity unit per second where no other is named.

    Raises MisuseError when it does not fit 32 bits or rounds to nothing.
    """
    units = drive.quick_stop_mm_s2 * float(drive.counts_per_mm) / drive.quick_stop_unit_counts_s2
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


def receive_type(settings: GroupSettings, axis: str) -> int:
    """Transmission type of the process data that a drive receives: at the SYNC, or at once."""
    if settings.can.pdo == "sync":
        return SYNCHRONOUS
    return _AT_ONCE_BY_MAKER if quirks.IMMEDIATE_BY_254 in settings.axes[axis].quirks else _AT_ONCE


def set_up_drive(
    access: ObjectAccess, axis: str, settings: GroupSettings, clock: Clock, where: str
) -> tuple[str, ...]:
    """Write and read back all that one drive needs, in the pre-operational state. Returns what could not be checked.

    A drive with ``command_timeout = "none"`` is asked for no heartbeat consumer and no abort option; all others must
    hold both. ``where`` names axis and node in messages. Raises LinkError or FaultError as ``ObjectAccess`` does, and
    FaultError when the node is no CiA 402 drive, lacks the mode, tells other units than the settings, has another
    mapping or cannot be brought to rest.
    """
    drive = settings.axes[axis]
    node = drive.node_id
    profile = access.read(node, DEVICE_TYPE) & 0xFFFF
    if profile != PROFILE_402:
        raise FaultError(
            where, f"{DEVICE_TYPE} of profile {PROFILE_402}", f"profile {profile}", code="drive-unsuitable"
        )
    _bring_to_rest(access, node, clock, where)
    if drive.eds is not None:
        _compare_identity(access, node, drive.eds, where)
    modes = access.read_if_there(node, SUPPORTED_MODES)
    if modes is not None and not modes >> (cia402.VELOCITY_MODE - 1) & 1:
        raise FaultError(
            where,
            f"{SUPPORTED_MODES} with bit {cia402.VELOCITY_MODE - 1}",
            f"{modes:08X}h",
            code="drive-unsuitable",
        )
    notes = _compare_units(access, drive, where)

    access.hold(node, HEARTBEAT_PRODUCER, settings.can.heartbeat_ms)
    if drive.command_timeout == "heartbeat":
        access.hold(node, HEARTBEAT_CONSUMER, heartbeat_consumer_word(settings.can.heartbeat_lost_after_ms))
        if quirks.NO_ABORT_OPTION not in drive.quirks:
            access.hold(node, ABORT_OPTION, ABORT_BY_QUICK_STOP)
    access.hold(node, QUICK_STOP_OPTION, QUICK_STOP_THEN_DISABLE)
    access.hold(node, QUICK_STOP_DECELERATION, quick_stop_units_s2(drive))
    if quirks.NO_INTERPOLATION_PERIOD not in drive.quirks:
        value, exponent = interpolation_period(settings.tick_us)
        access.hold(node, INTERPOLATION_EXPONENT, exponent)
        access.hold(node, INTERPOLATION_VALUE, value)
    access.hold(node, MODE, cia402.VELOCITY_MODE)
    if quirks.SLOW_MODE_CHANGE in drive.quirks:
        _await_mode(access, node, clock, where)

    received = receive_type(settings, axis)
    mapped = [(RPDO1, received), (TPDO1, SYNCHRONOUS), (TPDO2, SYNCHRONOUS)]
    head = settings.drive_output
    if head is not None and axis == head.axis:
        # Not every drive has a mask of outputs; where there is one, it must let the head's bit through.
        access.hold_if_there(node, OUTPUT_MASK, 1 << head.output_bit, 1 << head.output_bit)
        mapped.insert(1, (RPDO2, received))
    else:
        _switch_off(access, node, RPDO2.communication)
    for pdo, kind in mapped:
        map_pdo(access, node, pdo, kind, is_fixed=quirks.FIXED_MAPPING in drive.quirks)
    for communication in _UNUSED_COMMUNICATION:
        _switch_off(access, node, communication)
    for pdo, kind in mapped:
        verify_mapping(access, node, pdo, kind)
    return notes


def _compare_identity(access: ObjectAccess, node: int, path: str, where: str) -> None:
    """The drive must be of the kind that its EDS file is about: vendor and product, where the file names them."""
    from drivers.can.eds import read_eds

    eds = read_eds(path)
    for entry, expected in ((VENDOR, eds.vendor), (PRODUCT, eds.product)):
        got = access.read_if_there(node, entry) if expected else None
        if got is not None and got != expected:
            raise FaultError(where, f"{entry} {expected:X}h, as in {path}", f"{got:X}h", code="eds-disagrees")


def _compare_units(access: ObjectAccess, drive: DriveSettings, where: str) -> tuple[str, ...]:
    if quirks.FACTORS_UNRELIABLE in drive.quirks:
        return (f"{where}: what the drive tells of its units was not read, as its quirks say",)

    def read(index: int, subindex: int, layout: str, name: str) -> int | None:
        return access.read_if_there(drive.node_id, Entry(index, subindex, layout, name))

    verdict = units.judge(drive, units.read_told(read))
    for one in verdict.wrong:
        expected = f"{one.setting} as the drive has it ({one.told:g}, by {one.source})"
        raise FaultError(where, expected, f"{one.expected:g} in the settings", code="drive-units")
    if not verdict.silent:
        return ()
    return (f"{where}: the drive does not tell {', '.join(verdict.silent)}: only a measurement can check it",)


def _await_mode(access: ObjectAccess, node: int, clock: Clock, where: str) -> None:
    deadline_ns = clock.now_ns() + _MODE_LIMIT_NS
    while (mode := access.read(node, MODE_DISPLAY)) != cia402.VELOCITY_MODE:
        if clock.now_ns() >= deadline_ns:
            raise FaultError(
                where, f"{MODE_DISPLAY} = {cia402.VELOCITY_MODE}", str(mode), code="drive-unsuitable"
            )
        clock.sleep_until_ns(clock.now_ns() + _CALM_POLL_NS)


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
            raise FaultError(
                where, "a drive that leaves operation by quick stop", state.value, code="drive-unsuitable"
            )
        clock.sleep_until_ns(clock.now_ns() + _CALM_POLL_NS)


def pdo_entries(pdo: PdoMapping) -> tuple[Entry, Entry, Entry]:
    """Identifier, transmission type and number of mapped objects."""
    return (
        Entry(pdo.communication, 1, "I", "PDO identifier"),
        Entry(pdo.communication, 2, "B", "PDO transmission type"),
        Entry(pdo.mapping, 0, "B", "number of mapped objects"),
    )


def map_pdo(access: ObjectAccess, node: int, pdo: PdoMapping, kind: int, *, is_fixed: bool) -> None:
    """The order that CiA 301 prescribes: off, number of objects 0, objects, their number, then on.

    The type is written while it is off: drives may refuse it later, and none must act by the old one. A fixed mapping
    is left as it is; ``verify_mapping`` compares it.
    """
    cob_id, transmission, count = pdo_entries(pdo)
    access.write(node, cob_id, _PDO_INVALID | pdo.cob_id | node)
    if not is_fixed:
        access.hold(node, count, 0)
        for position, word in enumerate(pdo.objects, start=1):
            access.write(node, Entry(pdo.mapping, position, "I", "mapped object"), word)
        access.write(node, count, len(pdo.objects))
    access.write(node, transmission, kind)
    access.write(node, cob_id, pdo.cob_id | node)


def verify_mapping(access: ObjectAccess, node: int, pdo: PdoMapping, kind: int) -> None:
    """Read back a whole process data object once all are set up: each of its words must be what we rely on.

    Raises FaultError with index, sub-index, what was expected and what came.
    """
    cob_id, transmission, count = pdo_entries(pdo)
    access.require(node, count, len(pdo.objects))
    for position, word in enumerate(pdo.objects, start=1):
        access.require(node, Entry(pdo.mapping, position, "I", "mapped object"), word)
    access.require(node, transmission, kind)
    access.require(node, cob_id, pdo.cob_id | node, ~_PDO_NO_REMOTE)


def _switch_off(access: ObjectAccess, node: int, communication: int) -> None:
    """Make sure that a process data object we do not use stays silent and deaf."""
    cob_id = Entry(communication, 1, "I", "PDO identifier")
    present = access.read_if_there(node, cob_id)
    if present is not None and not present & _PDO_INVALID:
        access.hold(node, cob_id, present | _PDO_INVALID, _PDO_INVALID)
