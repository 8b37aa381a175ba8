"""Limits: what ends the throw each way, in order, and what removing it gives; walkable."""

from __future__ import annotations

from textual import events

from leanmix.machine import spoken_key
from leanmix.screens.front import mark_stop
from leanmix.screens.grid import Grid
from leanmix.screens.reckon import Reckoned
from leanmix.screens.sketch import Sketch
from leanmix.screens.views.base import View
from leanmix.stops import Stop
from leanmix.words import figure, percent

__all__ = ["LimitsView", "view"]

SIDE_BY_SIDE = 84


class LimitsView(View):
    """The ladder left and right."""

    name_of_view = "limits"

    def __init__(self) -> None:
        super().__init__()
        self._way = "left"
        self._at = 0
        self._rows_at: dict[tuple[int, int], tuple[str, int]] = {}

    def _rungs(self, way: str) -> tuple[Stop, ...]:
        done = self.desk.shown
        return () if done is None or done.ladder is None else done.ladder.way(way)

    def chosen(self) -> Stop | None:
        """The stop that keys act on."""
        rungs = self._rungs(self._way)
        return rungs[min(self._at, len(rungs) - 1)] if rungs else None

    # --- painting -------------------------------------------------------------------------------

    def paint(self, grid: Grid) -> None:
        """Ladders above, the chosen stop below."""
        done = self.desk.shown
        if done is None or done.ladder is None:
            grid.put_words(1, 1, self.desk.stale_why() or "Working it out …", "faint", width=grid.columns - 2)
            return
        self._rows_at = {}
        both = grid.columns >= SIDE_BY_SIDE
        ways = ("left", "right") if both else (self._way,)
        width = (grid.columns - 1) // len(ways)
        rows = min(max(len(self._rungs(w)) for w in ways) + 4, max(6, grid.rows - 10))
        for i, way in enumerate(ways):
            self._ladder(grid, done, way, i * width, width - 1, rows)
        if not both:
            other = "right" if self._way == "left" else "left"
            grid.put_right(0, grid.columns - 1, f"Tab: leaning {other}", "keycap")
        grid.fill(rows, 0, grid.columns, "─", "ground")
        self._details(grid, rows + 1, done)

    def _ladder(self, grid: Grid, done: Reckoned, way: str, column: int, width: int, rows: int) -> None:
        grid.put(0, column + 1, f"Leaning {way}", "head")
        grid.put(1, column + 1, "arm", "faint")
        grid.put(1, column + 9, "lean", "faint")
        grid.put(1, column + 16, "what", "faint")
        grid.put_right(1, column + width, "gives", "faint")
        cap = None if done.caps is None else (done.caps.left if way == "left" else done.caps.right)
        here = self.desk.now.throw_deg if self.desk.now is not None else 0.0
        here = here if way == "left" else -here
        row = 2
        said_cap = said_here = False
        for i, stop in enumerate(self._rungs(way)):
            said_here |= abs(stop.throw_deg - here) < 0.05
            if not said_here and here >= 0 and stop.throw_deg > here:
                row = _line(grid, row, column, width, here, "the arm is here", "now", "●")
                said_here = True
            if cap is not None and not said_cap and stop.throw_deg > cap.throw_deg:
                row = _line(grid, row, column, width, cap.throw_deg, "cap: the arm is never sent further", "good", "▔")
                said_cap = True
            if row >= rows:
                return
            chosen = way == self._way and i == min(self._at, len(self._rungs(way)) - 1)
            self._rung(grid, row, column, width, stop, chosen)
            self._rows_at[(row, column)] = (way, i)
            row += 1
        if not self._rungs(way):
            grid.put(row, column + 1, "Nothing ends the throw this way.", "faint", width - 1)

    def _rung(self, grid: Grid, row: int, column: int, width: int, stop: Stop, chosen: bool) -> None:
        mark, name = ("✕", "bad") if stop.blocks else ("◇", "warn")
        grid.put_right(row, column + 7, f"{figure(stop.throw_deg)}°", "strong")
        grid.put_right(row, column + 14, f"{figure(stop.lean_deg)}°", "plain")
        gain = "" if stop.gain_deg is None else f"+{figure(stop.gain_deg)}°"
        grid.put(row, column + 16, f"{mark} {stop.says}", name, width - 16 - len(gain) - 1)
        grid.put_right(row, column + width, gain, "plain")
        if chosen:
            grid.put(row, column, "▸", "strong")
            grid.dye(row, column, width, "chosen")

    def _details(self, grid: Grid, row: int, done: Reckoned) -> None:
        stop = self.chosen()
        width = grid.columns - 2
        if stop is None:
            return
        kind = (
            "BLOCKS: the servo stalls there." if stop.blocks else "TOUCHES: the servo goes on, the lean grows slower."
        )
        grid.put(row, 1, f"{'✕' if stop.blocks else '◇'} {kind}", "bad" if stop.blocks else "warn", width)
        row = grid.put_words(row + 1, 1, _sentence(stop.says), "strong", width=width, rows=4)
        row = grid.put_words(row, 1, stop.cure, "plain", width=width, rows=3)
        gain = (
            "It is the last there is."
            if stop.gain_deg is None
            else f"Without it: {figure(stop.gain_deg, 2)}° more lean, up to the next."
        )
        pulses = " and ".join(f"{figure(p, 0)} µs" for p in stop.pulses_us)
        row = grid.put_words(row, 1, f"{gain} Pulse there: {pulses}.", "faint", width=width, rows=2)
        if grid.rows - row > 1 and done.caps is not None:
            cap = done.caps.left if self._way == "left" else done.caps.right
            row = grid.put_words(row, 1, f"Cap {figure(cap.throw_deg)}°: {cap.why}.", "good", width=width, rows=2)
            if not done.settled:
                grid.put(row, 1, "From this one build so far; many builds are being looked at …", "faint", width)
                row += 1
        if done.settled and done.job is not None and row < grid.rows:
            row = self._builds(grid, row, width, done)
        for note in done.ladder.notes if done.ladder is not None else ():
            if row >= grid.rows:
                break
            row = grid.put_words(row, 1, f"▲ {note}", "warn", width=width, rows=grid.rows - row)

    def _builds(self, grid: Grid, row: int, width: int, done: Reckoned) -> int:
        builds = done.job.builds if done.job is not None else None
        if builds is None:
            return row
        one = builds.left if self._way == "left" else builds.right
        spread = one.spread_deg
        text = (
            f"Builds as measured, with their tolerances: first block at {figure(spread.low)}° to {figure(spread.high)}° "
            "in 95 of 100."
        )
        row = grid.put_words(row, 1, text, "plain", width=width, rows=min(2, grid.rows - row))
        if one.influences and row < grid.rows:
            most = one.influences[0]
            row = grid.put_words(
                row, 1, f"Measure again first: {_spoken(done, most.key)}, {percent(most.share)} of that spread.",
                "plain", width=width, rows=min(2, grid.rows - row),
            )  # fmt: skip
        return row

    def hints(self) -> list[tuple[str, str]]:
        """Keys for the last row."""
        return [("↑↓", "stop"), ("Enter", "go to it"), ("Tab", "other way"), ("Esc", "let go")]

    def about(self) -> list[tuple[str, str]]:
        """What the chosen stop is."""
        stop = self.chosen()
        if stop is None:
            return []
        return [("", "plain"), (_sentence(stop.says), "plain"), (stop.cure, "plain")]

    def mark_front(self, sketch: Sketch) -> None:
        """The chosen stop, while the arm is held there."""
        desk, stop = self.desk, self.chosen()
        if desk.shown is None or desk.now is None or stop is None or desk.store.position.held_deg is None:
            return
        if abs(abs(desk.now.throw_deg) - stop.throw_deg) < 1e-6:
            mark_stop(sketch, desk.shown, desk.now, stop)

    def figures_out(self) -> list[list[str]]:
        """Both ladders."""
        rows = [["leaning", "arm [deg]", "lean [deg]", "blocks", "kind", "what", "removing it gives [deg]", "cure"]]
        for way in ("left", "right"):
            for s in self._rungs(way):
                gain = "" if s.gain_deg is None else f"{s.gain_deg:.4f}"
                blocks = "yes" if s.blocks else "no"
                rows.append([way, f"{s.throw_deg:.4f}", f"{s.lean_deg:.4f}", blocks, s.kind, s.says, gain, s.cure])
        return rows

    # --- actions --------------------------------------------------------------------------------

    def action_move(self, step: int) -> None:
        """Up or down the ladder."""
        rungs = self._rungs(self._way)
        self._at = min(max(min(self._at, len(rungs) - 1) + step, 0), max(len(rungs) - 1, 0))
        self._follow()

    def action_other_way(self) -> None:
        """To the other ladder."""
        self._way = "right" if self._way == "left" else "left"
        self._follow()

    def action_go(self) -> None:
        """Hold the arm at the chosen stop."""
        stop = self.chosen()
        if stop is None:
            return
        self.desk.store.hold_arm(stop.throw_deg if self._way == "left" else -stop.throw_deg)
        self.desk.quiet()
        self.desk.follow()

    def _follow(self) -> None:
        """While a hand holds the arm, it goes along the ladder."""
        if self.desk.store.position.held_deg is not None:
            self.action_go()
        else:
            self.desk.quiet()
            self.desk.repaint()

    def on_click(self, event: events.Click) -> None:
        """Choose a stop and go there."""
        for (row, column), (way, i) in self._rows_at.items():
            if row == event.y and column <= event.x:
                self._way, self._at = way, i
        self.action_go()


def _line(grid: Grid, row: int, column: int, width: int, at: float, words: str, name: str, mark: str) -> int:
    grid.put_right(row, column + 7, f"{figure(at)}°", name)
    grid.put(row, column + 16, f"{mark} {words}", name, width - 16)
    return row + 1


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."


def _spoken(done: Reckoned, key: str) -> str:
    return spoken_key(done.source.machine, key).replace("_", " ")


def view() -> LimitsView:
    """The view."""
    return LimitsView()
