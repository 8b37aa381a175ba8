"""The board's messages as values: requests to payloads, reply payloads to frozen results. Numbers: firmware_tables/WIRE.md.

Nothing here talks to a port. Pulses are whole 1/8 µs ("eighths").
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import IntEnum, IntFlag

from leanmix.errors import LinkError, calm

__all__ = [
    "NO_SLOT",
    "PROTOCOL",
    "BoardIdentity",
    "Counters",
    "LiveFlag",
    "LiveValues",
    "Message",
    "Mode",
    "Reply",
    "Result",
    "WriteAnswer",
    "parse_counters",
    "parse_crc",
    "parse_identity",
    "parse_live",
    "parse_reply",
    "parse_token",
    "parse_write",
    "request",
    "request_arm",
    "request_commit",
    "request_jog",
    "request_move",
    "request_read",
    "request_revert",
    "request_search_stop",
    "request_serial",
    "request_write",
]

PROTOCOL = 1
NO_SLOT = 0xFF
REPLY_BIT = 0x80
SUPPLY_ABSENT = 0xFFFF
SERIAL_BYTES = 8


class Message(IntEnum):
    """Message types."""

    IDENTIFY = 0x01
    READ = 0x02
    WRITE = 0x03
    COMMIT = 0x04
    REVERT = 0x05
    LIVE = 0x06
    JOG = 0x07
    SEARCH = 0x08
    COUNTERS = 0x09
    SERIAL = 0x0A


class Result(IntEnum):
    """Results of a request."""

    OK = 0
    SAME = 1
    BAD_IMAGE = 2
    BUSY = 3
    UNKNOWN = 4
    BAD_LENGTH = 5
    NO_IMAGE = 6
    NO_PREVIOUS = 7
    NOT_STAGED = 8
    NOT_ARMED = 9
    OUT_OF_RANGE = 10
    MOVING = 11
    STORE_BROKEN = 12
    ALREADY_SET = 13


class LiveFlag(IntFlag):
    """Flags of the live values."""

    FAILSAFE = 0x0001
    RAMPING = 0x0002
    BAD_INPUT = 0x0004
    SLEWING = 0x0008
    JOG = 0x0010
    SEARCH = 0x0020
    RETURNING = 0x0040
    ARMED = 0x0080
    BEYOND_CAPS = 0x0100
    NO_IMAGE = 0x0200
    STORING = 0x0400
    STAGED = 0x0800
    PREVIOUS = 0x1000
    AMOUNT = 0x2000


class Mode(IntEnum):
    """What drives the outputs."""

    MIX = 0
    JOG = 1
    SEARCH = 2
    RETURN = 3


def request(message: Message, sequence: int, body: bytes = b"") -> bytes:
    """Payload of a request; sequence 1..255."""
    return bytes((message, sequence)) + body


def request_read(sequence: int, *, previous: bool = False) -> bytes:
    """Ask for the running image, or the one before it."""
    return request(Message.READ, sequence, bytes((previous,)))


def request_write(sequence: int, image: bytes) -> bytes:
    """Hand over an image; it does not run until committed."""
    return request(Message.WRITE, sequence, image)


def request_commit(sequence: int, crc32: int) -> bytes:
    """Make the image written the running one."""
    return request(Message.COMMIT, sequence, struct.pack("<I", crc32))


def request_revert(sequence: int, crc32: int) -> bytes:
    """Go back to the image before, named by its CRC-32."""
    return request(Message.REVERT, sequence, struct.pack("<I", crc32))


def request_jog(sequence: int, first_eighths: int, second_eighths: int = 0) -> bytes:
    """Hold the outputs at `first_eighths` and `second_eighths` [1/8 µs] for 300 ms at most.

    0 leaves one alone, both 0 end the jog.
    """
    return request(Message.JOG, sequence, struct.pack("<HH", first_eighths, second_eighths))


def request_search_stop(sequence: int) -> bytes:
    """End the bind search."""
    return request(Message.SEARCH, sequence, b"\x00")


def request_arm(sequence: int, crc32: int) -> bytes:
    """Arm the bind search, naming the image believed to run (0 for none)."""
    return request(Message.SEARCH, sequence, struct.pack("<BI", 1, crc32))


def request_move(sequence: int, token: int, output: int, pulse_eighths: int) -> bytes:
    """Let the bind search move an output towards a pulse, `pulse_eighths` [1/8 µs], for 300 ms at most."""
    return request(Message.SEARCH, sequence, struct.pack("<BHBH", 2, token, output, pulse_eighths))


def request_serial(sequence: int, serial: bytes) -> bytes:
    """Give a board that has none its serial number."""
    if len(serial) != SERIAL_BYTES:
        raise ValueError(f"a serial number has {SERIAL_BYTES} bytes")
    return request(Message.SERIAL, sequence, serial)


@dataclass(frozen=True, slots=True)
class Reply:
    """A reply before its body is read; `result` may be a number this version does not know."""

    message: int
    sequence: int
    result: int
    body: bytes


def parse_reply(payload: bytes) -> Reply | None:
    """Split a payload; None if it is not a reply."""
    if len(payload) < 3 or not payload[0] & REPLY_BIT:
        return None
    return Reply(payload[0] & ~REPLY_BIT, payload[1], payload[2], payload[3:])


def _unpack(layout: str, body: bytes, what: str) -> tuple[int, ...]:
    """Fields at the start of a body; later protocols may append more."""
    size = struct.calcsize(layout)
    if len(body) < size:
        raise LinkError(f"The board's {what} reply has {len(body)} bytes where {size} are due.", "Try again.")
    return struct.unpack_from(layout, body)


@dataclass(frozen=True, slots=True)
class BoardIdentity:
    """What a board says of itself.

    Parameters
    ----------
    serial : bytes
        Eight bytes; empty where none was set.
    running_slot : int or None
        None while no image runs.
    running_crc32, previous_crc32 : int or None
        CRC-32 of the running image and of the one to go back to.
    reset_cause : int
        0 power, 1 reset pin, 2 brown-out, 3 watchdog.
    machine_hash, name : bytes, str
        From the running image; empty for none.
    """

    protocol: int
    version: tuple[int, int, int]
    build: int
    kind: int
    serial: bytes
    pulse_min_eighths: int
    pulse_max_eighths: int
    outputs: int
    frame_us: int
    image_format: int
    image_bytes_max: int
    slots: int
    running_slot: int | None
    running_crc32: int | None
    previous_crc32: int | None
    reset_cause: int
    machine_hash: bytes
    name: str


_IDENTITY = "<B3sIB8sHHBHBHBBBIIB16s16s"


def parse_identity(body: bytes) -> BoardIdentity:
    """Body of an identify reply; raises `LinkError` if it is too short."""
    size = struct.calcsize(_IDENTITY)
    if len(body) < size:
        raise LinkError(f"The board's identify reply has {len(body)} bytes where {size} are due.", "Try again.")
    (protocol, version, build, kind, serial, low, high, outputs, frame_us, form, image_max, slots) = (
        fields := struct.unpack_from(_IDENTITY, body)
    )[:12]
    (running, has_previous, running_crc, previous_crc, cause, machine_hash, name) = fields[12:]
    runs = running != NO_SLOT
    return BoardIdentity(
        protocol=protocol,
        version=(version[0], version[1], version[2]),
        build=build,
        kind=kind,
        serial=b"" if serial[0] == 0xFF else serial,
        pulse_min_eighths=low,
        pulse_max_eighths=high,
        outputs=outputs,
        frame_us=frame_us,
        image_format=form,
        image_bytes_max=image_max,
        slots=slots,
        running_slot=running if runs else None,
        running_crc32=running_crc if runs else None,
        previous_crc32=previous_crc if has_previous else None,
        reset_cause=cause,
        machine_hash=machine_hash if runs else b"",
        name=_line(name) if runs else "",
    )


def _line(name: bytes) -> str:
    """A name off the wire, which must not steer the terminal that shows it."""
    return calm(name.rstrip(b"\0").decode(errors="replace"), lines=False)


@dataclass(frozen=True, slots=True)
class WriteAnswer:
    """What became of an image handed over.

    Parameters
    ----------
    reason, output : int
        Why it was refused (`leanmix.mixer.Reason`; 0 = not refused) and which output, from 0.
    bytes_to_write : int
        Storage bytes that writing and committing will take; about 3.4 ms each on an ATmega328P.
    """

    reason: int
    output: int
    bytes_to_write: int


def parse_write(body: bytes) -> WriteAnswer:
    """Body of a write reply; raises `LinkError` if it is too short."""
    return WriteAnswer(*_unpack("<BBH", body, "write"))


def parse_crc(body: bytes) -> int:
    """Body of a good commit or revert reply: CRC-32 of the image that runs now; LinkError when it is not one."""
    return _unpack("<I", body, "commit")[0]


def parse_token(body: bytes) -> int:
    """Body of a good arm reply: the token to move under; LinkError when it is not one."""
    return _unpack("<H", body, "bind search")[0]


@dataclass(frozen=True, slots=True)
class LiveValues:
    """The board at one moment.

    Parameters
    ----------
    steer_eighths : int
        Accepted steering pulse of the last frame [1/8 µs]; 0 = none.
    amount_256ths : int
        Lean amount in force, 0..256.
    outputs_eighths : tuple of int
        Pulses going out [1/8 µs]; 0 = none.
    supply_mv : int or None
        Servo supply; None where the board does not measure it.
    bytes_to_write : int
        Storage bytes still to be written.
    frames : int
        Frames since start, wraps at 65536.
    """

    flags: LiveFlag
    mode: int
    bad_frames: int
    steer_eighths: int
    amount_256ths: int
    outputs_eighths: tuple[int, int]
    supply_mv: int | None
    bytes_to_write: int
    frames: int


def parse_live(body: bytes) -> LiveValues:
    """Body of a live reply; raises `LinkError` if it is too short."""
    flags, mode, bad, steer, amount, first, second, supply, left, frames = _unpack("<HBB7H", body, "live")
    supply_mv = None if supply == SUPPLY_ABSENT else supply
    return LiveValues(LiveFlag(flags), mode, bad, steer, amount, (first, second), supply_mv, left, frames)


@dataclass(frozen=True, slots=True)
class Counters:
    """Counts since the last power-up; each stops at 65535."""

    power_starts: int
    reset_pin_starts: int
    brown_out_starts: int
    watchdog_starts: int
    missed_frames: int
    rejected_pulses: int
    crc_errors: int
    frame_errors: int
    storage_writes: int


def parse_counters(body: bytes) -> Counters:
    """Body of a counters reply; raises `LinkError` if it is too short."""
    return Counters(*_unpack("<9H", body, "counters"))
