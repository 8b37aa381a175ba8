"""Made-up machines and made-up readings, for trying a survey out and for its tests and benchmarks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from leanmix.machine import Machine, Measured, Point, Side, demo
from leanmix.survey.layout import differing_places, machine_spots
from leanmix.survey.numbers import FILE_POINTS
from leanmix.survey.places import SIDES, PointName
from leanmix.survey.readings import KINDS, SIGMAS_PER_TOL, Reading, Survey

# the name of readings that nobody took
MADE_UP = "made-up readings"

__all__ = ["MADE_UP", "made_up_machine", "made_up_readings", "true_reading", "with_spots"]

Spots = Mapping[PointName, tuple[float, float, float]]

# what a builder can reach on most machines: along the parts first, then across them
_ALONG = (
    ("arm_centre", "arm_ball"), ("arm_ball", "mount_ball"), ("mount_ball", "upper_eye"), ("upper_eye", "lower_eye"),
    ("lower_pivot", "lower_ball"), ("upper_pivot", "upper_ball"), ("lower_ball", "upper_ball"), ("lower_pivot", "upper_pivot"),
    ("lower_eye", "lower_pivot"), ("lower_eye", "lower_ball"), ("guide_top", "guide_bottom"), ("guide_top", "arm_centre"),
    ("guide_bottom", "arm_centre"), ("guide_bottom", "upper_pivot"), ("guide_top", "upper_pivot"),
)  # fmt: skip
_CROSSWISE = (
    ("lower_pivot", "upper_ball"), ("upper_pivot", "lower_ball"), ("arm_centre", "upper_eye"), ("arm_centre", "upper_pivot"),
    ("upper_eye", "upper_pivot"), ("contact", "lower_ball"), ("arm_centre", "lower_pivot"), ("mount_ball", "lower_pivot"),
    ("lower_eye", "upper_ball"), ("upper_eye", "lower_pivot"), ("arm_ball", "upper_pivot"), ("contact", "lower_pivot"),
    ("guide_top", "upper_eye"), ("mount_ball", "upper_pivot"), ("guide_bottom", "lower_eye"), ("contact", "upper_ball"),
)  # fmt: skip
_ACROSS = ("lower_pivot", "upper_pivot", "lower_ball", "upper_ball", "mount_ball", "upper_eye", "contact", "lower_eye", "guide_bottom")  # fmt: skip
_HEIGHTS = ("arm_centre", "arm_ball", "mount_ball", "upper_eye", "guide_top", "guide_bottom", "upper_pivot", "upper_ball", "lower_pivot", "lower_ball", "lower_eye")  # fmt: skip


def true_reading(kind: str, points: Sequence[PointName], spots: Spots, one_axis: bool) -> float:
    """What a perfect tool would read [mm or deg], straight from the spots."""

    def place(p: PointName) -> Any:
        side = p.side if p.side in ("left", "right") else "left"
        out, up, behind = spots[p] if p in spots else spots[PointName(p.place, side)]
        y = out if side == "left" or (p.place == "arm_centre" and one_axis) else -out
        return np.array([y, up, behind])

    at = [place(p) for p in points]
    if kind == "pins":
        return float(np.linalg.norm(at[1] - at[0]))
    if kind == "height":
        return float(at[0][1])
    if kind == "offset":
        return float(at[0][0] if points[0].side != "right" else -at[0][0])
    if kind == "level":
        return float(np.degrees(np.arctan2(at[1][1] - at[0][1], at[1][0] - at[0][0])))
    raise KeyError(kind)


def made_up_readings(machine: Machine, seed: int, differ: tuple[str, ...] | None = None, crosswise: int = 14, noise: bool = True) -> Survey:  # fmt: skip
    """Readings of a machine as a careful builder would take them: along the parts, across, heights, a few diagonals.

    Parameters
    ----------
    machine : Machine
        Taken for the truth.
    seed : int
        Same seed, same readings.
    differ : tuple of str or None
        As in `Survey`; places that differ are measured on both sides.
    crosswise : int
        How many of the crosswise distances are taken (most 16).
    noise : bool
        Add noise of the kind's usual tolerance: calipers 0.1 mm, board 0.3 mm (σ).
    """
    rng = np.random.default_rng(seed)
    spots = machine_spots(machine)
    one_axis = machine.servo.arrangement == "double_arm"
    apart = differing_places(machine) if differ is None else frozenset(differ)
    out: list[Reading] = []

    def take(kind: str, *points: PointName) -> None:
        sigma = KINDS[kind].usual_tol / SIGMAS_PER_TOL if noise else 0.0
        out.append(Reading(kind, points, true_reading(kind, points, spots, one_axis) + sigma * rng.standard_normal()))

    picked = rng.permutation(len(_CROSSWISE))[:crosswise]
    for a, b in (*_ALONG, *(_CROSSWISE[i] for i in sorted(picked))):
        for side in ("left", "right") if {a, b} & apart else ("",):
            take("pins", PointName(a, side), PointName(b, side))
    for a in _ACROSS:
        take("pins", PointName(a, "left"), PointName(a, "right"))
    for a in _HEIGHTS:
        for side in ("left", "right") if a in apart else ("",):
            take("height", PointName(a, side))
    if not one_axis:
        take("pins", PointName("arm_centre", "left"), PointName("arm_centre", "right"))
    return Survey(tuple(out), differ=differ)


def with_spots(machine: Machine, spots: Spots) -> Machine:
    """A copy of a machine with its points put elsewhere and no parts; `spots` names every place of both sides."""
    sides = {}
    for side in SIDES:
        here = {p.place: at for p, at in spots.items() if p.side == side}
        old = getattr(machine, side)
        changes: dict[str, dict[str, object]] = {
            "arm": {},
            "link": {},
            "guide": {},
            "mount": {},
            "shock": {},
            "suspension": {},
        }
        for place, key in FILE_POINTS.items():
            table, _, name = key.partition(".")
            point = getattr(getattr(old, table), name)
            out, up = (replace(m, at=float(v)) for m, v in zip((point.out, point.up), here[place], strict=False))
            changes[table][name] = Point(out, up)
        _turned_into_numbers(changes, here, old)
        sides[side] = old.model_copy(update={t: getattr(old, t).model_copy(update=c) for t, c in changes.items()})
    return machine.model_copy(update={**sides, "parts": (), "clearances": ()})


def _turned_into_numbers(changes: dict[str, dict[str, object]], here: Mapping[str, tuple[float, float, float]], old: Side) -> None:  # fmt: skip
    (xa, ya, _), (xb, yb, _) = here["arm_centre"], here["arm_ball"]
    (xt, yt, _), (xf, yf, _) = here["guide_top"], here["guide_bottom"]
    way = 1.0 if old.arm.points == "out" else -1.0
    changes["arm"]["radius_mm"] = Measured(float(np.hypot(xb - xa, yb - ya)))
    changes["arm"]["rest_deg"] = Measured(float(np.degrees(np.arctan2(yb - ya, way * (xb - xa)))))
    changes["guide"]["bearing_centre"] = Point(Measured((xt + xf) / 2), Measured((yt + yf) / 2))
    changes["guide"]["bearing_length_mm"] = Measured(float(np.hypot(xt - xf, yt - yf)))
    changes["guide"]["cant_deg"] = Measured(float(np.degrees(np.arctan2(xf - xt, yt - yf))))
    if old.link.length_mm is not None:
        (xm, ym, bm) = here["mount_ball"]
        changes["link"]["length_mm"] = Measured(float(np.sqrt((xm - xb) ** 2 + (ym - yb) ** 2 + bm**2)))


def made_up_machine(seed: int, alike: bool = True) -> Machine:
    """A machine of random size and proportions, with no parts declared.

    Parameters
    ----------
    seed : int
        Same seed, same machine.
    alike : bool
        False: left and right differ by up to a millimetre or two at every point.
    """
    rng = np.random.default_rng(seed)
    base = demo(("tarn", "wren", "moss")[int(rng.integers(3))]).machine
    size, wide = rng.uniform(0.65, 1.5), rng.uniform(0.85, 1.2)
    spots: dict[PointName, tuple[float, float, float]] = {}
    one_axis = base.servo.arrangement == "double_arm"
    for p, (out, up, behind) in machine_spots(base).items():
        if p.side != "left" or p.place not in dict.fromkeys([*FILE_POINTS, "arm_ball", "guide_top", "guide_bottom"]):
            continue
        jog = rng.normal(0, 3.0 * size, 2)
        out, up = size * wide * out + jog[0], size * up + jog[1]
        up = 0.0 if p.place == "contact" else max(up, 4.0)
        out = 0.0 if p.place == "arm_centre" and one_axis else out
        spots[p] = (out, up, behind)
        other = rng.normal(0, 0.0 if alike or p.place == "arm_centre" else 0.7, 2)
        spots[PointName(p.place, "right")] = (out + other[0], up if p.place == "contact" else up + other[1], behind)
    return with_spots(base, spots)
