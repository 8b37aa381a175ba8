"""Measure: every entry of the machine file with unit, tolerance and origin; how to find it; what changing it does."""

from __future__ import annotations

from textual import events

from leanmix.errors import Finding, LeanmixError
from leanmix.machine import Measured
from leanmix.screens.effects import effect_rows
from leanmix.screens.entry import BadEntry, nudged, read_entry, shown_entry
from leanmix.screens.fields import Field, group_names
from leanmix.screens.grid import Grid
from leanmix.screens.line import TypedLine
from leanmix.screens.sketch import Sketch
from leanmix.screens.views.base import View
from leanmix.words import trimmed, with_unit

__all__ = ["MeasureView", "view"]

DETAIL_ROWS = 8


class MeasureView(View):
    """Rows of entries under their headings, and what is known of the chosen one."""

    name_of_view = "measure"

    def __init__(self) -> None:
        super().__init__()
        self._chosen = "runner.kind"
        self._top = 0
        self._line: TypedLine | None = None
        self._error = ""
        self._filter: TypedLine | None = None
        self._finding = False
        self._rows_at: dict[int, str] = {}

    # --- state ----------------------------------------------------------------------------------

    def _fields(self) -> list[Field]:
        words = self._filter.text.lower().split() if self._filter is not None else []
        return [f for f in self.desk.store.fields if all(w in f"{f.name} {f.how}".lower() for w in words)]

    def chosen(self) -> Field | None:
        """The entry that keys act on."""
        fields = self._fields()
        return next((f for f in fields if f.key == self._chosen), fields[0] if fields else None)

    def choose(self, key: str) -> None:
        """Go to an entry, or to the nearest one there is."""
        fields = self.desk.store.fields
        exact = [f for f in fields if f.key == key]
        near = exact or [f for f in fields if f.key.startswith(key + ".") or f.key == key.replace("left.", "side.")]
        near = near or [f for f in fields if f.key.removeprefix("side.") == key.partition(".")[2]]
        if near:
            self._chosen = near[0].key
            self._filter = None
        self._line, self._error = None, ""
        self.repaint()

    def edited_elsewhere(self, key: str) -> None:
        """Follow undo and redo to where they worked."""
        if key:
            self.choose(key)
        else:
            self._line, self._error = None, ""
            self.repaint()

    # --- painting -------------------------------------------------------------------------------

    def paint(self, grid: Grid) -> None:
        """List above, details below."""
        fields = self._fields()
        chosen = self.chosen()
        details = min(DETAIL_ROWS if grid.rows < 30 else DETAIL_ROWS + 5, max(grid.rows - 6, 0))
        room = grid.rows - details - 1
        lines = _lines(fields)
        at = next((i for i, line in enumerate(lines) if chosen is not None and line == chosen), 0)
        self._top = min(max(self._top, at - room + 3), max(at - 2, 0))
        self._top = max(0, min(self._top, len(lines) - room))
        wrong = {f.key: f for f in self.desk.store.findings}
        self._rows_at = {}
        for i, line in enumerate(lines[self._top : self._top + room]):
            if isinstance(line, str):
                grid.put(i, 1, line, "head", grid.columns - 2)
            else:
                self._rows_at[i] = line.key
                self._row(grid, i, line, line is chosen, line.key in wrong or bool(line.trouble))
        if not lines:
            grid.put(1, 1, "No entry holds those words.", "faint")
        if len(lines) > room:
            share = self._top / max(1, len(lines) - room)
            grid.put(round(share * (room - 1)), grid.columns - 1, "█", "ground")
        if self._filter is not None:
            end = grid.put(room, 1, "rows that hold: ", "keycap")
            self._filter.paint(grid, room, end, min(24, grid.columns - end - 1))
        else:
            grid.fill(room, 0, grid.columns, "─", "ground")
        if chosen is not None:
            self._details(grid, room + 1, chosen)

    def _row(self, grid: Grid, row: int, field: Field, chosen: bool, wrong: bool) -> None:
        columns = grid.columns - 1
        wide = columns >= 62
        side = f" ({field.side})" if field.side in ("left", "right") else ""
        grid.put(row, 2, field.label + side, "plain", 24 if wide else 21)
        mark = "✕" if wrong else "◦" if field.measured is not None and field.measured.source == "guess" else " "
        grid.put(row, 0, mark, "bad" if wrong else "faint")
        value_end = 40 if wide else columns
        if chosen and self._line is not None:
            # in a narrow view the line takes what the name leaves, so that its first digit is seen
            begin = 26 if wide else min(23, max(len(field.label + side) + 3, columns - len(self._line.text) - 2))
            self._line.paint(grid, row, begin, (columns if wide else value_end) - begin)
            return
        m = field.measured
        if m is None:
            value = field.fallback if field.value is None else shown_entry(field)
            unset = field.value is None
            text = with_unit(value, field.unit) if unset and value not in ("left out", "") else value
            grid.put_right(row, value_end, text.replace("_", " ")[:30], "faint" if unset else "strong")
            if unset and wide:
                grid.put(row, value_end + 2, "not given: this holds" if value != "left out" else "", "faint")
        else:
            figures = with_unit(trimmed(m.at), field.unit)
            tolerance = "" if m.tol is None else f" ± {trimmed(m.tol)}"
            if wide:
                grid.put_right(row, value_end, figures, "strong")
                grid.put(row, value_end + 1, tolerance.strip(), "faint")
                grid.put(row, value_end + 10, m.source or "", "faint")
            else:
                number = trimmed(m.at)
                unit = with_unit("", field.unit)
                grid.put_right(row, value_end, f"{number}{tolerance}{unit}", "strong")
        if chosen:
            grid.put(row, 0, "▸", "strong")
            grid.dye(row, 0, columns, "chosen")

    def _details(self, grid: Grid, row: int, field: Field) -> None:
        width = grid.columns - 2
        last = grid.rows
        grid.put(row, 1, field.name, "head", width)
        grid.put_right(row, grid.columns - 1, _given(field), "faint")
        row += 1
        trouble = self._error or field.trouble or _told(self.desk.store.findings, field)
        if trouble:
            row = grid.put_words(row, 1, f"✕ {trouble}", "bad", width=width, rows=max(1, min(3, last - row)))
        row = grid.put_words(row, 1, field.how or "Free to choose.", "plain", width=width, rows=min(3, last - row))
        grid.put(row, 1, _range(field), "faint", width)
        row += 1
        for text, name in effect_rows(self.desk, field.key):
            if row >= last:
                return
            row = grid.put_words(row, 1, text, name, width=width, rows=last - row)

    def hints(self) -> list[tuple[str, str]]:
        """Keys for the last row."""
        if self._line is not None:
            return [("Enter", "takes it"), ("↓", "takes it, next row"), ("Esc", "leaves it"), ("+-", "tolerance")]
        if self._finding:
            return [("Enter", "keeps these rows"), ("Esc", "shows all")]
        return [
            ("↑↓", "row"),
            ("Enter", "change"),
            ("+ −", "nudge"),
            ("/", "find"),
            ("x", "one side"),
            ("Del", "leave out"),
        ]

    def about(self) -> list[tuple[str, str]]:
        """How to measure what is chosen."""
        field = self.chosen()
        if field is None:
            return []
        return [
            ("", "plain"),
            (field.name, "head"),
            (field.how, "plain"),
            (_range(field), "faint"),
            (f"In the file: {field.key}", "faint"),
        ]

    def mark_front(self, sketch: Sketch) -> None:
        """The chosen point as it was measured."""
        field = self.chosen()
        if field is None or not field.is_point:
            return
        stem = field.key.rpartition(".")[0]
        out, up = self.desk.store.field(f"{stem}.out_mm"), self.desk.store.field(f"{stem}.up_mm")
        if out is None or up is None or out.measured is None or up.measured is None:
            return
        sides: tuple[int, ...] = (1, -1) if field.side in ("both", "") else (1,) if field.side == "left" else (-1,)
        if field.key.startswith("part."):
            sides = _part_sides(self.desk.store.field(f"{'.'.join(field.key.split('.')[:2])}.side"))
        for sign in sides:
            # left is on the left of the picture
            sketch.mark(-sign * out.measured.at, up.measured.at, "◎", "now")

    def figures_out(self) -> list[list[str]]:
        """Every entry."""
        rows = [["key", "value", "tolerance", "unit", "from"]]
        for f in self.desk.store.fields:
            m = f.measured
            value = shown_entry(f) if m is None else f"{m.at:.9g}"
            rows.append(
                [f.key, value, "" if m is None or m.tol is None else f"{m.tol:.9g}", f.unit, m.source if m else ""]
            )
        return rows

    # --- actions --------------------------------------------------------------------------------

    def action_move(self, step: int) -> None:
        """Up or down the rows."""
        fields = self._fields()
        chosen = self.chosen()
        if chosen is None:
            return
        at = fields.index(chosen)
        self._choose_row(fields[min(max(at + step, 0), len(fields) - 1)])

    def action_move_group(self, step: int) -> None:
        """To the first row of the next heading, or of the one before."""
        fields = self._fields()
        chosen = self.chosen()
        if chosen is None:
            return
        groups = group_names(fields)
        at = min(max(groups.index(chosen.group) + step, 0), len(groups) - 1)
        self._choose_row(next(f for f in fields if f.group == groups[at]))

    def _choose_row(self, field: Field) -> None:
        self._chosen, self._error = field.key, ""
        self.desk.quiet()
        self.desk.repaint()

    def action_change(self) -> None:
        """Begin to type a value; a choice or switch goes to its next."""
        field = self.chosen()
        if field is None:
            return
        if field.kind in ("choice", "switch"):
            self.action_nudge(1)
            return
        # a guess is there to be replaced: its mark must not stay behind the new number
        self._line, self._error = TypedLine(shown_entry(field).removesuffix(" guess")), ""
        self.desk.repaint()

    def action_nudge(self, steps: int) -> None:
        """A step up or down."""
        field = self.chosen()
        if field is None:
            return
        value = nudged(field, 1 if steps > 0 else -1, large=abs(steps) > 1)
        if value is None:
            self.desk.say("That cannot be nudged further: press Enter and type it.", "warn")
            return
        self._put(field, value)

    def action_leave_out(self) -> None:
        """Take the entry out of the file."""
        field = self.chosen()
        if field is None or field.value is None:
            return
        if not field.optional:
            self.desk.say("This has to be given: it cannot be left out.", "warn")
            return
        self.desk.store.leave_out(field)
        self.desk.edited()

    def action_part_sides(self) -> None:
        """Own values left and right, or alike again."""
        field = self.chosen()
        if field is None or not field.side:
            self.desk.say("Only what each side has can differ left and right.", "faint")
            return
        try:
            if field.side == "both":
                self.desk.store.part_sides(field)
            else:
                self.desk.store.join_sides(field)
        except LeanmixError as error:
            self.desk.say_error(error)
            return
        self.choose(self._chosen)
        self.desk.edited()

    def action_find(self) -> None:
        """Begin to type words that rows must hold."""
        self._filter = TypedLine("" if self._filter is None else self._filter.text)
        self._finding = True
        self.desk.repaint()

    def _put(self, field: Field, value: Measured | float | str | bool) -> bool:
        try:
            self.desk.store.put(field, value)
        except LeanmixError as error:
            self._error = str(error)
            self.desk.repaint()
            return False
        self._line, self._error = None, ""
        self.desk.edited()
        return True

    # --- keys and mouse -------------------------------------------------------------------------

    def typed(self, event: events.Key) -> bool:
        """Keys while something is typed; a digit begins to type a number."""
        if self._line is not None:
            self._typed(event)
        elif self._finding and self._filter is not None:
            if event.key == "escape":
                self._filter, self._finding = None, False
            elif event.key in ("enter", "down", "up"):
                self._finding = False
            else:
                self._filter.key(event)
            self.desk.repaint()
        elif event.key == "escape" and self._filter is not None:
            self._filter = None
            self.desk.repaint()
        elif event.character is not None and (event.character.isdigit() or event.character == "±"):
            field = self.chosen()
            if field is None or field.kind not in ("number", "count"):
                return False
            self._line, self._error = TypedLine(""), ""
            self._line.put(event.character)
            self.desk.repaint()
        else:
            return False
        return True

    def _typed(self, event: events.Key) -> None:
        field = self.chosen()
        if self._line is None or field is None:
            return
        if event.key == "escape":
            self._line, self._error = None, ""
        elif event.key in ("enter", "down", "up"):
            try:
                value = read_entry(field, self._line.text)
                taken = self._put(field, value)
            except BadEntry as error:
                self._error = error.says
            else:
                if taken and event.key != "enter":
                    self.action_move(1 if event.key == "down" else -1)
                guess = field.measured is not None and field.measured.source == "guess"
                if taken and guess and isinstance(value, float):
                    self.desk.say(
                        "It still counts as a guess: type its source behind it, such as 15.2 calipers.", "warn"
                    )
                return
        else:
            self._line.key(event)
        self.desk.repaint()

    def typing(self) -> TypedLine | None:
        """What is being typed: a value, or what is looked for."""
        return self._line if self._line is not None else self._filter if self._finding else None

    def on_click(self, event: events.Click) -> None:
        """Choose a row; a second click on it begins to change it."""
        key = self._rows_at.get(event.y)
        if key is None:
            return
        if key == self._chosen and event.chain >= 2:
            self.action_change()
            return
        self._line, self._chosen = None, key
        self.desk.repaint()

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        """Down the rows."""
        event.stop()
        self.action_move(3)

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        """Up the rows."""
        event.stop()
        self.action_move(-3)


def _lines(fields: list[Field]) -> list[str | Field]:
    lines: list[str | Field] = []
    group = ""
    for field in fields:
        if field.group != group:
            group = field.group
            lines.append(group)
        lines.append(field)
    return lines


def _given(field: Field) -> str:
    m = field.measured
    if m is None:
        return "" if field.value is not None else "not in the file"
    return f"from {m.source}" if m.source else "origin not said"


def _told(findings: tuple[Finding, ...], field: Field) -> str:
    mine = [f for f in findings if f.key == field.key or field.key.startswith(f.key + ".")]
    return f"{mine[0].what} {mine[0].todo}" if mine else ""


def _range(field: Field) -> str:
    if field.kind in ("choice", "switch"):
        return "One of: " + ", ".join(c.replace("_", " ") for c in field.choices)
    if field.kind == "text":
        return "Free text."
    may = "; may be left out" if field.optional else ""
    return f"Possible: {trimmed(field.low)} to {with_unit(trimmed(field.high), field.unit)}{may}."


def _part_sides(side: Field | None) -> tuple[int, ...]:
    where = side.value if side is not None and side.value is not None else "both"
    return {"left": (1,), "right": (-1,), "centre": (1,)}.get(str(where), (1, -1))


def view() -> MeasureView:
    """The view."""
    return MeasureView()
