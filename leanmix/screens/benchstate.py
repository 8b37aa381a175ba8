"""What the screens know of the bench walk that runs, and of the last one."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from textual.message import Message

from leanmix.screens.benching import BuilderAsked, BuilderTold, Question, ScreenBuilder, ServoMoved, WalkEnded

if TYPE_CHECKING:
    from leanmix.bench import BenchFit, Change, Moment, StopCheck, WalkReport

__all__ = ["BenchState"]


@dataclass(slots=True)
class BenchState:
    """State of the bench.

    Attributes
    ----------
    builder : ScreenBuilder or None
        Of the walk that runs.
    question : Question or None
        What waits for an answer.
    moment : Moment or None
        Where the servo is.
    told : list of str
        What the walk said.
    report : WalkReport or None
        Of the last walk.
    why : str
        Why the last walk ended early.
    fit, stops, changes
        What the readings say, once held against the file.
    trouble : str
        Why they say nothing.
    """

    builder: ScreenBuilder | None = None
    question: Question | None = None
    moment: Moment | None = None
    told: list[str] = field(default_factory=list)
    report: WalkReport | None = None
    why: str = ""
    fit: BenchFit | None = None
    stops: tuple[StopCheck, ...] = ()
    changes: tuple[Change, ...] = ()
    trouble: str = ""

    def begin(self, builder: ScreenBuilder) -> None:
        """A walk begins."""
        self.builder, self.question, self.moment = builder, None, None
        self.told, self.report, self.why = [], None, ""
        self.forget_fit()

    def forget_fit(self) -> None:
        """What the readings said is out of date."""
        self.fit, self.stops, self.changes, self.trouble = None, (), (), ""

    def hear(self, message: Message) -> None:
        """Take a message of the walk."""
        if isinstance(message, BuilderAsked):
            self.question = message.question
        elif isinstance(message, BuilderTold):
            self.told.append(message.text)
        elif isinstance(message, ServoMoved):
            self.moment = message.moment
        elif isinstance(message, WalkEnded):
            self.builder, self.question, self.moment = None, None, None
            self.report, self.why = message.report, message.why
