"""The prebuilt firmware on another AVR emulator, as a second opinion: python -m tests.board.second_emulator [images]

Needs the package yasimavr (0.1.6 was tried), which no test needs. Random images stand in the store and the servo is
jogged; replies and the pulses at the first output's compare unit are held against the C core in this process.

That emulator has no input capture on a pin, calls "EEPROM ready" while a byte is still being written, and its converter
ends the program (the one instruction that starts a conversion is changed to start none). So steering pulses, storing
and the supply are not judged here.
"""

from __future__ import annotations

import contextlib
import importlib
import random
import sys
from pathlib import Path
from typing import Any

from intelhex import IntelHex

from leanmix.mixer import BoardCore, FrameDecoder, Message, Result, encode_frame, request, request_jog
from tests.board import exact
from tests.board.core_kit import Wire, random_exact

PREBUILT = Path(__file__).parents[2] / "firmware_tables" / "prebuilt" / "leanmix-atmega328p.hex"
MS = 16_000
FRAME = 20 * MS
START_CONVERSION, START_NONE = bytes.fromhex("87ec80937a00"), bytes.fromhex("87e880937a00")


class Chip:
    """The chip with the firmware, powered up with this store."""

    def __init__(self, storage: bytes) -> None:
        core: Any = importlib.import_module("yasimavr.lib.core")
        library: Any = importlib.import_module("yasimavr.device_library")
        uart: Any = importlib.import_module("yasimavr.utils.uart")
        flash = bytes(IntelHex(str(PREBUILT)).tobinarray())
        assert flash.count(START_CONVERSION) == 1
        self.device = library.load_device("atmega328p")
        self.loop = core.SimLoop(self.device)
        firmware = core.Firmware()
        firmware.frequency = 16_000_000
        for area, data in (
            (core.Firmware.Area.Flash, flash.replace(START_CONVERSION, START_NONE)),
            (core.Firmware.Area.EEPROM, storage.ljust(1024, b"\xff")),
        ):
            block = core.Firmware.block_view_t()
            block.base, block.bytes = 0, data
            firmware.add_block(area, block)
        self.device.load_firmware(firmware)
        self.loop.set_fast_mode(True)
        self.line = uart.UART_IO(self.device, 0)
        self.edges: list[tuple[int, int]] = []
        compare_output, loop, edges = 2, self.loop, self.edges

        class Watch(core.SignalHook):  # type: ignore[misc]
            def raised(self, signal: Any, _: int) -> None:
                if signal.sigid != compare_output or signal.index != 0:
                    return
                with contextlib.suppress(ValueError):  # the timer lets go of the pin: no level
                    edges.append((loop.cycle(), signal.data.value()))

        self.watch = Watch()
        found, answer = self.device.ctlreq(core.IOCTL_TIMER("_", "1"), core.CTLREQ_GET_SIGNAL)
        assert found
        answer.data.value(core.Signal).connect(self.watch)

    def ask(self, payload: bytes) -> list[bytes]:
        """Payloads that come back within two frames."""
        self.line.write(b"\0" + encode_frame(payload))
        self.loop.run(2 * FRAME)
        raw = self.line.read()
        return [frame.payload for frame in FrameDecoder().feed(bytes(raw or b""))]

    def widths(self) -> list[int]:
        """Pulses of the first output since last asked [cycles]."""
        edges, found, rose = list(self.edges), [], None
        self.edges.clear()
        for cycle, level in edges:
            if level and rose is None:
                rose = cycle
            elif not level and rose is not None:
                found.append(cycle - rose)
                rose = None
        return found


def answers(board: BoardCore, payload: bytes) -> list[bytes]:
    """What the C core in this process says to the same, within two frames."""
    raw = board.feed(b"\0" + encode_frame(payload)) + board.tick(40)
    return [frame.payload for frame in FrameDecoder().feed(raw)]


def compare(seed: int) -> str:
    """Put one random image into both stores, ask and jog both; one line on how they differ."""
    rng = random.Random(seed)
    spec = random_exact(rng, outputs=1)
    spec.ramp_frames, spec.failsafe_frames, spec.outputs[0].slew, out = 1, 2, 16000, spec.outputs[0]
    core = BoardCore(kind=1)
    assert Wire(core).upload(exact.pack(spec)) == Result.OK
    core.power_up()
    chip = Chip(core.storage)
    chip.loop.run(8 * FRAME)
    chip.line.read()
    core.tick(8 * 20)
    asked = [request(Message.READ, 1 + slot, bytes([slot])) for slot in (0, 1)]
    alike = sum(answers(core, each) == chip.ask(each) for each in asked)
    worst = pulses = 0
    for wanted in [0, *(rng.randint(out.low, out.high) for _ in range(8))]:
        if wanted:
            asked.append(request_jog(9, wanted))
            alike += answers(core, asked[-1]) == chip.ask(asked[-1])
        chip.loop.run(4 * FRAME)
        sent = chip.widths()[-2:]
        worst = max([worst, *(abs(w - core.outputs_eighths[0] * 2) for w in sent)])
        pulses += len(sent)
    return f"image {seed}: {alike} of {len(asked)} replies alike; {pulses} pulses, worst {worst} cycles off"


def main() -> None:
    """Print a line an image."""
    for seed in range(int(sys.argv[1]) if len(sys.argv) > 1 else 5):
        sys.stdout.write(compare(seed) + "\n")


if __name__ == "__main__":
    main()
