"""Every stop of one build or many: what happens first each way for every end, contact, jam and stall."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from typing import Literal, TypeAlias

import numpy as np

from leanmix.linkage import SIDES, Array, SideGeometry, SideName, Spot, Value, mount_push_mm, shock_line, tip_up_rad
from leanmix.stops.ends import BothWays, guide_ends, over_centre, pulse_ends, reach_ends, servo_travel
from leanmix.stops.gaps import Gap, droop_gap, moved_by_droop_alone, needs_states, throw_gap
from leanmix.stops.loads import (
    Shocks,
    StateSource,
    friction_range,
    jam_room,
    shocks_at,
    stall_room,
    torque_allowed,
    torque_surely_enough,
)
from leanmix.stops.mechanism import PLACING, Mechanism, taken
from leanmix.stops.parts import Pair, find_pairs
from leanmix.stops.roots import Index, first_below, first_touch
from leanmix.stops.states import States

__all__ = [
    "DROOP_MAX_RAD",
    "Fineness",
    "Found",
    "Kind",
    "droop_limits",
    "find_hard_ends",
    "find_soft_ends",
    "throw_range",
]

Kind = Literal[
    "contact",
    "guide_end",
    "link_out_of_reach",
    "over_centre",
    "servo_end",
    "pulse_end",
    "ball_binds",
    "jam",
    "stall",
    "shock_solid",
    "shock_pulled_out",
]

Crossings: TypeAlias = Callable[[list[Array], Callable[[States, Index], Array]], BothWays]
Length: TypeAlias = Callable[[States, Index], Array]

# what a shock's length needs of a geometry
SHOCK_PLACING = (
    *PLACING,
    "eye",
    "lower_pivot",
    "shock_eye",
    "lower_ball",
    "upper_pivot",
    "upper_ball",
    "contact",
    "upright_mm",
    "upper_arm_mm",
    "fourbar_branch",
)
# how far from the measured pose a suspension arm's contact is looked for
DROOP_MAX_RAD = 0.9
# the search stops this short of where the link runs out, so that every pose in it exists
REACH_SHORT_RAD = 1e-9


@dataclass(frozen=True, slots=True)
class Fineness:
    """How closely to look.

    Attributes
    ----------
    resolution_rad : float
        Throw below which a contact's dips are searched for their bottom instead of being bounded.
    samples : int
        Samples each way of what is sampled: jam, stall, shock, suspension.
    """

    resolution_rad: float = float(np.deg2rad(0.02))
    samples: int = 61


@dataclass(frozen=True, slots=True)
class Found:
    """One kind of stop and where each build first meets it.

    Attributes
    ----------
    kind : str
        What it is.
    blocks : bool
        Whether it stops the servo; else it is only touched.
    side : str
        "left", "right", "both", "across" or "centre".
    left_rad, right_rad : ndarray, shape (builds,)
        Throw ≥ 0 going left, and size of throw going right; infinite where it is not met.
    pair : Pair or None
        The shapes, for a contact.
    """

    kind: Kind
    blocks: bool
    side: str
    left_rad: Array
    right_rad: Array
    pair: Pair | None = None


def _found(kind: Kind, blocks: bool, side: str, ways: BothWays, pair: Pair | None = None) -> Found:
    # adding 0 turns −0 into 0, which would be shown
    return Found(kind, blocks, side, ways.plus + 0.0, 0.0 - ways.minus, pair)


def _on_side(side: SideName, ways: BothWays) -> BothWays:
    """Arm angles (tip up) of one side as throws."""
    return ways if side == "left" else ways.turned()


def throw_range(mech: Mechanism) -> BothWays:
    """How far each way there is anything to look at: the servo's travel, or just short of where a link runs out."""
    ways = servo_travel(mech)
    plus, minus = ways.plus, ways.minus
    for side in SIDES:
        reach = _on_side(side, reach_ends(mech.side(side), mech.builds))
        plus = np.minimum(plus, np.maximum(reach.plus - REACH_SHORT_RAD, 0.0))
        minus = np.maximum(minus, np.minimum(reach.minus + REACH_SHORT_RAD, 0.0))
    broken = ~(np.isfinite(mech.left.push_neutral_mm) & np.isfinite(mech.right.push_neutral_mm))
    return BothWays(np.where(broken, np.nan, plus), np.where(broken, np.nan, minus))


def find_lengths(mech: Mechanism, within: BothWays) -> Iterator[Found]:
    """Ends that follow from lengths alone, and a ball joint that binds at once."""

    def cut(ways: BothWays) -> BothWays:
        # a little past the range counts: the range itself stops short of the link's reach
        slack = 2 * REACH_SHORT_RAD
        return BothWays(
            np.where(ways.plus <= within.plus + slack, ways.plus, np.inf),
            np.where(ways.minus >= within.minus - slack, ways.minus, -np.inf),
        )

    yield _found("servo_end", True, "both", cut(servo_travel(mech)))
    yield _found("pulse_end", True, "both", cut(pulse_ends(mech)))
    for side in SIDES:
        geo = mech.side(side)
        for ways in guide_ends(geo, mech.builds):
            yield _found("guide_end", True, side, cut(_on_side(side, ways)))
        yield _found("over_centre", True, side, cut(_on_side(side, over_centre(geo, mech.builds))))
        yield _found("link_out_of_reach", True, side, cut(_on_side(side, reach_ends(geo, mech.builds))))
        tilt = np.arcsin(np.clip(np.abs(geo.offset_behind_mm) / geo.link_length_mm, 0.0, 1.0))
        binds = np.broadcast_to(tilt >= geo.ball_swing_rad, (mech.builds,))
        yield _found("ball_binds", True, side, BothWays(np.where(binds, 0.0, np.inf), np.where(binds, 0.0, -np.inf)))


def find_contacts(mech: Mechanism, within: BothWays, fine: Fineness, *, first_only: bool = False) -> Iterator[Found]:
    """Contacts of servo-side parts, which no balance is needed for."""
    for pair in find_pairs(mech.machine):
        if not moved_by_droop_alone(pair) and not needs_states(pair):
            ways = _touch(throw_gap(mech, pair), within, fine)
            if first_only:
                within = BothWays(np.minimum(within.plus, ways.plus), np.maximum(within.minus, ways.minus))
            yield _found("contact", True, pair.side, ways, pair)


def _ways(plus: Array, minus: Array) -> BothWays:
    """Both searches together; an end at neutral itself has no sign, so never is given its own here."""
    return BothWays(np.where(np.isinf(plus), np.inf, plus), np.where(np.isinf(minus), -np.inf, minus))


def _touch(gap: Gap, within: BothWays, fine: Fineness) -> BothWays:
    start = gap(np.zeros(within.plus.shape), np.arange(within.plus.size))
    if gap.builds == 1:
        # one build's two ways go on together, as two builds would
        ends, starts = np.concatenate([within.plus, within.minus]), np.repeat(start, 2)
        both = first_touch(gap, gap.speed, ends, start=starts, resolution=fine.resolution_rad)
        return _ways(both[:1], both[1:])
    plus, minus = (
        first_touch(gap, gap.speed, end, start=start, resolution=fine.resolution_rad)
        for end in (within.plus, within.minus)
    )
    return _ways(plus, minus)


def _sampled(f: Callable[[Array, Index], Array], within: BothWays, samples: int) -> BothWays:
    plus, minus = (first_below(f, end, samples) for end in (within.plus, within.minus))
    return _ways(plus, minus)


def find_jams(mech: Mechanism, within: BothWays, fine: Fineness, friction: tuple[Value, Value]) -> Iterator[Found]:
    """Where a guide lets less of the push through than is allowed."""
    for side, mu in zip(SIDES, friction, strict=True):
        geo = mech.side(side)

        def room(x: Array, index: Index, geo: object = geo, mu: Value = mu) -> Array:
            return jam_room(mech, mech.left if geo is mech.left else mech.right, mu, x, index)

        yield _found("jam", True, side, _sampled(room, within, fine.samples))


def first_blocks(found: Sequence[Found], within: BothWays) -> BothWays:
    """The range cut down to the first block each way."""
    plus, minus = within.plus, within.minus
    for item in found:
        if item.blocks:
            plus, minus = np.minimum(plus, item.left_rad), np.maximum(minus, -item.right_rad)
    return BothWays(plus, minus)


def find_hard_ends(
    mech: Mechanism,
    within: BothWays,
    fine: Fineness,
    friction: tuple[Value, Value] | None = None,
    *,
    first_only: bool = False,
) -> list[Found]:
    """Every stop that no balance is needed for.

    Parameters
    ----------
    mech : Mechanism
        One build or many.
    within : BothWays
        How far to look each way (`throw_range`).
    fine : Fineness
        How closely.
    friction : tuple, optional
        Friction left and right for the jam; without it the high end of the file's range.
    first_only : bool
        Look no further than the first block found so far, each way: what lies past it is left out or infinite.
    """
    mu = friction_range(mech)[1] if friction is None else friction
    found = list(find_lengths(mech, within))
    if not first_only:
        return [*found, *find_contacts(mech, within, fine), *find_jams(mech, within, fine, mu)]
    within = first_blocks(found, within)
    found += find_jams(mech, within, fine, mu)
    within = first_blocks(found, within)
    return [*found, *find_contacts(mech, within, fine, first_only=True)]


@dataclass(frozen=True, slots=True)
class _Sampled:
    """States sampled from neutral to the end of one way, shape (samples, builds)."""

    end: Array
    states: States
    shocks: Shocks


def _both_sampled(mech: Mechanism, within: BothWays, samples: int, source: StateSource) -> list[_Sampled]:
    """Sample both ways in one go, outwards from neutral in turn, so that each throw has settled ones near it."""
    ends = [np.nan_to_num(within.plus), np.nan_to_num(within.minus)]
    share = np.linspace(0.0, 1.0, samples)[1:, None, None]
    throw = np.concatenate([np.zeros((1, mech.builds)), (share * np.stack(ends)).reshape(-1, mech.builds)])
    states = source.whole(throw)
    shocks = shocks_at((mech.left, mech.right), states)
    out = []
    for i, end in enumerate(ends):
        rows = np.concatenate([[0], np.arange(1 + i, len(throw), 2)])
        own = replace(states, **{f.name: getattr(states, f.name)[rows] for f in fields(states)})
        lines = tuple(
            (length[rows], Spot(np.asarray(along.out)[rows], np.asarray(along.up)[rows])) for length, along in shocks
        )
        out.append(_Sampled(end, own, (lines[0], lines[1])))
    return out


def find_soft_ends(
    mech: Mechanism,
    within: BothWays,
    fine: Fineness,
    source: StateSource,
    friction: tuple[Value, Value] | None = None,
) -> list[Found]:
    """Every stop that depends on where the suspension stands: shock ends, stall, contacts of suspension parts.

    Parameters
    ----------
    mech, within, fine, friction
        As for `find_hard_ends`.
    source : StateSource
        What balances the machine.
    """
    mu = friction_range(mech)[1] if friction is None else friction
    ways = _both_sampled(mech, within, fine.samples, source)

    def crossings(samples: list[Array], room: Callable[[States, Index], Array]) -> BothWays:
        """Where a figure of the states first falls to 0, from its samples each way."""

        def f(x: Array, index: Index) -> Array:
            return room(source.at(x, index), index)

        plus, minus = (first_below(f, w.end, fine.samples, values=v) for w, v in zip(ways, samples, strict=True))
        return _ways(plus, minus)

    out: list[Found] = []
    for i, side in enumerate(SIDES):
        geo = mech.side(side)
        shortest, longest = (
            np.broadcast_to(np.asarray(limit), (mech.builds,)) for limit in (geo.length_min_mm, geo.length_max_mm)
        )

        def length(states: States, index: Index, i: int = i, geo: SideGeometry = geo) -> Array:
            some = geo if mech.builds == 1 else taken(geo, index, SHOCK_PLACING)
            droop = states.droop_right_rad if i else states.droop_left_rad
            return shock_line(some, mount_push_mm(some, tip_up_rad(states.throw_rad, some.side)), droop)[0]

        def short(states: States, index: Index, limit: Array = shortest, length: Length = length) -> Array:
            return np.asarray(length(states, index) - limit[index])

        def long(states: States, index: Index, limit: Array = longest, length: Length = length) -> Array:
            return np.asarray(limit[index] - length(states, index))

        lengths = [w.shocks[i][0] for w in ways]
        out.append(_found("shock_solid", True, side, crossings([v - shortest for v in lengths], short)))
        out.append(_found("shock_pulled_out", False, side, crossings([longest - v for v in lengths], long)))

    out.append(_stall(mech, ways, mu, crossings))

    def droops(side: SideName, x: Array, index: Index) -> Array:
        states = source.at(x, index)
        return states.droop_left_rad if side == "left" else states.droop_right_rad

    for pair in find_pairs(mech.machine):
        if moved_by_droop_alone(pair):
            out.append(_droop_contact(mech, pair, ways, crossings, fine))
        elif needs_states(pair):
            gap = throw_gap(mech, pair, droops, _fastest_droop(ways))
            out.append(_found("contact", pair.blocks, pair.side, _touch(gap, within, fine), pair))
    return out


def _stall(mech: Mechanism, ways: list[_Sampled], mu: tuple[Value, Value], crossings: Crossings) -> Found:
    """Where a servo would need more torque than is allowed."""
    allowed = torque_allowed(mech)
    if all(np.all(torque_surely_enough(mech, w.states, mu, w.shocks) < 0.9 * allowed) for w in ways):
        never = np.full(mech.builds, np.inf)
        return Found("stall", True, "both", never, never)

    def spare(states: States, index: Index) -> Array:
        return stall_room(mech, states, mu, index)

    samples = [stall_room(mech, w.states, mu, None, w.shocks) for w in ways]
    return _found("stall", True, "both", crossings(samples, spare))


def _fastest_droop(ways: list[_Sampled]) -> float:
    """Twice the fastest change of droop with throw between two samples, as a bound."""
    fastest = 0.0
    for way in ways:
        step = np.abs(way.end) / (way.states.throw_rad.shape[0] - 1)
        for droop in (way.states.droop_left_rad, way.states.droop_right_rad):
            change = np.fmax.reduce(np.abs(np.diff(droop, axis=0)), axis=0)
            with np.errstate(divide="ignore", invalid="ignore"):
                fastest = max(fastest, float(np.nanmax(np.where(step > 0, change / step, 0.0), initial=0.0)))
    return 2 * fastest


def droop_limits(
    mech: Mechanism, pair: Pair, fine: Fineness, within: BothWays | None = None, *, margin: bool = True
) -> BothWays:
    """Droops at which a pair that only one side's suspension moves first meets, going down (+) and up (−)."""
    gap = droop_gap(mech, pair, margin=margin)
    widest = np.full(mech.builds, DROOP_MAX_RAD)
    return _touch(gap, BothWays(widest, -widest) if within is None else within, fine)


def _droop_contact(mech: Mechanism, pair: Pair, ways: list[_Sampled], crossings: Crossings, fine: Fineness) -> Found:
    """A suspension part against the chassis: the droop where they meet, then the throw that brings it there."""
    side: SideName = "right" if "right" in pair.sides else "left"
    seen = [way.states.droop_left_rad if side == "left" else way.states.droop_right_rad for way in ways]
    # a little past what the samples reach, for what lies between them
    low, high = (np.nan_to_num(f([f(s, axis=0) for s in seen], axis=0)) for f in (np.fmin.reduce, np.fmax.reduce))
    within = BothWays(np.clip(1.05 * high + 0.01, 0.0, DROOP_MAX_RAD), np.clip(1.05 * low - 0.01, -DROOP_MAX_RAD, 0.0))
    limits = droop_limits(mech, pair, fine, within)

    def room(states: States, index: Index) -> Array:
        droop = states.droop_left_rad if side == "left" else states.droop_right_rad
        return np.minimum(limits.plus[index] - droop, droop - limits.minus[index])

    samples = [np.minimum(limits.plus - s, s - limits.minus) for s in seen]
    return _found("contact", False, pair.side, crossings(samples, room), pair)
