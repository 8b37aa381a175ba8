"""The machine from the front, drawn as seen from behind: its left is on the left, and it stands on its board."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import SIDES, SideGeometry, Spot, arm_tip, tip_up_rad
from leanmix.screens.reckon import Moment, Reckoned, stops_here
from leanmix.screens.sketch import Sketch, Window, outline

__all__ = ["front_sketch", "front_window", "mark_stop"]

if TYPE_CHECKING:
    from leanmix.stops import Stop

Array = NDArray[np.float64]


class _Placed:
    """Turns points of a side into the picture's: chassis leaning and heaving over its contacts."""

    def __init__(self, lean_deg: float, heave_mm: float, pivot_up_mm: float) -> None:
        roll = -np.deg2rad(lean_deg)
        self._c, self._s = float(np.cos(roll)), float(np.sin(roll))
        self._heave, self._pivot = heave_mm, pivot_up_mm

    def spots(self, side: str, *spots: Spot) -> Array:
        out = np.array([float(s.out) for s in spots])
        up = np.array([float(s.up) for s in spots])
        return self.points(out if side == "left" else -out, up)

    def points(self, left: Array, up: Array) -> Array:
        across = left * self._c - up * self._s + self._pivot * self._s
        # the picture's x runs right, the machine's y left
        return np.column_stack([-across, self._heave + left * self._s + up * self._c])


def front_window(done: Reckoned) -> Window:
    """A window that holds the machine however it leans, always the same for one machine."""
    n = done.numbers
    half = max(float(n[f"{side}.suspension.contact.out_mm"]) for side in SIDES) * 1.12 + 6
    top = max(float(n["chassis.roof_up_mm"]), *(float(n[f"{side}.arm.centre.up_mm"]) + 15 for side in SIDES))
    return Window(-half, half, -0.05 * top, 1.08 * top)


def front_sketch(done: Reckoned, now: Moment, *, labels: bool = True) -> Sketch:
    """Draw the machine at a moment; where it does not stand, as it was measured."""
    sketch = Sketch()
    if done.setup is None:
        return sketch
    stance = now.stance
    lean = float(stance.lean_deg) if stance is not None else 0.0
    heave = float(stance.heave_mm) if stance is not None else 0.0
    placed = _Placed(lean, heave, float(done.numbers["rear.pivot_up_mm"]))
    window = front_window(done)
    sketch.line((window.left, 0), (window.right, 0), "ground")
    left, right = done.setup.geometry
    _chassis(sketch, placed, done, left, right)
    for geo in (left, right):
        _side(sketch, placed, geo, now)
    _parts(sketch, placed, done, now)
    centre = placed.spots("left", left.arm_centre)[0]
    sketch.circle((centre[0], centre[1]), 2.2, "moving")
    if labels:
        _labels(sketch, done, now)
    return sketch


def _chassis(sketch: Sketch, placed: _Placed, done: Reckoned, left: SideGeometry, right: SideGeometry) -> None:
    roof = float(done.numbers["chassis.roof_up_mm"])
    half = 0.6 * float(np.mean([left.lower_pivot.out, right.lower_pivot.out]))
    tower = np.concatenate(
        [
            placed.spots("left", left.lower_pivot, left.upper_pivot),
            placed.points(np.array([half, half, -half, -half]), np.array([roof * 0.9, roof, roof, roof * 0.9])),
            placed.spots("right", right.upper_pivot, right.lower_pivot),
        ]
    )
    sketch.path(tower, "faint", closed=True)
    for geo in (left, right):
        down = geo.guide_down
        ends = [
            Spot(geo.eye.out + d * down.out, geo.eye.up + d * down.up)
            for d in (-float(geo.travel_up_mm), float(geo.travel_down_mm))
        ]
        sketch.path(placed.spots(geo.side, *ends), "metal")


def _side(sketch: Sketch, placed: _Placed, geo: SideGeometry, now: Moment) -> None:
    i = SIDES.index(geo.side)
    if now.mounts is not None and now.suspensions is not None and now.shocks is not None:
        mount, pose = now.mounts[i], now.suspensions[i]
        tip, ball, eye = mount.tip, mount.ball, mount.eye
        lower, upper, contact, shock_eye = pose.lower_ball, pose.upper_ball, pose.contact, pose.shock_lower_eye
    else:
        throw = now.throw_deg if np.isfinite(now.throw_deg) else 0.0
        tip = arm_tip(geo, tip_up_rad(np.deg2rad(throw), geo.side)) if now.mounts is None else now.mounts[i].tip
        ball, eye = geo.ball, geo.eye
        lower, upper, contact, shock_eye = geo.lower_ball, geo.upper_ball, geo.contact, geo.shock_eye
    sketch.path(placed.spots(geo.side, geo.lower_pivot, lower), "spring")
    sketch.path(placed.spots(geo.side, geo.upper_pivot, upper), "spring")
    sketch.path(placed.spots(geo.side, lower, upper), "spring")
    _runner(sketch, placed, geo, lower, upper, contact)
    top, foot = placed.spots(geo.side, eye, shock_eye)
    sketch.coil((top[0], top[1]), (foot[0], foot[1]), 9.0, "spring")
    sketch.path(placed.spots(geo.side, ball, eye), "moving")
    sketch.path(placed.spots(geo.side, geo.arm_centre, tip), "moving")
    sketch.path(placed.spots(geo.side, tip, ball), "moving")
    for spot in (tip, ball):
        x, y = placed.spots(geo.side, spot)[0]
        sketch.circle((x, y), 1.8, "moving")


def _runner(sketch: Sketch, placed: _Placed, geo: SideGeometry, lower: Spot, upper: Spot, contact: Spot) -> None:
    points = placed.spots(geo.side, contact, lower, upper)
    if float(geo.runner_radius_mm) > 0:
        # a wheel stands square to its upright
        axle = points[2] - points[1]
        axle = axle / np.hypot(*axle)
        width = np.array([axle[1], -axle[0]]) * 0.45 * float(geo.runner_radius_mm)
        top = points[0] + 2 * float(geo.runner_radius_mm) * axle
        sketch.path(np.array([points[0] - width, points[0] + width, top + width, top - width]), "metal", closed=True)
        return
    half = np.array([9.0, 0.0])
    sketch.path(np.array([points[0] - half, points[0] + half]), "metal")
    sketch.path(np.array([points[0] - half + [0, 2.5], points[0] + half + [0, 2.5]]), "metal")
    sketch.path(np.array([points[0] + [0, 2.5], points[1]]), "spring")


def _outlines(placed: _Placed, done: Reckoned, now: Moment) -> Iterator[tuple[str, str, str, Array]]:
    """Every part's name, body, frame and outline in the picture."""
    from leanmix.stops.parts import Piece, piece_corners, place

    if done.setup is None:
        return
    geometry = dict(zip(SIDES, done.setup.geometry, strict=True))
    for i, part in enumerate(done.source.machine.parts):
        for frame in ("left", "right") if part.side == "both" else (part.side,):
            piece = Piece(part.name, part.on, frame, i, len(part.points))
            side = SIDES.index(piece.side)
            corners, radius = piece_corners(piece, done.numbers)
            if now.mounts is not None and now.suspensions is not None:
                pose = now.suspensions[side]
                tip_up, droop = np.asarray(now.mounts[side].tip_up_rad), np.asarray(pose.droop_rad)
                corners = place(part.on, corners, geometry[piece.side], tip_up, droop, pose)
            out, up = np.ravel(np.asarray(corners.out)), np.ravel(np.asarray(corners.up))
            points = placed.points(out if piece.side == "left" else -out, up)
            yield part.name, part.on, frame, outline(points, float(radius[0]))


def _parts(sketch: Sketch, placed: _Placed, done: Reckoned, now: Moment) -> None:
    for _, body, _, points in _outlines(placed, done, now):
        name = "metal" if body == "chassis" else "moving" if body in ("arm", "link", "mount") else "spring"
        sketch.path(points, name, closed=True)


def mark_stop(sketch: Sketch, done: Reckoned, now: Moment, stop: Stop) -> None:
    """Put a stop's mark and word where it happens."""
    if done.setup is None or now.stance is None:
        return
    placed = _Placed(float(now.stance.lean_deg), float(now.stance.heave_mm), float(done.numbers["rear.pivot_up_mm"]))
    mark, name = ("✕", "bad") if stop.blocks else ("◇", "warn")
    word = stop.parts[1] if stop.parts else stop.kind.replace("_", " ")
    if stop.parts:
        shapes = list(_outlines(placed, done, now))
        first = [p for n, _, f, p in shapes if n == stop.parts[0] and _fits(f, stop.side)]
        second = [p for n, _, f, p in shapes if n == stop.parts[1] and _fits(f, stop.side)]
        near = [_nearest(a, b) for a in first for b in second]
        if near:
            _, x, y = min(near)
            sketch.mark(x, y, mark, name, word)
        return
    for side in SIDES if stop.side not in SIDES else (stop.side,):
        i = SIDES.index(side)
        geo = done.setup.geometry[i]
        spot = geo.arm_centre
        if now.mounts is not None and stop.kind in ("guide_end", "jam", "ball_binds"):
            spot = now.mounts[i].ball
        elif now.mounts is not None and stop.kind in ("link_out_of_reach", "over_centre"):
            spot = now.mounts[i].tip
        elif now.suspensions is not None and stop.kind in ("shock_solid", "shock_pulled_out"):
            spot = now.suspensions[i].shock_lower_eye
        x, y = placed.spots(side, spot)[0]
        sketch.mark(float(x), float(y), mark, name, word)
        word = ""


def _fits(frame: str, side: str) -> bool:
    return frame in (side, "centre") or side not in SIDES


def _nearest(a: Array, b: Array) -> tuple[float, float, float]:
    """Distance and middle of the nearest two points of two outlines."""
    dense = []
    for p in (a, b):
        t = np.linspace(0, 1, 12, endpoint=False)[:, None, None]
        dense.append((p[None] * (1 - t) + np.roll(p, -1, axis=0)[None] * t).reshape(-1, 2))
    apart = np.hypot(*(dense[0][:, None, :] - dense[1][None, :, :]).transpose(2, 0, 1))
    i, j = np.unravel_index(int(np.argmin(apart)), apart.shape)
    x, y = (dense[0][i] + dense[1][j]) / 2
    return float(apart[i, j]), float(x), float(y)


def _labels(sketch: Sketch, done: Reckoned, now: Moment) -> None:
    if now.stance is None:
        return
    for stop in stops_here(done, now.throw_deg):
        mark_stop(sketch, done, now, stop)
    sketch.mark(-float(now.stance.cg_left_mm), float(now.stance.cg_up_mm), "⊕", "now", "CG")
    for side, grounded in (("left", now.stance.grounded_left), ("right", now.stance.grounded_right)):
        if not bool(grounded):
            x = -float(getattr(now.stance, f"contact_{side}_mm"))
            sketch.mark(x, 6.0, "↑", "bad", "in the air")
