"""Maps: the fastest pass over any two numbers, cell by cell, so that it can be stopped and gone on with."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from leanmix.errors import NoAnswer
from leanmix.response.cases import Contender
from leanmix.response.fastest import fastest_pass
from leanmix.response.manoeuvre import Manoeuvre, changed
from leanmix.response.variants import Base, variant
from leanmix.response.watch import EndKind

__all__ = ["Axis", "Cell", "MapPlan", "map_key", "parse_axis", "run_map"]

GRIP = "grip"
RADIUS = "radius_m"
OF_MANOEUVRE = "manoeuvre:"
CELLS_AT_ONCE = 48
MOST_CELLS = 40_000
NO_MACHINE = "cannot_be_built"


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis of a map.

    Attributes
    ----------
    key : str
        ``ratio``, ``slew_us_per_frame``, ``grip``, ``radius_m`` (every bend of the way, signs kept),
        ``manoeuvre:KEY``, or a dotted key of the machine file.
    values : tuple of float
        Where the cells are.
    """

    key: str
    values: tuple[float, ...]


def parse_axis(text: str) -> Axis:
    """Read ``KEY=FROM:TO:COUNT`` or ``KEY=A,B,C``.

    Raises
    ------
    NoAnswer
        When the text is neither.
    """
    key, _, rest = text.partition("=")
    todo = "Write it as KEY=FROM:TO:COUNT, for instance radius_m=1.5:5:8, or KEY=A,B,C."
    parts = rest.split(":")
    try:
        if len(parts) == 3:
            first, last, count = float(parts[0]), float(parts[1]), int(parts[2])
            numbers = [float(v) for v in np.linspace(first, last, count)] if 1 <= count <= 400 else []
        else:
            numbers = [float(v) for v in rest.split(",")]
    except ValueError:
        numbers = []
    if not key.strip() or not numbers or not all(np.isfinite(numbers)):
        raise NoAnswer(f'"{text}" is not an axis.', todo)
    return Axis(key.strip(), tuple(round(v, 9) for v in numbers))


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell's answer.

    Attributes
    ----------
    speed_m_per_s : float
        Fastest pass; 0 where even the slowest fails, −1 where there is no such machine.
    ends : str
        What ends it just above: "tipped", "off_the_lane", "stopped", "finished" (nothing did), "cannot_be_built".
    """

    speed_m_per_s: float
    ends: str


@dataclass(frozen=True, slots=True)
class MapPlan:
    """What a map is to show.

    Attributes
    ----------
    base : Base
    manoeuvre : Manoeuvre
    across, up : Axis
    grip : float
        Where neither axis is grip.
    lean : bool
        With lean or without.
    """

    base: Base
    manoeuvre: Manoeuvre
    across: Axis
    up: Axis
    grip: float
    lean: bool = True

    @property
    def cells(self) -> int:
        """How many cells."""
        return len(self.across.values) * len(self.up.values)


def map_key(plan: MapPlan) -> str:
    """What two maps must have in common for one to go on with the other's cells."""
    parts = (
        plan.base.source.digest.hex(),
        repr(plan.manoeuvre),
        repr((plan.across, plan.up, plan.grip, plan.lean)),
    )
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:24]


def _with_radius(manoeuvre: Manoeuvre, radius: float) -> Manoeuvre:
    changes = {
        f"path.{i}.{name}": radius * (1 if part.at > 0 else -1)
        for i, piece in enumerate(manoeuvre.path)
        for name, part in (("radius_m", piece.radius_m), ("to_radius_m", piece.to_radius_m))
        if part is not None
    }
    if not changes:
        raise NoAnswer(f'"{manoeuvre.name}" has no bend, so its radius cannot be changed.', "Choose circle or bank.")
    return changed(manoeuvre, changes)


def _settings(plan: MapPlan, cell: tuple[int, int]) -> dict[str, float]:
    return {plan.across.key: plan.across.values[cell[1]], plan.up.key: plan.up.values[cell[0]]}


def _manoeuvre_of(plan: MapPlan, settings: Mapping[str, float]) -> Manoeuvre:
    out = plan.manoeuvre
    if RADIUS in settings:
        out = _with_radius(out, settings[RADIUS])
    own = {k.removeprefix(OF_MANOEUVRE): v for k, v in settings.items() if k.startswith(OF_MANOEUVRE)}
    return changed(out, own) if own else out


def _machine_changes(settings: Mapping[str, float]) -> tuple[tuple[str, float], ...]:
    return tuple(
        (k, v) for k, v in sorted(settings.items()) if k not in (GRIP, RADIUS) and not k.startswith(OF_MANOEUVRE)
    )


def run_map(
    plan: MapPlan,
    known: Mapping[tuple[int, int], Cell],
    found: Callable[[Mapping[tuple[int, int], Cell]], None],
    *,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> dict[tuple[int, int], Cell]:
    """Work out a map's cells, some at a time.

    Parameters
    ----------
    plan : MapPlan
        What to show.
    known : mapping of (row, column) to Cell
        Cells from an earlier go; not worked out again.
    found : callable
        Given all cells known so far each time some more are there, so that they can be kept.
    progress : callable, optional
        Told how many of how many cells are there.
    cancelled : callable, optional
        When it says True the map ends with the cells it has.

    Raises
    ------
    NoAnswer
        When the map is too large, or an axis does not apply.
    MachineFileError, ManoeuvreError
        When an axis names a number that is not there, or goes where it cannot.
    """
    if plan.across.key == plan.up.key:
        raise NoAnswer(f"Both axes are {plan.across.key}.", "Choose two different ones.")
    if plan.cells > MOST_CELLS:
        raise NoAnswer(f"{plan.cells} cells are too many.", f"At most {MOST_CELLS}.")
    cells = {k: v for k, v in known.items() if k[0] < len(plan.up.values) and k[1] < len(plan.across.values)}
    todo = [(r, c) for r in range(len(plan.up.values)) for c in range(len(plan.across.values)) if (r, c) not in cells]
    made: dict[tuple[tuple[str, float], ...], Contender | None] = {}
    if progress is not None:
        progress(len(cells), plan.cells)
    for begin in range(0, len(todo), CELLS_AT_ONCE):
        if cancelled is not None and cancelled():
            break
        part = todo[begin : begin + CELLS_AT_ONCE]
        new = _cells(plan, part, made, cancelled)
        if cancelled is not None and cancelled():
            break
        cells |= new
        found(cells)
        if progress is not None:
            progress(len(cells), plan.cells)
    return cells


def _cells(
    plan: MapPlan,
    part: list[tuple[int, int]],
    made: dict[tuple[tuple[str, float], ...], Contender | None],
    cancelled: Callable[[], bool] | None,
) -> dict[tuple[int, int], Cell]:
    contenders: list[Contender] = []
    places: dict[tuple[tuple[str, float], ...], int] = {}
    out: dict[tuple[int, int], Cell] = {}
    rows: list[tuple[tuple[int, int], int, Manoeuvre, float]] = []
    for cell in part:
        settings = _settings(plan, cell)
        changes = _machine_changes(settings)
        if changes not in made:
            made[changes] = variant(plan.base, dict(changes), lean=plan.lean)
        one = made[changes]
        if one is None:
            out[cell] = Cell(-1.0, NO_MACHINE)
            continue
        if changes not in places:
            places[changes] = len(contenders)
            contenders.append(one)
        rows.append((cell, places[changes], _manoeuvre_of(plan, settings), settings.get(GRIP, plan.grip)))
    if rows:
        passes = fastest_pass(
            contenders,
            [m for _, _, m, _ in rows],
            np.array([who for _, who, _, _ in rows], dtype=np.intp),
            np.arange(len(rows)),
            np.array([grip for _, _, _, grip in rows]),
            cancelled=cancelled,
        )
        for i, (cell, _, _, _) in enumerate(rows):
            kind = EndKind(int(passes.then[i])).name.lower()
            out[cell] = Cell(round(float(passes.speed_m_per_s[i]), 4), kind)
    return out
