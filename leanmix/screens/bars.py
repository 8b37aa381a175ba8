"""The bars above and below every view: what is open, where the steering stands, and what that comes to."""

from __future__ import annotations

import math
from typing import ClassVar

from textual import events

from leanmix.screens.actions import VIEWS
from leanmix.screens.grid import Grid
from leanmix.screens.reckon import Moment, Reckoned, next_stop
from leanmix.screens.sheet import Sheet
from leanmix.words import count, figure, percent, way

__all__ = ["FootBar", "TooSmall", "TopBar", "figures"]

# fewer columns than this say too little of a stop
CUT_LEAST = 34


class TopBar(Sheet):
    """Name and marks of what is open; the views."""

    _spans: ClassVar[list[tuple[int, int, str]]] = []

    def paint(self, grid: Grid) -> None:
        """Two rows."""
        desk = self.desk
        store = desk.store
        grid.fill(0, 0, grid.columns, " ", "strip")
        end = grid.put(0, 1, store.good.machine.name, "strip")
        end = grid.put(0, end, f"  {_short(store.name, grid.columns // 3)}", "strip")
        marks = []
        if store.unsaved:
            marks.append("● not saved")
        if store.findings:
            marks.append(f"✕ {count(len(store.findings), 'error')}: press !")
        if store.on_board is not None:
            marks.append("= on the board" if store.on_board else "≠ not what the board holds")
        if desk.done is not None and desk.done.held is not None and not desk.done.held.holds:
            marks.append("✕ flashed table: proof no longer holds")
        if desk.compared is not None:
            marks.append(f"beside {desk.compared.source.machine.name}")
        grid.put_right(0, grid.columns - 1, "   ".join(marks), "strip")
        column = 1
        spans = []
        wide = grid.columns >= 112
        for view in VIEWS:
            held = "⇧" if view.letter.isupper() else " "
            text = f" {view.fkey.upper()} {view.title} " if wide and view.fkey else f"{held}{view.title} "
            at = column
            column = grid.put(1, column, text, "stripmark" if view.name == desk.view_name else "plain")
            if view.name != desk.view_name:
                letter = text.lower().index(view.letter.lower(), text.index(view.title))
                grid.dye(1, at + letter, 1, "keycap")
            spans.append((at, column, view.name))
        TopBar._spans = spans

    def on_click(self, event: events.Click) -> None:
        """A view's name shows it."""
        if event.y == 1:
            for begin, end, name in self._spans:
                if begin <= event.x < end:
                    self.desk.show_view(name)


class FootBar(Sheet):
    """Steering, figures, and the last word said."""

    _bar = (0, 1)

    def paint(self, grid: Grid) -> None:
        """Four rows."""
        desk = self.desk
        self._steering(grid)
        now = desk.now
        if now is not None:
            _flow(grid, 1, grid.rows - 2, figures(desk.shown, now) if desk.shown is not None else [])
        else:
            grid.put(1, 1, "Working it out …", "faint")
        row = grid.rows - 1
        if desk.said:
            grid.put(row, 1, desk.said, desk.said_ink, grid.columns - 2)
            return
        column = 1
        for keys, words in desk.hints():
            width = len(keys) + len(words) + 3
            if column + width > grid.columns:
                break
            column = grid.put(row, column, keys, "keycap") + 1
            column = grid.put(row, column, words, "faint") + 2

    def _steering(self, grid: Grid) -> None:
        position = self.desk.store.position
        roomy = grid.columns >= 110
        turn = f"turning at {figure(position.turn_g, 2)} g" if position.turn_g else "standing still"
        if position.held_deg is not None:
            words = f"arm held at {way(position.held_deg)}"
        else:
            percentage = way(100 * position.steer, 1 if abs(position.steer) < 0.9999 else 0, " %")
            words = f"steer {percentage}, runners {way(self.desk.runner_deg())}"
        words += f"  {turn}" if roomy or position.turn_g else ""
        begin = grid.put(0, 1, "full left " if roomy else "left ", "faint")
        last = "full right" if roomy else "right"
        end = max(begin + 11, grid.columns - len(words) - len(last) - 4)
        width = end - begin
        grid.fill(0, begin, width, "─", "ground")
        middle = begin + width // 2
        grid.put(0, middle, "┼", "ground")
        at = begin + round((1 - position.steer) / 2 * (width - 1))
        if position.held_deg is None:
            for c in range(min(at, middle), max(at, middle)):
                grid.put(0, c, "━", "now")
        grid.put(0, at, "●" if position.held_deg is None else "○", "now")
        grid.put(0, end + 1, last, "faint")
        grid.put_right(0, grid.columns - 1, words, "now")
        self._bar = (begin, width)

    def _steer_to(self, column: int) -> None:
        begin, width = self._bar
        self.desk.steer_to(1 - 2 * (column - begin) / max(width - 1, 1))

    def on_mouse_down(self, event: events.MouseDown) -> None:
        """Take hold of the steering."""
        begin, width = self._bar
        if event.y == 0 and begin - 1 <= event.x <= begin + width:
            self.capture_mouse()
            self._steer_to(event.x)

    def on_mouse_move(self, event: events.MouseMove) -> None:
        """Drag it."""
        if self.app.mouse_captured is self:
            self._steer_to(event.x)

    def on_mouse_up(self, event: events.MouseUp) -> None:
        """Let go of the mouse; the steering stays where it is."""
        self.release_mouse()


class TooSmall(Sheet):
    """Shown instead of everything below 80 × 24."""

    def paint(self, grid: Grid) -> None:
        """One sentence."""
        size = self.app.size
        grid.put_words(
            0, 0,
            f"leanmix needs a window of 80 columns and 24 rows; this one has {size.width} and {size.height}. "
            "Make it larger: nothing is lost. q leaves.",
            "strong", width=grid.columns, rows=grid.rows,
        )  # fmt: skip


def figures(done: Reckoned, now: Moment) -> list[tuple[str, str, str]]:
    """What a position comes to, as (name, value, ink), most wanted first."""
    out = [("lean", way(now.lean_deg) if now.stance is not None else "—", "strong")]
    held = " held by cap" if now.capped else ""
    out.append(("arm", f"{way(now.throw_deg)}{held}", "warn" if held else "strong"))
    pulses = [f"{figure(p, 0)} µs" for p in now.pulses_us]
    if len(pulses) == 1:
        out.append(("pulse", pulses[0], "strong"))
    elif pulses:
        out.append(("pulses", f"{pulses[0]} left, {pulses[1]} right", "strong"))
    if now.load is not None:
        jammed = not math.isfinite(now.torque_share)
        text = f"{figure(now.torque_N_mm, 0)} N mm, {percent(abs(now.torque_share))} of stall"
        out.append(("torque", "— a mount jams" if jammed else text, "bad" if jammed else "strong"))
    if now.stance is not None:
        s = now.stance
        loads = ((s.runner_load_left_N, s.grounded_left), (s.runner_load_right_N, s.grounded_right))
        left, right = (f"{figure(float(n))} N" if bool(down) else "in the air" for n, down in loads)
        flying = not (bool(s.grounded_left) and bool(s.grounded_right))
        text = f"left {left}, right {right}, rear {figure(float(s.rear_load_N))} N"
        out.append(("loads", text, "bad" if flying else "strong"))
    elif now.why:
        out.append(("", now.why, "bad"))
    if now.position.turn_g:
        out.append(("turning at", f"{figure(now.position.turn_g, 2)} g", "now"))
    ahead = next_stop(done, now.throw_deg)
    if ahead is not None:
        stop, room = ahead
        mark = "✕" if stop.blocks else "◇"
        name = stop.says.split(":")[0]
        if room < 0.05:
            out.insert(2, ("at", f"stop: {mark} {name}", "bad" if stop.blocks else "warn"))
        else:
            out.insert(-1, ("next stop in", f"{figure(room)}°: {mark} {name}", "plain"))
    return out


def _flow(grid: Grid, row: int, rows: int, items: list[tuple[str, str, str]]) -> None:
    """Figures one after another; only what is said in words is cut, and only where enough of it can be read."""
    column, last = 1, row + rows - 1
    for name, value, name_ink in items:
        width = len(name) + len(value) + (1 if name else 0)
        left = grid.columns - 1 - column
        wordy = ": " in value
        if column > 1 and width > left and not (wordy and left >= CUT_LEAST):
            if row == last:
                return
            row, column = row + 1, 1
        if name:
            column = grid.put(row, column, f"{name} ", "faint")
        column = grid.put(row, column, value, name_ink, grid.columns - 1 - column) + (3 if grid.columns > 100 else 2)


def _short(name: str, width: int) -> str:
    return name if len(name) <= width else f"…{name[-width + 1 :]}"
