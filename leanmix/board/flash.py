"""Putting a proved table on a board: refuse, upload, commit, read back, compare, and say what the board now holds."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from leanmix.board.messages import Identity
from leanmix.board.session import Progress, Session
from leanmix.curve import ProvedTable
from leanmix.errors import BoardError, BoardRefused, LinkError, PortError
from leanmix.mixer import Image, Mode, image_crc32, to_us

__all__ = ["FlashResult", "flash", "go_back", "refusals"]

AGAIN_S = 6.0


@dataclass(frozen=True, slots=True)
class FlashResult:
    """What a flash or a revert came to.

    Parameters
    ----------
    outcome : str
        "stored", "already there" or "reverted".
    identity : Identity
        What the board says afterwards.
    before, after : bytes or None
        Image that ran before, and the image read back.
    seconds : float
        How long it took.
    """

    outcome: Literal["stored", "already there", "reverted"]
    identity: Identity
    before: bytes | None
    after: bytes | None
    seconds: float


def refusals(table: ProvedTable, identity: Identity) -> tuple[str, ...]:
    """Why this table must not go on this board; empty where it may.

    Parameters
    ----------
    table : ProvedTable
        Proved table.
    identity : Identity
        The board.
    """
    image = table.image
    image_format = table.data[0]
    out = []
    if identity.image_format < image_format:
        out.append(
            f"The board reads table format {identity.image_format}, the table is format {image_format}: update the board's firmware."
        )
    if len(image.outputs) > identity.outputs:
        out.append(f"The table drives {len(image.outputs)} servos, the board {identity.outputs}.")
    if len(table.data) > identity.image_bytes_max:
        out.append(f"The table has {len(table.data)} bytes, the board holds {identity.image_bytes_max}.")
    for number, output in enumerate(image.outputs, 1):
        if (
            to_us(output.cap_low_eighths) < identity.pulse_min_us
            or to_us(output.cap_high_eighths) > identity.pulse_max_us
        ):
            out.append(
                f"Output {number}'s caps leave the board's limits {identity.pulse_min_us:g} to {identity.pulse_max_us:g} µs."
            )
    return tuple(out)


def flash(session: Session, table: ProvedTable, progress: Progress | None = None) -> FlashResult:
    """Store a proved table on a board and verify it by reading it back.

    Parameters
    ----------
    session : Session
        Open conversation.
    table : ProvedTable
        A table that passed its proof.
    progress : callable, optional
        Called with (EEPROM bytes done, bytes in all).

    Raises
    ------
    BoardRefused
        When the board cannot or will not take it; it then runs what it ran before.
    LinkError, PortError
        When the line failed; the message says what the board now holds, or that it could not be asked.
    """
    started = session.clock.now()
    why_not = refusals(table, session.identity)
    if why_not:
        raise BoardRefused(" ".join(why_not), "Nothing was written.")
    if session.live().mode is not Mode.MIX:
        # an upload takes the slot of the table before; the board would then refuse to switch while it moves
        raise BoardRefused(
            "The board is jogging or searching.", "Let go, wait a second, and repeat; nothing was written."
        )
    before = session.read_image()
    try:
        wrote = session.upload(table.data, progress)
        after = session.read_image()
    except (LinkError, PortError) as error:
        after = _after_trouble(session, table.data, before, error)
        wrote = True
    if after != table.data:
        raise LinkError(
            f"{session.name}: what was read back differs from what was sent; the board runs {_held(after, before)}.",
            "Flash again.",
        )
    _remember(session, table.data, before if wrote else None)
    outcome: Literal["stored", "already there"] = "stored" if wrote else "already there"
    return FlashResult(outcome, session.identity, before, after, session.clock.now() - started)


def go_back(session: Session, progress: Progress | None = None) -> FlashResult:
    """Switch a board back to the table it held before, and verify it by reading it back.

    Raises
    ------
    BoardRefused
        When the board holds no earlier table.
    LinkError, PortError
        As for `flash`.
    """
    started = session.clock.now()
    wanted = session.read_image(previous=True)
    before = session.read_image()
    try:
        session.revert(progress)
        after = session.read_image()
    except (LinkError, PortError) as error:
        after = _after_trouble(session, wanted, before, error)
    if wanted is None or after != wanted:
        raise LinkError(
            f"{session.name}: the revert did not take; the board runs {_held(after, before)}.", "Repeat it."
        )
    _remember(session, wanted, before)
    return FlashResult("reverted", session.identity, before, after, session.clock.now() - started)


def _remember(session: Session, running: bytes, before: bytes | None) -> None:
    """Bring the session's picture of the board up to date with what was just read back: no more need be asked."""
    image = Image.decode(running)
    session.identity = replace(
        session.identity,
        running_crc=image_crc32(running),
        previous_crc=image_crc32(before) if before is not None else session.identity.previous_crc,
        machine_hash=image.machine_hash.hex(),
        machine_name=image.name,
    )


def _after_trouble(session: Session, wanted: bytes | None, before: bytes | None, error: BoardError) -> bytes | None:
    """Ask the board, over a new connection, what it holds; return that where it is what was wanted."""
    try:
        session.reopen(AGAIN_S)
        held = session.read_image()
    except BoardError as silence:
        raise type(error)(
            f"{error} The board could not be asked what it holds now: it is the table before, or the new one whole.",
            "Plug it in again, then: leanmix board identify",
        ) from silence
    if held is not None and held == wanted:
        return held
    raise type(error)(f"{error} Asked again, the board runs {_held(held, before)}.", "Flash again.") from error


def _held(held: bytes | None, before: bytes | None) -> str:
    if held is None:
        return "no table"
    return "the table it ran before" if held == before else "another table than before"
