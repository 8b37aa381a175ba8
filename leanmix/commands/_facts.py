"""What the help, the manual page and the README all say: exit statuses, surroundings, cautions. Imports nothing heavy."""

from __future__ import annotations

__all__ = ["CAUTION", "ENVIRONMENT", "EXIT_STATUSES", "FAULT_STATUS", "FILES", "FILE_WORDS", "STREAM_WORDS"]

FAULT_STATUS = 70

EXIT_STATUSES = (
    (0, "done"),
    (1, "the answer is no: not proved, differs, something is wrong with what was looked at"),
    (2, "bad input or a refused operation, with a sentence on stderr that says what to do"),
    (FAULT_STATUS, "a fault of leanmix's own, written down in a file that it names"),
    (130, "interrupted"),
)

FILE_WORDS = "FILE is a machine file, or demo:tarn, demo:wren, demo:moss."

STREAM_WORDS = "Results go to stdout, talk to stderr, progress only to a terminal."

ENVIRONMENT = (
    ("LEANMIX_HOME", "Folder for the journal, the virtual board and what the screens remember."),
    ("LEANMIX_PORT", "Port of the board, where --port is not given."),
    ("NO_COLOR", "When set, no colour."),
)

FILES = (
    ("mine.toml", "A machine file: what was measured, how sure it is, and where from."),
    ("mine.readings.toml", "Readings for leanmix survey and leanmix photo, beside the machine file."),
)

CAUTION = (
    "Before the servo may move: machine on a stand, drive disconnected, fingers and cables clear of the linkage.\n"
    "Mind spinning tracks and cold lithium cells; what the makers of your parts and your club say comes first."
)
