"""The table image: what a board stores and runs, as a frozen value and as bytes. Layout: firmware_tables/TABLE.md.

Pulses are whole numbers of 1/8 µs ("eighths"), 4000..20000 (500..2500 µs).
"""

from __future__ import annotations

import ctypes
from ctypes import byref, c_uint8, c_uint16
from dataclasses import dataclass
from enum import IntEnum
from functools import lru_cache

from leanmix.errors import ImageError
from leanmix.mixer.library import KNOTS, OUTPUTS_MAX, CImageFields, core

__all__ = [
    "AMOUNT_FULL",
    "IMAGE_BYTES_MAX",
    "KIND_ANY",
    "KIND_ATMEGA328P",
    "KIND_VIRTUAL",
    "KNOTS",
    "OUTPUTS_MAX",
    "PULSE_MAX_EIGHTHS",
    "PULSE_MIN_EIGHTHS",
    "SPAN_MIN_EIGHTHS",
    "AmountInput",
    "Image",
    "OutputTable",
    "Reason",
    "check_image",
    "image_crc32",
    "to_eighths",
    "to_us",
]

PULSE_MIN_EIGHTHS = 4000
PULSE_MAX_EIGHTHS = 20000
SPAN_MIN_EIGHTHS = 400
AMOUNT_FULL = 256
IMAGE_BYTES_MAX = 212
HASH_BYTES = 16
NAME_BYTES = 16
KIND_ANY = 0
KIND_ATMEGA328P = 1
KIND_VIRTUAL = 2

_OPTION_AMOUNT = 0x01


class Reason(IntEnum):
    """Why the core refuses an image; the numbers are the core's own (``enum lm_reason``)."""

    OK = 0
    SHORT = 1
    UNKNOWN = 2
    OUTPUTS = 3
    LENGTH = 4
    CRC = 5
    KIND = 6
    OPTIONS = 7
    INPUT_RANGE = 8
    INPUT_ORDER = 9
    INPUT_SPAN = 10
    ACCEPT = 11
    AMOUNT = 12
    FRAMES = 13
    NAME = 14
    CAPS = 15
    NEUTRAL = 16
    FAILSAFE = 17
    SLEW = 18
    KNOT = 19


_WORDS = {
    Reason.SHORT: "it is cut short",
    Reason.UNKNOWN: "its format is not one this version knows",
    Reason.OUTPUTS: "it has neither one output nor two",
    Reason.LENGTH: "its length does not fit its number of outputs",
    Reason.CRC: "its checksum is wrong: bytes were damaged",
    Reason.KIND: "it was made for another kind of board",
    Reason.OPTIONS: "it asks for an option this version does not know",
    Reason.INPUT_RANGE: "a steering calibration pulse is outside 500..2500 µs",
    Reason.INPUT_ORDER: "the steering neutral is not between full right and full left",
    Reason.INPUT_SPAN: "the steering neutral is within 50 µs of full right or full left",
    Reason.ACCEPT: "the accepted steering range does not hold the calibration, or leaves 500..2500 µs",
    Reason.AMOUNT: "the lean amount's calibration is out of range",
    Reason.FRAMES: "it needs at least 2 failsafe frames and 1 ramp frame",
    Reason.NAME: "its name holds control characters",
    Reason.CAPS: "the pulse caps are out of order or outside 500..2500 µs",
    Reason.NEUTRAL: "the neutral pulse is outside the caps",
    Reason.FAILSAFE: "the failsafe pulse is outside the caps",
    Reason.SLEW: "the slew limit is zero or larger than the pulse range",
    Reason.KNOT: "a knot is outside the caps",
}


def reason_words(reason: int, output: int) -> str:
    """Say in words why the core refused an image; `output` counts from 0 and matters from `Reason.CAPS` on."""
    try:
        known = Reason(reason)
    except ValueError:
        return f"reason {reason}, which this version does not know"
    words = _WORDS.get(known, "nothing is wrong")
    return f"output {output + 1}: {words}" if known >= Reason.CAPS else words


def to_eighths(pulse_us: float) -> int:
    """A pulse `pulse_us` [µs] in the core's unit, to the nearest 1/8 µs."""
    return round(pulse_us * 8)


def to_us(pulse_eighths: float) -> float:
    """A pulse `pulse_eighths` [1/8 µs] in µs."""
    return pulse_eighths / 8


@dataclass(frozen=True, slots=True)
class OutputTable:
    """One servo output.

    Parameters
    ----------
    knots_eighths : tuple of int
        33 pulses at steering 0, 256, … 8192 (full right to full left) [1/8 µs], each within the caps.
    cap_low_eighths, cap_high_eighths : int
        Pulses this output never leaves [1/8 µs]; 4000..20000, low < high.
    neutral_eighths : int
        Pulse at start-up, and the point that the lean amount scales about [1/8 µs].
    failsafe_eighths : int
        Pulse to go to when steering is lost [1/8 µs].
    slew_eighths : int
        Largest change from one frame to the next [1/8 µs], 1..16000.
    """

    knots_eighths: tuple[int, ...]
    cap_low_eighths: int
    cap_high_eighths: int
    neutral_eighths: int
    failsafe_eighths: int
    slew_eighths: int


@dataclass(frozen=True, slots=True)
class AmountInput:
    """Calibration of the optional second input, the live lean amount.

    Parameters
    ----------
    none_eighths, full_eighths : int
        Pulse for no lean and for full lean [1/8 µs]; at least 50 µs apart, either way round.
    absent_256ths : int
        Amount while no pulse comes [1/256], 0..256.
    """

    none_eighths: int
    full_eighths: int
    absent_256ths: int = AMOUNT_FULL


@dataclass(frozen=True, slots=True)
class Image:
    """A table image.

    Parameters
    ----------
    outputs : tuple of OutputTable
        One or two.
    right_eighths, neutral_eighths, left_eighths : int
        Steering pulse at full right, neutral, full left [1/8 µs]; right may be above or below left.
    accept_min_eighths, accept_max_eighths : int
        Steering pulses outside this range count as lost [1/8 µs].
    failsafe_frames : int
        Frames without a good steering pulse before the failsafe, 2..255.
    ramp_frames : int
        Good frames over which lean rises from none to full at start-up, 1..255.
    machine_hash : bytes
        First 16 bytes of the machine file's SHA-256.
    name : str
        Machine's name, at most 16 bytes of UTF-8.
    amount : AmountInput or None
        The second input, where fitted.
    board_kind : int
        The only kind of board it is for; 0 for any.
    """

    outputs: tuple[OutputTable, ...]
    right_eighths: int
    neutral_eighths: int
    left_eighths: int
    accept_min_eighths: int
    accept_max_eighths: int
    failsafe_frames: int
    ramp_frames: int
    machine_hash: bytes
    name: str
    amount: AmountInput | None = None
    board_kind: int = KIND_ANY

    def encode(self) -> bytes:
        """Bytes of this image, laid out and judged by the core.

        Raises
        ------
        ImageError
            A value the core refuses, said in words.
        """
        return encoded(self)

    @classmethod
    def decode(cls, data: bytes, board_kind: int = KIND_ANY) -> Image:
        """Read an image from bytes.

        Raises
        ------
        ImageError
            The bytes are not an image, or not one for a board of `board_kind`.
        """
        check_image(data, board_kind)
        fields = CImageFields()
        core().lmh_decode(data, byref(fields))
        amount = None
        if fields.options & _OPTION_AMOUNT:
            amount = AmountInput(fields.amount_low, fields.amount_high, fields.amount_absent)
        return cls(
            outputs=tuple(_output(fields.output[i]) for i in range(fields.outputs)),
            right_eighths=fields.right,
            neutral_eighths=fields.neutral,
            left_eighths=fields.left,
            accept_min_eighths=fields.accept_min,
            accept_max_eighths=fields.accept_max,
            failsafe_frames=fields.failsafe_frames,
            ramp_frames=fields.ramp_frames,
            machine_hash=bytes(fields.hash),
            name=bytes(fields.name).rstrip(b"\0").decode(errors="replace"),
            amount=amount,
            board_kind=fields.board_kind,
        )


def _output(block: ctypes.Structure) -> OutputTable:
    return OutputTable(
        knots_eighths=tuple(block.knots),
        cap_low_eighths=block.pulse_min,
        cap_high_eighths=block.pulse_max,
        neutral_eighths=block.neutral,
        failsafe_eighths=block.failsafe,
        slew_eighths=block.slew,
    )


def check_image(data: bytes, board_kind: int = KIND_ANY) -> None:
    """Raise `ImageError`, saying why, unless the core takes `data` as an image for `board_kind`."""
    output = c_uint8()
    reason = core().lmh_check(data, len(data), board_kind, byref(output))
    if reason != Reason.OK:
        raise ImageError(f"The table image is not usable: {reason_words(reason, output.value)}.")


def image_crc32(data: bytes) -> int:
    """CRC-32 that an encoded image ends with; by it the board's messages name an image."""
    return int.from_bytes(data[-4:], "little")


def _small(value: int, high: int, what: str) -> int:
    """`value` if the image's field can carry it (ctypes would drop the bits above)."""
    if not 0 <= value <= high:
        raise ImageError(f"The table image is not usable: {what} is {value}; it must be within 0..{high}.")
    return value


def _pulse(value: int, what: str) -> int:
    return _small(value, 0xFFFF, f"{what} [1/8 µs]")


def _fields(image: Image) -> CImageFields:
    name = image.name.encode()
    if len(name) > NAME_BYTES:
        raise ImageError(f"The machine's name {image.name!r} is too long for the board.", "Use at most 16 bytes.")
    if b"\0" in name:
        # the core would take it for the padding behind the name
        raise ImageError(f"The table image is not usable: {_WORDS[Reason.NAME]}.")
    if len(image.machine_hash) != HASH_BYTES:
        raise ImageError(f"The machine hash has {len(image.machine_hash)} bytes; the image carries {HASH_BYTES}.")
    if len(image.outputs) not in range(1, OUTPUTS_MAX + 1):
        raise ImageError(f"The table image is not usable: {_WORDS[Reason.OUTPUTS]}.")
    fields = CImageFields(
        outputs=len(image.outputs),
        board_kind=_small(image.board_kind, 0xFF, "board kind"),
        options=_OPTION_AMOUNT if image.amount else 0,
        failsafe_frames=_small(image.failsafe_frames, 0xFF, "failsafe frames"),
        ramp_frames=_small(image.ramp_frames, 0xFF, "ramp frames"),
        right=_pulse(image.right_eighths, "full right"),
        neutral=_pulse(image.neutral_eighths, "steering neutral"),
        left=_pulse(image.left_eighths, "full left"),
        accept_min=_pulse(image.accept_min_eighths, "lowest accepted pulse"),
        accept_max=_pulse(image.accept_max_eighths, "highest accepted pulse"),
        amount_low=_pulse(image.amount.none_eighths, "no-lean pulse") if image.amount else 0,
        amount_high=_pulse(image.amount.full_eighths, "full-lean pulse") if image.amount else 0,
        amount_absent=_small(image.amount.absent_256ths if image.amount else AMOUNT_FULL, 0xFFFF, "lean amount"),
    )
    fields.hash[:] = list(image.machine_hash)
    fields.name[:] = list(name.ljust(NAME_BYTES, b"\0"))
    for number, (block, out) in enumerate(zip(fields.output, image.outputs, strict=False), 1):
        if len(out.knots_eighths) != KNOTS:
            raise ImageError(f"Output {number} has {len(out.knots_eighths)} knots; the table has {KNOTS}.")
        block.pulse_min = _pulse(out.cap_low_eighths, "low cap")
        block.pulse_max = _pulse(out.cap_high_eighths, "high cap")
        block.neutral = _pulse(out.neutral_eighths, "neutral")
        block.failsafe = _pulse(out.failsafe_eighths, "failsafe")
        block.slew = _pulse(out.slew_eighths, "slew limit")
        block.knots[:] = [_pulse(int(k), "a knot") for k in out.knots_eighths]
    return fields


@lru_cache(maxsize=256)
def encoded(image: Image) -> bytes:
    """`Image.encode`, remembered."""
    fields = _fields(image)
    data = ctypes.create_string_buffer(IMAGE_BYTES_MAX)
    length, output = c_uint16(), c_uint8()
    reason = core().lmh_encode(byref(fields), data, byref(length), byref(output))
    if reason != Reason.OK:
        raise ImageError(f"The table image is not usable: {reason_words(reason, output.value)}.")
    return data.raw[: length.value]
