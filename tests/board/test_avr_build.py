"""The firmware's build: byte for byte what is committed, small enough, and in the package."""

from __future__ import annotations

import re
import subprocess
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from intelhex import IntelHex

from leanmix.mixer import firmware_hex
from tests.board.avr_bench import FIRMWARE, MS, PREBUILT, Emulator, flash_of

FLASH_LIMIT, RAM_LIMIT = 8192, 1024
STACK_FOR_CALLS = 64  # deepest seen by the other tests is below this
Record = Callable[[str, object], None]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("avr")
    subprocess.run(["make", "-s", "-C", str(FIRMWARE / "avr"), f"OUT={out}"], check=True)
    return out


def test_prebuilt_hex_is_what_the_sources_build(built: Path) -> None:
    assert (built / PREBUILT.name).read_bytes() == PREBUILT.read_bytes()


def test_the_package_carries_the_same_hex() -> None:
    assert firmware_hex() == PREBUILT.read_text()


def test_the_board_names_the_build_it_was_made_from(built: Path) -> None:
    """The build number is the CRC-32 of the sources, worked out here without gzip."""
    rules = (FIRMWARE / "avr" / "Makefile").read_text()
    core = re.search(r"^CORE = (.*)$", rules, re.M).group(1).split()
    sources = [f"../core/lm_{n}.c" for n in core]
    sources += re.search(r"^SOURCES = \S+ (.*)$", rules, re.M).group(1).split()
    sources += ["hardware.h", *sorted(f"../core/{p.name}" for p in (FIRMWARE / "core").glob("*.h")), "Makefile"]
    crc = 0
    for name in sources:
        crc = zlib.crc32((FIRMWARE / "avr" / name).read_bytes(), crc)
    with Emulator(hex_file=built / PREBUILT.name) as board:
        board.run(60 * MS)
        (hello,) = board.replies(board.sent()[1])
    assert int.from_bytes(hello.body[4:8], "little") == crc


def test_flash_and_memory(built: Path, record_property: Record) -> None:
    flash = len(flash_of(PREBUILT))
    lines = subprocess.run(
        ["avr-size", "-A", str(built / PREBUILT.with_suffix(".elf").name)], check=True, capture_output=True, text=True
    ).stdout.splitlines()
    sizes = {row[0]: int(row[1]) for line in lines if len(row := line.split()) == 3 and row[1].isdigit()}
    memory = sizes[".data"] + sizes[".bss"] + sizes.get(".noinit", 0)
    record_property("figure", ["flash", f"{flash} bytes", str(FLASH_LIMIT)])
    record_property("figure", ["memory, stack apart", f"{memory} bytes", f"{RAM_LIMIT} with the stack"])
    assert sizes[".text"] + sizes[".data"] == flash <= FLASH_LIMIT
    assert memory + STACK_FOR_CALLS <= RAM_LIMIT


def test_other_tools_read_the_hex(tmp_path: Path) -> None:
    """binutils and srec_cat see the same bytes as the Intel HEX package."""
    ours = IntelHex(str(PREBUILT)).tobinarray().tobytes()
    binutils, srecord = tmp_path / "a.bin", tmp_path / "b.bin"
    subprocess.run(["objcopy", "-I", "ihex", "-O", "binary", str(PREBUILT), str(binutils)], check=True)
    subprocess.run(["srec_cat", str(PREBUILT), "-intel", "-o", str(srecord), "-binary"], check=True)
    assert ours == binutils.read_bytes() == srecord.read_bytes()
    assert PREBUILT.read_text().rstrip().endswith(":00000001FF")
