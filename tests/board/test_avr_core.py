"""The core as avr-gcc compiles it, on the emulator: every count like the host's and like exact fractions, and how fast."""

from __future__ import annotations

import random
import struct
import subprocess
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from leanmix.job import work_out
from leanmix.machine import DEMOS, demo
from leanmix.mixer import lookup, normalise, run, table
from tests.board import exact
from tests.board.avr_bench import FIRMWARE, Emulator
from tests.board.core_kit import as_exact, as_image, plain, random_exact
from tests.board.test_core_mix import exact_table
from tests.conftest import DEEP

BLOCK = 256
STEP, TABLE, START, NORMALISE = range(4)


class Bench:
    """firmware_tables/tests/bench_avr.c in the emulator."""

    def __init__(self, folder: Path) -> None:
        elf, hex_file = folder / "bench.elf", folder / "bench.hex"
        core = FIRMWARE / "core"
        flags = ["-mmcu=atmega328p", "-std=gnu99", "-Os", "-fshort-enums", "-Wall", "-Wextra", "-Werror", f"-I{core}"]
        sources = [core / "lm_mix.c", core / "lm_bytes.c", FIRMWARE / "tests" / "bench_avr.c"]
        subprocess.run(["avr-gcc", *flags, *map(str, sources), "-o", str(elf)], check=True)
        subprocess.run(["avr-objcopy", "-O", "ihex", str(elf), str(hex_file)], check=True)
        names = subprocess.run(["avr-nm", str(elf)], check=True, capture_output=True, text=True).stdout
        self.at = {row[2]: int(row[0], 16) & 0x7FFFFF for line in names.splitlines() if len(row := line.split()) == 3}
        self.emulator = Emulator(hex_file=hex_file)
        self.stop()

    def stop(self) -> None:
        self.emulator.run_to(self.at["stop"])

    def go(self) -> None:
        self.emulator.run(8)  # off the stop
        self.stop()

    def load(self, image: bytes) -> None:
        self.emulator.poke(self.at["image"], image)

    def job(self, job: int, first: int = 0, way: int = 1) -> None:
        self.emulator.poke(self.at["job"], bytes((job,)))
        self.emulator.poke(self.at["first"], struct.pack("<H", first))
        self.emulator.poke(self.at["way"], struct.pack("<b", way))
        self.go()

    def sweep(self, job: int, start: int, count: int, way: int = 1) -> NDArray[np.uint16]:
        """Results for `count` inputs from `start`, shape (count, 2)."""
        parts = []
        for i in range(0, count, BLOCK):
            self.job(job, (start + way * i) & 0xFFFF, way)
            at = self.at["results"]
            parts.append(np.frombuffer(self.emulator.memory[at : at + 4 * BLOCK], "<u2").reshape(BLOCK, 2))
        return np.concatenate(parts)[:count]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    made = Bench(tmp_path_factory.mktemp("bench"))
    yield made
    made.emulator.close()


NAMES = [*DEMOS, *(f"random {seed}" for seed in range(20))]


@cache
def spec_of(name: str) -> exact.ExactImage:
    """A demo machine's own table, or a random one."""
    if name in DEMOS:
        return as_exact(work_out(demo(name)).table.image)
    return random_exact(random.Random(500 + int(name.split()[1])))


@pytest.mark.parametrize("name", NAMES)
def test_every_table_position_on_the_avr(bench: Bench, name: str) -> None:
    spec = spec_of(name)
    bench.load(exact.pack(spec))
    got = bench.sweep(TABLE, 0, 8193)[:, 0]
    assert got.tolist() == [exact.table(spec.outputs[0], u) for u in range(8193)]
    assert np.array_equal(got, table(as_image(spec), np.arange(8193)))


@pytest.mark.parametrize("name", NAMES if DEEP else NAMES[:5])
def test_every_pulse_to_its_position_on_the_avr(bench: Bench, name: str) -> None:
    spec = spec_of(name)
    bench.load(exact.pack(spec))
    got = bench.sweep(NORMALISE, 0, 65536)[:, 0]
    assert np.array_equal(got, normalise(as_image(spec), np.arange(65536)))
    some = range(3900, 20100, 13)
    assert [got[p] for p in some] == [exact.position(spec, p) for p in some]


@pytest.mark.parametrize("name", NAMES)
def test_every_count_there_and_back_through_the_mixer_on_the_avr(bench: Bench, name: str) -> None:
    """State, slew, ramp, caps and all: the same frames as the host's core, up over the counts and down again."""
    spec = spec_of(name)
    low = spec.accept_min - 300
    count = -(-(spec.accept_max + 300 - low) // BLOCK) * BLOCK
    bench.load(exact.pack(spec))
    bench.job(START)
    got = [bench.sweep(STEP, low, count), bench.sweep(STEP, low + count - 1, count, -1)]
    up = low + np.arange(count)
    frames = run(as_image(spec), np.concatenate([up, up[::-1]]))
    assert np.array_equal(np.concatenate(got)[:, : len(spec.outputs)], frames.out_eighths)


def test_settled_output_on_host_is_the_exact_reference_for_these_tables() -> None:
    """Host equal to AVR does not mean right: both are held against fractions."""
    for spec in map(spec_of, NAMES if DEEP else NAMES[:6]):
        positions = normalise(as_image(spec), np.arange(65536))
        for output in range(len(spec.outputs)):
            expected = np.array(exact_table(spec, output))[positions]
            assert np.array_equal(lookup(as_image(spec), np.arange(65536), output), expected)


def test_a_lookup_takes_at_most_104_cycles(bench: Bench, record_property: Callable[..., None]) -> None:
    """From the call of lm_table_lookup to its return, for rising and falling segments and every fraction."""
    rng = random.Random(1)
    spec = plain()
    spec.outputs[0].knots = [rng.randint(8800, 15200) for _ in range(33)]
    bench.load(exact.pack(spec))
    worst = 0
    emulator = bench.emulator
    for first in (0, 500, 3900, 7936):
        emulator.poke(bench.at["job"], bytes((TABLE,)))
        emulator.poke(bench.at["first"], struct.pack("<H", first))
        emulator.poke(bench.at["way"], b"\x01")
        emulator.run(8)
        for _ in range(BLOCK):
            emulator.run_to(bench.at["lm_table_lookup"])
            start = emulator.cycle
            stack = struct.unpack("<H", emulator.memory[0x5D:0x5F])[0]
            back = emulator.memory[stack + 1] << 8 | emulator.memory[stack + 2]
            emulator.run_to(2 * back)
            worst = max(worst, emulator.cycle - start)
        bench.stop()
    record_property("figure", ["table lookup at -Os, first instruction to return", f"{worst} cycles", "104"])
    assert 40 < worst <= 104
