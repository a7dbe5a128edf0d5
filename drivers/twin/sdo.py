"""The drive's SDO server: one request in, one answer out (CiA 301, expedited transfer).

Every object of the drive fits into four bytes, so segmented and block transfer are refused with the standard's
abort code. Knows the frame layout only; rights and ranges belong to the dictionary.
"""

from __future__ import annotations

from drivers.twin.objects import AbortCode, ObjectDictionary, SdoAbortError

_DOWNLOAD, _UPLOAD, _ABORT = 1, 2, 4  # client command specifiers


def answer(dictionary: ObjectDictionary, request: bytes) -> bytes | None:
    """Serve one request of 8 bytes. Returns 8 bytes, or None where the protocol wants no answer."""
    if len(request) != 8:
        return None
    command, index, subindex = request[0], request[1] | request[2] << 8, request[3]
    specifier = command >> 5
    head = request[1:4]
    try:
        if specifier == _UPLOAD:
            data = dictionary.upload(index, subindex)
            return bytes([0x43 | (4 - len(data)) << 2]) + head + data.ljust(4, b"\0")
        if specifier == _DOWNLOAD:
            expedited, sized = bool(command & 2), bool(command & 1)
            if not expedited:
                dictionary.find(index, subindex)
                raise SdoAbortError(AbortCode.COMMAND)
            length = 4 - (command >> 2 & 3) if sized else 4
            dictionary.download(index, subindex, request[4 : 4 + length], sized=sized)
            return b"\x60" + head + bytes(4)
        if specifier == _ABORT:
            return None
        raise SdoAbortError(AbortCode.COMMAND)
    except SdoAbortError as refusal:
        return b"\x80" + head + int(refusal.code).to_bytes(4, "little")
