"""What to look out for while runs go: tipping, sliding, the lane, stalls; and the sentence for how each ended."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import Array
from leanmix.response.manoeuvre import Manoeuvre
from leanmix.response.servo import ServoState
from leanmix.response.state import Course, Motion
from leanmix.response.vehicle import Vehicle

__all__ = ["End", "EndKind", "Watch", "watch_result", "watch_start", "watch_step"]

# A contact counts as lost, and a runner as in the air, when it lasts this long.
LASTS_S = 0.06
IN_THE_AIR_N = 1e-6
# While it still rolls out slower than this it is not falling yet.
FALLING_RAD_PER_S = 0.1
STALLED_S = 0.1
SLIDING = 0.999
# upright enough that no machine worth the name can be going over
NEVER_OVER_RAD = 0.06
ALWAYS_OVER_RAD = 0.9
# slower than this share of its pace for so long, it is not going to get through at that pace
SLOW_SHARE = 0.7
SLOW_S = 0.5


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
    EndKind.STOPPED: "could not keep going",
    EndKind.LOST: "was thrown about harder than the model can follow",
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
    most_transfer, most_off_m
        Largest sizes seen, while it ran.
    most_lean_deg, most_lateral_g
        Likewise; where it tipped, only until it began to fall.
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
    live: bool = False

    def see(self, on: NDArray[np.bool_] | np.bool_, now_s: float, step_s: float, lasts_s: float) -> None:
        if not on.any():
            if self.live:
                self.for_s, self.live = np.zeros_like(self.for_s), False
            return
        self.live = True
        self.for_s = (self.for_s + step_s) * on
        new = (self.first_s < 0) & (self.for_s >= lasts_s)
        if new.any():
            self.first_s = np.where(new, now_s - self.for_s, self.first_s)


@dataclass(slots=True)
class Watch:
    """What has been seen so far; changed in place by `watch_step`."""

    running: NDArray[np.bool_]
    all_running: bool
    kind: NDArray[np.int8]
    at_s: Array
    tip_left: NDArray[np.bool_]
    upright_s: Array
    upright_g: Array
    fell_s: Array
    fell_g: Array
    lift: _Lasting
    runner: _Lasting
    rear: _Lasting
    stall: _Lasting
    slow: _Lasting
    most: Array
    upright_most: Array
    least_speed: Array
    cg_left: Array
    cg_up: Array


def _lasting(runs: int) -> _Lasting:
    return _Lasting(np.zeros(runs), np.full(runs, -1.0))


def watch_start(vehicle: Vehicle, course: Course, runs: int) -> Watch:
    """Nothing seen yet."""
    body = vehicle.body
    zero = np.zeros(runs)
    return Watch(
        running=np.ones(runs, dtype=bool),
        all_running=True,
        kind=np.zeros(runs, dtype=np.int8),
        at_s=zero.copy(),
        tip_left=np.zeros(runs, dtype=bool),
        upright_s=zero.copy(),
        upright_g=zero.copy(),
        fell_s=zero.copy(),
        fell_g=zero.copy(),
        lift=_lasting(runs),
        runner=_lasting(runs),
        rear=_lasting(runs),
        stall=_lasting(runs),
        slow=_lasting(runs),
        most=np.zeros((4, runs)),
        upright_most=np.zeros((2, runs)),
        least_speed=np.broadcast_to(course.pace, (runs,)).copy(),
        # whole balance point against the rear's pivot, chassis upright [mm]
        cg_left=body.mass * body.left / vehicle.road.mass,
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
    arrived: NDArray[np.bool_] | None,
    lane_m: float = np.inf,
) -> NDArray[np.intp] | None:
    """Look once.

    Parameters
    ----------
    watch : Watch
        Changed in place.
    vehicle, course, m, servo
        The machine, what it is driven on, and how it moves.
    now_s, step_s : float
        Time, and time since the last look.
    off_m : ndarray, shape (runs,)
        Distance off the way.
    arrived : ndarray of bool or None
        Whether the way's end is reached; None without a way.
    lane_m : float
        Most distance off the way.

    Returns
    -------
    ndarray of int or None
        Runs that have just ended, or had ended and got out of hand since: to be set up at rest again, out of the way.
    """
    size, calm = np.abs(m.roll), None
    sound = np.isfinite(m.u + m.v + m.yaw_rate + size + m.rise_rate + m.roll_rate)
    out: NDArray[np.bool_] | None = None
    if not sound.all():
        out = ~sound
        _end(watch, out, EndKind.LOST, now_s)
        size = np.where(sound, size, 0.0)
    if float(size.max()) > NEVER_OVER_RAD:
        side = np.where(m.roll >= 0, -1.0, 1.0)  # + leans left
        over = (_outside_mm(watch, vehicle, m, side) >= 0) | ~m.rear_stands | (size > ALWAYS_OVER_RAD)
        calm = m.roll_rate * side > -FALLING_RAD_PER_S
        watch.upright_s = np.where(calm, now_s, watch.upright_s)
        watch.upright_g = np.where(calm, m.lateral_g, watch.upright_g)
        if over.any():
            out = over if out is None else out | over
            new = over & watch.running
            watch.tip_left[new] = side[new] > 0
            watch.fell_s[new], watch.fell_g[new] = watch.upright_s[new], watch.upright_g[new]
            # the fall itself says nothing of how far it leans or how hard it turns
            watch.most[1:3, new] = watch.upright_most[:, new]
            _end(watch, over, EndKind.TIPPED, now_s)
    else:
        watch.upright_s, watch.upright_g = np.full_like(size, now_s), m.lateral_g
    if arrived is not None:
        _end(watch, off_m > lane_m, EndKind.OFF_THE_LANE, now_s)
        _end(watch, arrived, EndKind.FINISHED, now_s)
        watch.slow.see(m.u < SLOW_SHARE * course.pace, now_s, step_s, SLOW_S)
        _end(watch, watch.slow.first_s >= 0, EndKind.STOPPED, now_s)

    low = np.minimum(m.load[0], m.load[1])
    watch.lift.see(low <= IN_THE_AIR_N, now_s, step_s, LASTS_S)
    share = np.abs(m.runner_share)
    least = np.where(m.load > 0, share, 1.0)
    watch.runner.see(np.minimum(least[0], least[1]) >= SLIDING, now_s, step_s, LASTS_S)
    watch.rear.see((np.abs(m.rear_share) >= SLIDING).all(axis=0), now_s, step_s, LASTS_S)
    watch.stall.see(servo.stalled.any(axis=0), now_s, step_s, STALLED_S)
    both = m.load[0] + m.load[1]
    seen = [np.abs(m.load[1] - m.load[0]) / np.maximum(both, 1e-9), size, np.abs(m.lateral_g), off_m]
    speed = m.u
    if not watch.all_running:
        seen = [s * watch.running for s in seen]
        speed = np.where(watch.running, m.u, np.inf)
    for row, value in zip(watch.most, seen, strict=True):
        np.fmax(row, value, out=row)
    watch.upright_most = watch.most[1:3].copy() if calm is None else np.where(calm, watch.most[1:3], watch.upright_most)
    np.fmin(watch.least_speed, speed, out=watch.least_speed)
    return None if out is None else np.flatnonzero(out)


def _end(watch: Watch, which: NDArray[np.bool_], kind: EndKind, now_s: float) -> None:
    ends = which & watch.running
    if ends.any():
        watch.kind[ends] = kind
        watch.at_s[ends] = now_s
        watch.running, watch.all_running = watch.running & ~ends, False


def _outside_mm(watch: Watch, vehicle: Vehicle, m: Motion, side: Array) -> Array:
    """How far the balance point is outside the line from the outer runner to the rear's edge [mm]."""
    road, body = vehicle.road, vehicle.body
    c, s = np.cos(m.roll), np.sin(m.roll)
    cg = side * (watch.cg_left * c - watch.cg_up * s)
    runner = side * np.where(side > 0, m.reach[0], m.reach[1])
    base = road.ahead + road.behind
    # the rear's edge from its pivot: the pivot goes over it as the foot tilts
    tilt = -side * m.rear_tilt
    edge = body.half_width * np.cos(tilt) - body.pivot * np.sin(tilt)
    line = (runner * road.behind + edge * road.ahead) / base
    return np.asarray(cg - line)


def watch_result(watch: Watch, manoeuvre: Manoeuvre, now_s: float) -> End:
    """What was seen in all."""
    unfinished = watch.running
    # a time-based manoeuvre is done when its time is; along a path the machine must have arrived
    late = EndKind.STOPPED if manoeuvre.path else EndKind.FINISHED
    at = np.where(unfinished, now_s, watch.at_s)
    tipped = watch.kind == EndKind.TIPPED

    def while_running(seen: _Lasting) -> Array:
        return np.where(seen.first_s < at, seen.first_s, -1.0)

    return End(
        kind=np.where(unfinished, np.int8(late), watch.kind).astype(np.int8),
        at_s=at,
        tip_left=watch.tip_left,
        lift_s=while_running(watch.lift),
        falls_s=np.where(tipped, watch.fell_s, -1.0),
        falls_g=np.where(tipped, watch.fell_g, 0.0),
        runner_slide_s=while_running(watch.runner),
        rear_slide_s=while_running(watch.rear),
        stall_s=while_running(watch.stall),
        most_transfer=watch.most[0],
        most_lean_deg=np.rad2deg(watch.most[1]),
        most_lateral_g=watch.most[2],
        most_off_m=watch.most[3],
        least_speed_m_per_s=watch.least_speed,
    )
