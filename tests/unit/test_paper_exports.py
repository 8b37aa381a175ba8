"""Exports, each read back by a tool that is not ours: gcc, avr-gcc, srec_cat, objcopy, csv."""

from __future__ import annotations

import csv
import subprocess
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from intelhex import IntelHex

from leanmix import __version__
from leanmix.curve import Caps, Plan, WayCap, every_input, make_plan, make_table
from leanmix.machine import DEMOS, MachineFile, demo, parse, set_value, values
from leanmix.mixer import STORAGE_BYTES, BoardCore, Image, lookup
from leanmix.paper import CSV_COLUMNS, SLOT_ADDRESS, binary, header, intel_hex, mapping_csv

STRICT = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-Wconversion", "-pedantic"]


@lru_cache(maxsize=8)
def made(name: str) -> tuple[MachineFile, Plan, Image]:
    """A demo's table, with a plain lean of a quarter of the throw: exports do not care where lean comes from."""
    source = demo(name)
    caps = Caps(WayCap(20.0, "for this test"), WayCap(18.0, "for this test"))
    plan = make_plan(source.machine, values(source.machine), caps, lambda throw: 0.25 * throw)
    table = make_table(plan, source.digest)
    return source, table.plan, table.image


def ran(*command: str | Path, text: str | None = None) -> str:
    done = subprocess.run([str(c) for c in command], input=text, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


# What the header's comment tells a stranger to do, done by a stranger.
STRANGER = r"""
#include <stdio.h>
#include "table.h"
static uint16_t mix(unsigned output, uint16_t p)
{
    int32_t left = LEAN_STEER_LEFT - (int32_t)LEAN_STEER_NEUTRAL, from = (int32_t)p - LEAN_STEER_NEUTRAL;
    int on_left = (left > 0) == (from > 0);
    int32_t end = on_left ? LEAN_STEER_LEFT : LEAN_STEER_RIGHT;
    int32_t d = from < 0 ? -from : from, span = end - LEAN_STEER_NEUTRAL, part, u, i, f, a, b, v;
    if (span < 0) span = -span;
    part = d >= span ? 4096 : (d * 4096 + span / 2) / span;
    u = on_left ? 4096 + part : 4096 - part;
    i = u / 256; f = u % 256;
    a = lean_knots[output][i];
    if (f == 0) v = a;
    else {
        b = lean_knots[output][i + 1];
        v = b >= a ? a + ((b - a) * f + 128) / 256 : a - ((a - b) * f + 128) / 256;
    }
    if (v < lean_cap_low[output]) v = lean_cap_low[output];
    if (v > lean_cap_high[output]) v = lean_cap_high[output];
    return (uint16_t)v;
}
int main(void)
{
    for (unsigned p = LEAN_STEER_LOWEST; p <= LEAN_STEER_HIGHEST; p++)
        for (unsigned o = 0; o < LEAN_OUTPUTS; o++) printf("%u\n", (unsigned)mix(o, (uint16_t)p));
    return (int)(lean_image[0] - 1u + lean_neutral[0] - lean_failsafe[0]) + (lean_slew_per_frame[0] == 0);
}
"""


@pytest.mark.parametrize("name", DEMOS)
def test_a_stranger_gets_every_pulse_from_the_header(name: str, tmp_path: Path) -> None:
    source, _, image = made(name)
    (tmp_path / "table.h").write_text(header(image, source), encoding="ascii")
    (tmp_path / "stranger.c").write_text(STRANGER)
    ran("gcc", *STRICT, "-o", tmp_path / "stranger", tmp_path / "stranger.c")
    got = np.array(ran(tmp_path / "stranger").split(), dtype=np.uint16).reshape(-1, len(image.outputs))
    pulses = np.arange(image.accept_min_eighths, image.accept_max_eighths + 1, dtype=np.uint16)
    for output in range(len(image.outputs)):
        assert np.array_equal(got[:, output], lookup(image, pulses, output))


@pytest.mark.parametrize("name", DEMOS)
def test_the_header_compiles_for_the_board(name: str, tmp_path: Path) -> None:
    source, _, image = made(name)
    (tmp_path / "table.h").write_text(header(image, source), encoding="ascii")
    (tmp_path / "use.c").write_text(
        '#include "table.h"\nuint8_t use(uint8_t i); uint8_t use(uint8_t i) { return lean_image[i]; }\n'
    )
    ran("avr-gcc", *STRICT, "-mmcu=atmega328p", "-Os", "-c", "-o", tmp_path / "use.o", tmp_path / "use.c")
    ran("gcc", *STRICT[1:], "-x", "c++", "-std=c++14", "-c", "-o", tmp_path / "use.cpp.o", tmp_path / "use.c")


def test_the_header_says_who_for_what_and_how_far(tmp_path: Path) -> None:
    source, _, image = made("tarn")
    text = header(image, source)
    cap = image.outputs[0]
    for part in (
        f"leanmix {__version__}",
        source.digest.hex(),
        f"{cap.cap_low_eighths} to {cap.cap_high_eighths}",
        '"Tarn"',
    ):
        assert part in text


@pytest.mark.parametrize("nasty", ["end */ int x; /*", "tri??/graph", "back\\slash", "línea ü µ", "???", "*/"])
def test_no_name_breaks_out_of_the_header(nasty: str, tmp_path: Path) -> None:
    source, _, image = made("tarn")
    named = parse(set_value(source.text, "name", nasty))
    text = header(image, named)
    assert "\\" not in text
    (tmp_path / "table.h").write_text(text, encoding="ascii")
    (tmp_path / "use.c").write_text('#include "table.h"\nint main(void) { return lean_image[0] - 1; }\n')
    ran("gcc", *STRICT, "-trigraphs", "-o", tmp_path / "use", tmp_path / "use.c")
    ran(tmp_path / "use")


@pytest.mark.parametrize("name", DEMOS)
def test_the_hex_is_the_image_to_srecord_objcopy_and_intelhex(name: str, tmp_path: Path) -> None:
    _, _, image = made(name)
    path = tmp_path / "eeprom.hex"
    path.write_text(intel_hex(image), newline="")
    data = binary(image)
    first, last = SLOT_ADDRESS + 3, SLOT_ADDRESS + 3 + len(data)

    ran("srec_cat", path, "-intel", "-crop", first, last, "-offset", f"-{first}", "-o", tmp_path / "a.bin", "-binary")
    assert (tmp_path / "a.bin").read_bytes() == data
    ran("objcopy", "-I", "ihex", "-O", "binary", "--gap-fill", "0xEE", path, tmp_path / "b.bin")
    whole = (tmp_path / "b.bin").read_bytes()  # begins at the lowest address
    assert whole[3 : 3 + len(data)] == data
    assert (whole[0], whole[1] ^ whole[2], whole[256 - SLOT_ADDRESS]) == (0xA6, 0xFF, 0xFF)
    assert IntelHex(str(path)).tobinarray(first, last - 1).tobytes() == data


@pytest.mark.parametrize("name", DEMOS)
def test_a_board_programmed_with_the_hex_runs_the_image(name: str, tmp_path: Path) -> None:
    _, _, image = made(name)
    other = made("wren" if name != "wren" else "tarn")[2]
    path = tmp_path / "eeprom.hex"
    path.write_text(intel_hex(image), newline="")
    reader = IntelHex(str(path))
    # on a blank board, and over a board whose other slot holds a newer image
    blank = bytearray(b"\xff" * STORAGE_BYTES)
    used = bytearray(blank)
    used[256 : 256 + 3] = bytes((0xA6, 9, 9 ^ 0xFF))
    used[259 : 259 + len(other.encode())] = other.encode()
    used[8:16] = b"serial-1"
    for storage in (blank, used):
        before = bytes(storage)
        for address in reader.addresses():
            storage[address] = reader[address]
        board = BoardCore(bytes(storage))
        board.power_up()
        assert board.running_bytes == image.encode()
        assert bytes(storage[:32]) == before[:32]


def test_intel_hex_records_are_well_formed() -> None:
    """Intel HEX rev A: every record's bytes sum to 0 mod 256; the last one is :00000001FF."""
    lines = intel_hex(made("tarn")[2]).splitlines()
    assert lines[-1] == ":00000001FF"
    for line in lines:
        raw = bytes.fromhex(line[1:])
        assert line[0] == ":"
        assert sum(raw) % 256 == 0
        assert len(raw) == raw[0] + 5


@pytest.mark.parametrize("name", DEMOS)
def test_the_csv_is_every_count_through_the_core(name: str) -> None:
    source, plan, image = made(name)
    text = mapping_csv(image, plan, source)
    lines = text.splitlines()
    remarks = [line for line in lines if line.startswith("#")]
    assert f"leanmix {__version__}" in remarks[0]
    assert source.digest.hex() in remarks[1]
    assert len(remarks) == 2 + len(image.outputs)
    rows = list(csv.DictReader(lines[len(remarks) :], strict=True))
    assert tuple(rows[0]) == CSV_COLUMNS
    pulses = every_input(plan)
    assert len(rows) == len(pulses) * len(image.outputs)
    for output in range(len(image.outputs)):
        mine = [r for r in rows if r["output"] == str(output)]
        assert np.array_equal([int(r["input_count"]) for r in mine], pulses)
        assert np.array_equal([float(r["output_us"]) for r in mine], lookup(image, pulses, output) / 8)
        throw = np.array([float(r["throw_deg"]) for r in mine])
        lean = np.array([float(r["lean_deg"]) for r in mine])
        assert np.allclose(lean, 0.25 * throw, atol=2e-4)
        assert throw.max() <= 20.0 + 1e-4
        assert throw.min() >= -18.0 - 1e-4
