"""The ATmega328P firmware on the emulator: its pins, serial line, EEPROM, by the cycle of 16 MHz."""

from __future__ import annotations

import ctypes
import subprocess
import tempfile
from ctypes import POINTER, c_int, c_size_t, c_uint8, c_uint16, c_uint32, c_uint64, c_void_p
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from intelhex import IntelHex
from numpy.typing import ArrayLike, NDArray

from leanmix.mixer import (
    FrameDecoder,
    Reply,
    encode_frame,
    parse_reply,
)

ROOT = Path(__file__).parents[2]
FIRMWARE = ROOT / "firmware_tables"
PREBUILT = FIRMWARE / "prebuilt" / "leanmix-atmega328p.hex"

MHZ = 16
MS = 1000 * MHZ
FRAME = 20 * MS
EEPROM_BYTES = 1024
BYTE_CYCLES = 11 * 136  # the emulator takes 11 bits a byte, at the chip's 117647 baud
RAM_START, RAM_END = 0x100, 0x8FF
VECTORS = {"INT0": 1, "CAPT": 10, "COMPA": 11, "COMPB": 12, "OVF": 13, "RX": 18, "EE_READY": 22}
STEERING, AMOUNT, SERVOS = ("B", 0), ("D", 2), (1, 2)
LED = 5
POWER, PIN_RESET, BROWN_OUT, WATCHDOG = 1, 2, 4, 8

_CALLS = {
    "emu_new": (c_void_p, (c_void_p, c_size_t, c_void_p, c_size_t)),
    "emu_free": (None, (c_void_p,)),
    "emu_cycle": (c_uint64, (c_void_p,)),
    "emu_queue": (None, (c_void_p, c_void_p, c_void_p, c_void_p, c_void_p, c_size_t)),
    "emu_forget": (None, (c_void_p,)),
    "emu_run": (c_int, (c_void_p, c_uint64)),
    "emu_run_to": (c_int, (c_void_p, c_uint32, c_uint64)),
    "emu_reset": (None, (c_void_p, c_uint8)),
    "emu_supply": (None, (c_void_p, c_uint8, c_uint32)),
    "emu_eeprom": (POINTER(c_uint8), (c_void_p,)),
    "emu_cut": (None, (c_void_p, c_uint64, c_uint8, c_uint8)),
    "emu_is_cut": (c_int, (c_void_p,)),
    "emu_writes": (c_uint64, (c_void_p,)),
    "emu_hang": (None, (c_void_p, c_int)),
    "emu_data": (POINTER(c_uint8), (c_void_p,)),
    "emu_resets": (c_uint32, (c_void_p,)),
    "emu_longest": (c_uint32, (c_void_p, c_uint8)),
    "emu_runs": (c_uint32, (c_void_p, c_uint8)),
    "emu_stack_low": (c_uint16, (c_void_p, c_uint16)),
    "emu_edges": (c_size_t, (c_void_p, c_void_p, c_void_p, c_void_p, c_size_t)),
    "emu_sent": (c_size_t, (c_void_p, c_void_p, c_void_p, c_void_p, c_size_t)),
}


@cache
def shim() -> ctypes.CDLL:
    """The emulator as a library, compiled once a test run."""
    target = Path(tempfile.mkdtemp(prefix="leanmix-emulator-")) / "emulator.so"
    source = FIRMWARE / "tests" / "emulator.c"
    command = ["gcc", "-std=gnu99", "-O2", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC", "-o", str(target)]
    subprocess.run([*command, str(source), "-lsimavr", "-lelf"], check=True)
    library = ctypes.CDLL(str(target))
    for name, (result, arguments) in _CALLS.items():
        function = getattr(library, name)
        function.restype = result
        function.argtypes = arguments
    return library


def flash_of(hex_file: Path) -> bytes:
    return bytes(IntelHex(str(hex_file)).tobinarray())


@dataclass(frozen=True)
class Edges:
    """Changes of pins: cycle, pin of port B, level."""

    cycle: NDArray[np.uint64]
    pin: NDArray[np.uint8]
    level: NDArray[np.uint8]

    def pulses(self, pin: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Start and width of each whole pulse on a pin [cycles]."""
        mine = self.pin == pin
        cycle, level = self.cycle[mine].astype(np.int64), self.level[mine]
        changes = np.flatnonzero(np.diff(level.astype(int), prepend=0))
        cycle, level = cycle[changes], level[changes]
        rises = np.flatnonzero(level == 1)
        rises = rises[rises + 1 < len(cycle)]
        return cycle[rises], cycle[rises + 1] - cycle[rises]


class Emulator:
    """One board, powered up at cycle 0."""

    def __init__(
        self, eeprom: bytes = b"\xff" * EEPROM_BYTES, hex_file: Path = PREBUILT, supply_pin_mv: int = 5000
    ) -> None:
        flash = flash_of(hex_file)
        self._emu = shim().emu_new(flash, len(flash), eeprom.ljust(EEPROM_BYTES, b"\xff"), EEPROM_BYTES)
        assert self._emu
        self.supply_pin(supply_pin_mv)
        self.decoder = FrameDecoder()
        self.sequence = 0
        self._queued_to = 0

    def close(self) -> None:
        shim().emu_free(self._emu)
        self._emu = None

    def __enter__(self) -> Emulator:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def cycle(self) -> int:
        return int(shim().emu_cycle(self._emu))

    def supply_pin(self, mv: int) -> None:
        shim().emu_supply(self._emu, 0, mv)

    def run(self, cycles: int) -> None:
        assert shim().emu_run(self._emu, self.cycle + cycles) == 0

    def run_to(self, address: int, limit: int = 2**40) -> None:
        assert shim().emu_run_to(self._emu, address, limit) == 0

    def queue(self, cycle: ArrayLike, kind: ArrayLike, pin: ArrayLike, value: ArrayLike) -> None:
        """Events for the future, in any order."""
        at = np.asarray(cycle, np.uint64)
        order = np.argsort(at, kind="stable")
        count = len(at)
        columns = [np.ascontiguousarray(at[order])]
        for column in (kind, pin, value):
            columns.append(np.ascontiguousarray(np.broadcast_to(np.asarray(column, np.uint8), (count,))[order]))
        shim().emu_queue(self._emu, *(c_void_p(c.ctypes.data) for c in columns), count)

    def forget(self) -> None:
        """Drop events that have not happened."""
        shim().emu_forget(self._emu)

    def reset(self, flags: int) -> None:
        shim().emu_reset(self._emu, flags)
        self.decoder = FrameDecoder()

    def edges(self) -> Edges:
        """Changes of port B since last asked."""
        return Edges(*self._drain(shim().emu_edges))

    def sent(self) -> tuple[NDArray[np.uint64], bytes]:
        """Bytes sent since last asked, with their cycles."""
        cycle, _, value = self._drain(shim().emu_sent)
        return cycle, value.tobytes()

    def _drain(self, call: ctypes._CFuncPtr) -> tuple[NDArray[np.uint64], NDArray[np.uint8], NDArray[np.uint8]]:
        room = 1 << 16
        parts = []
        while True:
            cycle, pin, value = np.empty(room, np.uint64), np.empty(room, np.uint8), np.empty(room, np.uint8)
            count = call(self._emu, *(c_void_p(a.ctypes.data) for a in (cycle, pin, value)), room)
            parts.append((cycle[:count], pin[:count], value[:count]))
            if count < room:
                return tuple(np.concatenate(p) for p in zip(*parts, strict=True))

    @property
    def eeprom(self) -> bytes:
        return bytes(shim().emu_eeprom(self._emu)[:EEPROM_BYTES])

    @property
    def eeprom_writes(self) -> int:
        return int(shim().emu_writes(self._emu))

    def cut_power(self, after_writes: int, tear: int, byte: int = 0xFF) -> None:
        """Make the power fail during a coming EEPROM write; the emulator then stands still."""
        shim().emu_cut(self._emu, after_writes, tear, byte)

    @property
    def is_cut(self) -> bool:
        return bool(shim().emu_is_cut(self._emu))

    def hang(self, hang: bool = True) -> None:
        """Make the program hang where it stands, or undo that."""
        shim().emu_hang(self._emu, hang)

    def poke(self, address: int, data: bytes) -> None:
        """Write memory."""
        memory = shim().emu_data(self._emu)
        for i, byte in enumerate(data):
            memory[address + i] = byte

    @property
    def memory(self) -> bytes:
        return bytes(shim().emu_data(self._emu)[: RAM_END + 1])

    @property
    def resets(self) -> int:
        return int(shim().emu_resets(self._emu))

    def longest_interrupts(self) -> dict[str, int]:
        """Cycles from each vector to its reti, the worst so far."""
        return {name: int(shim().emu_longest(self._emu, v)) for name, v in VECTORS.items()}

    def interrupt_runs(self, name: str) -> int:
        return int(shim().emu_runs(self._emu, VECTORS[name]))

    def stack_bytes(self, static_end: int) -> int:
        """Deepest stack since power-up."""
        return RAM_END + 1 - int(shim().emu_stack_low(self._emu, static_end))

    # talk

    def talk(self, data: bytes, cycles: int, gap: int = BYTE_CYCLES) -> bytes:
        """Send bytes at line speed, run, and return what came back."""
        start = self.cycle + 200
        self.queue(start + np.arange(len(data)) * gap, ord("U"), 0, np.frombuffer(data, np.uint8))
        self.run(cycles)
        return self.sent()[1]

    def replies(self, data: bytes) -> list[Reply]:
        found = [parse_reply(f.payload) for f in self.decoder.feed(data)]
        return [r for r in found if r is not None]

    def ask(self, build: object, *arguments: object, ms: float = 30, **words: object) -> Reply:
        """The reply to a request, within `ms`."""
        self.sequence = self.sequence % 255 + 1
        payload = build(self.sequence, *arguments, **words)
        self.sent()
        self.decoder = FrameDecoder()
        found = self.replies(self.talk(b"\0" + encode_frame(payload), int(ms * MS)))
        (mine,) = [r for r in found if r.sequence == self.sequence]
        return mine


def pulse_train(start: int, widths: ArrayLike, period: int = FRAME) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """Cycles and levels of pulses of these widths [cycles], one a period."""
    width = np.asarray(widths, np.int64)
    begin = start + np.arange(len(width)) * period
    cycle = np.stack([begin, begin + width], axis=1).ravel()
    return cycle, np.tile(np.array([1, 0], np.uint8), len(width))
