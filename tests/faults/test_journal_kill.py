"""Killed, or out of room, at every call that changes a file: what was said to be kept is kept, the rest is whole or absent."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
BEFORE, HALF, AFTER, NO_ROOM = range(4)
OPERATIONS = [
    "first use", "begin flash", "end flash", "flash", "reading", "drive", "edit", "strike", "import", "migrate", "mend",
]  # fmt: skip
LEAST_KILLS = 300


class Children:
    """The child program, asked one job at a time."""

    def __init__(self, folder: Path) -> None:
        shim = folder / "shim.so"
        subprocess.run(
            ["cc", "-shared", "-fPIC", "-O1", "-Wall", "-Werror", "-o", shim, HERE / "journal_kill.c", "-ldl"],
            check=True,
        )
        (folder / "work").mkdir()
        self.process = subprocess.Popen(
            [sys.executable, HERE / "journal_child.py", folder / "work"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "LD_PRELOAD": str(shim), "LEANMIX_HOME": str(folder / "home")},
        )
        self.before = self._answer()

    def _answer(self) -> Any:
        assert self.process.stdout is not None
        return json.loads(self.process.stdout.readline())

    def ask(self, operation: str, at: int = -1, how: int = BEFORE) -> dict[str, Any]:
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps({"operation": operation, "at": at, "how": how}) + "\n")
        self.process.stdin.flush()
        return dict(self._answer())

    def close(self) -> None:
        self.process.communicate(timeout=60)


@pytest.fixture(scope="module")
def children(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Children]:
    c = Children(tmp_path_factory.mktemp("kill"))
    yield c
    c.close()


def held(answer: dict[str, Any], before: dict[str, Any], whole: dict[str, Any], operation: str) -> None:
    """What must be true after any failure: sound, nothing old lost, the new wholly there or not at all."""
    after = answer["after"]
    assert after["trouble"] == []
    assert answer["goes_on"]
    old = {"rows": [], "files": []} if operation == "first use" else before
    assert after["rows"][: len(old["rows"])] == old["rows"]
    assert set(old["files"]) <= set(after["files"])
    states = {(len(old["rows"]), len(old["files"])), (len(whole["after"]["rows"]), len(whole["after"]["files"]))}
    assert (len(after["rows"]), len(after["files"])) in states
    if answer.get("ack"):
        assert answer["ack"] in after["rows"]


@pytest.mark.fault
@pytest.mark.parametrize("operation", OPERATIONS)
def test_killed_at_every_call(
    children: Children, operation: str, record_property: Callable[[str, object], None]
) -> None:
    whole = children.ask(operation)
    assert whole["calls"] >= 5
    assert len(whole["after"]["rows"]) + len(whole["after"]["files"]) > 0
    kills = 0
    for at in range(1, whole["calls"] + 1):
        for how in (BEFORE, HALF, AFTER):
            answer = children.ask(operation, at, how)
            assert answer["killed"], (at, how)
            kills += 1
            held(answer, children.before, whole, operation)
    KILLS[operation] = kills
    record_property("fault", [f"journal, {operation}: killed at any call", kills, "nothing kept was lost"])


KILLS: dict[str, int] = {}


def test_enough_moments_were_tried(children: Children) -> None:
    done = sum(KILLS.values())
    if set(KILLS) == set(OPERATIONS):  # all of the above ran in this process
        assert done >= LEAST_KILLS
    else:
        counted = sum(3 * children.ask(operation)["calls"] for operation in OPERATIONS)
        assert counted >= LEAST_KILLS


@pytest.mark.fault
@pytest.mark.parametrize("operation", OPERATIONS)
def test_no_room_from_any_call_on(
    children: Children, operation: str, record_property: Callable[[str, object], None]
) -> None:
    whole = children.ask(operation)
    refused = 0
    for at in range(1, whole["calls"] + 1):
        answer = children.ask(operation, at, NO_ROOM)
        assert not answer["killed"]
        if "refused" in answer:
            refused += 1
            assert "could not be written" in answer["refused"] or "No space left" in answer["refused"]
        held(answer, children.before, whole, operation)
    assert refused >= 3
    record_property(
        "fault", [f"journal, {operation}: disk full from any call on", whole["calls"], f"{refused} said so"]
    )
