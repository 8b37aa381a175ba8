"""The ladder: every stop each way in order, what it is, what removing it gives; and the caps that follow."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

import numpy as np

from leanmix.linkage import SIDES, Array, SideName, mount_pose, mount_push_mm, suspension_pose, tip_up_rad
from leanmix.machine import Machine, Numbers, values
from leanmix.stops.gaps import gap_at
from leanmix.stops.loads import Loads, StateSource, friction_range, loads_over
from leanmix.stops.mechanism import Mechanism, mechanism
from leanmix.stops.neutral import Neutral, neutral_state
from leanmix.stops.parts import find_pairs
from leanmix.stops.rung import Cap, ClearanceCurve, Stop
from leanmix.stops.search import Fineness, Found, find_hard_ends, find_soft_ends, throw_range
from leanmix.stops.states import MakeStates, States, parked_balance
from leanmix.stops.words import Telling, tell

__all__ = ["WAYS", "Ladder", "find_stops"]

WAYS = ("left", "right")
CURVE_POINTS = 121
# throws nearer than this are one place on the ladder
SAME_DEG = 1e-6
# lean at neutral that is rounding only
ROUNDING_DEG = 1e-9
# beyond these the mount turns back or nothing turns: what lies past them is no use to anyone
LAST_KINDS = frozenset({"over_centre", "link_out_of_reach", "servo_end"})


@dataclass(frozen=True, slots=True)
class Ladder:
    """All that ends the throw of one machine.

    Attributes
    ----------
    machine : str
        Its name.
    left, right : tuple of Stop
        In order of throw, up to the servo's own end, over centre or the link's reach.
    cap_left, cap_right : Cap
        How far the arm may be sent, by this one build.
    neutral : Neutral
        What stands at neutral: links, ride height, spline.
    loads : Loads
        Figures over the throw.
    clearances : tuple of ClearanceCurve
        Every declared pair over the throw.
    friction_low, friction_high : tuple of float
        Guides' friction (left, right) that was reckoned with; jam and torque use the high end.
    notes : tuple of str
        What a builder should know that is no stop.
    """

    machine: str
    left: tuple[Stop, ...]
    right: tuple[Stop, ...]
    cap_left: Cap
    cap_right: Cap
    neutral: Neutral
    loads: Loads
    clearances: tuple[ClearanceCurve, ...]
    friction_low: tuple[float, float]
    friction_high: tuple[float, float]
    notes: tuple[str, ...]

    def way(self, name: str) -> tuple[Stop, ...]:
        """The ladder one way."""
        return self.left if name == "left" else self.right

    def cap(self, name: str) -> Cap:
        """The cap one way."""
        return self.cap_left if name == "left" else self.cap_right

    def first_block(self, name: str) -> Stop | None:
        """The first stop one way that stops the servo; None where nothing does."""
        return next((s for s in self.way(name) if s.blocks), None)


def find_stops(
    machine: Machine,
    numbers: Numbers | None = None,
    make_states: MakeStates = parked_balance,
    fine: Fineness | None = None,
) -> Ladder:
    """Find every stop of one machine.

    Parameters
    ----------
    machine : Machine
        The machine.
    numbers : Numbers, optional
        Scalar numbers to use instead of the file's.
    make_states : MakeStates
        What balances it (`parked_balance`, or one from the stance).
    fine : Fineness, optional
        How closely to look.

    Raises
    ------
    GeometryError
        When it cannot be assembled at neutral.
    """
    mech = mechanism(machine, values(machine) if numbers is None else numbers)
    look = Fineness() if fine is None else fine
    source = StateSource(mech, make_states)
    within = throw_range(mech)
    found = [*find_hard_ends(mech, within, look), *find_soft_ends(mech, within, look, source)]
    low, high = friction_range(mech)
    grid = np.linspace(float(within.minus[0]), float(within.plus[0]), CURVE_POINTS)
    states = source.whole(grid)
    loads = loads_over(mech, states)
    telling = Telling(mech, source, loads)
    ladders = {way: tuple(_rungs(mech, source, found, way, telling)) for way in WAYS}
    neutral = neutral_state(mech)
    return Ladder(
        machine=machine.name,
        left=ladders["left"],
        right=ladders["right"],
        cap_left=_cap(mech, source, ladders["left"], "left"),
        cap_right=_cap(mech, source, ladders["right"], "right"),
        neutral=neutral,
        loads=loads,
        clearances=tuple(_clearances(mech, states)),
        friction_low=(float(np.asarray(low[0])), float(np.asarray(low[1]))),
        friction_high=(float(np.asarray(high[0])), float(np.asarray(high[1]))),
        notes=telling.notes(neutral, (*ladders["left"], *ladders["right"])),
    )


def pulses_at(mech: Mechanism, throw_rad: float) -> tuple[float, ...]:
    """Each servo's pulse at a throw of one build [µs]."""
    return tuple(float(np.asarray(s.neutral_us + s.us_per_rad * throw_rad)) for s in mech.servos)


def _rungs(mech: Mechanism, source: StateSource, found: list[Found], way: str, telling: Telling) -> Iterator[Stop]:
    sign = 1.0 if way == "left" else -1.0
    reached = [(float((f.left_rad if way == "left" else f.right_rad)[0]), i, f) for i, f in enumerate(found)]
    met = sorted((r for r in reached if np.isfinite(r[0])), key=lambda r: (r[0], not r[2].blocks, r[1]))
    last = next((i for i, r in enumerate(met) if r[2].kind in LAST_KINDS), len(met) - 1)
    met = met[: last + 1]
    if not met:
        return
    throws = sign * np.array([r[0] for r in met])
    states = source.whole(throws)
    leans = sign * states.lean_deg
    leans = np.where(np.abs(leans) < ROUNDING_DEG, 0.0, leans)
    free = leans if source.free is source.whole else sign * source.free(throws).lean_deg
    for i, (size, _, item) in enumerate(met):
        further = np.flatnonzero(np.abs(throws) > size + np.deg2rad(SAME_DEG))
        ahead = int(further[0]) if further.size else None
        pushes = {s: float(np.asarray(mount_push_mm(mech.side(s), tip_up_rad(throws[i], s)))) for s in SIDES}
        words = tell(telling, item, way, float(throws[i]), None if ahead is None else float(throws[ahead]))
        yield Stop(
            way=way,
            throw_deg=float(np.rad2deg(size)),
            kind=item.kind,
            blocks=item.blocks,
            side=item.side,
            parts=() if item.pair is None else (item.pair.first.name, item.pair.second.name),
            pulses_us=pulses_at(mech, float(throws[i])),
            push_left_mm=pushes["left"],
            push_right_mm=pushes["right"],
            at_mm=_place(mech, _one_of(states, i), item, float(throws[i])),
            lean_deg=float(leans[i]),
            gain_deg=_gain(leans if item.blocks else free, i, ahead),
            says=words.says,
            cure=words.cure,
        )


def _one_of(states: States, i: int) -> States:
    return replace(states, **{f.name: getattr(states, f.name)[i : i + 1] for f in fields(states)})


def _place(mech: Mechanism, states: States, item: Found, throw: float) -> tuple[float, float]:
    """Where a stop happens, in chassis axes (left, up) [mm], with the states of that one throw."""
    if item.pair is not None:
        gap, x = gap_at(mech, item.pair, states)
        return gap.where_mm(float(x[0]))
    side: SideName = "right" if item.side == "right" else "left"
    geo = mech.side(side)
    pose = mount_pose(geo, tip_up_rad(throw, side))
    if item.kind in ("guide_end", "jam"):
        spot = pose.ball
    elif item.kind in ("over_centre", "link_out_of_reach", "ball_binds"):
        spot = pose.tip
    elif item.kind in ("shock_solid", "shock_pulled_out"):
        droop = states.droop_right_rad if side == "right" else states.droop_left_rad
        spot = suspension_pose(geo, float(droop[0])).shock_lower_eye
    else:
        spot = geo.arm_centre
    out, up = float(np.asarray(spot.out)), float(np.asarray(spot.up))
    return (out if side == "left" else -out), up


def _gain(leans: Array, here: int, ahead: int | None) -> float | None:
    gain = np.nan if ahead is None else float(leans[ahead] - leans[here])
    return gain if np.isfinite(gain) else None


def _cap(mech: Mechanism, source: StateSource, ladder: tuple[Stop, ...], way: str) -> Cap:
    margin = float(mech.each("limits.cap_margin_deg")[0])
    block = next((s for s in ladder if s.blocks), None)
    options: list[tuple[float, str]] = []
    if block is not None:
        options.append((block.throw_deg - margin, f"{margin:g}° short of: {block.says}"))
    own = f"limits.cap_{way}_deg"
    if own in mech.numbers:
        options.append((float(mech.each(own)[0]), "your own cap"))
    throw, why = min(options, default=(0.0, "nothing was found that ends the throw"))
    throw = max(throw, 0.0)
    sign = 1.0 if way == "left" else -1.0
    at = float(sign * np.deg2rad(throw))
    lean = float(sign * source.whole(np.array([at])).lean_deg[0])
    return Cap(way, throw, pulses_at(mech, at), lean, why)


def _clearances(mech: Mechanism, states: States) -> Iterator[ClearanceCurve]:
    everyone = np.zeros(states.throw_rad.shape, dtype=np.intp)
    for pair in find_pairs(mech.machine):
        gap, x = gap_at(mech, pair, states)
        yield ClearanceCurve(
            parts=(pair.first.name, pair.second.name),
            side=pair.side,
            blocks=pair.blocks,
            margin_mm=float(gap.margin_mm[0]),
            throw_deg=np.rad2deg(states.throw_rad),
            gap_mm=gap.signed_mm(x, everyone),
        )
