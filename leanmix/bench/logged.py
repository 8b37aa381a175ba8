"""The steady prediction of one machine file, for its drive logs; the response's prediction can stand in its place."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leanmix.bench.drivelog import Prediction, steady_lean
from leanmix.curve import plan_throw_deg, steer_of_pulse
from leanmix.job import Job
from leanmix.stance import balance

__all__ = ["job_prediction", "predicted_limits"]

Array = NDArray[np.float64]

MOST_G, POINTS, ROUNDS = 3.0, 30, 3


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
    throws = np.array([[0.0, held[0]], [0.0, held[1]]])
    turn = np.array([[1.0], [-1.0]])
    low, step = np.zeros((2, 2)), MOST_G / POINTS
    for _ in range(ROUNDS):
        tried = low[..., None] + step * np.arange(1, POINTS + 1)
        stands = np.asarray(balance(job.setup, throws[..., None], turn[..., None] * tried).ok)
        low = low + step * np.cumprod(stands, axis=-1).sum(axis=-1)
        step /= POINTS
    limit = np.where(low < MOST_G - 1e-9, low, np.nan)
    return {way: (float(limit[i, 0]), float(limit[i, 1])) for i, way in enumerate(("left", "right"))}
