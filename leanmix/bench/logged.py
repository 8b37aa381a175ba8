"""The steady prediction of one machine file, for its drive logs; the response's prediction can stand in its place."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leanmix.bench.drivelog import Prediction, steady_lean
from leanmix.curve import plan_throw_deg, steer_of_pulse
from leanmix.job import work_out
from leanmix.machine import MachineFile

__all__ = ["job_prediction"]

Array = NDArray[np.float64]


def job_prediction(source: MachineFile) -> Prediction:
    """Lean that the machine of `source` should show, from the servo's or the steering's pulse.

    Raises
    ------
    GeometryError
        When the machine cannot be assembled.
    """
    job = work_out(source)
    left, right = ((job.ladder.first_block(way) or (job.ladder.way(way) or (None,))[-1]) for way in ("left", "right"))
    span = (-(right.throw_deg if right else 30.0), left.throw_deg if left else 30.0)

    def throw_of_steering(pulse_us: Array) -> Array:
        steer = steer_of_pulse(job.numbers, pulse_us)
        # the plan wants many positions at once and no gaps: a fine table of it does for a log
        table = np.linspace(-1.0, 1.0, 1001)
        _, held = plan_throw_deg(job.plan, table)
        return np.interp(steer, table, held, left=np.nan, right=np.nan)

    return steady_lean(job.setup, span, throw_of_steering)
