"""A clock that jumps, a language that writes commas for points, no terminal, and a reader that goes away."""

from __future__ import annotations

import itertools
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from leanmix.board import VirtualBoard, flash, open_board
from leanmix.job import work_out
from leanmix.journal import DriveNote, Journal, flash_and_record, when
from leanmix.machine import demo
from leanmix.screens.recovery import EditJournal, left_behind

Record = Callable[[str, object], None]
pytestmark = pytest.mark.fault

DAY_S = 86400.0
JUMPS = (0.0, DAY_S, -DAY_S, 30 * 365 * DAY_S, -30 * 365 * DAY_S, -60 * 365 * DAY_S, 1e18, float(2**31), 0.5)


def test_the_journal_under_a_clock_that_jumps(tmp_path: Path, record_property: Record) -> None:
    times = iter([1.7e9 + jump for jump in JUMPS])
    path = tmp_path / "j.sqlite"
    with Journal.open(path, now=lambda: next(times)) as j:
        uids = [j.record_drive(DriveNote(f"lake {i}")) for i in range(len(JUMPS))]
        assert len(set(uids)) == len(JUMPS)
        assert {h.uid for h in j.headlines()} == set(uids)
        assert all(len(when(h.at_ms)) >= 16 for h in j.headlines())
        assert j.trouble() == ()
    record_property("fault", ["clock jump under the journal", len(JUMPS), "every row kept, every time prints"])


def test_the_end_of_a_flash_before_its_beginning(tmp_path: Path, record_property: Record) -> None:
    times = iter([1.7e9, 1.7e9 - DAY_S])
    with Journal.open(tmp_path / "j.sqlite", now=lambda: next(times)) as j:
        uid = j.begin_flash(demo("tarn"), b"image", "LM-1")
        j.end_flash(uid, "verified")
        results = {f.uid: f.result for f in j.flashes("LM-1")}
    assert results == {uid: "verified"}
    record_property("fault", ["clock set back in the middle of a flash, journal", 1, "its end is known"])


def test_the_board_under_a_clock_that_jumps(monkeypatch: pytest.MonkeyPatch, record_property: Record) -> None:
    """Only the system's clock jumps, as when a computer sets it by the network; what is waited by never does."""
    jumps = itertools.cycle(JUMPS)
    asked = []

    def jumping() -> float:
        asked.append(1)
        return 1.7e9 + next(jumps)

    monkeypatch.setattr(time, "time", jumping)
    table = work_out(demo("tarn")).proved
    with open_board("virtual") as session, Journal.open(now=jumping) as journal:
        assert flash_and_record(session, journal, demo("tarn"), table).outcome == "stored"
        assert flash(session, table).outcome == "already there"
    assert len(asked) >= 2
    with VirtualBoard() as board:
        assert board.port
    edits = EditJournal()
    edits.begin("a", "", "text")
    edits.note({"at": 0, "old": "", "new": "x", "what": "w", "key": ""})
    edits.end()
    assert left_behind() == ()
    record_property("fault", ["clock jump under a flash", len(asked), "stored and verified"])


def run(code: str, env: dict[str, str], *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code, *arguments], env={"PATH": os.environ["PATH"], **env}, stdin=subprocess.DEVNULL,
        capture_output=True, text=True, check=False,
    )  # fmt: skip


COMMA = """
import locale, sys
locale.setlocale(locale.LC_ALL, "")
assert locale.localeconv()["decimal_point"] == ",", "the language was not made"
from leanmix.cli import main
main(sys.argv[1:])
"""


def test_a_language_with_decimal_commas(tmp_path: Path, record_property: Record) -> None:
    made = tmp_path / "locales" / "de_DE.UTF-8"
    made.parent.mkdir()
    subprocess.run(["localedef", "-i", "de_DE", "-f", "UTF-8", made], check=True, capture_output=True)
    plain = {"LEANMIX_HOME": str(tmp_path / "home")}
    comma = {**plain, "LOCPATH": str(made.parent), "LC_ALL": "de_DE.UTF-8"}
    asked = (
        ("check", "demo:tarn", "--json"), ("curve", "demo:tarn", "--json"), ("stops", "demo:tarn", "--json"),
        ("table", "demo:tarn", "--as", "csv"), ("draw", "demo:tarn"),
    )  # fmt: skip
    for arguments in asked:
        with_points = run("import sys; from leanmix.cli import main; main(sys.argv[1:])", plain, *arguments)
        with_commas = run(COMMA, comma, *arguments)
        assert with_commas.stderr == with_points.stderr, arguments
        assert with_commas.stdout == with_points.stdout, arguments
    assert json.loads(run(COMMA, comma, *asked[0]).stdout)["machine"]["name"] == "Tarn"
    record_property("fault", ["language with decimal commas, C library and all", len(asked), "the same to the byte"])


def test_no_terminal(tmp_path: Path, record_property: Record) -> None:
    env = {"LEANMIX_HOME": str(tmp_path), "TERM": "xterm"}
    tried = (
        ("open", "demo:tarn"),
        ("open",),
        ("board", "jog", "--port", "/dev/null"),
        ("flash", "demo:tarn", "--port", "/dev/null"),
    )
    for arguments in tried:
        done = run("import sys; from leanmix.cli import main; main(sys.argv[1:])", env, *arguments)
        assert done.returncode == 2, (arguments, done)
        assert "Traceback" not in done.stderr
        assert done.stderr.strip()
        assert "\x1b" not in done.stdout
    record_property("fault", ["no terminal where one is needed", len(tried), "a sentence and status 2"])


def test_a_reader_that_goes_away(tmp_path: Path, record_property: Record) -> None:
    tried = (
        "check demo:tarn",
        "check demo:tarn --json",
        "table demo:tarn --as csv",
        "draw demo:tarn",
        "--help",
        "journal list",
    )
    for arguments in tried:
        for reader in ("true", "head -c 1"):
            command = f"{sys.executable} -m leanmix {arguments} | {reader}"
            env = {**os.environ, "LEANMIX_HOME": str(tmp_path)}
            done = subprocess.run(["bash", "-c", f"{command}; echo $?${{PIPESTATUS[0]}}"], env=env, capture_output=True, text=True, check=False)  # fmt: skip
            assert "Traceback" not in done.stderr
            assert "Exception ignored" not in done.stderr
            assert "BrokenPipe" not in done.stderr
    record_property("fault", ["closed pipe: a reader that goes away", 2 * len(tried), "silence"])
