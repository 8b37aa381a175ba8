"""What to look out for while runs go: tipping, sliding, the lane, stalls; and the sentence for how each ended."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import Array
from leanmix.response.manoeuvre import Manoeuvre
from leanmix.response.motion import Course, Motion
from leanmix.response.servo import ServoState
from leanmix.response.vehicle import Vehicle

__all__ = ["End", "EndKind", "Watch", "watch_result", "watch_start", "watch_step"]

# A contact counts as lost, and a runner as in the air, when it lasts this long.
LASTS_S = 0.06
IN_THE_AIR_N = 1e-6
# While it still rolls out slower than this it is not falling yet.
FALLING_RAD_PER_S = 0.1
STALLED_S = 0.1
SLIDING = 0.999


class EndKind(IntEnum):
    """How a run ended."""

    FINISHED = 0
    TIPPED = 1
    OFF_THE_LANE = 2
    STOPPED = 3
    LOST = 4
    CUT_SHORT = 5

    @property
    def says(self) -> str:
        """In a few words for people."""
        return _SAYS[self]


_SAYS = {
    EndKind.FINISHED: "went through",
    EndKind.TIPPED: "tipped over",
    EndKind.OFF_THE_LANE: "left the lane",
    EndKind.STOPPED: "came to a stop before the end",
    EndKind.LOST: "the sums ran away; nothing after this moment can be trusted",
    EndKind.CUT_SHORT: "was stopped by hand",
}


@dataclass(frozen=True, slots=True)
class End:
    """How runs ended; arrays of shape (runs,). A time of −1 means never.

    Attributes
    ----------
    kind : ndarray of int
        `EndKind` of each.
    at_s
        When it ended.
    tip_left
        Whether it went over to its left; only where it tipped.
    lift_s, falls_s, falls_g
        When a runner first stayed in the air; when it began to fall for good and the lateral g then (0 where it did not).
    runner_slide_s, rear_slide_s
        When runners, or the rear, first stayed at the end of their grip.
    stall_s
        When a servo first stayed stalled.
    most_transfer, most_lean_deg, most_lateral_g, most_off_m
        Largest sizes seen, while it ran.
    least_speed_m_per_s
    """

    kind: NDArray[np.int8]
    at_s: Array
    tip_left: NDArray[np.bool_]
    lift_s: Array
    falls_s: Array
    falls_g: Array
    runner_slide_s: Array
    rear_slide_s: Array
    stall_s: Array
    most_transfer: Array
    most_lean_deg: Array
    most_lateral_g: Array
    most_off_m: Array
    least_speed_m_per_s: Array

    @property
    def good(self) -> NDArray[np.bool_]:
        """Went through."""
        return np.asarray(self.kind == EndKind.FINISHED)


@dataclass(slots=True)
class _Lasting:
    """Something that counts once it has lasted."""

    for_s: Array
    first_s: Array

    def see(self, on: NDArray[np.bool_], now_s: float, step_s: float, lasts_s: float) -> None:
        self.for_s = np.where(on, self.for_s + step_s, 0.0)
        new = (self.first_s < 0) & (self.for_s >= lasts_s)
        if new.any():
            self.first_s = np.where(new, now_s - self.for_s, self.first_s)


@dataclass(slots=True)
class Watch:
    """What has been seen so far; changed in place by `watch_step`."""

    running: NDArray[np.bool_]
    kind: NDArray[np.int8]
    at_s: Array
    tip_left: NDArray[np.bool_]
    upright_s: Array
    upright_g: Array
    lift: _Lasting
    runner: _Lasting
    rear: _Lasting
    stall: _Lasting
    most: Array
    least_speed: Array
    cg_left: Array
    cg_up: Array


def _lasting(runs: int) -> _Lasting:
    return _Lasting(np.zeros(runs), np.full(runs, -1.0))


def watch_start(vehicle: Vehicle, course: Course, runs: int) -> Watch:
    """Nothing seen yet."""
    body, sides = vehicle.body, vehicle.sides
    zero = np.zeros(runs)
    # whole balance point against the rear's pivot, chassis upright [mm]
    left = body.mass * body.left / vehicle.road.mass
    return Watch(
        running=np.ones(runs, dtype=bool),
        kind=np.zeros(runs, dtype=np.int8),
        at_s=zero.copy(),
        tip_left=np.zeros(runs, dtype=bool),
        upright_s=zero.copy(),
        upright_g=zero.copy(),
        lift=_lasting(runs),
        runner=_lasting(runs),
        rear=_lasting(runs),
        stall=_lasting(runs),
        most=np.zeros((4, runs)),
        least_speed=np.broadcast_to(course.pace, (runs,)).copy(),
        cg_left=left + 0 * sides.unsprung[0],
        cg_up=-vehicle.road.sway * 1e3,
    )


def watch_step(
    watch: Watch,
    vehicle: Vehicle,
    course: Course,
    m: Motion,
    servo: ServoState,
    now_s: float,
    step_s: float,
    off_m: Array,
    arrived: NDArray[np.bool_],
    lane_m: float = np.inf,
) -> None:
    """Look once, at a step's end."""
    running = watch.running
    broken = running & ~np.isfinite(m.roll + m.rise_rate + m.roll_rate + m.v + m.yaw_rate + m.u)
    side = np.where(m.roll >= 0, -1.0, 1.0)  # + leans left
    over = running & ~broken & (_outside_mm(watch, vehicle, m, side) >= 0)
    outward = -m.roll_rate * side
    calm = running & (outward < FALLING_RAD_PER_S)
    watch.upright_s = np.where(calm, now_s, watch.upright_s)
    watch.upright_g = np.where(calm, m.lateral_g, watch.upright_g)

    wide = running & (off_m > lane_m)
    stuck = running & (m.u < 0.02 * course.pace) & (course.pace > 0)
    for which, kind in (
        (arrived & running, EndKind.FINISHED),
        (stuck, EndKind.STOPPED),
        (wide, EndKind.OFF_THE_LANE),
        (over, EndKind.TIPPED),
        (broken, EndKind.LOST),
    ):
        if which.any():
            watch.kind = np.where(which, np.int8(kind), watch.kind)
            watch.at_s = np.where(which, now_s, watch.at_s)
            watch.running = watch.running & ~which
    watch.tip_left = np.where(over, side > 0, watch.tip_left)

    air = running & (np.minimum(m.load[0], m.load[1]) <= IN_THE_AIR_N)
    watch.lift.see(air, now_s, step_s, LASTS_S)
    watch.runner.see(running & (m.runner_share >= SLIDING), now_s, step_s, LASTS_S)
    watch.rear.see(running & (m.rear_share >= SLIDING), now_s, step_s, LASTS_S)
    watch.stall.see(running & servo.stalled.any(axis=0), now_s, step_s, STALLED_S)
    both = m.load[0] + m.load[1]
    seen = np.stack(
        [
            np.abs(m.load[1] - m.load[0]) / np.maximum(both, 1e-9),
            np.abs(m.roll),
            np.abs(m.lateral_g),
            off_m,
        ]
    )
    watch.most = np.where(watch.running, np.maximum(watch.most, seen), watch.most)
    watch.least_speed = np.where(watch.running, np.minimum(watch.least_speed, m.u), watch.least_speed)


def _outside_mm(watch: Watch, vehicle: Vehicle, m: Motion, side: Array) -> Array:
    """How far the balance point is outside the line from the outer runner to the rear's edge [mm]."""
    road, body = vehicle.road, vehicle.body
    c, s = np.cos(m.roll), np.sin(m.roll)
    cg = side * (watch.cg_left * c - watch.cg_up * s)
    runner = side * np.where(side > 0, m.reach[0], m.reach[1])
    base = road.ahead + road.behind
    line = (runner * road.behind + body.half_width * road.ahead) / base
    return np.asarray(cg - line)


def watch_result(watch: Watch, manoeuvre: Manoeuvre, now_s: float) -> End:
    """What was seen in all."""
    unfinished = watch.running
    # a time-based manoeuvre is done when its time is; along a path the machine must have arrived
    late = EndKind.STOPPED if manoeuvre.path else EndKind.FINISHED
    tipped = watch.kind == EndKind.TIPPED
    return End(
        kind=np.where(unfinished, np.int8(late), watch.kind).astype(np.int8),
        at_s=np.where(unfinished, now_s, watch.at_s),
        tip_left=watch.tip_left,
        lift_s=watch.lift.first_s,
        falls_s=np.where(tipped, watch.upright_s, -1.0),
        falls_g=np.where(tipped, watch.upright_g, 0.0),
        runner_slide_s=watch.runner.first_s,
        rear_slide_s=watch.rear.first_s,
        stall_s=watch.stall.first_s,
        most_transfer=watch.most[0],
        most_lean_deg=np.rad2deg(watch.most[1]),
        most_lateral_g=watch.most[2],
        most_off_m=watch.most[3],
        least_speed_m_per_s=watch.least_speed,
    )
