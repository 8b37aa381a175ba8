"""The machine from above, its nose up the screen: what it stands on, and where its balance point is over that."""

from __future__ import annotations

import numpy as np

from leanmix.screens.reckon import Moment, Reckoned
from leanmix.screens.sketch import Sketch, Window

__all__ = ["above_sketch", "above_window"]


def above_window(done: Reckoned) -> Window:
    """A window that holds runners and rear."""
    n = done.numbers
    half = 1.15 * max(float(n["left.suspension.contact.out_mm"]), float(n["right.suspension.contact.out_mm"])) + 8
    back = float(n["rear.contact_rear_behind_mm"])
    front = float(n["runner.length_mm"]) / 2
    return Window(-half, half, -back - 0.06 * back, front + 0.06 * back)


def above_sketch(done: Reckoned, now: Moment) -> Sketch:
    """Runners, rear contact, the triangle or quadrilateral between, and the balance point."""
    n = done.numbers
    sketch = Sketch()
    stance = now.stance
    half_track = float(n["rear.half_width_mm"])
    first, last = -float(n["rear.contact_front_behind_mm"]), -float(n["rear.contact_rear_behind_mm"])
    across = {"left": -float(n["left.suspension.contact.out_mm"]), "right": float(n["right.suspension.contact.out_mm"])}
    grounded = {"left": True, "right": True}
    pressure = 0.0
    cg_x = -float(n["chassis.cg_left_mm"])
    if stance is not None:
        across = {"left": -float(stance.contact_left_mm), "right": -float(stance.contact_right_mm)}
        grounded = {"left": bool(stance.grounded_left), "right": bool(stance.grounded_right)}
        pressure = -float(stance.rear_pressure_left_mm)
        cg_x = -float(stance.cg_left_mm)
    track = np.array([[-half_track, first], [half_track, first], [half_track, last], [-half_track, last]])
    sketch.path(track, "spring", closed=True)
    if stance is not None and done.setup is not None:
        from scipy.spatial import ConvexHull

        from leanmix.stance import support_polygon_mm

        forward, left = support_polygon_mm(done.setup, stance)
        corners = np.column_stack([-left, forward])
        sketch.path(corners[ConvexHull(corners).vertices], "faint", closed=True)
    for side, x in across.items():
        steer = _steer_rad(done, now)
        half = float(n["runner.length_mm"]) / 2
        way = np.array([-np.sin(steer), np.cos(steer)]) * half
        sketch.path(np.array([(x - way[0], -way[1]), (x + way[0], way[1])]), "moving" if grounded[side] else "ghost")
        if not grounded[side]:
            sketch.mark(x, 0, "↑", "bad", "in the air")
    rest = -float(n["rear.load_behind_mm"])
    sketch.mark(pressure, rest, "▿", "spring", "rear rests")
    sketch.mark(cg_x, -float(n["chassis.cg_behind_mm"]), "⊕", "now", "CG")
    return sketch


def _steer_rad(done: Reckoned, now: Moment) -> float:
    n, s = done.numbers, now.position.steer
    full = float(n["runner.steer_left_deg"] if s >= 0 else n["runner.steer_right_deg"])
    return float(np.deg2rad(full * s))
