"""Docstrings are contracts: every public name has one, with units and shapes, and the errors it raises by name."""

from __future__ import annotations

import ast
import importlib
import inspect
import pkgutil
import re
from collections.abc import Callable, Iterator
from dataclasses import is_dataclass
from functools import cache
from pathlib import Path
from types import FunctionType, ModuleType

import pytest

import leanmix
from leanmix import errors

# what is shown and clicked is held by tests of its own; these are the faces that other code calls
LEFT_OUT = {"__main__", "cli", "commands", "screens"}
FACES = [
    *(
        importlib.import_module(f"leanmix.{m.name}")
        for m in pkgutil.iter_modules(leanmix.__path__)
        if m.name not in LEFT_OUT
    ),
    importlib.import_module("leanmix.bench.drivelog"),
]

# endings of names that carry a unit, as in design and glossary
UNIT = re.compile(
    r"_(mm|deg|rad|N|g|us|ms|s|V|A|m|mm2|kg_mm2|eighths|(?:mm|deg|rad|m|N|N_mm|us|V|g|s|N_m)_per_\w+|N_mm|kg)$"
)
ARRAY = re.compile(r"NDArray|ArrayLike|\bArray\b|\bValue\b|Floats?\b|ndarray")
SHAPE = re.compile(
    r"shape|broadcast|array|\(\.\.\.|\([a-z0-9 ]+,[^)]*\)|one (?:for|a|of|each)|each|float or|scalar|alike|number"
)
IN_WORDS = re.compile(r"\[[^\]]+\]|µs|°|degrees?|radians?|\bmm\b|\bN\b|\bg\b|\bms\b|seconds?|eighths")

Public = tuple[str, object]


def _public() -> Iterator[Public]:
    for face in FACES:
        for name in face.__all__:
            found = getattr(face, name)
            if inspect.isclass(found) or inspect.isfunction(found):
                yield f"{face.__name__}.{name}", found


PUBLIC = list(_public())
FUNCTIONS = [(name, f) for name, f in PUBLIC if isinstance(f, FunctionType)]


def _doc(found: object) -> str:
    return inspect.cleandoc(getattr(found, "__doc__", None) or "")


@cache
def _tree(file: str) -> dict[str, ast.FunctionDef]:
    body = ast.parse(Path(file).read_text(encoding="utf-8")).body
    return {node.name: node for node in body if isinstance(node, ast.FunctionDef)}


def raised_by(function: FunctionType) -> set[str]:
    """Names of our own errors that a function raises, itself or through others of its module."""
    tree = _tree(inspect.getsourcefile(inspect.unwrap(function)) or "")
    seen: set[str] = set()
    found: set[str] = set()
    ahead = [function.__name__]
    while ahead:
        name = ahead.pop()
        if name in seen or name not in tree:
            continue
        seen.add(name)
        caught: set[str] = set()
        for node in ast.walk(tree[name]):
            if isinstance(node, ast.ExceptHandler) and node.type is not None:
                caught |= {n.id for n in ast.walk(node.type) if isinstance(n, ast.Name)}
        for node in ast.walk(tree[name]):
            if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call) and isinstance(node.exc.func, ast.Name):
                found.add(node.exc.func.id)
            elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and not caught:
                ahead.append(node.func.id)
    return {e for e in found if isinstance(getattr(errors, e, None), type)}


def entry(doc: str, name: str) -> str:
    """What a docstring says of a parameter: its numpydoc entry, or else the prose that names it."""
    match = re.search(rf"^((?:[*\w]+, )*{name}(?:, \w+)*)(?: : .*)?\n((?:    .*\n?|\n)*)", doc + "\n", re.MULTILINE)
    if match:
        return match[0]
    return doc if re.search(rf"\b{re.escape(name)}\b", doc) and "Parameters\n---" not in doc else ""


def wanting(function: FunctionType) -> list[str]:
    """What a function's docstring leaves out of its parameters."""
    doc = _doc(function)
    out = []
    for p in inspect.signature(function).parameters.values():
        said = entry(doc, p.name)
        unit, array = UNIT.search(p.name), ARRAY.search(str(p.annotation))
        if unit and not (said and IN_WORDS.search(said)):
            out.append(f"{p.name}: unit")
        if array and not (said and SHAPE.search(said)):
            out.append(f"{p.name}: shape")
    return out


@pytest.mark.parametrize("face", FACES, ids=lambda m: m.__name__)
def test_every_face_lists_its_names_in_order(face: ModuleType) -> None:
    names = face.__all__
    assert len(names) == len(set(names))
    assert names == sorted(names, key=lambda n: (not n.isupper(), not n[0].isupper(), n))
    for name in names:
        assert hasattr(face, name)


@pytest.mark.parametrize(("name", "found"), PUBLIC, ids=[n for n, _ in PUBLIC])
def test_every_public_name_has_a_docstring_of_its_own(name: str, found: object) -> None:
    doc = _doc(found)
    assert doc
    assert not doc.startswith(f"{name.rsplit('.', 1)[-1]}("), "made by dataclass, not written"
    assert doc.splitlines()[0].rstrip().endswith((".", ":", "?", ";", ",")) or "\n" in doc


def test_units_and_shapes_of_parameters_are_given() -> None:
    found = {name: wanting(f) for name, f in FUNCTIONS}
    assert {name: bad for name, bad in found.items() if bad} == {}


def test_errors_that_a_function_raises_are_named() -> None:
    missing = {}
    for name, function in FUNCTIONS:
        doc = _doc(function)
        left = sorted(e for e in raised_by(function) if not any(kind in doc for kind in _kinds(e)))
        if left:
            missing[name] = left
    assert missing == {}


def _kinds(error: str) -> list[str]:
    """An error's name and those of the errors of ours above it: naming the wider one is naming it."""
    return [k.__name__ for k in getattr(errors, error).__mro__ if issubclass(k, errors.LeanmixError)]


def test_quantities_that_results_hold_carry_their_unit() -> None:
    """A float of a public dataclass ends in its unit, or its docstring says what it counts."""
    bad = {}
    for name, found in PUBLIC:
        if not (inspect.isclass(found) and is_dataclass(found)):
            continue
        doc = _doc(found)
        fields = found.__dataclass_fields__.values()
        left = [
            f.name
            for f in fields
            if re.fullmatch(r"float|float \| None|Array|NDArray.*|Value", str(f.type))
            and not UNIT.search(f.name)
            and not re.search(rf"\b{f.name}\b", doc)
        ]
        if left:
            bad[name] = left
    assert bad == {}


def _example(load_mm: float, throw: object) -> None:
    """Do it for a load [mm]."""


def test_what_is_left_out_is_found() -> None:
    silent: Callable[..., None] = lambda length_mm: None  # noqa: E731
    assert isinstance(silent, FunctionType)
    assert wanting(silent) == ["length_mm: unit"]
    assert isinstance(_example, FunctionType)
    assert wanting(_example) == ["load_mm: unit"]
    assert raised_by(importlib.import_module("leanmix.machine.file").load) >= {"FileTrouble"}
