"""The command line as a user and a shell meet it: statuses, streams, JSON, pipes; never a traceback."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from leanmix.board import Session
from leanmix.cli import COMMANDS
from leanmix.cli import leanmix as group
from leanmix.machine import demo, load

ENVIRONMENT_KEPT = ("PATH", "LEANMIX_HOME", "HOME", "LD_LIBRARY_PATH")


def leanmix(*arguments: str, **more: str) -> subprocess.CompletedProcess[str]:
    env = {k: v for k, v in os.environ.items() if k in ENVIRONMENT_KEPT} | {"PYTHONWARNINGS": "error"} | more
    return subprocess.run(
        [sys.executable, "-m", "leanmix", *arguments],
        capture_output=True,
        text=True,
        env=env,
        stdin=subprocess.DEVNULL,
        check=False,
    )


def refused(*arguments: str, **more: str) -> str:
    done = leanmix(*arguments, **more)
    assert done.returncode == 2, done
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    return done.stderr


def test_every_command_has_help_with_an_example() -> None:
    names = [name for _, rows in COMMANDS for name, _, _ in rows]
    assert len(set(names)) == len(names)
    for name in names:
        done = CliRunner().invoke(group, [name, "--help"])
        assert done.exit_code == 0, done.exception
        assert f"Example: leanmix {name}" in " ".join(done.stdout.split()), name


def test_new_writes_a_file_that_check_understands_and_never_writes_over_one(tmp_path: Path) -> None:
    file = str(tmp_path / "mine.toml")
    assert leanmix("new", file, "--name", "Föhn").returncode == 0
    assert load(file).machine.name == "Föhn"
    assert "is there already" in refused("new", file)
    assert leanmix("new", file, "--like", "wren", "--force").returncode == 0
    assert load(file).digest == demo("wren").digest
    done = leanmix("check", file)
    assert done.returncode == 0
    assert "usable" in done.stdout


def test_check_as_json_holds_every_number_with_its_unit() -> None:
    found = json.loads(leanmix("check", "demo:tarn", "--json").stdout)
    assert found["kind"] == "check"
    assert found["machine"]["sha256"] == demo("tarn").digest.hex()
    numbers = {n["key"]: n for n in found["numbers"]}
    assert numbers["left.arm.radius_mm"] == {
        "key": "left.arm.radius_mm",
        "at": 15,
        "tol": 0.15,
        "from": "calipers",
        "unit": "mm",
    }


def test_a_bad_file_lists_everything_with_lines_and_status_two(tmp_path: Path) -> None:
    file = tmp_path / "bad.toml"
    file.write_text(
        demo("tarn").text.replace('kind = "ski"', "kind = 3").replace("roof_up_mm = 212", "roof_up_mm = -1")
    )
    said = refused("check", str(file))
    assert "bad.toml: 2 things are wrong" in said
    assert "line " in said
    assert "runner.kind" in said
    assert "chassis.roof_up_mm" in said


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("check", "no-such.toml"), "cannot be read"),
        (("check", "demo:nobody"), "no such demo"),
        (("nonsense",), "leanmix --help lists them"),
        (("stpos",), "Is stops meant?"),
        (("flash", "demo:tarn"), "leanmix board list"),
        (("stops",), "leanmix new mine.toml"),
        (("drive", "demo:tarn"), "one of: bank, circle, flick"),
        (("bench", "add", "demo:tarn", "arm_deg", "3"), "--tol 1 for a protractor's degree"),
        (("check",), "Missing argument"),
        (("new", "/no/such/folder/x.toml"), "folder is not there"),
        (("board", "identify", "--port", "/dev/no-such-port"), "no such port"),
        (("board", "identify"), "--port"),
        (("board", "revert", "--port", "virtual"), "no earlier table"),
        (("board", "read", "--port", "virtual", "-o", "x"), "holds no such table"),
    ],
)
def test_bad_calls_are_a_sentence_and_status_two(arguments: tuple[str, ...], sentence: str) -> None:
    assert sentence in refused(*arguments)


def test_talk_goes_to_stderr_and_quiet_ends_it(tmp_path: Path) -> None:
    done = leanmix("new", str(tmp_path / "a.toml"))
    assert done.stdout == ""
    assert "wrote" in done.stderr
    assert leanmix("--quiet", "new", str(tmp_path / "b.toml")).stderr == ""


def test_a_reader_that_goes_away_is_no_fault() -> None:
    command = f"{sys.executable} -m leanmix check demo:tarn | head -1"
    done = subprocess.run(["bash", "-o", "pipefail", "-c", command], capture_output=True, text=True, check=False)
    assert done.stderr == ""
    assert done.stdout.startswith("Tarn")


def test_a_terminal_without_our_letters_still_gets_an_answer() -> None:
    done = leanmix("check", "demo:tarn", PYTHONIOENCODING="ascii", LC_ALL="C", PYTHONUTF8="0")
    assert done.returncode == 0
    assert "usable" in done.stdout


def test_a_fault_of_our_own_goes_to_a_file_not_to_the_user() -> None:
    code = (
        "import leanmix.machine, leanmix.cli\n"
        "def broken(*a, **k): raise ZeroDivisionError('inner secret')\n"
        "import leanmix.commands.check as check\n"
        "check.load = broken\n"
        "leanmix.cli.main(['check', 'demo:tarn'])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr
    assert "a fault in leanmix itself" in done.stderr
    path = Path(done.stderr.split("Details: ")[1].strip())
    assert "inner secret" in path.read_text()
    path.unlink()
    assert done.returncode == 70


def test_virtual_board_runs_until_interrupted_and_answers_on_its_port(tmp_path: Path) -> None:
    storage = tmp_path / "eeprom"
    # a test run started behind an & has Ctrl-C ignored, and would hand that on
    signal.signal(signal.SIGINT, signal.default_int_handler)
    with subprocess.Popen(
        [sys.executable, "-m", "leanmix", "board", "virtual", "--storage", str(storage)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        port = process.stdout.readline().strip()
        with Session.open(port) as board:
            assert board.identity.kind_name == "virtual board"
        process.send_signal(signal.SIGINT)
        deadline = time.monotonic() + 20
        while process.poll() is None and time.monotonic() < deadline:
            time.sleep(0.05)
        process.kill()  # or leaving the block would wait for ever
        assert process.returncode == 0
        assert process.stderr is not None
        assert "Traceback" not in process.stderr.read()
    assert storage.stat().st_size == 512


def test_board_live_as_json() -> None:
    found = json.loads(leanmix("board", "live", "--port", "virtual", "--json").stdout)
    assert found["live"]["mode"] == "mix"
    assert found["live"]["outputs_us"] == [None, None]
