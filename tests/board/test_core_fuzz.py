"""libFuzzer with ASan and UBSan on frames, images and a whole board, from the kept corpus; longer by LEANMIX_DEEP."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.board.test_core_build import FIRMWARE
from tests.conftest import DEEP

RUNS = {"frame": 60_000, "image": 60_000, "board": 8_000}


@pytest.mark.fault
@pytest.mark.parametrize("target", RUNS)
def test_fuzzing_finds_nothing(target: str, record_property: Callable[[str, object], None]) -> None:
    runs = RUNS[target] * (20 if DEEP else 1)
    command = [str(FIRMWARE / "tests" / "fuzz" / "run.sh"), str(runs), target]
    done = subprocess.run(command, check=False, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    executed = int(re.search(r"executed_units: (\d+)", done.stdout).group(1))
    record_property(
        "fault", [f"random input to the core: {target}", executed, "ASan, UBSan and the target's own checks silent"]
    )
    assert executed >= runs


def test_the_fuzzer_notices_a_broken_core(tmp_path: Path) -> None:
    """One byte past the receive buffer must stop it at once: it is not deaf."""
    core = tmp_path / "core"
    core.mkdir()
    for file in (FIRMWARE / "core").iterdir():
        text = file.read_text()
        if file.name == "lm_frame.c":
            good = "if (u->count < u->room) {"
            assert good in text
            text = text.replace(good, "if (u->count <= u->room) {")
        (core / file.name).write_text(text)
    target = FIRMWARE / "tests" / "fuzz" / "fuzz_frame.c"
    program = tmp_path / "frame"
    flags = ["-std=c99", "-g", "-O1", "-fsanitize=fuzzer,address,undefined", "-fno-sanitize-recover=all", f"-I{core}"]
    subprocess.run(["clang", *flags, "-o", str(program), str(target), *map(str, core.glob("*.c"))], check=True)
    corpus = FIRMWARE / "tests" / "fuzz" / "corpus" / "frame"
    found = tmp_path / "found"  # the first folder named is where the fuzzer puts what it finds
    found.mkdir()
    done = subprocess.run(
        [str(program), "-runs=60000", "-seed=1", f"-artifact_prefix={tmp_path}/", str(found), str(corpus)],
        check=False,
        capture_output=True,
        text=True,
        cwd=tmp_path,
    )
    assert done.returncode != 0
    assert "heap-buffer-overflow" in done.stderr
