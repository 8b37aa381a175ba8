"""A machine that is not as one would like it: no home, no room, strange names and languages, no terminal, a closed pipe."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from leanmix.machine import demo

Record = Callable[[str, object], None]
pytestmark = pytest.mark.fault

COMMANDS: tuple[tuple[str, ...], ...] = (
    ("check", "demo:tarn"),
    ("flash", "demo:tarn", "--port", "virtual"),
    ("board", "identify", "--port", "virtual"),
    ("journal", "list"),
    ("tour",),
)


def run(arguments: tuple[str, ...], env: dict[str, str], limit: Callable[[], None] | None = None, **more: object):
    return subprocess.run(
        [sys.executable, "-m", "leanmix", *arguments],
        env={"PATH": os.environ["PATH"], **env},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=limit,
        **more,  # type: ignore[call-overload]
    )


def civil(done: subprocess.CompletedProcess[str]) -> bool:
    """Done, or a sentence with status 2: never a traceback, never a fault of our own."""
    said = done.stderr
    return "Traceback" not in said and (done.returncode == 0 or (done.returncode == 2 and said.startswith("leanmix: ")))


def test_a_home_that_cannot_be_written(record_property: Record) -> None:
    home = "/dev/null/below"
    for arguments in COMMANDS:
        done = run(arguments, {"LEANMIX_HOME": home})
        assert civil(done), (arguments, done)
        # a tour keeps nothing; a flash that cannot be kept is not made
        assert done.returncode == {"flash": 2, "tour": 0}.get(arguments[0], done.returncode)
    record_property(
        "fault", [f"home that cannot be written: {home}", len(COMMANDS), "done, or a sentence and status 2"]
    )


def test_no_home_at_all(tmp_path: Path, record_property: Record) -> None:
    for arguments in COMMANDS:
        done = run(arguments, {"XDG_DATA_HOME": str(tmp_path)})
        assert civil(done), (arguments, done)
    record_property("fault", ["no HOME in the environment", len(COMMANDS), "done, or a sentence and status 2"])


def test_no_room_for_files(tmp_path: Path, record_property: Record) -> None:
    def tiny() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (200, 200))

    env = {"LEANMIX_HOME": str(tmp_path / "home"), "PYTHONDONTWRITEBYTECODE": "1"}
    target = tmp_path / "kept.toml"
    target.write_text("kept")
    tried = (*COMMANDS[2:5], ("new", str(tmp_path / "x.toml")), ("new", str(target), "--force"))
    for arguments in tried:
        done = run(arguments, env, tiny)
        assert civil(done), (arguments, done)
    assert target.read_text() == "kept"
    assert [p.name for p in tmp_path.iterdir() if p.is_file()] == ["kept.toml"]
    record_property("fault", ["no room for a file of 200 bytes", len(tried), "a sentence, what was there is kept"])


@pytest.mark.parametrize("name", ["Müllers Schlitten", "雪の上", "a b'c\"d", "-q", "line\nbreak", "\udcff broken"])
def test_strange_file_names(tmp_path: Path, name: str, record_property: Record) -> None:
    file = tmp_path / f"{name}.toml"
    file.write_text(demo("tarn").text.replace('name = "Tarn"', 'name = "Fjällräv 雪"'), encoding="utf-8")
    env = {"LEANMIX_HOME": str(tmp_path / name)}
    for arguments in (("check", str(file)), ("check", str(file), "--json"), ("flash", str(file), "--port", "virtual")):
        done = run(arguments, env)
        assert done.returncode == 0, done
    shown = json.loads(run(("check", str(file), "--json"), env).stdout)
    assert shown["machine"]["name"] == "Fjällräv 雪"
    record_property("fault", [f"file and folder named {name!a}", 4, "works"])


@cache
def plain_numbers() -> list[dict[str, object]]:
    return list(json.loads(run(("check", "demo:tarn", "--json"), {}).stdout)["numbers"])


@pytest.mark.parametrize(
    "env",
    [
        {"LC_ALL": "de_DE.UTF-8"},
        {"LC_ALL": "C", "PYTHONUTF8": "0"},
        {"LANG": "tr_TR.UTF-8", "LC_NUMERIC": "tr_TR.UTF-8"},
        {"TERM": "dumb", "COLUMNS": "20", "LINES": "3"},
        {"TERM": ""},
        {"PYTHONIOENCODING": "ascii"},
        {"TZ": "Nonsense/Nowhere"},
    ],
    ids=lambda env: ",".join(f"{k}={v}" for k, v in env.items()),
)
def test_other_languages_and_terminals_change_no_number(
    tmp_path: Path, env: dict[str, str], record_property: Record
) -> None:
    other = run(("check", "demo:tarn", "--json"), {"LEANMIX_HOME": str(tmp_path), **env})
    assert other.returncode == 0, other
    assert json.loads(other.stdout)["numbers"] == plain_numbers()
    assert civil(run(("check", "demo:tarn"), {"LEANMIX_HOME": str(tmp_path), **env}))
    record_property("fault", [f"surroundings {env}", 2, "same numbers"])


def test_streams_that_are_closed(tmp_path: Path, record_property: Record) -> None:
    env = {**os.environ, "LEANMIX_HOME": str(tmp_path)}
    for redirect in (">&-", "2>&-", "<&-", ">&- 2>&-", ">/dev/full"):
        command = f"{sys.executable} -m leanmix check demo:tarn {redirect}"
        done = subprocess.run(["bash", "-c", command], env=env, capture_output=True, text=True, check=False)
        assert "Traceback" not in done.stderr, (redirect, done.stderr)
        assert "Exception ignored" not in done.stderr, (redirect, done.stderr)
        assert done.returncode in (0, 2), (redirect, done)
    record_property("fault", ["standard streams closed or full", 5, "no traceback"])
