"""What the journal holds: flashes, bench readings, drive notes, edits, and the machine files behind them.

Every row is written once and never changed. What comes later refers to what came before by its `uid`:
the end of a flash to its beginning, a strike to the entry that was mistyped.
"""

from __future__ import annotations

import hashlib
import json
import math
import secrets
from collections.abc import Mapping
from dataclasses import MISSING, asdict, dataclass, fields
from datetime import UTC, datetime
from typing import Any, NamedTuple, TypeVar

from leanmix.errors import FileTrouble

__all__ = [
    "DIGEST_PREFIX",
    "FLASH_RESULTS",
    "KINDS",
    "QUANTITIES",
    "DriveNote",
    "Entry",
    "Flash",
    "Headline",
    "KeptFile",
    "Reading",
    "body_text",
    "digest_of",
    "makes_sense",
    "new_uid",
    "row_sum",
    "when",
]

KINDS = ("flash", "reading", "drive", "edit", "strike")
FLASH_RESULTS = ("begun", "verified", "already there", "reverted", "failed")

# A table image carries this many bytes of its machine file's SHA-256.
DIGEST_PREFIX = 16

QUANTITIES: Mapping[str, str] = {
    "arm_deg": "servo arm's ball over the level of its axis, + above",
    "eye_up_mm": "shock's upper eye over the board, chassis at its measured height",
    "lean_deg": "lean of the machine, + to the left",
    "stop_us": "pulse at which something ended the throw",
    "steering_us": "steering pulse from the receiver",
    "supply_V": "voltage at the servo's plug",
    "spline_teeth": "teeth by which the arm was moved on the spline, + raises its ball",
    "tilt_deg": "angle of the tilt board when the upper runner lifts",
}

# Beyond these a reading is a slip of the pen.
_MOST = {"deg": 180.0, "mm": 2000.0, "us": 3000.0, "V": 60.0, "teeth": 200.0}

# Latest time that prints as a date in every time zone; a clock beyond it is a broken clock.
AT_MS_MAX = 253_402_214_400_000


class Headline(NamedTuple):
    """One row of the list: what happened, when, to which machine and board.

    Parameters
    ----------
    number : int
        Row number in this journal; another journal's import numbers it anew.
    uid : str
        Name that stays the same through export and import.
    at_ms : int
        Time, milliseconds since 1970 UTC.
    kind : str
        One of `KINDS`, or a kind that a newer leanmix wrote.
    machine : str
        Name of the machine; may be empty.
    board : str
        Serial of the board; may be empty.
    line : str
        The entry in one line for people.
    """

    number: int
    uid: str
    at_ms: int
    kind: str
    machine: str
    board: str
    line: str


@dataclass(frozen=True, slots=True)
class Entry:
    """A whole row: the headline, the digest of its machine file, what it says, and image bytes if any."""

    head: Headline
    digest: bytes
    body: Mapping[str, Any]
    image: bytes


@dataclass(frozen=True, slots=True)
class KeptFile:
    """A machine file as it stood.

    Parameters
    ----------
    digest : bytes
        SHA-256 of the text with ``\\n`` line ends, 32 bytes.
    name : str
        Path or name under which it was read.
    machine : str
        The machine's name.
    text : str
        Full text, comments and all.
    at_ms : int
        When the journal first saw it, milliseconds since 1970 UTC.
    """

    digest: bytes
    name: str
    machine: str
    text: str
    at_ms: int


@dataclass(frozen=True, slots=True)
class Flash:
    """One attempt to change what a board holds.

    Parameters
    ----------
    uid, at_ms, machine, board
        As in `Headline`.
    digest : bytes
        SHA-256 of the machine file, 32 bytes.
    image : bytes
        The table image that was sent.
    image_sha256 : bytes
        SHA-256 of the image.
    result : str
        One of `FLASH_RESULTS`; "begun" when no end was ever written, so that only the board itself knows.
    detail : str
        Why it failed, or what else is worth knowing.
    """

    uid: str
    at_ms: int
    machine: str
    board: str
    digest: bytes
    image: bytes
    image_sha256: bytes
    result: str
    detail: str


@dataclass(frozen=True, slots=True)
class Reading:
    """One number read off the machine on the bench.

    Parameters
    ----------
    quantity : str
        One of `QUANTITIES`; its name ends with its unit.
    at : float
        What was read.
    tol : float
        Half-width of the 95 % interval of that reading, same unit.
    how : str
        Instrument: "protractor", "calipers", "phone level", …
    side : str
        "left", "right", or "" where the reading belongs to the whole machine.
    pulse_us : float or None
        Pulse to the servo at the time [µs].
    approach : str
        "longer" or "shorter": which way the pulse was going when it got there (backlash), or "".
    state : str
        "parked", "rolled", "jogged", "searched", or "".
    walk : str
        Name of the bench walk that the reading belongs to.
    note : str
        Free text.
    """

    quantity: str
    at: float
    tol: float
    how: str = ""
    side: str = ""
    pulse_us: float | None = None
    approach: str = ""
    state: str = ""
    walk: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class DriveNote:
    """What a drive was like.

    Parameters
    ----------
    place, surface : str
        Where and on what.
    temperature_C : float or None
        Air, by day's thermometer.
    tips : int
        How often the machine went over.
    verdict : str
        In the driver's words.
    log : str
        Path of the drive's log file, if one was kept.
    """

    place: str = ""
    surface: str = ""
    temperature_C: float | None = None
    tips: int = 0
    verdict: str = ""
    log: str = ""


Body = TypeVar("Body", Reading, DriveNote)


def check_body(value: Reading | DriveNote) -> dict[str, Any]:
    """The fields of a reading or note, once they are sure to come back as they went in.

    Raises
    ------
    FileTrouble
        On a number that is not finite, an unknown quantity or a negative tolerance.
    """
    body = asdict(value)
    for key, item in body.items():
        if isinstance(item, float) and not math.isfinite(item):
            raise FileTrouble(f"{key} = {item}: is not a number the journal can keep.", "Read it again.")
    if isinstance(value, Reading):
        if value.quantity not in QUANTITIES:
            raise FileTrouble(f"{value.quantity}: is not a quantity of the bench.", f"Use {', '.join(QUANTITIES)}.")
        most = _MOST[value.quantity.rpartition("_")[2]]
        if abs(value.at) > most or value.tol > most or not 0 <= (value.pulse_us or 0.0) <= _MOST["us"]:
            raise FileTrouble(f"{line_for(value)}: cannot be.", "Read it again.")
        if value.tol < 0:
            raise FileTrouble(f"tol = {value.tol:g}: a tolerance counts from 0 up.", "Give the ± of the reading.")
    return body


def from_body(kind: type[Body], body: Mapping[str, Any]) -> Body | None:
    """A reading or note from a row's body, keys of a newer leanmix left aside; None when it cannot be one.

    Rows come from other computers too, where anything may have written them.
    """
    known = {f.name: f for f in fields(kind)}
    given = {k: v for k, v in body.items() if k in known}
    if any(f.default is MISSING and k not in given for k, f in known.items()):
        return None
    if not all(_fits(str(known[k].type), v) for k, v in given.items()):
        return None
    found = kind(**given)
    try:
        check_body(found)
    except FileTrouble:
        return None
    return found


def makes_sense(kind: str, body: Mapping[str, Any]) -> bool:
    """Whether a body is one that a row of this kind can have; of kinds unknown here, any."""
    if kind == "reading":
        return from_body(Reading, body) is not None
    return kind != "drive" or from_body(DriveNote, body) is not None


def _fits(kind: str, value: object) -> bool:
    """Whether a value of JSON is what a field is due to hold."""
    if isinstance(value, bool):
        return False
    if value is None:
        return kind.endswith("None")
    if kind == "str":
        return isinstance(value, str)
    return (isinstance(value, int) and abs(value) < 1 << 80) or (kind != "int" and isinstance(value, float))


def line_for(value: Reading | DriveNote) -> str:
    """A reading or note in one line for people."""
    if isinstance(value, Reading):
        name, _, unit = value.quantity.rpartition("_")
        parts = [name.replace("_", " "), f"{value.at:g} ± {value.tol:g} {unit}"]
        if value.side:
            parts.append(value.side)
        if value.pulse_us is not None:
            parts.append(f"at {value.pulse_us:g} µs")
        return " ".join([*parts, *filter(None, (value.approach, value.state, value.how))])
    parts = [value.place, value.surface]
    if value.temperature_C is not None:
        parts.append(f"{value.temperature_C:g} °C")
    parts.append(f"{value.tips} tip{'' if value.tips == 1 else 's'}")
    return ", ".join(filter(None, [*parts, value.verdict]))


def digest_of(text: str) -> bytes:
    """SHA-256 of a machine file's text with ``\\n`` line ends, as its table images carry it."""
    return hashlib.sha256(text.replace("\r\n", "\n").encode()).digest()


def new_uid(at_ms: int) -> str:
    """A name no other entry has: time first, so that names sort as they were given."""
    return f"{at_ms:012x}{secrets.token_hex(8)}"


def body_text(body: Mapping[str, Any]) -> str:
    """A body as the one text that is stored, exported and summed."""
    return json.dumps(body, ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":"))


def row_sum(
    uid: str, at_ms: int, kind: str, machine: str, board: str, line: str, digest: bytes, body: str, image: bytes
) -> bytes:
    """Check sum of a row, so that one read from a torn file is known to be whole."""
    total = hashlib.blake2b(digest_size=16)
    for part in (uid, str(at_ms), kind, machine, board, line, body):
        raw = part.encode("utf-8", "surrogatepass")
        total.update(len(raw).to_bytes(8, "little") + raw)
    for blob in (digest, image):
        total.update(len(blob).to_bytes(8, "little") + blob)
    return total.digest()


def when(at_ms: int) -> str:
    """A row's time `at_ms` [ms since 1970, UTC] for people, in the local zone."""
    return datetime.fromtimestamp(min(max(at_ms, 0), AT_MS_MAX) / 1000, UTC).astimezone().strftime("%Y-%m-%d %H:%M")
