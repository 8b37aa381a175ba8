"""What the stages say about the machine that is open, gathered for the screens; nothing is computed here.

Stages are imported when first needed, so that the first picture does not wait for them.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leanmix.errors import LeanmixError
from leanmix.machine import MachineFile, Numbers, values
from leanmix.screens.moved import flashed_table
from leanmix.screens.store import FINE, Position

if TYPE_CHECKING:
    from leanmix.curve import Caps, Check, Plan, Table
    from leanmix.job import Job
    from leanmix.linkage import MountPose, ServoLine, ServoLoad, ShockState, SideGeometry, SuspensionPose
    from leanmix.remeasure import TableStands
    from leanmix.stance import Setup, Stance
    from leanmix.stops import Ladder, Stop

__all__ = ["STEERS", "Moment", "Reckoned", "later", "moment", "next_stop", "reckon", "stops_here", "sweep"]

Array = NDArray[np.float64]

STEERS: Array = np.round(np.arange(-round(1 / FINE), round(1 / FINE) + 1) * FINE, 6)
SWEEP_POINTS = 121
# while edits come fast only so many steering positions are inverted, straight lines between; all of them follow
QUICK_EVERY = 8


@dataclass(frozen=True)
class Reckoned:
    """A machine worked out as far as it goes.

    Attributes
    ----------
    serial : int
        The store's count at that text.
    source : MachineFile
    numbers : Numbers
    job : Job or None
        None where the parts cannot be put together.
    caps : Caps or None
        From this one build while `settled` is False, else from many.
    plan : Plan or None
        The exact mapping; None where there is none.
    wanted_deg, held_deg, asked_deg : ndarray, shape (steers,)
        Throw before and after the caps, and what was asked, over `STEERS`; NaN where there is no plan.
    lean_deg : ndarray, shape (steers,)
        Lean standing still over `STEERS`.
    troubles : tuple of str
        What could not be worked out, and why.
    settled : bool
        Whether many builds have been looked at.
    table : Table or None
        The fitted table, once `settled`.
    checks : tuple of Check
        Its proof.
    held : TableStands or None
        The table flashed last, proved again against this machine; None where none was flashed or nothing is proved yet.
    """

    serial: int
    source: MachineFile
    numbers: Numbers
    job: Job | None
    caps: Caps | None
    plan: Plan | None
    wanted_deg: Array
    held_deg: Array
    asked_deg: Array
    lean_deg: Array
    troubles: tuple[str, ...]
    settled: bool = False
    table: Table | None = None
    checks: tuple[Check, ...] = ()
    held: TableStands | None = None

    @property
    def setup(self) -> Setup | None:
        """Ready to be balanced."""
        return None if self.job is None else self.job.setup

    @property
    def ladder(self) -> Ladder | None:
        """Everything that ends the throw."""
        return None if self.job is None else self.job.ladder

    @property
    def locks_deg(self) -> tuple[float, float]:
        """Arm at full left and at full right [deg, + left]; the caps where there is no curve, 0 where there are none."""
        if np.isfinite(self.held_deg).all():
            return float(self.held_deg[-1]), float(self.held_deg[0])
        return (0.0, 0.0) if self.caps is None else (self.caps.left.throw_deg, -self.caps.right.throw_deg)

    @property
    def proved(self) -> bool:
        """Whether there is a table and every check of its proof was passed."""
        return bool(self.checks) and all(c.passed for c in self.checks)


@dataclass(frozen=True)
class Moment:
    """The machine at the present position.

    Attributes
    ----------
    position : Position
    throw_deg, wanted_deg, asked_deg : float
        Arm as sent, as it would be without caps, and degrees asked for; + left.
    stance : Stance or None
        How it stands; every array of shape (); None where it cannot be said.
    why : str
        Why there is no stance.
    mounts, suspensions, shocks : tuple of two, left and right
        Poses for drawing.
    pulses_us : tuple of float
        Each servo's pulse.
    load : ServoLoad or None
        Torque with the throw growing to where it points, guides at the rough end of their friction range.
    torque_N_mm, torque_share : float
        The larger one, and its share of stall with the battery cold; NaN where a mount jams.
    line : ServoLine or None
        The servo with the battery cold.
    """

    position: Position
    throw_deg: float
    wanted_deg: float
    asked_deg: float
    stance: Stance | None
    why: str
    mounts: tuple[MountPose, MountPose] | None
    suspensions: tuple[SuspensionPose, SuspensionPose] | None
    shocks: tuple[ShockState, ShockState] | None
    pulses_us: tuple[float, ...]
    load: ServoLoad | None
    torque_N_mm: float
    torque_share: float
    line: ServoLine | None

    @property
    def lean_deg(self) -> float:
        """Lean [deg, + left]; NaN where it cannot be said."""
        return float(self.stance.lean_deg) if self.stance is not None else float("nan")

    @property
    def capped(self) -> bool:
        """Whether a cap holds the arm back."""
        return self.position.held_deg is None and abs(self.wanted_deg - self.throw_deg) > 0.05


def reckon(source: MachineFile, serial: int = 0) -> Reckoned:
    """Work a machine out as far as the screens need it at once: pose, ladder, caps of this one build, curve.

    The ladder is the stops' own, with their plain balance; `later` puts the whole job's in its place. What fails is
    told in `troubles`; what came before it is there.
    """
    from leanmix.curve import WayLimit, asked_deg, find_caps, make_plan
    from leanmix.job import Job
    from leanmix.stance import stance_setup
    from leanmix.stops import find_stops

    numbers = values(source.machine)
    nothing = np.full(len(STEERS), np.nan)
    asked = np.asarray(asked_deg(source.machine, numbers, STEERS))
    blank = Reckoned(serial, source, numbers, None, None, None, nothing, nothing, asked, nothing, ())
    try:
        setup = stance_setup(source.machine, numbers)
        job = Job(source, numbers, setup, find_stops(source.machine, numbers))
    except LeanmixError as error:
        return replace(blank, troubles=(str(error),))
    limits = []
    for name in ("left", "right"):
        block = job.ladder.first_block(name)
        size = np.inf if block is None else block.throw_deg
        limits.append(WayLimit(size, size, "nothing" if block is None else block.says.split(":")[0]))
    caps = find_caps(source.machine, numbers, *limits)
    found = replace(blank, job=job, caps=caps)
    try:
        plan = make_plan(source.machine, numbers, caps, job.reachable_lean)
    except LeanmixError as error:
        return replace(found, troubles=(str(error),))
    return _with_plan(found, _quick(plan), QUICK_EVERY)


def _quick(plan: Plan) -> Plan:
    """The same mapping read off a monotone cubic through the balances it was made from; `later` asks the balance again."""
    from scipy.interpolate import PchipInterpolator

    rising = plan.rising
    return replace(plan, rising=replace(rising, lean_of_throw=PchipInterpolator(rising.throw_deg, rising.lean_deg)))


def later(done: Reckoned) -> Iterator[Reckoned]:
    """What takes longer, step by step: caps clear of many builds, then the table and its proof."""
    from leanmix.job import work_out

    if done.job is None:
        return
    try:
        job = work_out(done.source)
    except LeanmixError as error:
        yield replace(done, settled=True, troubles=(str(error),))
        return
    found = replace(done, job=job, settled=True, troubles=())
    try:
        found = replace(found, caps=job.caps)
        found = _with_plan(found, job.plan, 1)
        yield found
        if job.table.plan is not job.plan:
            # the table had to widen the knee: what it does is what the arm will do
            found = _with_plan(found, job.table.plan, 1)
        found = replace(found, table=job.table, checks=job.checks)
        yield found
    except LeanmixError as error:
        yield replace(found, troubles=(str(error),))
        return
    # a journal that cannot be read is told of where it is looked at; it is no trouble of the machine's
    with suppress(LeanmixError):
        held = flashed_table(job)
        if held is not None:
            yield replace(found, held=held)


def _with_plan(done: Reckoned, plan: Plan, every: int) -> Reckoned:
    from leanmix.curve import plan_throw_deg

    some = STEERS[::every]
    wanted, held = (np.interp(STEERS, some, throws) for throws in plan_throw_deg(plan, some))
    lean = np.interp(held, plan.rising.throw_deg, plan.rising.lean_deg)
    return replace(done, plan=plan, wanted_deg=wanted, held_deg=held, lean_deg=lean)


def next_stop(done: Reckoned, throw_deg: float) -> tuple[Stop, float] | None:
    """The next stop the way the arm points (left where it is centred), and how many degrees on [deg].

    Negative where the arm is held beyond it.
    """
    if done.ladder is None or not np.isfinite(throw_deg):
        return None
    rungs = done.ladder.way("left" if throw_deg >= 0 else "right")
    size = abs(throw_deg)
    ahead = [r for r in rungs if r.throw_deg >= size - 1e-6]
    if ahead:
        return ahead[0], ahead[0].throw_deg - size
    return (rungs[-1], rungs[-1].throw_deg - size) if rungs else None


def moment(done: Reckoned, position: Position) -> Moment:
    """The machine where the steering (or a hand on the arm) has it."""
    from leanmix.linkage import pulse_us, servo_line, servo_load

    at = int(np.argmin(np.abs(STEERS - position.steer)))
    throw = float(done.held_deg[at]) if position.held_deg is None else position.held_deg
    wanted = float(done.wanted_deg[at]) if position.held_deg is None else throw
    asked = float(done.asked_deg[at])
    if done.setup is None or not np.isfinite(throw):
        why = done.troubles[0] if done.troubles else "There is no arm angle for this steering position."
        nan = float("nan")
        return Moment(position, throw, wanted, asked, None, why, None, None, None, (), None, nan, nan, None)
    stance, why, mounts, suspensions, shocks = _pose(done.setup, throw, position.lateral_g)
    machine = done.source.machine
    pulses = tuple(float(p) for p in pulse_us(machine, done.numbers, np.deg2rad(throw)))
    # as the stops reckon it: guides at the rough end of their range, battery cold
    line = servo_line(done.numbers, cold=True)
    load, torque = None, float("nan")
    if stance is not None and shocks is not None:
        left, right = done.setup.geometry
        load = servo_load(
            machine, left, right, np.deg2rad(throw),
            (float(stance.shock_left_N), shocks[0].along), (float(stance.shock_right_N), shocks[1].along),
            way=1.0 if throw >= 0 else -1.0, friction=done.ladder.friction_high if done.ladder is not None else None,
        )  # fmt: skip
        torque = float(np.max(np.abs(load.torque_N_mm)))
    return Moment(
        position, throw, wanted, asked, stance, why, mounts, suspensions, shocks, pulses, load, torque,
        torque / float(line.stall_N_mm), line,
    )  # fmt: skip


def _pose(setup: Setup, throw_deg: float, lateral_g: float) -> tuple[Any, str, Any, Any, Any]:
    from leanmix.linkage import mount_pose, shock_between, suspension_pose, suspension_rates, tip_up_rad
    from leanmix.stance import Reason, balance

    stance = balance(setup, np.asarray(throw_deg), lateral_g)
    geometry: tuple[SideGeometry, SideGeometry] = setup.geometry
    mounts = tuple(mount_pose(g, tip_up_rad(np.deg2rad(throw_deg), g.side)) for g in geometry)
    if not bool(stance.ok):
        return None, Reason(int(stance.reason)).says, None, None, None
    droops = (np.deg2rad(stance.droop_left_deg), np.deg2rad(stance.droop_right_deg))
    suspensions = tuple(suspension_pose(g, d) for g, d in zip(geometry, droops, strict=True))
    shocks = tuple(
        shock_between(g, m.push_mm, s, suspension_rates(g, s))
        for g, m, s in zip(geometry, mounts, suspensions, strict=True)
    )
    return stance, "", mounts, suspensions, shocks


def stops_here(done: Reckoned, throw_deg: float, within_deg: float = 0.15) -> tuple[Stop, ...]:
    """Stops the arm has come to the way it points: those reached, or within a hair of it."""
    if done.ladder is None or not np.isfinite(throw_deg):
        return ()
    rungs = done.ladder.way("left" if throw_deg >= 0 else "right")
    return tuple(r for r in rungs if r.throw_deg <= abs(throw_deg) + within_deg)


def sweep(done: Reckoned, lateral_g: float = 0.0) -> Stance | None:
    """The machine over the whole throw between its caps, for charts."""
    from leanmix.stance import balance

    if done.setup is None or done.caps is None:
        return None
    throws = np.linspace(-done.caps.right.throw_deg, done.caps.left.throw_deg, SWEEP_POINTS)
    return balance(done.setup, throws, lateral_g)
