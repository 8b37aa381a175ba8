"""The tour on the screens: from a demo machine to a flashed virtual board, each step waiting until it was done."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from leanmix.screens.grid import Grid
from leanmix.screens.sheet import Sheet

if TYPE_CHECKING:
    from leanmix.screens.app import Screens

__all__ = ["STEPS", "Step", "WalkPane"]


@dataclass(frozen=True, slots=True)
class Step:
    """One step: what to do, and how it is known to be done."""

    says: str
    done: Callable[[Screens], bool]


STEPS = (
    Step(
        "This is Tarn, an invented machine, from behind. Press ← a few times: the runners steer left, the servo arm "
        "turns, and the machine leans into the turn.",
        lambda desk: desk.store.position.steer >= 0.2,
    ),
    Step(
        "The rows beside it are what was measured. Press PgDn until Servo arm is reached, ↓ to its radius, then + to "
        "nudge it: what that moves stands below.",
        lambda desk: desk.store.edits > 0,
    ),
    Step("Nothing is lost by trying. Press u to take the nudge back.", lambda desk: not desk.store.unsaved),
    Step(
        "Press i for Limits: everything that ends the throw, in order. Press Enter to go to the first stop and see "
        "where it happens.",
        lambda desk: desk.store.position.held_deg is not None,
    ),
    Step(
        "Press l for Lean: how much lean for how much steer. The caps keep the arm short of every stop; wait for "
        "PROVED: every possible input has been tried.",
        lambda desk: desk.view_name == "lean" and desk.done is not None and desk.done.proved,
    ),
    Step(
        "Press b for Board, then Enter, and choose the virtual board: the firmware itself, living in this computer.",
        lambda desk: desk.board.identity is not None,
    ),
    Step(
        "Press g to flash. On a real board read the cautions: machine on a stand, drive disconnected, fingers clear.",
        lambda desk: desk.store.on_board is True,
    ),
    Step(
        "Done: the board runs your table, read back equal, and History has kept it. o opens your own machine, or "
        "starts a new one; ? is help anywhere. F12 ends the tour.",
        lambda desk: False,
    ),
)


class WalkPane(Sheet):
    """The step that is to be done now."""

    step = -1

    def begin(self) -> None:
        """From the first step."""
        self.step = 0
        self.display = True

    def end(self) -> None:
        """No more."""
        self.step = -1
        self.display = False

    def look(self) -> None:
        """Go on where the present step was done."""
        if 0 <= self.step < len(STEPS) - 1 and STEPS[self.step].done(self.desk):
            self.step += 1
            self.repaint()

    def paint(self, grid: Grid) -> None:
        """Number and words of the step."""
        if self.step < 0:
            return
        for row in range(grid.rows):
            grid.fill(row, 0, grid.columns, " ", "strip")
        head = f"Tour {self.step + 1} of {len(STEPS)}"
        grid.put(0, 1, head, "strip")
        column = len(head) + 3
        grid.put_words(0, column, STEPS[self.step].says, "strip", width=grid.columns - column - 1, rows=grid.rows)
