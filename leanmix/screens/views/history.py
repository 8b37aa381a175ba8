"""History: what was flashed, read and driven, and the machine files behind it; any of them can be had back."""

from __future__ import annotations

from textual import events

from leanmix.errors import LeanmixError
from leanmix.journal import DriveNote, Headline, Journal, when
from leanmix.machine import parse
from leanmix.screens.boxes import ListBox, Row, ask_in_turn
from leanmix.screens.grid import Grid
from leanmix.screens.views.base import View

__all__ = ["HistoryView", "view"]

MOST = 5000
KINDS = ("", "flash", "reading", "drive", "edit")


class HistoryView(View):
    """The journal, latest first."""

    name_of_view = "history"

    def __init__(self) -> None:
        super().__init__()
        self._rows: tuple[Headline, ...] = ()
        self._trouble = ""
        self._at = 0
        self._top = 0
        self._kind = ""
        self._first_row = 2

    def came(self) -> None:
        """Read the journal anew."""
        try:
            with Journal.open(read_only=True) as journal:
                self._rows = tuple(reversed(journal.headlines(kind=self._kind or None, last=MOST)))
            self._trouble = ""
        except LeanmixError as error:
            self._rows, self._trouble = (), str(error)
        self._at = min(self._at, max(len(self._rows) - 1, 0))

    def on_mount(self) -> None:
        """Read it."""
        self.came()

    def chosen(self) -> Headline | None:
        """The entry that keys act on."""
        return self._rows[self._at] if self._rows else None

    def paint(self, grid: Grid) -> None:
        """Entries above, the chosen one below."""
        width = grid.columns - 2
        kind = self._kind or "everything"
        grid.put(0, 1, "What happened", "head")
        grid.put(0, 16, f"latest first; showing {kind}", "faint", width - 15)
        if self._trouble:
            grid.put_words(2, 1, f"✕ {self._trouble}", "bad", width=width, rows=4)
            return
        if not self._rows:
            grid.put_words(
                2, 1, "Nothing yet. Every flash is kept here with the full machine file that made it, bench readings "
                "and drive notes too; nothing is ever removed.", "plain", width=width, rows=6,
            )  # fmt: skip
            return
        details = 8
        room = max(1, grid.rows - details - 1)
        self._top = min(max(self._top, self._at - room + 1), self._at)
        for i, head in enumerate(self._rows[self._top : self._top + room]):
            row = 1 + i
            grid.put(row, 1, when(head.at_ms), "faint", 16)
            grid.put(row, 19, head.kind, "strong", 8)
            grid.put(row, 28, head.machine, "plain", 9)
            grid.put(row, 38, head.line, "plain", max(0, width - 37))
            if self._top + i == self._at:
                grid.put(row, 0, "▸", "strong")
                grid.dye(row, 0, grid.columns - 1, "chosen")
        self._first_row = 1
        line = 1 + room
        grid.fill(line, 0, grid.columns, "─", "ground")
        self._details(grid, line + 1, width)

    def _details(self, grid: Grid, row: int, width: int) -> None:
        head = self.chosen()
        if head is None:
            return
        grid.put(row, 1, f"{head.kind} of {head.machine or 'no machine'}", "head", width)
        grid.put(row + 1, 1, when(head.at_ms), "faint", width)
        row = grid.put_words(row + 2, 1, head.line, "plain", width=width, rows=3)
        if head.board:
            grid.put(row, 1, f"board {head.board}", "faint", width)
            row += 1
        held = self.desk.store.board_hash
        if held and row < grid.rows:
            grid.put(row, 1, f"the board that is open holds the table of file {held[:8]}…: y opens it", "faint", width)

    def hints(self) -> list[tuple[str, str]]:
        """Keys for the last row."""
        return [
            ("↑↓", "entry"),
            ("Enter", "open its file"),
            ("y", "file on the board"),
            ("v", "other kind"),
            ("n", "drive note"),
        ]

    def figures_out(self) -> list[list[str]]:
        """The entries shown."""
        rows = [["when", "kind", "machine", "board", "line"]]
        return rows + [[when(h.at_ms), h.kind, h.machine, h.board, h.line] for h in self._rows]

    # --- actions --------------------------------------------------------------------------------

    def action_move(self, step: int) -> None:
        """Up or down."""
        self._at = min(max(self._at + step, 0), max(len(self._rows) - 1, 0))
        self.desk.quiet()
        self.repaint()

    def action_show_next(self) -> None:
        """Another kind of entry."""
        self._kind = KINDS[(KINDS.index(self._kind) + 1) % len(KINDS)]
        self._at = 0
        self.came()
        self.repaint()

    def action_restore(self) -> None:
        """Take the chosen entry's machine file as the present text, as one edit."""
        head = self.chosen()
        if head is None:
            return
        try:
            with Journal.open(read_only=True) as journal:
                entry = journal.entry(head.uid)
                kept = journal.file_of(entry.digest) if entry is not None and entry.digest else None
        except LeanmixError as error:
            self.desk.say_error(error)
            return
        self._offer(kept.text if kept is not None else None, when(head.at_ms))

    def action_file_on_board(self) -> None:
        """Take the file behind the open board's table."""
        held = self.desk.store.board_hash
        if not held:
            self.desk.say("No board with a table is open: see Board.", "faint")
            return
        try:
            with Journal.open(read_only=True) as journal:
                kept = journal.file_of(bytes.fromhex(held))
        except LeanmixError as error:
            self.desk.say_error(error)
            return
        if kept is None:
            self.desk.say("No file with that hash was ever kept in this journal.", "warn")
            return
        self._offer(kept.text, "on the board")

    def _offer(self, text: str | None, which: str) -> None:
        desk = self.desk
        if text is None:
            desk.say("No machine file belongs to this entry.", "faint")
            return
        if text == desk.store.text:
            desk.say("That is the file as it stands now.", "good")
            return
        rows = [
            Row("beside", "Show it beside the present one"),
            Row("take", "Take its text as the present one (undo brings back)"),
        ]

        def answered(answer: str | None) -> None:
            if answer == "beside":
                try:
                    kept = parse(text, f"file {which}")
                except LeanmixError as error:  # a journal taken in from elsewhere holds any text
                    desk.say_error(error)
                    return
                desk.compare_with(kept)
            elif answer == "take":
                desk.store.change(text, f"file of {which} brought back")
                desk.edited()

        desk.ask(ListBox(f"Machine file: {which}", rows), answered)

    def action_note_drive(self) -> None:
        """Write down what a drive was like."""
        questions = (
            ("Where did you drive?", ""), ("On what? (ice, packed snow, gravel …)", ""),
            ("Air, in °C (empty when not known):", ""), ("How often did it go over?", "0"), ("How was it, in your words?", ""),
        )  # fmt: skip
        ask_in_turn(self.desk, "Drive note", questions, self._note)

    def _note(self, answers: list[str]) -> None:
        desk = self.desk
        place, surface, air, tips, verdict = answers
        try:
            temperature = float(air.replace(",", ".").replace("−", "-").rstrip("°C ")) if air else None
            times = int(tips or 0)
        except ValueError:
            desk.say("Temperature and number of tips are numbers: not written down.", "bad")
            return
        note = DriveNote(place, surface, temperature, times, verdict)
        try:
            with Journal.open() as journal:
                journal.record_drive(note, source=desk.store.good)
        except LeanmixError as error:
            desk.say_error(error)
            return
        self.came()
        self.repaint()
        desk.say("Written down.", "good")

    def on_click(self, event: events.Click) -> None:
        """Choose an entry."""
        at = self._top + event.y - self._first_row
        if event.y >= self._first_row and 0 <= at < len(self._rows):
            self._at = at
            self.repaint()


def view() -> HistoryView:
    """The view."""
    return HistoryView()
