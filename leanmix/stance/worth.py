"""What buys most: the tip limit's change for each thing a builder can change, all worked out at once as builds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from leanmix.linkage import SIDES, Array
from leanmix.machine import Machine, Numbers, each_number, values
from leanmix.stance.balance import balance
from leanmix.stance.setup import stance_setup
from leanmix.stance.support import Turn
from leanmix.stance.tipping import tip_limits

__all__ = ["Possible", "Worth", "as_builds", "possible_changes", "what_buys_most"]

STANCE_MM = 10.0
LOWER_MM = 5.0
MOVED_SHARE = 0.05
MOVED_MM = 30.0
STRAP_MM = 5.0
STIFFER = 1.2
SOFTER = 0.8
LOOSER = 0.5
MORE_THROW_DEG = 5.0
_POINTS_UP = (
    "arm.centre", "guide.bearing_centre", "mount.ball", "mount.eye", "shock.lower_eye",
    "suspension.lower_pivot", "suspension.upper_pivot",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Possible:
    """One thing a builder can change.

    Parameters
    ----------
    what : str
        In words, with its size.
    numbers : mapping
        Dotted key → new value.
    throw_deg : float
        Change of the throw at full lock [deg], for "more lean".
    """

    what: str
    numbers: Mapping[str, float]
    throw_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Worth:
    """What one change does.

    Parameters
    ----------
    what : str
        The change.
    upright_g, leaning_g : float
        Change of the tip limit on its springs, arm centred and leaning into the turn [g].
    lean_deg : float
        Change of the lean at full lock, + more [deg].
    """

    what: str
    upright_g: float
    leaning_g: float
    lean_deg: float


def possible_changes(machine: Machine) -> tuple[Possible, ...]:
    """The changes worth asking about on this machine."""
    n = values(machine)

    def both(keys: tuple[str, ...], add: float = 0.0, times: float = 1.0) -> dict[str, float]:
        return {f"{s}.{k}": float(n[f"{s}.{k}"]) * times + add for s in SIDES for k in keys}

    mass, cg = float(n["chassis.mass_g"]), float(n["chassis.cg_up_mm"])
    moved_g = MOVED_SHARE * mass
    lowered = both(tuple(f"{p}.up_mm" for p in _POINTS_UP), -LOWER_MM)
    lowered |= {
        "chassis.cg_up_mm": cg - LOWER_MM,
        "rear.pivot_up_mm": max(float(n["rear.pivot_up_mm"]) - LOWER_MM, 0.0),
    }
    out = [
        Possible(
            f"runners {STANCE_MM:g} mm further out each side, same arms",
            both(("suspension.contact.out_mm",), STANCE_MM),
        ),
        Possible(
            f"suspension arms {STANCE_MM:g} mm longer each side",
            both(
                ("suspension.contact.out_mm", "suspension.lower_ball.out_mm", "suspension.upper_ball.out_mm"), STANCE_MM
            ),
        ),
        Possible(f"whole chassis {LOWER_MM:g} mm lower on its suspension", lowered),
        Possible(f"{moved_g:.0f} g moved {MOVED_MM:g} mm lower", {"chassis.cg_up_mm": cg - MOVED_SHARE * MOVED_MM}),
        Possible(f"{moved_g:.0f} g moved {MOVED_MM:g} mm higher", {"chassis.cg_up_mm": cg + MOVED_SHARE * MOVED_MM}),
        Possible(
            f"{moved_g:.0f} g moved {MOVED_MM:g} mm forward",
            {"chassis.cg_behind_mm": float(n["chassis.cg_behind_mm"]) - MOVED_SHARE * MOVED_MM},
        ),
        Possible(
            "springs a fifth stiffer, preload so that it stands the same", both(("shock.rate_N_per_mm",), times=STIFFER)
        ),
        Possible(
            "springs a fifth softer, preload so that it stands the same", both(("shock.rate_N_per_mm",), times=SOFTER)
        ),
        Possible(
            "rear half as stiff against lean",
            {"rear.roll_stiffness_N_m_per_rad": float(n["rear.roll_stiffness_N_m_per_rad"]) * LOOSER},
        ),
        Possible(
            f"rear {STANCE_MM:g} mm wider", {"rear.half_width_mm": float(n["rear.half_width_mm"]) + STANCE_MM / 2}
        ),
        Possible(f"{MORE_THROW_DEG:g}° more arm at full lock", {}, MORE_THROW_DEG),
        Possible(f"{MORE_THROW_DEG:g}° less arm at full lock", {}, -MORE_THROW_DEG),
    ]
    shift = float(n["rear.strap_shift"]) * STRAP_MM
    if shift > 0:
        load = min(float(n["rear.load_behind_mm"]) + shift, float(n["rear.contact_rear_behind_mm"]))
        out.append(Possible(f"limiter strap {STRAP_MM:g} mm tighter", {"rear.load_behind_mm": load}))
    return tuple(out)


def as_builds(machine: Machine, changes: tuple[Mapping[str, float], ...]) -> Numbers:
    """The machine as it is, then with each change alone, as builds: arrays of shape (1 + changes,)."""
    base = {n.key: n.measured.at for n in each_number(machine)}
    table: dict[str, float | Array] = dict(base)
    for key in {k for c in changes for k in c}:
        table[key] = np.array([base[key], *(c.get(key, base[key]) for c in changes)])
    if not any(isinstance(v, np.ndarray) for v in table.values()):
        table["chassis.mass_g"] = np.full(1 + len(changes), base["chassis.mass_g"])
    return Numbers(table)


def what_buys_most(machine: Machine, throw_deg: float, turn: Turn = "left") -> tuple[Worth, ...]:
    """Each possible change's worth, the one that raises the limit most while leaning first.

    Parameters
    ----------
    machine : Machine
        The machine.
    throw_deg : float
        Servo arm at full lock, ≥ 0 [deg]; leans into the turn.
    turn : {"left", "right"}
        Which way it turns.

    Returns
    -------
    tuple of Worth
        A change with which the machine cannot stand has NaN.

    Raises
    ------
    ValueError
        For a throw below 0, which would lean out of the turn.
    """
    if throw_deg < 0:
        raise ValueError("the throw at full lock is 0 or more, whichever way it turns")
    changes = possible_changes(machine)
    setup = stance_setup(machine, as_builds(machine, tuple(c.numbers for c in changes)))
    sign = 1.0 if turn == "left" else -1.0
    throws = sign * np.array([throw_deg, *(throw_deg + c.throw_deg for c in changes)])
    stance = balance(setup, throws)
    leaning = tip_limits(setup, throws, turn).sprung_g
    upright = tip_limits(setup, np.zeros_like(throws), turn).sprung_g
    lean = sign * stance.lean_deg
    found = [
        Worth(c.what, float(upright[i] - upright[0]), float(leaning[i] - leaning[0]), float(lean[i] - lean[0]))
        for i, c in enumerate(changes, start=1)
    ]
    return tuple(sorted(found, key=lambda w: -np.nan_to_num(w.leaning_g, nan=-np.inf)))
