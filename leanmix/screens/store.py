"""The one place that holds what is open: the machine's text with every edit, and where the steering stands.

Edits go in through `change` and the few methods over it; what is shown is worked out from here and nowhere else.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from leanmix.errors import FileTrouble, Finding, MachineFileError
from leanmix.machine import (
    MachineFile,
    Measured,
    demo,
    drop_value,
    fastener_errors,
    fastener_remarks,
    load,
    parse,
    remarks,
    save_text,
    set_value,
)
from leanmix.screens.edits import Edit, edit_between, edit_of
from leanmix.screens.fields import Field, all_fields
from leanmix.screens.readings import READINGS, Readings, readings_of
from leanmix.screens.recent import remember_file
from leanmix.screens.recovery import EditJournal, LeftBehind

__all__ = ["COARSE", "FINE", "TURN_MAX_G", "Edit", "Position", "Store"]

# steering positions stand on this grid, so that everything over steer can be worked out once
FINE = 0.005
COARSE = 0.05
TURN_MAX_G = 3.0


@dataclass(frozen=True, slots=True)
class Position:
    """Where the steering stands and how hard the machine turns.

    Attributes
    ----------
    steer : float
        −1 full right … +1 full left, on a grid of `FINE`.
    turn_g : float
        Lateral acceleration in a steady turn to the side the runners point [g], ≥ 0; 0 standing still.
    held_deg : float or None
        Arm held by hand at this throw [deg, + left], whatever the steering asks; None: the steering decides.
    """

    steer: float = 0.0
    turn_g: float = 0.0
    held_deg: float | None = None

    @property
    def leans_left(self) -> bool:
        """Whether steering, or the hand on the arm, points to the left (or nowhere)."""
        return (self.held_deg if self.held_deg is not None else self.steer) >= 0

    @property
    def lateral_g(self) -> float:
        """Lateral acceleration [g], + in a left turn."""
        return self.turn_g if self.leans_left else -self.turn_g


class Store:
    """What is open.

    Attributes
    ----------
    name : str
        What it is called: a path or ``demo:tarn``.
    path : Path or None
        Where saving goes; None for a demo or a new machine.
    text : str
        The text as it stands now.
    good : MachineFile
        The last text that made a usable machine.
    findings : tuple of Finding
        What is wrong with the text as it stands; empty where `good` is it.
    fields : tuple of Field
        Every entry of the text.
    readings : Readings or None
        Readings beside the machine, once looked at.
    position : Position
        Steering.
    board_hash : str or None
        First digits of the hash that the board's table was made from; "" where it holds none; None: not asked.
    serial : int
        Counts changes of the text, so that late results can be told from timely ones.
    opened : int
        Counts machines opened.
    """

    def __init__(self) -> None:
        self.journal = EditJournal()
        self.position = Position()
        self.board_hash: str | None = None
        self.serial = 0
        self.opened = 0
        self.path: Path | None = None
        self.good = demo("tarn")
        self.name, self.text, self.saved_text = self.good.name, self.good.text, self.good.text
        self.findings: tuple[Finding, ...] = ()
        self.fields: tuple[Field, ...] = ()
        self.readings: Readings | None = None
        self._done: list[Edit] = []
        self._undone: list[Edit] = []
        self._read()

    # --- opening and saving ---------------------------------------------------------------------

    def open(self, name: str) -> None:
        """Open a machine file or ``demo:NAME``; what was open before is given up.

        Raises
        ------
        FileTrouble, MachineFileError
            Where it cannot be read or is no machine; what was open stays.
        """
        source = load(name)
        path = None if name.startswith("demo:") else Path(name)
        self._take(source, path)
        self.journal.begin(self.name, "" if path is None else str(path.resolve()), self.text)
        if path is not None:
            remember_file(path)

    def start_from(self, text: str, name: str) -> None:
        """Begin a machine that has no file yet.

        Raises
        ------
        MachineFileError
            When the text is no machine.
        """
        self._take(parse(text, name), None)
        self.saved_text = ""
        self.journal.begin(name, "", "")
        self.journal.note({"at": 0, "old": "", "new": text, "what": "new machine", "key": ""})

    def recover(self, lost: LeftBehind) -> None:
        """Take up the edits of a program that ended without saving, undo and redo with them.

        Raises
        ------
        MachineFileError
            When not even the text it started from makes a machine.
        """
        steps = list(lost.edits)
        text = lost.text
        if not text and steps:
            text = str(steps.pop(0).get("new", ""))
        self._take(parse(text, lost.name), Path(lost.path) if lost.path else None)
        self.saved_text = lost.text
        self.journal.begin(lost.name, lost.path, lost.text)
        if text != lost.text:
            self.journal.note({"at": 0, "old": "", "new": text, "what": "new machine", "key": ""})
        for row in steps:
            if READINGS in row:
                self.readings = Readings(lost.name, None, str(row[READINGS]), str(row["saved"]), noted=True)
                self.readings.path = Path(row["path"]) if row.get("path") else None
                self.journal.note(row)
            elif "undo" in row and self._done:
                self.undo()
            elif "redo" in row and self._undone:
                self.redo()
            else:
                # an undo of what was edited before the text was saved is an edit to start with
                edit = edit_of(row)
                edit = replace(edit, old=edit.new, new=edit.old) if "undo" in row else edit
                self.journal.note(edit.row())
                self._do(edit)
        lost.discard()

    def save(self, path: Path | None = None, *, over: bool = False) -> Path:
        """Save to where it came from, or to a path, which it then belongs to.

        Raises
        ------
        FileTrouble
            When there is no path yet, another file is there already and `over` is false, or it cannot be written.
        """
        target = path or self.path
        if target is None:
            raise FileTrouble("This machine has no file yet.", "Save it under a name.")
        if not over and target.exists():
            if target != self.path:
                raise FileTrouble(f"{target}: is there already.", "Choose another name.")
            if load_text(target) not in (self.saved_text, self.text):
                raise FileTrouble(
                    f"{target}: was changed by another program since it was opened.", "Save under a name."
                )
        if self.readings is not None:
            self.readings.check(target, over=over)
        save_text(target, self.text)
        if self.readings is not None:
            self.readings.save(target)
        self.path, self.name, self.saved_text = target, str(target), self.text
        self.good = replace(self.good, name=self.name)
        self.journal.begin(self.name, str(target.resolve()), self.text)
        remember_file(target)
        return target

    def close(self) -> None:
        """Give up what is open; unsaved edits go with it."""
        self.journal.end()

    def _take(self, source: MachineFile, path: Path | None) -> None:
        self.name, self.path, self.text = source.name, path, source.text
        self.saved_text = source.text
        self.good = source
        self._done, self._undone = [], []
        self.opened += 1
        self.readings = None
        self.position = Position()
        self._read()

    # --- state ----------------------------------------------------------------------------------

    @property
    def unsaved(self) -> bool:
        """Whether the text, or that of the readings, differs from what its file holds."""
        return self.text != self.saved_text or (self.readings is not None and self.readings.unsaved)

    @property
    def usable(self) -> bool:
        """Whether the text as it stands makes a machine."""
        return not self.findings

    @property
    def on_board(self) -> bool | None:
        """Whether the board's table was made from this very text; None where no board was asked."""
        if self.board_hash is None:
            return None
        return self.usable and bool(self.board_hash) and self.good.digest.hex().startswith(self.board_hash)

    @property
    def undo_what(self) -> str:
        """What undo would take back; "" for nothing."""
        return self._done[-1].what if self._done else ""

    @property
    def redo_what(self) -> str:
        """What redo would bring back; "" for nothing."""
        return self._undone[-1].what if self._undone else ""

    @property
    def edits(self) -> int:
        """How many edits can be undone."""
        return len(self._done)

    @property
    def last_edit(self) -> Edit | None:
        """The edit made last."""
        return self._done[-1] if self._done else None

    def field(self, key: str) -> Field | None:
        """The entry under a key, or None."""
        return next((f for f in self.fields if f.key == key), None)

    def as_saved(self) -> MachineFile:
        """The machine as its file holds it.

        Raises
        ------
        MachineFileError
            When it was never saved.
        """
        return parse(self.saved_text, f"{self.name} as saved")

    def notes(self) -> tuple[Finding, ...]:
        """What is allowed but odd about the last usable machine, and how its screws fit."""
        m = self.good.machine
        return fastener_errors(m) + remarks(m) + fastener_remarks(m)

    # --- edits ----------------------------------------------------------------------------------

    def put(self, field: Field, value: Measured | float | str | bool) -> None:
        """Give an entry a value.

        Raises
        ------
        MachineFileError
            When no value can stand there.
        """
        self.change(set_value(self.text, field.key, value), field.name, field.key)

    def put_knots(self, knots: tuple[tuple[float, float], ...], what: str = "curve") -> None:
        """Give the curve its own knots."""
        self.change(set_value(self.text, "lean.knots", knots), what, "lean.knots")

    def leave_out(self, field: Field) -> None:
        """Take an entry out of the file."""
        self.change(drop_value(self.text, field.key), f"{field.name} left out", field.key)

    def part_sides(self, field: Field) -> None:
        """Give the right side its own copy of an entry that both share."""
        if field.side != "both" or not field.key.startswith("side."):
            return
        key = field.key.removeprefix("side.")
        text = self.text
        twins = [field]
        if field.is_point:  # a point is one value: both coordinates or none
            stem = field.key.rpartition(".")[0]
            twins = [f for f in self.fields if f.key.rpartition(".")[0] == stem]
        for twin in twins:
            value = twin.measured if twin.measured is not None else twin.value
            if isinstance(value, (Measured, bool, int, float, str)):
                text = set_value(text, f"right.{twin.key.removeprefix('side.')}", value)
        self.change(text, f"{field.group}: own {key.rpartition('.')[2]} on the right", f"right.{key}")

    def join_sides(self, field: Field) -> None:
        """Drop one side's own copy, so that both share again."""
        side, _, rest = field.key.partition(".")
        if side not in ("left", "right"):
            return
        key = field.key.rpartition(".")[0] if field.is_point else field.key
        self.change(drop_value(self.text, key), f"{field.group}: both sides alike again", f"side.{rest}")

    def change(self, text: str, what: str, key: str = "") -> None:
        """Make a text the present one, as one edit that can be undone."""
        if text == self.text:
            return
        edit = edit_between(self.text, text, what, key)
        self._note(edit)
        self._do(edit)

    def look_at_readings(self) -> Readings:
        """The readings beside the machine; what another program wrote there meanwhile is taken up as an edit.

        Raises
        ------
        FileTrouble, MachineFileError
            When there are some that cannot be read.
        """
        if self.readings is None:
            self.readings = readings_of(self.good, self.path)
        there = self.readings.on_disk()
        if not self.readings.unsaved and there != self.readings.saved:
            self.change_readings(there, "readings written by another program")
            self.readings.saved = there
        return self.readings

    def change_readings(self, text: str, what: str) -> None:
        """Make a text that of the readings, as one edit that can be undone."""
        readings = self.look_at_readings() if self.readings is None else self.readings
        if text == readings.text:
            return
        edit = edit_between(readings.text, text, what, "", READINGS)
        self._note(edit)
        self._do(edit)

    def _note(self, edit: Edit, how: str = "") -> None:
        readings = self.readings
        if edit.of == READINGS and readings is not None and not readings.noted:
            path = "" if readings.path is None else str(readings.path.resolve())
            self.journal.note({READINGS: readings.text, "saved": readings.saved, "path": path})
            readings.noted = True
        self.journal.note({how: 1, **edit.row()} if how else edit.row())

    def _do(self, edit: Edit) -> None:
        self._done.append(edit)
        self._undone.clear()
        self._apply(edit, edit.do)

    def _apply(self, edit: Edit, change: Callable[[str], str]) -> None:
        if edit.of == READINGS:
            if self.readings is not None:
                self.readings.text = change(self.readings.text)
        else:
            self.text = change(self.text)
            self._read()

    def undo(self) -> Edit | None:
        """Take back the last edit."""
        if not self._done:
            return None
        edit = self._done.pop()
        self._undone.append(edit)
        self._note(edit, "undo")
        self._apply(edit, edit.take_back)
        return edit

    def redo(self) -> Edit | None:
        """Bring back the last edit taken back."""
        if not self._undone:
            return None
        edit = self._undone.pop()
        self._done.append(edit)
        self._note(edit, "redo")
        self._apply(edit, edit.do)
        return edit

    def _read(self) -> None:
        self.serial += 1
        try:
            self.good = parse(self.text, self.name)
            self.findings = ()
        except MachineFileError as error:
            self.findings = error.findings
        self.fields = all_fields(_raw(self.text))

    # --- steering -------------------------------------------------------------------------------

    def steer_to(self, steer: float) -> None:
        """Put the steering somewhere; a hand on the arm lets go."""
        steps = round(min(max(steer, -1.0), 1.0) / FINE)
        self.position = Position(round(steps * FINE, 6), self.position.turn_g)

    def turn_at(self, turn_g: float) -> None:
        """Say how hard the machine turns [g], to the side it is steered."""
        self.position = replace(self.position, turn_g=round(min(max(turn_g, 0.0), TURN_MAX_G), 3))

    def hold_arm(self, throw_deg: float) -> None:
        """Hold the arm at a throw [deg, + left], beyond the caps if need be."""
        self.position = replace(self.position, held_deg=throw_deg)


def load_text(path: Path) -> str:
    """A file's text as it is now; "" where it cannot be read."""
    try:
        return path.read_bytes().decode("utf-8-sig", "replace")
    except OSError:
        return ""


def _raw(text: str) -> Mapping[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return {}
