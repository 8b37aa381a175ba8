"""The compiled sums give what the same formulas give in numpy."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leanmix.job import work_out
from leanmix.machine import demo
from leanmix.response import contender, drive, load_manoeuvre, make_runs, picks_of
from leanmix.stance import balance, stance_setup
from leanmix.stance.formula import Formula, compiled_sums


def everything(a: list[Any], b: list[Any], c: list[Any]) -> list[Any]:
    """Every operation that the sums know, and numbers and rows handed straight through."""
    x, y, k, f = c[0], c[1], a[0], b[0]
    return [
        x + y, x - k, x * y, x / (np.abs(y) + 1.0), np.minimum(x, y), np.maximum(x, f), np.where(x < y, x, k),
        np.where(x <= y, x, k), np.where(x > y, x, f), np.where(x >= y, y, f), np.where((x < y) & (y < f), x, y),
        np.where((x < y) | (y < f), x, y), np.where(~(x < y), x, y), np.where(x != y, x, k), np.copysign(x, y), -x,
        np.abs(x), np.sqrt(np.abs(x)), np.sin(x), np.cos(y), np.exp(-np.abs(x)), np.arcsin(np.minimum(np.abs(x), 1.0) * 0.5),
        x, k, f, x * 0.0 + 1.5,
    ]  # fmt: skip


def test_the_sums_were_compiled() -> None:
    """What is fast is tested: the tests' environment has a compiler."""
    assert compiled_sums() is not None


@given(
    n=st.sampled_from([0, 1, 2, 127, 128, 129, 300]),
    wide=st.tuples(st.booleans(), st.booleans()),
    seed=st.integers(0, 2**32 - 1),
)
def test_every_operation(n: int, wide: tuple[bool, bool], seed: int) -> None:
    rng = np.random.default_rng(seed)
    # tables that lie the other way in memory, as indexing leaves them
    first, second = (np.asfortranarray(rng.normal(size=(2, n if w else 1))) for w in wide)
    rows = rng.normal(size=(2, n))
    formula = Formula(everything, (2, 2, 2))
    compiled, plain = formula(first, second, rows), formula(first, second, rows, plain=True)
    np.testing.assert_allclose(compiled, plain, rtol=1e-14, atol=1e-15)


@pytest.mark.parametrize("name", ["tarn", "wren", "moss"])
def test_poses_are_the_same_without_a_compiler(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    setup = stance_setup(demo(name).machine)
    throws, turns = np.linspace(-20, 20, 5)[:, None], np.linspace(-0.6, 0.6, 7)
    compiled = balance(setup, throws, turns)
    ran = in_numpy(monkeypatch)
    plain = balance(setup, throws, turns)
    assert ran()
    np.testing.assert_array_equal(compiled.ok, plain.ok)
    for field in ("lean_deg", "runner_load_left_N", "rear_load_N", "rear_tilt_deg", "shock_right_mm"):
        np.testing.assert_allclose(getattr(compiled, field), getattr(plain, field), atol=1e-9)


@pytest.mark.parametrize("name", ["tarn", "wren"])
def test_drives_are_the_same_without_a_compiler(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    own = contender(work_out(demo(name)))
    runs = make_runs([own], [load_manoeuvre("step")], picks_of(0, 0, np.array([1.0, 2.0, 3.0]), 0.5))
    compiled = drive(runs, keep=True).traces
    ran = in_numpy(monkeypatch)
    plain = drive(runs, keep=True).traces
    assert ran()
    assert compiled is not None
    assert plain is not None
    np.testing.assert_allclose(compiled.values, plain.values, rtol=1e-7, atol=1e-7)


def in_numpy(monkeypatch: pytest.MonkeyPatch) -> Callable[[], int]:
    """Run every formula in numpy from now on; the count of those that were."""
    count = 0
    run = Formula.__call__

    def plain(self: Formula, *tables: Any) -> Any:
        nonlocal count
        count += 1
        return run(self, *tables, plain=True)

    monkeypatch.setattr(Formula, "__call__", plain)
    return lambda: count


def test_rows_that_do_not_fit_are_refused() -> None:
    doubled = Formula(lambda first, second, rows: [rows[0] * first[0] + second[0]], (1, 1, 1))
    one, two = np.ones((1, 1)), np.ones((1, 2))
    assert doubled(one, two, two)[0] == pytest.approx([2.0, 2.0])
    for wrong in ((two, one, one), (one, two, one), (np.ones((2, 1)), one, one), (one, one, np.ones((2, 2)))):
        with pytest.raises(ValueError, match="was given"):
            doubled(*wrong)
