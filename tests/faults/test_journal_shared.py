"""The journal with two programs at once, in a folder where nothing may be written, and on a disk with no room."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from leanmix.errors import FileTrouble
from leanmix.journal import DriveNote, Journal
from leanmix.journal import store as store_module

WRITERS, EACH = 4, 25

WRITE = """
import sys
from pathlib import Path
from leanmix.journal import DriveNote, Journal
for i in range(int(sys.argv[3])):
    with Journal.open(Path(sys.argv[1])) as j:
        print(j.record_drive(DriveNote(sys.argv[2], verdict=str(i))), flush=True)
"""


@pytest.mark.fault
def test_programs_at_once_lose_nothing_and_none_is_turned_away(
    tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    path = tmp_path / "made" / "journal.sqlite"  # all of them try to make it
    running = [
        subprocess.Popen(
            [sys.executable, "-c", WRITE, path, f"program {i}", str(EACH)], stdout=subprocess.PIPE, text=True
        )
        for i in range(WRITERS)
    ]
    said = [p.communicate(timeout=120)[0].split() for p in running]
    assert [p.returncode for p in running] == [0] * WRITERS
    with Journal.open(path) as j:
        assert sorted(uid for one in said for uid in one) == sorted(h.uid for h in j.headlines())
        assert len(j.headlines()) == WRITERS * EACH
        assert j.trouble() == ()
    record_property("fault", [f"journal, {WRITERS} programs at once", WRITERS * EACH, "every row kept"])


def test_a_program_that_holds_on_is_named_as_the_reason(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store_module, "BUSY_S", 0.05)
    path = tmp_path / "journal.sqlite"
    Journal.open(path).close()
    holder = sqlite3.connect(path, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    with Journal.open(path) as j:
        with pytest.raises(FileTrouble, match="another program"):
            j.record_drive(DriveNote("lake"))
        assert j.headlines() == []  # reading goes on meanwhile
        holder.execute("ROLLBACK")
        j.record_drive(DriveNote("lake"))
        assert len(j.headlines()) == 1
    holder.close()


# Loads everything first, then gives up the right to write: root would pass any permission.
AS_NOBODY = """
import os, sys
from pathlib import Path
from leanmix.errors import FileTrouble
from leanmix.journal import DriveNote, Journal
from leanmix.machine import demo
tarn = demo("tarn")
if os.getuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
with Journal.open(Path(sys.argv[1]), read_only=True) as j:
    print(len(j.headlines()), len(j.trouble()))
try:
    with Journal.open(Path(sys.argv[1])) as j:
        j.record_drive(DriveNote("lake"), source=tarn)
    print("written")
except FileTrouble as error:
    print(error)
"""


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that other users may look into: pytest's own is closed to them."""
    folder = Path(tempfile.mkdtemp(prefix="leanmix-test-"))
    folder.chmod(0o755)
    yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


def as_nobody(path: Path) -> list[str]:
    path.parent.chmod(0o555)
    done = subprocess.run(
        [sys.executable, "-c", AS_NOBODY, path], capture_output=True, text=True, check=False, cwd=path.parent
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


@pytest.mark.fault
def test_read_only_folder_is_read_and_the_refusal_says_what_to_do(
    open_folder: Path, record_property: Callable[[str, object], None]
) -> None:
    path = open_folder / "journal.sqlite"
    with Journal.open(path) as j:
        j.record_drive(DriveNote("lake"))
    path.chmod(0o444)
    read, refused = as_nobody(path)
    assert read == "1 0"
    assert "may not be written here" in refused
    assert "LEANMIX_HOME" in refused
    assert [p.name for p in open_folder.iterdir()] == ["journal.sqlite"]
    record_property("fault", ["journal, folder may not be written", 1, "read, writing refused"])


@pytest.mark.fault
def test_absent_journal_in_a_read_only_folder_reads_as_empty(
    open_folder: Path, record_property: Callable[[str, object], None]
) -> None:
    read, refused = as_nobody(open_folder / "journal.sqlite")
    assert read == "0 0"
    assert "may not be written here" in refused
    record_property("fault", ["journal, absent where nothing may be written", 1, "reads as empty"])


@pytest.mark.fault
def test_read_only_folder_left_by_a_killed_writer_is_rolled_back_in_a_copy(
    open_folder: Path, record_property: Callable[[str, object], None]
) -> None:
    path = open_folder / "journal.sqlite"
    with Journal.open(path) as j:
        j.record_drive(DriveNote("kept"))
    child = os.fork()
    if child == 0:  # a writer killed with its changes half in the file
        link = sqlite3.connect(path, isolation_level=None)
        link.execute("PRAGMA cache_size = 1")
        link.execute("BEGIN IMMEDIATE")
        for i in range(400):
            row = (f"u{i}", i, "drive", "", "", "x" * 900, b"", "{}", b"", b"")
            link.execute(
                "INSERT INTO entry (uid, at_ms, kind, machine, board, line, digest, body, image, sum)"
                " VALUES (?,?,?,?,?,?,?,?,?,?)",
                row,
            )
        os.kill(os.getpid(), 9)
    os.waitpid(child, 0)
    hot = path.with_name("journal.sqlite-journal")
    assert hot.stat().st_size > 0
    for one in (path, hot):
        one.chmod(0o444)
    read, refused = as_nobody(path)
    assert read == "1 0"
    assert "may not be written here" in refused
    open_folder.chmod(0o755)
    for one in (path, hot):
        one.chmod(0o644)  # only root writes to them without
    with Journal.open(path) as j:
        assert [h.line for h in j.headlines()] == ["kept, 0 tips"]
    record_property("fault", ["journal, half-written where nothing may be written", 1, "rolled back in a copy"])


UNTIL_FULL = """
import resource, sys
from pathlib import Path
from leanmix.errors import FileTrouble
from leanmix.journal import Journal
from leanmix.machine import demo, parse
path, room = Path(sys.argv[1]), int(sys.argv[2])
text = demo("tarn").text
sources = [parse(text + f"# build {i}\\n") for i in range(12)]
resource.setrlimit(resource.RLIMIT_FSIZE, (room, resource.RLIM_INFINITY))
try:
    for source in sources:
        with Journal.open(path) as j:
            print(j.record_flash(source, bytes(300), "LM-1", "verified"), flush=True)
    print("all written")
except FileTrouble as error:
    print(error)
"""


@pytest.mark.fault
@pytest.mark.parametrize("room", [0, 512, 4096, 20_000, 32_768, 50_000, 77_777])
def test_no_room_keeps_what_was_said_to_be_kept(
    tmp_path: Path, room: int, record_property: Callable[[str, object], None]
) -> None:
    path = tmp_path / "journal.sqlite"
    done = subprocess.run(
        [sys.executable, "-c", UNTIL_FULL, path, str(room)], capture_output=True, text=True, check=True
    )
    *kept, last = done.stdout.splitlines()
    assert "could not be written" in last
    with Journal.open(path) as j:
        assert j.trouble() == ()
        assert [f.uid for f in j.flashes()] == kept
        assert all(j.file_of(f.digest) is not None for f in j.flashes())
        j.record_drive(DriveNote("room again"))
    record_property("fault", [f"journal, files may have {room} bytes", 1, f"{len(kept)} kept, then refused"])
