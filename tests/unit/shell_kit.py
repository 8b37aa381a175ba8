"""Every command of the tool with its example, and a folder in which the examples find what they name."""

from __future__ import annotations

import contextlib
import io
import re
import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import click
import numpy as np

from leanmix import cli
from leanmix.cli import leanmix

REAL_PORT = "/dev/ttyUSB0"
SOME_HASH = "3fa94c0d21"


@dataclass(frozen=True)
class Known:
    """A command: its path of names, itself, and its example as words."""

    path: tuple[str, ...]
    command: click.Command
    example: tuple[str, ...]

    @property
    def name(self) -> str:
        return " ".join(self.path)

    @property
    def has_json(self) -> bool:
        return any("--json" in p.opts for p in self.command.params)


def _known(command: click.Command, context: click.Context, path: tuple[str, ...]) -> Iterator[Known]:
    if path:
        found = re.search(r"Example: leanmix (.*?)(\n\s*\n|\Z)", command.help or "", re.DOTALL)
        yield Known(path, command, () if found is None else tuple(shlex.split(" ".join(found[1].split()))))
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            assert inner is not None
            yield from _known(inner, click.Context(inner, info_name=name, parent=context), (*path, name))


def every_command() -> list[Known]:
    """Every command and group below the tool itself."""
    return list(_known(leanmix, click.Context(leanmix, info_name="leanmix"), ()))


@dataclass(frozen=True)
class Ran:
    """How a run ended and what it said."""

    status: int
    out: str
    err: str


def ran(*arguments: str) -> Ran:
    """Run the tool in this process as its entry does, statuses and sentences included."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            cli.main(list(arguments))
        except SystemExit as ended:
            status = ended.code
    assert isinstance(status, int)
    return Ran(status, out.getvalue(), err.getvalue())


def prepare(folder: Path) -> None:
    """Fill a folder: mine.toml, a log, a packed build, a journal from elsewhere; and in home/ a journal and a board."""
    from leanmix.bench.drivelog import Column, ColumnMap, save_map
    from leanmix.board import open_board
    from leanmix.curve import plan_pulses_us
    from leanmix.job import work_out
    from leanmix.journal import Journal, Reading, export_lines, flash_and_record
    from leanmix.machine import demo, load

    mine = folder / "mine.toml"
    mine.write_text(demo("wren").text, encoding="utf-8")
    source = load(mine)
    job = work_out(source)
    throws = np.linspace(-20, 20, 7)
    pulses = np.asarray(plan_pulses_us(job.table.plan, throws))[0]
    leans = job.lean_of_throw(throws)
    block = job.ladder.first_block("left")
    assert block is not None
    with open_board("virtual") as board, Journal.open() as journal:
        for name in (str(mine), "demo:tarn"):
            flash_and_record(board, journal, load(name), work_out(load(name)).proved)
        for pulse, throw, lean in zip(pulses, throws, leans, strict=True):
            at = float(pulse)
            walk = "2026-01-10 14:00:00"
            for reading in (
                Reading("arm_deg", float(throw), 1.0, "protractor", "left", at, "longer", "", walk),
                Reading("lean_deg", float(lean) + 0.1, 0.3, "phone level", "", at, "longer", "rolled", walk),
                Reading("lean_deg", float(lean) * 0.9, 0.3, "phone level", "", at, "longer", "parked", walk),
            ):
                journal.record_reading(reading, source=source)
        stop = Reading(
            "stop_us", block.pulses_us[0], 4.0, "bind search", "left", block.pulses_us[0], "longer", "", walk
        )
        journal.record_reading(stop, source=source)
        (folder / "other-laptop.jsonl").write_text("".join(export_lines(journal)), encoding="utf-8")
    time = np.arange(0, 40, 0.02)
    steering = 1500 + 300 * np.sin(2 * np.pi * time / 4)
    lean = -7 * np.sin(2 * np.pi * (time - 0.15) / 4)
    rows = [f"{t:.3f},{s:.1f},{a:.2f},0" for t, s, a in zip(time, steering, lean, strict=True)]
    text = "# leanmix drive log 1\nt_s,steering_us,lean_deg,tip\n" + "\n".join(rows) + "\n"
    (folder / "drive.csv").write_text(text, encoding="utf-8")
    radians = np.radians(lean)
    rows = [f"{1000 * t:.0f},{s:.1f},{-a:.5f}" for t, s, a in zip(time, steering, radians, strict=True)]
    (folder / "sledge.csv").write_text("millis,steering,roll\n" + "\n".join(rows) + "\n", encoding="utf-8")
    columns = {
        "t_s": ("millis", "ms", False),
        "steering_us": ("steering", "us", False),
        "lean_deg": ("roll", "rad", True),
    }
    save_map(ColumnMap("sledge", {name: Column(*column) for name, column in columns.items()}))
    ran("share", "make", "demo:tarn", "-o", str(folder / "tarn.zip"))
