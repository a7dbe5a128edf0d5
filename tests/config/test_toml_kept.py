"""A machine file is changed in the values that were measured and in nothing else."""

from __future__ import annotations

import difflib
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.config.load import machine_from
from controller.config.places import shipped
from controller.config.tomlkeep import CannotKeepError, toml_of, value_at, with_values

MACHINES = sorted(shipped("machines/boathouse.toml").parent.glob("*.toml"))


def lines_changed(before: str, after: str) -> tuple[list[str], list[str]]:
    """Lines that went and lines that came, with their ends."""
    told = list(difflib.ndiff(before.splitlines(keepends=True), after.splitlines(keepends=True)))
    return [one[2:] for one in told if one[:2] == "- "], [one[2:] for one in told if one[:2] == "+ "]


@pytest.mark.parametrize("path", MACHINES, ids=lambda path: path.stem)
def test_one_value_is_one_line(path: Path) -> None:
    """In every machine file that we ship: the line of the value, its comment kept behind it, and no other byte."""
    before = path.read_bytes().decode()
    after = with_values(before, {"axes.y.moving_mass_kg": 4.25})
    went, came = lines_changed(before, after)
    assert len(went) == len(came) == 1
    assert came[0] == went[0].replace(went[0].split("=")[1].split("#")[0].strip(), "4.25")
    assert machine_from(tomllib.loads(after), path).axes["y"].moving_mass_kg == 4.25


@pytest.mark.parametrize("path", MACHINES, ids=lambda path: path.stem)
@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("axes.x.length_table", {"position_mm": [100.0, 1500.0], "error_mm": [0.0, 0.6]}),
        ("axes.x.latency_ms", 2.5),
        ("geometry.squareness_mm_m", -0.8),
        ("geometry.sag", {"position_mm": [100.0, 1500.0], "drop_mm": [0.0, 0.6]}),
    ],
)
def test_what_is_added_is_taken_out_again(path: Path, field: str, value: Any) -> None:
    """A field that was not there comes as lines of its own among its like; taken out, the file is as before."""
    before = path.read_bytes().decode()
    had = value_at(tomllib.loads(before), field)
    after = with_values(before, {field: value})
    assert value_at(tomllib.loads(after), field) == value
    went, _came = lines_changed(before, after)
    assert went == [] if had is None else len(went) <= 3
    machine_from(tomllib.loads(after), path)
    if had is None:
        # A table that had to be opened for the field may stay, empty.
        name = field.rpartition(".")[0]
        out = with_values(after, {field: None})
        assert before in (out, out.replace(f"\n[{name}]\n", ""))


def test_a_new_field_stands_with_its_table_and_not_behind_the_next_ones_comment() -> None:
    """The comment above a table goes on belonging to it."""
    before = "[axes.x]\nplay_mm = 0.2  # whole gap\n\n# The hanging one.\n[axes.y]\nplay_mm = 0.1\n"
    after = with_values(before, {"axes.x.latency_ms": 3.0})
    assert after == before.replace("# whole gap\n", "# whole gap\nlatency_ms = 3.0\n")
    table = {"position_mm": [0.0], "play_mm": [0.3]}
    told = "# whole gap\n\n[axes.x.play_table]\nposition_mm = [0.0]\nplay_mm = [0.3]\n"
    assert with_values(before, {"axes.x.play_table": table}) == before.replace("# whole gap\n", told)


STYLES = [
    ('a = 1 # "b" = 2\r\n[t]\r\nb = 2\r\n', "t.b"),
    ('[t]\nb = [1, # one ]\n  2,\n]\nc = """x\n[t]\nb = 9\n"""\n', "t.b"),
    ("[t]\n'b' = 'it # is'   # so\n", "t.b"),
    ("t = { b = 1, c = [2, 3] } # inline\n", "t.b"),
    ("t.b = 1\nt.c = 2\n", "t.b"),
    ("[[t.list]]\nb = 1\n[[t.list]]\nb = 2\n[t.list.in]\nb = 3\n[t.x]\nb = 4", "t.x.b"),
    ("\ufeff[t]\nb = 1", "t.b"),
    ("['t'.\"x y\"]\nb = 1\n[t]\nb=1\t# tab\n", "t.b"),
    ("[t]\nb = '''a''' # c\n", "t.b"),
]


@pytest.mark.parametrize(("text", "field"), STYLES)
def test_styles_of_writing(text: str, field: str) -> None:
    """Line ends, arrays over lines, brackets and keys in comments and texts, inline tables, dotted keys: the value is
    found, and all that is not the value stays."""
    value = value_at(tomllib.loads(text.removeprefix("\ufeff")), field)
    after = with_values(text, {field: 7})
    assert value_at(tomllib.loads(after.removeprefix("\ufeff")), field) == 7
    assert after.startswith("\ufeff") == text.startswith("\ufeff")
    assert with_values(after, {field: value}).count("#") == text.count("#") - ("# one" in text)
    assert ("\r\n" in after) == ("\r\n" in text)


def test_what_cannot_be_kept_is_refused() -> None:
    """A field inside something that is no table, or beside dotted keys that would have to become a table."""
    for text, field in (("t = 1\n", "t.b"), ("t.b = 1\n", "t.c"), ("[[t]]\nb = 1\n", "t.b")):
        with pytest.raises(CannotKeepError):
            with_values(text, {field: 2})


VALUES = st.recursive(
    st.booleans() | st.integers(-(2**40), 2**40) | st.floats(allow_nan=False) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@settings(max_examples=80)
@given(value=VALUES)
def test_every_value_is_read_as_it_was_written(value: Any) -> None:
    """Numbers to the last bit, texts with quotes and controls, nested lists and tables."""
    assert tomllib.loads(f"v = {toml_of(value)}")["v"] == value
