"""From lean back to arm angle: the inverse of a rising function that is dear to evaluate."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from leanmix.errors import NoAnswer

__all__ = ["LeanOfThrow", "Rising", "rising_part", "throw_of_lean"]

Array = NDArray[np.float64]
LeanOfThrow = Callable[[Array], Array]

TOLERANCE_DEG = 5e-8  # 1e-9 rad
NODES = 241
CORRECTIONS = 40


@dataclass(frozen=True, slots=True)
class Rising:
    """The stretch of throw about neutral on which lean rises with throw.

    Parameters
    ----------
    throw_deg, lean_deg : ndarray, shape (nodes,)
        Nodes [deg], both strictly rising, both positive to the left.
    lean_of_throw : callable
        The exact function, ndarray (n,) of throw [deg] to ndarray (n,) of lean [deg].
    ends_left, ends_right : bool
        True where the stretch ends before the cap because lean no longer grows there.
    """

    throw_deg: Array
    lean_deg: Array
    lean_of_throw: LeanOfThrow
    ends_left: bool
    ends_right: bool


def rising_part(lean_of_throw: LeanOfThrow, cap_left_deg: float, cap_right_deg: float, nodes: int = NODES) -> Rising:
    """Sample lean between the caps and keep the stretch about neutral on which it rises.

    Parameters
    ----------
    lean_of_throw : callable
        ndarray (n,) throw [deg] → ndarray (n,) lean [deg]; NaN where there is no equilibrium.
    cap_left_deg, cap_right_deg : float
        Ends of the throw [deg], ≥ 0.
    nodes : int
        Nodes each way.

    Raises
    ------
    NoAnswer
        When lean does not rise with throw even at neutral, or there is no equilibrium there.
    """
    if cap_left_deg <= 0 and cap_right_deg <= 0:
        raise NoAnswer(
            "The arm cannot move either way: both caps are at neutral.", "See the stops for what is in the way."
        )
    throw = np.unique(np.concatenate([np.linspace(-cap_right_deg, 0, nodes), np.linspace(0, cap_left_deg, nodes)]))
    lean = np.asarray(lean_of_throw(throw), dtype=np.float64)
    middle = int(np.argmin(np.abs(throw)))
    if not np.isfinite(lean[middle]):
        raise NoAnswer("The machine has no equilibrium at neutral.", "Check weights, springs and the rear's support.")
    rises = np.diff(lean) > 1e-9
    last = middle
    while last < len(rises) and rises[last]:
        last += 1
    first = middle
    while first > 0 and rises[first - 1]:
        first -= 1
    if first == last:
        raise NoAnswer(
            "Lean does not grow with the arm's throw at neutral.", "Check the linkage, springs and shock lengths."
        )
    kept = slice(first, last + 1)
    return Rising(throw[kept], lean[kept], lean_of_throw, last < len(throw) - 1, first > 0)


def throw_of_lean(rising: Rising, lean_deg: Array) -> Array:
    """Throw that gives each lean, to 1e-9 rad; beyond the ends it goes on in a straight line.

    Parameters
    ----------
    rising : Rising
        From `rising_part`.
    lean_deg : ndarray, shape (n,)
        Lean wanted [deg], positive to the left.

    Returns
    -------
    ndarray, shape (n,)
        Throw [deg]. Outside the stretch the end's slope is carried on, so that a cap's knee has something
        to work on; such a throw is never reached.

    Notes
    -----
    A monotone cubic through the nodes gives the start; regula falsi with the Illinois halving then works
    on the exact function within the bracketing nodes.
    """
    t, y = rising.throw_deg, rising.lean_deg
    inside = (lean_deg >= y[0]) & (lean_deg <= y[-1])
    start = np.asarray(PchipInterpolator(y, t)(np.clip(lean_deg, y[0], y[-1])), dtype=np.float64)
    slope_low, slope_high = (y[1] - y[0]) / (t[1] - t[0]), (y[-1] - y[-2]) / (t[-1] - t[-2])
    out = np.where(lean_deg < y[0], t[0] + (lean_deg - y[0]) / slope_low, start)
    out = np.where(lean_deg > y[-1], t[-1] + (lean_deg - y[-1]) / slope_high, out)
    if np.any(inside):
        out[inside] = _refined(rising, lean_deg[inside], start[inside])
    return np.asarray(out, dtype=np.float64)


def _refined(rising: Rising, wanted: Array, start: Array) -> Array:
    t, y = rising.throw_deg, rising.lean_deg
    cell = np.clip(np.searchsorted(y, wanted, side="right") - 1, 0, len(y) - 2)
    low, high = t[cell].copy(), t[cell + 1].copy()
    f_low, f_high = y[cell] - wanted, y[cell + 1] - wanted
    x = np.clip(start, low, high)
    open_ = np.flatnonzero((f_low != 0) & (f_high != 0))
    x[f_low == 0], x[f_high == 0] = low[f_low == 0], high[f_high == 0]
    side = np.zeros(len(wanted), dtype=int)
    for _ in range(CORRECTIONS):
        if not len(open_):
            break
        f = np.asarray(rising.lean_of_throw(x[open_]), dtype=np.float64) - wanted[open_]
        up, down = open_[f < 0], open_[f > 0]
        f_high[up[side[up] == -1]] /= 2
        f_low[down[side[down] == 1]] /= 2
        low[up], f_low[up], side[up] = x[up], f[f < 0], -1
        high[down], f_high[down], side[down] = x[down], f[f > 0], 1
        was = x[open_]
        step = f_high[open_] - f_low[open_]
        x[open_] = np.where(
            f == 0, was, (low[open_] * f_high[open_] - high[open_] * f_low[open_]) / np.where(step == 0, 1, step)
        )
        moved = np.abs(x[open_] - was) > TOLERANCE_DEG
        narrow = (high[open_] - low[open_]) < TOLERANCE_DEG
        open_ = open_[moved & ~narrow & (f != 0)]
    return x
