"""The real guard on a raw CAN wire made of packet sockets, because no CAN interface is at hand in a test.

Usage: guard_with_bus.py SETTINGS.json. What the file ``bus`` beside the latch says (off, restarted, passive)
is told to the guard as an error frame whenever it changes. Every SYNC of the guard is answered by two standing axes.
"""

import socket
import struct
import sys
import threading
import time
from pathlib import Path

import safety.guard
import safety.stopping
from safety.settings import GuardSettings
from safety.wire import CanWire

ERROR_FRAMES = {
    "off": struct.pack("=IB3x8s", 0x2000_0040, 8, bytes(8)),
    "restarted": struct.pack("=IB3x8s", 0x2000_0100, 8, bytes(8)),
    "passive": struct.pack("=IB3x8s", 0x2000_0004, 8, b"\x00\x20" + bytes(6)),
}


def answer(far: socket.socket) -> None:
    """Two axes that stand at 1000 counts."""
    while frame := far.recv(16):
        if frame[:4] == struct.pack("=I", 0x80):
            for node in (1, 2):
                far.send(struct.pack("=IB3x8s", 0x180 + node, 6, struct.pack("<Hi", 0x0237, 1000)))


def tell(far: socket.socket, said: Path) -> None:
    """Error frames as the file says."""
    before = ""
    while True:
        words = said.read_text() if said.exists() else ""
        if words != before and words in ERROR_FRAMES:
            far.send(ERROR_FRAMES[words])
            before = words
        time.sleep(0.001)


def open_wire(settings: GuardSettings) -> CanWire:
    """In the place of the real one: frames from the settings, sockets from here."""
    near, far = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    near_errors, far_errors = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    threading.Thread(target=answer, args=(far,), daemon=True).start()
    said = Path(settings.latch_path).with_name("bus")
    threading.Thread(target=tell, args=(far_errors, said), daemon=True).start()
    frames = [bytes.fromhex(frame) for frame in settings.stop_frames_hex]
    return CanWire(near, frames, bytes.fromhex(settings.poll_frame_hex), settings.standstill, near_errors)


if __name__ == "__main__":
    safety.stopping.open_wire = open_wire  # type: ignore[attr-defined]
    sys.exit(safety.guard.main(sys.argv[1:]))
