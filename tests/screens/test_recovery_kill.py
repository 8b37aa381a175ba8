"""kill −9 at any moment: every edit that was made before it is there again, with its undo and redo."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from leanmix.screens.recovery import left_behind
from leanmix.screens.store import Store
from tests.conftest import DEEP

KILLS = 60 if DEEP else 6


def killed_after(seconds: float, home: Path) -> list[tuple[int, float, int]]:
    """What the child said before it was killed."""
    child = subprocess.Popen(
        [sys.executable, "-m", "tests.screens.edit_child"], stdout=subprocess.PIPE, text=True,
        env={**os.environ, "LEANMIX_HOME": str(home)},
    )  # fmt: skip
    assert child.stdout is not None
    first = child.stdout.readline()
    time.sleep(seconds)
    child.send_signal(signal.SIGKILL)
    said = first + child.stdout.read()
    child.stdout.close()
    assert child.wait() == -signal.SIGKILL
    rows = []
    for line in said.splitlines():
        words = line.split()
        if len(words) == 3 and line + "\n" in said:
            rows.append((int(words[0]), float(words[1]), int(words[2])))
    return rows


@pytest.mark.fault
def test_nothing_said_to_be_done_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, record_property: Callable[[str, object], None]
) -> None:
    rng = random.Random(6)
    for i in range(KILLS):
        home = tmp_path / f"home{i}"
        said = killed_after(rng.uniform(0.0, 0.25), home)
        monkeypatch.setenv("LEANMIX_HOME", str(home))
        (lost,) = left_behind()
        store = Store()
        store.recover(lost)
        try:
            done = len(lost.edits)
            last = said[-1][0]
            # the child may have kept one more than it had time to say
            assert last <= done <= last + 1
            expected = {at: (mass, edits) for at, mass, edits in said}
            if done > last:
                # back to what it had said: the row beyond was kept but not told
                beyond = lost.edits[-1]
                assert (store.redo() if "undo" in beyond else store.undo()) is not None
            assert (store.good.machine.chassis.mass_g.at, store.edits) == expected[last]
        finally:
            store.close()
    record_property("fault", ["editing on the screens: killed (SIGKILL) at any moment", KILLS, "no edit lost"])
