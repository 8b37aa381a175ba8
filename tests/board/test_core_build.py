"""The C itself: warnings, static analysis, golden vectors in a C program, and that missing libraries are said so."""

from __future__ import annotations

import ctypes
import shutil
import subprocess
import tomllib
from pathlib import Path

import pytest

from leanmix.errors import CoreMissing
from leanmix.mixer import library
from tests.board.make_vectors import FOLDER

ROOT = Path(__file__).parents[2]
FIRMWARE = ROOT / "firmware_tables"
CORE = sorted((FIRMWARE / "core").glob("*.c"))
HOST = sorted((FIRMWARE / "host").glob("*.c"))
INCLUDES = [f"-I{FIRMWARE / 'core'}", f"-I{FIRMWARE / 'host'}"]
STRICT = ["-std=c99", "-pedantic", "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Wvla", "-Wundef", "-Werror"]


def compiled(target: Path, sources: list[Path], *flags: str) -> Path:
    subprocess.run(["gcc", *STRICT, *INCLUDES, *flags, "-o", str(target), *map(str, sources)], check=True)
    return target


@pytest.mark.parametrize("level", ["-O0", "-O2", "-Os"])
def test_core_passes_its_golden_vectors_in_c_without_a_warning(level: str, tmp_path: Path) -> None:
    program = compiled(
        tmp_path / "check", [*CORE, FIRMWARE / "tests" / "check_vectors.c"], level, "-fsanitize=undefined"
    )
    done = subprocess.run([str(program), str(FOLDER)], check=False, capture_output=True, text=True)
    assert done.stderr == ""
    assert done.returncode == 0
    assert done.stdout.endswith(" 0 faults\n")
    assert int(done.stdout.split()[0]) > 3000


def test_the_c_program_notices_a_wrong_vector(tmp_path: Path) -> None:
    program = compiled(tmp_path / "check", [*CORE, FIRMWARE / "tests" / "check_vectors.c"], "-O1")
    for file in FOLDER.glob("*.txt"):
        shutil.copy(file, tmp_path)
    settled = tmp_path / "settled.txt"
    lines = settled.read_text().splitlines()
    *fields, value = lines[100].split()
    lines[100] = " ".join([*fields, str(int(value) + 1)])
    settled.write_text("\n".join(lines) + "\n")
    done = subprocess.run([str(program), str(tmp_path)], check=False, capture_output=True, text=True)
    assert done.returncode == 1
    assert done.stdout.endswith(" 1 faults\n")


def test_host_entry_points_compile_without_a_warning(tmp_path: Path) -> None:
    library.load(compiled(tmp_path / "core.so", [*CORE, *HOST], "-O2", "-shared", "-fPIC"))


def test_cppcheck_finds_nothing() -> None:
    options = ["--std=c99", "--enable=warning,style,performance,portability", "--error-exitcode=1", "-q"]
    sources = [*CORE, *HOST]
    done = subprocess.run(
        ["cppcheck", *options, *INCLUDES, *map(str, sources)], check=False, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr


def test_core_has_no_state_of_its_own_and_asks_nothing_of_a_library(tmp_path: Path) -> None:
    """No writable data, and no calls out of the core but what a freestanding compiler may make."""
    for source in CORE:
        target = tmp_path / f"{source.stem}.o"
        compiled(target, [source], "-Os", "-c", "-ffreestanding")
        sections = subprocess.run(["size", "-A", str(target)], check=True, capture_output=True, text=True).stdout
        sizes = {
            row[0]: int(row[1]) for line in sections.splitlines() if len(row := line.split()) == 3 and row[1].isdigit()
        }
        assert sizes.get(".data", 0) == sizes.get(".bss", 0) == 0, source
        names = subprocess.run(["nm", "-u", str(target)], check=True, capture_output=True, text=True).stdout
        outside = {line.split()[-1] for line in names.splitlines()}
        assert all(
            n.startswith("lm_") or n in {"memset", "memcpy", "memcmp", "_GLOBAL_OFFSET_TABLE_", "__stack_chk_fail"}
            for n in outside
        )


def test_the_package_builds_exactly_these_sources() -> None:
    config = tomllib.loads((ROOT / "pyproject.toml").read_text())
    (extension,) = (e for e in config["tool"]["setuptools"]["ext-modules"] if e["name"] == "leanmix.mixer._core")
    headers = [*(FIRMWARE / "core").glob("*.h"), *(FIRMWARE / "host").glob("*.h")]
    assert sorted(ROOT / s for s in extension["sources"]) == sorted([*CORE, *HOST])
    assert sorted(ROOT / s for s in extension["depends"]) == sorted(headers)
    assert extension["optional"] is True


def test_no_library_is_said_in_words(tmp_path: Path) -> None:
    with pytest.raises(CoreMissing, match=r"was not built.*Install a C compiler"):
        library.library_file(tmp_path)


def test_a_library_that_is_not_ours_is_said_in_words(tmp_path: Path) -> None:
    broken = tmp_path / "_core.so"
    broken.write_bytes(b"not a library")
    with pytest.raises(CoreMissing, match="does not load"):
        library.load(broken)
    other = tmp_path / "other.c"
    other.write_text("int nothing(void) { return 0; }\n")
    subprocess.run(["gcc", "-shared", "-fPIC", "-o", str(tmp_path / "other.so"), str(other)], check=True)
    with pytest.raises(CoreMissing, match="does not load"):
        library.load(tmp_path / "other.so")


def test_a_library_of_another_version_is_said_in_words(tmp_path: Path) -> None:
    source = tmp_path / "lm_host.c"
    text = (FIRMWARE / "host" / "lm_host.c").read_text()
    ours = f"#define HOST_INTERFACE {library.INTERFACE}\n"
    assert ours in text
    source.write_text(text.replace(ours, "#define HOST_INTERFACE 0\n"))
    others = [s for s in HOST if s.name != source.name]
    target = compiled(tmp_path / "core.so", [*CORE, *others, source], "-O1", "-shared", "-fPIC")
    with pytest.raises(CoreMissing, match="another version"):
        library.load(target)


def test_structures_agree_with_the_compiler() -> None:
    assert library.core().lmh_fields_bytes() == ctypes.sizeof(library.CImageFields)
