"""First crossings on functions whose crossings are known."""

from __future__ import annotations

import numpy as np
import pytest

from leanmix.stops.roots import bracketed_root, first_below, first_touch

ONE = np.ones(1)


def flat(bound: float):  # type: ignore[no-untyped-def]
    return lambda x, y, i: np.full(x.shape, bound)


@pytest.mark.parametrize("depth", [1e-9, 1e-6, 1e-3])
def test_a_grazing_touch_is_found(depth: float) -> None:
    found = first_touch(lambda x, i: 5 * (x - 0.5) ** 2 - depth, flat(6.0), ONE)
    assert found[0] == pytest.approx(0.5 - np.sqrt(depth / 5), abs=1e-9)


@pytest.mark.parametrize("height", [1e-9, 1e-6, 1e-3])
def test_a_near_miss_is_not_a_touch(height: float) -> None:
    assert first_touch(lambda x, i: 5 * (x - 0.5) ** 2 + height, flat(6.0), ONE)[0] == np.inf


def test_a_deep_narrow_dip_is_not_stepped_over() -> None:
    # as fast as the bound allows and only a hundredth of a radian wide
    found = first_touch(lambda x, i: np.abs(x - 0.6) * 20 - 0.1, flat(20.0), ONE)
    assert found[0] == pytest.approx(0.595, abs=1e-9)


def test_the_first_of_several_is_taken_and_each_way_has_its_own() -> None:
    def wave(x: np.ndarray, i: np.ndarray) -> np.ndarray:
        return 0.5 + np.cos(9 * x + 0.4)

    ends = np.array([1.2, -1.2])
    found = first_touch(wave, flat(9.0), ends)
    assert found == pytest.approx([(2 * np.pi / 3 - 0.4) / 9, -(2 * np.pi / 3 + 0.4) / 9], abs=1e-10)
    assert first_below(wave, ends, 61) == pytest.approx(found, abs=1e-10)


def test_touching_at_the_start_is_nought() -> None:
    assert first_touch(lambda x, i: x - 0.1, flat(1.0), np.array([1.0, -1.0])) == pytest.approx([0.0, 0.0])


def test_where_it_cannot_be_told_it_goes_on_and_ends() -> None:
    # not a number past 0.3: the search must neither hang nor invent
    found = first_touch(lambda x, i: np.where(x < 0.3, 1.0, np.nan), flat(1.0), ONE)
    assert found[0] == np.inf
    with pytest.raises(ValueError, match="end"):
        first_touch(lambda x, i: x, flat(1.0), np.array([np.inf]))


def test_many_builds_are_searched_each_by_itself() -> None:
    rng = np.random.default_rng(3)
    at = rng.uniform(0.05, 1.4, 500)

    def gap(x: np.ndarray, i: np.ndarray) -> np.ndarray:
        return 3 * (at[i] - x) + 0.2 * np.sin(9 * (at[i] - x))

    together = first_touch(gap, flat(5.0), np.ones(500))
    assert together == pytest.approx(np.where(at <= 1.0, at, np.inf), abs=1e-9)
    alone = [first_touch(lambda x, i, k=k: gap(x, np.full(x.shape, k)), flat(5.0), ONE)[0] for k in range(20)]
    assert together[:20] == pytest.approx(alone, abs=1e-10)


@pytest.mark.parametrize("depth", [1e-6, 1e-3])
def test_a_dip_between_samples_is_searched(depth: float) -> None:
    # bottom halfway between two of the 61 samples
    bottom = 20.5 / 60
    found = first_below(lambda x, i: 50 * (x - bottom) ** 2 - depth, ONE, 61)
    assert found[0] == pytest.approx(bottom - np.sqrt(depth / 50), abs=1e-9)
    assert first_below(lambda x, i: 50 * (x - bottom) ** 2 + depth, ONE, 61)[0] == np.inf


def test_roots_to_the_last_figures() -> None:
    low, high = np.array([0.0, 0.0, -1.0]), np.array([1.0, 2.0, 0.5])
    index = np.arange(3)

    def f(x: np.ndarray, i: np.ndarray) -> np.ndarray:
        return np.choose(i, [np.exp(x) - 2, x**9 - 1e-3, np.arctan(40 * x)])

    found = bracketed_root(f, low, high, f(low, index), f(high, index), index)
    assert found == pytest.approx([np.log(2), 1e-3 ** (1 / 9), 0.0], abs=2e-11)
