"""Frames out of what comes from a wire: by identifier on CAN, out of bytes in any pieces on a serial line. Pure.

Owns finding whole good frames between garbage, with bounded memory. Knows no clock: who reads the line says when it was
silent.
"""

from __future__ import annotations

from collections.abc import Sequence

from drivers.described.codec import SERIAL, Decoded, DriveCodec, ReplyCodec


class CanReceiver:
    """Replies of all described drives on a bus. ``strange``: frames with our drives' identifiers that were none."""

    __slots__ = ("_by_id", "strange")

    def __init__(self, codecs: Sequence[DriveCodec]) -> None:
        self.strange = 0
        by_id: dict[int, list[ReplyCodec]] = {}
        for codec in codecs:
            for reply in codec.replies.values():
                by_id.setdefault(reply.can_id, []).append(reply)
        self._by_id = {can_id: tuple(replies) for can_id, replies in by_id.items()}

    def take(self, can_id: int, data: bytes) -> Decoded | None:
        """What the frame says; None when it is nobody's, or no good frame."""
        replies = self._by_id.get(can_id)
        if replies is None:
            return None
        for reply in replies:
            if (found := reply.decode(data)) is not None:
                return found
        self.strange += 1
        return None


class SerialReceiver:
    """Replies of all described drives on a line, out of its bytes.

    ``dropped`` counts bytes that belonged to no good frame. At most one frame's bytes are kept between calls.
    """

    __slots__ = ("_buffer", "_replies", "dropped")

    def __init__(self, codecs: Sequence[DriveCodec]) -> None:
        """Raises ValueError for several drives without an address in their frames."""
        wires = [codec.drive.serial for codec in codecs]
        if len(codecs) > 1 and any(wire is None or "address" not in wire.header for wire in wires):
            raise ValueError("wire.header: expected an address where several drives share a line, got none")
        # Short ones first: one that is whole never waits for bytes of another that it is not.
        self._replies = tuple(
            sorted(
                (one for codec in codecs for one in codec.replies.values() if one.can_id == SERIAL),
                key=lambda one: one.length,
            )
        )
        self._buffer = bytearray()
        self.dropped = 0

    @property
    def held(self) -> int:
        """Bytes that may become a frame."""
        return len(self._buffer)

    def feed(self, data: bytes) -> list[Decoded]:
        """Take bytes in, in any pieces; the frames that they complete, oldest first."""
        self._buffer += data
        return self._scan(is_over=False)

    def silence(self) -> list[Decoded]:
        """The line was silent: what has begun will not go on. Frames hidden behind such a beginning come out."""
        found = self._scan(is_over=True)
        self.dropped += len(self._buffer)
        self._buffer.clear()
        return found

    def _scan(self, *, is_over: bool) -> list[Decoded]:
        buffer, at, found = self._buffer, 0, []
        end = len(buffer)
        while at < end:
            pending = False
            for reply in self._replies:
                if not reply.may_begin(buffer, at):
                    continue
                if at + reply.length > end:
                    pending = True
                elif (decoded := reply.decode(bytes(buffer[at : at + reply.length]))) is not None:
                    found.append(decoded)
                    at += reply.length
                    break
            else:
                if pending and not is_over:
                    break
                self.dropped += 1
                at += 1
        del buffer[:at]
        return found
