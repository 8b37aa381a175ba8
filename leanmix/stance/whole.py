"""The whole machine's balance for a pose: what is left over, and the Newton step that removes it.

Unknowns: heave of the chassis at the runners [mm], roll [rad, + left side up], both droops [rad]. Each side either
stands on the board (its contact at height 0) or hangs free (no load). Moments along and across are taken about the
rear's pivot, about which the chassis pitches as its front heaves: that moves the weight back or forth a little.
The rear's foot stays flat until its centre of pressure reaches its edge, then tilts about it, and with it the axle
about which the chassis pitches.
"""

from __future__ import annotations

from functools import partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import GRAVITY_M_PER_S2, Array
from leanmix.stance.foot import level_of, past_edge, tilted
from leanmix.stance.formula import Formula
from leanmix.stance.rig import Body, BodyRows, Rows, Side, Sides
from leanmix.stance.side import Drive, Vector, side_state

__all__ = [
    "SIGN",
    "SIZES",
    "Force",
    "Push",
    "Whole",
    "balance_of",
    "force_of",
    "push_of",
    "rows_of",
    "run",
    "step_of",
    "whole",
    "wrong_side",
]

Flags = NDArray[np.bool_]
Index = NDArray[np.intp]

# the left side's own frame is the chassis', the right side's is its mirror image
SIGN: Array = np.array([[1.0], [-1.0]])


WRONG_N = 1e-9
WRONG_MM = 1e-9
# from so many poses on it is found first which of them have the foot on its edge; for fewer that is one call more
MANY = 256


class Force(NamedTuple):
    """Specific force in the road's frame [m/s²], y left and z up, and the ground's grip ratio of each side.

    across, down : (n,)
    ratio : (n,), sideways ground force over load that keeps it in its turn, + to the left
    grip : (2, n), what the runners use, + to the left; the same as `ratio` while rolling
    """

    across: Array
    down: Array
    ratio: Array
    grip: Array


class Push(NamedTuple):
    """Upper shock eyes [mm] and slack spring lengths [mm], (2, n)."""

    out: Array
    up: Array
    slack: Array


class Whole(NamedTuple):
    """What `whole` finds; (n,) or for both sides (2, n).

    lift_left, moment_left : what is left over: of the balance along the machine, as a force at the runners, and
        of the moments across, about the rear's pivot [N, N mm]
    lift, moment : the same once the droops are settled at this heave and roll
    lift_heave, lift_roll, moment_heave, moment_roll : how those change, droops settled
    rise : of the chassis at the runners over its height at the rear's pivot, as far as pitch makes it [mm]
    level : cosine of the pitch
    rear_flat, rear_stands, rear_tilt, rear_height : whether it stands flat; False where, once on its edge, it falls
        over under its load; its tilt [rad, + left side up] and its pivot's height [mm]
    droop_0, droop_heave, droop_roll : how the droops are to change of themselves, with heave [rad/mm] and with roll
    load, load_settled : of the runners, and once the droops are settled [N]
    height, reach, below : of the contacts over the road, left of the rear's pivot and over it [mm]
    reach_droop : how the reach changes with droop
    shock, spring : forces [N]; length, length_droop, length_push : of the shock, and how it changes
    mass_reach, mass_below : of the unsprung weights, as for the contacts
    """

    lift_left: Array
    moment_left: Array
    lift: Array
    moment: Array
    lift_heave: Array
    lift_roll: Array
    moment_heave: Array
    moment_roll: Array
    rise: Array
    level: Array
    rear_flat: Flags
    rear_stands: Flags
    rear_tilt: Array
    rear_height: Array
    droop_0: Array
    droop_heave: Array
    droop_roll: Array
    load: Array
    load_settled: Array
    height: Array
    reach: Array
    below: Array
    reach_droop: Array
    shock: Array
    spring: Array
    length: Array
    length_droop: Array
    length_push: Array
    mass_reach: Array
    mass_below: Array

    @property
    def holds(self) -> Flags:
        """Whether the rear's foot stands and the chassis, let down a little, is pushed up again."""
        return np.asarray(self.rear_stands & (self.lift_heave < 0))


def force_of(lateral_g: Array, bank_deg: Array) -> Force:
    """Forces of a steady turn on a bank.

    Parameters
    ----------
    lateral_g : ndarray
        Horizontal acceleration over g, + turning left.
    bank_deg : ndarray
        + where the road's left side is the lower one.
    """
    bank = np.deg2rad(bank_deg)
    c, s = np.cos(bank), np.sin(bank)
    across = GRAVITY_M_PER_S2 * (s - lateral_g * c)
    down = -GRAVITY_M_PER_S2 * (c + lateral_g * s)
    ratio = across / down
    return Force(across, down, ratio, np.broadcast_to(ratio, (2, *ratio.shape)))


def push_of(sides: Sides, push_mm: Array, slack: Array | None = None) -> Push:
    """Where the mounts' eyes are for pushes (2, n) down their guides."""
    return Push(
        sides.mount_out + push_mm * sides.down_out,
        sides.mount_up + push_mm * sides.down_up,
        sides.slack if slack is None else slack,
    )


def _balance(sides: list[Any], body_rows: list[Any], given: list[Any], any_on_upper: bool) -> tuple[Any, ...]:
    """The balance as a formula: rows of `Side` left and right in turn, of `BodyRows` and of `Rows`."""
    left, right, body, x = Side(*sides[::2]), Side(*sides[1::2]), BodyRows(*body_rows), Rows(*given)
    per, down, across, roll = body.per_lever, x.down, x.across, x.roll
    cos, sin = np.cos(roll), np.sin(roll)
    at = Vector(body.left, body.arm_up) * Vector(cos, sin)
    hang, swing = body.pivot * cos, body.pivot * sin

    # the chassis pitches about the rear's pivot; lengths along it are counted in levers from pivot to runners
    from_pivot = x.heave + hang
    past, tips = past_edge(sides, body_rows, given)
    rise = from_pivot - x.height
    level = level_of(rise * per)
    # it pitches about the foot's own axle, which tilts with the foot
    flat_sq = 1 / (1 + x.slope * x.slope)
    rise = rise - (hang + swing * x.slope) * (1 - level) * flat_sq
    nose = rise * per
    level = level_of(nose * np.sqrt(1 / flat_sq))
    sinks = (1 - level) * flat_sq
    k = body.roll_stiffness / level
    rise_z, rise_r = x.height_tilt * x.tilt_heave, x.height_tilt * x.tilt_roll
    kept = 1 - hang * nose * per
    up_z, up_r = (1 - rise_z) * kept, swing * (1 - level) - (rise_r + swing) * kept

    # sums over both sides; moments about the rear's pivot
    loads: Any = 0.0
    gripped = at_contacts = over_road = loads
    mass_reach, mass_below = body.mass * at.out, body.mass * at.up
    lift_0 = lift_z = lift_r = moment_0 = moment_z = moment_r = loads
    out: list[tuple[Any, ...]] = []
    slant = nose * per
    for sign, s, droop, grip, mount, slack, on in (
        (1.0, left, x.droop_left, x.grip_left, Vector(x.mount_out_left, x.mount_up_left), x.slack_left, x.on_left),
        (
            -1.0,
            right,
            x.droop_right,
            x.grip_right,
            Vector(x.mount_out_right, x.mount_up_right),
            x.slack_right,
            x.on_right,
        ),
    ):
        # the left side's own frame is the chassis', the right side's its mirror image
        felt = Vector(sign * across * s.unsprung, down * level * s.unsprung)
        st = side_state(
            s, Drive(Vector(cos, sign * sin), felt, Vector(sign * grip, level), mount, slack), droop, any_on_upper
        )
        stands = on > 0.0
        below, reach, load_turn = st.contact.up, sign * st.contact.out, sign * st.load_turn
        along = below - reach * x.slope
        tipped = along * slant
        height_u, far = 1 - tipped, level - tipped
        height = x.height + rise + below - along * sinks
        # the droop follows the chassis: dδ = d0 + dz·heave + dr·roll
        per_slope = -1.0 / np.where(stands, st.contact_by.up * level, st.load_droop)
        droop_0 = np.where(stands, height, st.load) * per_slope
        droop_z = np.where(stands, rise_z + height_u * up_z, 0.0) * per_slope
        droop_r = np.where(stands, rise_r + height_u * up_r + reach * level, load_turn) * per_slope
        lever = reach + grip * x.height
        by_lift = st.load_droop * far
        by_moment = st.load_droop * lever + sign * (st.load * st.contact_by.out - st.felt_by)
        lift_0, moment_0 = lift_0 + by_lift * droop_0, moment_0 + by_moment * droop_0
        lift_z, moment_z = lift_z + by_lift * droop_z, moment_z + by_moment * droop_z
        lift_r = lift_r + by_lift * droop_r + load_turn * far
        moment_r = moment_r + by_moment * droop_r + load_turn * lever
        loads, gripped = loads + st.load, gripped + st.load * grip
        at_contacts, over_road = at_contacts + st.load * reach, over_road + st.load * below
        mass_at = sign * st.mass.out
        mass_reach, mass_below = mass_reach + s.unsprung * mass_at, mass_below + s.unsprung * st.mass.up
        out.append((
            droop_0, droop_z, droop_r, st.load, st.load + st.load_droop * droop_0, height, reach, below,
            sign * st.contact_by.out, st.shock, st.spring, st.length, st.length_droop, st.length_push, mass_at, st.mass.up,
        ))  # fmt: skip

    raised = over_road + down * mass_below
    upright = raised - x.slope * (at_contacts + down * mass_reach)
    lift = level * (loads + down * body.front_mass) - slant * upright
    by_pitch = -per * (nose * (loads + down * (body.side_mass + body.mass)) + per * upright)
    moment = at_contacts + x.height * gripped + down * mass_reach
    moment = moment - across * (body.front_mass * rise + level * mass_below) - k * (roll - x.tilt)
    moment = moment - x.slope * rise * slant * upright
    lift_heave = lift_z + by_pitch * up_z
    moment_heave = moment_z + rise_z * gripped - across * up_z * body.front_mass + k * x.tilt_heave
    moment_heave = moment_heave + up_z * slant * (across * mass_below + at_contacts - k * (roll - x.tilt))
    moment_roll = moment_r + rise_r * gripped - raised - across * (up_r * body.front_mass + level * mass_reach)
    return (
        past, tips, lift, moment, lift + lift_0, moment + moment_0,
        np.where(lift_heave != 0.0, lift_heave, -1e-9), lift_r + by_pitch * up_r, moment_heave,
        moment_roll - k * (1 - x.tilt_roll), rise, level,
        *(row for pair in zip(*out, strict=True) for row in pair),
    )  # fmt: skip


SIZES = (2 * len(Side._fields), len(BodyRows._fields), len(Rows._fields))
PAST_EDGE, TILTED = Formula(past_edge, SIZES), Formula(tilted, SIZES)
FORMULAS = {upper: Formula(partial(_balance, any_on_upper=upper), SIZES) for upper in (False, True)}
# every formula of the whole machine tells first how far past its edge the rear's foot is, and to which side
PAST, TIPS = 0, 1
SINGLES = 12
NOTHING, NONE = np.empty((0, 0)), np.empty(0, dtype=bool)
TILT = Rows._fields.index("tilt")


def balance_of(sides: list[Any], body_rows: list[Any], given: list[Any], any_on_upper: bool) -> tuple[Any, Any, Whole]:
    """For a formula: how far past its edge the foot is, to which side, and `Whole` with a pair for what both sides have."""
    past, tips, *out = _balance(sides, body_rows, given, any_on_upper)
    x = Rows(*given)
    pairs = zip(out[SINGLES - 2 :: 2], out[SINGLES - 1 :: 2], strict=True)
    single: Any = (*out[: SINGLES - 2], ~(x.tilt != 0.0), True, x.tilt, x.height)
    return past, tips, Whole(*single, *pairs)


def rows_of(body: Body, force: Force, push: Push, pose: Array, grounded: Flags, more: int = 0) -> Array:
    """What a formula is given, `Rows` and as many more, for poses (4, n) with the rear's foot flat."""
    n, n_rows = pose.shape[1], SIZES[2]
    rows = np.empty((n_rows + more, n))
    rows[:4], rows[4], rows[5], rows[6:8] = pose, force.across, force.down, force.grip
    rows[8:10], rows[10:12], rows[12:14], rows[14:16] = push.out, push.up, push.slack, grounded
    rows[TILT:n_rows], rows[19] = 0.0, body.pivot
    return rows


def run(formula: Formula, side_table: Array, body_table: Array, rows: Array) -> tuple[Array, Index, Array, Flags]:
    """Run a formula of the whole machine, with the rear's foot on its edge where it is.

    Returns
    -------
    out : ndarray, shape (results, n)
    tips : ndarray of int, shape (m,)
        Which are on the edge.
    some : ndarray, shape (rows, m)
        What those were given: with the foot's tilt.
    stands : ndarray of bool, shape (m,)
        False where the foot falls over under its load.
    """
    first, given = rows.shape[1] >= MANY, rows[: SIZES[2]]
    out = PAST_EDGE(side_table, body_table, given) if first else formula(side_table, body_table, rows)
    tips = np.flatnonzero(out[PAST] > 0.0)
    if not tips.size:
        return formula(side_table, body_table, rows) if first else out, tips, NOTHING, NONE
    own = body_table if body_table.shape[1] == 1 else body_table.take(tips, axis=1)
    own_sides = side_table if side_table.shape[1] == 1 else side_table.take(tips, axis=1)
    some = rows.take(tips, axis=1)
    some[TILT] = out[TIPS, tips]
    foot = TILTED(own_sides, own, some[: SIZES[2]])
    some[TILT : SIZES[2]] = foot[:-1]
    if first:
        rows[TILT : SIZES[2], tips] = some[TILT : SIZES[2]]
        out = formula(side_table, body_table, rows)
    else:
        out[:, tips] = formula(own_sides, own, some)
    return out, tips, some, np.isfinite(foot[-1])


def whole(sides: Sides, body: Body, force: Force, push: Push, pose: Array, grounded: Flags) -> Whole:
    """Evaluate the balance and how it changes.

    Parameters
    ----------
    sides, body
        The machine, (2, n) or (2, 1) and (n,) or (1,).
    force, push
        What acts on it.
    pose : ndarray, shape (4, n)
        Heave [mm], roll and both droops [rad].
    grounded : ndarray of bool, shape (2, n)
        Which runners are to stand on the road; the others hang free.

    Returns
    -------
    Whole
        Slopes leave out terms of the order of the pitch squared; the balance itself does not.
    """
    n = pose.shape[1]
    rows = rows_of(body, force, push, pose, grounded)
    out, tips, some, stand = run(FORMULAS[sides.any_on_upper], sides.table.reshape(SIZES[0], -1), body.table, rows)
    flat, stands = np.ones((2, n), dtype=bool)
    if tips.size:
        flat[tips], rows[TILT:, tips], stands[tips] = False, some[TILT:], stand
    pairs = out[SINGLES:].reshape((len(out) - SINGLES) // 2, 2, n)
    return Whole._make([*out[2:SINGLES], flat, stands, rows[16], rows[19], *pairs])


def step_of(w: Whole) -> tuple[Any, Any, Any]:
    """Newton's step of heave [mm] and roll [rad], droops settled, and how hard it resists being rolled [N mm/rad]."""
    heave_roll, heave_0 = -w.lift_roll / w.lift_heave, -w.lift / w.lift_heave
    stiffness = -(w.moment_roll + w.moment_heave * heave_roll)
    roll = (w.moment + w.moment_heave * heave_0) / stiffness
    return heave_0 + heave_roll * roll, roll, stiffness


def wrong_side(grounded: Any, load: Any, height: Any) -> Any:
    """A runner put down that the road would have to pull, or one left hanging that is below the road."""
    return np.where(grounded, load < -WRONG_N, height < -WRONG_MM)
