"""Flashing as the journal sees it: a row before anything is sent, and its end when the board has answered."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from typing import TYPE_CHECKING

from leanmix.errors import BoardError, BoardRefused
from leanmix.journal.book import Journal

if TYPE_CHECKING:
    from leanmix.board import FlashResult, Progress, Session
    from leanmix.curve import ProvedTable
    from leanmix.machine import MachineFile

__all__ = ["flash_and_record", "named_board", "revert_and_record"]


def named_board(session: Session) -> str:
    """The board's serial number as 16 hex digits; a board that has none is given one.

    Raises
    ------
    BoardError
        When the board cannot be given one.
    """
    if not session.identity.serial:
        # the first byte FF would mean "none"
        session.set_serial(bytes([secrets.randbelow(0xFF)]) + secrets.token_bytes(7))
    return session.identity.serial


def flash_and_record(
    session: Session, journal: Journal, source: MachineFile, table: ProvedTable, progress: Progress | None = None
) -> FlashResult:
    """Flash a proved table and keep in the journal what was sent, to which board, from which file, and how it ended.

    Parameters
    ----------
    session : Session
        Open conversation.
    journal : Journal
        Open journal.
    source : MachineFile
        The file that the table was made from.
    table : ProvedTable
        The table.
    progress : callable, optional
        As for `flash`.

    Raises
    ------
    BoardError
        As for `flash`; the journal then holds the failure too.
    """
    from leanmix.board import flash

    board = named_board(session)
    uid = journal.begin_flash(source, table.data, board)
    return _ended(journal, uid, lambda: flash(session, table, progress))


def revert_and_record(session: Session, journal: Journal, progress: Progress | None = None) -> FlashResult:
    """Switch a board back to its table before, and keep that in the journal.

    Raises
    ------
    BoardRefused
        When the board holds no earlier table.
    BoardError
        As for `go_back`.
    """
    from leanmix.board import go_back
    from leanmix.mixer import Image

    image = session.read_image(previous=True)
    if image is None:
        raise BoardRefused("The board holds no earlier table to revert to.", "Flash the table you want instead.")
    board = named_board(session)
    held = Image.decode(image)
    uid = journal.begin_revert(held.name, held.machine_hash, image, board)
    return _ended(journal, uid, lambda: go_back(session, progress))


def _ended(journal: Journal, uid: str, work: Callable[[], FlashResult]) -> FlashResult:
    try:
        result = work()
    except BoardError as error:
        journal.end_flash(uid, "failed", str(error))
        raise
    journal.end_flash(uid, "verified" if result.outcome == "stored" else result.outcome)
    return result
