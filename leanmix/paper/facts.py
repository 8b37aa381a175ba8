"""What the sheet is made from: one job's results, as far as they go, gathered once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from leanmix.curve import Caps, Check, Plan, Table, asked_deg, plan_pulses_us, plan_throw_deg
from leanmix.errors import ImageError, NoAnswer
from leanmix.job import Job
from leanmix.machine import MachineFile
from leanmix.paper.pose import Pose, pose_at
from leanmix.stance import Setup, tip_limits
from leanmix.stops import Ladder

__all__ = ["CurvePoints", "Facts", "TipRow", "facts_of", "way_words"]

Found = TypeVar("Found")

TIPS = ("on its springs", "taken as rigid", "inner runner lifts")
# a multiple of 8 and one, so that eighths of the steering are among them
CURVE_POINTS = 161


@dataclass(frozen=True, slots=True)
class TipRow:
    """A tip limit with the arm centred and leant into the turn.

    Attributes
    ----------
    what : str
        Which limit.
    way : str
        "left" or "right": the way of the turn.
    before_g, after_g : float
        Lateral acceleration over g without lean, and with the lean that full lock gives; NaN where there is none.
    """

    what: str
    way: str
    before_g: float
    after_g: float


@dataclass(frozen=True, slots=True)
class CurvePoints:
    """The exact mapping at even steps of steering, full right to full left; all + left.

    Attributes
    ----------
    steer, asked_deg, wanted_deg, held_deg, lean_deg : ndarray, shape (n,)
        Steering −1 … 1; what the builder asked for; throw for it; throw as capped; lean at that throw.
    pulses_us : tuple of ndarray, shape (n,)
        Each servo's pulse.
    """

    steer: NDArray[np.float64]
    asked_deg: NDArray[np.float64]
    wanted_deg: NDArray[np.float64]
    held_deg: NDArray[np.float64]
    lean_deg: NDArray[np.float64]
    pulses_us: tuple[NDArray[np.float64], ...]


@dataclass(frozen=True, slots=True)
class Facts:
    """Everything the sheet, the pictures and the JSON say of one machine.

    Attributes
    ----------
    source : MachineFile
        The machine.
    setup : Setup
        Ready to be balanced.
    ladder : Ladder
        Everything that ends the throw.
    poses : dict of str to Pose
        "neutral", "left" and "right": at the caps, where it stands there.
    caps : Caps or None
        Caps each way.
    plan : Plan or None
        The exact mapping.
    curve : CurvePoints or None
        The same at points.
    table : Table or None
        The fitted table.
    checks : tuple of Check
        Its proof, passed or not.
    tips : tuple of TipRow
        Tip limits.
    missing : tuple of str
        Why something above is not there, in sentences.
    """

    source: MachineFile
    setup: Setup
    ladder: Ladder
    poses: dict[str, Pose]
    caps: Caps | None
    plan: Plan | None
    curve: CurvePoints | None
    table: Table | None
    checks: tuple[Check, ...]
    tips: tuple[TipRow, ...]
    missing: tuple[str, ...]

    @property
    def proved(self) -> bool:
        """Whether there is a table and all of its proof holds."""
        return self.table is not None and bool(self.checks) and all(c.passed for c in self.checks)


def facts_of(job: Job) -> Facts:
    """Gather a job's results; what has no answer is left out, and the reason kept.

    Parameters
    ----------
    job : Job
        From `leanmix.job.work_out`.
    """
    missing: list[str] = []

    def tried(make: Callable[[], Found]) -> Found | None:
        try:
            return make()
        except (NoAnswer, ImageError) as error:
            if str(error) not in missing:
                missing.append(str(error))
            return None

    caps = tried(lambda: job.caps)
    throws = {"neutral": 0.0}
    if caps is not None:
        throws |= {"left": caps.left.throw_deg, "right": -caps.right.throw_deg}
    poses = {name: tried(lambda t=t: pose_at(job.setup, t)) for name, t in throws.items()}  # type: ignore[misc]
    plan = tried(lambda: job.plan) if caps is not None else None
    table = tried(lambda: job.table) if plan is not None else None
    checks = job.checks if table is not None else ()
    if table is not None:
        plan = table.plan  # its knee may have been widened
    curve = _curve(plan) if plan is not None else None
    failed = [c.name for c in checks if not c.passed]
    if failed:
        missing.append(f"The table is not proved and must not be flashed: {'; '.join(failed)}.")
    return Facts(
        source=job.source,
        setup=job.setup,
        ladder=job.ladder,
        poses={name: pose for name, pose in poses.items() if pose is not None},
        caps=caps,
        plan=plan,
        curve=curve,
        table=table,
        checks=checks,
        tips=_tips(job, curve) if curve is not None else (),
        missing=tuple(missing),
    )


def _curve(plan: Plan) -> CurvePoints:
    steer = np.linspace(-1.0, 1.0, CURVE_POINTS)
    wanted, held = plan_throw_deg(plan, steer)
    return CurvePoints(
        steer,
        asked_deg(plan.machine, plan.numbers, steer),
        wanted,
        held,
        np.asarray(plan.rising.lean_of_throw(held), dtype=np.float64),
        plan_pulses_us(plan, held),
    )


def _tips(job: Job, curve: CurvePoints) -> tuple[TipRow, ...]:
    """Tip limits with the arm centred and at full lock's lean into the turn."""
    rows: list[TipRow] = []
    for turn, lock in (("left", -1), ("right", 0)):
        found = tip_limits(job.setup, np.array([0.0, float(curve.held_deg[lock])]), turn)  # type: ignore[arg-type]
        for what, limit in (
            ("on its springs", found.sprung_g),
            ("taken as rigid", found.rigid_g),
            ("inner runner lifts", found.lift_g),
        ):
            rows.append(TipRow(what, turn, float(limit[0]), float(limit[1])))
    return tuple(sorted(rows, key=lambda r: TIPS.index(r.what)))


def way_words(throw_deg: float) -> str:
    """An angle as people say it: "12.30° left", "0°", "4.50° right"."""
    if abs(throw_deg) < 0.005:
        return "0°"
    return f"{abs(throw_deg):.2f}° {'left' if throw_deg > 0 else 'right'}"
