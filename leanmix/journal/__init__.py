"""What happened, kept for ever: flashes with their machine files, bench readings, drive notes.

One SQLite file in the user's data folder (``LEANMIX_HOME`` overrides). Rows are only ever added.
"""

from leanmix.journal.book import Journal
from leanmix.journal.entries import (
    DIGEST_PREFIX,
    FLASH_RESULTS,
    KINDS,
    QUANTITIES,
    DriveNote,
    Entry,
    Flash,
    Headline,
    KeptFile,
    Reading,
    when,
)
from leanmix.journal.flashing import flash_and_record, named_board, revert_and_record
from leanmix.journal.lines import TakenIn, export_lines, import_lines
from leanmix.journal.place import journal_path
from leanmix.journal.store import JournalDamaged
from leanmix.journal.torn import Torn, mend, read_torn

__all__ = [
    "DIGEST_PREFIX",
    "FLASH_RESULTS",
    "KINDS",
    "QUANTITIES",
    "DriveNote",
    "Entry",
    "Flash",
    "Headline",
    "Journal",
    "JournalDamaged",
    "KeptFile",
    "Reading",
    "TakenIn",
    "Torn",
    "export_lines",
    "flash_and_record",
    "import_lines",
    "journal_path",
    "mend",
    "named_board",
    "read_torn",
    "revert_and_record",
    "when",
]
