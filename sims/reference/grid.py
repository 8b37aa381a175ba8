"""The engine over a grid of throws and turns: settled poses, each reached from rest."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from sims.reference.engine import Engine, EnginePose
from sims.reference.plain_file import Vec

__all__ = ["EngineGrid", "engine_grid"]

# a pose this far from the one before is not on the way from rest any more [deg]
JUMP_DEG = 15.0
# so many poses one after another that do not come to rest end a side: it trembles for good, or has gone over
MOST_TREMBLING = 2
# the turn is tightened by no more than this before the machine may come to rest
STRIDE_G = 0.06


@dataclass(frozen=True)
class EngineGrid:
    """What the engine found, each of shape (throws, turns); NaN where it did not settle."""

    lean_deg: Vec
    load_left_N: Vec
    load_right_N: Vec
    shock_left_mm: Vec
    shock_right_mm: Vec
    settled: np.ndarray[Any, np.dtype[np.bool_]]


def engine_grid(
    machine: dict[str, Any],
    throws_deg: Vec,
    laterals_g: Vec,
    wanted: np.ndarray[Any, np.dtype[np.bool_]],
    *,
    planar: bool,
    seconds: float = 5.0,
) -> EngineGrid:
    """Settle every pose of a grid: mounts moved first, then the turn tightened step by step, each way from rest.

    Parameters
    ----------
    machine : dict
        From `plain_file.read`.
    throws_deg : ndarray, shape (throws,)
        Servo arm, + leaning left.
    laterals_g : ndarray, shape (throws, turns)
        Sideways acceleration over g, + turning left, for each throw.
    wanted : ndarray of bool, shape (throws, turns)
        Which poses to settle; each way from 0 it stops at the first that is not wanted.
    planar : bool
        Front view, or in space.
    seconds : float
        How long a pose may take to come to rest.
    """
    shape = laterals_g.shape
    found: dict[str, Vec] = {
        name: np.full(shape, np.nan)
        for name in ("lean_deg", "load_left_N", "load_right_N", "shock_left_mm", "shock_right_mm")
    }
    settled = np.zeros(shape, dtype=bool)
    engine = Engine(machine, planar=planar)
    engine.settle(seconds)
    neutral = engine.keep()
    for i, throw in enumerate(throws_deg):
        engine.back(neutral)
        for share in (0.5, 1.0):
            engine.throw(share * float(throw))
            engine.settle(seconds)
        still = engine.keep()
        for way in (1.0, -1.0):
            engine.back(still)
            engine.accelerate(0.0)
            side = np.flatnonzero(laterals_g[i] >= 0 if way > 0 else laterals_g[i] < 0)
            last, now, trembling = np.nan, 0.0, 0
            for j in side[np.argsort(np.abs(laterals_g[i, side]))]:
                if not wanted[i, j]:
                    break
                ahead = float(laterals_g[i, j]) - now
                for k in range(1, int(abs(ahead) / STRIDE_G) + 2):
                    engine.ease(now + ahead * k / (int(abs(ahead) / STRIDE_G) + 1))
                    engine.settle(0.5, finer=False)
                now += ahead
                pose: EnginePose = engine.settle(seconds)
                trembling = 0 if pose.settled else trembling + 1
                if trembling > MOST_TREMBLING or abs(pose.lean_deg - last) > JUMP_DEG:
                    break
                last = pose.lean_deg
                if not pose.settled:
                    continue
                settled[i, j] = True
                for name, values in found.items():
                    values[i, j] = getattr(pose, name)
        engine.accelerate(0.0)
    return EngineGrid(settled=settled, **found)
