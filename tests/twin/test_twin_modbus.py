"""Units on a Modbus line, from their side: the guide's checksum, and requests that a busy computer runs together."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.twin.gantry import Gantry
from drivers.twin.modbus import UnitsOnLine, checksum
from tests.fakes.modbus_settings import modbus_settings, modbus_twin_parameters

BEGIN_NS = 1_000_000_000
READ = bytes.fromhex("01 03 10 00 00 07")


def by_the_guide(data: bytes) -> bytes:
    """MODBUS over Serial Line V1.02, 6.2.2, step by step."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            carry, register = register & 1, register >> 1
            register ^= 0xA001 if carry else 0
    return bytes((register & 0xFF, register >> 8))


def test_the_published_check_value() -> None:
    """CRC-16/MODBUS over "123456789" is 4B37h (catalogues of CRC algorithms), low byte first on the line."""
    assert checksum(b"123456789") == bytes.fromhex("37 4b")


@given(st.binary(max_size=64))
def test_the_checksum_is_that_of_the_guide_s_steps(data: bytes) -> None:
    """Law: with eight steps made beforehand the same as one by one."""
    assert checksum(data) == by_the_guide(data)


@pytest.mark.parametrize("lenient", [True, False])
def test_requests_that_run_together(lenient: bool) -> None:
    """Where pieces are cut by their lengths both are answered; where silence alone ends a frame, neither is."""
    settings = modbus_settings()
    line = UnitsOnLine(Gantry(settings, modbus_twin_parameters(), BEGIN_NS), settings, lenient=lenient)
    request = READ + checksum(READ)
    line.hear(request, BEGIN_NS)
    line.hear(b"\x02" + request[1:-2] + checksum(b"\x02" + request[1:-2]), BEGIN_NS)
    line.live(line.whole_ns)
    said = line.said(BEGIN_NS + 100_000_000)
    assert [one[0] for one in said] == ([1, 2] if lenient else [])
    assert line.garbled == (not lenient)
    assert all(checksum(one[:-2]) == one[-2:] and len(one) == 5 + 14 for one in said)
