"""The bench walk on the screens: it runs in the link's thread, asks by message, and waits for answers from a queue.

While it waits the board's dead-man is kept alive only as long as the screens say that the builder is there: a screen
that hangs or dies lets go of the servo within the board's own 300 ms.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from textual.message import Message

from leanmix.errors import NoAnswer

if TYPE_CHECKING:
    from leanmix.bench import Ask, Moment, WalkReport

__all__ = ["BuilderAsked", "BuilderTold", "Question", "ScreenBuilder", "ServoMoved", "WalkEnded"]

KEEP_S = 0.1
# the screens beat five times a second while a walk runs; a servo is held no longer than this without a beat
BEAT_S = 1.0


@dataclass(frozen=True, slots=True)
class Question:
    """What the walk wants to know.

    Attributes
    ----------
    kind : str
        "agree", "choose" or "read".
    text : str
    choices : tuple of str
        For "choose".
    unit, beside : str
        For "read".
    expected : float
        For "read": what the file has it to be.
    """

    kind: str
    text: str
    choices: tuple[str, ...] = ()
    unit: str = ""
    beside: str = ""
    expected: float = 0.0


class BuilderAsked(Message):
    """The walk asked something, or no longer asks (None)."""

    def __init__(self, question: Question | None) -> None:
        super().__init__()
        self.question = question


class BuilderTold(Message):
    """The walk said something."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text


class ServoMoved(Message):
    """The servo was moved a small step, or is being held."""

    def __init__(self, moment: Moment) -> None:
        super().__init__()
        self.moment = moment


class WalkEnded(Message):
    """The walk is over: with its report, or with the reason it could not go on."""

    def __init__(self, report: WalkReport | None, why: str) -> None:
        super().__init__()
        self.report, self.why = report, why


class ScreenBuilder:
    """Whoever stands at the bench, asked through the screens; see `leanmix.bench.Builder`.

    Parameters
    ----------
    tell : callable
        Called with messages, from the walk's thread.

    Attributes
    ----------
    stop : threading.Event
        Set by any key while the servo moves: it backs off.
    gone : threading.Event
        Set when the builder ends the walk.
    """

    def __init__(self, tell: Callable[[Message], object]) -> None:
        self._tell = tell
        self._answers: queue.Queue[object] = queue.Queue()
        self.stop = threading.Event()
        self.gone = threading.Event()
        self._beaten = time.monotonic()

    def beat(self) -> None:
        """The screens are alive; from the screens' side."""
        self._beaten = time.monotonic()

    def _watched(self) -> bool:
        return time.monotonic() - self._beaten < BEAT_S

    def answer(self, answer: object) -> None:
        """Give the answer; from the screens' side."""
        self._answers.put(answer)

    # --- from the walk's thread -----------------------------------------------------------------

    def _ask(self, question: Question, keep: Callable[[], Moment] | None) -> object:
        while not self._answers.empty():
            self._answers.get()  # given before the question was there: it answers nothing
        self.stop.clear()
        self._tell(BuilderAsked(question))
        try:
            while True:
                if self.gone.is_set():
                    raise NoAnswer("The bench walk was ended.", "What was read until then is kept.")
                try:
                    return self._answers.get(timeout=KEEP_S)
                except queue.Empty:
                    if keep is not None and self._watched():
                        self._tell(ServoMoved(keep()))
        finally:
            self._tell(BuilderAsked(None))

    def agrees(self, text: str, keep: Callable[[], Moment] | None = None) -> bool:
        """Yes or no."""
        return self._ask(Question("agree", text), keep) is True

    def chooses(self, text: str, choices: tuple[str, ...]) -> str:
        """One of the choices."""
        return str(self._ask(Question("choose", text, choices), None))

    def reads(self, ask: Ask, keep: Callable[[], Moment]) -> float | None:
        """A number off an instrument; None to leave it out."""
        answer = self._ask(Question("read", ask.text, (), ask.unit, ask.beside, ask.expected), keep)
        return answer if isinstance(answer, float) else None

    def stops(self, moment: Moment) -> bool:
        """Whether to stop now."""
        self._tell(ServoMoved(moment))
        return self.stop.is_set() or self.gone.is_set() or not self._watched()

    def told(self, text: str) -> None:
        """Show this."""
        self._tell(BuilderTold(text))
