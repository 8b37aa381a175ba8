"""What the commands that talk to a board share: the port option, cautions, progress, identity in words."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from leanmix.commands._common import quiet
from leanmix.commands._completion import PORT
from leanmix.commands._facts import CAUTION

if TYPE_CHECKING:
    from leanmix.board import Identity, Progress

__all__ = ["CAUTION", "cautioned", "identity_json", "identity_lines", "port_option", "progress_bar", "yes_option"]

F = TypeVar("F", bound=Callable[..., Any])


def port_option(command: F) -> F:
    """``--port``: serial port, or ``virtual`` for the virtual board."""
    text = "Serial port, or 'virtual' for a virtual board; see: leanmix board list"
    return click.option("--port", envvar="LEANMIX_PORT", required=True, metavar="PORT", type=PORT, help=text)(command)


def yes_option(command: F) -> F:
    """``--yes``: the cautions were read."""
    return click.option("--yes", is_flag=True, help="Do not ask; you have read the cautions.")(command)


def cautioned(yes: bool, port: str) -> None:
    """Show the cautions and, on a terminal, wait for a yes; a virtual board moves nothing.

    Raises
    ------
    click.Abort
        When the answer is no.
    click.UsageError
        Without a terminal to ask on, and without ``--yes``.
    """
    if port == "virtual":
        return
    click.echo(CAUTION, err=True)
    if yes:
        return
    if not sys.stdin.isatty():
        raise click.UsageError("There is no terminal to ask on. Read the cautions above, then add --yes.")
    click.confirm("Go on?", abort=True, err=True)


def progress_bar(what: str) -> Progress | None:
    """A progress line on a terminal; None elsewhere and with ``--quiet``."""
    if quiet() or not sys.stderr.isatty():
        return None

    def show(done: int, total: int) -> None:
        end = "\n" if done >= total else ""
        sys.stderr.write(f"\r{what}: {done} of {total} bytes{end}")
        sys.stderr.flush()

    return show


def identity_json(identity: Identity) -> dict[str, Any]:
    """A board's identity with units in the key names."""
    return {
        "protocol": identity.protocol,
        "firmware": identity.version,
        "build": f"{identity.build:08x}",
        "kind": identity.kind_name,
        "serial": identity.serial or None,
        "pulse_min_us": identity.pulse_min_us,
        "pulse_max_us": identity.pulse_max_us,
        "outputs": identity.outputs,
        "frame_ms": identity.frame_ms,
        "image_format": identity.image_format,
        "last_start": identity.reset_cause,
        "running_image": None if identity.running_crc is None else f"{identity.running_crc:08x}",
        "previous_image": None if identity.previous_crc is None else f"{identity.previous_crc:08x}",
        "machine_name": identity.machine_name or None,
        "machine_sha256_prefix": identity.machine_hash or None,
    }


def identity_lines(identity: Identity) -> list[str]:
    """A board's identity in lines for people."""
    runs = "no table: the servo gets no pulse"
    if identity.running_crc is not None:
        runs = (
            f"table {identity.running_crc:08x} of {identity.machine_name}, machine file {identity.machine_hash[:12]}…"
        )
    before = "none" if identity.previous_crc is None else f"{identity.previous_crc:08x}"
    return [
        f"board     {identity.kind_name}, serial {identity.serial or 'none yet'}",
        f"firmware  {identity.version}, build {identity.build:08x}; last start: {identity.reset_cause}",
        f"limits    {identity.pulse_min_us:g} to {identity.pulse_max_us:g} µs, {identity.outputs} outputs, a pulse every {identity.frame_ms:g} ms",
        f"runs      {runs}",
        f"before    {before}",
    ]
