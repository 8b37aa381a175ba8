"""Every example of the help is run: it ends well, keeps results on stdout and talk on stderr, and obeys --quiet."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest

from tests.unit.shell_kit import REAL_PORT, SOME_HASH, Known, every_command, prepare, ran

KNOWN = every_command()

# these wait for somebody at a terminal, a browser or Ctrl-C; tests of their own run them
WAITING = {"open", "photo", "board virtual", "bench walk", "bench"}
# a sound journal needs no mending and says so
STATUS = {"journal mend": 2}
# fewer cells of the map, other names for what the help cannot know
OTHERWISE = {
    REAL_PORT: "virtual",
    SOME_HASH: "",
    "radius_m=1.5:5:8": "radius_m=4,5",
    "ratio=0:0.5:6": "ratio=0.3",
}
# mine.toml is there already
MORE = {"new": ("--force",), "bench take": ("--yes",), "share": ("--force",), "share make": ("--force",)}

RUN = [k for k in KNOWN if k.name not in WAITING]


@pytest.fixture(scope="session")
def stocked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("stocked")
    before = os.environ.get("LEANMIX_HOME")
    os.environ["LEANMIX_HOME"] = str(folder / "home")
    prepare(folder)
    if before is None:
        del os.environ["LEANMIX_HOME"]
    else:
        os.environ["LEANMIX_HOME"] = before
    return folder


@pytest.fixture
def desk(stocked: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the stocked folder to work in."""
    place = tmp_path / "desk"
    shutil.copytree(stocked, place)
    monkeypatch.setenv("LEANMIX_HOME", str(place / "home"))
    monkeypatch.chdir(place)
    return place


def _words(known: Known, desk: Path) -> list[str]:
    from leanmix.machine import demo

    hash_of_mine = demo("wren").digest.hex()[:10]
    words = [OTHERWISE.get(word, word) if word != SOME_HASH else hash_of_mine for word in known.example]
    return [*words, *MORE.get(known.name, ())]


@pytest.mark.parametrize("known", RUN, ids=lambda k: k.name.replace(" ", "-"))
def test_an_example_ends_well_and_quiet_leaves_results_only(known: Known, desk: Path) -> None:
    json_too = ["--json"] if known.has_json and "--json" not in known.example else []
    done = ran("--quiet", *_words(known, desk), *json_too)
    wanted = STATUS.get(known.name, 0)
    assert done.status == wanted, done.err
    if wanted:
        assert done.out == ""
        assert done.err.startswith("leanmix: ")
        return
    assert done.err == ""
    if json_too:
        found = json.loads(done.out)
        assert found["schema"] == 1
        assert found["tool"].startswith("leanmix ")


TALKING = ("new", "bench add", "journal export", "log against", "bench fit", "table", "journal note")


@pytest.mark.parametrize("name", TALKING)
def test_talk_is_apart_from_results_and_no_progress_is_drawn_off_a_terminal(name: str, desk: Path) -> None:
    known = next(k for k in KNOWN if k.name == name)
    quiet = ran("--quiet", *_words(known, desk))
    again = ["--force"] if any("--force" in p.opts for p in known.command.params) and name != "new" else []
    loud = ran(*_words(known, desk), *again)
    assert loud.status == quiet.status == 0, loud.err
    assert loud.out == quiet.out
    assert loud.err != ""
    assert not {"\r", "\x1b"} & set(loud.err + loud.out)


def test_quiet_may_stand_behind_the_command(desk: Path) -> None:
    assert ran("new", "other.toml", "-q").err == ""
    assert ran("journal", "note", "mine.toml", "--place", "lake", "--quiet").err == ""
    assert ran("new", "third.toml").err != ""
