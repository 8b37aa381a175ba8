"""The engine on a turn that tightens slowly until it tips."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from sims.reference.engine import Engine
from sims.reference.plain_file import Vec

__all__ = ["Ramp", "slow_ramp"]

# rolled this far it does not come back [deg]
GONE_DEG = 40.0
MEAN_OVER_S = 0.05
NOTHING_N = 0.02


@dataclass(frozen=True)
class Ramp:
    """When the inner runner first carried nothing, and when it had gone over, over g; NaN where it did not."""

    lifts_g: float
    tips_g: float
    log: Vec


def slow_ramp(
    machine: dict[str, Any],
    throw_deg: float,
    *,
    left: bool,
    begin_g: float,
    rate_g_per_s: float = 0.03,
    end_g: float = 2.5,
    planar: bool = False,
) -> Ramp:
    """Tighten a turn from a settled pose at `begin_g` until the machine is over, the arm staying where it is.

    Parameters
    ----------
    machine : dict
        From `plain_file.read`.
    throw_deg : float
        Servo arm, + leaning left.
    left : bool
        Which way it turns.
    begin_g, rate_g_per_s, end_g : float
        Where the slow part begins, how slow, where to give up.
    planar : bool
        Front view, or in space.
    """
    engine = Engine(machine, planar=planar)
    engine.settle(3.0)
    for share in (0.5, 1.0):
        engine.throw(share * throw_deg)
        engine.settle(3.0)
    way = 1.0 if left else -1.0
    for k in range(1, 5):
        engine.ease(way * begin_g * k / 4)
        engine.settle(3.0)
    inner = 0 if left else 1
    lifts, now, steps, rows = np.nan, begin_g, 0, []
    # an arm pressed on the rack by its spring trembles there, and its runner's load with it: take the mean
    carried, share = float(engine.loads[inner]), engine.model.opt.timestep / MEAN_OVER_S
    while now < end_g:
        now += rate_g_per_s * engine.model.opt.timestep
        engine.accelerate(way * now)
        engine.step()
        carried += share * (float(engine.loads[inner]) - carried)
        if np.isnan(lifts) and carried < NOTHING_N:
            lifts = now
        steps += 1
        if steps % 20:
            continue
        pose = engine.pose()
        rows.append((now, pose.lean_deg, pose.load_left_N, pose.load_right_N))
        if abs(pose.lean_deg) > GONE_DEG:
            return Ramp(float(lifts), float(now), np.array(rows))
    return Ramp(float(lifts), np.nan, np.array(rows))
