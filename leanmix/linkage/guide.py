"""Forces on the sliding mount: what the link must push, what presses on the guide, and when it jams.

The mount is rigid and touches its guide at the two ends of the bearing length, on the guide's axis. On it act the
shock at its eye, the link along its own line at the ball, and at each end a side load with sliding friction
against the motion. In coordinates down the guide (s) and across it (n), with e the two ends at s = ∓L/2::

    across   F·l_n + S·a_n + N_u + N_l = 0
    moment   F·(s_b·l_n − n_b·l_s) + S·(s_e·a_n − n_e·a_s) + (N_l − N_u)·L/2 = 0
    along    F·l_s + S·a_s = μ·(|N_u| + |N_l| + |Z_u| + |Z_l|)·(way of motion)

F is the link's force and l its unit vector in space; where arm and mount lie in different planes l has a part
fore and aft, which the ends carry as Z on the guide's other faces (the ball is taken to lie in the guide's
plane). The guide's own width drops out for a pure offset load and is left out, as is the mount's weight.

N is linear in F, so the along equation is concave in F: it has one root that belongs to pushing ever harder
until the mount slides, or none, and then it is jammed. For a pure offset load x this is x = L/(2μ), the movable
bracket of Beer & Johnston, Statics, and the makers' 2:1 rule at μ = 0.25.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage.geometry import SideGeometry
from leanmix.linkage.mount import MountPose
from leanmix.linkage.planar import Array, Spot, Value

__all__ = ["GuideForces", "guide_forces", "link_force_bound_N", "push_share"]


@dataclass(frozen=True, slots=True)
class GuideForces:
    """Forces on one mount while it is about to slide one way.

    Attributes
    ----------
    moving : ndarray
        +1 down the guide, −1 up.
    link_N : ndarray
        Force in the link, + pushing the mount away from the arm's ball; NaN where jammed.
    upper_end_N, lower_end_N : ndarray
        Side load of the guide on the mount at its two ends, + towards `guide_across`.
    upper_end_behind_N, lower_end_behind_N : ndarray
        The same fore and aft.
    side_load_N : ndarray
        All four sizes together: what wears the guide and what friction is taken of.
    friction_N : ndarray
        Friction along the guide, ≥ 0.
    tip_up_torque_N_mm : ndarray
        Torque on the arm in the way that raises its ball, to keep the mount sliding slowly.
    efficiency : ndarray
        Link force without friction over link force with it, moving against the load; above 1 where the spring
        helps and friction holds back. NaN where there is no load.
    jammed : ndarray of bool
        No force in the link makes it slide.
    """

    moving: Array
    link_N: Array
    upper_end_N: Array
    lower_end_N: Array
    upper_end_behind_N: Array
    lower_end_behind_N: Array
    side_load_N: Array
    friction_N: Array
    tip_up_torque_N_mm: Array
    efficiency: Array
    jammed: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _PerForce:
    """What one newton in the link does: its part down the guide, and the loads it puts on the ends."""

    along: Array
    upper: Array
    lower: Array
    upper_behind: Array
    lower_behind: Array


def _ends(geo: SideGeometry, push_mm: Value, at: Spot, along: Value, across: Value) -> tuple[Array, Array]:
    """Side loads at the upper and lower end that hold a force with these parts, acting at a point of the mount."""
    down, side = geo.guide_down, geo.guide_across
    out, up = at.out - geo.bearing_centre.out, at.up - geo.bearing_centre.up
    s = out * down.out + up * down.up
    if geo.bearing_moves:
        s = s - push_mm
    n = out * side.out + up * side.up
    couple = 2 * (s * across - n * along) / geo.bearing_length_mm
    return np.asarray((couple - across) / 2), np.asarray((-couple - across) / 2)


def _per_link_force(geo: SideGeometry, pose: MountPose) -> _PerForce:
    link_out, link_up = pose.ball.out - pose.tip.out, pose.ball.up - pose.tip.up
    along = (link_out * geo.guide_down.out + link_up * geo.guide_down.up) / geo.link_length_mm
    across = (link_out * geo.guide_across.out + link_up * geo.guide_across.up) / geo.link_length_mm
    behind = geo.offset_behind_mm / geo.link_length_mm
    upper, lower = _ends(geo, pose.push_mm, pose.ball, along, across)
    # fore and aft only the lever along the guide counts: the ball lies in the guide's plane
    upper_behind, lower_behind = _ends(geo, pose.push_mm, pose.ball, 0.0, behind)
    return _PerForce(np.asarray(along), upper, lower, upper_behind, lower_behind)


def push_share(geo: SideGeometry, pose: MountPose, friction: Value) -> Array:
    """Share of a push in the link that comes out along the guide, friction taken off; at or below 0 it jams.

    Parameters
    ----------
    geo : SideGeometry
        One side.
    pose : MountPose
        Where it stands.
    friction : float or ndarray
        Friction of mount on guide.

    Returns
    -------
    ndarray
        1 for a push straight along the middle of the guide; 1 − 2μx/L for one that is parallel to it at x. The
        same for pushing and pulling. It leaves the shock's own side load out, so it is what is left when the push
        is large.
    """
    unit = _per_link_force(geo, pose)
    pressed = np.abs(unit.upper) + np.abs(unit.lower) + np.abs(unit.upper_behind) + np.abs(unit.lower_behind)
    return np.asarray(np.abs(unit.along) - friction * pressed)


def link_force_bound_N(geo: SideGeometry, pose: MountPose, shock_N: Value, shock_along: Spot, friction: Value) -> Array:
    """A force in the link that is surely enough to slide the mount either way [N]; infinite where it may jam.

    Friction is taken of the link's own side loads and the shock's apart, which can only add. Cheaper than
    `guide_forces`, for asking whether a limit can be reached at all. `shock_N` [N, + apart], its direction
    `shock_along` and `friction` [no unit] are floats or arrays that broadcast together.
    """
    unit = _per_link_force(geo, pose)
    load_along = shock_N * (shock_along.out * geo.guide_down.out + shock_along.up * geo.guide_down.up)
    load_across = shock_N * (shock_along.out * geo.guide_across.out + shock_along.up * geo.guide_across.up)
    upper, lower = _ends(geo, pose.push_mm, pose.eye, load_along, load_across)
    pressed = np.abs(unit.upper) + np.abs(unit.lower) + np.abs(unit.upper_behind) + np.abs(unit.lower_behind)
    share = np.abs(unit.along) - friction * pressed
    needed = np.abs(load_along) + friction * (np.abs(upper) + np.abs(lower))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(share > 0, needed / share, np.inf))


def guide_forces(
    geo: SideGeometry, pose: MountPose, shock_N: Value, shock_along: Spot, moving: Value, friction: Value | None = None
) -> GuideForces:
    """Forces on the mount about to slide one way, in closed form.

    Parameters
    ----------
    geo : SideGeometry
        One side.
    pose : MountPose
        Where arm, link and mount stand.
    shock_N : float or ndarray
        Shock's force, + pushing its eyes apart [N].
    shock_along : Spot
        Unit vector from the lower to the upper eye (`ShockState.along`).
    moving : float or ndarray
        +1 sliding down the guide, −1 up.
    friction : float or ndarray, optional
        Friction to use instead of the geometry's.

    Returns
    -------
    GuideForces
        Broadcast over pose, load and builds.
    """
    mu = geo.friction if friction is None else friction
    way = np.asarray(moving, dtype=np.float64)
    unit = _per_link_force(geo, pose)
    load_along = shock_N * (shock_along.out * geo.guide_down.out + shock_along.up * geo.guide_down.up)
    load_across = shock_N * (shock_along.out * geo.guide_across.out + shock_along.up * geo.guide_across.up)
    load_upper, load_lower = _ends(geo, pose.push_mm, pose.eye, load_along, load_across)

    # u: link force counted the way that drives the motion. Sliding needs, for every choice of signs,
    # slope·u + rest ≥ 0; the least such u is where it starts to slide.
    turn = way * np.where(unit.along >= 0, 1.0, -1.0)
    behind = np.abs(unit.upper_behind) + np.abs(unit.lower_behind)
    pressed = unit.upper + load_upper + behind
    least = np.full(np.broadcast(load_along, unit.along, pressed, way, np.asarray(mu)).shape, -np.inf)
    most = np.full_like(least, np.inf)
    stuck = np.zeros_like(least, dtype=bool)
    with np.errstate(divide="ignore", invalid="ignore"):
        for a, b, c in itertools.product((1.0, -1.0), repeat=3):
            slope = np.abs(unit.along) - mu * (turn * (a * unit.upper + b * unit.lower) + c * behind)
            rest = way * load_along - mu * (a * load_upper + b * load_lower)
            bound = -rest / slope
            least = np.where(slope > 0, np.fmax(least, bound), least)
            most = np.where(slope < 0, np.fmin(most, bound), most)
            stuck |= (slope == 0) & (rest < 0)
    jammed = stuck | (least > most) | ~np.isfinite(least)
    link = np.where(jammed, np.nan, least * turn)
    upper, lower = unit.upper * link + load_upper, unit.lower * link + load_lower
    upper_behind, lower_behind = unit.upper_behind * link, unit.lower_behind * link
    side = np.abs(upper) + np.abs(lower) + np.abs(upper_behind) + np.abs(lower_behind)
    with np.errstate(divide="ignore", invalid="ignore"):
        free = -load_along / unit.along
        efficiency = np.where(link * free != 0, free / link, np.nan)
    return GuideForces(
        moving=way,
        link_N=link,
        upper_end_N=upper,
        lower_end_N=lower,
        upper_end_behind_N=upper_behind,
        lower_end_behind_N=lower_behind,
        side_load_N=side,
        friction_N=np.asarray(mu * side),
        tip_up_torque_N_mm=link * unit.along * pose.push_rate_mm_per_rad,
        efficiency=np.asarray(efficiency),
        jammed=np.asarray(jammed),
    )
