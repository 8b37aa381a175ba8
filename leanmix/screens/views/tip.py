"""Tip: how hard it may turn before it goes over, leaning in, upright and leaning out; what slides first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from leanmix.machine import Surface
from leanmix.screens.charts import Level, Trace, chart
from leanmix.screens.grid import Grid
from leanmix.screens.reckon import Reckoned
from leanmix.screens.views.base import View
from leanmix.stance import TURNS, TipLimits, Worth, slide_g, speed_m_per_s, tip_limits, what_buys_most
from leanmix.words import figure, signed

__all__ = ["TipView", "view"]

Turn = Literal["left", "right"]

THROWS = 9
TELLING_G = 0.002
RADII_M = (1.0, 2.0, 4.0, 8.0)


@dataclass(frozen=True)
class Tipping:
    """Tip limits over the throw between the caps, turning left and right."""

    serial: int
    left: TipLimits
    right: TipLimits

    def turn(self, name: str) -> TipLimits:
        """One of the two."""
        return self.left if name == "left" else self.right

    def at(self, turn: str, throw_deg: float, which: str) -> float:
        """A limit [g] at a throw, between those that were worked out; NaN beyond the caps."""
        limits = self.turn(turn)
        return float(np.interp(throw_deg, limits.throw_deg, getattr(limits, which), left=np.nan, right=np.nan))


class TipView(View):
    """Limits and what they are held against."""

    name_of_view = "tip"

    def __init__(self) -> None:
        super().__init__()
        self._found: Tipping | None = None
        self._other: Tipping | None = None
        self._asked: set[int] = set()
        self._turn: Turn | None = None
        self._ground = 0
        self._list = False
        self._worth: tuple[tuple[int, str], tuple[Worth, ...]] | None = None
        self._worth_asked: tuple[int, str] | None = None

    # --- results --------------------------------------------------------------------------------

    def _ask(self, done: Reckoned, *, beside: bool = False) -> Tipping | None:
        """The limits of a machine; worked out aside where they are not there."""
        held = self._other if beside else self._found
        key = id(done.job)
        if held is not None and held.serial == key:
            return held
        if key not in self._asked and done.setup is not None and done.caps is not None and (done.settled or beside):
            self._asked = {*self._asked, key} if len(self._asked) < 50 else {key}
            setup, caps = done.setup, done.caps
            throws = np.linspace(-caps.right.throw_deg, caps.left.throw_deg, THROWS)

            def work() -> Tipping:
                return Tipping(key, tip_limits(setup, throws, "left"), tip_limits(setup, throws, "right"))

            def then(found: Tipping) -> None:
                if beside:
                    self._other = found
                else:
                    self._found = found
                self.repaint()

            self.desk.work_aside(work, then)
        return held

    def _side(self) -> Turn:
        """The turn that is looked at: the one the steering points to, or the one chosen."""
        return self._turn or ("left" if self.desk.store.position.leans_left else "right")

    def _surfaces(self) -> tuple[Surface, ...]:
        return self.desk.store.good.machine.surfaces

    # --- painting -------------------------------------------------------------------------------

    def paint(self, grid: Grid) -> None:
        """Table above, chart below."""
        done = self.desk.shown
        width = grid.columns - 2
        grid.put(0, 1, f"Turning {self._side()}", "head")
        grid.put_right(0, grid.columns - 1, "Tab: other turn", "keycap")
        if done is None or done.setup is None:
            grid.put_words(2, 1, self.desk.stale_why() or "Working it out …", "faint", width=width)
            return
        found = self._ask(done)
        if found is None:
            grid.put(2, 1, "Tip limits: being worked out …", "faint", width)
            return
        stale = found.serial != id(done.job)
        row = self._table(grid, done, found)
        if stale:
            grid.put(row, 1, "of the machine before the last edit; being worked out again …", "warn", width)
            row += 1
        row = self._ground_words(grid, row, found)
        row = self._speeds(grid, row, found)
        room = grid.rows - row
        if room >= 22:
            self._chart(grid, row, room // 2, done, found)
            self._buys(grid, row + room // 2 + 1, done)
        elif self._list:
            self._buys(grid, row, done)
        elif room >= 5:
            self._chart(grid, row, room, done, found)

    def _table(self, grid: Grid, done: Reckoned, found: Tipping) -> int:
        turn = self._side()
        into, out = done.locks_deg if turn == "left" else done.locks_deg[::-1]
        here = self.desk.now.throw_deg if self.desk.now is not None else 0.0
        roomy = grid.columns >= 64
        heads = ("on its springs", "inner lifts", "if rigid") if roomy else ("springs", "lifts", "rigid")
        columns = [grid.columns - 1 - (16 if roomy else 9) * k for k in (2, 1, 0)]
        for end, head in zip(columns, heads, strict=True):
            grid.put_right(1, end, head, "faint")
        rows = (
            ("full lean in", into),
            ("arm centred", 0.0),
            ("full lean out", out),
            ("as it is now", here),
        )
        for i, (name, throw) in enumerate(rows):
            present = name.endswith("now")
            grid.put(2 + i, 1, ("● " if present else "  ") + name, "now" if present else "plain", columns[0] - 8)
            for end, which in zip(columns, ("sprung_g", "lift_g", "rigid_g"), strict=True):
                value = found.at(turn, throw, which)
                grid.put_right(2 + i, end, f"{figure(value, 2)} g", "now" if present else "strong")
        gain = found.at(turn, into, "sprung_g") - found.at(turn, 0.0, "sprung_g")
        text, name = f"Leaning in is worth {signed(gain, 2)} g.", "good" if gain > 0 else "bad"
        lets_go = found.at(turn, into, "gives_way_g")
        if lets_go < found.at(turn, into, "sprung_g") - TELLING_G:
            text, name = text + f" It rolls on by itself at {figure(lets_go, 2)} g until something holds it.", "warn"
        grid.put(6, 1, text, name, grid.columns - 2)
        return 7

    def _ground_words(self, grid: Grid, row: int, found: Tipping) -> int:
        surfaces = self._surfaces()
        if not surfaces:
            return row
        s = surfaces[self._ground % len(surfaces)]
        tol = s.grip.tol or 0.0
        low, high = (float(slide_g(max(g, 0.0))) for g in (s.grip.at - tol, s.grip.at + tol))
        throw = self.desk.now.throw_deg if self.desk.now is not None else 0.0
        tips = found.at(self._side(), throw, "sprung_g")
        if not np.isfinite(tips):
            says = "The arm is held beyond its caps, where it never goes by itself: no limits there."
            return grid.put_words(row, 1, says, "faint", width=grid.columns - 2, rows=2)
        verdict, name = (
            ("✓ slides before it tips, however much grip there is", "good") if high < tips
            else ("✕ tips before it slides", "bad") if low > tips
            else ("▲ may tip before it slides, where there is grip", "warn")
        )  # fmt: skip
        text = f"On {s.name} (grip {figure(low, 2)} to {figure(high, 2)}, {s.grip.source or 'origin not said'}): {verdict}."
        return grid.put_words(row, 1, text, name, width=grid.columns - 2, rows=2)

    def _speeds(self, grid: Grid, row: int, found: Tipping) -> int:
        throw = self.desk.now.throw_deg if self.desk.now is not None else 0.0
        tips = found.at(self._side(), throw, "sprung_g")
        if not np.isfinite(tips):
            return row
        column = grid.put(row, 1, "tips in a turn of", "faint") + 1
        for radius in RADII_M:
            speed = float(speed_m_per_s(tips, radius))
            text = f"{radius:g} m at {figure(speed)} m/s"
            if column + len(text) >= grid.columns:
                break
            column = grid.put(row, column, text, "plain") + 2
        return row + 1

    def _chart(self, grid: Grid, row: int, rows: int, done: Reckoned, found: Tipping) -> None:
        limits = found.turn(self._side())
        traces = [
            Trace("on its springs", limits.throw_deg, limits.sprung_g, "strong"),
            Trace("inner lifts", limits.throw_deg, limits.lift_g, "warn", 2),
            Trace("if rigid", limits.throw_deg, limits.rigid_g, "faint", 3),
        ]
        beside = self.desk.compared
        if beside is not None:
            other = self._ask(beside, beside=True)
            if other is not None:
                there = other.turn(self._side())
                traces.append(Trace(beside.source.machine.name, there.throw_deg, there.sprung_g, "other", 4))
        levels = (
            [Level(self.desk.store.position.turn_g, "turning now", "now")] if self.desk.store.position.turn_g else []
        )
        here = self.desk.now.throw_deg if self.desk.now is not None else None
        chart(
            grid, row, 0, grid.columns, rows, traces, x_title="servo arm, °", y_title="tips at, g", turned=True,
            x_ways=True, here=here, levels=levels,
        )  # fmt: skip

    def _buys(self, grid: Grid, row: int, done: Reckoned) -> None:
        """Each thing a builder can change, the best first."""
        turn = self._side()
        key = (id(done.job), turn)
        width = grid.columns - 2
        grid.put(row, 1, "What buys most", "head")
        grid.put_right(
            row, grid.columns - 1, "tips later by" if width < 60 else "upright     leaning in       lean", "faint"
        )
        if self._worth_asked != key and (done.table is not None or (done.settled and done.troubles)):
            self._worth_asked = key
            machine = done.source.machine
            throw = abs(done.locks_deg[0 if turn == "left" else 1])

            def then(found: tuple[Worth, ...]) -> None:
                self._worth = (key, found)
                self.repaint()

            self.desk.work_aside(lambda: what_buys_most(machine, throw, turn), then)
        if self._worth is None:
            grid.put(row + 1, 1, "being worked out …", "faint", width)
            return
        if self._worth[0] != key:
            grid.put(row, 17, "(before the last change)", "warn", max(0, width - 40))
        for i, one in enumerate(self._worth[1]):
            at = row + 1 + i
            if at >= grid.rows:
                return
            name = "good" if one.leaning_g > 0.0005 else "bad" if one.leaning_g < -0.0005 else "faint"
            if width < 60:
                end = grid.put_right(at, grid.columns - 1, f"{signed(one.leaning_g, 3)} g", name)
            else:
                text = f"{signed(one.upright_g, 3)} g   {signed(one.leaning_g, 3)} g   {signed(one.lean_deg, 2)}°"
                end = grid.put_right(at, grid.columns - 1, text, name)
            grid.put(at, 1, one.what, "plain", end - 2)

    def hints(self) -> list[tuple[str, str]]:
        """Keys for the last row."""
        return [("Tab", "other turn"), ("g", "what buys most"), ("v", "other ground"), ("[ ]", "turn less or harder")]

    def about(self) -> list[tuple[str, str]]:
        """What the limits are."""
        return [
            ("", "plain"),
            ("On its springs: lateral acceleration at which nothing holds the machine any more. If rigid: the same by "
             "the support polygon alone, as if nothing gave; it promises more than the machine keeps.", "plain"),
            ("Grip is an estimate unless you pulled the machine sideways with a scale. Bumps, ruts and wind are not in it.", "warn"),
        ]  # fmt: skip

    def figures_out(self) -> list[list[str]]:
        """Limits over the throw."""
        found = self._found
        if found is None:
            return []
        rows = [["turning", "arm [deg left]", "lean [deg left]", "springs [g]", "inner lifts [g]", "rigid [g]"]]
        for turn in TURNS:
            t = found.turn(turn)
            for values in zip(t.throw_deg, t.lean_deg, t.sprung_g, t.lift_g, t.rigid_g, strict=True):
                rows.append([turn, *(f"{v:.5g}" for v in values)])
        return rows

    def action_other_turn(self) -> None:
        """The other turn, whatever the steering points to."""
        self._turn = "right" if self._side() == "left" else "left"
        self.repaint()

    def action_list(self) -> None:
        """What buys most instead of the chart, where both have no room."""
        self._list = not self._list
        self.repaint()

    def action_show_next(self) -> None:
        """Another ground."""
        self._ground += 1
        self.repaint()


def view() -> TipView:
    """The view."""
    return TipView()
