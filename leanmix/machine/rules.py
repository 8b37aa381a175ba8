"""Rules that tie several keys of a machine file together, and remarks on numbers that are odd.

`broken_rules` lists what makes the file unusable; `remarks` lists what is allowed but looks like a slip.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

from leanmix.errors import Finding
from leanmix.machine.numbers import each_number, spoken_key
from leanmix.machine.quantity import Spec
from leanmix.machine.schema import Lean, Machine
from leanmix.machine.shapes import Part
from leanmix.machine.side import Side

__all__ = ["broken_rules", "mostly_guessed", "remarks"]


def broken_rules(m: Machine) -> tuple[Finding, ...]:
    """Findings over several keys of a machine whose single values are all in range."""
    return (
        tuple(_servo(m))
        + tuple(_sides(m))
        + tuple(_rear(m))
        + tuple(_lean(m.lean))
        + tuple(_board(m))
        + tuple(_parts(m))
    )


def _servo(m: Machine) -> Iterator[Finding]:
    s = m.servo
    neutral = [("servo.pulse_neutral_us", s.pulse_neutral_us.at)]
    if m.servo_right.pulse_neutral_us is not None:
        neutral.append(("servo_right.pulse_neutral_us", m.servo_right.pulse_neutral_us.at))
    for key, at in neutral:
        if not s.pulse_min_us.at < at < s.pulse_max_us.at:
            yield Finding(
                key,
                f"{at:g} µs is not between pulse_min_us {s.pulse_min_us.at:g} and pulse_max_us {s.pulse_max_us.at:g}.",
                "Neutral must lie inside the servo's range.",
            )
    if m.servo.arrangement == "double_arm":
        given = [
            k
            for k in ("pulse_neutral_us", "pulse_per_deg_us", "longer_pulse_leans")
            if getattr(m.servo_right, k) is not None
        ]
        if given:
            yield Finding(
                "servo_right",
                'there is only one servo with arrangement = "double_arm".',
                'Remove [servo_right], or set arrangement = "one_each_side".',
            )
        for name, side in (("left", m.left), ("right", m.right)):
            if side.arm.points != "out":
                yield Finding(
                    f"{name}.arm.points", "a double arm points outwards on both sides.", 'Set points = "out".'
                )
        left, right = m.left.arm.centre, m.right.arm.centre
        if left.out.at != -right.out.at or left.up.at != right.up.at:
            yield Finding(
                "side.arm.centre",
                f"left ({left.out.at:g}, {left.up.at:g}) and right ({right.out.at:g}, {right.up.at:g}) "
                "are not one axis.",
                "With a double arm the axis is one point: out_mm = 0, or opposite signs left and right.",
            )
    if s.supply_voltage_V.at - s.cold_sag_V.at <= 0:
        yield Finding(
            "servo.cold_sag_V",
            f"{s.cold_sag_V.at:g} V is all of the supply's {s.supply_voltage_V.at:g} V.",
            "Give the drop, not the voltage.",
        )


def _sides(m: Machine) -> Iterator[Finding]:
    for name, side in (("left", m.left), ("right", m.right)):
        shock = side.shock
        if shock.length_min_mm.at >= shock.length_max_mm.at:
            yield Finding(
                f"{name}.shock.length_min_mm",
                f"{shock.length_min_mm.at:g} mm is not shorter than length_max_mm {shock.length_max_mm.at:g} mm.",
                "Measure pushed in and pulled out.",
            )
        yield from _apart(name, side)
        if side.suspension.contact.out.at <= 0:
            yield Finding(
                f"{name}.suspension.contact",
                f"out_mm = {side.suspension.contact.out.at:g} is across the centreline.",
                "out_mm counts from the centreline towards this side.",
            )


def _apart(name: str, side: Side) -> Iterator[Finding]:
    s = side.suspension
    for key, a, b in (
        ("suspension.lower_ball", s.lower_ball, s.lower_pivot),
        ("suspension.upper_ball", s.upper_ball, s.upper_pivot),
        ("suspension.upper_ball", s.upper_ball, s.lower_ball),
        ("shock.lower_eye", side.shock.lower_eye, side.mount.eye),
    ):
        if (a.out.at - b.out.at) ** 2 + (a.up.at - b.up.at) ** 2 < 1.0:
            yield Finding(
                f"{name}.{key}", "this point falls on another one (less than 1 mm apart).", "Measure both again."
            )


def _rear(m: Machine) -> Iterator[Finding]:
    r = m.rear
    if r.contact_front_behind_mm.at > r.contact_rear_behind_mm.at:
        yield Finding(
            "rear.contact_front_behind_mm",
            f"{r.contact_front_behind_mm.at:g} mm is behind contact_rear_behind_mm {r.contact_rear_behind_mm.at:g} mm.",
            "Both count backwards from the runners' contacts.",
        )
    if m.chassis.cg_behind_mm.at >= r.load_behind_mm.at:
        yield Finding(
            "chassis.cg_behind_mm",
            f"{m.chassis.cg_behind_mm.at:g} mm is behind the rear's support at "
            f"{r.load_behind_mm.at:g} mm: the runners would be off the ground.",
            "Weigh front and rear again.",
        )
    if r.mass_g.at + m.left.suspension.unsprung_g.at + m.right.suspension.unsprung_g.at >= m.chassis.mass_g.at:
        yield Finding(
            "chassis.mass_g",
            f"{m.chassis.mass_g.at:g} g is no more than the unsprung parts together.",
            "mass_g is the whole machine.",
        )


def _lean(lean: Lean) -> Iterator[Finding]:
    if lean.knots:
        steers = [s for s, _ in lean.knots]
        if (
            len(lean.knots) < 3
            or any(b <= a for a, b in itertools.pairwise(steers))
            or steers[0] != -1
            or steers[-1] != 1
        ):
            yield Finding(
                "lean.knots",
                "steer must rise from −1 (full right) to 1 (full left), three pairs at least.",
                "Sort the pairs.",
            )
        degrees = [d for _, d in lean.knots]
        if any(not -90 <= d <= 90 for d in degrees) or any(b < a for a, b in itertools.pairwise(degrees)):
            yield Finding(
                "lean.knots", "degrees must not fall from right (−) to left (+), within ±90.", "Negative leans right."
            )
        return
    for side in ("left", "right"):
        given = [k for k in (f"{side}_deg", f"{side}_ratio") if getattr(lean, k) is not None]
        if len(given) != 1:
            found = "neither" if not given else "both"
            yield Finding(
                "lean",
                f"{found} of {side}_deg and {side}_ratio {'is' if not given else 'are'} given.",
                "Give one of the two.",
            )


def _board(m: Machine) -> Iterator[Finding]:
    s, b = m.steering, m.board
    left, neutral, right = s.pulse_left_us.at, s.pulse_neutral_us.at, s.pulse_right_us.at
    if not (left < neutral < right or right < neutral < left):
        yield Finding(
            "steering.pulse_neutral_us",
            f"{neutral:g} µs is not between left {left:g} and right {right:g}.",
            "Read the three from the receiver again.",
        )
    elif min(abs(left - neutral), abs(right - neutral)) < 50:
        yield Finding(
            "steering.pulse_neutral_us",
            "less than 50 µs of travel on one side.",
            "Read the three from the receiver again.",
        )
    for key, at in (("pulse_left_us", left), ("pulse_right_us", right)):
        if not b.input_min_us.at <= at <= b.input_max_us.at:
            yield Finding(
                f"steering.{key}",
                f"{at:g} µs would be taken for noise (board.input_min_us {b.input_min_us.at:g} to "
                f"input_max_us {b.input_max_us.at:g}).",
                "Widen board.input_min_us / input_max_us.",
            )


def _parts(m: Machine) -> Iterator[Finding]:
    names = [p.name for p in m.parts]
    for i, part in enumerate(m.parts):
        if part.name in names[:i]:
            yield Finding(f"part.{i}.name", f'"{part.name}" is the name of an earlier part too.', "Give each its own.")
        if part.side == "centre" and part.on not in ("chassis", "arm"):
            yield Finding(f"part.{i}.side", f"a part on the {part.on} belongs to a side.", "Use both, left or right.")
        if len(part.points) == 1 and part.radius_mm.at == 0:
            yield Finding(f"part.{i}.radius_mm", "a circle needs a radius.", "Give radius_mm.")
    for i, pair in enumerate(m.clearances):
        for name in pair.between:
            if name not in names:
                yield Finding(
                    f"clearance.{i}.between", f'no part is called "{name}".', f"Parts: {', '.join(names) or 'none'}."
                )


def mostly_guessed(m: Machine) -> str:
    """A sentence to stand before anything moves, where more than a quarter of the numbers are guesses; else ""."""
    sources = [n.measured.source for n in each_number(m)]
    guesses = sources.count("guess")
    if guesses * 4 <= len(sources):
        return ""
    return f"{guesses} of {len(sources)} numbers of this file are guesses: the proof is worth no more than they are."


# a joint this far outside all parts of its body was measured anew and the part was not (or the other way round)
_ASIDE_MM = 2.0


def _left_behind(m: Machine) -> Iterator[Finding]:
    """Measured joints that lie outside the parts which should carry them."""
    told: set[tuple[str, str]] = set()
    for name, side in (("left", m.left), ("right", m.right)):
        arm, s = side.arm, side.suspension
        turned = math.radians(arm.rest_deg.at)
        outward = 1.0 if arm.points == "out" else -1.0
        tip_out = arm.centre.out.at + outward * arm.radius_mm.at * math.cos(turned)
        tip_up = arm.centre.up.at + arm.radius_mm.at * math.sin(turned)
        joints = [("arm", "arm's ball", "arm.radius_mm", tip_out, tip_up, arm.radius_mm.source)]
        for body in ("lower_arm", "upper_arm"):
            for joint in ("ball", "pivot"):
                name_of = f"{body.removesuffix('_arm')}_{joint}"
                at = getattr(s, name_of)
                what = f"{body.replace('_', ' ')}'s {joint}"
                joints.append((body, what, f"suspension.{name_of}", at.out.at, at.up.at, at.out.source))
        for body, what, key, out, up, source in joints:
            if source == "guess":
                continue
            parts = [p for p in m.parts if p.on == body and p.side in ("both", name)]
            aside = [(_outside_mm(part, out, up), part.name) for part in parts]
            if aside and min(aside)[0] > _ASIDE_MM and (what, min(aside)[1]) not in told:
                told.add((what, min(aside)[1]))
                yield Finding(
                    f"{name}.{key}",
                    f'the {what} lies {min(aside)[0]:.1f} mm outside part "{min(aside)[1]}".',
                    "A part has points of its own: measured anew, it needs them anew too.",
                )


def _outside_mm(part: Part, out: float, up: float) -> float:
    """How far a point of the front view lies outside a part [mm]; 0 or less inside."""
    corners = [(p.out.at, p.up.at) for p in part.points]
    bars = [*itertools.pairwise(corners), (corners[-1], corners[0])]
    # a ray outwards crosses the edge of what it starts in an odd number of times
    crossed = sum(
        (a[1] > up) != (b[1] > up) and out < a[0] + (up - a[1]) * (b[0] - a[0]) / (b[1] - a[1]) for a, b in bars
    )
    return 0.0 if crossed % 2 else min(_to_bar(out, up, *a, *b) for a, b in bars) - part.radius_mm.at


def _to_bar(x: float, y: float, ax: float, ay: float, bx: float, by: float) -> float:
    along_2 = (bx - ax) ** 2 + (by - ay) ** 2
    share = 0.0 if along_2 == 0 else min(max(((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / along_2, 0.0), 1.0)
    return math.hypot(x - ax - share * (bx - ax), y - ay - share * (by - ay))


def remarks(m: Machine) -> tuple[Finding, ...]:
    """What is allowed but odd for a machine of this kind, or still a guess."""
    found: list[Finding] = []
    guesses: list[str] = []
    seen: set[str] = set()
    for number in each_number(m):
        if number.measured.source == "guess":
            guesses.append(spoken_key(m, number.key))
        key = number.key.replace("right.", "left.", 1) if number.key.startswith("right.") else number.key
        if not isinstance(number.spec, Spec) or number.spec.usual is None or key in seen:
            continue
        low, high = number.spec.usual
        if not low <= number.measured.at <= high:
            seen.add(key)
            unit = f" {number.spec.unit}" if number.spec.unit else ""
            found.append(
                Finding(
                    number.key,
                    f"{number.measured.at:g}{unit} is odd for a machine of this size (usual: {low:g} to {high:g}).",
                    "Check the number and its unit.",
                )
            )
    c = m.chassis
    if c.cg_up_mm.at >= c.roof_up_mm.at:
        found.append(
            Finding(
                "chassis.cg_up_mm",
                f"the balance point ({c.cg_up_mm.at:g} mm) is above the roof ({c.roof_up_mm.at:g} mm).",
                "Both count from the board.",
            )
        )
    if not m.rear.contact_front_behind_mm.at <= m.rear.load_behind_mm.at <= m.rear.contact_rear_behind_mm.at:
        found.append(
            Finding(
                "rear.load_behind_mm",
                f"{m.rear.load_behind_mm.at:g} mm is outside the rear's contact.",
                "Weigh front and rear again.",
            )
        )
    found += _left_behind(m)
    if guesses:
        some = ", ".join(guesses[:4]) + (" …" if len(guesses) > 4 else "")
        found.append(
            Finding(
                "guesses",
                f"{len(guesses)} numbers are still guesses: {some}",
                "Measure what matters most first: leanmix stops and leanmix stance say which.",
            )
        )
    return tuple(found)
