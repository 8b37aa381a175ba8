"""In a pipe whose reader has gone, on a terminal and off it: no traceback, no progress where nobody sees it."""

from __future__ import annotations

import io
import os
import subprocess
import sys

import click
import pytest

from leanmix.commands._drive_shown import bar
from leanmix.commands._manual import manual
from leanmix.commands._ports import progress_bar

LONG = (
    ("--help",),
    ("stops", "--help"),
    ("check", "demo:tarn"),
    ("curve", "demo:tarn", "--json"),
    ("table", "demo:tarn", "--as", "csv"),
    ("board", "list"),
    ("journal", "list"),
    ("log", "format"),
    ("man",),
    ("completion", "zsh"),
)


@pytest.mark.parametrize("arguments", LONG, ids=lambda a: "-".join(a[:2]))
def test_a_pipe_that_nobody_reads_ends_quietly_and_well(arguments: tuple[str, ...]) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "leanmix", *arguments],
            stdin=subprocess.DEVNULL,
            stdout=writer,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    finally:
        os.close(writer)
    assert "Traceback" not in done.stderr
    assert "BrokenPipe" not in done.stderr
    assert "leanmix:" not in done.stderr
    assert done.returncode == 0


class _Screen(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("screen", "quiet", "shown"), [(True, False, True), (True, True, False), (False, False, False)]
)
def test_progress_is_for_a_terminal_only(
    screen: bool, quiet: bool, shown: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    stream = _Screen() if screen else io.StringIO()
    monkeypatch.setattr(sys, "stderr", stream)
    with click.Context(click.Command("x")) as context:
        context.params["quiet"] = quiet
        tell = progress_bar("writing")
        assert (tell is not None) == shown
        if tell is not None:
            tell(64, 136)
        with bar("driving") as moved:
            assert (moved is not None) == shown
            if moved is not None:
                moved(1, 2)
    assert ("writing: 64 of 136 bytes" in stream.getvalue()) == shown
    assert ("driving" in stream.getvalue()) == shown


def test_the_manual_page_shows_what_roff_would_swallow() -> None:
    nasty = (
        "Say 'a\\nb' -- not \"c\"; `d^e~f`.\n\n.so /a/file\n\n\b\n.TH one\n  'kept  apart'\n\nExample: leanmix x '.y'"
    )
    inner = click.Command("x", help=nasty)
    tool = click.Group("leanmix", {"x": inner}, help="Do it.\n\nMore.")
    page = manual(tool)
    lint = ["mandoc", "-T", "lint", "-W", "warning"]
    assert subprocess.run(lint, input=page, capture_output=True, text=True, check=False).stdout == ""
    shown = subprocess.run(["mandoc", "-T", "utf8"], input=page, capture_output=True, text=True, check=True).stdout
    plain = "".join(c for i, c in enumerate(shown) if c != "\b" and shown[i + 1 : i + 2] != "\b")
    for text in ("Say 'a\\nb' -- not \"c\"; `d^e~f`.", ".so /a/file", ".TH one\n", "'kept  apart'", "leanmix x '.y'"):
        assert text in plain, text
