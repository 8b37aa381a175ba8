"""A tour through a real terminal: steer, nudge, undo, walk a stop, flash, unplug in the middle of it, flash again, save, crash, recover."""

from __future__ import annotations

import itertools
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from leanmix.board import VirtualBoard, virtual_storage

PATIENCE_S = 60.0
STARTS = itertools.count()


class Terminal:
    """A window of a terminal multiplexer of its own, so that what is seen is what a terminal makes of it."""

    def __init__(self, columns: int, rows: int, home: Path, folder: Path) -> None:
        self.socket = ""
        self.home, self.folder = home, folder
        self.size = (str(columns), str(rows))

    def tmux(self, *words: str) -> str:
        return self.run(*words).stdout

    def run(self, *words: str) -> subprocess.CompletedProcess[str]:
        environment = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES", "NO_COLOR")}
        return subprocess.run(
            ["tmux", "-L", self.socket, *words], capture_output=True, text=True, check=False, env=environment
        )

    def start(self, *arguments: str) -> None:
        self.close()
        # a server of its own for each start: one that is going down still answers, and takes the new window with it
        self.socket = f"leanmix-test-{os.getpid()}-{next(STARTS)}"
        command = [sys.executable, "-m", "leanmix", *arguments]
        columns, rows = self.size
        begun = self.run(
            "-f", "/dev/null", "new-session", "-d", "-x", columns, "-y", rows, "-c", str(self.folder),
            "-e", f"LEANMIX_HOME={self.home}", "-e", f"PYTHONPATH={Path(__file__).parents[2]}", *command,
        )  # fmt: skip
        assert begun.returncode == 0, begun.stderr

    def screen(self) -> str:
        return self.tmux("capture-pane", "-p")

    def keys(self, *keys: str) -> None:
        self.tmux("send-keys", *keys)

    def type(self, text: str) -> None:
        self.tmux("send-keys", "-l", text)

    def sees(self, *wanted: str, not_any_more: str = "") -> str:
        """Wait until all of these are on the screen."""
        deadline = time.monotonic() + PATIENCE_S
        shown = ""
        while time.monotonic() < deadline:
            shown = self.screen()
            if all(w in shown for w in wanted) and (not not_any_more or not_any_more not in shown):
                return shown
            time.sleep(0.05)
        raise AssertionError(f"never saw {wanted}:\n{shown}")

    def pid(self) -> int:
        return int(self.tmux("list-panes", "-F", "#{pane_pid}").split()[0])

    def close(self) -> None:
        if self.socket:
            self.tmux("kill-server")


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Terminal]:
    home, folder = tmp_path / "home", tmp_path / "work"
    folder.mkdir()
    one = Terminal(100, 30, home, folder)
    yield one
    one.close()


@pytest.mark.fault
def test_the_whole_job_in_a_real_terminal(
    terminal: Terminal, monkeypatch: pytest.MonkeyPatch, record_property: Callable[[str, object], None]
) -> None:
    monkeypatch.setenv("LEANMIX_HOME", str(terminal.home))
    terminal.start("open", "demo:tarn")
    terminal.sees("Tarn", "from behind", "loads left", "next stop in")
    terminal.keys("Left", "Left", "Left", "Left")
    terminal.sees("20.0 % left", "runners 5.2° left")
    terminal.type("/radius")
    terminal.keys("Enter")
    terminal.sees("rows that hold")
    # Escape and a letter close together are another key to a terminal: wait until it was taken
    terminal.keys("Escape")
    terminal.sees("Measure", not_any_more="rows that hold")
    terminal.keys("PageDown", "PageDown", "PageDown", "PageDown")
    terminal.sees("Servo arm")
    terminal.keys("Down", "Down")
    terminal.sees("Servo arm: radius")
    terminal.type("+")
    terminal.sees("15.1", "not saved")
    terminal.type("u")
    terminal.sees("Undone", not_any_more="not saved")
    terminal.type("i")
    terminal.keys("Enter")
    terminal.sees("arm held at 55.5° left", "servo screw")
    terminal.keys("Escape")
    terminal.sees("20.0 % left", not_any_more="arm held")
    terminal.type("l")
    terminal.sees("PROVED")

    board = VirtualBoard(virtual_storage())
    board.start()
    try:
        open_board(terminal, board.port)
        terminal.type("g")
        terminal.sees("All clear")
        before = board.core.storage
        terminal.keys("Down", "Enter")
        deadline = time.monotonic() + PATIENCE_S
        while board.core.storage == before:
            assert time.monotonic() < deadline, "nothing was written"
            time.sleep(0.0005)
        assert board.core.storage != before
    finally:
        board.stop()  # unplugged, in the middle of the flash
    terminal.sees("✕", "No board is open", not_any_more="Storing")

    with VirtualBoard(virtual_storage()) as again:
        open_board(terminal, again.port)
        terminal.type("g")
        terminal.sees("All clear")
        terminal.keys("Down", "Enter")
        terminal.sees("= on the board", "made from this very file")
        terminal.type("h")
        terminal.sees("flash", "Tarn")
        terminal.type("m")
        terminal.type("w")
        terminal.sees("File to write")
        terminal.keys("Enter")
        terminal.sees("Saved tarn.toml")
    assert (terminal.folder / "tarn.toml").exists()

    terminal.type("+")
    terminal.sees("not saved", "≠ not what the board holds")
    os.kill(terminal.pid(), signal.SIGKILL)
    terminal.start("open", "tarn.toml")
    terminal.sees("Edits left behind", "1 edit")
    terminal.keys("Enter")
    terminal.sees("Taken up where it ended", "not saved")
    terminal.keys("C-s")
    terminal.sees("Saved")
    record_property(
        "fault",
        ["screens in a terminal: unplugged while flashing, then killed", 2, "told, flashed again, edits taken up"],
    )
    terminal.type("q")
    deadline = time.monotonic() + PATIENCE_S
    while terminal.tmux("list-sessions"):
        assert time.monotonic() < deadline, "it did not end"
        time.sleep(0.05)


def open_board(terminal: Terminal, port: str) -> None:
    terminal.type("b")
    terminal.sees("Enter")
    terminal.keys("Enter")
    terminal.sees("Which board")
    terminal.type("type")
    terminal.keys("Enter")
    terminal.sees("Name of the port")
    terminal.type(port)
    terminal.keys("Enter")
    terminal.sees("virtual board on", "firmware")


@pytest.mark.fault
@pytest.mark.parametrize(("columns", "rows"), [(79, 24), (80, 23), (30, 8)])
def test_a_window_too_small_is_told_so(
    terminal: Terminal, columns: int, rows: int, record_property: Callable[[str, object], None]
) -> None:
    terminal.size = (str(columns), str(rows))
    terminal.start("open", "demo:tarn")
    terminal.sees("needs a window" if columns > 40 else "80")
    record_property("fault", ["terminal too small for the screens", 1, "told so, no crash"])
    terminal.type("q")
