"""From machines and manoeuvres to runs: who drives what, how fast, on what grip; driven in batches."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from leanmix.errors import NoAnswer
from leanmix.job import Job
from leanmix.linkage import Array
from leanmix.machine import Machine
from leanmix.mixer import AMOUNT_FULL, FRAME_MS, Image
from leanmix.response.engine import Runs, drive, step_ms_for
from leanmix.response.manoeuvre import Manoeuvre
from leanmix.response.state import Course
from leanmix.response.vehicle import Vehicle, make_vehicle, take_vehicles
from leanmix.response.watch import End, EndKind
from leanmix.response.way import Chain, manoeuvre_chain, stack_chains

__all__ = [
    "Contender",
    "GripRange",
    "Picks",
    "contender",
    "drive_picks",
    "grip_range",
    "make_runs",
    "phases_ms",
    "picks_of",
]

Index = NDArray[np.intp]

BATCH = 1000
# on a way a run may take this much longer than at its pace before it counts as stopped
SLOWER = 1.6
NO_SURFACE_GRIP = (0.4, 0.6, 0.8)
GOLDEN = 0.6180339887498949


@dataclass(frozen=True, slots=True)
class Contender:
    """A machine with the table it drives with.

    Attributes
    ----------
    name : str
        For people: "Tarn", "Tarn without lean".
    vehicle : Vehicle
    image : Image
    amount_256ths : int
        256: with its lean; 0: without, the board's own live lean amount.
    """

    name: str
    vehicle: Vehicle
    image: Image
    amount_256ths: int = AMOUNT_FULL


def contender(job: Job, *, lean: bool = True, cold: bool = False) -> Contender:
    """A machine file's machine with its own fitted table.

    Raises
    ------
    NoAnswer
        When it has no table: its lean does not rise with the arm, or it does not stand.
    """
    name = job.machine.name if lean else f"{job.machine.name} without lean"
    vehicle = make_vehicle(job.machine, job.numbers, cold=cold)
    return Contender(name, vehicle, job.table.image, AMOUNT_FULL if lean else 0)


@dataclass(frozen=True, slots=True)
class GripRange:
    """Grip of a ground, side force over load: best guess `at`, ends of its range `low` and `high`, and whence."""

    low: float
    at: float
    high: float
    name: str


def grip_range(machine: Machine, manoeuvre: Manoeuvre, surface: str | None = None) -> GripRange:
    """The ground to drive on: the one asked for, the manoeuvre's, the machine's first, or an estimate.

    Raises
    ------
    NoAnswer
        When the machine file has no surface of that name.
    """
    wanted = surface or manoeuvre.ground.surface
    if wanted is None and manoeuvre.ground.grip is not None:
        grip = manoeuvre.ground.grip
        tol = grip.tol or 0.0
        return GripRange(max(grip.at - tol, 0.0), grip.at, grip.at + tol, manoeuvre.name)
    if wanted is None and not machine.surfaces:
        return GripRange(*NO_SURFACE_GRIP, "no surface given; an estimate")
    for ground in machine.surfaces:
        if wanted in (None, ground.name):
            tol = ground.grip.tol or 0.0
            return GripRange(max(ground.grip.at - tol, 0.02), ground.grip.at, ground.grip.at + tol, ground.name)
    known = ", ".join(f'"{s.name}"' for s in machine.surfaces) or "none"
    raise NoAnswer(f'{machine.name} has no surface called "{wanted}".', f"Its file has: {known}.")


@dataclass(frozen=True, slots=True)
class Picks:
    """Which runs: each of shape (runs,).

    Attributes
    ----------
    who, what : ndarray of int
        Contender and manoeuvre.
    speed_m_per_s, grip
        Pace and grip.
    receiver_phase_ms, board_phase_ms
        Where in their frames they begin.
    """

    who: Index
    what: Index
    speed_m_per_s: Array
    grip: Array
    receiver_phase_ms: Array
    board_phase_ms: Array

    @property
    def count(self) -> int:
        """Number of runs."""
        return len(self.who)

    def take(self, index: Index) -> Picks:
        """Some of them."""
        return Picks(*(getattr(self, f.name)[index] for f in fields(self)))


def picks_of(
    who: object,
    what: object,
    speed: object,
    grip: object,
    receiver_phase_ms: object = 0.0,
    board_phase_ms: object = 0.0,
) -> Picks:
    """Picks from anything that broadcasts to one shape, flattened; `speed` in m/s.

    `receiver_phase_ms` and `board_phase_ms` [ms] say when in their frames the receiver and the board begin.
    """
    parts = np.broadcast_arrays(who, what, speed, grip, receiver_phase_ms, board_phase_ms)  # type: ignore[arg-type]
    flat = [np.ravel(p) for p in parts]
    numbers = [np.asarray(p, dtype=np.float64) for p in flat[2:]]
    return Picks(np.asarray(flat[0], dtype=np.intp), np.asarray(flat[1], dtype=np.intp), *numbers)


def _one_where_alike(values: Array) -> Array:
    return values[:1] if values.size and (values == values[0]).all() else values


def _course(manoeuvres: Sequence[Manoeuvre], picks: Picks) -> Course:
    grounds = [m.ground for m in manoeuvres]

    def each(values: list[float]) -> Array:
        return _one_where_alike(np.array(values)[picks.what])

    return Course(
        grip=_one_where_alike(picks.grip),
        drag=each([g.drag.at for g in grounds]),
        bank_rad=each([np.deg2rad(g.bank_deg.at) for g in grounds]),
        slide_runner=each([np.tan(np.deg2rad(g.slip_full_runner_deg.at)) for g in grounds]),
        slide_rear=each([np.tan(np.deg2rad(g.slip_full_rear_deg.at)) for g in grounds]),
        pace=picks.speed_m_per_s,
        push_g=each([m.pace.push_g.at if m.pace.hold else 0.0 for m in manoeuvres]),
    )


def make_runs(contenders: Sequence[Contender], manoeuvres: Sequence[Manoeuvre], picks: Picks) -> Runs:
    """Put picked runs together for `drive`.

    Parameters
    ----------
    contenders, manoeuvres : sequence
        What picks count in. All manoeuvres either ask for steer over time or for a way, with one driver.
    picks : Picks
        Which.

    Raises
    ------
    NoAnswer
        When the contenders cannot be driven together.
    """
    used = np.unique(picks.who)
    chosen = [contenders[i] for i in used]
    place = np.searchsorted(used, picks.who)
    vehicle = take_vehicles([c.vehicle for c in chosen], place)
    images = tuple(contenders[i].image for i in picks.who)
    one_image = all(c.image == chosen[0].image for c in chosen)
    chains: list[Chain] = [manoeuvre_chain(m) for m in manoeuvres]
    return Runs(
        vehicle=vehicle,
        images=chosen[0].image if one_image else images,
        amount_256ths=np.array([c.amount_256ths for c in contenders], dtype=np.int64)[picks.who],
        manoeuvre=manoeuvres[0],
        chain=stack_chains(chains, picks.what),
        course=_course(manoeuvres, picks),
        duration_s=max(_duration_s(manoeuvres, chains, picks)),
        receiver_phase_ms=picks.receiver_phase_ms,
        board_phase_ms=picks.board_phase_ms,
    )


def _duration_s(manoeuvres: Sequence[Manoeuvre], chains: list[Chain], picks: Picks) -> list[float]:
    out = []
    for i in np.unique(picks.what):
        m, speed = manoeuvres[i], picks.speed_m_per_s[picks.what == i]
        if m.duration_s is not None:
            out.append(m.duration_s.at)
        else:
            out.append(SLOWER * float(chains[i].end) / max(float(speed.min()), 0.05) + 0.5)
    return out


def _kind(vehicle: Vehicle, manoeuvre: Manoeuvre) -> tuple[object, ...]:
    """Runs of one kind can go in one batch."""
    machine = vehicle.machine
    return (
        vehicle.steer_frame_ms,
        vehicle.servo_frame_ms,
        machine.servo.arrangement,
        machine.rear.kind,
        machine.board.ramp_frames,
        bool(manoeuvre.path),
        manoeuvre.driver,
    )


def drive_picks(
    contenders: Sequence[Contender],
    manoeuvres: Sequence[Manoeuvre],
    picks: Picks,
    *,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> End:
    """Drive any picks, in batches of like kind and like duration.

    Parameters
    ----------
    contenders, manoeuvres, picks
        As in `make_runs`, but mixed as you like.
    progress : callable, optional
        Told how many of how many runs are done.
    cancelled : callable, optional
        Asked now and then; when it says True, runs not yet driven end as cut short.

    Returns
    -------
    End
        In the order of the picks.
    """
    kinds: dict[tuple[object, ...], list[int]] = {}
    for i in range(picks.count):
        kind = _kind(contenders[picks.who[i]].vehicle, manoeuvres[picks.what[i]])
        kinds.setdefault(kind, []).append(i)
    parts: list[Index] = []
    for members in kinds.values():
        order = np.array(members, dtype=np.intp)
        order = order[np.lexsort((picks.what[order], picks.speed_m_per_s[order]))]
        parts.extend(np.array_split(order, max(1, int(np.ceil(len(order) / BATCH)))))
    ends: list[End] = []
    done = 0
    for part in parts:
        if cancelled is not None and cancelled():
            ends.append(_cut_short(len(part)))
        else:
            own = picks.take(part)
            what, local = np.unique(own.what, return_inverse=True)
            own = picks_of(own.who, local, own.speed_m_per_s, own.grip, own.receiver_phase_ms, own.board_phase_ms)
            ends.append(drive(make_runs(contenders, [manoeuvres[i] for i in what], own), cancelled=cancelled).end)
        done += len(part)
        if progress is not None:
            progress(done, picks.count)
    back = np.argsort(np.concatenate(parts), kind="stable") if parts else np.zeros(0, dtype=np.intp)
    return End(*(np.concatenate([getattr(e, f.name) for e in ends])[back] for f in fields(End)))


def _cut_short(runs: int) -> End:
    zero = np.zeros(runs)
    never = np.full(runs, -1.0)
    return End(
        kind=np.full(runs, EndKind.CUT_SHORT, dtype=np.int8),
        at_s=zero,
        tip_left=np.zeros(runs, dtype=bool),
        lift_s=never,
        falls_s=never,
        falls_g=zero,
        runner_slide_s=never,
        rear_slide_s=never,
        stall_s=never,
        most_transfer=zero,
        most_lean_deg=zero,
        most_lateral_g=zero,
        most_off_m=zero,
        least_speed_m_per_s=zero,
    )


def phases_ms(vehicle: Vehicle, count: int) -> tuple[Array, Array]:
    """Phases of receiver and board that stand for not knowing them: evenly spread, one against the other.

    They lie on the longest steps, so that shorter ones that divide these drive the very same runs.

    Returns
    -------
    receiver_ms, board_ms : ndarray, shape (count,)
    """
    turn = np.arange(count) / max(count, 1)
    # a step through one frame while the other goes round several times covers the square evenly
    other = (turn * GOLDEN * count) % 1.0
    step_ms = step_ms_for(vehicle)
    receiver, board = (np.rint(v / step_ms) * step_ms for v in (turn * vehicle.steer_frame_ms, other * FRAME_MS))
    return receiver, board
