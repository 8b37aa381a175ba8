"""Every error that leanmix raises on purpose, and the exit status each ends a command with.

    LeanmixError                 exit 2: what, where, what to do
      MachineFileError           one or more findings in a machine file
        ManoeuvreError           the same for a manoeuvre file
      GeometryError              the parts cannot be assembled as given
      NotProved                  a table fails its proof; nothing may be flashed
      CoreMissing                the C core was not built or does not load
      ImageError                 bytes that are not a table image, or not one for this tool
      BoardError                 anything between this computer and the board
        PortError                the port: absent, busy, refused, unplugged
        LinkError                the line: silence, garbage, a board that is not ours
        BoardRefused             the board understood and said no
      FileTrouble                a file that cannot be read or written
      NoAnswer                   the model has no answer here (past a fold, no equilibrium), and says why

Lower libraries' errors are turned into these at one place each, with the cause kept (`raise … from`).
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "BoardError",
    "BoardRefused",
    "CoreMissing",
    "FileTrouble",
    "Finding",
    "GeometryError",
    "ImageError",
    "LeanmixError",
    "LinkError",
    "MachineFileError",
    "ManoeuvreError",
    "NoAnswer",
    "NotProved",
    "PortError",
    "calm",
]

# what one message shows of a file in which everything is wrong
FINDINGS_MOST = 200
KEY_MOST = 120


def calm(text: str, lines: bool = True) -> str:
    """A stranger's text that cannot steer the terminal it is shown on: what does not print becomes ``?``.

    Parameters
    ----------
    text : str
        From a file, a board or a message that quotes them.
    lines : bool
        Whether it may go over several lines.
    """
    return "".join(c if c.isprintable() or (lines and c == "\n") else "?" for c in text)


class LeanmixError(Exception):
    """An error a user can act on.

    Parameters
    ----------
    what : str
        What failed, in one sentence, naming the file, key or port concerned.
    todo : str
        What to do next, in one sentence; may be empty where `what` already says it.
    """

    exit_status = 2

    def __init__(self, what: str, todo: str = "") -> None:
        super().__init__(what if not todo else f"{what} {todo}")
        self.what = what
        self.todo = todo


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong (or odd) in a machine file.

    Parameters
    ----------
    key : str
        Dotted key, e.g. ``side.link.length_mm``.
    what : str
        The value found and what is wrong with it.
    todo : str
        The allowed range and what to do.
    line : int or None
        1-based line in the file; None where no line carries it (a missing key, a rule over several keys).
    """

    key: str
    what: str
    todo: str = ""
    line: int | None = None

    def __str__(self) -> str:
        where = f"line {self.line}: " if self.line is not None else ""
        tail = f" {self.todo}" if self.todo else ""
        return f"{where}{self.key[:KEY_MOST]}: {self.what}{tail}"


class MachineFileError(LeanmixError):
    """A machine file that cannot be used; carries every finding, not the first."""

    def __init__(self, file: str, findings: tuple[Finding, ...]) -> None:
        count = "1 thing is" if len(findings) == 1 else f"{len(findings)} things are"
        more = len(findings) - FINDINGS_MOST
        rows = [f"  {f}" for f in findings[:FINDINGS_MOST]] + ([f"  and {more} more like these."] if more > 0 else [])
        super().__init__(f"{file}: {count} wrong.\n" + "\n".join(rows))
        self.file = file
        self.findings = findings


class ManoeuvreError(MachineFileError):
    """A manoeuvre file that cannot be used; carries every finding."""


class GeometryError(LeanmixError):
    """The parts cannot be assembled as given."""


class NotProved(LeanmixError):
    """A table failed its proof."""


class CoreMissing(LeanmixError):
    """The C core is not there."""


class ImageError(LeanmixError):
    """Bytes that are not a table image this tool can use."""


class BoardError(LeanmixError):
    """Something between this computer and the board."""


class PortError(BoardError):
    """The port is absent, busy, refused or was unplugged."""


class LinkError(BoardError):
    """Silence, garbage, or something on the line that is not our board."""


class BoardRefused(BoardError):
    """The board understood and said no."""


class FileTrouble(LeanmixError):
    """A file that cannot be read or written."""


class NoAnswer(LeanmixError):
    """The model has no answer here, and says why."""
