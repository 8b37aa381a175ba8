"""Whatever stands in a machine file: a machine, or findings. Never anything else."""

from __future__ import annotations

import math
import tomllib
from typing import Any

import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from leanmix.errors import MachineFileError
from leanmix.machine import Machine, Measured, demo, each_number, parse, set_value

TARN = demo("tarn").text
NUMBERS = [
    n.key.replace("left.", "side.", 1) for n in each_number(demo("tarn").machine) if not n.key.startswith("right.")
]

values = st.one_of(
    st.floats(),
    st.integers(),
    st.booleans(),
    st.text(max_size=8),
    st.lists(st.integers(), max_size=3),
    st.dictionaries(st.sampled_from(["at", "tol", "from", "out_mm", "up_mm", "x"]), st.floats(), max_size=4),
)


def leaves(table: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    items = table.items() if isinstance(table, dict) else enumerate(table)
    out: list[tuple[Any, ...]] = []
    for key, value in items:
        out.append((*path, key))
        if isinstance(value, (dict, list)):
            out.extend(leaves(value, (*path, key)))
    return out


LEAVES = leaves(tomllib.loads(TARN))


def outcome(text: str) -> Machine | None:
    try:
        return parse(text).machine
    except MachineFileError as error:
        assert error.findings
        assert all(f.what and len(str(f)) < 900 for f in error.findings)
        return None


@given(st.lists(st.tuples(st.sampled_from(LEAVES), values), min_size=1, max_size=4))
def test_any_value_anywhere(changes: list[tuple[tuple[Any, ...], Any]]) -> None:
    content = tomllib.loads(TARN)
    for path, value in changes:
        table: Any = content
        try:
            for key in path[:-1]:
                table = table[key]
            table[path[-1]] = value
        except (TypeError, KeyError, IndexError):
            continue  # an earlier change took the place away
    try:
        text = tomlkit.dumps(content)
    except ValueError:
        return
    machine = outcome(text)
    if machine is not None:
        assert all(math.isfinite(n.measured.at) for n in each_number(machine))


@given(st.text(max_size=300))
def test_any_text(text: str) -> None:
    assert outcome(text) is None


@given(st.integers(0, len(TARN)), st.integers(0, 60), st.text(max_size=6))
def test_any_cut_and_paste(at: int, length: int, put: str) -> None:
    outcome(TARN[:at] + put + TARN[at + length :])


@given(st.sampled_from(NUMBERS), st.floats(0.01, 1), st.sampled_from([None, 0.1]))
def test_a_number_set_is_the_number_read(key: str, factor: float, tol: float | None) -> None:
    key = key.replace("parts.", "part.").replace("surfaces.", "surface.").replace("screws.", "screw.")
    was = next(
        n
        for n in each_number(demo("tarn").machine)
        if n.key.replace("left.", "side.", 1)
        .replace("parts.", "part.")
        .replace("surfaces.", "surface.")
        .replace("screws.", "screw.")
        == key
    )
    new = float(f"{was.measured.at * (1 - factor / 50):.9g}")
    given_value: Measured | float = new if tol is None else Measured(new, tol, "bench")
    machine = outcome(set_value(TARN, key, given_value))
    if machine is None:
        return
    got = next(n for n in each_number(machine) if n.key == was.key)
    assert got.measured.at == new
    if tol is not None:
        assert got.measured.tol == tol
