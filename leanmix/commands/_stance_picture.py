"""The support seen from above with the balance point's path, and the loads as bars, as one drawing."""

from __future__ import annotations

import numpy as np

from leanmix.drawing import Circle, Drawing, Line, Pen, Polygon, Polyline, Shape, Text
from leanmix.stance import Setup, balance, support_polygon_mm

__all__ = ["stance_drawing"]

WIDTH_MM, HEIGHT_MM = 190.0, 150.0
PATH_POINTS = 21
THICK, THIN, DASHED = Pen(0.5), Pen(0.2), Pen(0.3, dash_mm=(1.5, 1.0))


def stance_drawing(setup: Setup, throw_deg: float, lateral_g: float) -> Drawing:
    """Draw the support from above (nose up, left is left) and what the ground carries in a left turn.

    Parameters
    ----------
    setup : Setup
        The machine.
    throw_deg : float
        Servo arm at full left lock [deg].
    lateral_g : float
        Lateral acceleration of the turn for the load bars [g].
    """
    still = balance(setup, throw_deg)
    forward, left = support_polygon_mm(setup, still)
    behind = float(np.asarray(setup.numbers["chassis.cg_behind_mm"]))
    long, wide = float(np.ptp(forward)), float(np.ptp(left))
    scale = min(105.0 / max(long, 1.0), 85.0 / max(wide, 1.0))
    middle, top = 55.0, 128.0

    def place(ahead: float, to_left: float) -> tuple[float, float]:
        return middle - scale * to_left, top + scale * ahead

    path = balance(setup, np.linspace(-throw_deg, throw_deg, PATH_POINTS))
    cg = [place(-behind, float(y)) for y in path.cg_left_mm[path.ok]]
    # a convex outline: runners and the rear end of the patch; the front end lies inside unless it stands out
    shapes: list[Shape] = [
        Text((middle, 143), "Support from above, nose up", 3.6, "middle", bold=True),
        Polygon(
            tuple(place(float(f), float(y)) for f, y in zip(forward[[0, 1, 3, 4]], left[[0, 1, 3, 4]], strict=True)),
            THICK,
        ),
        Polygon(tuple(place(float(f), float(y)) for f, y in zip(forward[2:], left[2:], strict=True)), DASHED),
        Polyline(tuple(cg), THICK),
        Circle(place(-behind, float(still.cg_left_mm)), 1.6, THICK),
        Text((middle, place(-behind, 0)[1] - 5), "balance point, lock to lock", 2.6, "middle"),
        Text((place(0, float(left[0]))[0], top + 4), "left runner", 2.6, "middle"),
        Text((place(0, float(left[1]))[0], top + 4), "right runner", 2.6, "middle"),
        Text((middle, place(float(forward.min()), 0)[1] - 5), "rear", 2.6, "middle"),
    ]
    bar = 50.0 * scale
    shapes += [Line((8, 6), (8 + bar, 6), THICK), Text((8, 8.5), "50 mm", 2.6)]
    shapes += _bars(setup, throw_deg, lateral_g)
    return Drawing(WIDTH_MM, HEIGHT_MM, tuple(shapes), "support and loads")


def _bars(setup: Setup, throw_deg: float, lateral_g: float) -> list[Shape]:
    stance = balance(setup, np.array([0.0, throw_deg]), lateral_g)
    loads = np.stack([stance.runner_load_left_N, stance.runner_load_right_N, stance.rear_load_N])
    most = float(np.nanmax(loads)) if np.isfinite(loads).any() else 1.0
    shapes: list[Shape] = [Text((148, 143), f"Loads in a left turn at {lateral_g:g} g", 3.6, "middle", bold=True)]
    for k, word in enumerate(("upright", "leaning in")):
        base = 84.0 - 66.0 * k
        shapes.append(Text((148, base - 10.5), word, 3.0, "middle"))
        if not stance.ok[k]:
            shapes.append(Text((148, base + 12), "does not stand this turn", 3.0, "middle"))
            continue
        for i, name in enumerate(("left", "right", "rear")):
            x, height = 124.0 + 18 * i, 42.0 * float(loads[i, k]) / most
            shapes.append(
                Polygon(
                    ((x, base), (x + 12, base), (x + 12, base + height), (x, base + height)), THIN, (0.75, 0.9, 0.55)[i]
                )
            )
            shapes.append(Text((x + 6, base + height + 1.2), f"{float(loads[i, k]):.1f} N", 2.6, "middle"))
            shapes.append(Text((x + 6, base - 4.5), name, 2.6, "middle"))
    return shapes
