"""The one steering position: steps, locks, sweeps, and how hard the machine turns."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from leanmix.screens.store import COARSE, FINE

if TYPE_CHECKING:
    from textual.timer import Timer

    from leanmix.screens.app import Screens

__all__ = ["Steering"]

SWEEP_S = 0.05


class Steering:
    """Actions of the steering; mixed into the application."""

    _sweeper: Timer | None = None
    _sweep_way = 1.0

    @property
    def _app(self) -> Screens:
        return cast("Screens", self)

    def steer_to(self, steer: float) -> None:
        """Put the steering somewhere."""
        self._app.store.steer_to(steer)
        self._app.quiet()
        self._app.follow()

    def action_steer(self, step: float) -> None:
        """One step."""
        self.end_sweep()
        self.steer_to(self._app.store.position.steer + step)

    def action_lock(self, steer: float) -> None:
        """To a lock."""
        self.end_sweep()
        self.steer_to(steer)

    def action_centre(self) -> None:
        """Let go."""
        self.end_sweep()
        self.steer_to(0.0)

    def action_turn(self, step: float) -> None:
        """Turn harder or less hard."""
        self._app.store.turn_at(self._app.store.position.turn_g + step)
        self._app.quiet()
        self._app.follow()

    def action_sweep(self) -> None:
        """Steer from lock to lock until a key is pressed."""
        if self._sweeper is not None:
            self.end_sweep()
        else:
            self._sweeper = self._app.set_interval(SWEEP_S, self._sweep_on)

    def _sweep_on(self) -> None:
        here = self._app.store.position.steer
        if abs(here + self._sweep_way * FINE) > 1:
            self._sweep_way = -self._sweep_way
        self.steer_to(here + self._sweep_way * COARSE / 2)

    def end_sweep(self) -> None:
        """End a sweep, where one goes on."""
        if self._sweeper is not None:
            self._sweeper.stop()
            self._sweeper = None

    def action_let_go(self) -> None:
        """End a sweep, take the hand off the arm, clear the last sentence."""
        self.end_sweep()
        if self._app.store.position.held_deg is not None:
            self.steer_to(self._app.store.position.steer)
        self._app.quiet()

    def runner_deg(self) -> float:
        """Mean angle of the runners [deg, + left]."""
        runner = self._app.store.good.machine.runner
        steer = self._app.store.position.steer
        return steer * (runner.steer_left_deg.at if steer >= 0 else runner.steer_right_deg.at)
