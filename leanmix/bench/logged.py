"""The steady prediction of one machine file, for its drive logs; the response's prediction can stand in its place."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leanmix.bench.drivelog import Prediction, steady_lean
from leanmix.curve import plan_throw_deg, steer_of_pulse
from leanmix.job import Job
from leanmix.stance import TIP_MOST_G, TURNS, tip_limits

__all__ = ["job_prediction", "predicted_limits"]

Array = NDArray[np.float64]


def job_prediction(job: Job) -> Prediction:
    """Lean that a machine should show, from the servo's or the steering's pulse; see `steady_lean`."""
    left, right = ((job.ladder.first_block(way) or (job.ladder.way(way) or (None,))[-1]) for way in ("left", "right"))
    span = (-(right.throw_deg if right else 30.0), left.throw_deg if left else 30.0)

    def throw_of_steering(pulse_us: Array) -> Array:
        steer = steer_of_pulse(job.numbers, pulse_us)
        # the plan wants many positions at once and no gaps: a fine table of it does for a log
        table = np.linspace(-1.0, 1.0, 1001)
        _, held = plan_throw_deg(job.plan, table)
        return np.interp(steer, table, held, left=np.nan, right=np.nan)

    return steady_lean(job.setup, span, throw_of_steering)


def predicted_limits(job: Job) -> dict[str, tuple[float, float]]:
    """Tip limit on its springs, upright and at full lock's lean, for turns left and right [g]; NaN where it never tips.

    Raises
    ------
    NoAnswer
        Where lean does not rise with throw, so that nothing can be asked of it.
    """
    _, held = plan_throw_deg(job.plan, [1.0, -1.0])
    out = {}
    for turn, lock in zip(TURNS, held, strict=True):
        limit = tip_limits(job.setup, np.array([0.0, lock]), turn).sprung_g
        limit = np.where(limit < TIP_MOST_G - 1e-9, limit, np.nan)
        out[str(turn)] = (float(limit[0]), float(limit[1]))
    return out
