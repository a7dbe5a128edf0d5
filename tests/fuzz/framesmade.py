"""Frames as a broken, foreign or malicious wire may bring them: good ones of every drive, damage, noise.

Put together by hand from the published layouts and the shipped drive files, apart from the encoders they are meant to
try. Knows no decoder.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Callable, Sequence

from tests.fuzz.framesjudge import crc_ccitt, crc_modbus

CanFrame = tuple[int, bytes]
NODES = (1, 2)
"""Our drives."""
OTHERS = (1, 2, 1, 2, 3, 63, 127)
STATUSWORDS = (
    0x0000,
    0x0250,
    0x0231,
    0x0233,
    0x0237,
    0x0637,
    0x1237,
    0x0217,
    0x021F,
    0x0218,
    0x0227,
    0x0208,
    0x0001,
)
_FLAGS = (0x8000_0000, 0x4000_0000, 0x2000_0000, 0xC000_0000)
_WORDS = (0, 1, 2, 7, 8, 0x12, 0x18, 0x27, 0x37, 0x40, 0x427, 0x7FFF, 0x8000, 0xFFFF)
_REMARKS = (
    b"z\r", b"Z\r", b"\r", b"\a", b"F20\r", b"F00\r", b"V1013\r", b"N1234\r", b"tFFF0\r", b"\n", b"t" * 70,
)  # fmt: skip
_COUNTS = (0, 1, -1, 1000, -(2**31), 2**31 - 1, 2**30)


def number(chance: random.Random) -> int:
    """A number of 32 bits, signed."""
    return chance.choice(_COUNTS) if chance.random() < 0.3 else chance.randrange(-(2**31), 2**31)


def word(chance: random.Random) -> int:
    """A word of 16 bits, one with a meaning more often."""
    return chance.choice((*_WORDS, *STATUSWORDS)) if chance.random() < 0.7 else chance.randrange(0x10000)


# CAN


def _status(chance: random.Random) -> CanFrame:
    return 0x180 + chance.choice(OTHERS), struct.pack("<Hi", word(chance), number(chance))


def _motion(chance: random.Random) -> CanFrame:
    return 0x280 + chance.choice(OTHERS), struct.pack("<Ii", chance.getrandbits(32), number(chance))


def _emergency(chance: random.Random) -> CanFrame:
    code = chance.choice((0, 0, 0x10, 0x1000, 0x2310, 0x8130, 0xFF01, chance.randrange(0x10000)))
    return 0x080 + chance.choice(OTHERS), struct.pack("<HB", code, chance.randrange(256)) + chance.randbytes(
        5
    )


def _heartbeat(chance: random.Random) -> CanFrame:
    return 0x700 + chance.choice(OTHERS), bytes((chance.choice((5, 5, 5, 5, 0x85, 0, 4, 127, 255)),))


def _sdo(chance: random.Random) -> CanFrame:
    index = chance.choice(
        (0x6041, 0x6060, 0x6061, 0x1016, 0x1017, 0x1000, 0x6007, 0x603F, 0x1A00, chance.randrange(0x10000))
    )
    command = chance.choice(
        (0x43, 0x4B, 0x4F, 0x60, 0x80, 0x41, 0x00, 0x10, 0x20, 0x30, 0xA0, 0xC6, chance.randrange(256))
    )
    head = struct.pack("<BHB", command, index, chance.choice((0, 0, 1, 2, 255)))
    return 0x580 + chance.choice(OTHERS), head + chance.choice(
        (chance.randbytes(4), bytes(4), b"\x00\x00\x02\x06")
    )


def _ours(chance: random.Random) -> CanFrame:
    """What we ourselves say, or a guard: an adapter may bring it back."""
    node = chance.choice(OTHERS)
    return chance.choice(
        (
            (0x200 + node, struct.pack("<Hi", chance.choice((0, 2, 6, 7, 15, 128)), number(chance))),
            (0x300 + node, struct.pack("<I", chance.getrandbits(32))),
            (0x080, b""),
            (0x000, bytes((chance.choice((1, 2, 128, 129)), chance.choice((0, node))))),
            (0x600 + node, bytes.fromhex("2B40600002000000")),
            (0x77F, b"\x05"),
            (0x040, b"ST"),
            (0x100 + node, bytes((chance.randrange(5),))),
            (0x140 + node, struct.pack("<iH", number(chance), 1)),
        )
    )


def _heron(chance: random.Random) -> CanFrame:
    """The drive of configs/drives/heron.toml."""
    node = chance.choice(OTHERS)
    return chance.choice(
        (
            (0x2C0 + node, struct.pack("<HHBBh", word(chance), word(chance), chance.randrange(256), 0, -125)),
            (0x280 + node, struct.pack("<ii", number(chance), number(chance))),
            (0x300 + node, struct.pack("<H", word(chance))),
        )
    )


_CAN: dict[str, Sequence[Callable[[random.Random], CanFrame]]] = {
    "can": (_status, _status, _status, _motion, _emergency, _heartbeat, _sdo, _ours, _heron),
    "described-can": (_heron, _heron, _heron, _heron, _ours, _status, _sdo, _heartbeat),
}


def good_can(wire: str, chance: random.Random) -> CanFrame:
    """A whole frame as somebody on that bus may send it."""
    return chance.choice(_CAN[wire])(chance)


def can_frame(wire: str, chance: random.Random) -> CanFrame:
    """One frame: good, damaged, or noise."""
    kind = chance.random()
    if kind < 0.12:
        long = chance.choice((0, 1, 2, 3, 4, 5, 6, 7, 8, 8, 8, 12, 64))
        can_id = chance.randrange(0x800)
        return (can_id if chance.random() < 0.8 else can_id | chance.choice(_FLAGS)), chance.randbytes(long)
    can_id, data = good_can(wire, chance)
    if kind < 0.4:
        return can_id, data
    for _ in range(chance.choice((1, 1, 1, 2, 3))):
        match chance.randrange(8):
            case 0 | 1 if data:
                at = chance.randrange(8 * len(data))
                raw = bytearray(data)
                raw[at // 8] ^= 1 << at % 8
                data = bytes(raw)
            case 2:
                data = data[: chance.randrange(len(data) + 1)]
            case 3:
                data = data + chance.randbytes(chance.randint(1, 4))
            case 4:
                can_id ^= 1 << chance.randrange(11)
            case 5:
                can_id = chance.choice((good_can(wire, chance)[0], can_id | chance.choice(_FLAGS)))
            case 6:
                other = good_can(wire, chance)[1]
                data = data[: chance.randrange(len(data) + 1)] + other[chance.randrange(len(other) + 1) :]
            case _:
                data = bytes(chance.sample(data, len(data)))
    return can_id, data


def can_burst(wire: str, chance: random.Random, count: int) -> list[CanFrame]:
    """Frames one behind the other: some said again, some in another order."""
    frames: list[CanFrame] = []
    while len(frames) < count:
        frame = can_frame(wire, chance)
        frames += [frame] * (chance.choice((1, 1, 1, 1, 1, 1, 2, 5)))
    if chance.random() < 0.2:
        chance.shuffle(frames)
    return frames[:count]


def _line_of(frame: CanFrame, chance: random.Random) -> bytes:
    """The serial CAN adapter's line for a frame."""
    can_id, data = frame
    text = data[:8].hex()
    if can_id & 0x8000_0000:
        line = f"{'R' if can_id & 0x4000_0000 else 'T'}{can_id & 0x1FFFFFFF:08x}{len(data[:8])}"
    else:
        line = f"{'r' if can_id & 0x4000_0000 else 't'}{can_id & 0x7FF:03x}{len(data[:8])}"
    line += "" if can_id & 0x4000_0000 else text
    if chance.random() < 0.1:
        line += f"{chance.randrange(0x10000):04x}"
    return (line.upper() if chance.random() < 0.3 else line[0] + line[1:].upper()).encode() + b"\r"


def adapter_text(wire: str, chance: random.Random, count: int) -> bytes:
    """Lines of a serial CAN adapter for so many frames, then damaged as bytes."""
    lines = [_line_of(frame, chance) for frame in can_burst(wire, chance, count)]
    for _ in range(chance.randrange(3)):
        lines.insert(
            chance.randrange(len(lines) + 1),
            chance.choice(_REMARKS),
        )
    return bytes_damaged(b"".join(lines), chance) if chance.random() < 0.6 else b"".join(lines)


# Serial lines


def modbus_answer(chance: random.Random, unit: int, count: int = 7, function: int = 0x17) -> bytes:
    """A whole answer with registers."""
    words = [word(chance) for _ in range(count)]
    body = bytes((unit, function, 2 * count)) + struct.pack(f">{count}H", *words)
    return body + struct.pack("<H", crc_modbus(body))


def _modbus(chance: random.Random) -> bytes:
    unit = chance.choice((1, 1, 2, 2, 3, 0, 247))
    match chance.randrange(9):
        case 0 | 1 | 2 | 3:
            return modbus_answer(chance, unit)
        case 4:
            return modbus_answer(chance, unit, chance.choice((1, 2, 7, 8, 125)), chance.choice((3, 0x17)))
        case 5:
            body = bytes((unit, chance.choice((0x83, 0x86, 0x90, 0x97)), chance.randrange(256)))
        case 6:
            body = bytes((unit, 0x10)) + struct.pack(
                ">HH", chance.choice((0x2000, 0x3000)), chance.randrange(5)
            )
        case 7:
            body = bytes((unit, 0x06)) + struct.pack(">HH", 0x2000, chance.choice((0, 2, 6, 7, 15)))
        case _:
            body = bytes((unit, 0x17)) + struct.pack(
                ">HHHHBHiH", 0x1000, 7, 0x2000, 4, 8, 15, number(chance), 0
            )
    return body + struct.pack("<H", crc_modbus(body))


def tide_answer(chance: random.Random, address: int) -> bytes:
    """The reply of configs/drives/tide.toml."""
    status = chance.choice((0x103, 0x103, 0x101, 0x104, 0x009, 0x108, 0x000, word(chance)))
    payload = b"\xa0" + struct.pack(
        ">HiiBB", status, number(chance), number(chance), chance.randrange(256), 0
    )
    body = bytes((address | 0x80, len(payload))) + payload
    return b"\xa5" + body + struct.pack(">H", crc_ccitt(body))


def _tide(chance: random.Random) -> bytes:
    address = chance.choice((1, 1, 2, 2, 3, 0, 63))
    if chance.random() < 0.7:
        return tide_answer(chance, address)
    payload = chance.choice((b"\x10\x01", b"\x30", b"\x50", b"\x20\x01" + struct.pack(">i", number(chance))))
    body = bytes((address, len(payload))) + payload
    return b"\xa5" + body + struct.pack(">H", crc_ccitt(body))


_SERIAL: dict[str, Sequence[Callable[[random.Random], bytes]]] = {
    "modbus-rtu": (_modbus, _modbus, _modbus, _modbus, _tide),
    "described-serial": (_tide, _tide, _tide, _tide, _modbus),
}


def good_serial(wire: str, chance: random.Random) -> bytes:
    """A whole frame as somebody on that line may send it."""
    return chance.choice(_SERIAL[wire])(chance)


def bytes_damaged(data: bytes, chance: random.Random) -> bytes:
    """Bits flipped, bytes cut, put in, doubled, out of their order."""
    for _ in range(chance.choice((1, 1, 1, 2, 4))):
        if not data:
            return chance.randbytes(3)
        at = chance.randrange(len(data))
        to = min(len(data), at + chance.choice((1, 1, 2, 4, 20)))
        match chance.randrange(6):
            case 0 | 1:
                data = data[:at] + bytes((data[at] ^ 1 << chance.randrange(8),)) + data[at + 1 :]
            case 2:
                data = data[:at] + data[to:]
            case 3:
                data = data[:at] + chance.randbytes(chance.randint(1, 4)) + data[at:]
            case 4:
                data = data[:to] + data[at:]
            case _:
                data = data[:at] + data[at:to][::-1] + data[to:]
    return data


def serial_piece(wire: str, chance: random.Random) -> bytes:
    """Bytes on a line: a good frame, a damaged one, two glued together, noise."""
    kind = chance.random()
    if kind < 0.12:
        return chance.randbytes(chance.choice((1, 2, 3, 7, 18, 30, 300)))
    data = good_serial(wire, chance)
    if kind < 0.45:
        return data
    if kind < 0.55:
        other = good_serial(wire, chance)
        return chance.choice((data + other, data[: chance.randrange(len(data))] + other, data + data))
    return bytes_damaged(data, chance)


def cut_up(data: bytes, chance: random.Random) -> list[bytes]:
    """The same bytes in any pieces."""
    pieces = []
    while data:
        long = chance.choice((1, 2, 3, 5, 8, 20, 100, 4096))
        pieces.append(data[:long])
        data = data[long:]
    return pieces
