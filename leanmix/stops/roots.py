"""First crossings, for many builds at once, so that none is stepped over.

`first_touch` marches from 0 as far as a bound on speed allows: between two points h apart a gap that changes
no faster than V cannot close while gap₀ + gap₁ > V·h. Where that cannot be shown even over the resolution, the
step is taken and every dip of three points is searched for its bottom. `first_below` is for smooth figures without
such a bound: it samples and searches dips and brackets. Both end in a bracketed root (Chandrupatla's method).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import Array

__all__ = ["Bound", "Function", "Index", "bracketed_root", "first_below", "first_touch", "lowest"]

Index: TypeAlias = NDArray[np.intp]
Function: TypeAlias = Callable[[Array, Index], Array]
Bound: TypeAlias = Callable[[Array, Array, Index], Array]

ROOT_RAD = 1e-11
# widest bracket taken for one crossing
BRACKET_RAD = np.deg2rad(1.0)
# builds still open below which the settled ones are dropped
KEEP_SHARE = 0.6
# with fewer builds than this all samples are taken in one call; with more each row by itself stays in the cache
AT_ONCE = 64
GOLDEN = (np.sqrt(5.0) - 1) / 2


def bracketed_root(f: Function, low: Array, high: Array, f_low: Array, f_high: Array, index: Index) -> Array:
    """Roots between brackets by Chandrupatla's method (Scherer, Computational Physics, ch. 6; from memory).

    Parameters
    ----------
    f : callable
        Values at points, for the builds given.
    low, high, f_low, f_high : ndarray, shape (n,)
        Brackets and their values, of opposite sign or zero.
    index : ndarray, shape (n,)
        Which builds these are.

    Returns
    -------
    ndarray, shape (n,)
        Roots, to 1e-11 in the argument.
    """
    a, b, fa, fb = high.copy(), low.copy(), f_high.copy(), f_low.copy()
    c, fc = a.copy(), fa.copy()
    t = np.full_like(a, 0.5)
    best = np.where(np.abs(fa) < np.abs(fb), a, b)
    rows, held = np.arange(a.size), index
    open_ = (fa != 0) & (fb != 0)
    for _ in range(100):
        if not open_.any():
            break
        # drop the settled ones only when they are many: picking builds out anew costs more than a few spare values
        if open_.mean() < KEEP_SHARE:
            keep = np.flatnonzero(open_)
            rows, held, open_ = rows[keep], held[keep], open_[keep]
            a, b, c, fa, fb, fc, t = (v[keep] for v in (a, b, c, fa, fb, fc, t))
        x = a + t * (b - a)
        fx = f(x, held)
        same = np.sign(fx) == np.sign(fa)
        c, fc = np.where(same, a, b), np.where(same, fa, fb)
        b, fb = np.where(same, b, a), np.where(same, fb, fa)
        a, fa = x, fx
        at = rows[open_]
        best[at] = np.where(np.abs(fa) < np.abs(fb), a, b)[open_]
        size = np.abs(b - a)
        open_ &= (size > ROOT_RAD) & (fa != 0)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            tol = np.minimum(ROOT_RAD / 4 / size, 0.5)
            xi = (a - b) / (c - b)
            phi = (fa - fb) / (fc - fb)
            quadratic = (phi**2 < xi) & ((1 - phi) ** 2 < 1 - xi)
            alpha = (c - a) / (b - a)
            inverse = fa / (fb - fa) * fc / (fb - fc) + alpha * fa / (fc - fa) * fb / (fc - fb)
        t = np.clip(np.where(quadratic & np.isfinite(inverse), inverse, 0.5), tol, 1 - tol)
    return best


def lowest(f: Function, left: Array, right: Array, index: Index, steps: int = 40) -> tuple[Array, Array]:
    """Lowest point between two others by golden section: where, and the value there."""
    a, b = left.copy(), right.copy()
    x1, x2 = b - GOLDEN * (b - a), a + GOLDEN * (b - a)
    f1, f2 = f(x1, index), f(x2, index)
    for _ in range(steps):
        lower = f1 < f2
        b, a = np.where(lower, x2, b), np.where(lower, a, x1)
        new = np.where(lower, b - GOLDEN * (b - a), a + GOLDEN * (b - a))
        fn = f(new, index)
        x1, x2 = np.where(lower, new, x2), np.where(lower, x1, new)
        f1, f2 = np.where(lower, fn, f2), np.where(lower, f1, fn)
    return np.where(f1 < f2, x1, x2), np.minimum(f1, f2)


def first_touch(
    gap: Function,
    speed: Bound,
    end: Array,
    *,
    start: Array | None = None,
    step_max: float = 0.7,
    resolution: float = np.deg2rad(0.02),
) -> Array:
    """Where a gap first closes, going from 0 towards `end`.

    Parameters
    ----------
    gap : callable
        Gap at points for some builds [mm]; continuous.
    speed : callable
        Bound on the gap's change per unit of the argument between two points, for some builds.
    end : ndarray, shape (builds,)
        How far to look, either sign; NaN or 0 looks at neutral only.
    start : ndarray, shape (builds,), optional
        The gap at 0, where it is known already.
    step_max, resolution : float
        Longest step; and the step below which dips are searched for their bottom instead of being bounded.

    Returns
    -------
    ndarray, shape (builds,)
        First argument where the gap is 0 or less; infinite where it stays open.
    """
    count = end.shape[0]
    everyone = np.arange(count)
    way = np.where(end < 0, -1.0, 1.0)
    if np.isinf(end).any():
        raise ValueError("there must be an end to look to")
    last = np.abs(np.nan_to_num(end))
    found = np.full(count, np.inf)

    def at(x: Array, index: Index) -> Array:
        return gap(way[index] * x, index)

    here = np.zeros(count)
    now = at(here, everyone) if start is None else start
    found[now <= 0] = 0.0
    live = everyone[(now > 0) & (last > 0)]
    x, fx, h = here[live], now[live], np.full(live.size, step_max)
    before, f_before = x.copy(), np.full(live.size, np.inf)
    slope = np.zeros(live.size)
    brackets: list[tuple[Index, Array, Array, Array, Array]] = []
    open_ = np.ones(live.size, dtype=bool)
    while open_.any():
        if open_.mean() < KEEP_SHARE:
            live = live[open_]
            x, fx, h, slope, before, f_before = (v[open_] for v in (x, fx, h, slope, before, f_before))
            open_ = np.ones(live.size, dtype=bool)
        left = last[live] - x
        h = np.minimum(np.minimum(h, step_max), left)
        bound = speed(way[live] * x, way[live] * (x + h), live)
        # the longest step that the bound lets through if the gap goes on closing as it did
        closing = np.clip(slope, -bound, bound)
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = np.where(bound + closing > 0, 1.9 * fx / (bound + closing), step_max)
            newton = np.where(closing > 0, 1.25 * fx / closing, np.inf)
        reach = np.where(newton < BRACKET_RAD, np.minimum(newton, BRACKET_RAD), reach)
        h = np.minimum(np.minimum(h, left), np.maximum(np.nan_to_num(reach, nan=0.0), resolution))
        y = x + h
        fy = at(y, live)
        clear = (fy > 0) & (fx + fy >= bound * h)
        fine = h <= resolution * 1.0001
        hit = open_ & (fy <= 0) & ((h <= BRACKET_RAD) | fine)
        if hit.any():
            brackets.append((live[hit], x[hit], y[hit], fx[hit], fy[hit]))
        go = open_ & (fy > 0) & (clear | fine)
        dip = go & ~clear & (f_before > fx) & (fx < fy)
        dipped = np.zeros(live.size, dtype=bool)
        if dip.any():
            where = np.flatnonzero(dip)
            bottom, f_bottom = lowest(at, before[where], y[where], live[where])
            through = f_bottom <= 0
            inside = where[through]
            brackets.append((live[inside], before[inside], bottom[through], f_before[inside], f_bottom[through]))
            dipped[inside] = True
        slope = np.where(h > 0, (fx - fy) / np.where(h > 0, h, 1.0), slope)
        before = np.where(go, x, before)
        f_before = np.where(go, fx, f_before)
        x, fx = np.where(go, y, x), np.where(go, fy, fx)
        # a refused step is tried again at less than half; an accepted one may grow
        h = np.where(go, 2 * np.maximum(h, resolution), 0.45 * h)
        open_ &= ~hit & ~dipped & ~(np.isnan(fy) & fine) & (x < last[live])
    if brackets:
        index, low, high, f_low, f_high = (np.concatenate([b[i] for b in brackets]) for i in range(5))
        found[index] = bracketed_root(at, low, high, f_low, f_high, index.astype(np.intp))
    return np.asarray(way * found)


def first_below(f: Function, end: Array, points: int, *, values: Array | None = None) -> Array:
    """Where a smooth figure first falls to 0, going from 0 towards `end`, by sampling and searching dips.

    Parameters
    ----------
    f : callable
        Values at points for some builds; NaN counts as not below.
    end : ndarray, shape (builds,)
        How far to look, either sign; NaN or 0 looks at neutral only.
    points : int
        Samples from 0 to the end, both included.
    values : ndarray, shape (points, builds), optional
        The samples, where they are known already.

    Returns
    -------
    ndarray, shape (builds,)
        First argument where f ≤ 0; infinite where there is none.
    """
    count = end.shape[0]
    everyone = np.arange(count)
    end = np.nan_to_num(end)
    share = np.linspace(0.0, 1.0, points)
    at = share[:, None] * end
    if values is not None:
        v = values
    elif count < AT_ONCE:
        v = f(at.ravel(), np.tile(everyone, points)).reshape(at.shape)
    else:
        v = np.stack([f(row, everyone) for row in at])
    found = np.full(count, np.inf)
    below = v <= 0
    first = np.where(below.any(axis=0), below.argmax(axis=0), points)
    found[first == 0] = 0.0
    # dips before the first sample below: a parabola through three samples that nears or passes 0
    dip = (v[:-2] > v[1:-1]) & (v[1:-1] <= v[2:]) & (np.arange(1, points - 1)[:, None] < first)
    with np.errstate(divide="ignore", invalid="ignore"):
        curve = v[:-2] - 2 * v[1:-1] + v[2:]
        bottom = v[1:-1] - (v[2:] - v[:-2]) ** 2 / (8 * curve)
        reach = np.maximum(v[:-2] - v[1:-1], v[2:] - v[1:-1])
    dip &= (bottom < reach) & (first > 0)
    row, build = np.nonzero(dip)
    order = np.lexsort((row, build))
    row, build = row[order], build[order]
    brackets: list[tuple[Index, Array, Array, Array, Array]] = []
    if build.size:
        where, low = lowest(f, at[row, build], at[row + 2, build], build)
        through = low <= 0
        build, row, where, low = build[through], row[through], where[through], low[through]
        build, only = np.unique(build, return_index=True)
        row, where, low = row[only], where[only], low[only]
        brackets.append((build, at[row, build], where, v[row, build], low))
        first[build] = 0
    rest = np.flatnonzero((first > 0) & (first < points))
    if rest.size:
        k = first[rest]
        brackets.append((rest, at[k - 1, rest], at[k, rest], v[k - 1, rest], v[k, rest]))
    for index, low_x, high_x, f_low, f_high in brackets:
        usable = np.isfinite(f_low) & np.isfinite(f_high)
        i = index[usable]
        found[i] = bracketed_root(f, low_x[usable], high_x[usable], f_low[usable], f_high[usable], i)
        # a sample that is NaN on the near side leaves only the far one
        found[index[~usable]] = high_x[~usable]
    return np.where(np.isfinite(found), found, np.where(end < 0, -np.inf, np.inf))
