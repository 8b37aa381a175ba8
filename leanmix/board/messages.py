"""A board's identity and live values in people's units; bytes and numbers are `leanmix.mixer.wire`'s business."""

from __future__ import annotations

from dataclasses import dataclass

from leanmix.errors import LinkError
from leanmix.mixer import PROTOCOL, LiveFlag, Mode, parse_identity, parse_live, to_us

__all__ = ["Identity", "Live", "read_identity", "read_live"]

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


def read_identity(body: bytes) -> Identity:
    """Read an identify reply's body.

    Raises
    ------
    LinkError
        When the board speaks another protocol, or the body is too short.
    """
    if body and body[0] != PROTOCOL:
        raise LinkError(
            f"The board speaks protocol {body[0]}, this leanmix protocol {PROTOCOL}.", "Update the older of the two."
        )
    raw = parse_identity(body)
    return Identity(
        protocol=raw.protocol,
        version=".".join(map(str, raw.version)),
        build=raw.build,
        kind=raw.kind,
        serial=raw.serial.hex(),
        pulse_min_us=to_us(raw.pulse_min_eighths),
        pulse_max_us=to_us(raw.pulse_max_eighths),
        outputs=raw.outputs,
        frame_ms=raw.frame_us / 1000,
        image_format=raw.image_format,
        image_bytes_max=raw.image_bytes_max,
        slots=raw.slots,
        running_crc=raw.running_crc32,
        previous_crc=raw.previous_crc32,
        reset_cause=RESETS[raw.reset_cause] if raw.reset_cause < len(RESETS) else f"cause {raw.reset_cause}",
        machine_hash=raw.machine_hash.hex(),
        machine_name=raw.name,
    )


@dataclass(frozen=True, slots=True)
class Live:
    """What a board is doing now.

    Parameters
    ----------
    flags : LiveFlag
        See `leanmix.mixer.LiveFlag`.
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

    flags: LiveFlag
    mode: Mode
    bad_frames: int
    steering_us: float | None
    amount: float
    outputs_us: tuple[float | None, ...]
    supply_V: float | None
    bytes_left: int
    frame: int


def read_live(body: bytes) -> Live:
    """Read a live reply's body.

    Raises
    ------
    LinkError
        When it is not one.
    """
    raw = parse_live(body)
    if raw.mode not in tuple(Mode):
        raise LinkError(f"A live reply names mode {raw.mode}.", "Update leanmix or the board's firmware.")
    return Live(
        flags=raw.flags,
        mode=Mode(raw.mode),
        bad_frames=raw.bad_frames,
        steering_us=to_us(raw.steer_eighths) if raw.steer_eighths else None,
        amount=raw.amount_256ths / 256,
        outputs_us=tuple(to_us(p) if p else None for p in raw.outputs_eighths),
        supply_V=None if raw.supply_mv is None else raw.supply_mv / 1000,
        bytes_left=raw.bytes_to_write,
        frame=raw.frames,
    )
