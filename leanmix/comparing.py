"""Two machine files side by side: every difference alone and all together, in what a builder cares about.

Above the stages, beside `leanmix.job`; commands and screens call this and print.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from leanmix.curve import plan_throw_deg
from leanmix.errors import LeanmixError
from leanmix.job import Job, work_out
from leanmix.linkage import Array
from leanmix.machine import Machine, MachineFile, Numbers, each_number
from leanmix.stance import as_builds, balance, stance_setup, tip_limits
from leanmix.stops import find_stops

__all__ = ["Case", "Comparison", "Difference", "compare_files"]

ALONE_MOST = 24
NOT_MECHANICAL = ("lean.", "steering.", "board.", "surfaces.", "screws.")


@dataclass(frozen=True, slots=True)
class Difference:
    """A number that differs between two files, `before` and `after` in `unit`; left and right together where alike."""

    key: str
    unit: str
    before: float
    after: float


@dataclass(frozen=True, slots=True)
class Case:
    """Figures of one machine.

    Parameters
    ----------
    what : str
        Which machine, or which change alone.
    tip_upright_g, tip_leaning_g : float
        Tip limit on its springs in a left turn, arm centred and with `throw_deg` of arm into the turn [g].
    throw_deg, lean_deg : float
        Arm at full left lock and the lean it gives [deg].
    first_block_deg : float
        First block leaning left [deg]; infinite where nothing blocks.
    torque_N_mm : float
        Most torque up to `throw_deg`, friction at its high end [N mm]; NaN where jammed.
    ride_mm : float
        Mount's height over the measured one, mean of left and right, arm centred [mm].
    """

    what: str
    tip_upright_g: float
    tip_leaning_g: float
    throw_deg: float
    lean_deg: float
    first_block_deg: float
    torque_N_mm: float
    ride_mm: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two machine files held side by side.

    Parameters
    ----------
    differences : tuple of Difference
        Every number that differs.
    before, after : Case
        Both files.
    alone : tuple of Case
        The first file with each difference alone (of mechanism and weight; at the first file's throw).
    notes : tuple of str
        What could not be compared number by number.
    """

    differences: tuple[Difference, ...]
    before: Case
    after: Case
    alone: tuple[Case, ...]
    notes: tuple[str, ...]


def compare_files(first: MachineFile, second: MachineFile) -> Comparison:
    """Compare two machine files.

    Raises
    ------
    GeometryError
        When one of them cannot be assembled at neutral.
    NoAnswer
        When one of them has no lean to speak of.
    """
    was, now = work_out(first), work_out(second)
    differences, notes = _differences(first.machine, second.machine)
    throw = _full_lock_deg(was)
    things: dict[str, dict[str, float]] = {}
    for d in differences:
        if not d.key.startswith(NOT_MECHANICAL):
            things.setdefault(_thing(d.key, first.machine), {}).update(dict.fromkeys(_both(d), d.after))
    if len(things) > ALONE_MOST:
        notes.append(f"{len(things)} things differ: only the first {ALONE_MOST} are tried alone.")
    alone = _alone(was, dict(list(things.items())[:ALONE_MOST]), throw)
    before, after = (
        _figures(name.name, job.machine, job.numbers, _full_lock_deg(job))
        for name, job in ((first, was), (second, now))
    )
    return Comparison(tuple(differences), before, after, alone, tuple(notes))


def _full_lock_deg(job: Job) -> float:
    return float(plan_throw_deg(job.table.plan, 1.0)[1][0])


def _both(difference: Difference) -> tuple[str, ...]:
    key = difference.key
    return (key.replace("side.", "left.", 1), key.replace("side.", "right.", 1)) if key.startswith("side.") else (key,)


def _thing(key: str, machine: Machine) -> str:
    """What a builder would name: a part by its name, a point without its coordinate, else the number itself."""
    if key.startswith("parts."):
        return f'part "{machine.parts[int(key.split(".")[1])].name}"'
    return key.removesuffix(".out_mm").removesuffix(".up_mm")


def _differences(a: Machine, b: Machine) -> tuple[list[Difference], list[str]]:
    old, new = ({n.key: n for n in each_number(m)} for m in (a, b))
    notes = [f"{key} is only in the first file." for key in old if key not in new]
    notes += [f"{key} is only in the second file." for key in new if key not in old]
    words = {
        "runner.kind": (a.runner.kind, b.runner.kind),
        "servo.arrangement": (a.servo.arrangement, b.servo.arrangement),
    }
    notes += [f"{key}: {x} becomes {y}." for key, (x, y) in words.items() if x != y]
    changed = {
        k: (old[k].measured.at, new[k].measured.at)
        for k in old
        if k in new and old[k].measured.at != new[k].measured.at
    }
    out = []
    for key, (before, after) in changed.items():
        if key.startswith("right.") and changed.get(key.replace("right.", "left.", 1)) == (before, after):
            continue
        alike = key.startswith("left.") and changed.get(key.replace("left.", "right.", 1)) == (before, after)
        out.append(Difference(key.replace("left.", "side.", 1) if alike else key, old[key].unit, before, after))
    return out, notes


def _mechanism_figures(machine: Machine, numbers: Numbers, throw: float) -> tuple[float, float, float]:
    """First block leaning left, most torque up to a throw, and the mounts' height at neutral."""
    ladder = find_stops(machine, numbers)
    block = ladder.first_block("left")
    within = (ladder.loads.throw_deg >= 0) & (ladder.loads.throw_deg <= throw + 1e-9)
    torque = np.abs([t[within] for t in (*ladder.loads.torque_out_N_mm, *ladder.loads.torque_back_N_mm)])
    low = (ladder.neutral.left.mount_low_mm + ladder.neutral.right.mount_low_mm) / 2
    # 0.0 − x: no "−0" on a screen
    return np.inf if block is None else block.throw_deg, float(np.max(torque, initial=0.0)), 0.0 - low


def _figures(what: str, machine: Machine, numbers: Numbers, throw: float) -> Case:
    setup = stance_setup(machine, numbers)
    limits = tip_limits(setup, np.array([0.0, throw])).sprung_g
    block, torque, ride = _mechanism_figures(machine, numbers, throw)
    return Case(
        what, float(limits[0]), float(limits[1]), throw, float(balance(setup, throw).lean_deg), block, torque, ride
    )


def _alone(job: Job, things: Mapping[str, Mapping[str, float]], throw: float) -> tuple[Case, ...]:
    if not things:
        return ()
    setup = stance_setup(job.machine, as_builds(job.machine, tuple(things.values())))
    throws = np.array([[0.0], [throw]])
    tips, leans = tip_limits(setup, throws).sprung_g, balance(setup, throws).lean_deg
    out = []
    for i, (what, numbers) in enumerate(things.items(), start=1):
        try:
            changed: dict[str, float | Array] = dict(numbers)
            block, torque, ride = _mechanism_figures(job.machine, job.numbers.changed(changed), throw)
            words = what if len(numbers) > 2 else f"{what} {next(iter(numbers.values())):g}"
            out.append(
                Case(words, float(tips[0, i]), float(tips[1, i]), throw, float(leans[1, i]), block, torque, ride)
            )
        except LeanmixError:
            nothing = float("nan")
            words = f"{what} (cannot be assembled alone)"
            out.append(Case(words, nothing, nothing, throw, nothing, nothing, nothing, nothing))
    return tuple(out)
