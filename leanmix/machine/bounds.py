"""Files from others, read to a bound: how many bytes, how long a pipe may take, how deep TOML may nest.

A file's name may lead to a folder, a device that never ends or a pipe that nobody writes to. Texts may nest until
Python's own stack gives up, or hold a whole number of a million digits, which no message could print.
"""

from __future__ import annotations

import os
import select
import stat
import time
import tomllib
from pathlib import Path
from typing import Any

from leanmix.errors import FileTrouble, calm

__all__ = ["DEEPEST", "LINE_MOST", "plain_file", "printable", "read_file", "toml_content"]

PIPE_S = 30.0
DEEPEST = 16
# a dotted key of n parts costs the parser n² steps, and a key stands on one line
LINE_MOST = 8192
# whole numbers beyond this are no measure of anything, and their text cannot be printed
WHOLE_MOST = 10**18
_PIECE = 1 << 20


def read_file(path: str | Path, most_bytes: int, most: str, todo: str) -> bytes:
    """A file's bytes; a pipe may be given, so that ``<(command)`` works in a shell.

    Parameters
    ----------
    path : str or Path
        Name of a file, or of a pipe that is being written to.
    most_bytes : int
        Greatest size taken; no byte more is read than tells that it is larger.
    most : str
        That size for people, such as "1 MiB".
    todo : str
        What to do about a file that is larger.

    Raises
    ------
    FileTrouble
        When it cannot be read, is too large, or is a pipe that does not end within 30 s.
    """
    shown = str(path)
    try:
        # without O_NONBLOCK a pipe that nobody writes to could not even be opened
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        try:
            data = _read(handle, most_bytes)
        finally:
            os.close(handle)
    except TimeoutError as error:
        raise FileTrouble(f"{shown}: is a pipe that did not end within {PIPE_S:g} s.", "Give a file.") from error
    except OSError as error:
        raise FileTrouble(
            f"{shown}: cannot be read ({error.strerror or error}).", "Check the name and its permissions."
        ) from error
    except ValueError as error:
        raise FileTrouble(f"{shown!r}: is not a file name.", "Check the name.") from error
    if len(data) > most_bytes:
        raise FileTrouble(f"{shown}: is larger than {most}.", todo)
    return data


def _read(handle: int, most_bytes: int) -> bytes:
    kind = os.fstat(handle).st_mode
    waits = os.name == "posix" and not stat.S_ISREG(kind) and not stat.S_ISDIR(kind)
    out = bytearray()
    deadline = time.monotonic() + PIPE_S
    while len(out) <= most_bytes:
        if waits and not select.select([handle], [], [], max(0.0, deadline - time.monotonic()))[0]:
            raise TimeoutError
        part = os.read(handle, min(_PIECE, most_bytes + 1 - len(out)))
        if not part:
            break
        out += part
    return bytes(out)


def plain_file(path: str | Path) -> None:
    """Refuse what is no plain file, for readers that go to and fro in it.

    Raises
    ------
    FileTrouble
        When it is a folder, a device or a pipe, or is not there.
    """
    shown = str(path)
    try:
        kind = os.stat(path).st_mode
    except OSError as error:
        raise FileTrouble(f"{shown}: cannot be read ({error.strerror or error}).", "Check the name.") from error
    except ValueError as error:
        raise FileTrouble(f"{shown!r}: is not a file name.", "Check the name.") from error
    if not stat.S_ISREG(kind):
        what = "a folder" if stat.S_ISDIR(kind) else "a device or pipe"
        raise FileTrouble(f"{shown}: is {what}, where a plain file is needed.", "Check the name.")


def toml_content(text: str) -> dict[str, Any]:
    """What a TOML text says, once it is sure that it can be looked at and printed.

    Parameters
    ----------
    text : str
        The text; its size is the caller's to bound.

    Raises
    ------
    tomllib.TOMLDecodeError
        When it is not TOML.
    ValueError
        With the reason in words, when it is TOML but nests deeper than `DEEPEST`, has a line longer than
        `LINE_MOST`, or holds a number or date that cannot be read.
    """
    if any(len(line) > LINE_MOST for line in text.split("\n")):
        raise ValueError(f"a line is longer than {LINE_MOST} characters")
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError as error:
        raise ValueError("nested too deep") from error
    except ValueError as error:
        raise ValueError("it holds a number or date that cannot be read") from error
    level: list[Any] = [content]
    for _ in range(DEEPEST):
        below: list[Any] = []
        for item in level:
            if isinstance(item, dict):
                below.extend(item.values())
            elif isinstance(item, list):
                below.extend(item)
            elif isinstance(item, int) and abs(item) > WHOLE_MOST:
                raise ValueError("it holds a whole number too large to be one")
        level = below
        if not level:
            return content
    raise ValueError("nested too deep")


def printable(text: str, most: int = 200) -> str:
    """A stranger's text in one line that cannot steer a terminal, cut to `most` characters."""
    line = calm(text[: most + 1], lines=False)
    return line if len(line) <= most else line[: most - 1] + "…"
