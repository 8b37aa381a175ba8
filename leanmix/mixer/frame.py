"""Frames on the wire, by the C core: COBS, CRC-16/IBM-3740, 00. Specification: firmware_tables/WIRE.md."""

from __future__ import annotations

import ctypes
from ctypes import byref, c_size_t
from dataclasses import dataclass
from enum import IntEnum

from leanmix.mixer.library import core

__all__ = [
    "PAYLOAD_BYTES_MAX",
    "Frame",
    "FrameDecoder",
    "FrameResult",
    "cobs_decode",
    "cobs_encode",
    "crc16",
    "crc32",
    "encode_frame",
]

PAYLOAD_BYTES_MAX = 252


class FrameResult(IntEnum):
    """How a frame ended (``enum lm_frame_result``)."""

    DONE = 1
    CLIPPED = 2
    EMPTY = 3
    CUT = 4
    BAD_CRC = 5
    SHORT = 6
    LONG = 7


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740."""
    return int(core().lmh_crc16(data, len(data)))


def crc32(data: bytes) -> int:
    """CRC-32/ISO-HDLC."""
    return int(core().lmh_crc32(data, len(data)))


def cobs_encode(data: bytes) -> bytes:
    """COBS of `data` (at most 65535 bytes), without a delimiter."""
    if len(data) > 0xFFFF:
        raise ValueError("at most 65535 bytes")
    out = ctypes.create_string_buffer(len(data) + len(data) // 254 + 2)
    length = core().lmh_cobs(data, len(data), out)  # before .raw, which copies
    return out.raw[:length]


def cobs_decode(data: bytes) -> bytes:
    """Undo `cobs_encode`; raises ValueError for bytes that are not COBS."""
    out = ctypes.create_string_buffer(len(data) + 1)
    count = core().lmh_uncobs(data, len(data), out)
    if count < 0:
        raise ValueError("not COBS")
    return out.raw[:count]


def encode_frame(payload: bytes) -> bytes:
    """One frame, its delimiter included; raises ValueError past 252 bytes."""
    out = ctypes.create_string_buffer(PAYLOAD_BYTES_MAX + 4)
    count = core().lmh_frame(payload, len(payload), out)
    if count == 0:
        raise ValueError(f"a frame carries at most {PAYLOAD_BYTES_MAX} bytes")
    return out.raw[:count]


@dataclass(frozen=True, slots=True)
class Frame:
    """What came between two delimiters: a payload, or what was wrong with it."""

    result: FrameResult
    payload: bytes


class FrameDecoder:
    """Takes bytes as they come and gives out frames, good and bad; lone delimiters are passed over."""

    def __init__(self) -> None:
        self._buffer = ctypes.create_string_buffer(PAYLOAD_BYTES_MAX + 2)
        self._state = ctypes.create_string_buffer(core().lmh_unframe_bytes())
        core().lmh_unframe_start(self._state, self._buffer, len(self._buffer))

    def feed(self, data: bytes) -> list[Frame]:
        """Frames that end within `data`; a frame begun goes on at the next call."""
        frames = []
        used, length = c_size_t(), c_size_t()
        while data:
            result = core().lmh_unframe(self._state, data, len(data), byref(used), byref(length))
            data = data[used.value :]
            if result not in (0, FrameResult.EMPTY):
                payload = self._buffer.raw[: length.value] if result == FrameResult.DONE else b""
                frames.append(Frame(FrameResult(result), payload))
        return frames
