"""How long exchanges on a serial line take. Pure arithmetic in ns; knows no settings and no line.

One exchange of function 23 is: the request's characters, the silence that ends it, the unit's turnaround, the
answer's characters, the silence that ends that (MODBUS over Serial Line V1.02, 2.5.1).
"""

from __future__ import annotations

TICK_SHARE_MAX = 0.8
"""The exchanges of a tick may take so much of it: the rest is for late hosts and for a stop."""


def request_ns(write_count: int, character_ns: int, silence_ns: int) -> int:
    """From a request's first character until the unit may act on it."""
    return (13 + 2 * write_count) * character_ns + silence_ns


def exchange_ns(
    write_count: int, read_count: int, character_ns: int, silence_ns: int, turnaround_ns: int
) -> int:
    """One whole exchange, until the line is free for the next request."""
    answer_ns = (5 + 2 * read_count) * character_ns + silence_ns
    return request_ns(write_count, character_ns, silence_ns) + turnaround_ns + answer_ns
