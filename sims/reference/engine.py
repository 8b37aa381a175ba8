"""The machine as bodies, pins and springs in a general physics engine (MuJoCo): a front view and one in space.

Built from the machine file by `plain_file`; shares no code with leanmix. Axes: x forward, y left, z up; SI.

Front view: everything lies in one plane. The chassis' weight is parted by the lever rule into a part over the
runners and a part over the rear; both roll as one, and the front part may rise and fall over the rear one, which is
what pitch comes to when seen from the front. Space: one rigid chassis that rolls, pitches and yaws about the
rear's pivot.

Sideways acceleration and bank are a gravity vector; each contact gets a sideways force in the same ratio to its load
(read from the engine after each step), so nothing slides and nothing sticks: the machine rolls along.
Engine settings: contacts and stops as hard as the step allows, because the defaults are soft by 2 mm.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import mujoco
import numpy as np

from sims.reference.plain_file import G, Vec, at, mount_push, point, spring, sprung, unsprung_point

SIDES = (("left", 1.0), ("right", -1.0))
FOOT_RADIUS = 1e-4
HARD = 'solref="0.002 1" solimp="0.9999 0.9999 0.001"'
HARD_LIMIT = 'solreflimit="0.002 1" solimplimit="0.9999 0.9999 0.001"'


def _pos(x: float, out: float, up: float, sign: float) -> str:
    return f"{x * 1e-3:.12g} {sign * out * 1e-3:.12g} {up * 1e-3:.12g}"


def _shapes(machine: dict[str, Any], on: str, side: str, sign: float, origin: Vec) -> Iterator[str]:
    """Geoms of the parts on one body, named part:side:n, in the body's own frame (origin in chassis mm)."""
    for part in machine.get("part", []):
        where = part.get("side", "both")
        mine = where in ("both", side) or (where == "centre" and side == "left" and on == "chassis")
        if part["on"] != on or not mine:
            continue
        pts = [point(p) - origin for p in part["points"]]
        radius = max(at(part.get("radius_mm", 0)), 1e-6) * 1e-3
        name = f"{part['name']}:{side}"
        common = f'size="{radius:.12g}" mass="0" contype="0" conaffinity="0"'
        if len(pts) == 1:
            yield f'<geom name="{name}:0" type="sphere" pos="{_pos(0, *pts[0], sign)}" {common}/>'
            continue
        ends = list(zip(pts, pts[1:] + pts[:1], strict=True)) if len(pts) > 2 else [(pts[0], pts[1])]
        for i, (a, b) in enumerate(ends):
            yield f'<geom name="{name}:{i}" type="capsule" fromto="{_pos(0, *a, sign)} {_pos(0, *b, sign)}" {common}/>'


def _side(machine: dict[str, Any], side: str, sign: float) -> tuple[str, str, str]:
    """Bodies, equalities and tendons of one side, to hang on a body whose origin is the chassis' at the runners."""
    m = machine[side]
    lp, lb, up, ub = (point(m["suspension"][k]) for k in ("lower_pivot", "lower_ball", "upper_pivot", "upper_ball"))
    contact, eye, top = point(m["suspension"]["contact"]), point(m["shock"]["lower_eye"]), point(m["mount"]["eye"])
    heavy = unsprung_point(machine, side)
    mass = max(at(m["suspension"]["unsprung_g"]) * 1e-3, 1e-6)
    on_upper = m["shock"].get("on", "lower_arm") == "upper_arm"
    light = '<inertial pos="0 0 0" mass="1e-6" diaginertia="1e-9 1e-9 1e-9"/>'
    pin = 'type="hinge" axis="1 0 0" armature="2e-4" damping="5e-3"'

    def site(name: str, p: Vec, origin: Vec) -> str:
        return f'<site name="{name}:{side}" pos="{_pos(0, *(p - origin), sign)}" size="0.001"/>'

    upright = f"""
      <body name="upright:{side}" pos="{_pos(0, *(lb - lp), sign)}"><joint name="upright:{side}" {pin}/>
        <inertial pos="{_pos(0, *(heavy - lb), sign)}" mass="{mass:.12g}" diaginertia="1e-6 1e-6 1e-6"/>
        <geom name="contact:{side}" type="sphere" size="{FOOT_RADIUS}" pos="{_pos(0, *(contact - lb), sign)}" mass="0"
         contype="1" conaffinity="2" condim="1" {HARD}/>
        {"".join(_shapes(machine, "upright", side, sign, lb))}{site("upper_ball", ub, lb)}
      </body>"""
    bodies = f"""
    <body name="lower_arm:{side}" pos="{_pos(0, *lp, sign)}"><joint name="lower_arm:{side}" {pin}/>{light}
      {"" if on_upper else site("eye", eye, lp)}{"".join(_shapes(machine, "lower_arm", side, sign, lp))}{upright}
    </body>
    <body name="upper_arm:{side}" pos="{_pos(0, *up, sign)}"><joint name="upper_arm:{side}" {pin}/>{light}
      {site("eye", eye, up) if on_upper else ""}{site("tip", ub, up)}{"".join(_shapes(machine, "upper_arm", side, sign, up))}
    </body>
    <site name="mount:{side}" pos="{_pos(0, *top, sign)}" size="0.001"/>"""
    equality = f'<connect site1="tip:{side}" site2="upper_ball:{side}" {HARD}/>'
    s = spring(machine, side)
    tendon = f"""
    <spatial name="shock:{side}" stiffness="{s["rate"] * 1e3:.12g}" springlength="{s["slack"] * 1e-3:.12g} 100"
     damping="{1.2 * np.sqrt(s["rate"] * 1e3 * at(machine["chassis"]["mass_g"]) * 1e-3):.6g}" limited="true"
     range="{s["shortest"] * 1e-3:.12g} {s["longest"] * 1e-3:.12g}" {HARD_LIMIT}>
      <site site="eye:{side}"/><site site="mount:{side}"/></spatial>"""
    return bodies, equality, tendon


def _pairs(machine: dict[str, Any]) -> str:
    """Contacts between what hangs on the springs and the chassis: these end a suspension arm's travel."""
    on = {p["name"]: p for p in machine.get("part", [])}
    moving, out = ("lower_arm", "upper_arm", "upright"), []
    for clearance in machine.get("clearance", []):
        a, b = (on[n] for n in clearance["between"])
        if b["on"] in moving:
            a, b = b, a
        if a["on"] not in moving or b["on"] != "chassis":
            continue
        for side, _ in SIDES:
            if a.get("side", "both") not in ("both", side):
                continue
            where = b.get("side", "both")
            other = "left" if where == "centre" else side
            if where not in ("both", "centre", side):
                continue
            for i in range(_count(a)):
                for j in range(_count(b)):
                    out.append(
                        f'<pair geom1="{a["name"]}:{side}:{i}" geom2="{b["name"]}:{other}:{j}" condim="1" '
                        f'{HARD} margin="0"/>'
                    )
    return "".join(out)


def _count(part: dict[str, Any]) -> int:
    n = len(part["points"])
    return n if n > 2 else 1


def _xml(machine: dict[str, Any], *, planar: bool, step: float) -> str:
    c, r = machine["chassis"], machine["rear"]
    lean, behind = sprung(machine), at(r["load_behind_mm"])
    share = lean["behind"] / behind
    pivot, half = at(r["pivot_up_mm"]), at(r["half_width_mm"])
    x_rear = 0.0 if planar else -behind
    foot_mass = max(at(r.get("mass_g", 0)) * 1e-3, 1e-3)
    mass = lean["mass"] * 1e-3
    inertia = f'diaginertia="{mass * 2e-3:.6g} {mass * 1e-2:.6g} {mass * 1e-2:.6g}"'
    sides = [_side(machine, s, sign) for s, sign in SIDES]
    shapes = "".join("".join(_shapes(machine, "chassis", s, sign, np.zeros(2))) for s, sign in SIDES)
    body = "".join(s[0] for s in sides) + shapes
    weight = at(c["mass_g"]) * 1e-3
    roll = f"""<joint name="roll" type="hinge" axis="1 0 0" stiffness="{at(r["roll_stiffness_N_m_per_rad"]):.12g}"
      damping="{weight * 0.005:.6g}"/>"""
    # the foot's own rocking is made slow enough for the time step and quick enough to die out in a second
    grip = max(at(r["roll_stiffness_N_m_per_rad"]), weight * 0.1)
    drag, hold = f'damping="{weight * 30:.6g}"', f'stiffness="{weight * 30:.6g}" damping="{weight * 10:.6g}"'
    foot_points = "".join(
        f'<geom name="foot:{s}" type="sphere" size="{FOOT_RADIUS}" pos="0 {sign * half * 1e-3:.12g} 0" mass="0" '
        f'contype="1" conaffinity="2" condim="1" {HARD}/>'
        for s, sign in SIDES
    )
    if planar:
        chassis = f"""
        <body name="over_rear" pos="0 0 {pivot * 1e-3:.12g}">{roll}
          <inertial pos="0 {lean["left"] * 1e-3:.12g} {(lean["up"] - pivot) * 1e-3:.12g}" mass="{mass * share:.12g}"
           diaginertia="{mass * share * 1e-3:.6g} {mass * share * 1e-3:.6g} {mass * share * 1e-3:.6g}"/>
          <body name="chassis" pos="0 0 {-pivot * 1e-3:.12g}">
            <joint name="front_y" type="slide" axis="0 1 0" {hold}/><joint name="front_z" type="slide" axis="0 0 1" {drag}/>
            <inertial pos="0 {lean["left"] * 1e-3:.12g} {lean["up"] * 1e-3:.12g}" mass="{mass * (1 - share):.12g}"
             diaginertia="{mass * (1 - share) * 1e-3:.6g} {mass * (1 - share) * 1e-3:.6g} {mass * (1 - share) * 1e-3:.6g}"/>
            {body}
          </body>
        </body>"""
    else:
        lever = (behind * 1e-3) ** 2
        chassis = f"""
        <body name="chassis_at_pivot" pos="0 0 {pivot * 1e-3:.12g}">
          <joint name="yaw" type="hinge" axis="0 0 1" stiffness="{weight * 300 * lever:.6g}" damping="{weight * 10 * lever:.6g}"/>
          <joint name="pitch" type="hinge" axis="0 1 0" damping="{weight * 30 * lever:.6g}"/>{roll}
          <inertial pos="{(behind - lean["behind"]) * 1e-3:.12g} {lean["left"] * 1e-3:.12g} {(lean["up"] - pivot) * 1e-3:.12g}"
           mass="{mass:.12g}" {inertia}/>
          <body name="chassis" pos="{behind * 1e-3:.12g} 0 {-pivot * 1e-3:.12g}">{body}</body>
        </body>"""
    return f"""
<mujoco>
  <compiler angle="radian" balanceinertia="false" inertiafromgeom="false"/>
  <size memory="4M"/>
  <option timestep="{step}" integrator="implicitfast" solver="Newton" cone="elliptic" tolerance="1e-12" iterations="60"/>
  <worldbody>
    <geom name="board" type="plane" size="9 9 1" pos="0 0 {-FOOT_RADIUS}" contype="2" conaffinity="1" condim="1" {HARD}/>
    <body name="foot" pos="{x_rear * 1e-3:.12g} 0 0">
      <joint name="foot_y" type="slide" axis="0 1 0" {hold}/>
      <joint name="foot_z" type="slide" axis="0 0 1" armature="{weight * 0.35:.6g}" damping="{weight * 20:.6g}"/>
      <joint name="foot_roll" type="hinge" axis="1 0 0" armature="{grip * 0.005:.6g}" damping="{grip * 0.04:.6g}"/>
      <inertial pos="0 0 {at(r.get("mass_up_mm", 0)) * 1e-3:.12g}" mass="{foot_mass:.12g}" diaginertia="1e-4 1e-4 1e-4"/>
      {foot_points}{chassis}
    </body>
  </worldbody>
  <tendon>{"".join(s[2] for s in sides)}</tendon>
  <equality>{"".join(s[1] for s in sides)}</equality>
  <contact>{_pairs(machine)}</contact>
</mujoco>"""


@dataclass(frozen=True)
class EnginePose:
    """A settled pose: lean [deg, + left], runner and rear loads [N], shock lengths [mm], whether it stands still."""

    lean_deg: float
    load_left_N: float
    load_right_N: float
    load_rear_N: float
    shock_left_mm: float
    shock_right_mm: float
    foot_tilt_deg: float
    settled: bool


class Engine:
    """One machine in the engine.

    Parameters
    ----------
    machine : dict
        From `plain_file.read`.
    planar : bool
        Front view, or in space.
    step : float
        Time step [s].
    """

    def __init__(self, machine: dict[str, Any], *, planar: bool, step: float = 1e-3) -> None:
        self.machine = machine
        self.model = mujoco.MjModel.from_xml_string(_xml(machine, planar=planar, step=step))
        self.data = mujoco.MjData(self.model)
        self._mounts = {s: self.model.site(f"mount:{s}").id for s, _ in SIDES}
        self._mount_rest = {s: self.model.site_pos[i].copy() for s, i in self._mounts.items()}
        names = ("contact:left", "contact:right", "foot:left", "foot:right")
        self._feet = np.array([self.model.geom(n).id for n in names])
        self._foot_body = self.model.geom_bodyid[self._feet]
        self._row = {int(g): i for i, g in enumerate(self._feet)}
        self._chassis = self.model.body("chassis").id
        self._counts = np.ones(self.model.nv)
        for j in range(self.model.njnt):
            if self.model.joint(j).name in ("front_y", "front_z", "foot_y", "yaw"):
                self._counts[self.model.jnt_dofadr[j]] = 1e-2
        self.loads = np.zeros(4)
        self.smooth_loads = np.zeros(4)
        self.push(0.0, 0.0)
        self.accelerate(0.0)

    def push(self, left_mm: float, right_mm: float) -> None:
        """Put the mounts that far down their guides."""
        for (side, sign), mm in zip(SIDES, (left_mm, right_mm), strict=True):
            cant = np.radians(at(self.machine[side]["guide"].get("cant_deg", 0)))
            moved = mm * 1e-3 * np.array([0.0, sign * np.sin(cant), -np.cos(cant)])
            self.model.site_pos[self._mounts[side]] = self._mount_rest[side] + moved

    def throw(self, degrees: float) -> None:
        """Put the mounts where the servo arm puts them."""
        self.push(mount_push(self.machine, "left", degrees), mount_push(self.machine, "right", degrees))

    def accelerate(self, lateral_g: float, bank_deg: float = 0.0) -> None:
        """Turn left (+) at that acceleration, on a bank whose left side is lower (+)."""
        b = np.radians(bank_deg)
        across = G * (np.sin(b) - lateral_g * np.cos(b))
        down = -G * (np.cos(b) + lateral_g * np.sin(b))
        self.model.opt.gravity[:] = (0.0, across, down)
        self._ratio = -across / -down
        self._lateral = lateral_g

    def ease(self, lateral_g: float, seconds: float = 0.3) -> None:
        """Tighten the turn smoothly to that acceleration."""
        first, steps = self._lateral, int(seconds / self.model.opt.timestep)
        for k in range(1, steps + 1):
            self.accelerate(first + (lateral_g - first) * k / steps)
            self.step()

    def step(self) -> None:
        """One time step."""
        m, d = self.model, self.data
        mujoco.mj_step1(m, d)
        d.qfrc_applied[:] = 0.0
        self.smooth_loads += 0.2 * (self.loads - self.smooth_loads)
        if self._ratio:
            for geom, body, load in zip(self._feet, self._foot_body, self.smooth_loads, strict=True):
                if load > 0:
                    mujoco.mj_applyFT(
                        m,
                        d,
                        np.array([0.0, self._ratio * load, 0.0]),
                        np.zeros(3),
                        d.geom_xpos[geom],
                        body,
                        d.qfrc_applied,
                    )
        mujoco.mj_step2(m, d)
        self.loads[:] = 0.0
        for i in range(d.ncon):
            contact = d.contact[i]
            row = self._row.get(int(contact.geom[1]), self._row.get(int(contact.geom[0])))
            if row is not None and contact.efc_address >= 0:
                self.loads[row] += d.efc_force[contact.efc_address]

    def settle(self, seconds: float = 2.0, still: float = 8e-6, *, finer: bool = True) -> EnginePose:
        """Run until nothing moves (speeds below `still`, m/s and rad/s, for 50 steps), or for `seconds`.

        Sideways and in yaw only soft springs hold the machine, and they carry nothing once it is at rest, because
        its contacts' forces are in proportion to their loads: there (and in the leaning front's own height, which
        such a drift moves too) a hundred times that speed is still enough.
        """
        step = self.model.opt.timestep
        for parts in (1, 2) if finer else (1,):
            # what trembles on a hard stop comes to rest with a finer step
            self.model.opt.timestep = step / parts
            pose = self._settle(seconds, still)
            if pose.settled:
                break
        self.model.opt.timestep = step
        return pose

    def _settle(self, seconds: float, still: float) -> EnginePose:
        quiet = 0
        for _ in range(int(seconds / self.model.opt.timestep)):
            self.step()
            quiet = quiet + 1 if np.abs(self.data.qvel * self._counts).max() < still else 0
            if quiet >= 50:
                break
        return self.pose(settled=quiet >= 50)

    def pose(self, *, settled: bool = False) -> EnginePose:
        """Where it is now."""
        mujoco.mj_kinematics(self.model, self.data)
        mujoco.mj_tendon(self.model, self.data)
        sideways = self.data.xmat[self._chassis].reshape(3, 3)[:, 1]
        return EnginePose(
            lean_deg=-float(np.degrees(np.arctan2(sideways[2], np.hypot(sideways[0], sideways[1])))),
            load_left_N=float(self.loads[0]),
            load_right_N=float(self.loads[1]),
            load_rear_N=float(self.loads[2] + self.loads[3]),
            shock_left_mm=float(self.data.ten_length[0] * 1e3),
            shock_right_mm=float(self.data.ten_length[1] * 1e3),
            foot_tilt_deg=float(np.degrees(self.data.joint("foot_roll").qpos[0])),
            settled=settled,
        )

    def keep(self) -> tuple[Vec, Vec, Vec, Vec]:
        """State to come back to with `back`."""
        return self.data.qpos.copy(), self.data.qvel.copy(), self.loads.copy(), self.smooth_loads.copy()

    def back(self, state: Sequence[Vec]) -> None:
        """Go back to a kept state."""
        self.data.qpos[:], self.data.qvel[:], self.loads[:], self.smooth_loads[:] = state
        self.data.qacc_warmstart[:] = 0.0
