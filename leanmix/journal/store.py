"""The journal's SQLite file: opening, migrations, appending rows, and one place where SQLite's errors are mapped.

Rollback journal, not write-ahead log: one file that can be copied as it lies, and that opens in a folder where
nothing may be written. `synchronous = EXTRA` makes a commit's return mean that it is on the disk, the folder's
entry too.
"""

from __future__ import annotations

import contextlib
import functools
import itertools
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from pathlib import Path

from leanmix.errors import FileTrouble
from leanmix.journal.entries import Headline, row_sum

__all__ = [
    "APPLICATION_ID",
    "MIGRATIONS",
    "JournalDamaged",
    "append",
    "damaged",
    "keep_file",
    "mapped",
    "open_file",
    "writing",
]

APPLICATION_ID = 0x4C4D4A31
BUSY_S = 10.0

# Step n brings a file of layout n to layout n + 1; a step, once released, never changes.
MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        "CREATE TABLE machine_file (number INTEGER PRIMARY KEY, digest BLOB NOT NULL UNIQUE, name TEXT NOT NULL,"
        " machine TEXT NOT NULL, at_ms INTEGER NOT NULL, text TEXT NOT NULL)",
        "CREATE TABLE entry (number INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, at_ms INTEGER NOT NULL,"
        " kind TEXT NOT NULL, machine TEXT NOT NULL, board TEXT NOT NULL, line TEXT NOT NULL, digest BLOB NOT NULL,"
        " body TEXT NOT NULL, image BLOB NOT NULL, sum BLOB NOT NULL)",
        # covers the list, so that listing ten years never touches bodies and images
        "CREATE INDEX entry_list ON entry (at_ms, number, uid, kind, machine, board, line)",
        "CREATE INDEX entry_digest ON entry (digest, kind)",
    ),
)

_DAMAGE = ("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_FORMAT")
_NO_ROOM = ("SQLITE_FULL", "SQLITE_IOERR")
_BUSY = ("SQLITE_BUSY", "SQLITE_LOCKED")
_REFUSED = ("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM", "SQLITE_AUTH")


class JournalDamaged(FileTrouble):
    """The journal's file is torn; what can be read of it still can be."""


def damaged(path: Path, why: str) -> JournalDamaged:
    """The error for a torn file, with what to do."""
    return JournalDamaged(
        f"{path}: the journal is damaged ({why}).",
        "Run: leanmix journal mend. It writes what can still be read to a new file and keeps this one beside it.",
    )


@contextlib.contextmanager
def mapped(path: Path) -> Iterator[None]:
    """Turn SQLite's and the system's errors into sentences; the cause is kept.

    Raises
    ------
    JournalDamaged
        When the file is torn or is no journal.
    FileTrouble
        For everything else: no room, refused, held by another program.
    """
    try:
        yield
    except sqlite3.Error as error:
        name = getattr(error, "sqlite_errorname", "") or ""
        if name.startswith(_DAMAGE) or "decode to UTF-8" in str(error):
            raise damaged(path, str(error)) from error
        if name.startswith(_BUSY):
            raise FileTrouble(
                f"{path}: another program has held the journal for {BUSY_S:g} s.", "End it, then try again."
            ) from error
        if name.startswith(_NO_ROOM):
            raise FileTrouble(
                f"{path}: the journal could not be written ({error}); what it held before is kept.",
                "Free some room on the disk, then try again.",
            ) from error
        if name.startswith(_REFUSED):
            raise FileTrouble(
                f"{path}: the journal may not be written here ({error}).",
                "Check the folder's permissions, or set LEANMIX_HOME to a folder of your own.",
            ) from error
        raise FileTrouble(f"{path}: the journal refused ({error}).", "Run: leanmix journal check.") from error
    except OSError as error:
        raise FileTrouble(
            f"{error.filename or path}: {error.strerror or error}.",
            "Check the folder's permissions and room, or set LEANMIX_HOME to a folder of your own.",
        ) from error


def open_file(path: Path, *, read_only: bool) -> sqlite3.Connection:
    """Connect to the journal's file; make it, or bring it to the present layout, unless read only.

    Read only, a file that does not exist is an empty journal, and one whose folder bars the roll-back of a
    writer killed half way is read from a copy.

    Raises
    ------
    JournalDamaged, FileTrouble
        See `mapped`; also for a file of another program or of a newer leanmix.
    """
    with mapped(path):
        if read_only:
            return _open_to_read(path)
        path.parent.mkdir(parents=True, exist_ok=True)
        link = _connect(path.absolute().as_uri())
        try:
            if _layout(link, path) < len(MIGRATIONS):
                _migrate(link, path)
        except BaseException:
            link.close()
            raise
        return link


def _open_to_read(path: Path) -> sqlite3.Connection:
    if not path.exists():
        link = _connect(":memory:")
        _migrate(link, path)
        return link
    try:
        link = _connect(path.absolute().as_uri() + "?mode=ro")
        if _layout(link, path) == len(MIGRATIONS):
            return link
        link.close()
    except sqlite3.OperationalError as error:
        if not getattr(error, "sqlite_errorname", "").startswith(_REFUSED):
            raise
    # an older layout, or a writer was killed half way and rolling back is barred here: a copy may be changed
    link = _copy(path)
    if _layout(link, path) < len(MIGRATIONS):
        _migrate(link, path)
    return link


def _connect(uri: str) -> sqlite3.Connection:
    link = sqlite3.connect(uri, timeout=BUSY_S, isolation_level=None, uri=uri.startswith("file:"))
    try:
        link.execute("PRAGMA trusted_schema = OFF")
        link.execute("PRAGMA synchronous = EXTRA")
    except BaseException:
        link.close()
        raise
    return link


def _copy(path: Path) -> sqlite3.Connection:
    link = _connect(":memory:")
    with tempfile.TemporaryDirectory(prefix="leanmix-journal-") as folder:
        spare = Path(folder) / path.name
        shutil.copyfile(path, spare)
        hot = path.with_name(path.name + "-journal")
        if hot.exists():
            shutil.copyfile(hot, spare.with_name(hot.name))
        source = _connect(spare.as_uri())
        try:
            source.backup(link)
        finally:
            source.close()
    return link


Made = frozenset[tuple[str, str, str, str | None]]


def _made(link: sqlite3.Connection) -> Made:
    return frozenset(link.execute("SELECT type, name, tbl_name, sql FROM sqlite_master"))


@functools.cache
def _due(steps: tuple[tuple[str, ...], ...]) -> Made:
    """Everything that a journal of these layouts is made of, statement for statement."""
    link = sqlite3.connect(":memory:", isolation_level=None)
    try:
        for statement in itertools.chain.from_iterable(steps):
            link.execute(statement)
        return _made(link)
    finally:
        link.close()


def _layout(link: sqlite3.Connection, path: Path) -> int:
    """Layout of the file, 0 for a new one; refuses what is not ours, changed by others, or newer than this release.

    A trigger, view or virtual table in a stranger's file would be run by our own statements, so everything in it
    must be as leanmix makes it, to the letter.
    """
    (layout,) = link.execute("PRAGMA user_version").fetchone()
    (owner,) = link.execute("PRAGMA application_id").fetchone()
    (tables,) = link.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if owner != APPLICATION_ID and (owner or layout or tables):
        raise FileTrouble(f"{path}: is not a leanmix journal.", "Move it away, or set LEANMIX_HOME to another folder.")
    if layout > len(MIGRATIONS):
        raise FileTrouble(
            f"{path}: layout {layout} is newer than this leanmix reads ({len(MIGRATIONS)}).",
            "Update leanmix, or use the release that wrote it.",
        )
    if tables and _made(link) != _due(MIGRATIONS[:layout]):
        raise damaged(path, "something in it was not made by leanmix")
    return int(layout)


def _migrate(link: sqlite3.Connection, path: Path) -> None:
    with writing(link):
        for step in range(_layout(link, path), len(MIGRATIONS)):  # asked again: another program may have done it
            for statement in MIGRATIONS[step]:
                link.execute(statement)
            link.execute(f"PRAGMA user_version = {step + 1}")
        link.execute(f"PRAGMA application_id = {APPLICATION_ID}")


@contextlib.contextmanager
def writing(link: sqlite3.Connection) -> Iterator[None]:
    """One transaction that takes the write lock at once: two writers wait, they never deadlock."""
    link.execute("BEGIN IMMEDIATE")
    try:
        yield
        link.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):
            link.execute("ROLLBACK")
        raise


def append(
    link: sqlite3.Connection,
    head: Headline,
    *,
    digest: bytes = b"",
    body: str = "{}",
    image: bytes = b"",
) -> bool:
    """Add one row inside a `writing` block, unless its uid is there; the head's number is ignored.

    Returns
    -------
    bool
        Whether it was new.
    """
    _, uid, at_ms, kind, machine, board, line = head
    total = row_sum(uid, at_ms, kind, machine, board, line, digest, body, image)
    done = link.execute(
        "INSERT INTO entry (uid, at_ms, kind, machine, board, line, digest, body, image, sum)"
        " VALUES (?,?,?,?,?,?,?,?,?,?) ON CONFLICT (uid) DO NOTHING",
        (uid, at_ms, kind, machine, board, line, digest, body, image, total),
    )
    return done.rowcount == 1


def keep_file(link: sqlite3.Connection, digest: bytes, name: str, machine: str, text: str, at_ms: int) -> bool:
    """Add a machine file inside a `writing` block, unless its digest is there; whether it was new."""
    done = link.execute(
        "INSERT INTO machine_file (digest, name, machine, at_ms, text) VALUES (?,?,?,?,?)"
        " ON CONFLICT (digest) DO NOTHING",
        (digest, name, machine, at_ms, text),
    )
    return done.rowcount == 1
