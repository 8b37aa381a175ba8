"""Many runs at once through a manoeuvre: driver, receiver, the C mixer, servos, machine.

Time runs in equal steps, chosen so that the frames of receiver, board and servo begin on steps. Everything between
the transmitter's wheel and the servo's plug that the board does is the C core itself, one mixer a run.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import Array
from leanmix.mixer import FRAME_MS, Image, MixerBatch
from leanmix.response.contact import Fixed, fixed_for
from leanmix.response.levers import pushes_mm, shock_torque
from leanmix.response.manoeuvre import Manoeuvre
from leanmix.response.motion import advance, start_motion
from leanmix.response.servo import ServoState, servo_moves, servo_start, turn_towards
from leanmix.response.state import Course, Motion
from leanmix.response.vehicle import Vehicle
from leanmix.response.watch import End, EndKind, Watch, watch_result, watch_start, watch_step
from leanmix.response.way import Chain, chain_at, driver_steer_rad

__all__ = ["CHANNELS", "MOST_STEP_MS", "Outcome", "Runs", "Traces", "drive", "step_ms_for"]

Index = NDArray[np.intp]

MOST_STEP_MS = 5.0
LEAST_STEP_MS = 0.5
SETTLE_S = 0.1
SETTLE_BANK_S = 0.6
# without traces, runs are looked at this often
LOOK_STEPS = 2
CALM_PER_S = 25.0

CHANNELS = (
    "wheel_deg", "steer_deg", "throw_deg", "throw_right_deg", "throw_asked_deg", "lean_deg", "yaw_deg_per_s",
    "lateral_g", "speed_m_per_s", "slip_deg", "load_left_N", "load_right_N", "rear_load_N", "transfer", "off_m",
    "x_m", "y_m",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Runs:
    """What is to be driven. Arrays of shape (runs,) or (1,) unless said.

    Attributes
    ----------
    vehicle : Vehicle
        One machine for all runs, or one a run.
    images : Image or sequence of Image
        Table of the mixer, for all or one a run.
    amount_256ths : ndarray of int, shape (runs,)
        Live lean amount: 256 full, 0 no lean.
    manoeuvre : Manoeuvre
        For the driver, and whether `chain` is steer over time or curvature over distance.
    chain : Chain
        See `manoeuvre_chain`.
    course : Course
        Ground and pace.
    duration_s : float
        When every run has ended.
    receiver_phase_ms, board_phase_ms : ndarray, shape (runs,)
        Where in their frames receiver and board are at time 0; unknown in truth, so try several.
    """

    vehicle: Vehicle
    images: Image | tuple[Image, ...]
    amount_256ths: NDArray[np.int64]
    manoeuvre: Manoeuvre
    chain: Chain
    course: Course
    duration_s: float
    receiver_phase_ms: Array
    board_phase_ms: Array

    @property
    def count(self) -> int:
        """Number of runs."""
        return len(self.amount_256ths)


@dataclass(frozen=True, slots=True)
class Traces:
    """What was seen at each step.

    Attributes
    ----------
    time_s : ndarray, shape (steps,)
    values : ndarray, shape (channels, steps, runs)
        In the order of `CHANNELS`. After a run's end its last values stay.
    steer_mean_deg : ndarray, shape (steps, runs)
        `steer_deg` on average over the step that begins there.
    """

    time_s: Array
    values: Array
    steer_mean_deg: Array

    def __getitem__(self, channel: str) -> Array:
        """One channel, shape (steps, runs)."""
        return np.asarray(self.values[CHANNELS.index(channel)])

    def of_run(self, run: int) -> Traces:
        """One run's."""
        return Traces(self.time_s, self.values[:, :, run : run + 1], self.steer_mean_deg[:, run : run + 1])


@dataclass(frozen=True, slots=True)
class Outcome:
    """How runs ended, and their traces where kept."""

    end: End
    traces: Traces | None
    step_ms: float


def step_ms_for(vehicle: Vehicle, most_ms: float = MOST_STEP_MS) -> float:
    """The longest step that divides the frames of receiver, board and servo [ms].

    Frames that have no common step of half a millisecond or more begin on the step nearest to their time.
    """
    frames = (float(FRAME_MS), vehicle.steer_frame_ms, vehicle.servo_frame_ms)
    best = FRAME_MS / np.ceil(FRAME_MS / most_ms)
    count = int(np.ceil(FRAME_MS / most_ms))
    while FRAME_MS / count >= LEAST_STEP_MS:
        step = FRAME_MS / count
        if all(abs(f / step - round(f / step)) < 1e-9 for f in frames):
            return float(step)
        count += 1
    return float(best)


@dataclass(slots=True)
class _Signal:
    """From the wheel to the arm: receiver, boards, servos."""

    frame_steps: tuple[int, int, int]
    receiver_phase: Index
    receiver_phases: frozenset[int]
    boards: list[tuple[Index, int, MixerBatch]]
    amount: NDArray[np.int64]
    pulse: NDArray[np.uint16]
    fresh: NDArray[np.bool_]
    sent: NDArray[np.uint16]
    steer_target: Array
    steer: Array
    steer_mean: Array
    servo: ServoState
    move_servos: Callable[[ServoState, Array, Array], None]


def _signal(runs: Runs, step_ms: float) -> _Signal:
    vehicle, n = runs.vehicle, runs.count
    frames = (vehicle.steer_frame_ms, float(FRAME_MS), vehicle.servo_frame_ms)
    steps = (max(1, round(frames[0] / step_ms)), max(1, round(frames[1] / step_ms)), max(1, round(frames[2] / step_ms)))
    neutral = np.broadcast_to(np.rint(vehicle.pulse.neutral), (n,)).astype(np.uint16)
    receiver_phase = np.rint(runs.receiver_phase_ms / step_ms).astype(np.intp) % steps[0]
    board_phase = np.rint(runs.board_phase_ms / step_ms).astype(np.intp) % steps[1]
    boards = []
    for phase in np.unique(board_phase):
        who = np.flatnonzero(board_phase == phase)
        if isinstance(runs.images, Image):
            mixers = MixerBatch(runs.images, len(who))
        else:
            mixers = MixerBatch([runs.images[i] for i in who])
        # the start-up ramp is over long before the manoeuvre begins
        for _ in range(vehicle.machine.board.ramp_frames + 1):
            mixers.step(neutral[who], runs.amount_256ths[who])
        boards.append((who, int(phase), mixers))
    out = np.empty((n, 2), np.uint16)
    for who, _, mixers in boards:
        out[who] = mixers.step(neutral[who], runs.amount_256ths[who])[0]
    servos = len(vehicle.plugs.neutral_eighths)
    signal = _Signal(
        steps,
        receiver_phase,
        frozenset(int(p) for p in np.unique(receiver_phase)),
        boards,
        runs.amount_256ths,
        neutral.copy(),
        np.zeros(n, dtype=bool),
        out,
        np.zeros(n),
        np.zeros(n),
        np.zeros(n),
        servo_start(servos, n),
        servo_moves(vehicle.line, vehicle.plugs, (vehicle.levers.low, vehicle.levers.high), step_ms * 1e-3),
    )
    signal.servo.target_rad = _throw_of(vehicle, out)
    signal.servo.motor_rad = signal.servo.target_rad.copy()
    signal.servo.arm_rad = signal.servo.target_rad.copy()
    return signal


def _throw_of(vehicle: Vehicle, sent: NDArray[np.uint16]) -> Array:
    plugs = vehicle.plugs
    return np.asarray((sent.T[: len(plugs.neutral_eighths)] - plugs.neutral_eighths) * plugs.rad_per_eighth)


def _frames(runs: Runs, signal: _Signal, k: int, ask: Callable[[], Array]) -> None:
    """Whatever frames begin on this step: receiver, then boards, then servos."""
    vehicle = runs.vehicle
    if k % signal.frame_steps[0] in signal.receiver_phases:
        share = np.minimum(np.maximum(ask(), -1.0), 1.0)
        road, pulse = vehicle.road, vehicle.pulse
        target = share * np.where(share >= 0, road.lock_left, road.lock_right)
        width = pulse.neutral + np.where(share >= 0, pulse.left - pulse.neutral, pulse.neutral - pulse.right) * share
        if len(signal.receiver_phases) == 1:
            signal.steer_target[:], signal.pulse[:], signal.fresh[:] = target, np.rint(width), True
        else:
            due = (k - signal.receiver_phase) % signal.frame_steps[0] == 0
            signal.steer_target = np.where(due, target, signal.steer_target)
            signal.pulse = np.where(due, np.rint(width), signal.pulse).astype(np.uint16)
            signal.fresh = signal.fresh | due
    for who, phase, mixers in signal.boards:
        if (k - phase) % signal.frame_steps[1] == 0:
            heard = np.where(signal.fresh[who], signal.pulse[who], 0).astype(np.uint16)
            signal.sent[who], _flags = mixers.step(heard, signal.amount[who])
            signal.fresh[who] = False
    # the board's pulses go out as soon as they are mixed; a servo with frames of its own waits for its next
    same = signal.frame_steps[2] == signal.frame_steps[1]
    if same or k % signal.frame_steps[2] == 0:
        signal.servo.target_rad = _throw_of(vehicle, signal.sent)


@dataclass(slots=True)
class _Place:
    """Where each run is: on the plane, and along and off its way."""

    x: Array
    y: Array
    heading: Array
    along: Array
    off: Array
    heading_off: Array


def _move_plane(place: _Place, u: Array, v: Array, r: Array, step_s: float) -> None:
    middle = place.heading + r * (step_s / 2)
    c, s = np.cos(middle), np.sin(middle)
    place.x = place.x + step_s * (u * c - v * s)
    place.y = place.y + step_s * (u * s + v * c)
    place.heading = place.heading + step_s * r


def _move_along(place: _Place, u: Array, v: Array, r: Array, chain: Chain, step_s: float) -> None:
    """By the way as it runs in the middle of the step, a half step on from its start."""
    half_s, heading, off, along = step_s / 2, place.heading_off, place.off, place.along
    curvature = chain_at(chain, along)
    for part_s in (half_s, step_s):
        c, s = np.cos(heading), np.sin(heading)
        # the way's centre must stay out of reach, or its length would run away
        forward = (u * c - v * s) / np.maximum(1.0 - curvature * off, 0.2)
        sideways = u * s + v * c
        along = place.along + part_s * forward
        off = place.off + part_s * sideways
        heading = place.heading_off + part_s * (r - curvature * forward)
        if part_s == half_s:
            curvature = chain_at(chain, along)
    place.along, place.off, place.heading_off = along, off, heading


def _put_back(motion: Motion, place: _Place, start: Motion, rows: Index) -> None:
    """Set runs that have gone over up at rest again, so that what is of no interest does no harm."""
    for name in Motion.__slots__:
        getattr(motion, name)[..., rows] = getattr(start, name)[..., rows]
    for name in _Place.__slots__:
        held = getattr(place, name).copy()
        held[rows] = 0.0
        setattr(place, name, held)


# what runs away is caught by the watch at each look, not by a warning
@np.errstate(invalid="ignore", divide="ignore", over="ignore")
def drive(
    runs: Runs,
    *,
    keep: bool = False,
    most_step_ms: float = MOST_STEP_MS,
    cancelled: Callable[[], bool] | None = None,
) -> Outcome:
    """Drive all runs to their ends.

    Parameters
    ----------
    runs : Runs
        What to drive.
    keep : bool
        Whether to keep every step's traces; some 17 numbers a step and run.
    most_step_ms : float
        Longest step [ms].
    cancelled : callable, optional
        Asked now and then; True ends the drive early, and runs that had not ended say so.

    Returns
    -------
    Outcome
        Nothing in it is NaN: a run that cannot go on says why and when, and its traces hold their last values.
    """
    vehicle, course, n = runs.vehicle, runs.course, runs.count
    step_ms = step_ms_for(vehicle, most_step_ms)
    step_s = step_ms * 1e-3
    fixed = fixed_for(vehicle, course, step_s)
    signal = _signal(runs, step_ms)
    motion = start_motion(vehicle, course, n)
    push = pushes_mm(vehicle.levers, signal.servo.arm_rad)
    along_way = bool(runs.manoeuvre.path)
    zero = np.zeros(n)
    place = _Place(zero, zero, zero, zero, zero, zero)
    _settle(runs, fixed, motion, push)
    start = replace(motion)
    watch = watch_start(vehicle, course, n)
    steps = int(np.ceil(runs.duration_s / step_s))
    times = np.arange(steps + 1, dtype=np.float64) * step_s
    values = np.empty((len(CHANNELS), steps + 1, n)) if keep else None
    steer_mean = np.empty((steps + 1, n)) if keep else zero
    driver = runs.manoeuvre.driver
    looks = 1 if keep else LOOK_STEPS
    k = 0
    cut = False

    def ask() -> Array:
        if not along_way:
            return chain_at(runs.chain, np.full(n if runs.chain.at.ndim > 1 else 1, k * step_s))
        ahead = chain_at(runs.chain, place.along + motion.u * driver.look_s.at)
        wanted = driver_steer_rad(driver, fixed.base, ahead, place.off, place.heading_off)
        return wanted / np.where(wanted >= 0, vehicle.road.lock_left, vehicle.road.lock_right)

    for k in range(steps + 1):
        _frames(runs, signal, k, ask)
        if values is not None:
            _record(values, k, ask() * vehicle.road.lock_left, motion, signal, place, watch)
        cut = cancelled is not None and k % 50 == 49 and cancelled()
        if k == steps or cut or not (watch.all_running or watch.running.any()):
            break
        before = (motion.u, motion.v, motion.yaw_rate)
        push = _arm_and_machine(runs, fixed, signal, motion, push)
        if values is not None:
            steer_mean[k] = signal.steer_mean
        u, v, r = ((a + b) * 0.5 for a, b in zip(before, (motion.u, motion.v, motion.yaw_rate), strict=True))
        if along_way:
            _move_along(place, u, v, r, runs.chain, step_s)
        if values is not None:
            _move_plane(place, u, v, r, step_s)
        if k % looks == looks - 1:
            off = np.abs(place.off) if along_way else zero
            arrived = place.along >= runs.chain.end if along_way else None
            seen_s = looks * step_s
            gone = watch_step(
                watch, vehicle, course, motion, signal.servo, times[k + 1], seen_s, off, arrived, driver.lane_m.at
            )
            if gone is not None:
                _put_back(motion, place, start, gone)
    traces = None
    if values is not None:
        steer_mean[k] = signal.steer
        traces = Traces(times[: k + 1], values[:, : k + 1], np.rad2deg(steer_mean[: k + 1]))
    end = watch_result(watch, runs.manoeuvre, float(times[k]))
    if cut:
        end = replace(end, kind=np.where(watch.running, np.int8(EndKind.CUT_SHORT), end.kind).astype(np.int8))
    return Outcome(end, traces, step_ms)


def _settle(runs: Runs, fixed: Fixed, motion: Motion, push: Array) -> None:
    """Let springs, toe and bank come to rest before the clock starts, going straight ahead."""
    still = np.zeros_like(push)
    straight = np.zeros(runs.count)
    seconds = SETTLE_BANK_S if runs.course.bank_rad.any() else SETTLE_S
    for _ in range(int(np.ceil(seconds / fixed.step_s))):
        advance(runs.vehicle, fixed, motion, straight, push, still, CALM_PER_S)
        motion.v, motion.yaw_rate = straight.copy(), straight.copy()
        motion.u = straight + runs.course.pace


def _arm_and_machine(runs: Runs, fixed: Fixed, signal: _Signal, motion: Motion, push: Array) -> Array:
    """Servos and machine for one step; the mounts at its end."""
    vehicle, servo, step_s = runs.vehicle, signal.servo, fixed.step_s
    up, down = shock_torque(vehicle.levers, servo.arm_rad, motion.shock)
    if len(servo.arm_rad) == 1:
        up, down = up[:1] + up[1:], down[:1] + down[1:]
    signal.move_servos(servo, up, down)
    moved = pushes_mm(vehicle.levers, servo.arm_rad)
    most = vehicle.road.steer_speed * step_s
    signal.steer, signal.steer_mean = turn_towards(signal.steer, signal.steer_target, most)
    advance(vehicle, fixed, motion, signal.steer_mean, (push + moved) * 0.5, (moved - push) * (1 / step_s))
    return moved


def _record(values: Array, k: int, wheel_rad: Array, m: Motion, signal: _Signal, place: _Place, watch: Watch) -> None:
    arm, target = signal.servo.arm_rad, signal.servo.target_rad
    both = np.maximum(m.load[0] + m.load[1], 1e-9)
    rows = (
        np.rad2deg(wheel_rad),
        np.rad2deg(signal.steer),
        np.rad2deg(arm[0]),
        np.rad2deg(arm[-1]),
        np.rad2deg(target[0]),
        -np.rad2deg(m.roll),
        np.rad2deg(m.yaw_rate),
        m.lateral_g,
        m.u,
        np.rad2deg(np.arctan2(m.v, np.maximum(m.u, 1e-6))),
        m.load[0],
        m.load[1],
        m.rear_load,
        (m.load[1] - m.load[0]) / both,
        place.off,
        place.x,
        place.y,
    )
    here = values[:, k]
    for i, row in enumerate(rows):
        here[i] = row
    if not watch.all_running:
        values[:, k] = np.where(watch.running, here, values[:, k - 1])
