"""One described drive's words as they are shown: only the latest count, whatever came before."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from drivers.described.codec import Decoded
from drivers.described.mirror import DescribedMirror
from drivers.described.tick import codecs_of, tick_of
from drivers.interface import AxisFeedback
from drivers.settings import DescribedSerialWire
from tests.fakes.described_settings import serial_settings

WORDS = st.tuples(st.none() | st.sampled_from([0, 1, 3, 9, 0x103, 0x13]), st.none() | st.integers(0, 3))


@given(st.lists(WORDS | st.sampled_from(["lose", "trust"]), max_size=30))
def test_what_is_shown_follows_the_latest_words(events: list[Any]) -> None:
    """Law: whatever came before, what is shown is what a mirror makes of the latest words alone."""
    settings = serial_settings()
    assert isinstance(settings.wire, DescribedSerialWire)
    (tick, _) = tick_of(settings.wire, codecs_of(settings), ("x", "y"), "x", settings.tick_us).axes

    def shown(mirror: DescribedMirror) -> tuple[Any, ...]:
        word = mirror.feedback
        return mirror.state, word.state, word.statusword, word.inputs

    mirror, status, inputs, is_trusted = DescribedMirror(tick, 10.0, AxisFeedback()), None, 0, False
    for event in events:
        if event == "lose":
            mirror.lose()
            status, is_trusted = None, False
            continue
        if event == "trust":
            mirror.trust()
            is_trusted = True
        else:
            mirror.take(Decoded("state", 1, status=event[0], inputs=event[1]), 1, 1, 1)
            status = status if event[0] is None else event[0]
            inputs = inputs if event[1] is None else event[1]
            if event == (None, None):
                continue
        fresh = DescribedMirror(tick, 10.0, AxisFeedback())
        if is_trusted:
            fresh.is_trusted = True
        fresh.take(Decoded("state", 1, status=status, inputs=inputs), 1, 1, 1)
        assert shown(mirror) == shown(fresh)
