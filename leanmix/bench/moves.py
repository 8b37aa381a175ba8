"""Moving a servo on the bench so that it never leans on a stop by more than one creep step.

New ground is entered in small steps, each followed by a look at the supply voltage and at whoever stands by; known
ground is crossed faster. A servo does not answer a change within its deadband, so that much may be past a stop
unnoticed: a step is the creep step less the deadband.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from leanmix.board import Live, Session
from leanmix.errors import LeanmixError
from leanmix.mixer import LiveFlag

__all__ = ["CREEP_US", "SAG_V", "Moment", "Moved", "Mover", "Watch"]

CREEP_US = 6.0
SAG_V = 0.25
STEP_LEAST_US = 1.0
KNOWN_STEP_US = 20.0
NEAR_US = 0.5
DWELL_S = 0.06  # three frames: the servo has moved and the voltage shows it
RESEND_S = 0.1  # the board ends a jog 300 ms after the last one
STEP_LIMIT_S = 1.5
BASE_LOOKS = 5


@dataclass(frozen=True, slots=True)
class Moment:
    """What is so after each small step.

    Parameters
    ----------
    output : int
        Servo, from 0.
    pulse_us : float
        Pulse it gets.
    supply_V : float or None
        Voltage at the servo; None where the board does not measure it.
    sag_V : float
        How far that is below what it was at rest; 0 where unknown.
    searching : bool
        Whether this is a bind search, which may leave the caps.
    """

    output: int
    pulse_us: float
    supply_V: float | None
    sag_V: float
    searching: bool


Watch = Callable[[Moment], bool]
Why = Literal["arrived", "told to stop", "supply sagged", "at the board's cap"]


@dataclass(frozen=True, slots=True)
class Moved:
    """How a move ended.

    Parameters
    ----------
    why : str
        "arrived", "told to stop", "supply sagged" or "at the board's cap".
    pulse_us : float
        Pulse where it ended, before any backing off.
    clear_us : float
        Last pulse at which all was well.
    """

    why: Why
    pulse_us: float
    clear_us: float

    @property
    def stopped(self) -> bool:
        """Whether something was in the way, or someone said so."""
        return self.why in ("told to stop", "supply sagged")


class Mover:
    """One servo being moved.

    Parameters
    ----------
    session : Session
        Open conversation with the board.
    output : int
        Servo, from 0.
    start_us : float
        Pulse it gets now.
    watch : callable
        Asked after each small step; True stops at once.
    creep_us : float
        Most that the servo may be sent past a stop [µs].
    deadband_us : float
        Change that the servo does not answer [µs].
    sag_V : float
        Drop of the supply that counts as a stall.
    """

    def __init__(
        self,
        session: Session,
        output: int,
        start_us: float,
        watch: Watch,
        *,
        creep_us: float = CREEP_US,
        deadband_us: float = 2.0,
        sag_V: float = SAG_V,
    ) -> None:
        self.session, self.output, self.watch, self.sag_V = session, output, watch, sag_V
        self.step_us = max(STEP_LEAST_US, creep_us - deadband_us)
        self.at_us = start_us
        self.low_us = self.high_us = start_us  # between these all was well
        self._token: int | None = None
        self._holding = False
        seen = [v for _ in range(BASE_LOOKS) if (v := session.live().supply_V) is not None]
        self.base_V = sum(seen) / len(seen) if seen else None

    # -- jogging, inside the caps

    def jog_to(self, pulse_us: float) -> Moved:
        """Go to a pulse inside the board's caps; back to the last good one when something is in the way."""
        self._token = None
        self._begin()
        moved = self._go(pulse_us)
        if moved.stopped:
            self._go_straight(moved.clear_us)
        return moved

    def hold(self) -> Moment:
        """Keep a jog alive; to be called every tenth of a second or so while someone reads an instrument."""
        self._send(self.at_us)
        return self._moment(self.session.live())

    def release(self) -> None:
        """Let the board go back to mixing."""
        self._token = None
        self._holding = False
        self.session.stop()

    # -- bind search, beyond the caps

    def search_to(self, pulse_us: float) -> Moved:
        """Creep to a pulse or to what is in the way, then let go: the board goes back inside its caps."""
        self._token = self.session.arm_search()
        self._begin()
        try:
            moved = self._go(pulse_us)
        finally:
            self.release()
            self._wait_inside()
        return moved

    def _begin(self) -> None:
        """Start from where the board has the servo, which mixes again once it was let go."""
        if not self._holding:
            now = self.session.live().outputs_us[self.output]
            self.at_us = self.at_us if now is None else now
            self._holding = True

    def _wait_inside(self) -> None:
        deadline = self.session.clock.now() + 2 * STEP_LIMIT_S
        while self.session.clock.now() < deadline:
            live = self.session.live()
            if not live.flags & (LiveFlag.BEYOND_CAPS | LiveFlag.RETURNING | LiveFlag.SEARCH):
                return
            self.session.clock.sleep(DWELL_S)
        raise LeanmixError(
            "The board did not come back inside its caps after the search.", "Take the servo's plug out, then look."
        )

    # -- steps

    def _go(self, pulse_us: float) -> Moved:
        clear = self.at_us
        while abs(pulse_us - self.at_us) > NEAR_US:
            ahead = 1.0 if pulse_us > self.at_us else -1.0
            room = (self.high_us - self.at_us) if ahead > 0 else (self.at_us - self.low_us)
            known = room > self.step_us
            # never from known ground into new ground in one stride
            stride = min(KNOWN_STEP_US, room) if known else self.step_us
            target = self.at_us + ahead * min(stride, abs(pulse_us - self.at_us))
            why, reached = self._step(target)
            if why != "arrived":
                return Moved(why, reached, clear)
            clear = self.at_us
            self.low_us, self.high_us = min(self.low_us, clear), max(self.high_us, clear)
        return Moved("arrived", self.at_us, clear)

    def _step(self, target_us: float) -> tuple[Why, float]:
        clock = self.session.clock
        self._send(target_us)
        sent = clock.now()
        limit = sent + STEP_LIMIT_S
        arrived_s: float | None = None
        last_us = self.at_us
        while True:
            live = self.session.live()
            moment = self._moment(live, target_us)
            if self.watch(moment):
                return "told to stop", target_us
            if moment.sag_V > self.sag_V:
                return "supply sagged", target_us
            now = clock.now()
            shown = live.outputs_us[self.output]
            last_us = last_us if shown is None else shown
            if arrived_s is None and shown is not None and abs(shown - target_us) <= NEAR_US:
                arrived_s = now
            if arrived_s is not None and now - arrived_s >= DWELL_S:
                self.at_us = target_us
                return "arrived", target_us
            if now >= limit:
                self.at_us = last_us
                return "at the board's cap", last_us
            if now - sent >= RESEND_S:
                self._send(target_us)
                sent = now
            clock.sleep(DWELL_S / 3)

    def _go_straight(self, pulse_us: float) -> None:
        """Back off in one go: away from what is in the way."""
        self.at_us = pulse_us
        deadline = self.session.clock.now() + STEP_LIMIT_S
        while self.session.clock.now() < deadline:
            self._send(pulse_us)
            shown = self.session.live().outputs_us[self.output]
            if shown is not None and abs(shown - pulse_us) <= NEAR_US:
                return
            self.session.clock.sleep(DWELL_S)

    def _send(self, pulse_us: float) -> None:
        if self._token is not None:
            self.session.search(self._token, self.output, pulse_us)
        else:
            pulses: tuple[float | None, ...] = (pulse_us,) if self.output == 0 else (None, pulse_us)
            self.session.jog(pulses)

    def _moment(self, live: Live, pulse_us: float | None = None) -> Moment:
        sag = 0.0 if live.supply_V is None or self.base_V is None else self.base_V - live.supply_V
        at = self.at_us if pulse_us is None else pulse_us
        return Moment(self.output, at, live.supply_V, sag, self._token is not None)
