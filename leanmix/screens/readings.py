"""The readings beside the machine that is open: a second text, edited, undone, kept against a crash and saved with it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from leanmix.errors import FileTrouble
from leanmix.machine import MachineFile, save_text

if TYPE_CHECKING:
    from leanmix.survey import ReadingsFile

__all__ = ["READINGS", "Readings", "readings_of"]

READINGS = "readings"


@dataclass(slots=True)
class Readings:
    """Readings as they stand now.

    Attributes
    ----------
    name : str
        Where they lie, or that they are made up.
    path : Path or None
        Their file; None for a machine without one.
    text, saved : str
        Text now, and as the file holds it.
    noted : bool
        Whether the journal of edits holds the text that edits of it start from.
    """

    name: str
    path: Path | None
    text: str
    saved: str
    noted: bool = False

    @property
    def unsaved(self) -> bool:
        """Whether the text differs from what its file holds."""
        return self.text != self.saved

    def read(self, source: MachineFile) -> ReadingsFile:
        """What the text says.

        Raises
        ------
        MachineFileError
            With every finding and its line.
        """
        from leanmix.survey import parse_readings

        return parse_readings(self.text, source.machine, self.name)

    def on_disk(self) -> str:
        """The file's text now; as last known where it cannot be read."""
        if self.path is None:
            return self.saved
        try:
            return self.path.read_bytes().decode("utf-8-sig")
        except (OSError, UnicodeDecodeError):
            return self.saved

    def check(self, machine_path: Path, *, over: bool) -> None:
        """Whether they can be saved beside a machine file.

        Raises
        ------
        FileTrouble
            When something is there that saving would destroy, and `over` is false.
        """
        target = _beside(machine_path)
        if over or not self.wanted(target) or not target.exists():
            return
        if target != self.path:
            raise FileTrouble(f"{target}: is there already.", "Choose another name.")
        if self.on_disk() not in (self.saved, self.text):
            raise FileTrouble(f"{target}: was changed by another program since it was opened.", "Save under a name.")

    def wanted(self, target: Path) -> bool:
        """Whether there is something to write: edits, or the builder's own readings under another name."""
        return self.unsaved or (self.path is not None and target != self.path)

    def save(self, machine_path: Path) -> None:
        """Write them beside a machine file, which they then belong to.

        Raises
        ------
        FileTrouble
            When they cannot be written.
        """
        target = _beside(machine_path)
        if self.wanted(target):
            save_text(target, self.text)
        self.path, self.name, self.saved, self.noted = target, str(target), self.text, False


def _beside(machine_path: Path) -> Path:
    from leanmix.survey import readings_path

    return readings_path(machine_path)


def readings_of(source: MachineFile, path: Path | None) -> Readings:
    """The readings beside a machine file, made-up ones of a demo machine, or none yet.

    Raises
    ------
    FileTrouble, MachineFileError
        When there are some that cannot be read.
    """
    from leanmix.survey import MADE_UP, add_lines, blank_readings, load_readings, made_up_readings

    blank = blank_readings(source.machine)
    if path is not None:
        beside = _beside(path)
        text = load_readings(beside, source.machine).text if beside.exists() else blank
        return Readings(str(beside), beside, text, text)
    if source.name.startswith("demo:"):
        # as calipers show them
        made_up = (replace(r, reads=round(r.reads, 2)) for r in made_up_readings(source.machine, 1).readings)
        text = add_lines(blank, made_up)
        return Readings(MADE_UP, None, text, text)
    return Readings("readings not saved yet", None, blank, blank)
