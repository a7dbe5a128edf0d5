"""Comparing from places to what differs: sessions read, then compared. Owns the order of it."""

from __future__ import annotations

from controller.report.compare import Comparison, compare
from controller.report.comparefind import SessionPlace
from controller.report.compareread import read_session


def compare_places(a: SessionPlace, b: SessionPlace) -> Comparison:
    """Read both sessions and compare them. Raises InputError."""
    return compare(read_session(a.state, a.session), read_session(b.state, b.session))
