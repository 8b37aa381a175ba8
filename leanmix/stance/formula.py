"""A formula written once in numpy, run as it stands or, where the compiled sums are there, block by block in one call.

numpy goes over whole arrays once for each operation: for one pose the calls cost more than the sums, for thousands
what lies between leaves the processor's near memory. So a formula is called once with stand-ins that write down what
is done to them, and that list is run by ``sums.c``. Without a compiler at install it is simply called with arrays.

A formula takes rows and gives rows: elementwise, with operators and the numpy functions in `CALLS`, without branches
on values.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable, Sequence
from ctypes import c_long, c_void_p
from dataclasses import dataclass
from functools import cache
from importlib.machinery import EXTENSION_SUFFIXES
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import Array

__all__ = ["NO_TABLE", "Formula", "compiled_sums"]

INTERFACE = 1
# for a formula that needs no table, or only one
NO_TABLE: Array = np.zeros((0, 1))
OPERATIONS = (
    "add", "subtract", "multiply", "divide", "minimum", "maximum", "less", "less_equal", "not_equal", "logical_and",
    "logical_or", "copysign", "negative", "absolute", "sqrt", "sin", "cos", "exp", "arcsin", "logical_not", "where", "store",
)  # fmt: skip
CODE = {name: i for i, name in enumerate(OPERATIONS)} | {"bitwise_and": 9, "bitwise_or": 10, "invert": 19}
TURNED = {"greater": "less", "greater_equal": "less_equal"}

Node = tuple[Any, ...]


@dataclass(slots=True)
class _Record:
    """What has been done so far: each node is an operation and the numbers of the nodes it works on."""

    nodes: list[Node]
    known: dict[Node, int]

    def number(self, node: Node) -> int:
        if node not in self.known:
            self.known[node] = len(self.nodes)
            self.nodes.append(node)
        return self.known[node]


class _StandIn(np.lib.mixins.NDArrayOperatorsMixin):
    """Stands for an array while a formula is written down."""

    __slots__ = ("number", "record")

    def __init__(self, record: _Record, number: int) -> None:
        self.record, self.number = record, number

    def _of(self, name: str, *values: Any) -> _StandIn:
        name = TURNED.get(name, name)
        if name == "multiply" and isinstance(values[0], float) and abs(values[0]) == 1.0:
            return values[1] if values[0] > 0 else self._of("negative", values[1])
        held = [v.number if isinstance(v, _StandIn) else self.record.number(("number", float(v))) for v in values]
        return _StandIn(self.record, self.record.number((CODE[name], *held)))

    def __array_ufunc__(self, ufunc: np.ufunc, method: str, *values: Any, **_: Any) -> _StandIn:
        name = ufunc.__name__
        return self._of(name, *(values[::-1] if name in TURNED else values))

    def __array_function__(self, function: Any, _types: Any, values: Any, _named: Any) -> _StandIn:
        return self._of(function.__name__, *values)


@cache
def compiled_sums() -> ctypes.CDLL | None:
    """The compiled sums; None where they were not built, or belong to another version."""
    for suffix in EXTENSION_SUFFIXES:
        path = Path(__file__).parent / f"_sums{suffix}"
        if path.is_file():
            try:
                library = ctypes.CDLL(str(path))
                run, interface = library.lms_run, library.lms_interface
            except (OSError, AttributeError):
                return None
            run.restype = ctypes.c_int
            a, count = c_void_p, c_long
            run.argtypes = (a, count, a, count, a, count, count, a, count, count, a, count, count, a, count)
            return library if interface() == INTERFACE else None
    return None


@dataclass(frozen=True, slots=True)
class _Program:
    """A formula written down for the compiled sums."""

    code: NDArray[np.int32]
    constants: Array
    registers: int
    results: int
    fixed: tuple[int, int, int, int]


class Formula:
    """A formula with its list of operations, written down when it is first run.

    Parameters
    ----------
    formula : callable
        Takes rows of two tables and of the input, gives a sequence of result rows.
    sizes : tuple of int
        Rows of the first table, of the second, and of the input.
    """

    def __init__(self, formula: Callable[..., Sequence[Any]], sizes: tuple[int, int, int]) -> None:
        self._formula, self._sizes = formula, sizes
        self._program: _Program | None = None

    def __call__(self, first: Array, second: Array, rows: Array, *, plain: bool = False) -> Array:
        """Run it.

        Parameters
        ----------
        first, second : ndarray, shape (rows, n) or (rows, 1)
            What seldom changes.
        rows : ndarray, shape (rows, n)
            What changes.
        plain : bool
            In numpy, even where the compiled sums are there.

        Returns
        -------
        ndarray, shape (result rows, n)

        Raises
        ------
        ValueError
            When what is given has other rows, or tables other columns, than it was written for.
        """
        shapes = first.shape, second.shape, rows.shape
        if tuple(s[0] for s in shapes) != self._sizes or any(s[1] not in (1, shapes[2][1]) for s in shapes[:2]):
            raise ValueError(f"a formula of {self._sizes} rows was given {shapes}")
        library, n = None if plain else compiled_sums(), rows.shape[1]
        if library is None:
            found = self._formula(list(first), list(second), list(rows))
            out = np.empty((len(found), n))
            for i, row in enumerate(found):
                out[i] = row
            return out
        # the compiled sums read rows one after another, as they lie
        first, second, rows = (np.ascontiguousarray(v) for v in (first, second, rows))
        program = self._program or self._write_down()
        out = np.empty((program.results, n))
        a, b, c = self._sizes
        done = library.lms_run(
            *program.fixed,
            first.ctypes.data, a, first.shape[1], second.ctypes.data, b, second.shape[1],
            rows.ctypes.data, c, program.registers, out.ctypes.data, n,
        )  # fmt: skip
        if not done:
            raise MemoryError
        return out

    def _write_down(self) -> _Program:
        record = _Record([], {})
        a, b, c = self._sizes
        inputs = [_StandIn(record, record.number(("row", i))) for i in range(a + b + c)]
        found = self._formula(inputs[:a], inputs[a : a + b], inputs[a + b :])
        numbers = [v.number if isinstance(v, _StandIn) else record.number(("number", float(v))) for v in found]
        self._program = _placed(record.nodes, numbers, a + b + c)
        return self._program


def _placed(nodes: list[Node], results: list[int], rows: int) -> _Program:
    """Nodes in order, each in a register that is free again after its last use."""
    wanted, last = set(results), {number: number for number in results}
    for i in range(len(nodes) - 1, -1, -1):
        if i in wanted and isinstance(nodes[i][0], int):
            for number in nodes[i][1:]:
                wanted.add(number)
                last[number] = max(last.get(number, i), i)
    constants = [i for i in sorted(wanted) if nodes[i][0] == "number"]
    slot = {i: k for k, i in enumerate(constants)}
    slot |= {i: len(constants) + node[1] for i, node in enumerate(nodes) if node[0] == "row"}
    first = len(constants) + rows
    free: list[int] = []
    registers = 0
    code: list[tuple[int, ...]] = []
    place: dict[int, list[int]] = {}
    for row, number in enumerate(results):
        place.setdefault(number, []).append(row)
    for number, at in place.items():
        if not isinstance(nodes[number][0], int):
            code.extend((CODE["store"], row, slot[number], 0, 0) for row in at)
    for i, node in enumerate(nodes):
        if i not in wanted or not isinstance(node[0], int):
            continue
        # never the place of what it works on: the sums count on that
        if free:
            slot[i] = free.pop()
        else:
            slot[i], registers = first + registers, registers + 1
        held = [slot[k] for k in node[1:]]
        code.append((node[0], slot[i], *held, *[0] * (3 - len(held))))
        code.extend((CODE["store"], row, slot[i], 0, 0) for row in place.get(i, ()))
        free.extend(slot[k] for k in {i, *node[1:]} if last[k] == i and isinstance(nodes[k][0], int))
    words = np.array(code, dtype=np.int32)
    numbers = np.array([nodes[i][1] for i in constants] or [0.0])
    fixed = (words.ctypes.data, len(words), numbers.ctypes.data, len(constants))
    return _Program(words, numbers, registers, len(results), fixed)
