"""One conversation with one board: it owns the port, and says what the board said.

with Session.open("/dev/ttyUSB0") as board:
    print(board.identity.version, board.live().steering_us)
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from types import TracebackType
from typing import TypeVar

from leanmix.board.line import REPLY_S, Clock, Line, MakeRequest, result_of
from leanmix.board.messages import Identity, Live, read_identity, read_live
from leanmix.board.port import SerialWire, Wire, find_ports, port_of_usb_serial
from leanmix.errors import BoardRefused, LinkError, PortError
from leanmix.mixer import (
    Counters,
    Message,
    Reply,
    Result,
    image_crc32,
    parse_counters,
    parse_token,
    parse_write,
    reason_words,
    request,
    request_arm,
    request_commit,
    request_jog,
    request_move,
    request_read,
    request_revert,
    request_search_stop,
    request_serial,
    request_write,
    to_eighths,
)

__all__ = ["Progress", "Session"]

T = TypeVar("T")
Progress = Callable[[int, int], None]
Opener = Callable[[], Wire]

HELLO_S = 2.5  # a boot loader may hold the board for two seconds after DTR
HELLO_SLICE_S = 0.25
BYTE_S = 0.0034  # ATmega328P data sheet, EEPROM erase and write: 3.4 ms
STORE_SLACK_S = 1.5
POLL_S = 0.06
REVERT_BYTES = 8

_REFUSALS = {
    Result.UNKNOWN: ("The board's firmware does not know this request.", "Update the board's firmware."),
    Result.BAD_LENGTH: ("The board's firmware found the request malformed.", "Update leanmix or the board's firmware."),
    Result.BUSY: ("The board went on saying that its storage is busy.", "Wait a few seconds and repeat."),
    Result.NO_IMAGE: ("The board runs no table, or not the one named.", "Identify it again; flash a table first."),
    Result.NO_PREVIOUS: ("The board holds no earlier table to revert to.", "Flash the table you want instead."),
    Result.NOT_STAGED: ("The board lost the uploaded table; the one before still runs.", "Flash again."),
    Result.NOT_ARMED: ("Bind search is not armed any more.", "Arm it again."),
    Result.OUT_OF_RANGE: ("The pulse lies outside the board's limits.", "Choose one inside."),
    Result.MOVING: ("The board is jogging or searching.", "Let go, wait a second, and repeat."),
    Result.STORE_BROKEN: (
        "The board's storage did not keep what was written; the table before still runs.",
        "Flash again; if it stays so, the board's EEPROM is worn out.",
    ),
    Result.ALREADY_SET: ("The board has a serial number already.", "It is set once."),
}


class Session:
    """An open conversation with a board.

    Parameters
    ----------
    opener : callable
        Opens the wire; called again by `reopen`.
    name : str
        What to call the port in messages.
    clock : Clock, optional
        Real time by default.

    Raises
    ------
    PortError
        When the port cannot be opened.
    LinkError
        When what answers is not one of our boards, or nothing answers.
    """

    def __init__(self, opener: Opener, name: str, clock: Clock | None = None) -> None:
        self.clock = clock or Clock()
        self.name = name
        self._opener = opener
        self.identity = self._connect()

    @classmethod
    def open(cls, port: str) -> Session:
        """Open a serial port by name and greet the board on it; see the class for errors."""
        usb_serial = next((p.usb_serial for p in find_ports() if p.port == port), "")
        return cls(lambda: SerialWire(port_of_usb_serial(usb_serial) or port), port)

    def __enter__(self) -> Session:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the port."""
        self._line.wire.close()

    def reopen(self, within_s: float = 5.0) -> Identity:
        """Open the port again (found by its USB serial number where it has one) and greet the board.

        Raises
        ------
        PortError, LinkError
            When that does not succeed within `within_s`.
        """
        self.close()
        deadline = self.clock.now() + within_s
        while True:
            try:
                self.identity = self._connect()
            except (PortError, LinkError):
                if self.clock.now() >= deadline:
                    raise
                self.clock.sleep(0.1)
            else:
                return self.identity

    def identify(self) -> Identity:
        """Ask the board who it is; also kept as `identity`."""
        self.identity = self._ask(partial(request, Message.IDENTIFY), read_identity)
        return self.identity

    def read_image(self, *, previous: bool = False) -> bytes | None:
        """The image that runs (or the one a revert would bring back); None where there is none."""
        reply = self._line.talk(partial(request_read, previous=previous))
        if result_of(reply) in (Result.NO_IMAGE, Result.NO_PREVIOUS):
            return None
        return _good(reply).body

    def live(self) -> Live:
        """What the board is doing now."""
        return self._ask(partial(request, Message.LIVE), read_live)

    def counters(self) -> Counters:
        """What the board has counted."""
        return self._ask(partial(request, Message.COUNTERS), parse_counters)

    def jog(self, pulses_us: tuple[float | None, ...]) -> None:
        """Hold outputs at pulses [µs] for at most 300 ms; repeat to go on, all None to end. Never past the caps."""
        first, second = (0 if p is None else to_eighths(p) for p in (*pulses_us, None)[:2])
        _good(self._line.talk(lambda s: request_jog(s, first, second)))

    def arm_search(self) -> int:
        """Arm a bind search and get its token. The servo may then be driven past the caps, slowly."""
        return self._ask(lambda s: request_arm(s, self.identity.running_crc or 0), parse_token)

    def search(self, token: int, output: int, pulse_us: float) -> None:
        """Creep one output towards a pulse [µs]; repeat within 300 ms to go on."""
        _good(self._line.talk(lambda s: request_move(s, token, output, to_eighths(pulse_us))))

    def stop(self) -> None:
        """End a jog or bind search at once; the board goes back inside its caps."""
        _good(self._line.talk(request_search_stop))

    def set_serial(self, serial: bytes) -> None:
        """Give a board its serial number (8 bytes, the first not FF); it can be set once."""
        _good(self._line.talk(lambda s: request_serial(s, serial)))
        self.identify()

    def upload(self, image: bytes, progress: Progress | None = None) -> bool:
        """Write an image and switch to it.

        Parameters
        ----------
        image : bytes
            A whole table image.
        progress : callable, optional
            Called with (EEPROM bytes done, bytes in all).

        Returns
        -------
        bool
            False where the board runs that very image already, and nothing was written.

        Raises
        ------
        BoardRefused
            When the board judges the image bad or its storage fails.
        PortError, LinkError
            When the line fails; what the board holds is then to be asked.
        """
        reply = self._line.talk(lambda s: request_write(s, image), parse_write)
        result = result_of(reply)
        if result is Result.SAME:
            return False
        if result is Result.BAD_IMAGE:
            answer = parse_write(reply.body)
            why = reason_words(answer.reason, answer.output)
            raise BoardRefused(f"The board refuses the table: {why}.", "Nothing was written.")
        left = parse_write(_good(reply).body).bytes_to_write
        self._settle(lambda s: request_commit(s, image_crc32(image)), left, progress)
        return True

    def revert(self, progress: Progress | None = None) -> None:
        """Switch back to the image before.

        Raises
        ------
        BoardRefused
            When there is none.
        """
        crc = self.identity.previous_crc
        if crc is None:
            raise BoardRefused(*_REFUSALS[Result.NO_PREVIOUS])
        self._settle(lambda s: request_revert(s, crc), REVERT_BYTES, progress)

    def _connect(self) -> Identity:
        wire = self._opener()
        self._line = Line(wire, self.name, self.clock)
        try:
            return self._greet()
        except BaseException:
            wire.close()
            raise

    def _greet(self) -> Identity:
        line = self._line
        deadline = self.clock.now() + HELLO_S
        refused: LinkError | None = None
        while self.clock.now() < deadline:
            # a board that was just reset says hello by itself; one that was not answers
            line.send(partial(request, Message.IDENTIFY))
            reply = line.await_reply(lambda r: r.message == Message.IDENTIFY, HELLO_SLICE_S)
            try:
                if reply is not None:
                    return read_identity(reply.body)
            except LinkError as error:
                refused = error
        if refused:
            raise refused
        if line.broken_frames:
            raise LinkError(
                f"{self.name}: something talks there, but not in our frames ({line.broken_frames} broken ones).",
                "Is this the mixer board, with leanmix firmware? See: leanmix board firmware",
            )
        raise LinkError(
            f"{self.name}: nothing answers within {HELLO_S:g} s.",
            "Is the board powered, with leanmix firmware, and TX/RX not swapped?",
        )

    def _ask(self, make: MakeRequest, read: Callable[[bytes], T]) -> T:
        return read(_good(self._line.talk(make, read)).body)

    def _settle(self, make: MakeRequest, bytes_left: int, progress: Progress | None) -> None:
        """Commit or revert: the board answers when its storage has it; ask for progress meanwhile."""
        line, total = self._line, max(bytes_left, 1)
        deadline = self.clock.now() + BYTE_S * bytes_left * 2 + STORE_SLACK_S
        again_s = REPLY_S + BYTE_S * bytes_left
        line.forget()
        sequence, asked = line.send(make), self.clock.now()
        while self.clock.now() < deadline:
            reply = line.await_reply(lambda r, s=sequence: r.sequence == s, POLL_S)  # type: ignore[misc]
            if reply is not None and result_of(reply) is not Result.BUSY:
                _good(reply)
                if progress:
                    progress(total, total)
                return
            if reply is None and progress:
                self._report(total, progress)
            if reply is not None or self.clock.now() - asked > again_s:
                sequence, asked = line.send(make), self.clock.now()
        raise LinkError(f"{self.name}: the board did not say that it stored the table.", "Check plug and power.")

    def _report(self, total: int, progress: Progress) -> None:
        asked = self._line.send(partial(request, Message.LIVE))
        reply = self._line.await_reply(lambda r: r.sequence == asked, POLL_S)
        if reply is not None and reply.result == Result.OK:
            progress(max(0, total - read_live(reply.body).bytes_left), total)


def _good(reply: Reply) -> Reply:
    result = result_of(reply)
    if result is not Result.OK:
        raise BoardRefused(*_REFUSALS.get(result, (f"The board answers {result.name.lower()}.", "")))
    return reply
