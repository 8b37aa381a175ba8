"""Fitting the table: 33 uniform knots to least worst error over every input, not sampled from the curve."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.sparse import coo_array, csr_array, hstack, vstack

__all__ = ["KNOTS", "SEGMENT", "fit_knots"]

Array = NDArray[np.float64]

KNOTS = 33
SEGMENT = 256
MIDDLE = KNOTS // 2


def _hat(u: Array) -> csr_array:
    """Interpolation matrix, shape (inputs, 33): each row holds the two knots an input lies between."""
    segment = np.clip((u // SEGMENT).astype(int), 0, KNOTS - 2)
    fraction = (u - SEGMENT * segment) / SEGMENT
    rows = np.repeat(np.arange(len(u)), 2)
    columns = np.column_stack([segment, segment + 1]).ravel()
    weights = np.column_stack([1 - fraction, fraction]).ravel()
    return csr_array(coo_array((weights, (rows, columns)), shape=(len(u), KNOTS)))


def fit_knots(u: Array, wanted: Array, weight: Array, low: float, high: float, middle: float) -> Array:
    """Knots whose straight-line interpolation comes closest to `wanted` everywhere.

    Minimises max over inputs of weight · \\|interpolated − wanted\\| as a linear programme.

    Parameters
    ----------
    u : ndarray, shape (inputs,)
        Normalised steering, 0 (full right) … 8192 (full left).
    wanted : ndarray, shape (inputs,)
        Value wanted at each input, any unit.
    weight : ndarray, shape (inputs,)
        How much an error there counts, > 0.
    low, high : float
        No knot lies outside; so no interpolated value does.
    middle : float
        Value of the middle knot, exactly.

    Returns
    -------
    ndarray, shape (33,)
        Knot values in the unit of `wanted`.
    """
    a = _hat(u)
    slack = csr_array((1.0 / weight)[:, None])
    constraint = vstack([hstack([a, -slack]), hstack([-a, -slack])], format="csr")
    bounds: list[tuple[float | None, float | None]] = [(low, high)] * KNOTS
    bounds[MIDDLE] = (middle, middle)
    bounds.append((0.0, None))
    cost = np.zeros(KNOTS + 1)
    cost[-1] = 1.0
    solved = linprog(cost, A_ub=constraint, b_ub=np.concatenate([wanted, -wanted]), bounds=bounds, method="highs")
    knots = solved.x[:KNOTS] if solved.x is not None else np.interp(np.arange(KNOTS) * SEGMENT, u, wanted)
    return np.clip(np.asarray(knots, dtype=np.float64), low, high)
