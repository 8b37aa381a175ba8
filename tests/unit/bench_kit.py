"""A board on a line in simulated time, with a machine behind it whose geometry is not its file's, and a builder."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from leanmix.bench import Ask, Moment
from leanmix.board import Clock, Session
from leanmix.mixer import BoardCore
from sims.reference.bench_machine import SIDES, BenchMachine, ServoOnBench
from sims.reference.plain_file import at

STEP_MS = 5.0


class SimClock(Clock):
    """Time that passes only when somebody waits."""

    def __init__(self) -> None:
        self.time = 0.0

    def now(self) -> float:
        return self.time

    def sleep(self, seconds: float) -> None:
        self.time += seconds


class MachineLine:
    """The board's core, the servos it drives, and the line to it."""

    def __init__(self, servos: list[ServoOnBench], *, measures_supply: bool = True) -> None:
        self.core = BoardCore()
        self.clock = SimClock()
        self.servos = servos
        self.measures_supply = measures_supply
        self.steering_us = 1500.0
        self.lived = 0.0
        self.arrived = b""

    def session(self) -> Session:
        return Session(lambda: self, "bench line", self.clock)

    def _live(self) -> None:
        while self.lived < self.clock.time - 1e-9:
            step = min(STEP_MS / 1000, self.clock.time - self.lived)
            self.arrived += self.core.tick(step * 1000, round(self.steering_us * 8))
            self.lived += step
            for servo, pulse in zip(self.servos, self.core.outputs_eighths, strict=False):
                if pulse:
                    servo.live(step, pulse / 8)
            if self.measures_supply:
                self.core.set_supply_mv(round(1000 * min(s.supply_V for s in self.servos)))

    def read(self, timeout_s: float) -> bytes:
        end = self.clock.time + timeout_s
        while True:
            self._live()
            if self.arrived or self.clock.time >= end:
                out, self.arrived = self.arrived, b""
                return out
            self.clock.time = min(end, self.clock.time + STEP_MS / 1000)

    def write(self, data: bytes) -> None:
        self.clock.time += len(data) * 10 / 115200
        self._live()
        self.arrived += self.core.feed(data)

    def close(self) -> None:
        self.arrived = b""


class SimBuilder:
    """Reads the true machine with noise, watches the arm, does as told.

    Parameters
    ----------
    line : MachineLine
        What drives the servos.
    truth : dict
        The machine as it really is, from the standard library's reading of a file.
    """

    def __init__(self, line: MachineLine, truth: dict[str, Any], *, watches: bool = False, seed: int = 0) -> None:
        self.line, self.truth, self.watches = line, truth, watches
        self.machine = BenchMachine(truth)
        self.rng = np.random.default_rng(seed)
        self.said: list[str] = []
        self.asked: list[Ask] = []
        self.no: tuple[str, ...] = ()
        self.noise = 1.0
        self.most_past_us = 0.0

    def agrees(self, text: str, keep: Callable[[], Moment] | None = None) -> bool:
        self._wait(0.4, keep)
        steering = {"et the wheel go": "neutral", "full left": "left", "full right": "right"}
        for words, place in steering.items():
            if words in text:
                self.line.steering_us = at(self.truth["steering"][f"pulse_{place}_us"])
                self._wait(1.0, keep)
        return not any(word in text for word in self.no)

    def _wait(self, seconds: float, keep: Callable[[], Moment] | None) -> None:
        for _ in range(round(seconds / 0.1)):
            if keep is not None:
                keep()
            self.line.clock.sleep(0.1)

    def throws(self) -> tuple[float, float]:
        servos = self.line.servos
        out = []
        for i, (side, _) in enumerate(SIDES):
            servo = servos[min(i, len(servos) - 1)]
            out.append(self.machine.throw_deg(servo.at_us, side, servo.came_from_below))
        return out[0], out[1]

    def chooses(self, text: str, choices: tuple[str, ...]) -> str:
        throws = self.throws()
        side = 1 if "on the right side" in text else 0
        return "left" if throws[side] > 0 else "right"

    def reads(self, ask: Ask, keep: Callable[[], Moment]) -> float | None:
        self.asked.append(ask)
        self._wait(0.5, keep)
        angles, heights = self.machine.pose(self.throws())
        side = 0 if ask.side == "left" else 1
        if ask.quantity == "arm_deg":
            return angles[side] + float(self.rng.normal(0, 0.5 * self.noise))
        return heights[side] + float(self.rng.normal(0, 0.05 * self.noise))

    def stops(self, moment: Moment) -> bool:
        return self.watches and self.line.servos[min(moment.output, len(self.line.servos) - 1)].stalled

    def told(self, text: str) -> None:
        self.said.append(text)
