"""Which line of a TOML text a key stands on.

The parser that keeps comments does not say where a key was; this small scan does, for the shapes a machine
file uses: ``[table]``, ``[[array of tables]]``, ``key = …`` and dotted keys. It never raises: what it cannot
place gets no line.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

__all__ = ["key_lines", "line_of"]

_KEY = r"""(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')"""
_DOTTED = rf"{_KEY}(?:\s*\.\s*{_KEY})*"
_TABLE = re.compile(rf"^\s*\[({_DOTTED})\]")
_ARRAY = re.compile(rf"^\s*\[\[({_DOTTED})\]\]")
_PAIR = re.compile(rf"^\s*({_DOTTED})\s*=")

Path = tuple[str | int, ...]


def _split(dotted: str) -> tuple[str, ...]:
    return tuple(k.strip().strip("\"'") for k in re.findall(_KEY, dotted))


def key_lines(text: str) -> dict[Path, int]:
    """Map every table and key path of a TOML text to its 1-based line.

    Parameters
    ----------
    text : str
        TOML text; need not be valid.

    Returns
    -------
    dict
        Paths as tuples; members of an array of tables carry their 0-based index.
    """
    lines: dict[Path, int] = {}
    counts: dict[tuple[str, ...], int] = {}
    here: Path = ()

    def with_indexes(names: tuple[str, ...]) -> Path:
        path: list[str | int] = []
        for i, name in enumerate(names):
            path.append(name)
            if i + 1 < len(names) and names[: i + 1] in counts:
                path.append(counts[names[: i + 1]] - 1)
        return tuple(path)

    for number, line in enumerate(text.splitlines(), start=1):
        if found := _ARRAY.match(line):
            names = _split(found[1])
            counts[names] = counts.get(names, 0) + 1
            here = (*with_indexes(names), counts[names] - 1)
            lines.setdefault(here, number)
            lines.setdefault(here[:-1], number)
        elif found := _TABLE.match(line):
            here = with_indexes(_split(found[1]))
            lines.setdefault(here, number)
        elif found := _PAIR.match(line):
            lines.setdefault((*here, *_split(found[1])), number)
    return lines


def line_of(lines: dict[Path, int], path: Iterable[str | int]) -> int | None:
    """Line of `path`, or of its nearest enclosing table that has one; None at the root."""
    here = tuple(path)
    while here:
        if here in lines:
            return lines[here]
        here = here[:-1]
    return None
