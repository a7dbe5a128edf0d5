"""The head in a machine file: reading its head file, and what it contradicts: wire, other nodes, the simulation.

Owns these rules and the reading of head files; controller/config/rules.py says how rules work. What contradicts itself
inside the head's own table is for its model.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from controller.config.contradictions import AXES, Contradiction, Rule, UnknownValueError, Values
from controller.config.errors import InputError, Mistake
from drivers.describedfacts import taken_ids
from drivers.heads.framing import HeadCodec
from drivers.heads.headfile import HeadFile
from drivers.heads.settings import AnyHead, DescribedHead, NodeHead, SerialHead

_BUSES = ("can", "described-can")


def head_path(data: Mapping[str, Any], path: Path) -> Path | None:
    """The head file that a parsed machine file names."""
    head = data.get("head")
    file = head.get("head_file") if isinstance(head, dict) else None
    return path.parent / file if isinstance(file, str) and file else None


def load_head(path: Path) -> HeadFile:
    """The head file at ``path``. Raises InputError with every mistake."""
    from controller.config.load import MISTAKES_MAX, read_toml
    from controller.config.words import mistakes_of

    data = read_toml(path)
    try:
        return HeadFile.model_validate(data)
    except ValidationError as error:
        raise InputError(mistakes_of(error, path, data, HeadFile, MISTAKES_MAX)) from None


def with_head_file(data: dict[str, Any], path: Path) -> tuple[dict[str, Any], list[Mistake]]:
    """The parsed machine file with its head file read into it, and every mistake in that, naming that file."""
    head = data.get("head")
    if isinstance(head, dict) and "device" in head:
        return data, [
            Mistake(
                path,
                "head.device",
                "no such field (the path goes into head_file)",
                "one",
                code="file-unknown-field",
            )
        ]
    file = head_path(data, path)
    if file is None:
        return data, []
    try:
        return data | {"head": data["head"] | {"device": load_head(file)}}, []
    except InputError as error:
        return data, list(error.mistakes)


def head_rules() -> tuple[Rule, ...]:
    """Every rule of this module."""
    return (
        _node_needs_canopen,
        _node_is_free,
        _described_fits,
        _measures,
        _port_is_its_own,
        _simulated_together,
    )


def _kind(values: Values, *kinds: str) -> str:
    kind = str(values("head.kind"))
    if kind not in kinds:
        raise UnknownValueError("head.kind")
    return kind


def _device(values: Values) -> HeadFile:
    _kind(values, "described")
    device = values("head.device")
    if not isinstance(device, HeadFile):
        raise UnknownValueError("head.device")
    return device


def _node_needs_canopen(values: Values) -> Iterator[Contradiction]:
    _kind(values, "node")
    wire = values("wire.kind")
    if wire != "can":
        yield Contradiction(
            "head.kind", "a node only where wire.kind is can (CANopen)", f"{wire}", code="head-kind"
        )


def _node_is_free(values: Values) -> Iterator[Contradiction]:
    node = values("head.node_id")
    if _kind(values, "node", "described") == "described" and _device(values).can is None:
        return
    for axis in AXES:
        if values(f"axes.{axis}.drive.node_id") == node:
            yield Contradiction(
                "head.node_id", f"another node than that of axis {axis}", f"{node}", code="head-node"
            )


def _described_fits(values: Values) -> Iterator[Contradiction]:
    device, wire, channel = _device(values), values("wire.kind"), values("head.channel")
    node = values("head.node_id")
    try:
        codec = HeadCodec(device, node)
    except ValueError as error:
        yield Contradiction(
            "head.node_id",
            "a number that fits the frames of head_file",
            f"{node} ({error})",
            code="head-node",
        )
        return
    if device.can is None:
        if channel is None:
            yield Contradiction(
                "head.channel", "the head's serial port, as its file says serial", "none", code="head-channel"
            )
        return
    if channel is not None:
        yield Contradiction(
            "head.channel",
            "none: by its file the head hangs on the drives' bus",
            f"{channel}",
            code="head-channel",
        )
    if wire not in _BUSES:
        yield Contradiction(
            "head.head_file",
            f"a head with a serial line beside a wire of {wire}",
            "one on CAN",
            code="head-kind",
        )
    elif wire == "described-can" and values("wire.channel") == "simulated":
        yield Contradiction(
            "head.head_file",
            "a head with a serial line: described drives in the simulation share no bus",
            "one on CAN",
            code="head-kind",
        )
    else:
        asks = () if codec.ask is None else (codec.ask[0],)
        own = dict.fromkeys((codec.up[0], codec.down[0], codec.reply_id, *asks))
        theirs = _drive_ids(values)
        for can_id in own:
            if can_id in theirs:
                yield Contradiction(
                    "head.head_file", "identifiers that no drive has", f"{can_id:X}h", code="head-node"
                )


def _drive_ids(values: Values) -> set[int]:
    """Identifiers of the drives on the bus, of all that the default ones are there."""
    nodes = {axis: values(f"axes.{axis}.drive.node_id") for axis in AXES}
    if values("wire.kind") == "can":
        theirs = {base + node for node in nodes.values() for base in range(0x80, 0x780, 0x80)}
        return theirs | {0x000, 0x080, 0x77F}
    theirs = set()
    for axis, node in nodes.items():
        drive = values(f"axes.{axis}.drive.described")
        if drive is None or drive.can is None:
            raise UnknownValueError("described")
        try:
            theirs |= taken_ids(drive, node)
        except ValueError:
            raise UnknownValueError("node_id") from None
    return theirs


def _measures(values: Values) -> Iterator[Contradiction]:
    device, settle = _device(values), str(values("head.settle.kind"))
    measured = {field.name for field in device.reply.fields}
    if settle != "time" and settle not in measured:
        yield Contradiction(
            "head.settle.kind", f"a field {settle} in the reply of head_file", "none", code="head-settle"
        )
    if settle == "time" and (device.up_bit is None or device.down_bit is None):
        yield Contradiction(
            "head.head_file", "up_bit and down_bit, where settling is by time", "not both", code="head-settle"
        )


def _port_is_its_own(values: Values) -> Iterator[Contradiction]:
    _kind(values, "serial", "described")
    channel, wire = values("head.channel"), values("wire.channel")
    if channel is not None and channel == wire and channel != "simulated":
        yield Contradiction(
            "head.channel",
            "a port of its own (wire.channel is the drives')",
            f"{channel}",
            code="head-channel",
        )


def _simulated_together(values: Values) -> Iterator[Contradiction]:
    _kind(values, "serial", "described")
    channel, wire = values("head.channel"), values("wire.channel")
    if channel is None:
        return
    if (channel == "simulated") is not (wire == "simulated"):
        yield Contradiction(
            "head.channel",
            "simulated where wire.channel is, and only there",
            f"{channel}",
            code="head-channel",
        )


def head_cautions(head: AnyHead) -> Iterator[tuple[str, str, str]]:
    """What a head does when nobody can tell it anything, where that is not good: path, message and code."""
    if head.without_power in ("stays", "down"):
        yield (
            "head.without_power",
            f'the pen goes "{head.without_power}" when power is lost: it keeps pressing while the axes coast',
            "check-head-presses",
        )
    elif head.without_power == "unknown":
        yield (
            "head.without_power",
            "whether the pen goes up when power is lost is not said: try it, and say so",
            "check-head-presses",
        )
    if isinstance(head, NodeHead) and head.error_output == "none":
        yield (
            "head.error_output",
            "the node holds the pen where it is when our heartbeat is missing",
            "check-head-silence",
        )
    if isinstance(head, SerialHead | DescribedHead):
        yield (
            "head.kind",
            "this head notices no missing word of ours: a computer that dies leaves the pen where it is",
            "check-head-silence",
        )
    if head.settle.kind == "force" and not head.has_switches[0]:
        yield (
            "head.settle",
            "no switch says that the pen is up: without force it may hang a hair above the canvas",
            "check-head-no-switch",
        )
