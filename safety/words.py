"""What a person is told of the lease under which the guard stopped. Words alone; who shows them decides nothing."""

from __future__ import annotations

LEASE_WORDS: dict[str, str] = {
    "never given": "no lease had been given since this guard began: nothing had been told to move",
    "given back": "the last lease had been given back: nothing was being told to move",
    "held": "a lease stood, so motion may have been under way",
}
"""What a person is told of ``Latch.lease``; where it is not known, nothing."""
