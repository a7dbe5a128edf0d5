"""The text protocol of a serial CAN adapter, on the adapter's side. Pure: bytes in, frames and answers out.

The protocol as python-can's ``slcan`` backend speaks it: a line is a letter, hexadecimal digits and CR. The adapter
answers CR (``z`` CR for a frame) or BEL for what it refuses. A line that nobody can read is refused whole; a bare
CR ends a half-written line, so that a second writer can put a clean line behind it.

S0-S8 bit rate (closed only), O open, L open listening only, C close, t / T data frame, r / R remote frame,
V version, N serial number, F status flags, Z0 no time stamps.
"""

from __future__ import annotations

_RATES = (10_000, 20_000, 50_000, 100_000, 125_000, 250_000, 500_000, 800_000, 1_000_000)
_LINE_MAX = 32
_HEX = b"0123456789abcdefABCDEF"
EXTENDED_FLAG = 0x8000_0000
OK, REFUSED = b"\r", b"\a"


class SerialCanAdapter:
    """One adapter on a bus of ``bitrate_bit_s``. With another bit rate set it hears nothing and is not heard.

    ``extended``: whether somebody on the bus has identifiers of 29 bits; they are marked by bit 31 (linux/can.h).
    """

    def __init__(self, bitrate_bit_s: int, *, extended: bool = False) -> None:
        self._takes_extended = extended
        self._bus_bit_s = bitrate_bit_s
        self._rate_bit_s: int | None = None
        self._line = bytearray()
        self._too_long = False
        self.is_open = False
        self.listens_only = False
        self.flags: int | None = 0
        """What it answers to F; None: it does not know the question."""
        self.garbled = 0
        self.refused = 0

    @property
    def is_on_bus(self) -> bool:
        """Whether frames of the bus come through."""
        return self.is_open and self._rate_bit_s == self._bus_bit_s

    def feed(self, received: bytes) -> tuple[list[tuple[int, bytes]], bytes, bool]:
        """Take bytes from the serial line.

        Returns data frames for the bus in order, answers for the line, and whether the
        line was closed meanwhile (what the adapter still held for it is dropped).
        """
        frames: list[tuple[int, bytes]] = []
        answers = bytearray()
        closed = False
        pieces = received.split(b"\r")
        for number, piece in enumerate(pieces):
            if not self._too_long:
                self._line += piece
                if len(self._line) > _LINE_MAX:
                    self._too_long = True
                    self._line.clear()
            if number == len(pieces) - 1:
                break  # no CR yet
            line, self._line = bytes(self._line), bytearray()
            answer = REFUSED if self._too_long else self._command(line, frames)
            self._too_long = False
            if answer == REFUSED:
                self.refused += 1
            if line == b"C" and answer == OK:
                closed = True
                answers.clear()
            answers += answer
        return frames, bytes(answers), closed

    def _command(self, line: bytes, frames: list[tuple[int, bytes]]) -> bytes:
        if not line:
            return OK
        letter, rest = line[:1], line[1:]
        if letter in b"tTrR":
            return self._frame(letter, rest, frames)
        if letter == b"S" and len(rest) == 1 and rest in b"012345678" and not self.is_open:
            self._rate_bit_s = _RATES[int(rest)]
            return OK
        if letter in b"OL" and not rest and not self.is_open and self._rate_bit_s is not None:
            self.is_open, self.listens_only = True, letter == b"L"
            return OK
        if line == b"C":
            self.is_open = False
            return OK
        fixed = {b"V": b"V1010\r", b"N": b"NTWIN\r", b"Z0": OK}
        if line == b"F" and self.is_open and self.flags is not None:
            return b"F%02X\r" % self.flags
        if line not in fixed and letter not in b"SOLF":
            self.garbled += 1
        return fixed.get(line, REFUSED)

    def _frame(self, letter: bytes, rest: bytes, frames: list[tuple[int, bytes]]) -> bytes:
        extended, remote = letter in b"TR", letter in b"rR"
        digits = 8 if extended else 3
        length = rest[digits] - 0x30 if len(rest) > digits else -1
        wanted = digits + 1 if remote else digits + 1 + 2 * length
        # strictly hexadecimal: the parsers of the language would also take blanks and signs
        if len(rest) != wanted or not 0 <= length <= 8 or rest.translate(None, _HEX):
            self.garbled += 1
            return REFUSED
        can_id = int(rest[:digits], 16)
        data = b"" if remote else bytes.fromhex(rest[digits + 1 :].decode("ascii"))
        if can_id > (0x1FFF_FFFF if extended else 0x7FF):
            self.garbled += 1
            return REFUSED
        if not self.is_open or self.listens_only:
            return REFUSED
        if self.is_on_bus and not remote and (self._takes_extended or not extended):
            frames.append((can_id | EXTENDED_FLAG if extended else can_id, data))
        return b"Z\r" if extended else b"z\r"


def encode(can_id: int, data: bytes) -> bytes:
    """A data frame as a line; bit 31 marks an identifier of 29 bits."""
    if can_id & EXTENDED_FLAG:
        return b"T%08X%d%s\r" % (can_id & ~EXTENDED_FLAG, len(data), data.hex().upper().encode())
    return b"t%03X%d%s\r" % (can_id, len(data), data.hex().upper().encode())
