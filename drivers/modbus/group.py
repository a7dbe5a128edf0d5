"""Drives on one Modbus line, commanded one after the other within every tick.

Owns the order of a tick, its instants and the drives' walk to power and back. Knows no millimetres and no ink.

**Time.** A line carries one exchange at a time (function 23: command out, feedback in), so the axes cannot take their
commands together. Axis i has a slot: its request leaves s_i after the tick's instant t_k, where s_i is the longest
time that the exchanges before it may take (``drivers.serialtime``). The drive acts on it at t_k + d_i, d_i = s_i + the
request's time on the line + the silence that ends it. d_i is the same in every tick, so every velocity lasts exactly
one tick T on every axis, and the skew d_1 - d_0 is a known latency: ``latency_ms`` of each axis in the machine file
contains its d_i, and the planner's commands run ahead by it. A drive that acts earlier or later than reckoned, always
by the same time, changes nothing here: it reads its position at the same instant at which it takes the command.

A request that leaves e late is mended (``drivers.line.slots``).

**Feedback.** The drive reads its position at t_k + d_i + e, and what it reads is handed on as of t_k, reckoned back
with its own velocity. So both axes report the tick's instant, as drives on a bus with SYNC do, and with ``latency_ms``
at d_i plus the drive's own latency the expected reading fits.

What the slots leave of a tick is patience (``drivers.line.slots``): an answer may come late by its part of it, which
makes the next axis late by no more, and that is mended as above.

Nothing is repeated within a tick: an axis that does not answer keeps its velocity until the next one, and its own
time-out stops it when it hears nothing at all. What leaves, leaves while the loop that called ``send_tick`` sleeps on
its clock, and only what belongs to that tick: a loop that hangs sends nothing.
"""

from __future__ import annotations

from collections.abc import Callable

from drivers.clock import NS_PER_MS, Clock
from drivers.errors import FaultError, LinkError, MisuseError
from drivers.interface import DriveState
from drivers.line.master import Exchange
from drivers.line.port import SerialLine
from drivers.line.slots import SlottedGroup
from drivers.modbus import frames
from drivers.modbus.frames import Request
from drivers.modbus.mirror import DriveMirror
from drivers.modbus.plan import broadcast_stop
from drivers.serialtime import TICK_SHARE_MAX
from drivers.settings import GroupSettings, acts_after_ns, exchange_ns, registers_of
from drivers.words import AS_WIRED

ATTEMPTS = 3


class ModbusDriveGroup(SlottedGroup[int]):
    """A DriveGroup of drives with register maps on a serial line."""

    def __init__(self, settings: GroupSettings, line: SerialLine, clock: Clock) -> None:
        """Take over ``line``. Sends nothing yet.

        Raises MisuseError when a register map is missing, the tick is too short for the line, or the clock cannot be
        shared.
        """
        wire = settings.modbus
        try:
            maps = [registers_of(name, drive) for name, drive in settings.axes.items()]
        except ValueError as error:
            raise MisuseError("registers", "a register map for every drive", str(error)) from None
        super().__init__(settings, line, wire, clock, "unit", wire.answer_timeout_s)
        self._maps = tuple(maps)
        self._acts_ns = acts_after_ns(wire, maps)
        slots = [exchange_ns(wire, registers) for registers in maps]
        self._slots_ns = tuple(sum(slots[:place]) for place in range(len(slots)))
        if sum(slots) > TICK_SHARE_MAX * self._tick_ns:
            raise MisuseError(
                "tick_us",
                f"exchanges of up to {TICK_SHARE_MAX:.0%} of a tick",
                f"{sum(slots) / NS_PER_MS:.2f} ms of {self._tick_ns / NS_PER_MS:g} ms at {wire.bitrate_bit_s} bit/s",
            )
        self._patience_ns = wire.turnaround_us * 1000
        self._until_ns = self._waits_ns(slots)
        self._spare_ns = (self._tick_ns - sum(slots)) // len(slots)
        self._looked_at = tuple(registers.looked_at for registers in maps)
        self._first_written = tuple(registers.written[0] for registers in maps)
        self._mirrors = tuple(
            DriveMirror(registers, word) for registers, word in zip(maps, self._feedback.axes, strict=True)
        )
        self._head_word = self._word_of_head(settings)
        self._enabled_words = tuple(registers.enable_words[-1] for registers in maps)
        self._stop_frames = broadcast_stop(settings)
        self._answered = 0
        self._full = (1 << len(self._axes)) - 1
        self._share()

    def _word_of_head(self, settings: GroupSettings) -> int:
        """What lowers the pen, in the outputs' register of its drive; 0 where it hangs on none."""
        head = settings.drive_output
        if head is None:
            return 0
        if self._maps[self._head].outputs is None:
            raise MisuseError(f"axes.{head.axis}.drive.registers.outputs", "the head's register", "none")
        word = 1 << head.output_bit - AS_WIRED if head.output_bit >= AS_WIRED else 0
        if not 0 < word <= 0x8000:
            raise MisuseError("head.output_bit", "16 to 31, as wired", str(head.output_bit))
        return word

    @property
    def acts_after_ns(self) -> tuple[int, ...]:
        """For each axis d_i: from the tick's instant until its drive acts. Their difference is the skew."""
        return self._acts_ns

    # Setting up

    def _lose_drives(self) -> None:
        for mirror in self._mirrors:
            mirror.lose()

    def _configure(self) -> None:
        self._lose_drives()
        for place, registers in enumerate(self._maps):
            # One that still turns for somebody else is stopped, not left to coast; then velocity and outputs.
            values = self._mirrors[place].command(registers.quick_stop_word, 0, 0)
            self._write(place, registers.control, [registers.quick_stop_word])
            self._write(place, registers.written[0], values)
            for one in registers.set_up:
                self._hold(place, one.number, self._mirrors[place].split(one.value, one.bits))
            self._set_timeout(place, on=False)
        for mirror in self._mirrors:
            mirror.is_trusted = True
        self._look()

    def _set_timeout(self, place: int, *, on: bool) -> None:
        """Write the drive's own time-out, and read it back."""
        registers = self._maps[place]
        if registers.timeout is not None and self._drives[place].notices_silence:
            ms = self._settings.modbus.command_timeout_ms if on else 0
            self._hold(place, registers.timeout, [-(-ms // registers.timeout_unit_ms)])

    def _ask(self, place: int, request: Request) -> tuple[int, ...]:
        """One exchange outside of ticks, said again when it is not answered. Raises LinkError, FaultError."""
        exchange = Exchange(lambda _: request)
        for _ in range(ATTEMPTS):
            exchange = Exchange(lambda _: request)
            self._await(exchange)
            if exchange.is_good:
                return tuple(exchange.content)
            if exchange.is_refused:
                break
        what = f"an answer to function {request.function:02X}h, register {int.from_bytes(request.frame[2:4], 'big')}"
        kind = FaultError if exchange.is_refused else LinkError
        raise kind(self._wheres[place], what, exchange.error)

    def _write(self, place: int, first: int, values: list[int]) -> None:
        unit = self._drives[place].node_id
        one = len(values) == 1
        self._ask(
            place, frames.write_one(unit, first, values[0]) if one else frames.write(unit, first, values)
        )

    def _hold(self, place: int, first: int, values: list[int]) -> None:
        """Write, read back, compare."""
        self._write(place, first, values)
        got = self._ask(place, frames.read(self._drives[place].node_id, first, len(values)))
        if list(got) != values:
            raise FaultError(self._wheres[place], f"register {first} = {values} as written", f"{list(got)}")

    def _look(self) -> None:
        """Read every drive once, without commanding anything."""
        for place, registers in enumerate(self._maps):
            words = self._ask(place, frames.read(self._drives[place].node_id, *registers.looked_at))
            self._mirrors[place].take(words, self._clock.now_ns(), 0.0, 0.0)

    # Power

    def _state(self, place: int) -> DriveState:
        return self._mirrors[place].state

    def _up_word(self, place: int, step: int) -> int:
        words = self._maps[place].enable_words
        return words[min(step, len(words) - 1)]

    def _hold_word(self, place: int) -> int:
        return self._enabled_words[place]

    def _stop_word(self, place: int) -> int:
        return self._maps[place].quick_stop_word

    def _down_word(self, place: int) -> int:
        return self._maps[place].disable_word

    def _clear_word(self, place: int) -> int:
        return self._maps[place].clear_word

    def _idle_word(self, place: int) -> int:
        return self._maps[place].disable_word

    def _holds(self, place: int, velocity_units: int) -> bool:
        return self._mirrors[place].holds(velocity_units)

    # Rounds

    def _round(self, words: list[int]) -> None:
        """Control words at zero velocity, a tick's wait, and what has come."""
        now_ns = self._clock.now_ns()
        self._begin_round(now_ns, words, (0,) * len(self._axes))
        self._clock.sleep_until_ns(now_ns + self._tick_ns)
        self.poll()

    def _begin_round(self, now_ns: int, words: list[int] | tuple[int, ...], units: tuple[int, ...]) -> None:
        """Queue one exchange for each axis in its slot, in place of whatever is left of the round before."""
        self._master.drop_queue()
        self._begun_ns = now_ns
        self._answered = 0
        for place in range(len(self._axes)):
            make = self._maker(place, now_ns, words[place], units[place])
            due_ns = now_ns + self._slots_ns[place]
            until_ns = now_ns + self._until_ns[place]
            take = self._taker(place, now_ns)
            self._master.put(Exchange(make, due_ns, take, self._patience_ns, until_ns))
        self._master.work(now_ns)

    def _maker(self, place: int, begun_ns: int, word: int, units: int) -> Callable[[int], Request]:
        looked_at, first_written = self._looked_at[place], self._first_written[place]
        unit = self._drives[place].node_id

        def make(now_ns: int) -> Request:
            late_ns = max(0, now_ns - begun_ns - self._slots_ns[place])
            outputs = self._head_word if place == self._head and self._outputs else 0
            values = self._mirrors[place].command(word, self._mended(place, units, late_ns), outputs)
            return frames.read_write(unit, *looked_at, first_written, values)

        return make

    def _taker(self, place: int, begun_ns: int) -> Callable[[Exchange], None]:
        def take(exchange: Exchange) -> None:
            if not exchange.is_good:
                return
            ago_s = (self._acts_ns[place] + self._late_ns[place]) * 1e-9
            unit_counts_s = self._drives[place].velocity_unit_counts_s
            self._mirrors[place].take(exchange.content, exchange.received_ns, ago_s, unit_counts_s)
            if begun_ns == self._begun_ns:
                self._answered |= 1 << place
                if self._answered == self._full:
                    self._feedback.sequence += 1

        return take

    # Motion

    def _begin_tick(self, velocity_units: tuple[int, ...]) -> None:
        """The first axis' request leaves, the others follow in their slots while the caller sleeps."""
        self._begin_round(self._clock.now_ns(), self._enabled_words, velocity_units)
        self._master.raise_trouble()

    # Ends

    def _tell_to_stop(self) -> None:
        """The broadcast; behind it the same to each drive by name, which also brings its position."""
        try:
            self._master.stop(self._stop_frames)
            self._forget_motion()
            self._begun_ns = self._clock.now_ns()
            self._answered = 0
            for place, registers in enumerate(self._maps):
                make = self._maker(place, self._begun_ns, registers.quick_stop_word, 0)
                take = self._taker(place, self._begun_ns)
                self._master.put(Exchange(make, 0, take, self._patience_ns + self._spare_ns))
        except Exception:  # noqa: BLE001
            # Whatever broke, the guard and the drives' own time-outs stop them; raising here would stop nothing.
            return
