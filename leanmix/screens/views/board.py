"""Board: find it, hold its table against this machine's, flash, revert, watch it live."""

from __future__ import annotations

import numpy as np

from leanmix.curve import TableDifference
from leanmix.errors import LeanmixError
from leanmix.machine import mostly_guessed
from leanmix.screens.boxes import AskBox, ListBox, Row
from leanmix.screens.charts import Level, Trace, bar, chart
from leanmix.screens.grid import Grid
from leanmix.screens.link import VIRTUAL, BoardState, PortsFound
from leanmix.screens.views.base import View
from leanmix.words import figure, way

__all__ = ["CAUTIONS", "BoardView", "view"]

CAUTIONS = (
    "Before the servo may move: the machine on a stand, its drive disconnected, fingers and cables clear of the "
    "linkage. A stalled servo burns, a spinning track catches, a cold lithium cell gives way. What the makers of "
    "your parts say, and your club and local rules, come first."
)


class BoardView(View):
    """One board and what it holds."""

    name_of_view = "board"

    def __init__(self) -> None:
        super().__init__()
        self._held_against: tuple[object, bytes | None, TableDifference | str | None] | None = None

    # --- painting -------------------------------------------------------------------------------

    def paint(self, grid: Grid) -> None:
        """Board above, difference and live values below."""
        state = self.desk.board
        width = grid.columns - 2
        if state.identity is None:
            self._absent(grid, state)
            return
        row = self._identity(grid, state)
        if state.busy:
            grid.put(row, 1, f"{state.busy} ", "now")
            if state.total:
                bar(grid, row, 14, max(4, width - 40), state.done / state.total, "now")
                grid.put_right(row, grid.columns - 1, f"{state.done} of {state.total} bytes", "strong")
            row += 1
        if state.lost:
            row = grid.put_words(row, 1, f"✕ {state.lost}", "bad", width=width, rows=4)
        elif state.ended:
            row = grid.put_words(row, 1, f"✓ {state.ended}", "good", width=width, rows=2)
        row = self._live(grid, row, state)
        grid.fill(row, 0, grid.columns, "─", "ground")
        self._difference(grid, row + 1)

    def _absent(self, grid: Grid, state: BoardState) -> None:
        width = grid.columns - 2
        grid.put(0, 1, "No board is open", "head")
        row = 1
        if state.busy:
            grid.put(row, 1, f"{state.busy} …", "now", width)
            row += 1
        if state.lost:
            row = grid.put_words(row, 1, f"✕ {state.lost}", "bad", width=width, rows=5)
        row = grid.put_words(
            row + 1, 1, "Enter lists the ports of this computer. Without a board at hand, choose the virtual board: "
            "the same firmware core, living in this computer; nothing can move.", "plain", width=width, rows=6,
        )  # fmt: skip
        grid.put_words(row + 1, 1, CAUTIONS, "warn", width=width, rows=grid.rows - row - 1)

    def _identity(self, grid: Grid, state: BoardState) -> int:
        i = state.identity
        if i is None:
            return 0
        width = grid.columns - 2
        place = "in this computer" if state.port == VIRTUAL else f"on {state.port}"
        grid.put(0, 1, f"{i.kind_name} {place}", "head", width)
        grid.put(
            1, 1, f"firmware {i.version}, serial {i.serial or 'none yet'}, last start: {i.reset_cause}", "faint", width
        )
        if i.running_crc is None:
            grid.put(2, 1, "holds no table: the servo gets no pulse", "warn", width)
        else:
            store = self.desk.store
            mine = store.on_board
            words = "made from this very file" if mine else "NOT made from the file as it stands"
            grid.put(
                2,
                1,
                f"{'=' if mine else '≠'} holds the table of {i.machine_name}: {words}",
                "good" if mine else "warn",
                width,
            )
        before = "no earlier table to revert to" if i.previous_crc is None else "an earlier table is there to revert to"
        grid.put(3, 1, before, "faint", width)
        return 4

    def _live(self, grid: Grid, row: int, state: BoardState) -> int:
        live = state.live
        width = grid.columns - 2
        if live is None:
            return row
        steering = "no steering pulse" if live.steering_us is None else f"steering {figure(live.steering_us, 1)} µs"
        outputs = ", ".join(f"{figure(p, 1)} µs" for p in live.outputs_us if p is not None) or "no servo pulse"
        supply = (
            "supply not measured by this board" if live.supply_V is None else f"supply {figure(live.supply_V, 2)} V"
        )
        grid.put(row, 1, "live", "now" if state.watching else "faint")
        end = grid.put(row, 6, f"{steering}   servo {outputs}", "strong", width - 6)
        grid.put(row, end + 3, supply, "faint", max(0, grid.columns - end - 3))
        flags = [_FLAG_WORDS[name] for name in _FLAG_WORDS if getattr(type(live.flags), name) & live.flags]
        grid.put(row + 1, 6, ", ".join(flags) or "mixing", "warn" if flags else "faint", width - 6)
        return row + 2

    def _difference(self, grid: Grid, row: int) -> None:
        width = grid.columns - 2
        found = self._found()
        if found is None:
            text = (
                "The board runs no table yet."
                if self.desk.board.image is None
                else "Working out this machine's table …"
            )
            grid.put(row, 1, text, "faint", width)
            return
        if isinstance(found, str):
            grid.put_words(row, 1, f"✕ {found}", "bad", width=width, rows=3)
            return
        if found.same:
            grid.put(row, 1, "✓ Byte for byte this machine's table.", "good", width)
            return
        where = f"at steer {way(100 * found.worst_steer, 0, ' %')}"
        head = f"Flashing changes at most {figure(found.worst_us, 1)} µs, {figure(found.worst_lean_deg, 2)}° of lean, {where}."
        row = grid.put_words(row, 1, head, "strong", width=width, rows=2)
        for note in found.notes:
            if row < grid.rows - 6:
                row = grid.put_words(row, 1, f"▲ {note}", "warn", width=width, rows=2)
        if grid.rows - row < 7:
            return
        chart(
            grid, row, 0, grid.columns, grid.rows - row,
            [
                Trace("new table", found.steer, found.new_lean_deg, "strong"),
                Trace("runs now", found.steer, found.old_lean_deg, "other", 3),
            ],
            x_title="steer", y_title="lean, °", turned=True, y_ways=True, x_words=("full left", "full right"),
            here=self.desk.store.position.steer, levels=[Level(0.0, "", "ground")],
        )  # fmt: skip

    def _found(self) -> TableDifference | str | None:
        """What flashing would change; worked out once for a table and an image."""
        done, image = self.desk.done, self.desk.board.image
        if done is None or done.table is None or done.job is None or image is None:
            return None
        if self._held_against is None or self._held_against[0] is not done.table or self._held_against[1] is not image:
            try:
                found: TableDifference | str | None = done.job.difference(image)
            except LeanmixError as error:
                found = str(error)
            self._held_against = (done.table, image, found)
        return self._held_against[2]

    def hints(self) -> list[tuple[str, str]]:
        """Keys for the last row."""
        if self.desk.board.identity is None:
            return [("Enter", "find a board")]
        return [
            ("g", "flash"),
            ("y", "revert"),
            ("v", "watch live"),
            ("j", "follow receiver"),
            ("Enter", "other board"),
            ("x", "let it go"),
        ]

    def about(self) -> list[tuple[str, str]]:
        """Cautions first."""
        return [("", "plain"), (CAUTIONS, "warn")]

    def figures_out(self) -> list[list[str]]:
        """What flashing would change."""
        found = self._found()
        if not isinstance(found, TableDifference):
            return []
        rows = [["steer", "lean now [deg left]", "lean new [deg left]", "pulse now [us]", "pulse new [us]"]]
        for i, steer in enumerate(found.steer):
            values = (steer, found.old_lean_deg[i], found.new_lean_deg[i], found.old_us[0, i], found.new_us[0, i])
            rows.append(["" if np.isnan(v) else f"{v:.6g}" for v in values])
        return rows

    # --- actions --------------------------------------------------------------------------------

    def action_find_board(self) -> None:
        """List the ports."""
        self.desk.ask_link("Looking for ports", "ports")

    def choose_port(self, message: PortsFound) -> None:
        """Ports were listed: choose one."""
        rows = [
            Row(p.port, f"{p.port}  {p.what}", f"USB {p.usb_serial}" if p.usb_serial else "") for p in message.ports
        ]
        rows.append(Row(VIRTUAL, "The virtual board in this computer", "nothing can move"))
        rows.append(Row("type:", "Type the name of a port …"))

        def answered(answer: str | None) -> None:
            if answer == "type:":
                self.desk.ask(AskBox("Port", "Name of the port to open:"), self._open)
            else:
                self._open(answer)

        self.desk.ask(ListBox("Which board", rows), answered)

    def _open(self, port: str | None) -> None:
        if port and port.strip():
            self.desk.ask_link(f"Opening {port.strip()}", "open", port.strip())

    def action_flash(self) -> None:
        """Put the proved table on the board, after the cautions."""
        desk = self.desk
        done, state = desk.done, desk.board
        if state.identity is None:
            desk.say("No board is open: Enter finds one.", "warn")
            return
        if (
            done is None
            or done.job is None
            or done.table is None
            or done.serial != desk.store.serial
            or desk.stale_why()
        ):
            desk.say("There is no finished table of the file as it stands.", "warn")
            return
        if not done.proved:
            desk.say("The table is not proved, so it is not flashed: see Lean and Limits.", "bad")
            return
        if state.busy:
            return
        rows = [Row("no", "Not now"), Row("yes", "All clear: store the table", ink="warn")]

        def answered(answer: str | None) -> None:
            if answer == "yes" and done.job is not None:
                desk.ask_link("Storing", "flash", done.source, done.job.proved)

        guessed = mostly_guessed(done.source.machine)
        before = f"{guessed} " if guessed else ""
        if state.port == VIRTUAL:
            says = f"{before}Nothing moves here. On a real board: {CAUTIONS}"
            desk.ask(ListBox("Flash the virtual board", rows, says, "yes"), answered)
        else:
            desk.ask(ListBox("Flash this board", rows, before + CAUTIONS), answered)

    def action_go_back(self) -> None:
        """Back to the table before, after the cautions."""
        desk = self.desk
        if desk.board.identity is None or desk.board.busy:
            desk.say("No board is open: Enter finds one.", "warn")
            return
        rows = [Row("no", "Not now"), Row("yes", "All clear: revert to the table before", ink="warn")]

        def answered(answer: str | None) -> None:
            if answer == "yes":
                desk.ask_link("Reverting", "revert")

        desk.ask(ListBox("Revert", rows, CAUTIONS), answered)

    def action_watch(self) -> None:
        """Live values ten times a second, or only now and then."""
        self.desk.watch_board(not self.desk.board.watching)

    def action_follow(self) -> None:
        """The steering position follows the receiver, or no longer."""
        self.desk.follow_receiver(not self.desk.board.following)

    def action_close_board(self) -> None:
        """Let the board go."""
        if self.desk.board.identity is not None:
            self.desk.ask_link("Closing", "close")


_FLAG_WORDS = {
    "FAILSAFE": "steering lost: at neutral", "RAMPING": "starting up", "BAD_INPUT": "bad steering pulse",
    "SLEWING": "at the slew limit", "JOG": "held by hand", "ARMED": "bind search armed", "SEARCH": "searching",
    "BEYOND_CAPS": "BEYOND ITS CAPS", "NO_IMAGE": "no table", "STORING": "storing", "RETURNING": "on the way back to mixing",
}  # fmt: skip


def view() -> BoardView:
    """The view."""
    return BoardView()
