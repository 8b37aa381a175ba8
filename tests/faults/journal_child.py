"""Run by the journal's fault tests in a process of its own: does journal work in forked children that get killed.

Reads one JSON job a line from stdin, answers with one JSON line each. A job names a folder holding a base journal,
an operation, and at which file-changing call to fail and how; the answer says what was acknowledged and what a
new reader then finds.
"""

from __future__ import annotations

import ctypes
import io
import json
import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from leanmix.errors import FileTrouble
from leanmix.journal import DriveNote, Journal, Reading, export_lines, import_lines, mend, store
from leanmix.machine import demo

TARN, WREN = demo("tarn"), demo("wren")
IMAGE = bytes(range(200))
READING = Reading("arm_deg", 12.5, 1.0, "protractor", "left", 1620.0, "longer", walk="w1")


def base(path: Path) -> None:
    """A journal with some of everything, one flash begun and not ended."""
    with Journal.open(path) as j:
        for i in range(12):
            uid = j.begin_flash(TARN, IMAGE, f"LM-{i % 3}")
            j.end_flash(uid, "verified")
            j.record_reading(READING, source=TARN)
        j.begin_flash(TARN, IMAGE, "LM-9")


LAYOUTS = store.MIGRATIONS
NEXT_LAYOUTS = (*LAYOUTS, ("ALTER TABLE entry ADD COLUMN extra TEXT", "CREATE TABLE later (x)"))


def migrate(path: Path) -> str:
    Journal.open(path).close()
    return ""


def take_in(path: Path) -> str:
    with Journal.open(path.with_name("other.sqlite"), read_only=True) as other:
        text = "".join(export_lines(other)).encode()
    with Journal.open(path) as j:
        import_lines(j, io.BytesIO(text), "other")
    return ""


def within(work: Callable[[Journal], str]) -> Callable[[Path], str]:
    def run(path: Path) -> str:
        with Journal.open(path) as j:
            return work(j)

    return run


def end_last(j: Journal) -> str:
    j.end_flash(j.flashes("LM-9")[-1].uid, "failed", "the line went quiet")
    return ""


OPERATIONS: dict[str, Callable[[Path], str]] = {
    "first use": within(lambda j: j.record_drive(DriveNote("lake"), source=TARN)),
    "begin flash": within(lambda j: j.begin_flash(WREN, IMAGE, "LM-1")),
    "end flash": within(end_last),
    "flash": within(lambda j: j.record_flash(TARN, IMAGE, "LM-1", "reverted")),
    "reading": within(lambda j: j.record_reading(READING, source=TARN)),
    "drive": within(lambda j: j.record_drive(DriveNote("lake", tips=2), source=WREN)),
    "edit": within(lambda j: j.record_edit(WREN, demo("moss"), "bench")),
    "strike": within(lambda j: j.strike(j.headlines(kind="reading")[3].uid, "misread") and ""),
    "import": take_in,
    "migrate": migrate,
    "mend": lambda path: (mend(path) and "") or "",
}


def contents(path: Path) -> dict[str, Any]:
    """What a new reader finds, as something that can be compared."""
    with Journal.open(path, read_only=True) as j:
        return {
            "rows": [h.uid for h in j.headlines()],
            "files": sorted(f.digest.hex() for f in j.files()),
            "trouble": list(j.trouble()),
        }


def attempt(path: Path, operation: str, at: int, how: int) -> dict[str, Any]:
    """Do the operation in a child that fails at the given call; -1 never fails."""
    shim = ctypes.CDLL(None)
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reader)
        shim.lm_arm(ctypes.c_long(at), how)
        try:
            answer = {"ack": OPERATIONS[operation](path), "calls": shim.lm_seen()}
        except FileTrouble as error:
            answer = {"refused": str(error), "calls": shim.lm_seen()}
        os.write(writer, json.dumps(answer).encode())
        os._exit(0)
    os.close(writer)
    with os.fdopen(reader, "rb") as stream:
        said = stream.read()
    _, status = os.waitpid(child, 0)
    return {"killed": os.WIFSIGNALED(status), **(json.loads(said) if said else {})}


def spoil(path: Path) -> None:
    """Tear the index of the list, so that there is something to mend and no row is lost."""
    import sqlite3

    link = sqlite3.connect(path)
    (root,) = link.execute("SELECT rootpage FROM sqlite_master WHERE name = 'entry_list'").fetchone()
    (size,) = link.execute("PRAGMA page_size").fetchone()
    link.close()
    with open(path, "r+b") as stream:
        stream.seek((root - 1) * size)
        stream.write(b"\x00" * size)


def main() -> None:
    folder = Path(sys.argv[1])
    first = folder / "base.sqlite"
    base(first)
    with Journal.open(folder / "other.sqlite") as j:
        j.record_flash(WREN, IMAGE, "LM-1", "verified")
        j.record_drive(DriveNote("gym"), source=WREN)
    before = contents(first)
    sys.stdout.write(json.dumps(before) + "\n")
    sys.stdout.flush()
    for line in sys.stdin:
        job = json.loads(line)
        for old in folder.glob("journal*"):
            old.unlink()
        path = folder / "journal.sqlite"
        if job["operation"] != "first use":
            shutil.copyfile(first, path)
        if job["operation"] == "mend":
            spoil(path)
        store.MIGRATIONS = NEXT_LAYOUTS if job["operation"] == "migrate" else LAYOUTS
        answer = attempt(path, job["operation"], job["at"], job["how"])
        if job["operation"] == "mend" and (answer["killed"] or "refused" in answer):
            attempt(path, "mend", -1, 0)  # tried again, as a user would
        answer["after"] = contents(path)
        # whatever happened, the next program can write
        with Journal.open(path) as j:
            uid = j.record_drive(DriveNote("after"))
            answer["goes_on"] = any(h.uid == uid for h in j.headlines())
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
