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
from leanmix.journal.place import home, journal_path
from leanmix.journal.store import JournalDamaged

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
    "home",
    "journal_path",
    "when",
]
