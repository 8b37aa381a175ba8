"""A map kept as CSV, with what it is a map of in its first lines, so that it can be gone on with later."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Mapping
from pathlib import Path

from leanmix.errors import FileTrouble
from leanmix.machine import read_file
from leanmix.response.maps import Cell, MapPlan, map_key

__all__ = ["map_csv", "read_map"]

_HEAD = "# leanmix map 1"
MAP_BYTES_MAX = 16 << 20


def map_csv(plan: MapPlan, cells: Mapping[tuple[int, int], Cell]) -> str:
    """All cells known so far as CSV; the first lines say what they are cells of."""
    out = io.StringIO()
    out.write(f"{_HEAD} {map_key(plan)}\n")
    out.write(f"# {plan.base.machine.name}, {plan.manoeuvre.name}, grip {plan.grip:g}, ")
    out.write(f"{'with' if plan.lean else 'without'} lean: {len(cells)} of {plan.cells} cells\n")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["row", "column", plan.up.key, plan.across.key, "fastest_m_per_s", "ends"])
    for (row, column), cell in sorted(cells.items()):
        writer.writerow(
            [row, column, plan.up.values[row], plan.across.values[column], f"{cell.speed_m_per_s:g}", cell.ends]
        )
    return out.getvalue()


def read_map(path: str | Path, plan: MapPlan) -> dict[tuple[int, int], Cell]:
    """Cells of an earlier go at the same map; none where there is no such file.

    Raises
    ------
    FileTrouble
        When the file is of another map, or of none.
    """
    try:
        if not Path(path).exists():
            return {}
        text = read_file(path, MAP_BYTES_MAX, "16 MiB", "A map of 400 by 400 cells is half of that.").decode("utf-8")
    except ValueError as error:  # a name that is none, bytes that are no text
        raise FileTrouble(f"{path}: cannot be read as a map ({error}).", "Choose another name.") from error
    first, _, rest = text.partition("\n")
    if not first.startswith(_HEAD):
        raise FileTrouble(f"{path}: is there already, and is no map.", "Choose another name, or add --force.")
    if first.removeprefix(_HEAD).strip() != map_key(plan):
        raise FileTrouble(
            f"{path}: is a map of something else (another machine, manoeuvre, range or grip).",
            "Choose another name, or add --force to begin anew.",
        )
    cells: dict[tuple[int, int], Cell] = {}
    try:
        for row in csv.DictReader(line for line in rest.splitlines() if not line.startswith("#")):
            place, speed = (int(row["row"]), int(row["column"])), float(row["fastest_m_per_s"])
            if not (0 <= place[0] < len(plan.up.values) and 0 <= place[1] < len(plan.across.values)):
                raise ValueError("a cell lies outside the map")
            if not math.isfinite(speed) or not re.fullmatch(r"[a-z_]{1,40}", row["ends"] or ""):
                raise ValueError("a cell's answer is none")
            cells[place] = Cell(speed, row["ends"])
    except (KeyError, TypeError, ValueError, csv.Error) as error:
        raise FileTrouble(f"{path}: is damaged ({error}).", "Add --force to begin anew.") from error
    return cells
