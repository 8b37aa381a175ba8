"""What host and board say to each other; byte layouts are specified in firmware_tables/WIRE.md, protocol 1."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import IntEnum, IntFlag

from leanmix.errors import LinkError

__all__ = [
    "BODY_BYTES",
    "PROTOCOL",
    "REPLY",
    "Counters",
    "Flag",
    "Identity",
    "Live",
    "Message",
    "Mode",
    "Result",
    "decode_counters",
    "decode_identity",
    "decode_live",
]

PROTOCOL = 1
REPLY = 0x80
SUPPLY_ABSENT = 0xFFFF
NO_SLOT = 0xFF


class Message(IntEnum):
    """Type byte of a request; a reply has `REPLY` set."""

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
    """Result byte of a reply."""

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


class Flag(IntFlag):
    """Flags of a live reply."""

    FAILSAFE = 0x0001
    RAMPING = 0x0002
    BAD_INPUT = 0x0004
    SLEWING = 0x0008
    JOG = 0x0010
    ARMED = 0x0020
    SEARCH = 0x0040
    BEYOND_CAPS = 0x0080
    NO_IMAGE = 0x0100
    STORING = 0x0200
    STAGED = 0x0400
    PREVIOUS = 0x0800
    AMOUNT = 0x1000
    RETURNING = 0x2000


class Mode(IntEnum):
    """What drives the outputs."""

    MIX = 0
    JOG = 1
    SEARCH = 2
    RETURN = 3


KINDS = {1: "ATmega328P mixer board", 2: "virtual board"}
RESETS = ("power-up", "reset pin", "brown-out", "watchdog")


@dataclass(frozen=True, slots=True)
class Identity:
    """What a board says of itself.

    Parameters
    ----------
    protocol : int
        Version of the wire protocol.
    version : str
        Firmware version.
    build : int
        Firmware build number.
    kind : int
        Kind of board, see `KINDS`.
    serial : str
        Board's serial number as 16 hex digits; empty where none was ever given.
    pulse_min_us, pulse_max_us : float
        Absolute limits of any pulse [µs].
    outputs : int
        Servo outputs.
    frame_ms : float
        Time between servo pulses [ms].
    image_format, image_bytes_max, slots : int
        What images it takes.
    running_crc, previous_crc : int or None
        CRC-32 of the image that runs and of the one a revert brings back; None where there is none.
    reset_cause : str
        Why it last started.
    machine_hash : str
        First 16 bytes of the SHA-256 of the machine file that the running image was made from, as hex; empty
        where none runs.
    machine_name : str
        Name in the running image.
    """

    protocol: int
    version: str
    build: int
    kind: int
    serial: str
    pulse_min_us: float
    pulse_max_us: float
    outputs: int
    frame_ms: float
    image_format: int
    image_bytes_max: int
    slots: int
    running_crc: int | None
    previous_crc: int | None
    reset_cause: str
    machine_hash: str
    machine_name: str

    @property
    def kind_name(self) -> str:
        """Kind of board in words."""
        return KINDS.get(self.kind, f"unknown board (kind {self.kind})")


_IDENTITY = struct.Struct("<B3BIB8sHHBHBHBBBIIB16s16s")


def decode_identity(body: bytes) -> Identity:
    """Read an identify reply's body.

    Raises
    ------
    LinkError
        When the board speaks another protocol, or the body is not an identity.
    """
    if body and body[0] != PROTOCOL:
        raise LinkError(
            f"The board speaks protocol {body[0]}, this leanmix protocol {PROTOCOL}.", "Update the older of the two."
        )
    if len(body) != _IDENTITY.size:
        raise LinkError(
            f"The board's identity has {len(body)} bytes instead of {_IDENTITY.size}.",
            "Update leanmix or the board's firmware.",
        )
    (protocol, major, minor, patch, build, kind, serial, low, high, outputs, frame_us, image_format, image_max, slots,
     running, previous, running_crc, previous_crc, cause, digest, name) = _IDENTITY.unpack(body)  # fmt: skip
    runs = running != NO_SLOT
    return Identity(
        protocol=protocol,
        version=f"{major}.{minor}.{patch}",
        build=build,
        kind=kind,
        serial="" if serial[0] == 0xFF else serial.hex(),
        pulse_min_us=low / 8,
        pulse_max_us=high / 8,
        outputs=outputs,
        frame_ms=frame_us / 1000,
        image_format=image_format,
        image_bytes_max=image_max,
        slots=slots,
        running_crc=running_crc if runs else None,
        previous_crc=previous_crc if previous else None,
        reset_cause=RESETS[cause] if cause < len(RESETS) else f"cause {cause}",
        machine_hash=digest.hex() if runs else "",
        machine_name=name.rstrip(b"\0").decode("utf-8", "replace") if runs else "",
    )


@dataclass(frozen=True, slots=True)
class Live:
    """What a board is doing now.

    Parameters
    ----------
    flags : Flag
        See `Flag`.
    mode : Mode
        What drives the outputs.
    bad_frames : int
        Frames in a row without a good steering pulse.
    steering_us : float or None
        Last frame's steering pulse [µs]; None where none came.
    amount : float
        Lean amount in force, 0 to 1.
    outputs_us : tuple of float or None
        Each servo pulse [µs]; None where none is sent.
    supply_V : float or None
        Servo supply [V]; None where the board does not measure it.
    bytes_left : int
        EEPROM bytes still to be written.
    frame : int
        Frame counter, wraps at 65536.
    """

    flags: Flag
    mode: Mode
    bad_frames: int
    steering_us: float | None
    amount: float
    outputs_us: tuple[float | None, ...]
    supply_V: float | None
    bytes_left: int
    frame: int


_LIVE = struct.Struct("<HBBHHHHHHH")


def decode_live(body: bytes) -> Live:
    """Read a live reply's body.

    Raises
    ------
    LinkError
        When it is not one.
    """
    if len(body) != _LIVE.size:
        raise LinkError(
            f"A live reply has {len(body)} bytes instead of {_LIVE.size}.", "Update leanmix or the board's firmware."
        )
    flags, mode, bad, steering, amount, first, second, supply, left, frame = _LIVE.unpack(body)
    if mode not in tuple(Mode):
        raise LinkError(f"A live reply names mode {mode}.", "Update leanmix or the board's firmware.")
    return Live(
        flags=Flag(flags),
        mode=Mode(mode),
        bad_frames=bad,
        steering_us=steering / 8 if steering else None,
        amount=amount / 256,
        outputs_us=tuple(p / 8 if p else None for p in (first, second)),
        supply_V=None if supply == SUPPLY_ABSENT else supply / 1000,
        bytes_left=left,
        frame=frame,
    )


@dataclass(frozen=True, slots=True)
class Counters:
    """What a board has counted since its counters were last cleared by a power-up; each stops at 65535."""

    power_ups: int
    pin_resets: int
    brown_outs: int
    watchdog_resets: int
    missed_frames: int
    rejected_pulses: int
    crc_errors: int
    frame_errors: int
    storage_writes: int


_COUNTERS = struct.Struct("<9H")


BODY_BYTES = {Message.IDENTIFY: _IDENTITY.size, Message.LIVE: _LIVE.size, Message.COUNTERS: _COUNTERS.size}


def decode_counters(body: bytes) -> Counters:
    """Read a counters reply's body.

    Raises
    ------
    LinkError
        When it is not one.
    """
    if len(body) != _COUNTERS.size:
        raise LinkError(
            f"A counters reply has {len(body)} bytes instead of {_COUNTERS.size}.",
            "Update leanmix or the board's firmware.",
        )
    return Counters(*_COUNTERS.unpack(body))
