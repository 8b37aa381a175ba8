"""One thread that owns the board's line for as long as the screens live: requests in by a queue, messages out.

No widget is touched from here, and no port from anywhere else.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from textual.message import Message

from leanmix.errors import BoardError, BoardRefused, LeanmixError
from leanmix.machine import MachineFile
from leanmix.screens.benching import ScreenBuilder, WalkEnded

if TYPE_CHECKING:
    from leanmix.board import FlashResult, Identity, Live, PortInfo, Session, open_board
    from leanmix.curve import ProvedTable
    from leanmix.job import Job
    from leanmix.mixer import Counters

__all__ = ["VIRTUAL", "BoardState", "LinkThread"]

VIRTUAL = "virtual"
LIVE_S = 0.1
LOOK_S = 1.0


class PortsFound(Message):
    """The computer's ports were listed."""

    def __init__(self, ports: tuple[PortInfo, ...]) -> None:
        super().__init__()
        self.ports = ports


class BoardFound(Message):
    """A board answered: who it is, what it counted, the table it runs."""

    def __init__(self, port: str, identity: Identity, counters: Counters, image: bytes | None) -> None:
        super().__init__()
        self.port, self.identity, self.counters, self.image = port, identity, counters, image


class LinkLost(Message):
    """The line is closed: asked for, or with a reason."""

    def __init__(self, why: str) -> None:
        super().__init__()
        self.why = why


class LiveCame(Message):
    """What the board does now."""

    def __init__(self, live: Live) -> None:
        super().__init__()
        self.live = live


class FlashMoved(Message):
    """So many bytes of so many are stored."""

    def __init__(self, done: int, total: int) -> None:
        super().__init__()
        self.done, self.total = done, total


class TableStored(Message):
    """A flash or a revert ended well."""

    def __init__(self, result: FlashResult) -> None:
        super().__init__()
        self.result = result


class RequestFailed(Message):
    """A request came to nothing; the line may still be open."""

    def __init__(self, why: str) -> None:
        super().__init__()
        self.why = why


class ThreadFaulted(Message):
    """The thread met a fault of ours."""

    def __init__(self, error: BaseException) -> None:
        super().__init__()
        self.error = error


@dataclass(frozen=True, slots=True)
class BoardState:
    """What the screens know of the board.

    Attributes
    ----------
    port : str
        Port of the open line; "" where none is.
    identity, counters, image, live
        As last asked; None before.
    busy : str
        What is being done; "" where nothing is.
    done, total : int
        Bytes stored, of so many.
    lost : str
        Why there is no line, or why the last request failed.
    ended : str
        How the last flash or revert ended.
    watching : bool
        Whether live values are asked for ten times a second.
    following : bool
        Whether the steering position follows the receiver.
    """

    port: str = ""
    identity: Identity | None = None
    counters: Counters | None = None
    image: bytes | None = None
    live: Live | None = None
    busy: str = ""
    done: int = 0
    total: int = 0
    lost: str = ""
    ended: str = ""
    watching: bool = False
    following: bool = False

    def after(self, message: Message) -> BoardState:
        """The state after a message of the link thread."""
        if isinstance(message, BoardFound):
            return replace(
                self, port=message.port, identity=message.identity, counters=message.counters, image=message.image,
                busy="", lost="",
            )  # fmt: skip
        if isinstance(message, LinkLost):
            return BoardState(lost=message.why, ended=self.ended)
        if isinstance(message, LiveCame):
            return replace(self, live=message.live)
        if isinstance(message, FlashMoved):
            return replace(self, done=message.done, total=message.total)
        if isinstance(message, TableStored):
            r = message.result
            words = {
                "stored": f"Stored {len(r.after or b'')} bytes in {r.seconds:.1f} s and read back equal.",
                "already there": "Nothing was written: the board runs this very table.",
                "reverted": f"Back on the table before, read back equal, in {r.seconds:.1f} s.",
            }[r.outcome]
            return replace(self, identity=r.identity, image=r.after, busy="", lost="", ended=words, done=0, total=0)
        if isinstance(message, RequestFailed):
            return replace(self, busy="", lost=message.why, done=0, total=0)
        return self


class LinkThread:
    """The thread.

    Parameters
    ----------
    tell : callable
        Called with each message, from the thread.
    """

    def __init__(self, tell: Callable[[Message], object]) -> None:
        self._tell = tell
        self._requests: queue.Queue[tuple[str, tuple[object, ...]]] = queue.Queue()
        self._thread: threading.Thread | None = None
        self._line: open_board | None = None
        self._session: Session | None = None
        self._port = ""
        self._watching = False

    # --- requests, from the screen's side -------------------------------------------------------

    def ask(self, what: str, *given: object) -> None:
        """Put a request in the queue; the thread starts with the first one.

        ``ports``, ``open PORT``, ``close``, ``flash SOURCE PROVED``, ``revert``, ``watch BOOL``,
        ``walk JOB BUILDER NAME``.
        """
        if self._thread is None:
            self._thread = threading.Thread(target=self._live, name="board link", daemon=True)
            self._thread.start()
        self._requests.put((what, given))

    def stop(self) -> None:
        """Close the line and end the thread."""
        if self._thread is not None:
            self._requests.put(("end", ()))
            self._thread.join(timeout=5)
            self._thread = None

    # --- the thread -----------------------------------------------------------------------------

    def _live(self) -> None:
        try:
            while True:
                try:
                    what, given = self._requests.get(timeout=self._patience())
                except queue.Empty:
                    self._between()
                    continue
                if what == "end":
                    self._close()
                    return
                self._do(what, given)
        except BaseException as error:
            self._tell(ThreadFaulted(error))
            raise

    def _patience(self) -> float | None:
        if self._session is None:
            return None
        return LIVE_S if self._watching else LOOK_S

    def _between(self) -> None:
        """Nothing was asked for a while: look at live values, and whether the board is still there."""
        session = self._session
        if session is None:
            return
        try:
            self._tell(LiveCame(session.live()))
        except LeanmixError as error:
            self._close()
            self._tell(LinkLost(str(error)))

    def _do(self, what: str, given: tuple[object, ...]) -> None:
        doing = {
            "ports": self._ports, "open": self._open, "close": self._shut, "flash": self._flash,
            "revert": self._revert, "watch": self._watch, "walk": self._walk,
        }[what]  # fmt: skip
        try:
            doing(*given)  # type: ignore[operator]
        except LeanmixError as error:
            self._failed(error)

    def _failed(self, error: LeanmixError) -> None:
        if self._session is None:
            self._close()
            self._tell(LinkLost(str(error)))
            return
        self._tell(RequestFailed(str(error)))
        if isinstance(error, BoardRefused):
            return
        try:
            self._session.reopen(2.0)
            self._found()
        except LeanmixError:
            self._close()
            self._tell(LinkLost(str(error)))
        else:
            self._tell(RequestFailed(str(error)))

    def _ports(self) -> None:
        from leanmix.board import find_ports

        self._tell(PortsFound(find_ports()))

    def _open(self, port: str) -> None:
        from leanmix.board import open_board

        self._close()
        line = open_board(port)
        self._session = line.__enter__()
        self._line, self._port = line, port
        self._found()

    def _found(self) -> None:
        session = self._held()
        self._tell(BoardFound(self._port, session.identity, session.counters(), session.read_image()))

    def _held(self) -> Session:
        if self._session is None:
            raise BoardRefused("No board is open.", "Find one first.")
        return self._session

    def _shut(self) -> None:
        self._close()
        self._tell(LinkLost(""))

    def _close(self) -> None:
        if self._line is not None:
            self._line.__exit__(None, None, None)
        self._line = self._session = None
        self._port = ""

    def _flash(self, source: MachineFile, table: ProvedTable) -> None:
        from leanmix.journal import Journal, flash_and_record

        session = self._held()
        with Journal.open() as journal:
            result = flash_and_record(session, journal, source, table, self._moved)
        self._tell(TableStored(result))

    def _revert(self) -> None:
        from leanmix.journal import Journal, revert_and_record

        session = self._held()
        with Journal.open() as journal:
            result = revert_and_record(session, journal, self._moved)
        self._tell(TableStored(result))

    def _moved(self, done: int, total: int) -> None:
        self._tell(FlashMoved(done, total))

    def _watch(self, on: bool) -> None:
        self._watching = on

    def _walk(self, job: Job, builder: ScreenBuilder, name: str) -> None:
        from leanmix.bench import Walk
        from leanmix.journal import Journal, Reading, named_board

        report = None
        try:
            session = self._held()
            with Journal.open() as journal:
                board = named_board(session)

                def record(reading: Reading) -> None:
                    journal.record_reading(reading, source=job.source, board=board)

                walk = Walk(session, job, builder, record, name)
                report = walk.report
                walk.run()
        except BoardError as error:
            self._tell(WalkEnded(report, str(error)))
            raise
        except LeanmixError as error:
            self._tell(WalkEnded(report, str(error)))
        else:
            self._tell(WalkEnded(report, ""))
