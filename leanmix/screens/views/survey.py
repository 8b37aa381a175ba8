"""Survey: readings between the points, solved at every one; what is open, what disagrees, what to measure next."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from textual import events

from leanmix.errors import LeanmixError
from leanmix.screens.grid import Grid
from leanmix.screens.line import TypedLine
from leanmix.screens.moved import Remeasured
from leanmix.screens.sketch import Sketch
from leanmix.screens.surveying import Entry, Surveyed, read_as, state_words, surveyed, told_of, with_line
from leanmix.screens.surveypages import advice_line, drawing_page, moved_page, points_page, reading_row
from leanmix.screens.views.base import View
from leanmix.words import count, with_unit

if TYPE_CHECKING:
    from leanmix.survey import Advice

__all__ = ["SurveyView", "view"]

PAGES = ("readings", "points", "drawing", "moved")
FORM = "Write kind, points, value, and ± a tolerance where it is not the usual one: pins J K 84.9 ± 0.2"
MORE = "Points by letter or name, left or right before them where sides differ; v shows which is which. diameter J 3 says how thick a pin is."  # fmt: skip


class SurveyView(View):
    """Readings in rows, what they come to, and what is known of the chosen one."""

    name_of_view = "survey"

    def __init__(self) -> None:
        super().__init__()
        self._at = 0  # 0 is the row to type a new reading in
        self._top = 0
        self._page = 0
        self._line: TypedLine | None = None
        self._error = ""
        self._found: Surveyed | None = None
        self._trouble = ""
        self._ask = 0
        self._advice: tuple[Advice, ...] = ()
        self._no_advice = ""
        self._advised: tuple[object, ...] = ()
        self._asking = False
        self._moved: Remeasured | str | None = None
        self._rows_at: dict[int, int] = {}
        self._opened = -1

    # --- state ----------------------------------------------------------------------------------

    def found(self) -> Surveyed | None:
        """The readings as they stand, solved; None where they cannot be read."""
        store = self.desk.store
        try:
            readings = store.look_at_readings() if store.readings is None else store.readings
        except LeanmixError as error:
            self._trouble = str(error)
            return None
        self._trouble = ""
        old = self._found
        if old is None or old.text != readings.text or old.serial != store.serial:
            self._found = surveyed(readings, store.good, store.serial)
        return self._found

    def chosen(self) -> Entry | None:
        """The reading that keys act on; None on the row for a new one."""
        found = self._found
        return found.entries[self._at - 1] if found is not None and 0 < self._at <= len(found.entries) else None

    def came(self) -> None:
        """Take up what another program, such as the photo page, wrote meanwhile; and ask what to measure next."""
        store = self.desk.store
        try:
            store.look_at_readings()
        except LeanmixError as error:
            self._trouble = str(error)
        self._ask_next()

    def edited_elsewhere(self, key: str) -> None:
        """Undo, redo, or another machine."""
        if self._opened != self.desk.store.opened:
            self._opened = self.desk.store.opened
            self._at, self._top, self._page = 0, 0, 0
        self._line, self._error = None, ""
        self._moved = None
        self._ask_next()
        self.repaint()

    def _figure(self) -> str:
        from leanmix.remeasure import FIGURES

        return tuple(FIGURES)[self._ask % len(FIGURES)]

    def _ask_next(self) -> None:
        """Have the next reading worked out aside, one question at a time, the newest at the end."""
        found = self.found()
        if self._asking or found is None or found.survey is None:
            return
        wanted = (found.text, found.serial, self._figure())
        if wanted == self._advised:
            return
        machine, survey, ask = self.desk.store.good.machine, found.survey, self._figure()
        self._asking = True

        def work() -> tuple[tuple[Advice, ...], str]:
            from leanmix.remeasure import ask_next

            try:
                return ask_next(machine, survey, ask), ""
            except LeanmixError as error:
                return (), str(error)

        def then(result: tuple[tuple[Advice, ...], str]) -> None:
            self._asking, self._advised = False, wanted
            self._advice, self._no_advice = result
            self.repaint()
            if self.display:
                self._ask_next()

        self.desk.work_aside(work, then)

    # --- painting -------------------------------------------------------------------------------

    def paint(self, grid: Grid) -> None:
        """The chosen page."""
        found = self.found()
        page = PAGES[self._page]
        width = grid.columns - 2
        title = {"readings": "Readings", "points": "Points", "drawing": "Which is which", "moved": "What moved"}[page]
        end = grid.put(0, 1, title, "head")
        if self._trouble or found is None:
            grid.put_words(1, 1, f"✕ {self._trouble}", "bad", width=width, rows=5)
            return
        name = self.desk.store.readings.name if self.desk.store.readings is not None else ""
        said = {"readings": f"{len(found.entries)}, {name}", "drawing": "left, from in front"}.get(page, "")
        room = max(0, grid.columns - end - 12)
        grid.put(0, end + 2, said if len(said) <= room else f"…{said[-room + 1 :]}", "faint", room)
        grid.put_right(0, grid.columns - 1, "v: more", "faint")
        if page == "readings":
            self._readings(grid, found)
        elif page == "points":
            points_page(grid, found, self.desk.store.good)
        elif page == "drawing":
            drawing_page(grid, self.desk.store.good, self.chosen())
        else:
            moved_page(grid, self._moved)

    def _readings(self, grid: Grid, found: Surveyed) -> None:
        width = grid.columns - 2
        roomy = grid.rows >= 26
        self._at = min(self._at, len(found.entries))
        row, last = 1, 9 if roomy else 4
        for text, ink in state_words(found):
            if row < last:
                row = grid.put_words(row, 1, text, ink, width=width, rows=min(2, last - row))
        row = advice_line(grid, row, self._figure(), self._advice, self._no_advice)
        grid.fill(row, 0, grid.columns, "─", "ground")
        row += 1
        details = 7 if roomy else 5
        room = max(2, grid.rows - row - details - 1)
        self._top = max(0, min(self._at, max(self._top, self._at - room + 1)))
        self._rows_at = {}
        for i in range(room):
            which = self._top + i
            if which > len(found.entries):
                break
            self._rows_at[row + i] = which
            self._row(grid, row + i, found.entries[which - 1] if which else None, which == self._at)
        row += room
        grid.fill(row, 0, grid.columns, "─", "ground")
        self._details(grid, row + 1)

    def _row(self, grid: Grid, row: int, entry: Entry | None, chosen: bool) -> None:
        columns = grid.columns - 1
        if entry is None:
            if self._line is not None and chosen:
                end = grid.put(row, 1, "+ ", "keycap")
                self._line.paint(grid, row, end, columns - end)
                return
            grid.put(row, 1, "+ type a reading", "keycap")
        elif chosen and self._line is not None:
            self._line.paint(grid, row, 2, columns - 2)
            return
        else:
            reading_row(grid, row, entry)
        if chosen:
            grid.put(row, 0, "▸", "strong")
            grid.dye(row, 0, columns, "chosen")

    def _details(self, grid: Grid, row: int) -> None:
        width, last = grid.columns - 2, grid.rows
        if self._error:
            row = grid.put_words(row, 1, f"✕ {self._error}", "bad", width=width, rows=min(3, last - row))
        entry = self.chosen()
        if entry is None or self._line is not None:
            from leanmix.survey import KINDS

            read = read_as(self._line.text, self.desk.store.good) if self._line is not None else ""
            if read:
                row = grid.put_words(row, 1, f"= {read}", "now", width=width, rows=min(2, last - row))
            for text, ink in ((FORM, "plain"), (f"Kinds: {', '.join(KINDS)}.", "faint"), (MORE, "faint")):
                if row < last:
                    row = grid.put_words(row, 1, text, ink, width=width, rows=last - row)
            return
        for text, ink in told_of(entry):
            if row < last:
                row = grid.put_words(row, 1, text, ink, width=width, rows=min(3, last - row))

    def mark_front(self, sketch: Sketch) -> None:
        """Letters of the chosen reading's points, where the survey has them."""
        from leanmix.survey import PLACES

        entry, found = self.chosen(), self._found
        if entry is None or entry.reading is None or found is None or found.solution is None:
            return
        letters = {p.name: p.letter for p in PLACES}
        for name in entry.reading.points:
            for p in found.solution.points:
                if p.point.place == name.place and (p.both or name.side in ("", p.point.side)):
                    sign = 1 if (name.side if p.both else p.point.side) == "right" else -1
                    # left is on the left of the picture
                    sketch.mark(sign * p.out_mm, p.up_mm, letters.get(name.place) or "◎", "now")

    def hints(self) -> list[tuple[str, str]]:
        """Keys for the last row."""
        if self._line is not None:
            return [("Enter", "takes it, next one"), ("Esc", "ends typing")]
        return [("Enter", "type"), ("n", "next one"), ("v", "points, drawing"), ("y", "into the file"), ("Tab", "ask"), ("x", "leave out"), ("Del", "remove")]  # fmt: skip

    def about(self) -> list[tuple[str, str]]:
        """Kinds of reading, and the names of points."""
        from leanmix.survey import KINDS, PLACES

        out = [("", "plain"), (FORM, "plain"), (MORE, "plain"), ("", "plain"), ("Kinds of reading", "head")]
        for name, kind in KINDS.items():
            words = kind.words.format(a="one point", b="another", c="a third")
            out.append((f"{name}\t{words}; usually ± {with_unit(f'{kind.usual_tol:g}', kind.unit)}", "plain"))
        out += [("", "plain"), ("Points", "head")]
        return out + [(f"{p.letter} {p.plain}\t{p.where}", "plain") for p in PLACES]

    def figures_out(self) -> list[list[str]]:
        """Every reading beside the rest."""
        rows = [["reading", "reads", "unit", "tolerance", "the rest say", "off by", "left out"]]
        for e in () if self._found is None else self._found.entries:
            c, r = e.checked, e.reading
            told = ["", "", "yes"] if c is None else [f"{c.others_say:.6g}", f"{c.off:.6g}", "yes" if c.aside else "no"]
            rows.append([e.words, "" if r is None else f"{r.reads:.9g}", e.unit, f"{e.tol:g}", *told])
        return rows

    # --- actions --------------------------------------------------------------------------------

    def action_move(self, step: int) -> None:
        """Up or down the readings."""
        found = self.found()
        if found is not None:
            self._page = 0
            self._at = min(max(self._at + step, 0), len(found.entries))
            self._error = ""
            self.desk.quiet()
            self.desk.repaint()

    def action_type_reading(self) -> None:
        """Type a new reading, or the chosen one anew."""
        from leanmix.survey import typed_line

        if self.found() is None:
            self.desk.say(self._trouble, "bad")
            return
        entry = self.chosen()
        if entry is not None and (entry.number < 0 or entry.reading is None):
            self.desk.say("This comes from a picture, a drawing or the machine file: change it there.", "warn")
            return
        self._page, self._error = 0, ""
        self._line = TypedLine("" if entry is None or entry.reading is None else typed_line(entry.reading))
        self._line.fresh = False
        self.desk.repaint()

    def action_type_next(self) -> None:
        """Begin the reading that would tell most; its value is still to be typed."""
        if not self._advice:
            self.desk.say(self._no_advice or "What to measure next is still being worked out.", "faint")
            return
        r = self._advice[0].reading
        self._page, self._at, self._error = 0, 0, ""
        self._line = TypedLine(f"{' '.join([r.kind, *(str(p) for p in r.points)])} ")
        self._line.fresh = False
        self.desk.repaint()

    def action_show_next(self) -> None:
        """Another page."""
        self._page = (self._page + 1) % len(PAGES)
        self.desk.repaint()

    def action_ask_other(self) -> None:
        """Ask about another figure."""
        self._ask += 1
        self._advice, self._no_advice = (), ""
        self._ask_next()
        self.desk.repaint()

    def action_remove(self) -> None:
        """Take the reading out of the readings."""
        from leanmix.survey import drop_line

        entry = self.chosen()
        if entry is None or entry.number < 0:
            self.desk.say("Choose a reading that was typed.", "faint")
            return
        self._change(drop_line(self._text(), entry.number), f"reading removed: {entry.words}")

    def action_set_aside(self) -> None:
        """Leave the reading out, or count it again."""
        from leanmix.survey import put_line

        entry = self.chosen()
        if entry is None or entry.number < 0 or entry.reading is None:
            self.desk.say("Choose a reading that was typed.", "faint")
            return
        aside = not entry.reading.aside
        what = f"reading {'left out' if aside else 'counted again'}: {entry.words}"
        self._change(put_line(self._text(), entry.number, replace(entry.reading, aside=aside)), what)

    def action_take_in(self) -> None:
        """Take the outcome into the machine file, as one edit."""
        from leanmix.survey import record

        desk, found = self.desk, self.found()
        if found is None or found.solution is None or not found.entries:
            desk.say(self._trouble or (found.trouble if found is not None else "") or "There are no readings yet.", "warn")  # fmt: skip
            return
        if not desk.store.usable:
            desk.say("The file as it stands has errors: press ! first.", "warn")
            return
        before = desk.store.good
        try:
            outcome = record(before, found.solution)
        except LeanmixError as error:
            desk.say_error(error)
            return
        if not outcome.changes:
            desk.say("The file holds all that already.", "faint")
            return
        desk.store.change(outcome.source.text, f"{count(len(outcome.changes), 'number')} from the survey")
        self._moved, self._page = None, PAGES.index("moved")
        desk.edited()
        left = f"; {len(outcome.left_out)} are still open and stay" if outcome.left_out else ""
        desk.say(f"{count(len(outcome.changes), 'number')} taken into the file as one edit{left}. u takes it back.", "good")  # fmt: skip
        self.look_what_moved(before, self._tell_moved)

    def _tell_moved(self, result: Remeasured | str) -> None:
        self._moved = result

    def _text(self) -> str:
        readings = self.desk.store.readings
        return "" if readings is None else readings.text

    def _change(self, text: str, what: str) -> None:
        self.desk.store.change_readings(text, what)
        self._error = ""
        self.desk.edited()
        self._ask_next()

    # --- keys and mouse -------------------------------------------------------------------------

    def typed(self, event: events.Key) -> bool:
        """Keys while a reading is typed."""
        if self._line is None:
            return False
        if event.key == "escape":
            self._line, self._error = None, ""
        elif event.key == "enter":
            self._enter(self._line.text)
            return True
        else:
            self._line.key(event)
        self.desk.repaint()
        return True

    def _enter(self, typed: str) -> None:
        """Take a typed reading; typing goes on after a new one, until nothing is typed."""
        entry = self.chosen()
        if not typed.strip():
            self._line = None
            self.desk.repaint()
            return
        try:
            text, words = with_line(self._text(), typed, entry, self.desk.store.good)
        except LeanmixError as error:
            self._error = str(error)
            self.desk.repaint()
            return
        self._line = TypedLine("") if entry is None else None
        self._change(text, words)
        found = self.found()
        if found is not None and entry is None:
            newest = next((e for e in reversed(found.entries) if e.number >= 0), None)
            told = " ".join(t for t, _ in told_of(newest)) if newest is not None else ""
            self.desk.say(found.trouble or told, "bad" if found.trouble else "plain")

    def typing(self) -> TypedLine | None:
        """What is being typed."""
        return self._line

    def on_click(self, event: events.Click) -> None:
        """Choose a row; a second click types it anew."""
        which = self._rows_at.get(event.y)
        if which is None or PAGES[self._page] != "readings":
            return
        again = which == self._at and event.chain >= 2
        self._at, self._line = which, None
        if again:
            self.action_type_reading()
        self.desk.repaint()

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        """Down the rows."""
        event.stop()
        self.action_move(3)

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        """Up the rows."""
        event.stop()
        self.action_move(-3)


def view() -> SurveyView:
    """The view."""
    return SurveyView()
