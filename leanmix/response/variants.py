"""The same machine otherwise: other numbers of its file, another lean ratio, another slew; each with a table to suit.

A variant's table keeps the caps of the machine it came from (a changed spring or arm may have other stops: work the
file out anew before building it) and takes its 33 knots straight from the exact mapping instead of fitting them,
which is off by a microsecond or so: enough to drive by, not to flash.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from leanmix.curve import Caps, Plan, make_plan, plan_pulses_us, plan_throw_deg
from leanmix.errors import GeometryError, NoAnswer
from leanmix.job import Job
from leanmix.linkage import Array
from leanmix.machine import Machine, MachineFile, Numbers, parse, set_value, values
from leanmix.mixer import KNOTS, Image
from leanmix.response.cases import Contender
from leanmix.response.vehicle import make_vehicle
from leanmix.stance import balance, stance_setup

__all__ = [
    "RATIO",
    "SLEW",
    "Base",
    "base_of",
    "changed_machine",
    "own_ratio",
    "own_slew_us",
    "sampled_image",
    "variant",
]

RATIO = "ratio"
SLEW = "slew_us_per_frame"


@dataclass(frozen=True, slots=True)
class Base:
    """What variants are made from."""

    source: MachineFile
    plan: Plan
    image: Image

    @property
    def machine(self) -> Machine:
        """What the file says."""
        return self.source.machine


def base_of(job: Job) -> Base:
    """A worked-out machine file as the base of variants."""
    return Base(job.source, job.plan, job.table.image)


def sampled_image(plan: Plan, like: Image, slew_us: float | None = None) -> Image:
    """A table straight from the exact mapping, within the caps of another image.

    Parameters
    ----------
    plan : Plan
        Exact mapping.
    like : Image
        For caps, neutral and all the rest.
    slew_us : float, optional
        Slew limit instead of that image's [µs a frame].
    """
    steer = np.linspace(-1.0, 1.0, KNOTS)
    pulses = plan_pulses_us(plan, plan_throw_deg(plan, steer)[1])
    outputs = []
    for output, exact in zip(like.outputs, pulses, strict=True):
        eighths = np.clip(np.rint(8 * exact), output.cap_low_eighths, output.cap_high_eighths).astype(int)
        slew = output.slew_eighths if slew_us is None else max(1, round(8 * slew_us))
        outputs.append(replace(output, knots_eighths=tuple(int(k) for k in eighths), slew_eighths=slew))
    return replace(like, outputs=tuple(outputs))


def own_ratio(machine: Machine, numbers: Numbers) -> float:
    """Degrees asked for each degree of runner steer at full lock, mean of both sides."""
    found = []
    for side in ("left", "right"):
        lock = float(numbers[f"runner.steer_{side}_deg"])
        if machine.lean.knots:
            found.append(abs(machine.lean.knots[-1 if side == "left" else 0][1]) / lock)
        elif f"lean.{side}_deg" in numbers:
            found.append(float(numbers[f"lean.{side}_deg"]) / lock)
        else:
            found.append(float(numbers[f"lean.{side}_ratio"]))
    return sum(found) / 2


def own_slew_us(image: Image) -> float:
    """Slew limit of a table [µs a frame]."""
    return image.outputs[0].slew_eighths / 8


def _with_ratio(plan: Plan, ratio: float) -> Plan:
    """The same plan with lean asked for at another ratio both ways; the file's own knots give way to its shape."""
    machine, n = plan.machine, plan.numbers
    lean = {k: v for k, v in n.items() if k not in _LEAN_ENDS}
    lean |= {f"lean.{side}_ratio": ratio for side in ("left", "right")}
    plain = machine.model_copy(update={"lean": machine.lean.model_copy(update={"knots": ()})})
    return replace(plan, machine=plain, numbers=Numbers(lean))


_LEAN_ENDS = ("lean.left_deg", "lean.right_deg", "lean.left_ratio", "lean.right_ratio")


def changed_machine(source: MachineFile, changes: Mapping[str, float]) -> MachineFile:
    """A machine file with some numbers replaced, checked like any other.

    Parameters
    ----------
    source : MachineFile
        The file.
    changes : mapping of str to float
        Dotted key to new value; ``side.…`` changes both sides.

    Raises
    ------
    MachineFileError
        With every finding, when a key is not there or a value does not do.
    """
    text = source.text
    for key, value in changes.items():
        text = set_value(text, key, value)
    return parse(text, source.name)


def _replanned(machine: Machine, caps: Caps, knee_deg: float) -> Plan:
    numbers = values(machine)
    setup = stance_setup(machine, numbers)

    def lean(throw_deg: Array) -> Array:
        return np.asarray(balance(setup, throw_deg).lean_deg, dtype=np.float64)

    return make_plan(machine, numbers, caps, lean, knee_deg)


def variant(base: Base, changes: Mapping[str, float], name: str = "", *, lean: bool = True) -> Contender | None:
    """A contender with some things changed.

    Parameters
    ----------
    base : Base
        From `base_of`.
    changes : mapping of str to float
        `RATIO` (degrees asked for each degree of steer), `SLEW` (µs a frame), or dotted keys of the machine file.
    name : str
        For people.
    lean : bool
        Whether it drives with its lean.

    Returns
    -------
    Contender or None
        None where no such machine can be built, stand, or lean.

    Raises
    ------
    MachineFileError
        When a key is not one of the machine file's.
    """
    own = {k: v for k, v in changes.items() if k not in (RATIO, SLEW)}
    try:
        source = changed_machine(base.source, own) if own else base.source
        plan = _replanned(source.machine, base.plan.caps, base.plan.knee_deg) if own else base.plan
        if RATIO in changes:
            plan = _with_ratio(plan, changes[RATIO])
        image = sampled_image(plan, base.image, changes.get(SLEW))
        vehicle = make_vehicle(source.machine)
    except (GeometryError, NoAnswer):
        return None
    return Contender(name or source.machine.name, vehicle, image, 256 if lean else 0)
