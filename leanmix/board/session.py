"""One conversation with one board: it owns the port, asks, waits, asks again, and says what the board said.

with Session.open("/dev/ttyUSB0") as board:
    print(board.identity.version, board.live().steering_us)
"""

from __future__ import annotations

import struct
import time
from collections.abc import Callable
from types import TracebackType

from leanmix.board.messages import (
    BODY_BYTES,
    REPLY,
    Counters,
    Identity,
    Live,
    Message,
    Result,
    decode_counters,
    decode_identity,
    decode_live,
)
from leanmix.board.port import SerialWire, Wire, find_ports, port_of_usb_serial
from leanmix.errors import BoardRefused, LinkError, PortError
from leanmix.mixer import FrameDecoder, FrameResult, encode_frame, reason_words

__all__ = ["Clock", "Progress", "Session"]

Progress = Callable[[int, int], None]
Opener = Callable[[], Wire]


class Clock:
    """Time as a session sees it; tests give it another."""

    def now(self) -> float:
        """Seconds, only ever rising."""
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(seconds)


HELLO_S = 2.5  # a boot loader may hold the board for two seconds after DTR
REPLY_S = 0.4
TRIES = 4
BUSY_S = 3.0
BYTE_S = 0.0034  # ATmega328P data sheet, EEPROM erase and write: 3.4 ms
STORE_SLACK_S = 1.5
POLL_S = 0.06

_REFUSALS = {
    Result.UNKNOWN: ("The board's firmware does not know this request.", "Update the board's firmware."),
    Result.BAD_LENGTH: ("The board's firmware found the request malformed.", "Update leanmix or the board's firmware."),
    Result.NO_IMAGE: ("The board runs no table, or not the one that was named.", "Identify the board again; flash a table first."),
    Result.NO_PREVIOUS: ("The board holds no earlier table to go back to.", "Flash the table you want instead."),
    Result.NOT_STAGED: ("The board no longer holds the uploaded table.", "Flash again; the table before still runs."),
    Result.NOT_ARMED: ("Bind search is not armed any more.", "Arm it again."),
    Result.OUT_OF_RANGE: ("The pulse lies outside the board's limits.", "Choose one inside."),
    Result.MOVING: ("The board is jogging or searching.", "Let go, wait a second, and repeat."),
    Result.STORE_BROKEN: ("The board's storage did not keep what was written; the table before still runs.",
                          "Flash again; if it stays so, the board's EEPROM is worn out."),
    Result.ALREADY_SET: ("The board has a serial number already.", "It is set once."),
    Result.BUSY: ("The board went on saying that its storage is busy.", "Wait a few seconds and repeat."),
}  # fmt: skip


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
        self._opener = opener
        self.name = name
        self._sequence = 0
        self._wire = opener()
        try:
            self.identity = self._greet()
        except BaseException:
            self._wire.close()
            raise

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
        self._wire.close()

    def reopen(self, within_s: float = 5.0) -> Identity:
        """Open the port again (found by its USB serial number where it has one) and greet the board.

        Raises
        ------
        PortError, LinkError
            When that does not succeed within `within_s`.
        """
        self._wire.close()
        deadline = self.clock.now() + within_s
        while True:
            try:
                self._wire = self._opener()
                self.identity = self._greet()
            except (PortError, LinkError):
                self._wire.close()
                if self.clock.now() >= deadline:
                    raise
                self.clock.sleep(0.1)
            else:
                return self.identity

    # --- requests -------------------------------------------------------------------------------

    def identify(self) -> Identity:
        """Ask the board who it is; also kept as `identity`."""
        self.identity = decode_identity(self._ask(Message.IDENTIFY))
        return self.identity

    def read_image(self, *, previous: bool = False) -> bytes | None:
        """The image that runs (or the one a revert would bring back); None where there is none."""
        result, body = self._talk(Message.READ, bytes([1 if previous else 0]))
        if result in (Result.NO_IMAGE, Result.NO_PREVIOUS):
            return None
        return self._judged(result, body)

    def live(self) -> Live:
        """What the board is doing now."""
        return decode_live(self._ask(Message.LIVE))

    def counters(self) -> Counters:
        """What the board has counted."""
        return decode_counters(self._ask(Message.COUNTERS))

    def jog(self, pulses_us: tuple[float | None, ...]) -> None:
        """Hold outputs at pulses [µs] for at most 300 ms; repeat to go on, all None to end. Never past the caps."""
        words = [0 if p is None else round(p * 8) for p in (*pulses_us, None)][:2]
        self._ask(Message.JOG, struct.pack("<HH", *words))

    def arm_search(self) -> int:
        """Arm a bind search and get its token. The servo may then be driven past the caps, slowly."""
        body = self._ask(Message.SEARCH, struct.pack("<BI", 1, self.identity.running_crc or 0))
        return int(struct.unpack("<H", body)[0])

    def search(self, token: int, output: int, pulse_us: float) -> None:
        """Creep one output towards a pulse [µs]; repeat within 300 ms to go on."""
        self._ask(Message.SEARCH, struct.pack("<BHBH", 2, token, output, round(pulse_us * 8)))

    def stop(self) -> None:
        """End a jog or bind search at once; the board goes back inside its caps."""
        self._ask(Message.SEARCH, b"\0")

    def set_serial(self, serial: bytes) -> None:
        """Give a board its serial number (8 bytes, the first not FF); it can be set once."""
        self._ask(Message.SERIAL, serial)
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
        result, body = self._talk(Message.WRITE, image)
        if result is Result.BAD_IMAGE:
            reason, output = body[0], body[1]
            raise BoardRefused(f"The board refuses the table: {reason_words(reason, output)}.", "Nothing was written.")
        if result is Result.SAME:
            return False
        left = struct.unpack("<H", self._judged(result, body)[2:4])[0]
        self._settle(Message.COMMIT, image[-4:], left, progress)
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
        self._settle(Message.REVERT, struct.pack("<I", crc), 8, progress)

    # --- the line -------------------------------------------------------------------------------

    def _greet(self) -> Identity:
        self._decoder = FrameDecoder()
        self._pending: list[bytes] = []
        self._broken = 0
        deadline = self.clock.now() + HELLO_S
        while True:
            # a board that was just reset says hello by itself; one that was not answers
            sequence = self._send(Message.IDENTIFY, b"")
            reply = self._await(Message.IDENTIFY, None, min(0.25, max(0.02, deadline - self.clock.now())))
            if reply is not None and (_whole(reply) or self.clock.now() >= deadline):
                self._drain(sequence)
                return decode_identity(reply[3:])
            if self.clock.now() >= deadline:
                break
        if self._broken:
            raise LinkError(
                f"{self.name}: something talks there, but not in our frames ({self._broken} broken ones).",
                "Is this the mixer board, with leanmix firmware? See: leanmix board firmware",
            )
        raise LinkError(
            f"{self.name}: nothing answers within {HELLO_S:g} s.",
            "Is the board powered, with leanmix firmware, and TX/RX not swapped?",
        )

    def _drain(self, sequence: int) -> None:
        # the hello and the reply may both be under way: take the second too, so that it answers nothing else
        self._await(Message.IDENTIFY, sequence, 0.05)

    def _send(self, message: Message, body: bytes) -> int:
        self._sequence = self._sequence % 255 + 1  # 0 is the board's own hello
        self._wire.write(encode_frame(bytes([message, self._sequence]) + body))
        return self._sequence

    def _receive(self, seconds: float) -> list[bytes]:
        frames = self._decoder.feed(self._wire.read(seconds))
        self._broken += sum(f.result is not FrameResult.DONE for f in frames)
        return [f.payload for f in frames if f.result is FrameResult.DONE]

    def _await(self, message: Message, sequence: int | None, seconds: float) -> bytes | None:
        deadline = self.clock.now() + seconds
        while True:
            while self._pending:
                payload = self._pending.pop(0)
                fits = len(payload) >= 3 and payload[0] == (message | REPLY)
                if fits and (sequence is None or payload[1] == sequence):
                    return payload
            left = deadline - self.clock.now()
            if left <= 0:
                return None
            self._pending.extend(self._receive(min(left, 0.05)))

    def _talk(self, message: Message, body: bytes = b"") -> tuple[Result, bytes]:
        deadline = self.clock.now() + BUSY_S
        silent = 0
        while True:
            sequence = self._send(message, body)
            reply = self._await(message, sequence, REPLY_S)
            if reply is None or (not _whole(reply) and silent < TRIES - 1):
                silent += 1
                if silent >= TRIES:
                    raise LinkError(f"{self.name}: the board stopped answering.", "Check plug and power, then repeat.")
                continue
            result = _result(reply)
            if result is Result.BUSY and self.clock.now() < deadline:
                self.clock.sleep(0.02)
                continue
            return result, reply[3:]

    def _ask(self, message: Message, body: bytes = b"") -> bytes:
        return self._judged(*self._talk(message, body))

    def _judged(self, result: Result, body: bytes) -> bytes:
        if result is not Result.OK:
            raise BoardRefused(*_REFUSALS.get(result, (f"The board answers {result.name}.", "")))
        return body

    def _settle(self, message: Message, crc: bytes, bytes_left: int, progress: Progress | None) -> None:
        total = max(bytes_left, 1)
        deadline = self.clock.now() + BYTE_S * bytes_left * 2 + STORE_SLACK_S
        sequence = self._send(message, crc)
        asked = self.clock.now()
        while self.clock.now() < deadline:
            reply = self._await(message, sequence, POLL_S)
            if reply is not None:
                result = _result(reply)
                if result is not Result.BUSY:
                    self._judged(result, reply[3:])
                    if progress:
                        progress(total, total)
                    return
            elif progress:
                self._report(total, progress)
            if reply is not None or self.clock.now() - asked > REPLY_S + BYTE_S * bytes_left:
                sequence = self._send(message, crc)
                asked = self.clock.now()
        raise LinkError(f"{self.name}: the board did not say that it stored the table.", "Check plug and power.")

    def _report(self, total: int, progress: Progress) -> None:
        sequence = self._send(Message.LIVE, b"")
        # a commit's reply may come before this one: leave it for the caller
        deadline = self.clock.now() + POLL_S
        kept: list[bytes] = []
        while self.clock.now() < deadline:
            payloads = [*self._pending, *self._receive(0.02)]
            self._pending = []
            for payload in payloads:
                if len(payload) >= 3 and payload[0] == (Message.LIVE | REPLY):
                    if payload[1] == sequence and payload[2] == Result.OK:
                        progress(max(0, total - decode_live(payload[3:]).bytes_left), total)
                        deadline = 0.0
                else:
                    kept.append(payload)
        self._pending = kept + self._pending


def _whole(reply: bytes) -> bool:
    """Whether a good reply has the length it must have; a CRC of 16 bits lets one broken frame in 65,536 pass."""
    expected = BODY_BYTES.get(Message(reply[0] & ~REPLY))
    return reply[2] != Result.OK or expected is None or len(reply) - 3 == expected


def _result(reply: bytes) -> Result:
    try:
        return Result(reply[2])
    except ValueError as error:
        raise LinkError(
            f"The board gives an answer this leanmix does not know ({reply[2]}).", "Update leanmix."
        ) from error
