"""A virtual board: the real C core in real time behind a pseudo-terminal, with a file as its EEPROM.

Where there are no pseudo-terminals the same board is reached in memory.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType

from leanmix.board.port import Wire
from leanmix.board.session import Session
from leanmix.errors import FileTrouble, PortError
from leanmix.mixer import FRAME_MS, STORAGE_BYTES, BoardCore
from leanmix.places import home

__all__ = ["MemoryWire", "VirtualBoard", "open_board", "virtual_storage"]

EEPROM_BYTE_US = 3400  # ATmega328P data sheet, erase and write of one byte
STEP_S = 0.002
NEUTRAL_EIGHTHS = 12000

Steering = Callable[[float], int]


def virtual_storage() -> Path:
    """File that a virtual board keeps its EEPROM in, unless told another."""
    return home() / "virtual-board.eeprom"


def _still(_: float) -> int:
    return NEUTRAL_EIGHTHS


class VirtualBoard:
    """A board in this computer; a context manager that starts and stops it.

    Parameters
    ----------
    storage : Path, optional
        File for its EEPROM, made when absent; None keeps it in memory only.
    steering : callable, optional
        Seconds since start → steering pulse [1/8 µs], 0 for none; neutral by default.

    Raises
    ------
    FileTrouble
        When the storage file is not a board's, or cannot be written.
    """

    def __init__(self, storage: Path | None = None, steering: Steering = _still) -> None:
        self._file = storage
        self.core = BoardCore(_stored(storage), write_us=EEPROM_BYTE_US)
        self._saved = self.core.storage
        self._steering = steering
        self._started = self._lived = time.monotonic()
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._master = -1
        self._slave = -1
        self.port = ""

    def __enter__(self) -> VirtualBoard:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def start(self) -> None:
        """Open the pseudo-terminal (`port` is then its name) and let the board live.

        Raises
        ------
        PortError
            Where this system has no pseudo-terminals.
        """
        if os.name != "posix":
            raise PortError("This system has no pseudo-terminals.", "Use --port virtual within one command instead.")
        import tty

        try:
            self._master, self._slave = os.openpty()
        except OSError as error:
            raise PortError(
                f"This system gives no pseudo-terminal ({error.strerror or error}).",
                "Mount /dev/pts, or use --port virtual within one command instead.",
            ) from error
        # raw, or the line discipline would echo and rewrite bytes; the slave end is held open so that a host
        # may come and go without the master seeing a hang-up
        tty.setraw(self._master)
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.port = os.ttyname(self._slave)
        self._thread = threading.Thread(target=self._live, name="virtual board", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the board and close its port; what it stored stays in its file."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        for handle in (self._master, self._slave):
            if handle >= 0:
                os.close(handle)
        self._master = self._slave = -1
        self._save()

    def exchange(self, data: bytes) -> bytes:
        """Give the board bytes, let it live up to now, and take what it sends."""
        with self._lock:
            sent = self.core.feed(data) if data else b""
            now = time.monotonic()
            while self._lived < now:
                # whole frames at a time after a pause, so that a sleeping laptop does not stall the board
                step = min(now - self._lived, FRAME_MS / 1000)
                sent += self.core.tick(step * 1000, self._steering(self._lived - self._started))
                self._lived += step
            self._save()
            return sent

    def _live(self) -> None:
        unsent = b""
        while not self._stop.is_set():
            try:
                data = os.read(self._master, 512)
            except BlockingIOError:
                data = b""
            except OSError:
                return
            unsent += self.exchange(data)
            if unsent:
                try:
                    unsent = unsent[os.write(self._master, unsent) :]
                except BlockingIOError:
                    unsent = unsent[-4096:]  # nobody reads: an UART would drop bytes too
                except OSError:
                    return
            if not data:
                self._stop.wait(STEP_S)

    def _save(self) -> None:
        storage = self.core.storage
        if self._file is None or storage == self._saved:
            return
        # bytes are written in place, as an EEPROM's are: a torn write is what the store is made for
        try:
            with open(self._file, "r+b") as stream:
                stream.write(storage)
        except OSError:
            self._file = None
        self._saved = storage


def _stored(storage: Path | None) -> bytes | None:
    if storage is None:
        return None
    try:
        if not storage.exists():
            storage.parent.mkdir(parents=True, exist_ok=True)
            storage.write_bytes(b"\xff" * STORAGE_BYTES)
        data = storage.read_bytes()
    except OSError as error:
        raise FileTrouble(
            f"{storage}: cannot be used as a board's storage ({error.strerror or error}).", "Choose another file."
        ) from error
    if len(data) != STORAGE_BYTES:
        raise FileTrouble(
            f"{storage}: is not a virtual board's storage ({len(data)} bytes, not {STORAGE_BYTES}).",
            "Choose another file.",
        )
    return data


class MemoryWire:
    """A wire straight into a virtual board of this process.

    Parameters
    ----------
    board : VirtualBoard
        A board that was not started.
    """

    def __init__(self, board: VirtualBoard) -> None:
        self._board = board
        self._arrived = b""

    def read(self, timeout_s: float) -> bytes:
        """See `Wire.read`."""
        deadline = time.monotonic() + timeout_s
        while True:
            arrived = self._arrived + self._board.exchange(b"")
            self._arrived = b""
            left = deadline - time.monotonic()
            if arrived or left <= 0:
                return arrived
            time.sleep(min(left, STEP_S))

    def write(self, data: bytes) -> None:
        """See `Wire.write`."""
        self._arrived += self._board.exchange(data)

    def close(self) -> None:
        """See `Wire.close`."""
        self._arrived = b""


class open_board:
    """Session with the board on a port, as a context manager; ``virtual`` starts a virtual board for as long.

    Parameters
    ----------
    port : str
        Port name, or ``virtual``.

    Raises
    ------
    PortError, LinkError, FileTrouble
        As for `Session.open` and `VirtualBoard`.
    """

    def __init__(self, port: str) -> None:
        self._board: VirtualBoard | None = None
        self._port = port

    def __enter__(self) -> Session:
        if self._port != "virtual":
            self._session = Session.open(self._port)
            return self._session
        board = VirtualBoard(virtual_storage())
        # another system, or a bare container, may have no pseudo-terminals
        with contextlib.suppress(PortError):
            board.start()
            self._board = board
        if self._board is not None:
            try:
                self._session = Session.open(board.port)
            except BaseException:
                board.stop()
                raise
        else:
            wire: Wire = MemoryWire(board)
            self._session = Session(lambda: wire, "virtual")
        return self._session

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._session.close()
        if self._board is not None:
            self._board.stop()
