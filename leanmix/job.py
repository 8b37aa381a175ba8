"""The whole job on one machine file: every stage in order, for whoever shows it; commands and screens call this.

The parts that are dear (many builds, table, proof) are worked out when first asked for, and kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from leanmix.curve import (
    Caps,
    Check,
    Plan,
    ProvedTable,
    Table,
    TableDifference,
    WayLimit,
    compare_tables,
    find_caps,
    make_plan,
    make_table,
    prove,
    worst_case,
)
from leanmix.machine import Machine, MachineFile, Numbers, values
from leanmix.mixer import Image
from leanmix.stance import Setup, balance, lean_of_throw, stance_setup, stance_states
from leanmix.stops import Builds, Ladder, find_stops, stops_of_builds

__all__ = ["Job", "work_out"]

Array = NDArray[np.float64]

# enough that the share of clear builds is known to half a percent
BUILDS = 4000


@dataclass(frozen=True)
class Job:
    """One machine file, worked out.

    Parameters
    ----------
    source : MachineFile
        The file.
    numbers : Numbers
        Its nominal numbers.
    setup : Setup
        The machine ready to be balanced.
    ladder : Ladder
        Everything that ends the throw.
    """

    source: MachineFile
    numbers: Numbers
    setup: Setup
    ladder: Ladder

    @property
    def machine(self) -> Machine:
        """What the file says."""
        return self.source.machine

    def lean_of_throw(self, throw_deg: Array) -> Array:
        """Lean standing still [deg, + left] at servo arm angles [deg, + left], shape (n,)."""
        return np.asarray(lean_of_throw(self.setup, throw_deg), dtype=np.float64)

    @cached_property
    def builds(self) -> Builds:
        """The stops of many builds drawn from the file's tolerances; always the same ones."""
        return stops_of_builds(self.machine, BUILDS)

    @cached_property
    def limits(self) -> tuple[WayLimit, WayLimit]:
        """First block leaning left and right, of this machine and of the chosen share of builds."""
        clear = self.builds
        return _limit(self.ladder, "left", clear.left.clear_deg), _limit(self.ladder, "right", clear.right.clear_deg)

    @cached_property
    def caps(self) -> Caps:
        """Largest throw each way, and why."""
        return find_caps(self.machine, self.numbers, *self.limits)

    @cached_property
    def plan(self) -> Plan:
        """The exact mapping; raises NoAnswer where lean does not rise with throw."""
        return make_plan(self.machine, self.numbers, self.caps, self.reachable_lean)

    def reachable_lean(self, throw_deg: Array) -> Array:
        """As `lean_of_throw`, but NaN where the machine cannot stand: what the plan is made from."""
        return np.asarray(balance(self.setup, throw_deg).lean_deg, dtype=np.float64)

    @cached_property
    def table(self) -> Table:
        """The fitted table, not yet proved."""
        return make_table(self.plan, self.source.digest)

    @cached_property
    def checks(self) -> tuple[Check, ...]:
        """Every check of the proof, passed or not."""
        return worst_case(self.table, *self.limits)

    @cached_property
    def proved(self) -> ProvedTable:
        """The proved table; raises NotProved where a check fails."""
        return prove(self.table, *self.limits)

    def difference(self, held: bytes | None) -> TableDifference | None:
        """What this job's table would change against the image that a board holds; None where it holds none."""
        if held is None:
            return None
        return compare_tables(Image.decode(held), self.table.image, self.machine, self.numbers, self.reachable_lean)


def _limit(ladder: Ladder, way: str, share_deg: float) -> WayLimit:
    block = ladder.first_block(way)
    if block is None:
        return WayLimit(np.inf, share_deg, "the end of what was looked at")
    return WayLimit(block.throw_deg, share_deg, block.says.split(":")[0])


def work_out(source: MachineFile) -> Job:
    """Work out a machine file as far as its ladder; the rest follows when asked for.

    Parameters
    ----------
    source : MachineFile
        From `leanmix.machine.load`.

    Raises
    ------
    GeometryError
        When the machine cannot be assembled at neutral.
    """
    numbers = values(source.machine)
    setup = stance_setup(source.machine, numbers)
    return Job(source, numbers, setup, find_stops(source.machine, numbers, stance_states))
