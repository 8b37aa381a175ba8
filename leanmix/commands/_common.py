"""What every command shares: loading a machine, JSON out, tables for people, talk on stderr."""

from __future__ import annotations

import dataclasses
import errno
import json
import math
import os
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from leanmix import __version__
from leanmix.commands._completion import MACHINE
from leanmix.errors import FileTrouble, calm
from leanmix.machine import MachineFile, load, save_text

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

__all__ = [
    "Decimal",
    "console",
    "emit_json",
    "headed",
    "json_option",
    "load",
    "machine_argument",
    "plain",
    "quiet",
    "save_out",
    "talk",
]

F = TypeVar("F", bound=Callable[..., Any])

JSON_SCHEMA = 1


class Decimal(click.ParamType):  # type: ignore[type-arg]  # generic only in newer releases of click
    """A number with a point or, as many a keyboard gives it, a comma.

    Parameters
    ----------
    missing : str
        What to do where it was not given.
    """

    name = "float"

    def __init__(self, missing: str = "") -> None:
        self._missing = missing

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Read it."""
        try:
            return float(str(value).replace(",", "."))
        except ValueError:
            self.fail(f"{value!r} is not a number.", param, ctx)

    def get_missing_message(self, param: click.Parameter, ctx: click.Context | None = None) -> str | None:
        """What to do where it was not given."""
        return self._missing or None


def machine_argument(command: F) -> F:
    """FILE argument: a machine file's path, or ``demo:tarn``, ``demo:wren``, ``demo:moss``."""
    return click.argument("file", metavar="FILE", type=MACHINE)(command)


def json_option(command: F) -> F:
    """``--json``: print one JSON object for other programs instead of a table for people."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON for other programs.")(command)


def console(*, stderr: bool = False) -> Console:
    """A console for tables and text; plain when not on a terminal, no colour with NO_COLOR.

    No text is read as markup or passed on with control characters: names and notes come from strangers' files.
    For a bold beginning see `headed`.
    """
    from rich.console import Console

    class Plain(Console):
        def render_str(self, text: str, **how: Any) -> Text:
            return super().render_str(calm(text), **how)

        def on_broken_pipe(self) -> None:
            # its own way out is status 1, which here is an answer; leanmix.cli knows what to do
            raise BrokenPipeError(errno.EPIPE, os.strerror(errno.EPIPE))

    stream = sys.stderr if stderr else sys.stdout
    width = None if stream.isatty() else 110
    return Plain(stderr=stderr, width=width, highlight=False, soft_wrap=False, markup=False)


def headed(head: str, rest: str = "") -> Text:
    """A line that begins in bold."""
    from rich.text import Text

    return Text.assemble((calm(head), "bold"), rest)


def quiet() -> bool:
    """Whether ``--quiet`` was given."""
    context = click.get_current_context(silent=True)
    return bool(context and context.find_root().params.get("quiet"))


def talk(text: str) -> None:
    """Say something that is not a result: to stderr, and not at all with ``--quiet``."""
    if not quiet():
        click.echo(text, err=True)


def plain(value: Any) -> Any:
    """Turn results into what JSON knows: dataclasses and arrays unpacked, no NaN (null instead)."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(v) for v in value]
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def emit_json(kind: str, payload: Mapping[str, Any], source: MachineFile | None = None) -> None:
    """Print one JSON object: what it is, who wrote it, for which machine, then the payload."""
    head: dict[str, Any] = {"schema": JSON_SCHEMA, "kind": kind, "tool": f"leanmix {__version__}"}
    if source is not None:
        head["machine"] = {"name": source.machine.name, "file": source.name, "sha256": source.digest.hex()}
    click.echo(json.dumps({**head, **plain(payload)}, indent=2, ensure_ascii=False, allow_nan=False))


def save_out(path: str, data: str | bytes, *, force: bool) -> None:
    """Write a result to a file; never over an existing one unless forced.

    Raises
    ------
    FileTrouble
        When the file is there already and `force` is false, or it cannot be written.
    """
    if not force and Path(path).exists():
        raise FileTrouble(f"{path}: is there already.", "Choose another name, or add --force.")
    save_text(path, data)
    talk(f"wrote {path}")
