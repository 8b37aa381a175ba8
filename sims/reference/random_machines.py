"""Random machine files: a demo's numbers moved about, with random shapes that may or may not meet."""

from __future__ import annotations

import tomllib
from typing import Any

import numpy as np
import tomlkit

from leanmix.machine import demo
from sims.reference.plain_file import at

BODIES = ("chassis", "chassis", "chassis", "arm", "mount", "mount", "link", "lower_arm", "upper_arm", "upright")


def _moved(p: dict[str, Any], rng: np.random.Generator, by: float) -> dict[str, float]:
    return {k: round(at(p[k]) + rng.uniform(-by, by), 3) for k in ("out_mm", "up_mm")}


def _ring(rng: np.random.Generator, out: float, up: float, size: float) -> list[dict[str, float]]:
    corners = int(rng.choice([1, 2, 3, 4, 6]))
    angles = np.sort(rng.uniform(0, 2 * np.pi, corners))
    sizes = size * rng.uniform(0.35, 1.0, corners)
    return [
        {"out_mm": round(out + s * np.cos(a), 3), "up_mm": round(up + s * np.sin(a), 3)}
        for a, s in zip(angles, sizes, strict=True)
    ]


def random_machine(rng: np.random.Generator) -> str:
    """A machine file's text; usable by leanmix except where its arms happen not to go together."""
    base = str(rng.choice(["tarn", "wren"]))
    raw = tomllib.loads(demo(base).text)
    raw.pop("right", None)
    side = raw["side"]
    double = raw["servo"]["arrangement"] == "double_arm"
    scale = 1.0 if double else 0.7
    arm, mount, guide, shock, susp = (side[k] for k in ("arm", "mount", "guide", "shock", "suspension"))
    side["link"].pop("length_mm", None)
    arm["radius_mm"] = round(at(arm["radius_mm"]) * rng.uniform(0.55, 1.35), 3)
    arm["rest_deg"] = round(rng.uniform(-15, 15), 3)
    arm["offset_behind_mm"] = round(rng.uniform(0, 5), 3)
    arm["centre"] = {"out_mm": 0 if double else at(arm["centre"]["out_mm"]), "up_mm": at(arm["centre"]["up_mm"]) + 2}
    if rng.random() < 0.25:
        # a long arm over a short link, which runs out
        arm["radius_mm"] = round(arm["radius_mm"] * 1.4, 3)
        arm["centre"]["up_mm"] = round(at(mount["ball"]["up_mm"]) + scale * rng.uniform(5, 10), 3)
    if not double and rng.random() < 0.3:
        arm["points"] = "in"
        arm["centre"]["out_mm"] = round(at(mount["ball"]["out_mm"]) + arm["radius_mm"] + rng.uniform(-3, 3), 3)
    for table, key, by in (
        (mount, "ball", 1.5),
        (mount, "eye", 2.0),
        (shock, "lower_eye", 2.0),
        (susp, "lower_pivot", 1.5),
        (susp, "lower_ball", 1.5),
        (susp, "upper_pivot", 1.5),
        (susp, "upper_ball", 1.5),
        (guide, "bearing_centre", 4.0),
    ):
        table[key] = _moved(table[key], rng, by * scale)
    guide["cant_deg"] = round(rng.uniform(-4, 14), 3)
    guide["bearing_length_mm"] = round(rng.uniform(5, 22), 3)
    guide["bearing_moves"] = bool(rng.random() < 0.5)
    guide["friction"] = {"at": round(rng.uniform(0.15, 0.75), 3), "tol": round(rng.uniform(0, 0.15), 3)}
    mount["travel_down_mm"], mount["travel_up_mm"] = (round(rng.uniform(4, 15), 3) for _ in range(2))
    if rng.random() < 0.3:
        p, b = susp["upper_pivot"], susp["upper_ball"]
        share = rng.uniform(0.4, 0.8)
        shock["on"] = "upper_arm"
        shock["lower_eye"] = {k: round(p[k] + share * (b[k] - p[k]), 3) for k in ("out_mm", "up_mm")}
    length = np.hypot(*(at(mount["eye"][k]) - at(shock["lower_eye"][k]) for k in ("out_mm", "up_mm")))
    shock["length_min_mm"], shock["length_max_mm"] = (
        round(length - rng.uniform(1, 6), 3),
        round(length + rng.uniform(1, 6), 3),
    )
    if not double and rng.random() < 0.5:
        raw["right"] = {"arm": {"radius_mm": round(arm["radius_mm"] * rng.uniform(0.9, 1.1), 3)}}
    raw["servo"]["travel_deg"] = round(rng.uniform(40, 75), 2)
    raw["limits"]["margin_mm"] = float(rng.choice([0.0, 0.3, 0.5]))
    raw["part"], raw["clearance"] = _parts(rng, side, scale)
    return tomlkit.dumps(raw)


def _parts(rng: np.random.Generator, side: dict[str, Any], scale: float) -> tuple[list[Any], list[Any]]:
    def xy(p: dict[str, Any]) -> np.ndarray:
        return np.array([at(p["out_mm"]), at(p["up_mm"])])

    arm, mount, susp = side["arm"], side["mount"], side["suspension"]
    outward = -1.0 if arm.get("points") == "in" else 1.0
    rest, radius = np.radians(arm["rest_deg"]), arm["radius_mm"]
    tip = xy(arm["centre"]) + radius * np.array([outward * np.cos(rest), np.sin(rest)])
    homes = {
        "arm": (xy(arm["centre"]), tip),
        "link": (tip, xy(mount["ball"])),
        "mount": (xy(mount["ball"]), xy(mount["eye"])),
        "lower_arm": (xy(susp["lower_pivot"]), xy(susp["lower_ball"])),
        "upper_arm": (xy(susp["upper_pivot"]), xy(susp["upper_ball"])),
        "upright": (xy(susp["lower_ball"]), xy(susp["upper_ball"])),
    }
    middles = [np.mean(h, axis=0) for h in homes.values()]
    parts: list[dict[str, Any]] = []
    for i in range(int(rng.integers(7, 11))):
        body = str(rng.choice(BODIES))
        where = "both"
        if body == "chassis":
            home = middles[int(rng.integers(len(middles)))] + scale * rng.uniform(-17, 17, 2)
            where = str(rng.choice(["both", "both", "left", "centre"]))
            points = _ring(rng, *home, scale * rng.uniform(1, 12))
        elif rng.random() < 0.5:
            a, b = homes[body]
            points = [{"out_mm": round(p[0], 3), "up_mm": round(p[1], 3)} for p in (a, b)]
        else:
            a, b = homes[body]
            points = _ring(rng, *(a + rng.uniform(0, 1) * (b - a)), scale * rng.uniform(2, 9))
        radius_mm = float(rng.choice([0.0, round(rng.uniform(0.5, 4), 3)], p=[0.2, 0.8]))
        if len(points) == 1:
            radius_mm = max(radius_mm, 0.5)
        parts.append({"name": f"p{i}", "on": body, "side": where, "points": points, "radius_mm": radius_mm})
    clearances = []
    for _ in range(int(rng.integers(6, 10))):
        i, j = rng.choice(len(parts), 2)
        entry: dict[str, Any] = {"between": [f"p{i}", f"p{j}"], "across": bool(rng.random() < 0.25)}
        if rng.random() < 0.3:
            entry["margin_mm"] = round(rng.uniform(0, 1), 3)
        clearances.append(entry)
    return parts, clearances
