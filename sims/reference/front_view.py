"""The front view's moving shapes from a machine file alone, for checks of contacts and ends by brute force.

Everything stands in chassis axes, (left, up) in mm; poses are arrays over throw. Shares nothing with leanmix but the
file's meaning. Roots are found by stepping, shapes are shapely's.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from sims.reference.plain_file import Vec, at, point

SIGN = {"left": 1.0, "right": -1.0}
SERVO = {"arm", "link", "mount"}
SPRUNG = {"lower_arm", "upper_arm", "upright"}


def turn(vectors: Any, angle: Any) -> Any:
    """Complex numbers turned anticlockwise."""
    return vectors * np.exp(1j * np.asarray(angle))


def spot(p: dict[str, Any]) -> complex:
    """A point of the file as a complex number, out + i up."""
    return complex(*point(p))


@dataclass
class SideView:
    """One side in its own frame as complex numbers out + i up, poses over throw and droop."""

    side: dict[str, Any]
    sign: float

    def __post_init__(self) -> None:
        s = self.side
        self.centre, self.ball, self.eye = spot(s["arm"]["centre"]), spot(s["mount"]["ball"]), spot(s["mount"]["eye"])
        self.radius, self.offset = at(s["arm"]["radius_mm"]), at(s["arm"].get("offset_behind_mm", 0))
        self.rest = np.radians(at(s["arm"].get("rest_deg", 0)))
        self.outward = 1.0 if s["arm"].get("points", "out") == "out" else -1.0
        cant = np.radians(at(s["guide"].get("cant_deg", 0)))
        self.down = complex(np.sin(cant), -np.cos(cant))
        given = s.get("link", {}).get("length_mm")
        tip = self.tip(np.zeros(1))[0]
        self.flat = np.sqrt(at(given) ** 2 - self.offset**2) if given is not None else abs(self.ball - tip)
        self.below = ((self.ball - tip) * self.down.conjugate()).real >= 0
        q = s["suspension"]
        self.lp, self.lb, self.up, self.ub = (
            spot(q[k]) for k in ("lower_pivot", "lower_ball", "upper_pivot", "upper_ball")
        )
        self.contact = spot(q["contact"])

    def tip_up(self, throw: Vec) -> Vec:
        return self.sign * throw

    def tip(self, tip_up: Vec) -> Any:
        a = self.rest + tip_up
        return self.centre + self.radius * (self.outward * np.cos(a) + 1j * np.sin(a))

    def push(self, throw: Vec) -> Vec:
        """Along the guide to where the link's circle cuts it; NaN out of reach."""
        w = (self.ball - self.tip(self.tip_up(throw))) * self.down.conjugate()
        with np.errstate(invalid="ignore"):
            half = np.sqrt(self.flat**2 - w.imag**2)
        return (half if self.below else -half) - w.real

    def across(self, throw: Vec) -> Vec:
        """How far the guide's line passes from the arm's ball."""
        return ((self.ball - self.tip(self.tip_up(throw))) * self.down.conjugate()).imag

    def upper_ball(self, droop: Vec) -> Any:
        """Where two circles meet, on neutral's side."""
        lower = self.lp + turn(self.lb - self.lp, -droop)
        gap = self.up - lower
        d, u, a = np.abs(gap), abs(self.ub - self.lb), abs(self.ub - self.up)
        cosine = (d**2 + u**2 - a**2) / (2 * d * u)
        with np.errstate(invalid="ignore"):
            between = np.arccos(cosine)
        neutral = ((self.ub - self.lb) * (self.up - self.lb).conjugate()).imag
        return lower + u * turn(gap / d, np.sign(neutral) * between)

    def place(self, body: str, points: list[complex], throw: Vec, droop: Vec) -> Any:
        """Corners over the poses, shape (poses, corners)."""
        z = np.asarray(points)[None, :] + 0j * throw[:, None]
        if body == "chassis":
            return z
        if body == "arm":
            return self.centre + turn(z - self.centre, (self.outward * self.tip_up(throw))[:, None])
        if body in ("mount", "link"):
            moved = z + (self.push(throw) * self.down)[:, None]
            if body == "mount":
                return moved
            tip = self.tip(self.tip_up(throw))
            ball = self.ball + self.push(throw) * self.down
            before = np.angle(self.ball - self.tip(np.zeros(1))[0])
            return ball[:, None] + turn(moved - ball[:, None], (np.angle(ball - tip) - before)[:, None])
        if body == "lower_arm":
            return self.lp + turn(z - self.lp, -droop[:, None])
        upper, lower = self.upper_ball(droop), self.lp + turn(self.lb - self.lp, -droop)
        if body == "upper_arm":
            angle = np.angle((upper - self.up) / (self.ub - self.up))
            return self.up + turn(z - self.up, angle[:, None])
        angle = np.angle((upper - lower) / (self.ub - self.lb))
        return lower[:, None] + turn(z - self.lb, angle[:, None])

    def shock_length(self, throw: Vec, droop: Vec) -> Vec:
        top = self.eye + self.push(throw) * self.down
        body = self.side["shock"].get("on", "lower_arm")
        low = self.place(body, [spot(self.side["shock"]["lower_eye"])], throw, droop)[:, 0]
        return np.abs(top - low)

    def push_share(self, throw: Vec, friction: float) -> Vec:
        """Share of a push that comes out along the guide, from six equations of statics solved at each pose."""
        guide = self.side["guide"]
        middle, length = spot(guide["bearing_centre"]), at(guide["bearing_length_mm"])
        push, tip = self.push(throw), self.tip(self.tip_up(throw))
        out = np.full(throw.shape, np.nan)
        across = 1j * self.down
        for i in range(len(throw)):
            if not np.isfinite(push[i]):
                continue
            ball = self.ball + push[i] * self.down
            here = middle + (push[i] * self.down if guide.get("bearing_moves", True) else 0)
            link = np.hypot(abs(ball - tip[i]), self.offset)
            force, behind = (ball - tip[i]) / link, self.offset / link
            rel = ball - here
            s, n = (rel * self.down.conjugate()).real, (rel * across.conjugate()).real
            fs, fn = (force * self.down.conjugate()).real, (force * across.conjugate()).real
            a = np.array([[1.0, 1.0], [-length / 2, length / 2]])
            ends = np.linalg.solve(a, [-fn, -(s * fn - n * fs)])
            rear = np.linalg.solve(a, [-behind, -s * behind])
            out[i] = abs(fs) - friction * (np.abs(ends).sum() + np.abs(rear).sum())
        return out


def views(machine: dict[str, Any]) -> dict[str, SideView]:
    """Both sides; with a double arm both turn about the left side's centre."""
    left = SideView(machine["left"], 1.0)
    right = SideView(machine["right"], -1.0)
    if machine["servo"]["arrangement"] == "double_arm":
        right.centre = complex(-left.centre.real, left.centre.imag)
    return {"left": left, "right": right}


@dataclass(frozen=True)
class Instance:
    """One part on one side."""

    part: dict[str, Any]
    frame: str

    @property
    def side(self) -> str:
        return "right" if self.frame == "right" else "left"

    @property
    def body(self) -> str:
        return str(self.part["on"])


def instances(part: dict[str, Any]) -> list[Instance]:
    where = part.get("side", "both")
    return [Instance(part, w) for w in (("left", "right") if where == "both" else (where,))]


def pairs(machine: dict[str, Any]) -> list[tuple[int, Instance, Instance, float]]:
    """Every pair that can change its distance: its clearance's place in the file, the two, the margin that counts."""
    parts = {p["name"]: p for p in machine.get("part", [])}
    double = machine["servo"]["arrangement"] == "double_arm"
    found = []
    for i, c in enumerate(machine.get("clearance", [])):
        one, two = (instances(parts[n]) for n in c["between"])
        margin = at(c.get("margin_mm", machine.get("limits", {}).get("margin_mm", 0.3)))
        seen = set()
        for a, b in itertools.product(one, two):
            opposite = {a.frame, b.frame} == {"left", "right"}
            if opposite and not c.get("across", False) and not (len(one) == len(two) == 1):
                continue
            key = frozenset(((a.part["name"], a.frame), (b.part["name"], b.frame)))
            if len(key) < 2 or key in seen:
                continue
            seen.add(key)
            still = a.body == b.body == "chassis"
            same = a.body == b.body and (a.side == b.side or (double and a.body == "arm"))
            if not still and not same:
                found.append((i, a, b, margin))
    return found


def geometry(corners: Any) -> Any:
    """Shapely cores for complex corners of shape (poses, corners)."""
    xy = np.stack([corners.real, corners.imag], axis=-1)
    if corners.shape[1] == 1:
        return shapely.points(xy[:, 0])
    if corners.shape[1] == 2:
        return shapely.linestrings(xy)
    return shapely.polygons(np.concatenate([xy, xy[:, :1]], axis=1))


def pair_gap(both: dict[str, SideView], a: Instance, b: Instance, throw: Vec, droops: dict[str, Vec]) -> Vec:
    """Distance between the surfaces of two parts over the poses; overlapping cores count as 0 apart."""
    cores = []
    for item in (a, b):
        z = both[item.side].place(item.body, [spot(p) for p in item.part["points"]], throw, droops[item.side])
        # own frame to chassis axes: out is left on the left, and to the right on the right
        cores.append(geometry(SIGN[item.side] * z.real + 1j * z.imag))
    return shapely.distance(*cores) - at(a.part.get("radius_mm", 0)) - at(b.part.get("radius_mm", 0))
