"""Which arm and link: what each choice would give, side by side, so that a builder can trade one thing for another.

Every candidate is a whole machine with another arm, its links made to suit, searched for its stops like any other. Jam and
loads are reckoned at the high end of the guides' friction. Shapes on the arm grow with it. There is no single
best: `ArmChoices.kept` marks those that no other candidate beats in lean and in side load at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.errors import GeometryError
from leanmix.linkage import SIDES, Array, mount_pose, push_share, servo_line, tip_up_rad
from leanmix.machine import Machine, Numbers, values
from leanmix.stops.builds import FINE, first_blocks_of
from leanmix.stops.loads import StateSource, shocks_at, torque_and_side_load
from leanmix.stops.mechanism import Mechanism, mechanism
from leanmix.stops.states import MakeStates, parked_balance

__all__ = ["ArmChoices", "ArmLimits", "find_arms"]

SAMPLES = 9
CANDIDATES_MAX = 20_000
# an arm that stands further than this off the level at neutral swings more sideways than up and down
REST_MAX_DEG = 60.0


@dataclass(frozen=True, slots=True)
class ArmLimits:
    """What a candidate must keep to.

    Attributes
    ----------
    off_guide_deg : float
        Greatest angle of a link off its guide within the usable throw.
    push_share : float or None
        Least share of a push that comes out along the guide; None takes ``limits.jam_margin`` of the file.
    axis_move_mm : float
        How far up or down the servo's axis may be moved to suit a link (double arm only).
    torque_share : float
        Greatest share of the allowed torque.
    """

    off_guide_deg: float = 30.0
    push_share: float | None = None
    axis_move_mm: float = 0.0
    torque_share: float = 1.0


@dataclass(frozen=True, slots=True)
class ArmChoices:
    """Candidates and what they give; every array has shape (candidates,), sorted by arm, then link.

    Attributes
    ----------
    radius_mm, link_mm, rod_mm
        Axis to ball; ball to ball; rod to cut.
    rest_deg, axis_up_mm
        Arm's angle at neutral on the left side; height of the servo's axis.
    teeth, trim_deg, trim_us
        Teeth to move the arm by on its spline from where it is, and what is left to trim (one_each_side only).
    usable_left_deg, usable_right_deg
        Throw up to the first block less the file's margin.
    lean_left_deg, lean_right_deg
        Lean there.
    travel_up_mm, travel_down_mm
        What the mounts travel up and down within that, the lesser of the two sides.
    off_guide_deg, push_share, side_load_N, torque_N_mm, torque_share
        The worst within that: link off its guide, share of the push that comes out, side load of one mount on its
        guide, torque of one servo and its share of what is allowed with the battery cold.
    ok : ndarray of bool
        Whether it keeps to the limits.
    why_not : tuple of str
        The first limit it breaks; empty where it keeps to them.
    kept : ndarray of bool
        Of those: not beaten by another in the lesser lean and the side load at once.
    now : int
        The candidate nearest to the machine's present arm and link.
    """

    radius_mm: Array
    link_mm: Array
    rod_mm: Array
    rest_deg: Array
    axis_up_mm: Array
    teeth: NDArray[np.intp]
    trim_deg: Array
    trim_us: Array
    usable_left_deg: Array
    usable_right_deg: Array
    lean_left_deg: Array
    lean_right_deg: Array
    travel_up_mm: Array
    travel_down_mm: Array
    off_guide_deg: Array
    push_share: Array
    side_load_N: Array
    torque_N_mm: Array
    torque_share: Array
    ok: NDArray[np.bool_]
    why_not: tuple[str, ...]
    kept: NDArray[np.bool_]
    now: int


def find_arms(
    machine: Machine,
    radii_mm: Array | None = None,
    links_mm: Array | None = None,
    limits: ArmLimits | None = None,
    make_states: MakeStates = parked_balance,
) -> ArmChoices:
    """Work out what other arms and links would give.

    Parameters
    ----------
    machine : Machine
        The machine as it is.
    radii_mm : ndarray, optional
        Arms to try, axis to ball [mm]; without it from half the present one to well past the mounts' spacing.
    links_mm : ndarray, optional
        Links in stock, ball to ball [mm]. Without it each arm gets the link that holds the mount where it was measured. With
        it a single arm is turned on its spline to suit; a double arm keeps its shape and the servo's axis goes up or
        down (shapes on the chassis stay where they are).
    limits : ArmLimits, optional
        What a candidate must keep to.
    make_states : MakeStates
        What balances them.

    Raises
    ------
    GeometryError
        When not one candidate can be put together.
    ValueError
        For a radius or link that is not above 0, or more than 20,000 candidates.
    """
    keep = ArmLimits() if limits is None else limits
    own = values(machine)
    radii = _default_radii(own) if radii_mm is None else np.unique(np.asarray(radii_mm, dtype=np.float64))
    links = None if links_mm is None else np.unique(np.asarray(links_mm, dtype=np.float64))
    if np.any(~(radii > 0)) or (links is not None and np.any(~(links > 0))):
        raise ValueError("arms and links must be longer than 0")
    if radii.size * (1 if links is None else links.size) > CANDIDATES_MAX:
        raise ValueError(f"more than {CANDIDATES_MAX:,} candidates")
    numbers = _candidates(machine, own, radii, links)
    mech = mechanism(machine, numbers)
    if not np.isfinite(mech.left.push_neutral_mm).any():
        raise GeometryError(
            "Not one of these arms and links goes together with the mounts where they are.",
            "Try longer links, or arms nearer to the mounts' spacing.",
        )
    return _judged(machine, mech, own, keep, make_states)


def _default_radii(own: Numbers) -> Array:
    now = float(own["left.arm.radius_mm"])
    span = abs(float(own["left.mount.ball.out_mm"]) - float(own["left.arm.centre.out_mm"]))
    low, high = 0.5 * min(now, span), 1.6 * max(now, span)
    return np.arange(np.ceil(2 * low) / 2, high + 0.25, 0.5)


def _candidates(machine: Machine, own: Numbers, radii: Array, links: Array | None) -> Numbers:
    """The machine's numbers with every arm and link, friction at its high end; shape (candidates,)."""
    table = dict(own)
    double = machine.servo.arrangement == "double_arm"
    if links is None:
        radius = radii
        for side in SIDES:
            table.pop(f"{side}.link.length_mm", None)
    else:
        radius, length = (v.ravel() for v in np.meshgrid(radii, links, indexing="ij"))
        for side in SIDES:
            table[f"{side}.link.length_mm"] = length
            if double:
                if side == "left":
                    up = _axis_up(own, radius, length)
                table[f"{side}.arm.centre.up_mm"] = up
            else:
                outward = 1.0 if getattr(machine, side).arm.points == "out" else -1.0
                table[f"{side}.arm.rest_deg"] = _rest_deg(own, side, outward, radius, length)
    for side in SIDES:
        table[f"{side}.arm.radius_mm"] = radius
        friction = getattr(machine, side).guide.friction
        table[f"{side}.guide.friction"] = friction.at + (friction.tol or 0.0)
    # one array at least, so that one candidate is still a row of them
    table["servo.travel_deg"] = np.full(radius.size, float(own["servo.travel_deg"]))
    return Numbers(table)


def _flat(own: Numbers, side: str, length: Array) -> Array:
    offset = abs(float(own[f"{side}.arm.offset_behind_mm"]))
    room = (length - offset) * (length + offset)
    return np.sqrt(np.where(room > 0, room, np.nan))


def _axis_up(own: Numbers, radius: Array, length: Array) -> Array:
    """Height of a double arm's axis at which the link holds the left mount where it was measured."""
    rest = np.deg2rad(float(own["left.arm.rest_deg"]))
    tip_out = float(own["left.arm.centre.out_mm"]) + radius * np.cos(rest)
    across = float(own["left.mount.ball.out_mm"]) - tip_out
    flat = _flat(own, "left", length)
    room = (flat - np.abs(across)) * (flat + np.abs(across))
    rise = np.sqrt(np.where(room > 0, room, np.nan))
    above = np.sign(float(own["left.arm.centre.up_mm"]) - float(own["left.mount.ball.up_mm"])) or 1.0
    return np.asarray(float(own["left.mount.ball.up_mm"]) + above * rise - radius * np.sin(rest))


def _rest_deg(own: Numbers, side: str, outward: float, radius: Array, length: Array) -> Array:
    """Angle of a single arm at which the link holds the mount where it was measured, the one nearer to level."""
    x = outward * (float(own[f"{side}.mount.ball.out_mm"]) - float(own[f"{side}.arm.centre.out_mm"]))
    y = float(own[f"{side}.mount.ball.up_mm"]) - float(own[f"{side}.arm.centre.up_mm"])
    apart, flat = np.hypot(x, y), _flat(own, side, length)
    cosine = (apart**2 + radius**2 - flat**2) / (2 * apart * radius)
    between = np.arccos(np.where(np.abs(cosine) <= 1, cosine, np.nan))
    both = np.stack([np.arctan2(y, x) + between, np.arctan2(y, x) - between])
    both = np.rad2deg((both + np.pi) % (2 * np.pi) - np.pi)
    return np.asarray(np.take_along_axis(both, np.abs(both).argmin(axis=0)[None], axis=0)[0])


def _judged(machine: Machine, mech: Mechanism, own: Numbers, keep: ArmLimits, make: MakeStates) -> ArmChoices:
    count = mech.builds
    numbers = mech.numbers

    def row(value: object) -> Array:
        return np.array(np.broadcast_to(np.asarray(value, dtype=np.float64), (count,)))

    margin = float(own["limits.cap_margin_deg"])
    blocks = first_blocks_of(machine, numbers, make, FINE)
    usable = [np.maximum(np.nan_to_num(b, nan=0.0, posinf=0.0) - margin, 0.0) for b in blocks]
    source = StateSource(mech, make)
    share = np.linspace(-1.0, 1.0, 2 * SAMPLES - 1)[:, None]
    throw = np.deg2rad(np.where(share < 0, share * usable[1], share * usable[0]))
    states = source.whole(throw)
    poses = {side: mount_pose(mech.side(side), tip_up_rad(throw, side)) for side in SIDES}
    friction = (mech.left.friction, mech.right.friction)
    torque, side_load = torque_and_side_load(mech, states, friction, shocks_at((mech.left, mech.right), states))
    shares = np.minimum(
        *(push_share(mech.side(side), poses[side], mu).min(axis=0) for side, mu in zip(SIDES, friction, strict=True))
    )
    angle = np.maximum(*(np.abs(np.rad2deg(poses[side].link_off_guide_rad)).max(axis=0) for side in SIDES))
    line = servo_line(own, cold=True)
    allowed = float(np.asarray(line.stall_N_mm)) * float(own["limits.torque_share"])
    push = [poses[side].push_mm - mech.side(side).push_neutral_mm for side in SIDES]
    lean = states.lean_deg
    teeth, trim = _teeth(machine, own, row(numbers["left.arm.rest_deg"]))
    axis = row(numbers["left.arm.centre.up_mm"])
    least = float(own["limits.jam_margin"]) if keep.push_share is None else keep.push_share
    rest = row(numbers["left.arm.rest_deg"])
    broken = ~np.isfinite(mech.left.push_neutral_mm + mech.right.push_neutral_mm + row(0.0))
    moved = np.abs(axis - float(own["left.arm.centre.up_mm"]))
    tests = (
        ("does not go together", broken),
        ("the servo's axis would have to move too far", moved > keep.axis_move_mm + 1e-9),
        ("the arm would stand too steep", ~(np.abs(rest) <= REST_MAX_DEG)),
        ("no throw at all", np.minimum(usable[0], usable[1]) <= 0),
        ("the link pushes too far off the guide", ~(angle <= keep.off_guide_deg)),
        ("too little of the push comes out", ~(shares >= least)),
        ("too much torque", ~(torque.max(axis=0) <= keep.torque_share * allowed)),
    )
    why = np.full(count, "", dtype=object)
    for text, bad in reversed(tests):
        why[bad] = text
    ok = np.array([not w for w in why])
    lesser = np.minimum(lean[-1], -lean[0])
    load = side_load.max(axis=0)
    per_deg = float(own["servo.pulse_per_deg_us"])
    radius, length = row(mech.left.arm_radius_mm), row(mech.left.link_length_mm)
    return ArmChoices(
        radius_mm=radius,
        link_mm=length,
        rod_mm=row(mech.left.rod_length_mm),
        rest_deg=rest,
        axis_up_mm=axis,
        teeth=teeth,
        trim_deg=trim,
        trim_us=trim * per_deg,
        usable_left_deg=usable[0],
        usable_right_deg=usable[1],
        lean_left_deg=lean[-1],
        lean_right_deg=-lean[0],
        travel_up_mm=np.minimum(*(-p.min(axis=0) for p in push)),
        travel_down_mm=np.minimum(*(p.max(axis=0) for p in push)),
        off_guide_deg=angle,
        push_share=shares,
        side_load_N=load,
        torque_N_mm=torque.max(axis=0),
        torque_share=torque.max(axis=0) / allowed,
        ok=ok,
        why_not=tuple(str(w) for w in why),
        kept=_unbeaten(lesser, load, ok),
        now=_nearest_to_now(machine, radius, length),
    )


def _nearest_to_now(machine: Machine, radius: Array, length: Array) -> int:
    own = mechanism(machine, values(machine)).left
    far = np.hypot(radius - own.arm_radius_mm, np.nan_to_num(length - own.link_length_mm, nan=1e9))
    return int(np.argmin(far))


def _teeth(machine: Machine, own: Numbers, rest_deg: Array) -> tuple[NDArray[np.intp], Array]:
    """Whole teeth from the present place of the arm, and the angle that is left."""
    if machine.servo.arrangement == "double_arm":
        return np.zeros(rest_deg.shape, dtype=np.intp), np.zeros(rest_deg.shape)
    step = 360.0 / machine.servo.spline_teeth
    turn = rest_deg - float(own["left.arm.rest_deg"])
    whole = np.rint(np.nan_to_num(turn) / step)
    return whole.astype(np.intp), turn - whole * step


def _unbeaten(more: Array, less: Array, ok: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Of the candidates that are ok, those that none beats by more of the one and less of the other."""
    kept = np.zeros(ok.shape, dtype=bool)
    best = np.inf
    order = np.lexsort((less, -more))
    for i in order[ok[order]]:
        if less[i] < best:
            kept[i], best = True, less[i]
    return kept
