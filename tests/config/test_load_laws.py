"""Laws of loading, hunted with generated damage: a bad field is named, and nothing but InputError comes out."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from controller.config.errors import InputError, Mistake
from controller.config.load import job_from, machine_from, read_toml
from controller.config.machine import Machine
from controller.config.places import shipped
from controller.config.values import is_model, type_at

FILE = Path("file.toml")
GOOD = tomllib.loads(shipped("machines/boathouse.toml").read_text(encoding="utf-8"))
Path_ = tuple[str, ...]


def tables(data: dict[str, Any], at: Path_ = ()) -> Iterator[Path_]:
    """Paths of all tables in ``data``, the file itself among them."""
    yield at
    for name, value in data.items():
        if isinstance(value, dict):
            yield from tables(value, (*at, name))


def fields(data: dict[str, Any]) -> list[Path_]:
    """Paths of all fields and tables in ``data``."""
    return [(*at, name) for at in tables(data) for name in get(data, at)]


def get(data: dict[str, Any], path: Path_) -> Any:
    for name in path:
        data = data[name]
    return data


def model_at(path: Path_) -> Any:
    """The type at ``path``; of several kinds of table the one that the file has chosen."""
    found = type_at(Machine, path)
    return found if path not in (("wire",), ("head",)) else type_at(Machine, (*path, GOOD[path[0]]["kind"]))


def required(path: Path_) -> bool:
    """Whether the machine model insists on the field at ``path``."""
    holder = model_at(path[:-1])
    return is_model(holder) and holder.model_fields[path[-1]].is_required()


def refusal(load: Callable[[], object]) -> tuple[Mistake, ...] | None:
    """The mistakes with which ``load`` refuses; None when it takes what it got."""
    try:
        load()
    except InputError as error:
        return error.mistakes
    return None


FIELDS = fields(GOOD)
LEAVES = [path for path in FIELDS if not isinstance(get(GOOD, path), dict)]
REQUIRED = [path for path in FIELDS if required(path)]
TABLES = [path for path in tables(GOOD) if is_model(model_at(path))]

json_like = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=8)
    | st.datetimes()
    | st.sampled_from([10**400, -(10**400), 1e308, 5e-324, 0, -0.0]),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)


def damaged(path: Path_, value: object) -> dict[str, Any]:
    data = copy.deepcopy(GOOD)
    get(data, path[:-1])[path[-1]] = value
    return data


@given(st.sampled_from(REQUIRED))
def test_a_missing_field_is_named(path: Path_) -> None:
    """Law: without a required field, loading ends in InputError naming that field, and no other place."""
    data = copy.deepcopy(GOOD)
    del get(data, path[:-1])[path[-1]]
    with pytest.raises(InputError) as caught:
        machine_from(data, FILE)
    assert [one.where for one in caught.value.mistakes] == [".".join(path)]


@given(st.sampled_from(TABLES), st.text(alphabet="abcdefgh_", min_size=1, max_size=12))
def test_an_extra_field_is_named(table: Path_, name: str) -> None:
    """Law: an unknown field in any table ends in InputError naming it."""
    if name in model_at(table).model_fields:
        return
    with pytest.raises(InputError) as caught:
        machine_from(damaged((*table, name), 1), FILE)
    assert [one.where for one in caught.value.mistakes] == [".".join((*table, name))]


@given(st.sampled_from(LEAVES), st.sampled_from([None, {"a": 1}, [[]], b"bytes", object(), float("nan")]))
def test_a_value_of_an_impossible_type_is_named(path: Path_, value: object) -> None:
    """Law: a value that no field can hold ends in InputError, and a mistake names the field."""
    with pytest.raises(InputError) as caught:
        machine_from(damaged(path, value), FILE)
    assert any(one.where.startswith(".".join(path)) for one in caught.value.mistakes)


@settings(max_examples=150)
@given(st.sampled_from(FIELDS), json_like)
@example(("park_mm",), [{}])
@example(("home_order",), [{}, 1])
def test_any_value_loads_or_is_refused_with_the_field(path: Path_, value: object) -> None:
    """Law: whatever stands in a field, the file loads or InputError comes, never another exception.

    When it is refused, every mistake has all its words.
    """
    found = refusal(lambda: machine_from(damaged(path, value), FILE))
    assert found != ()
    assert found is None or all(one.where and one.expected and one.got for one in found)


@settings(max_examples=200)
@given(st.dictionaries(st.sampled_from(["format", "name", "artwork", "origin_mm", "inks", "x"]), json_like))
def test_any_job_loads_or_is_refused(data: dict[str, Any]) -> None:
    """Law: any table given as a job loads or ends in InputError."""
    assert refusal(lambda: job_from(data, FILE)) != ()


@settings(max_examples=200)
@given(content=st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
def test_any_bytes_parse_or_are_refused(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    """Law: any bytes in a file are TOML or end in InputError."""
    path = tmp_path_factory.getbasetemp() / "any.toml"
    path.write_bytes(content)
    assert refusal(lambda: read_toml(path)) != ()


def test_the_laws_see_all_of_the_file() -> None:
    """The generated damage reaches every table of the shipped machine (a law over nothing proves nothing)."""
    assert len(FIELDS) > 80
    assert len(REQUIRED) > 50
    assert {path[0] for path in TABLES if path} >= {
        "wire",
        "axes",
        "head",
        "motion",
        "canvas",
        "lease",
        "twin",
    }


@pytest.mark.parametrize("table", [False, True])
def test_however_deep_brackets_go_the_field_is_named(tmp_path: Path, table: bool) -> None:
    """Lists in lists, and tables in tables, from one to beyond what the reader of TOML takes: one mistake, in words."""
    file = tmp_path / "deep.toml"
    text = shipped("machines/boathouse.toml").read_text(encoding="utf-8")
    first, _, rest = text.partition("name = ")
    for depth in (*range(1, 12), 50, *range(150, 1000, 29)):
        value = "{a=" * depth + "1" + "}" * depth if table else "[" * depth + "]" * depth
        file.write_text(f"{first}name = {value}\n{rest.partition(chr(10))[2]}", encoding="utf-8")
        found = refusal(lambda: machine_from(read_toml(file), file))
        assert found is not None, depth
        (mistake,) = found
        assert mistake.where == "name" or "nested too deep" in mistake.got, (depth, mistake)
        assert len(mistake.got) < 200
