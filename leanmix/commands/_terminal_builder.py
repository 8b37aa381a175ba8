"""The builder at a terminal, for the bench walk: answers come in lines, and any line stops a moving servo."""

from __future__ import annotations

import queue
import sys
import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, TextIO

import click

if TYPE_CHECKING:
    from leanmix.bench import Ask, Moment

__all__ = ["TerminalBuilder"]

KEEP_S = 0.1
SHOW_S = 0.25


class TerminalBuilder:
    """Asks on the terminal; see `leanmix.bench.Builder`.

    Parameters
    ----------
    source : text stream
        Where answers come from.
    say : callable
        Shows a line of text.
    """

    def __init__(self, source: TextIO | None = None, say: Callable[[str], None] | None = None) -> None:
        self._source = sys.stdin if source is None else source
        self._say = say or (lambda text: click.echo(text, err=True))
        self._lines: queue.Queue[str | None] = queue.Queue()
        self._shown = 0.0
        # reading blocks, and a jog must be kept alive meanwhile: a thread of its own waits for lines
        threading.Thread(target=self._listen, name="answers", daemon=True).start()

    def _listen(self) -> None:
        for line in iter(self._source.readline, ""):
            self._lines.put(line.strip())
        self._lines.put(None)

    def _line(self, text: str, keep: Callable[[], Moment] | None) -> str:
        while not self._lines.empty():
            self._taken(self._lines.get())  # typed before the question was there: it answers nothing
        self._say(text)
        while True:
            try:
                return self._taken(self._lines.get(timeout=KEEP_S))
            except queue.Empty:
                if keep is not None:
                    keep()

    def _taken(self, line: str | None) -> str:
        if line is None:
            self._lines.put(None)
            raise click.Abort
        return line

    def agrees(self, text: str, keep: Callable[[], Moment] | None = None) -> bool:
        """Yes or no; anything but a yes is a no."""
        return self._line(f"{text} [y/N]", keep).lower() in ("y", "yes")

    def chooses(self, text: str, choices: tuple[str, ...]) -> str:
        """One of the choices, by its name or first letters."""
        while True:
            answer = self._line(f"{text} [{'/'.join(choices)}]", None).lower()
            fits = [c for c in choices if answer and c.startswith(answer)]
            if len(fits) == 1:
                return fits[0]

    def reads(self, ask: Ask, keep: Callable[[], Moment]) -> float | None:
        """A number; Enter alone leaves it out."""
        text = f"{ask.beside}\n{ask.text} [{ask.unit}; the file has {ask.expected:.1f}; Enter leaves it out]"
        while True:
            answer = self._line(text, keep).replace(",", ".").replace("−", "-")
            if not answer:
                return None
            try:
                found = float(answer)
            except ValueError:
                text = f"{answer}: is no number. Again [{ask.unit}]"
                continue
            if abs(found) < 1e4:
                return found
            text = f"{answer}: cannot be. Again [{ask.unit}]"

    def stops(self, moment: Moment) -> bool:
        """Whether Enter was pressed."""
        now = time.monotonic()
        if now - self._shown >= SHOW_S:
            self._shown = now
            volts = "" if moment.supply_V is None else f", {moment.supply_V:.2f} V"
            kind = "bind search" if moment.searching else "moving"
            self._say(f"{kind}: {moment.pulse_us:.0f} µs{volts}   Enter stops it")
        if self._lines.empty():
            return False
        self._taken(self._lines.get())
        return True

    def told(self, text: str) -> None:
        """Show a finding."""
        self._say(f"* {text}")
