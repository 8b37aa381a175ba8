"""Everything that was worked out of one machine, as JSON for other programs. Units are in the keys."""

from __future__ import annotations

import hashlib
import json
import math
from typing import Any

from leanmix import __version__
from leanmix.machine import Screw, each_number, rod_fit, screw_fit, slide_fit
from leanmix.mixer import image_crc32
from leanmix.paper.facts import Facts
from leanmix.paper.patterns import holes_of

__all__ = ["EVERYTHING_SCHEMA", "everything", "everything_json"]

EVERYTHING_SCHEMA = 1


def everything_json(facts: Facts) -> str:
    """`everything` as JSON text; no NaN, null where there is no figure."""
    return json.dumps(_no_nan(everything(facts)), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _no_nan(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _no_nan(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_no_nan(v) for v in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def everything(facts: Facts) -> dict[str, Any]:
    """All figures as dicts, lists, numbers and text; angles and leans positive to the left unless a way is named.

    Parameters
    ----------
    facts : Facts
        Results to put down.
    """
    source = facts.source
    return {
        "schema": EVERYTHING_SCHEMA,
        "kind": "build",
        "tool": f"leanmix {__version__}",
        "machine": {"name": source.machine.name, "sha256": source.digest.hex()},
        "numbers": [
            {"key": n.key, "at": n.measured.at, "tol": n.measured.tol, "from": n.measured.source, "unit": n.unit}
            for n in each_number(source.machine)
        ],
        "links": [_link(facts, side) for side in (0, 1)],
        "screws": [_screw(s) for s in source.machine.screws],
        "holes": [
            {"part": h.part, "out_mm": h.at[0], "up_mm": h.at[1], "diameter_mm": h.diameter_mm, "what": h.what}
            for h in holes_of(source)
        ],
        "caps": _caps(facts),
        "stops": [
            {
                "way": s.way, "throw_deg": s.throw_deg, "pulses_us": list(s.pulses_us), "lean_deg": s.lean_deg,
                "blocks": s.blocks, "kind": str(s.kind), "says": s.says, "cure": s.cure, "gain_deg": s.gain_deg,
            }
            for way in ("left", "right")
            for s in facts.ladder.way(way)
        ],
        "curve": _curve(facts),
        "tips": [{"what": t.what, "way": t.way, "before_g": t.before_g, "after_g": t.after_g} for t in facts.tips],
        "poses": {
            name: {
                "throw_deg": p.throw_deg,
                "lean_deg": p.lean_deg,
                **{
                    side.side: {point: {"right_mm": x, "up_mm": y} for point, (x, y) in side.points.items()}
                    for side in p.sides
                },
            }
            for name, p in facts.poses.items()
        },
        "table": _table(facts),
        "proof": [
            {"check": c.name, "passed": c.passed, "figure": c.figure, "inputs": c.inputs} for c in facts.checks
        ],
        "missing": list(facts.missing),
    }  # fmt: skip


def _link(facts: Facts, index: int) -> dict[str, Any]:
    geo = facts.setup.geometry[index]
    m = facts.source.machine
    side = m.left if geo.side == "left" else m.right
    rod = rod_fit(
        float(geo.link_length_mm), side.link.rod_end_mm.at, side.link.thread_in_mm.at, side.link.rod_diameter_mm.at
    )
    play = slide_fit(side)
    return {
        "side": geo.side,
        "length_mm": float(geo.link_length_mm),
        "rod_cut_mm": rod.cut_mm,
        "rod_bare_mm": rod.bare_mm,
        "thread_in_mm": side.link.thread_in_mm.at,
        "guide_play_mm": [play.least_mm, play.clearance_mm, play.most_mm],
    }


def _screw(screw: Screw) -> dict[str, Any]:
    fit = screw_fit(screw)
    return {
        "name": screw.name,
        "thread": screw.thread,
        "length_mm": screw.length_mm.at,
        "stack_mm": fit.stack_mm,
        "bite_mm": fit.bite_mm,
        "stands_out_mm": fit.stands_out_mm,
        "right_length_mm": fit.right_mm,
    }


def _caps(facts: Facts) -> dict[str, Any] | None:
    if facts.caps is None:
        return None
    out = {}
    for way, cap in (("left", facts.caps.left), ("right", facts.caps.right)):
        pose = facts.poses.get(way)
        out[way] = {
            "throw_deg": cap.throw_deg,
            "why": cap.why,
            "lean_deg": None if pose is None else abs(pose.lean_deg),
        }
    return out


def _curve(facts: Facts) -> dict[str, Any] | None:
    plan, points = facts.plan, facts.curve
    if plan is None or points is None:
        return None
    return {
        "ask": plan.machine.lean.ask,
        "knee_deg": plan.knee_deg,
        "steer": points.steer.tolist(),
        "asked_deg": points.asked_deg.tolist(),
        "throw_uncapped_deg": points.wanted_deg.tolist(),
        "throw_deg": points.held_deg.tolist(),
        "lean_deg": points.lean_deg.tolist(),
        "pulses_us": [p.tolist() for p in points.pulses_us],
    }


def _table(facts: Facts) -> dict[str, Any] | None:
    if facts.table is None:
        return None
    image, fit = facts.table.image, facts.table.fit
    data = image.encode()
    return {
        "bytes": data.hex(),
        "crc32": f"{image_crc32(data):08x}",
        "sha256": hashlib.sha256(data).hexdigest(),
        "error_us": fit.error_us,
        "knee_error_us": fit.knee_error_us,
        "steering_us": [image.right_eighths / 8, image.neutral_eighths / 8, image.left_eighths / 8],
        "outputs": [
            {
                "cap_low_us": o.cap_low_eighths / 8,
                "cap_high_us": o.cap_high_eighths / 8,
                "neutral_us": o.neutral_eighths / 8,
                "failsafe_us": o.failsafe_eighths / 8,
                "slew_us_per_frame": o.slew_eighths / 8,
                "knots_us": [k / 8 for k in o.knots_eighths],
            }
            for o in image.outputs
        ],
    }
