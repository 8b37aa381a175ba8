"""Host and board through any sequence of what a builder may do: the host's picture, the board and a plain model agree."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from leanmix.board import Session, flash, go_back
from leanmix.errors import BoardError, BoardRefused
from leanmix.mixer import BoardCore, LiveFlag, Mode, Tear
from tests.board.bench_line import SimLine, proved
from tests.conftest import DEEP

TABLES = (proved(15.0), proved(14.0), proved(13.0))


class HostAndBoard(RuleBasedStateMachine):
    session: Session
    line: SimLine

    @initialize()
    def plug_in(self) -> None:
        self.line = SimLine(BoardCore(write_us=3400))
        self.session = self.line.session()
        self.runs: bytes | None = None
        self.before: bytes | None = None
        self.unsure = False

    @rule(which=st.integers(0, 2))
    def flash_a_table(self, which: int) -> None:
        table = TABLES[which]
        done = flash(self.session, table)
        if self.runs == table.data:
            assert done.outcome == "already there"
        else:
            assert done.outcome == "stored"
            self.runs, self.before = table.data, self.runs
        assert done.after == table.data

    @rule()
    def revert(self) -> None:
        if self.before is None:
            with pytest.raises(BoardRefused):
                go_back(self.session)
            return
        go_back(self.session)
        self.runs, self.before = self.before, self.runs

    @rule(which=st.integers(0, 2), after=st.integers(0, 150), tear=st.sampled_from(Tear), byte=st.integers(0, 255))
    def power_fails_while_flashing(self, which: int, after: int, tear: Tear, byte: int) -> None:
        core = self.line.core
        core.cut_power(after, tear, byte)
        with contextlib.suppress(BoardError):
            flash(self.session, TABLES[which])
        core.power_up()
        self.session.reopen()
        held = self.session.read_image()
        assert held in (self.runs, TABLES[which].data)
        self.runs = held
        # the table before may have been overwritten by the half-done upload; whatever is left must be whole
        self.before = self.session.read_image(previous=True)
        assert self.before in (None, *(t.data for t in TABLES))

    @rule(pulse=st.floats(500, 2500))
    def jog_and_let_go(self, pulse: float) -> None:
        if self.runs is None:
            with pytest.raises(BoardRefused):
                self.session.jog((pulse,))
            return
        self.session.jog((pulse,))
        assert self.session.live().mode is Mode.JOG
        self.line.clock.sleep(0.35)
        assert self.session.live().mode is Mode.MIX

    @precondition(lambda self: self.runs is not None)
    @rule(pulse=st.floats(500, 2500), seconds=st.floats(0, 0.25))
    def search_and_stop(self, pulse: float, seconds: float) -> None:
        token = self.session.arm_search()
        self.session.search(token, 0, pulse)
        self.line.clock.sleep(seconds)
        with pytest.raises(BoardRefused):
            flash(self.session, TABLES[0] if self.runs != TABLES[0].data else TABLES[1])
        self.session.stop()
        self.line.clock.sleep(2.0)
        assert LiveFlag.BEYOND_CAPS not in self.session.live().flags

    @rule()
    def power_cycle(self) -> None:
        self.line.core.power_up()
        self.session.reopen()

    @invariant()
    def all_agree(self) -> None:
        if not hasattr(self, "line"):
            return
        assert self.line.core.running_bytes == (self.runs or b"")
        assert self.session.read_image() == self.runs
        assert self.session.read_image(previous=True) == self.before
        out = self.line.core.outputs_eighths[0]
        if self.runs is None:
            assert out == 0
        else:
            table = next(t for t in TABLES if t.data == self.runs)
            assert table.image.outputs[0].cap_low_eighths <= out <= table.image.outputs[0].cap_high_eighths


HostAndBoard.TestCase.settings = settings(max_examples=200 if DEEP else 25, stateful_step_count=12, deadline=None)
TestHostAndBoard = HostAndBoard.TestCase
