"""Requests and replies over a wire: frames, sequence numbers, deadlines, asking again."""

from __future__ import annotations

import time
from collections.abc import Callable

from leanmix.board.port import Wire
from leanmix.errors import LinkError
from leanmix.mixer import FrameDecoder, FrameResult, Reply, Result, encode_frame, parse_reply

__all__ = ["REPLY_S", "Clock", "Line", "MakeRequest", "result_of"]

MakeRequest = Callable[[int], bytes]
ReadBody = Callable[[bytes], object]

REPLY_S = 0.4
TRIES = 4
BUSY_S = 3.0
BUSY_PAUSE_S = 0.02
SLICE_S = 0.05


class Clock:
    """Time as a session sees it; tests give it another."""

    def now(self) -> float:
        """Seconds, only ever rising."""
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(seconds)


class Line:
    """One open wire with requests and replies on it.

    Parameters
    ----------
    wire : Wire
        Open wire; `close` closes it.
    name : str
        What to call the port in messages.
    clock : Clock
        Time.
    """

    def __init__(self, wire: Wire, name: str, clock: Clock) -> None:
        self.wire = wire
        self.name = name
        self.clock = clock
        self.broken_frames = 0
        self._decoder = FrameDecoder()
        self._arrived: list[Reply] = []
        self._sequence = 0

    def send(self, make: MakeRequest) -> int:
        """Send one request under a new sequence number, and return that."""
        self._sequence = self._sequence % 255 + 1  # 0 is the board's own hello
        self.wire.write(encode_frame(make(self._sequence)))
        return self._sequence

    def await_reply(self, wanted: Callable[[Reply], bool], seconds: float) -> Reply | None:
        """Next reply that is wanted, or None; replies before it that are not wanted stay for a later call."""
        deadline = self.clock.now() + seconds
        while True:
            for i, reply in enumerate(self._arrived):
                if wanted(reply):
                    del self._arrived[i]
                    return reply
            left = deadline - self.clock.now()
            if left <= 0:
                return None
            self._receive(min(left, SLICE_S))

    def forget(self) -> None:
        """Drop replies that nobody waits for."""
        self._arrived.clear()

    def _receive(self, seconds: float) -> None:
        for frame in self._decoder.feed(self.wire.read(seconds)):
            reply = parse_reply(frame.payload) if frame.result is FrameResult.DONE else None
            if reply is None:
                self.broken_frames += 1
            else:
                self._arrived.append(reply)

    def talk(self, make: MakeRequest, read: ReadBody | None = None) -> Reply:
        """Ask, wait, and ask again until there is a reply that is not "busy".

        Parameters
        ----------
        make : callable
            Sequence number → request payload.
        read : callable, optional
            Tries a good reply's body; one that it refuses with `LinkError` counts as lost, since a CRC of 16
            bits lets one broken frame in 65,536 pass.

        Raises
        ------
        LinkError
            When nothing (or nothing whole) comes back.
        """
        busy_until = self.clock.now() + BUSY_S
        silent = 0
        while True:
            self.forget()
            sequence = self.send(make)
            reply = self.await_reply(lambda r, s=sequence: r.sequence == s, REPLY_S)  # type: ignore[misc]
            try:
                if reply is not None and reply.result == Result.OK and read is not None:
                    read(reply.body)
            except LinkError:
                if silent >= TRIES - 1:
                    raise
                reply = None
            if reply is None:
                silent += 1
                if silent >= TRIES:
                    raise LinkError(f"{self.name}: the board stopped answering.", "Check plug and power, then repeat.")
                continue
            if result_of(reply) is Result.BUSY and self.clock.now() < busy_until:
                self.clock.sleep(BUSY_PAUSE_S)
                continue
            return reply


def result_of(reply: Reply) -> Result:
    """A reply's result.

    Raises
    ------
    LinkError
        When this version does not know it.
    """
    try:
        return Result(reply.result)
    except ValueError as error:
        what = f"The board answers with {reply.result}, which this leanmix does not know."
        raise LinkError(what, "Update leanmix.") from error
