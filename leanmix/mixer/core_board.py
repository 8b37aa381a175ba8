"""A whole board in memory: the portable C core that the real board runs, over a byte array and simulated time."""

from __future__ import annotations

import ctypes
from ctypes import byref, c_size_t
from enum import IntEnum

from leanmix.mixer.image import IMAGE_BYTES_MAX, KIND_VIRTUAL, Image
from leanmix.mixer.library import core

__all__ = ["FRAME_MS", "STORAGE_BYTES", "BoardCore", "ResetCause", "Tear"]

FRAME_MS = 20
STORAGE_BYTES = 512
_NO_SLOT = 0xFF
_REPLY_ROOM = 4096


class Tear(IntEnum):
    """What a storage byte holds after the power failed while it was being written."""

    NONE = 0
    ONES = 1
    RANDOM = 2
    AND = 3
    OR = 4


class ResetCause(IntEnum):
    """Why the board started (``enum lm_reset``)."""

    POWER = 0
    EXTERNAL = 1
    BROWN_OUT = 2
    WATCHDOG = 3


class BoardCore:
    """The board's core with its storage in memory.

    Parameters
    ----------
    storage : bytes, optional
        512 bytes to start from; blank (all FF) by default.
    kind : int
        Board kind it answers to.
    build : int
        Build number it reports, 32 bits.
    version : tuple of int
        Firmware version it reports.
    write_us : int
        How long one storage byte takes [µs]; 0 writes at once. An ATmega328P takes 3400.
    """

    def __init__(
        self,
        storage: bytes | None = None,
        *,
        kind: int = KIND_VIRTUAL,
        build: int = 0,
        version: tuple[int, int, int] = (1, 0, 0),
        write_us: int = 0,
    ) -> None:
        data = b"\xff" * STORAGE_BYTES if storage is None else storage
        if len(data) != STORAGE_BYTES:
            raise ValueError(f"storage has {STORAGE_BYTES} bytes")
        self._board = ctypes.create_string_buffer(core().lmh_board_bytes())
        core().lmh_board_make(self._board, data, kind, build, bytes(version), write_us)

    def feed(self, data: bytes) -> bytes:
        """Give the board bytes from the wire; what it sends meanwhile comes back. A dead board sends nothing."""
        out = ctypes.create_string_buffer(_REPLY_ROOM)
        used = c_size_t()
        sent = b""
        while True:
            count = core().lmh_board_feed(self._board, data, len(data), byref(used), out, _REPLY_ROOM)
            sent += out.raw[:count]
            data = data[used.value :]
            if not data and count < _REPLY_ROOM:
                return sent

    def tick(self, ms: float, steer_eighths: int = 0, amount_eighths: int = 0) -> bytes:
        """Let time pass; return what the board sends in it.

        Parameters
        ----------
        ms : float
            Time [ms].
        steer_eighths, amount_eighths : int
            Pulses that the receiver gives in every frame of it [1/8 µs]; 0 = none.
        """
        core().lmh_board_pass(self._board, round(ms * 1000), steer_eighths, amount_eighths)
        return self.feed(b"")

    @property
    def outputs_eighths(self) -> tuple[int, int]:
        """Pulses the board sends to the servos now [1/8 µs]; 0 = none."""
        out = (ctypes.c_uint16 * 2)()
        core().lmh_board_out(self._board, out)
        return out[0], out[1]

    @property
    def storage(self) -> bytes:
        """All storage bytes as they are now."""
        out = ctypes.create_string_buffer(STORAGE_BYTES)
        core().lmh_board_storage(self._board, out)
        return out.raw

    @property
    def storage_writes(self) -> int:
        """Storage bytes written since this object was made."""
        return int(core().lmh_board_writes(self._board))

    @property
    def running_slot(self) -> int | None:
        """Slot whose image runs; None while no image does."""
        slot = int(core().lmh_board_running(self._board))
        return None if slot == _NO_SLOT else slot

    @property
    def running_bytes(self) -> bytes:
        """The image that runs, empty for none."""
        out = ctypes.create_string_buffer(IMAGE_BYTES_MAX)
        length = core().lmh_board_image(self._board, out)  # before .raw, which copies
        return out.raw[:length]

    @property
    def running_image(self) -> Image | None:
        """The image that runs, None for none."""
        data = self.running_bytes
        return Image.decode(data) if data else None

    @property
    def powered(self) -> bool:
        """False after the power failed."""
        return not core().lmh_board_dead(self._board)

    def cut_power(self, after_writes: int, tear: Tear, byte: int = 0xFF) -> None:
        """Make the power fail during a coming storage write.

        Parameters
        ----------
        after_writes : int
            Writes that still go well; 0 = the very next one is torn.
        tear : Tear
            What the torn byte holds afterwards.
        byte : int
            That value for `Tear.RANDOM`.
        """
        core().lmh_board_cut(self._board, after_writes, tear, byte)

    def power_up(self, cause: ResetCause = ResetCause.POWER) -> bytes:
        """Start again over the storage as it is; returns the hello the board sends."""
        core().lmh_board_power(self._board, cause)
        return self.feed(b"")

    def set_supply_mv(self, mv: int | None) -> None:
        """Servo supply the board measures [mV]; None = not fitted."""
        core().lmh_board_supply(self._board, 0xFFFF if mv is None else mv)

    def wear_out(self, stuck: bool = True) -> None:
        """Make storage ignore every write from now on."""
        core().lmh_board_stuck(self._board, stuck)
