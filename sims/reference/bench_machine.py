"""A machine on the bench, in a general physics engine (MuJoCo): servo arms, links and sliding mounts in space.

Built from the machine file by `plain_file`; shares no code with leanmix. Axes: x forward, y left, z up; SI.
The arm is turned by hand to an angle, the mount slides on its guide, the link is a cord held to one length; the
mount is lightly damped and the engine finds where it comes to rest. Free play, the servo's gain and how well
a person reads an instrument are added here.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import mujoco
import numpy as np

from sims.reference.plain_file import at, point, read

SIDES = (("left", 1.0), ("right", -1.0))
HARD = 'solref="0.002 1" solimp="0.9999 0.9999 0.001"'
STEP_S = 1e-3

SIGMAS_PER_TOL = 1.959963984540054  # a tolerance is the half-width of a 95 % interval
# What bench readings do not fix, with the tolerance where the file gives none.
UNSEEN = {
    "arm.centre.out_mm": 0.3, "arm.centre.up_mm": 0.3, "arm.offset_behind_mm": 0.5, "guide.cant_deg": 1.0,
    "mount.ball.out_mm": 0.3, "mount.ball.up_mm": 0.3, "mount.eye.up_mm": 0.3,
}  # fmt: skip


def _get(table: dict[str, Any], key: str) -> Any:
    for name in key.split("."):
        table = table.get(name, {})
    return table or 0.0


def put(table: dict[str, Any], key: str, value: Any) -> None:
    """Set a dotted key."""
    *names, last = key.split(".")
    for name in names:
        table = table.setdefault(name, {})
    table[last] = value


def draw_truth(text: str, rng: np.random.Generator) -> tuple[dict[str, Any], dict[str, float]]:
    """A machine as it might really be, and the numbers that a bench should find.

    Points and angles come from the file's tolerances; arm, link, servo gain and free play are well off the file.
    """
    plain = read(text)
    truth = json.loads(json.dumps(plain))  # sides of a file share tables; here each gets its own
    one_servo = plain["servo"]["arrangement"] == "double_arm"
    hidden: dict[str, float] = {}
    for side, _ in SIDES:
        for key, unknown in UNSEEN.items():
            given = _get(plain[side], key)
            parent = _get(plain[side], key.rpartition(".")[0])
            tol = unknown
            if isinstance(given, dict) and "tol" in given:
                tol = given["tol"]
            elif isinstance(parent, dict) and "tol_mm" in parent:
                tol = parent["tol_mm"]
            put(truth[side], key, at(given) + rng.normal(0, tol / SIGMAS_PER_TOL))
        if one_servo and side == "right":
            centre = truth["left"]["arm"]["centre"]
            truth["right"]["arm"]["centre"] = {"out_mm": -at(centre["out_mm"]), "up_mm": centre["up_mm"]}
        for key, was, spread in (
            ("arm.radius_mm", at(plain[side]["arm"]["radius_mm"]), 1.5),
            ("arm.rest_deg", at(_get(plain[side], "arm.rest_deg")), 4.0),
            ("link.length_mm", link_length_mm(plain, side), 1.0),
        ):
            hidden[f"{side}.{key}"] = was + rng.uniform(-spread, spread)
    gain = at(plain["servo"]["pulse_per_deg_us"])
    hidden["servo.pulse_per_deg_us"] = gain + rng.uniform(-0.8, 0.8)
    if not one_servo:
        hidden["servo_right.pulse_per_deg_us"] = gain + rng.uniform(-0.8, 0.8)
    hidden["servo.backlash_deg"] = rng.uniform(0, 1.5)
    for key, value in hidden.items():
        put(truth, key, value)
    return truth, hidden


def link_length_mm(machine: dict[str, Any], side: str) -> float:
    """The file's link, or the one that holds the mount where it was measured with the arm centred."""
    m = machine[side]
    if "length_mm" in m.get("link", {}):
        return at(m["link"]["length_mm"])
    rest = np.radians(at(m["arm"].get("rest_deg", 0)))
    outward = 1.0 if m["arm"].get("points", "out") == "out" else -1.0
    tip = point(m["arm"]["centre"]) + at(m["arm"]["radius_mm"]) * np.array([outward * np.cos(rest), np.sin(rest)])
    flat = np.linalg.norm(point(m["mount"]["ball"]) - tip)
    return float(np.hypot(flat, at(m["arm"].get("offset_behind_mm", 0))))


def _side_xml(machine: dict[str, Any], side: str, sign: float) -> tuple[str, str, str]:
    m = machine[side]
    centre, ball, eye = point(m["arm"]["centre"]), point(m["mount"]["ball"]), point(m["mount"]["eye"])
    outward = 1.0 if m["arm"].get("points", "out") == "out" else -1.0
    radius, behind = at(m["arm"]["radius_mm"]) * 1e-3, at(m["arm"].get("offset_behind_mm", 0)) * 1e-3
    cant = np.radians(at(m["guide"].get("cant_deg", 0)))
    y, z = sign * centre[0] * 1e-3, centre[1] * 1e-3
    # the hinge's + raises the ball: about +x on a ball to the left of its axis
    axis = sign * outward
    body = f"""
    <body name="arm:{side}" pos="0 {y:.12g} {z:.12g}"><joint name="arm:{side}" type="hinge" axis="{axis:g} 0 0"/>
      <inertial pos="0 0 0" mass="1" diaginertia="1 1 1"/>
      <site name="tip:{side}" pos="0 {sign * outward * radius:.12g} 0"/></body>
    <body name="mount:{side}" pos="{-behind:.12g} {sign * ball[0] * 1e-3:.12g} {ball[1] * 1e-3:.12g}">
      <joint name="push:{side}" type="slide" axis="0 {sign * np.sin(cant):.12g} {-np.cos(cant):.12g}" damping="0.5"/>
      <inertial pos="0 0 0" mass="0.01" diaginertia="1e-6 1e-6 1e-6"/>
      <site name="ball:{side}" pos="0 0 0"/>
      <site name="eye:{side}" pos="0 {sign * (eye[0] - ball[0]) * 1e-3:.12g} {(eye[1] - ball[1]) * 1e-3:.12g}"/></body>"""
    tendon = f'<spatial name="link:{side}"><site site="tip:{side}"/><site site="ball:{side}"/></spatial>'
    equality = f'<tendon name="link:{side}" tendon1="link:{side}" {HARD}/>'
    return body, tendon, equality


class BenchMachine:
    """One machine's mechanism in the engine.

    Parameters
    ----------
    machine : dict
        From `plain_file.read`: the machine as it really is.
    """

    def __init__(self, machine: dict[str, Any]) -> None:
        self.machine = machine
        parts = [_side_xml(machine, side, sign) for side, sign in SIDES]
        xml = f"""
<mujoco><compiler angle="radian" inertiafromgeom="false"/>
  <option timestep="{STEP_S}" gravity="0 0 0" integrator="implicitfast" solver="Newton" tolerance="1e-14"/>
  <worldbody>{"".join(p[0] for p in parts)}</worldbody>
  <tendon>{"".join(p[1] for p in parts)}</tendon><equality>{"".join(p[2] for p in parts)}</equality>
</mujoco>"""
        self.model = mujoco.MjModel.from_xml_string(xml)
        self.data = mujoco.MjData(self.model)
        self._arm = [self.model.joint(f"arm:{s}").qposadr[0] for s, _ in SIDES]
        self._slide = [self.model.joint(f"push:{s}") for s, _ in SIDES]
        self._eye = [self.model.site(f"eye:{s}").id for s, _ in SIDES]
        for i, (side, _) in enumerate(SIDES):
            # a cord's equality holds its length at qpos0 plus this
            rest = float(self.model.tendon_length0[i])
            self.model.eq_data[i, 0] = link_length_mm(machine, side) * 1e-3 - rest

    def throw_deg(self, pulse_us: float, side: str, came_from_below: bool | None = None) -> float:
        """Throw (+ leans left) for that side's pulse; free play lags half of it behind the way it came."""
        servo, right = self.machine["servo"], self.machine.get("servo_right", {})
        other = right if side == "right" else {}
        neutral = at(other.get("pulse_neutral_us", servo["pulse_neutral_us"]))
        gain = at(other.get("pulse_per_deg_us", servo["pulse_per_deg_us"]))
        sign = 1.0 if other.get("longer_pulse_leans", servo["longer_pulse_leans"]) == "left" else -1.0
        throw = sign * (pulse_us - neutral) / gain
        if came_from_below is None:
            return throw
        return throw - sign * (1.0 if came_from_below else -1.0) * at(servo.get("backlash_deg", 0)) / 2

    def pose(self, throws_deg: tuple[float, float]) -> tuple[tuple[float, float], tuple[float, float]]:
        """Arm angles over level [deg] and eye heights [mm], left and right, for each side's throw."""
        angles = []
        for i, (side, sign) in enumerate(SIDES):
            angle = at(self.machine[side]["arm"].get("rest_deg", 0)) + sign * throws_deg[i]
            angles.append(angle)
            self.data.qpos[self._arm[i]] = np.radians(angle)
        d = self.data
        d.qvel[:] = 0.0
        arms = np.array(self._arm)
        held = d.qpos[arms].copy()
        for _ in range(4000):
            mujoco.mj_step(self.model, d)
            d.qpos[arms], d.qvel[arms] = held, 0.0
            if np.abs(d.qvel).max() < 1e-7:
                break
        mujoco.mj_forward(self.model, d)
        heights = tuple(float(d.site_xpos[e][2]) * 1e3 for e in self._eye)
        return (angles[0], angles[1]), (heights[0], heights[1])


@dataclass(frozen=True)
class BenchReading:
    """One reading: "arm_deg" or "eye_up_mm", side, pulse, whether the pulse came from below, value."""

    quantity: str
    side: str
    pulse_us: float
    from_below: bool
    at: float


def read_bench(
    truth: dict[str, Any],
    pulses_us: tuple[float, ...],
    rng: np.random.Generator,
    *,
    caliper_mm: float,
    protractor_deg: float,
    datum_mm: float = 0.0,
) -> list[BenchReading]:
    """Read a whole bench: up through the pulses and down again, both sides, angle and height at each.

    Parameters
    ----------
    truth : dict
        The machine as it really is.
    pulses_us : tuple of float
        Pulses, rising; for a right servo turned round the same list serves.
    rng : Generator
        Noise.
    caliper_mm, protractor_deg : float
        Standard deviation of a height and of an angle.
    datum_mm : float
        Standard deviation of the face that each side's heights are read from.
    """
    machine = BenchMachine(truth)
    datum = {side: rng.normal(0, datum_mm) if datum_mm else 0.0 for side, _ in SIDES}
    out = []
    for from_below, order in ((True, pulses_us), (False, pulses_us[::-1])):
        for pulse in order:
            throws = tuple(machine.throw_deg(pulse, side, from_below) for side, _ in SIDES)
            angles, heights = machine.pose((throws[0], throws[1]))
            for i, (side, _) in enumerate(SIDES):
                angle = angles[i] + rng.normal(0, protractor_deg)
                height = heights[i] - datum[side] + rng.normal(0, caliper_mm)
                out.append(BenchReading("arm_deg", side, pulse, from_below, angle))
                out.append(BenchReading("eye_up_mm", side, pulse, from_below, height))
    return out


@dataclass
class ServoOnBench:
    """A servo pushing a mechanism that stops it at two pulses, and what that does to the supply.

    Parameters
    ----------
    low_us, high_us : float
        Pulses at which the mechanism stands against something.
    at_us : float
        Where the arm stands, as the pulse that puts it there.
    rest_V, stall_V : float
        Supply at rest, and how far a stall pulls it down.
    us_per_s : float
        Speed.
    deadband_us : float
        Change that it does not answer.
    """

    low_us: float
    high_us: float
    at_us: float = 1500.0
    rest_V: float = 6.0
    stall_V: float = 0.7
    us_per_s: float = 4000.0
    deadband_us: float = 3.0
    past_us: float = 0.0
    stalled: bool = False
    came_from_below: bool = True
    supply_V: float = 6.0

    def live(self, seconds: float, pulse_us: float) -> None:
        """Let time pass under a pulse."""
        self.past_us = max(self.past_us, pulse_us - self.high_us, self.low_us - pulse_us)
        free = min(self.high_us, max(self.low_us, pulse_us))
        gap = free - self.at_us
        moving = abs(pulse_us - self.at_us) > self.deadband_us
        if moving and gap:
            self.came_from_below = gap > 0
            self.at_us += float(np.clip(gap, -self.us_per_s * seconds, self.us_per_s * seconds))
        self.stalled = moving and abs(self.at_us - free) < 1e-9 and abs(pulse_us - free) > self.deadband_us
        self.supply_V = self.rest_V - (self.stall_V if self.stalled else 0.08 if moving else 0.0)
