"""A machine file read with the standard library alone, for the independent models.

Shares nothing with leanmix but the file's meaning: points in mm from the centreline and over the board, measured
standing at neutral; ``[side]`` for both sides, ``[left]`` and ``[right]`` for what differs.
"""

from __future__ import annotations

import tomllib
from typing import Any

import numpy as np
from scipy.optimize import brentq

G = 9.80665
Vec = np.ndarray[Any, np.dtype[np.float64]]


def at(value: Any) -> float:
    """A bare number, or the ``at`` of a number with tolerance."""
    return float(value["at"]) if isinstance(value, dict) else float(value)


def point(value: dict[str, Any]) -> Vec:
    """(out, up) in mm."""
    return np.array([at(value["out_mm"]), at(value["up_mm"])])


def _over(base: dict[str, Any], more: dict[str, Any]) -> dict[str, Any]:
    out = dict(base)
    for key, value in more.items():
        table = isinstance(value, dict) and not {"at", "out_mm", "up_mm"} & set(value)
        out[key] = _over(base.get(key, {}), value) if table else value
    return out


def read(text: str) -> dict[str, Any]:
    """The file as nested dicts, both sides written out under "left" and "right"."""
    raw = tomllib.loads(text)
    side = raw.pop("side", {})
    for name in ("left", "right"):
        raw[name] = _over(side, raw.get(name, {}))
    return raw


def unsprung_point(machine: dict[str, Any], side: str) -> Vec:
    """Where the unsprung weight of a side is taken to sit, (out, up) in mm.

    Straight above the contact: a wheel's centre; for a ski half as high as the lower ball.
    """
    s = machine[side]["suspension"]
    contact, ball = point(s["contact"]), point(s["lower_ball"])
    wheel = machine["runner"]["kind"] == "wheel"
    return contact + np.array([0.0, at(machine["runner"].get("radius_mm", 0)) if wheel else (ball[1] - contact[1]) / 2])


def neutral_loads(machine: dict[str, Any]) -> dict[str, float]:
    """Loads [N] standing at neutral, from moments about the rear's support and about the centreline."""
    c, r = machine["chassis"], machine["rear"]
    weight = at(c["mass_g"]) * 1e-3 * G
    front = weight * (1 - at(c["cg_behind_mm"]) / at(r["load_behind_mm"]))
    y_left = point(machine["left"]["suspension"]["contact"])[0]
    y_right = point(machine["right"]["suspension"]["contact"])[0]
    # the rear stands upright on its middle, so all of the sideways moment is the runners'
    left = (weight * at(c.get("cg_left_mm", 0)) + front * y_right) / (y_left + y_right)
    return {"left": left, "right": front - left, "rear": weight - front}


def _cross(a: Vec, b: Vec) -> float:
    return float(a[0] * b[1] - a[1] * b[0])


def shock_force_at_neutral(machine: dict[str, Any], side: str, load_N: float) -> float:
    """Force in a side's shock [N] that holds `load_N` under the runner: free bodies of upright and arms."""
    s, shock = machine[side]["suspension"], machine[side]["shock"]
    lp, lb, up, ub = (point(s[k]) for k in ("lower_pivot", "lower_ball", "upper_pivot", "upper_ball"))
    contact, mass_at = point(s["contact"]), unsprung_point(machine, side)
    weight = at(s["unsprung_g"]) * 1e-3 * G
    eye, top = point(shock["lower_eye"]), point(machine[side]["mount"]["eye"])
    push = (eye - top) / np.linalg.norm(eye - top)
    if shock.get("on", "lower_arm") == "lower_arm":
        rod_pivot, rod_ball, pivot, ball = up, ub, lp, lb
    else:
        rod_pivot, rod_ball, pivot, ball = lp, lb, up, ub
    along = (rod_ball - rod_pivot) / np.linalg.norm(rod_ball - rod_pivot)
    lift, drop = np.array([0.0, load_N]), np.array([0.0, -weight])
    # upright: moments about the loaded arm's ball give the force in the other arm
    rod = -(_cross(contact - ball, lift) + _cross(mass_at - ball, drop)) / _cross(rod_ball - ball, along)
    on_upright = -(lift + drop + rod * along)
    # loaded arm: moments about its pivot
    return -_cross(ball - pivot, -on_upright) / _cross(eye - pivot, push)


def spring(machine: dict[str, Any], side: str) -> dict[str, float]:
    """Rate [N/mm], length at which the spring is slack [mm], shortest and longest length [mm] of a side's shock."""
    shock = machine[side]["shock"]
    rate, longest = at(shock["rate_N_per_mm"]), at(shock["length_max_mm"])
    length = float(np.linalg.norm(point(shock["lower_eye"]) - point(machine[side]["mount"]["eye"])))
    if "preload_N" in shock:
        preload = at(shock["preload_N"])
    else:
        force = shock_force_at_neutral(machine, side, neutral_loads(machine)[side])
        preload = force - rate * (longest - length)
    return {
        "rate": rate,
        "slack": longest + preload / rate,
        "shortest": at(shock["length_min_mm"]),
        "longest": longest,
    }


def mount_push(machine: dict[str, Any], side: str, throw_deg: float) -> float:
    """How far the mount goes down its guide [mm] for a throw (+ leans left), by searching along the guide."""
    m = machine[side]
    up_deg = (throw_deg if side == "left" else -throw_deg) + at(m["arm"].get("rest_deg", 0))
    outward = 1.0 if m["arm"].get("points", "out") == "out" else -1.0
    centre, radius = point(m["arm"]["centre"]), at(m["arm"]["radius_mm"])
    offset = at(m["arm"].get("offset_behind_mm", 0))
    cant = np.radians(at(m["guide"].get("cant_deg", 0)))
    down = np.array([np.sin(cant), -np.cos(cant)])
    ball = point(m["mount"]["ball"])

    def tip(degrees: float) -> Vec:
        a = np.radians(degrees)
        return centre + radius * np.array([outward * np.cos(a), np.sin(a)])

    def link(push: float, degrees: float) -> float:
        return float(np.hypot(np.linalg.norm(ball + push * down - tip(degrees)), offset))

    rest = at(m["arm"].get("rest_deg", 0))
    length = at(m["link"]["length_mm"]) if "length_mm" in m.get("link", {}) else link(0.0, rest)
    # the link's length along the guide is least at the foot of the square from the arm's ball; stay on neutral's side
    foot = float((tip(up_deg) - ball) @ down)
    below = float((ball - tip(rest)) @ down) >= 0
    far = foot + (1 if below else -1) * 2 * length
    return float(brentq(lambda p: link(p, up_deg) - length, foot, far, xtol=1e-12))


def sprung(machine: dict[str, Any]) -> dict[str, float]:
    """Mass [g] of what leans with the chassis, and its balance point (behind, left, up) [mm] at neutral."""
    c, r = machine["chassis"], machine["rear"]
    whole, rear = at(c["mass_g"]), at(r.get("mass_g", 0))
    behind = whole * at(c["cg_behind_mm"]) - rear * at(r["load_behind_mm"])
    left = whole * at(c.get("cg_left_mm", 0))
    up = whole * at(c["cg_up_mm"]) - rear * at(r.get("mass_up_mm", 0))
    mass = whole - rear
    for side, sign in (("left", 1), ("right", -1)):
        m = at(machine[side]["suspension"]["unsprung_g"])
        p = unsprung_point(machine, side)
        mass, left, up = mass - m, left - sign * m * p[0], up - m * p[1]
    return {"mass": mass, "behind": behind / mass, "left": left / mass, "up": up / mass}
