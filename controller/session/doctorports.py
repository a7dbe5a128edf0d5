"""The wire's device here: is it there, may we, is it up, does an adapter hold bytes back? Pure but for stat.

Owns the judgements; ``sys`` is a folder laid out as /sys, ``path`` the port as the machine file names it.
"""

from __future__ import annotations

import grp
import os
import stat
from pathlib import Path

from controller.session.doctorfinding import Figure, Finding
from controller.session.doctorhost import read_text

LATENCY_MAX_MS = 1
QUEUE_MAX = 100


def port(path: Path) -> Finding:
    """Whether the serial port is there and ours to open."""
    try:
        seen = path.stat()
    except FileNotFoundError:
        return Finding(
            "port",
            "must be mended",
            f"{path} is not there",
            "plug the adapter in; ls /dev/serial/by-id shows what there is",
        )
    except OSError as error:
        return Finding(
            "port", "must be mended", f"{path}: {error.strerror}", "mend the path in the machine file"
        )
    if not stat.S_ISCHR(seen.st_mode):
        return Finding(
            "port", "must be mended", f"{path} is no serial port", "mend the path in the machine file"
        )
    if not os.access(path, os.R_OK | os.W_OK):
        group = _group(seen.st_gid)
        return Finding(
            "port",
            "must be mended",
            f"{path} belongs to {_group(seen.st_gid)}, mode {stat.S_IMODE(seen.st_mode):o}: not ours to open",
            f"sudo usermod -aG {group} $USER, then log in again",
        )
    real = path.resolve()
    stands_by_number = path.name == real.name and not str(path).startswith("/dev/serial/")
    if stands_by_number and path.name.startswith(("ttyUSB", "ttyACM")):
        return Finding(
            "port",
            "could be better",
            f"{path}: there, and ours to open",
            "its number changes when something else is plugged in: take its name in /dev/serial/by-id",
        )
    return Finding("port", "good", f"{path}: there, and ours to open")


def _group(number: int) -> str:
    try:
        return grp.getgrgid(number).gr_name
    except KeyError:
        return str(number)


def latency_timer(sys: Path, device: str) -> Finding:
    """How long a USB adapter (``device``: ttyUSB0) gathers bytes before it hands them on."""
    told = read_text(sys / f"bus/usb-serial/devices/{device}/latency_timer")
    if not told.isdecimal():
        name = "no such timer" if device.startswith("ttyACM") else "the adapter does not say"
        return Finding(
            "USB latency timer", "good" if device.startswith("ttyACM") else "cannot tell", f"{device}: {name}"
        )
    ms = int(told)
    figures = {"latency": Figure(float(ms), "ms")}
    if ms <= LATENCY_MAX_MS:
        return Finding("USB latency timer", "good", f"{device}: {ms} ms", figures=figures)
    return Finding(
        "USB latency timer",
        "must be mended",
        f"{device}: {ms} ms",
        f"every answer waits so long: echo 1 | sudo tee /sys/bus/usb-serial/devices/{device}/latency_timer; for good "
        'a udev rule: ACTION=="add", SUBSYSTEM=="usb-serial", ATTR{latency_timer}="1"',
        figures,
    )


def interface(sys: Path, name: str) -> Finding:
    """Whether a SocketCAN interface is there, up, and keeps a short queue."""
    folder = sys / f"class/net/{name}"
    up = f"sudo ip link set {name} up type can bitrate 1000000 restart-ms 0"
    flags = read_text(folder / "flags")
    if not flags:
        return Finding(
            "CAN interface", "must be mended", f"{name} is not there", "plug the adapter in, load its driver"
        )
    try:
        is_up = bool(int(flags, 16) & 1)  # IFF_UP of netdevice(7)
    except ValueError:
        return Finding("CAN interface", "cannot tell", f"{name}: flags {flags}")
    if not is_up:
        return Finding(
            "CAN interface", "must be mended", f"{name} is down", f"{up} (with the drives' bit rate)"
        )
    queue = read_text(folder / "tx_queue_len")
    errors = {
        which: read_text(folder / "statistics" / which)
        for which in ("rx_errors", "tx_errors", "rx_over_errors")
    }
    figures = {which: Figure(float(text), "") for which, text in errors.items() if text.isdecimal()}
    bad = ", ".join(f"{which} {text}" for which, text in errors.items() if text not in ("", "0"))
    if bad:
        return Finding(
            "CAN interface",
            "could be better",
            f"{name} is up; since then {bad}",
            "look at cable, plugs and the two terminators of 120 ohm; does the count still rise?",
            figures,
        )
    if queue.isdecimal() and int(queue) > QUEUE_MAX:
        return Finding(
            "CAN interface",
            "could be better",
            f"{name} is up, queue of {queue} frames",
            f"frames that nobody takes pile up there: sudo ip link set {name} txqueuelen 10",
            figures,
        )
    return Finding("CAN interface", "good", f"{name} is up, no errors counted", figures=figures)
