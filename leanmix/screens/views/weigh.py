"""Weigh: scales, a tilt board and a ruler to the machine's weight and balance point, each with how sure it is."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from textual import events

from leanmix.errors import LeanmixError
from leanmix.machine import Measured
from leanmix.screens.entry import BadEntry, read_entry, shown_entry
from leanmix.screens.fields import Field
from leanmix.screens.grid import Grid
from leanmix.screens.line import TypedLine
from leanmix.screens.moved import Remeasured, moved_words
from leanmix.screens.sketch import Sketch
from leanmix.screens.views.base import View
from leanmix.words import count, figure, trimmed, with_unit

if TYPE_CHECKING:
    from leanmix.weighing import ScaleReadings

__all__ = ["WeighView", "view"]

CAUTION = "Drive disconnected, shocks blocked for the tilt and the raised rear, and a hand to catch the machine."


@dataclass(frozen=True, slots=True)
class Ask:
    """One reading to take: its name, words, unit and how."""

    name: str
    words: str
    unit: str
    how: str


ASKS = (
    Ask("left_g", "left runner", "g", "Scale under the left runner, the other runner and the rear as high, machine level."),
    Ask("right_g", "right runner", "g", "Scale under the right runner, machine level."),
    Ask("rear_g", "rear", "g", "Scale under the rear, on a narrow bar across it, machine level."),
    Ask("rear_behind_mm", "bar behind the runners", "mm", "From the runners' contacts back to that bar. Left out: where the file says the rear's load rests."),
    Ask("tilt_deg", "tilt where a runner lifts", "deg", "Tilt the board, left side down, until the upper runner lifts; read the board's angle. Shocks blocked: on live springs it reads low, and the height comes out too large."),
    Ask("raised_mm", "or: rear raised by", "mm", "Instead of a tilt: raise the rear by a fifth to a half of its distance from the runners, shocks blocked."),
    Ask("front_raised_g", "front then weighs", "g", "Both front scales together with the rear raised."),
)  # fmt: skip
# the first so many belong together
SCALES = 3
RESULTS = (
    ("chassis.mass_g", "mass", "g"),
    ("chassis.cg_behind_mm", "CG behind the runners", "mm"),
    ("chassis.cg_left_mm", "CG left of the middle", "mm"),
    ("chassis.cg_up_mm", "CG over the board", "mm"),
)


class WeighView(View):
    """What the scales read, and what it comes to beside the file."""

    name_of_view = "weigh"

    def __init__(self) -> None:
        super().__init__()
        self._at = 0
        self._line: TypedLine | None = None
        self._error = ""
        self._readings: dict[str, Measured] = {}
        self._of: tuple[object, ...] = ()
        self._found: dict[str, Measured] = {}
        self._trouble = ""
        self._moved: Remeasured | str | None = None
        self._rows_at: dict[int, int] = {}
        self._opened = -1

    def _weighed(self) -> None:
        """Have what was read worked out, where it or the machine changed."""
        from leanmix.weighing import ScaleReadings, weigh

        now = (self.desk.store.serial, tuple(self._readings.items()))
        if now == self._of:
            return
        self._of = now
        given: ScaleReadings = replace(ScaleReadings(), **self._readings)
        try:
            self._found, self._trouble = weigh(self.desk.store.good, given), ""
        except LeanmixError as error:
            self._found, self._trouble = {}, str(error)

    def edited_elsewhere(self, key: str) -> None:
        """Undo, redo, or another machine."""
        if self._opened != self.desk.store.opened:
            self._opened = self.desk.store.opened
            self._at, self._readings = 0, {}
        self._line, self._error, self._moved = None, "", None
        self.repaint()

    # --- painting -------------------------------------------------------------------------------

    def paint(self, grid: Grid) -> None:
        """Readings above, results below, then how to take the chosen one."""
        self._weighed()
        width = grid.columns - 2
        grid.put(0, 1, "Scales, and a tilt", "head")
        self._rows_at = {}
        for i, ask in enumerate(ASKS):
            self._rows_at[1 + i] = i
            self._row(grid, 1 + i, ask, i == self._at)
        row = 1 + len(ASKS)
        grid.fill(row, 0, grid.columns, "─", "ground")
        row = self._results(grid, row + 1)
        missing = [a.words for a in ASKS[:SCALES] if a.name not in self._readings]
        if self._error or (self._trouble and len(missing) in (0, SCALES)):
            row = grid.put_words(row, 1, f"✕ {self._error or self._trouble}", "bad", width=width, rows=2)
        elif self._trouble:
            row = grid.put_words(row, 1, f"still to read: {', '.join(missing)}", "faint", width=width, rows=2)
        rows: list[tuple[str, str]] = []
        if self._moved is not None:
            rows = [(f"✕ {self._moved}", "bad")] if isinstance(self._moved, str) else list(moved_words(self._moved))
        else:
            rows = [(ASKS[self._at].how, "plain"), (CAUTION, "warn")]
        for text, ink in rows:
            if row < grid.rows:
                row = grid.put_words(row, 1, text, ink, width=width, rows=grid.rows - row)

    def _row(self, grid: Grid, row: int, ask: Ask, chosen: bool) -> None:
        columns = grid.columns - 1
        grid.put(row, 2, ask.words, "plain", 26)
        if chosen and self._line is not None:
            self._line.paint(grid, row, 29, columns - 29)
            return
        m = self._readings.get(ask.name)
        if m is None:
            grid.put_right(row, columns, "not taken", "faint")
        else:
            tol = "" if m.tol is None else f" ± {trimmed(m.tol)}"
            grid.put_right(row, columns, with_unit(f"{trimmed(m.at)}{tol}", ask.unit), "strong")
        if chosen:
            grid.put(row, 0, "▸", "strong")
            grid.dye(row, 0, columns, "chosen")

    def _results(self, grid: Grid, row: int) -> int:
        columns = grid.columns - 1
        wide = columns >= 62
        fields = self.desk.store
        if wide:
            grid.put_right(row, 44, "weighed", "faint")
            grid.put_right(row, columns, "in the file", "faint")
            row += 1
        for key, words, unit in RESULTS:
            found = self._found.get(key)
            field = fields.field(key)
            was = field.measured if field is not None else None
            there = "—" if was is None else with_unit(trimmed(float(f"{was.at:.5g}")), unit)
            now = "not yet" if found is None else _with_tol(found, unit)
            grid.put(row, 1, words, "plain", 22)
            grid.put_right(row, 44 if wide else columns, now, "faint" if found is None else "good")
            if wide:
                grid.put_right(row, columns, there, "faint")
            row += 1
        words = (
            f"y takes {count(len(self._found), 'number')} into the file" if self._found else "type what the scales read"
        )
        grid.put(row, 1, words, "keycap" if self._found else "faint", columns - 1)
        return row + 1

    def mark_front(self, sketch: Sketch) -> None:
        """The balance point as weighed."""
        up, left = self._found.get("chassis.cg_up_mm"), self._found.get("chassis.cg_left_mm")
        if up is not None:
            there = left.at if left is not None else self.desk.store.good.machine.chassis.cg_left_mm.at
            # left is on the left of the picture
            sketch.mark(-there, up.at, "◎", "good", "weighed")

    def hints(self) -> list[tuple[str, str]]:
        """Keys for the last row."""
        if self._line is not None:
            return [("Enter", "takes it, next row"), ("Esc", "leaves it"), ("+-", "before a tolerance")]
        return [("↑↓", "row"), ("Enter", "type"), ("Del", "leave out"), ("y", "into the file")]

    def about(self) -> list[tuple[str, str]]:
        """How each reading is taken."""
        from leanmix.weighing import RULER_TOL_MM, SCALE_TOL_G, TILT_TOL_DEG

        usual = f"Without ± these hold: {SCALE_TOL_G:g} g, {RULER_TOL_MM:g} mm, {TILT_TOL_DEG:g}°."
        return [
            ("", "plain"),
            *((f"{a.words}\t{a.how}", "plain") for a in ASKS),
            (usual, "plain"),
            (CAUTION, "warn"),
        ]

    def figures_out(self) -> list[list[str]]:
        """Readings and results."""
        rows = [["what", "value", "tolerance 95 %", "unit", "from"]]
        for a in ASKS:
            m = self._readings.get(a.name)
            if m is not None:
                rows.append([a.words, f"{m.at:.9g}", "" if m.tol is None else f"{m.tol:g}", a.unit, "read"])
        for key, words, unit in RESULTS:
            f = self._found.get(key)
            if f is not None:
                rows.append([words, f"{f.at:.6g}", "" if f.tol is None else f"{f.tol:g}", unit, f.source or ""])
        return rows

    # --- actions --------------------------------------------------------------------------------

    def action_move(self, step: int) -> None:
        """Up or down the rows."""
        self._at = min(max(self._at + step, 0), len(ASKS) - 1)
        self._error, self._moved = "", None
        self.desk.quiet()
        self.repaint()

    def action_type_reading(self) -> None:
        """Begin to type what was read."""
        self._line, self._error, self._moved = TypedLine(shown_entry(self._field())), "", None
        self.desk.repaint()

    def action_leave_out(self) -> None:
        """As if it was not taken."""
        self._readings.pop(ASKS[self._at].name, None)
        self._error = ""
        self.desk.repaint()

    def action_take_in(self) -> None:
        """Take what was weighed into the machine file, as one edit."""
        from leanmix.weighing import weighed_in

        desk = self.desk
        self._weighed()
        if not self._found:
            desk.say(self._trouble or "Nothing is weighed yet.", "warn")
            return
        if not desk.store.usable:
            desk.say("The file as it stands has errors: press ! first.", "warn")
            return
        before = desk.store.good
        try:
            after = weighed_in(before, self._found)
        except LeanmixError as error:
            desk.say_error(error)
            return
        if after.text == before.text:
            desk.say("The file holds all that already.", "faint")
            return
        desk.store.change(after.text, f"{count(len(self._found), 'number')} off the scales")
        desk.edited()
        desk.say("Taken into the file as one edit; u takes it back.", "good")
        self.look_what_moved(before, self._tell_moved)

    def _tell_moved(self, result: Remeasured | str) -> None:
        self._moved = result

    def _field(self) -> Field:
        ask = ASKS[self._at]
        m = self._readings.get(ask.name)
        high = 90.0 if ask.unit == "deg" else 2000.0 if ask.unit == "mm" else 1e5
        return Field(
            ask.name, "Weigh", ask.words, "", "number", ask.unit, ask.how, 0.0, high, m, None, "", (), True, ""
        )

    # --- keys and mouse -------------------------------------------------------------------------

    def typed(self, event: events.Key) -> bool:
        """Keys while a value is typed; a digit begins to type one."""
        if self._line is None:
            if event.character is None or not event.character.isdigit():
                return False
            self._line, self._error, self._moved = TypedLine(""), "", None
            self._line.put(event.character)
        elif event.key == "escape":
            self._line, self._error = None, ""
        elif event.key in ("enter", "down", "up"):
            self._enter(self._line.text)
        else:
            self._line.key(event)
        self.desk.repaint()
        return True

    def _enter(self, typed: str) -> None:
        """Take it, and go on to the next row."""
        try:
            value = read_entry(self._field(), typed)
        except BadEntry as error:
            self._error = error.says
            return
        if isinstance(value, (Measured, float, int)):
            self._readings[ASKS[self._at].name] = value if isinstance(value, Measured) else Measured(float(value))
        self._line, self._error = None, ""
        self._at = min(self._at + 1, len(ASKS) - 1)

    def typing(self) -> TypedLine | None:
        """What is being typed."""
        return self._line

    def on_click(self, event: events.Click) -> None:
        """Choose a row; a second click on it types it."""
        which = self._rows_at.get(event.y)
        if which is None:
            return
        again = which == self._at and event.chain >= 2
        self._line, self._at = None, which
        if again:
            self.action_type_reading()
        self.desk.repaint()


def _with_tol(m: Measured, unit: str) -> str:
    return with_unit(figure(m.at, 1) + ("" if m.tol is None else f" ± {figure(m.tol, 1)}"), unit)


def view() -> WeighView:
    """The view."""
    return WeighView()
