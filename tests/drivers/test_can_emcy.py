"""Emergency messages in words, their classes held against the table of the `canopen` library."""

from __future__ import annotations

import pytest
from canopen.emcy import EmcyError
from hypothesis import given
from hypothesis import strategies as st

from drivers.can import emcy

OURS = {
    "Error Reset / No Error": "no error",
    "Generic Error": "some error",
    "Current": "current",
    "Voltage": "voltage",
    "Temperature": "temperature",
    "Device Hardware": "the drive's hardware",
    "Device Software": "the drive's software",
    "Additional Modules": "something attached to the drive",
    "Monitoring": "supervision",
    "External Error": "something outside the drive",
    "Additional Functions": "further functions of the drive",
    "Device Specific": "the maker's own code: see the drive's manual",
}
"""The library's words for the classes of CiA 301, and ours for the same."""


def class_of(code: int) -> str:
    """Our words for the widest class that has ``code``."""
    found = [words for value, mask, words in emcy.CLASSES if code & mask == value]
    return found[-1] if found else ""


def test_every_class_of_the_library_is_ours() -> None:
    """Each class of the `canopen` library's table (CiA 301) has our words for it at its own code."""
    assert [words for _, _, words in EmcyError.DESCRIPTIONS] == list(OURS)
    for code, _, words in EmcyError.DESCRIPTIONS:
        assert class_of(code) == OURS[words]


@given(st.integers(0, 0xFFFF))
def test_all_codes_fall_where_the_librarys_do(code: int) -> None:
    """Wherever the library has a class for a code, ours is the same; codes of no class are called reserved."""
    theirs = EmcyError(code, 0, b"", 0.0).get_desc()
    if theirs:
        assert class_of(code) == OURS[theirs]
    assert emcy.words_of(code)


HEARTBEAT_LOST = "emergency 8130h: a heartbeat or life guard that the drive awaits did not come"
MAKERS = "emergency FF34h: the maker's own code: see the drive's manual"


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (
            "05 73 21 01 02 00 00 FF",
            "emergency 7305h: encoder 1; register 21h (generic, profile); maker's bytes 01 02 00 00 FF",
        ),
        ("30 81 11 00 00 00 00 00", f"{HEARTBEAT_LOST}; register 11h (generic, communication)"),
        ("34 FF 81 00 00 00 00 00", f"{MAKERS}; register 81h (generic, maker's)"),
        ("10 23 00 00 00 00 00 00", "emergency 2310h: continuous overcurrent to the motor; register 00h"),
    ],
)
def test_a_message_in_words(data: str, text: str) -> None:
    """Code little-endian, then the register 1001h, then the maker's five bytes (CiA 301)."""
    assert str(emcy.decode(bytes.fromhex(data))) == text


def test_a_message_that_takes_back() -> None:
    """Code 00xxh: no error any more."""
    assert emcy.decode(bytes(8)).is_all_clear
    assert not emcy.decode(bytes.fromhex("00 10 01 00 00 00 00 00")).is_all_clear


@given(st.binary(max_size=12))
def test_eight_bytes_or_nothing(data: bytes) -> None:
    """Any 8 bytes are told; other lengths are a ValueError."""
    if len(data) == 8:
        assert str(emcy.decode(data))
    else:
        with pytest.raises(ValueError, match="8 bytes"):
            emcy.decode(data)
