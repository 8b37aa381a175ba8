"""Working out what is open, away from the screen: quick results at once, slower ones when the hands are still.

Two threads of this one object: the first gives ladder and curve for every edit, always for the newest; the second takes
up builds, table and proof once no edit has come for a moment. Neither touches a widget: both hand results to a
callback, which posts a message.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from leanmix.machine import MachineFile
from leanmix.screens.reckon import Reckoned, later, reckon

__all__ = ["Thinker"]

STILL_S = 0.25


class Thinker:
    """Threads that work out machines.

    Parameters
    ----------
    tell : callable
        Called with each result, from a thread.
    failed : callable
        Called with an exception that is a fault of ours, from a thread.
    """

    def __init__(self, tell: Callable[[Reckoned], None], failed: Callable[[BaseException], None]) -> None:
        self._tell, self._failed = tell, failed
        self._changed = threading.Condition()
        self._asked: tuple[int, MachineFile] | None = None
        self._quick: Reckoned | None = None
        self._newest = 0
        self._over = False
        self._threads = [
            threading.Thread(target=self._guarded, args=(work,), name=name, daemon=True)
            for work, name in ((self._do_quick, "quick results"), (self._do_slow, "slow results"))
        ]

    def start(self) -> None:
        """Begin."""
        for thread in self._threads:
            thread.start()

    def ask(self, serial: int, source: MachineFile) -> None:
        """Have a machine worked out; what was asked before and not begun is dropped."""
        with self._changed:
            self._asked = (serial, source)
            self._newest = serial
            self._changed.notify_all()

    def stop(self) -> None:
        """End the threads; what is being worked out is let go."""
        with self._changed:
            self._over = True
            self._changed.notify_all()

    def _guarded(self, work: Callable[[], None]) -> None:
        try:
            work()
        except BaseException as error:
            self._failed(error)
            raise

    def _do_quick(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._asked is not None or self._over)
                if self._over:
                    return
                asked, self._asked = self._asked, None
            if asked is None:
                continue
            done = reckon(asked[1], asked[0])
            self._tell(done)
            with self._changed:
                self._quick = done
                self._changed.notify_all()

    def _do_slow(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._quick is not None or self._over)
                # hands still: nothing newer was asked for a moment
                while not self._over and self._changed.wait_for(lambda: self._asked is not None or self._over, STILL_S):
                    self._changed.wait_for(lambda: self._asked is None or self._over)
                if self._over:
                    return
                done, self._quick = self._quick, None
            if done is None or done.serial != self._newest:
                continue
            for result in later(done):
                if self._over or result.serial != self._newest:
                    break
                self._tell(result)
