"""A line to a board in simulated time, on which any one byte can go wrong."""

from __future__ import annotations

from dataclasses import dataclass

from leanmix.board import Clock, Session
from leanmix.curve import ProvedTable, WayLimit, find_caps, make_plan, make_table, prove
from leanmix.errors import PortError
from leanmix.machine import demo, parse, set_value, values
from leanmix.mixer import BoardCore

BYTE_S = 10 / 115200
KINDS = ("dropped", "doubled", "flipped", "late", "unplugged", "unplugged for good")
LATE_S = 5.0


class SimClock(Clock):
    """Time that passes only when somebody waits."""

    def __init__(self) -> None:
        self.time = 0.0

    def now(self) -> float:
        return self.time

    def sleep(self, seconds: float) -> None:
        self.time += seconds


@dataclass
class Fault:
    """What happens to which byte; bytes are counted over both directions in the order they pass."""

    kind: str = ""
    at: int = -1
    passed: int = 0
    struck: bool = False

    def strikes(self) -> bool:
        now = self.passed == self.at and not self.struck
        self.passed += 1
        self.struck |= now
        return now


class SimLine:
    """The board's core, the clock and the fault; `open` gives a wire."""

    def __init__(self, core: BoardCore, fault: Fault | None = None) -> None:
        self.core = core
        self.clock = SimClock()
        self.fault = fault or Fault()
        self.late: list[tuple[float, bool, bytes]] = []
        self.lived = 0.0
        self.dead = False

    def session(self) -> Session:
        return Session(self.open, "test line", self.clock)

    def open(self) -> SimWire:
        if self.dead and self.fault.kind == "unplugged for good":
            raise PortError("test line: there is no such port.")
        if not self.core.powered:
            self.core.power_up()
        self.dead = False
        return SimWire(self)

    def through(self, data: bytes, to_board: bool) -> bytes:
        out = bytearray()
        for byte in data:
            if not self.fault.strikes():
                out.append(byte)
                continue
            kind = self.fault.kind
            if kind == "doubled":
                out += bytes([byte, byte])
            elif kind == "flipped":
                out.append(byte ^ 0x10)
            elif kind == "late":
                self.late.append((self.clock.time + LATE_S, to_board, bytes([byte])))
            elif kind.startswith("unplugged"):
                self.dead = True
                break
        return bytes(out)

    def live(self) -> bytes:
        """Let the board live up to the clock; what it sends comes back, faults and all."""
        sent = self.core.tick((self.clock.time - self.lived) * 1000, 12000)
        self.lived = self.clock.time
        due = [x for x in self.late if x[0] <= self.clock.time]
        self.late = [x for x in self.late if x[0] > self.clock.time]
        for _, to_board, byte in due:
            sent += self.core.feed(byte) if to_board else byte
        return self.through(sent, to_board=False)


class SimWire:
    """See `leanmix.board.Wire`."""

    def __init__(self, line: SimLine) -> None:
        self.line = line
        self.arrived = b""

    def read(self, timeout_s: float) -> bytes:
        line = self.line
        end = line.clock.time + timeout_s
        while True:
            self._plugged()
            self.arrived += line.live()
            if self.arrived or line.clock.time >= end:
                out, self.arrived = self.arrived, b""
                return out
            line.clock.time = min(end, line.clock.time + 0.005)

    def write(self, data: bytes) -> None:
        self._plugged()
        line = self.line
        line.clock.time += BYTE_S * len(data)
        self.arrived += line.live()
        self.arrived += line.through(line.core.feed(line.through(data, to_board=True)), to_board=False)
        self._plugged()

    def close(self) -> None:
        self.arrived = b""

    def _plugged(self) -> None:
        if self.line.dead:
            raise PortError("test line: the board or its adapter was unplugged.")


def proved(radius_mm: float = 15.0, name: str = "tarn") -> ProvedTable:
    """A real proved table; another radius gives another image."""
    source = parse(set_value(demo(name).text, "side.arm.radius_mm", radius_mm))
    numbers = values(source.machine)
    limit = WayLimit(40.0, 39.0, "a test block")
    plan = make_plan(
        source.machine, numbers, find_caps(source.machine, numbers, limit, limit), lambda t: (0.2 + radius_mm / 300) * t
    )
    return prove(make_table(plan, source.digest), limit, limit)
