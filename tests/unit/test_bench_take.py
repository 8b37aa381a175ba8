"""From readings to the machine file: stops compared, lean fitted, changes taken in as one edit that can be undone."""

from __future__ import annotations

import io
import json
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import click
import numpy as np
import pytest
from click.testing import CliRunner

from leanmix.bench import (
    CAUTIONS,
    Ask,
    Moment,
    changes_of_fit,
    changes_of_stops,
    compare_stops,
    fit_bench,
    fit_drawing,
    fit_lean,
    taken_in,
)
from leanmix.commands._terminal_builder import TerminalBuilder
from leanmix.commands.bench import command
from leanmix.drawing import to_svg
from leanmix.errors import FileTrouble, NoAnswer
from leanmix.job import work_out
from leanmix.journal import Journal, Reading
from leanmix.machine import Measured, Numbers, demo, load, parse, values
from leanmix.stance import balance, stance_setup
from sims.reference.bench_machine import draw_truth
from sims.reference.engine import Engine
from sims.reference.plain_file import read
from tests.conftest import DEEP
from tests.unit.test_bench_fit import readings_off

TARN, WREN = work_out(demo("tarn")), work_out(demo("wren"))


# -- stops


def stop(job: object, way: str, later_deg: float, servo: str = "", tol: float = 3.0) -> Reading:
    """A stop that came that many degrees of throw later than predicted."""
    from leanmix.linkage import servo_calibrations

    cal = next(c for c in servo_calibrations(job.machine, job.numbers) if c.name == (servo or "both"))  # type: ignore[attr-defined]
    block = next(
        s for s in job.ladder.way(way)  # type: ignore[attr-defined]
        if s.blocks and (not servo or s.side in ("", "both", servo))
    )  # fmt: skip
    throw = (block.throw_deg + later_deg) * (1 if way == "left" else -1)
    pulse = float(cal.neutral_us + cal.us_per_rad * np.deg2rad(throw))
    approach = "longer" if pulse > float(cal.neutral_us) else "shorter"
    return Reading("stop_us", pulse, tol, "supply sagged", servo, pulse, approach, "searched")


def test_agreeing_stops_agree() -> None:
    left, right = compare_stops(TARN, (stop(TARN, "left", 0.3), stop(TARN, "right", -0.2)))
    assert (left.nearer, right.nearer) == ("predicted", "measured")
    assert not left.differs
    assert not right.differs
    assert left.likely == ""
    assert left.predicted is not None
    assert 5 < (left.predicted.tol or 0) < 60


def test_nearer_stop_wins_and_something_in_the_way_is_said() -> None:
    left, right = compare_stops(TARN, (stop(TARN, "left", -20.0),))
    assert left.nearer == "measured"
    assert left.differs
    assert "something the file does not know of is in the way" in left.likely
    assert right.measured is None
    assert right.nearer == "predicted"
    (change,) = changes_of_stops(TARN, (left, right))
    assert change.key == "limits.cap_left_deg"
    margin = float(TARN.numbers["limits.cap_margin_deg"])
    block = TARN.ladder.first_block("left")
    assert block is not None
    assert change.now.at == pytest.approx(block.throw_deg - 20 - margin, abs=0.01)
    tighter = work_out(taken_in(TARN.source, (change,)))
    assert tighter.caps.left.throw_deg <= change.now.at
    assert changes_of_stops(tighter, compare_stops(tighter, (stop(TARN, "left", -20.0),))) == ()


def test_several_measurements_count_by_the_nearest() -> None:
    left, _ = compare_stops(TARN, (stop(TARN, "left", 0.0), stop(TARN, "left", -9.0), stop(TARN, "left", 3.0)))
    block = TARN.ladder.first_block("left")
    assert block is not None
    assert left.throw_deg == pytest.approx(block.throw_deg - 9.0, abs=1e-6)


@pytest.mark.parametrize(
    ("left_deg", "right_deg", "says"),
    [
        (8.0, -8.0, "neutral stands off"),
        (-12.0, -12.0, "arm radius or pulse gain"),
        (12.0, 0.0, "is not there, or smaller"),
    ],
)
def test_likely_causes(left_deg: float, right_deg: float, says: str) -> None:
    checks = compare_stops(TARN, (stop(TARN, "left", left_deg), stop(TARN, "right", right_deg)))
    assert says in checks[0].likely


def test_neutral_that_stands_off_names_the_centring_pulse() -> None:
    checks = compare_stops(TARN, (stop(TARN, "left", 8.0), stop(TARN, "right", -8.0)))
    # later left and earlier right: the true centre lies 8° further to the left, at a longer pulse
    assert f"{1500 + 8 * 10.2:.0f} µs" in checks[0].likely
    assert f"{1500 + 8 * 10.2:.0f} µs" in checks[1].likely


def test_each_servo_has_its_own_stops() -> None:
    checks = compare_stops(WREN, (stop(WREN, "left", -9.0, "right"),))
    assert [(c.servo, c.way) for c in checks] == [
        ("left", "left"), ("left", "right"), ("right", "left"), ("right", "right"),
    ]  # fmt: skip
    assert [c.measured is not None for c in checks] == [False, False, True, False]
    assert checks[2].nearer == "measured"


# -- taking in


def test_taken_numbers_stand_in_the_file_and_the_rest_stays() -> None:
    truth, _ = draw_truth(TARN.source.text, np.random.default_rng(11))
    fit = fit_bench(TARN.source, readings_off(truth, 11))
    changes = changes_of_fit(fit)
    assert changes
    after = taken_in(TARN.source, changes)
    kept = [line for line in TARN.source.text.splitlines() if line.startswith("#")]
    assert all(line in after.text for line in kept)
    again = {n.key: n for n in fit_bench(after, readings_off(truth, 11)).numbers}
    found = {n.key: n.now for n in fit.numbers}
    for change in changes:
        # rounded for people, never to less than was found
        assert (found[change.key].tol or 0) <= (change.now.tol or 0) <= 1.1 * (found[change.key].tol or 0)
        assert abs(found[change.key].at - change.now.at) <= 0.05 * (change.now.tol or 0)
        assert abs(again[change.key].now.at - change.now.at) <= (change.now.tol or 0)
        assert not again[change.key].differs
    assert values(after.machine)["chassis.cg_up_mm"] == values(TARN.source.machine)["chassis.cg_up_mm"]


def test_file_that_knows_better_is_left_alone() -> None:
    truth, _ = draw_truth(TARN.source.text, np.random.default_rng(3))
    fit = fit_bench(TARN.source, readings_off(truth, 3))
    sure = replace(fit.numbers[0], was=Measured(fit.numbers[0].now.at, 1e-4), differs=False)
    assert changes_of_fit(replace(fit, numbers=(sure,))) == ()
    with pytest.raises(NoAnswer, match="nothing to take in"):
        taken_in(TARN.source, ())


def test_picture_shows_every_reading_that_was_used() -> None:
    truth, _ = draw_truth(TARN.source.text, np.random.default_rng(4))
    readings = readings_off(truth, 4)
    svg = to_svg(fit_drawing(fit_bench(TARN.source, readings), "Tarn on the bench"))
    bars = [line for line in svg.splitlines() if "polyline" in line and 'stroke-width="0.4"' in line]
    assert svg.count("Tarn on the bench") >= 1
    # a bar for each; in each of four charts two lines and three samples in the key
    assert len(bars) == len(readings) + 4 * (2 + 3)


# -- lean

STIFFNESS = "rear.roll_stiffness_N_m_per_rad"


def leans(stiffness: float, friction_N_m: float, seed: int) -> tuple[Reading, ...]:
    """Lean by phone level at seven throws, rolled and parked both ways, off a machine with other springs and weights."""
    rng = np.random.default_rng(seed)
    numbers = dict(TARN.numbers)
    numbers[STIFFNESS] = stiffness
    for key, tol in (
        ("chassis.cg_up_mm", 4.0), ("rear.pivot_up_mm", 3.0), ("left.shock.rate_N_per_mm", 0.1),
        ("right.shock.rate_N_per_mm", 0.1), ("servo.pulse_per_deg_us", 0.15),
    ):  # fmt: skip
        numbers[key] = numbers[key] + rng.normal(0, tol / 1.96)
    pulses = 1500 + 10.2 * np.linspace(-30, 30, 7)
    stance = balance(
        stance_setup(TARN.machine, Numbers(numbers)), (pulses - 1500) / float(numbers["servo.pulse_per_deg_us"])
    )
    out = []
    for pulse, lean, hold in zip(pulses, stance.lean_deg, stance.stability_N_m_per_rad, strict=True):
        short = np.rad2deg(friction_N_m / hold)
        for state, approach, off in (("rolled", "", 0.0), ("parked", "longer", -short), ("parked", "shorter", short)):
            read_off = float(lean + 0.4 + off + rng.normal(0, 0.1 / 1.96))
            out.append(Reading("lean_deg", read_off, 0.1, "phone level", "", float(pulse), approach, state, "w2"))
    return tuple(out)


LEAN_RUNS = 200 if DEEP else 10


def test_stiffness_and_friction_lie_in_their_intervals() -> None:
    inside = []
    for seed in range(LEAN_RUNS):
        rng = np.random.default_rng(500 + seed)
        stiffness, friction = rng.uniform(0.5, 7), rng.uniform(0.02, 0.1)
        found = fit_lean(TARN.source, leans(stiffness, friction, seed))
        assert found.friction_N_m is not None
        inside.append(
            [
                abs(found.stiffness.at - stiffness) <= (found.stiffness.tol or 0),
                abs(found.friction_N_m.at - friction) <= (found.friction_N_m.tol or 0),
                abs(found.crooked_deg.at - 0.4) <= (found.crooked_deg.tol or 0),
            ]
        )
    assert np.min(np.mean(inside, axis=0)) >= (0.92 if DEEP else 0.8)
    assert np.mean(inside) >= 0.92


def test_lean_off_the_independent_engine_gives_its_stiffness_back() -> None:
    """MuJoCo's front view with 5 N m/rad where the file says 3."""
    plain = read(TARN.source.text)
    plain["rear"]["roll_stiffness_N_m_per_rad"] = 5.0
    engine = Engine(plain, planar=True)
    readings = []
    for throw in (-24.0, -12.0, 0.0, 12.0, 24.0):
        engine.throw(throw)
        pose = engine.settle()
        assert pose.settled
        readings.append(
            Reading("lean_deg", pose.lean_deg, 0.05, pulse_us=1500 + 10.2 * throw, state="rolled", walk="w2")
        )
    found = fit_lean(TARN.source, tuple(readings))
    assert abs(found.stiffness.at - 5.0) <= (found.stiffness.tol or 0) < 1.0
    assert found.differs
    assert found.friction_N_m is None
    assert np.abs(found.fit_says - [r.at for r in readings]).max() < 0.05


def test_lean_readings_that_say_too_little() -> None:
    rolled = Reading("lean_deg", 1.0, 0.1, pulse_us=1500.0, state="rolled")
    with pytest.raises(NoAnswer, match="too few"):
        fit_lean(TARN.source, (rolled, rolled, replace(rolled, pulse_us=1600.0)))
    for bad in (replace(rolled, state=""), replace(rolled, pulse_us=None)):
        with pytest.raises(FileTrouble, match="read again"):
            fit_lean(TARN.source, (rolled, bad))


def test_free_pivot_is_no_less_than_nothing() -> None:
    found = fit_lean(TARN.source, leans(0.0, 0.03, 1))
    assert found.stiffness.at >= 0
    assert found.stiffness.at <= (found.stiffness.tol or 0)


# -- by command


@pytest.fixture
def mine(tmp_path: Path) -> Path:
    path = tmp_path / "mine.toml"
    path.write_text(TARN.source.text)
    return path


def journalled(mine: Path, readings: tuple[Reading, ...], walk: str) -> None:
    with Journal.open() as journal:
        for r in readings:
            journal.record_reading(replace(r, walk=walk), source=load(mine), board="LM-1")


def test_fit_stops_lean_and_take_by_command(mine: Path, tmp_path: Path) -> None:
    run = CliRunner()
    assert isinstance(run.invoke(command, ["fit", str(mine)]).exception, NoAnswer)
    old, _ = draw_truth(TARN.source.text, np.random.default_rng(1))
    truth, hidden = draw_truth(TARN.source.text, np.random.default_rng(2))
    journalled(mine, readings_off(old, 1), "before")
    journalled(mine, (*readings_off(truth, 2), stop(TARN, "left", -15.0)), "today")
    journalled(mine, leans(5.0, 0.05, 3), "leans")
    picture = tmp_path / "fit.svg"
    done = run.invoke(command, ["fit", str(mine), "--json", "--picture", str(picture)])
    assert done.exit_code == 0, done.exception
    found = {n["key"]: n for n in json.loads(done.stdout)["numbers"]}
    radius = found["left.arm.radius_mm"]["now"]
    assert abs(radius["at"] - hidden["left.arm.radius_mm"]) <= radius["tol"]
    assert picture.read_text().startswith("<?xml")
    shown = run.invoke(command, ["fit", str(mine), "--walk", "today"]).stdout
    assert "arm radius" in shown
    assert "ride height" in shown
    assert isinstance(run.invoke(command, ["fit", str(mine), "--walk", "never"]).exception, NoAnswer)
    assert isinstance(run.invoke(command, ["fit", str(mine), "--picture", "x.pdf"]).exception, FileTrouble)
    stops = json.loads(run.invoke(command, ["stops", str(mine), "--json"]).stdout)["stops"]
    assert stops[0]["nearer"] == "measured"
    assert "differs" in run.invoke(command, ["stops", str(mine)]).stdout
    lean = json.loads(run.invoke(command, ["lean", str(mine), "--json"]).stdout)["fit"]
    assert abs(lean["stiffness"]["at"] - 5.0) <= lean["stiffness"]["tol"]
    assert "friction holds" in run.invoke(command, ["lean", str(mine)]).stdout

    before = mine.read_text()
    refused = run.invoke(command, ["take", str(mine), "--walk", "today"])
    assert refused.exit_code == 2
    assert mine.read_text() == before
    took = run.invoke(
        command, ["take", str(mine), "--walk", "today", "--what", "fit", "--what", "stops", "--yes", "--json"]
    )
    assert took.exit_code == 0, took.exception
    answer = json.loads(took.stdout)
    machine = parse(mine.read_text()).machine
    assert abs(machine.left.arm.radius_mm.at - hidden["left.arm.radius_mm"]) <= (machine.left.arm.radius_mm.tol or 0)
    assert machine.left.arm.radius_mm.source == "bench"
    assert machine.limits.cap_left_deg is not None
    from leanmix.commands.journal import command as journal_command

    undo = answer["undo"].split()[2:]
    assert run.invoke(journal_command, undo).exit_code == 0
    assert mine.read_text() == before
    assert isinstance(run.invoke(command, ["take", "demo:tarn", "--yes"]).exception, FileTrouble)


def test_reading_written_by_hand_and_walk_without_a_terminal(mine: Path) -> None:
    run = CliRunner()
    wrote = run.invoke(
        command, ["add", str(mine), "lean_deg", "7.5", "--tol", "0.3", "--pulse", "1800", "--state", "rolled", "--json"]
    )
    assert json.loads(wrote.stdout)["reading"]["at"] == 7.5
    assert isinstance(run.invoke(command, ["add", str(mine), "lean_lb", "7", "--tol", "1"]).exception, FileTrouble)
    refused = run.invoke(command, ["walk", str(mine), "--port", "virtual"])
    assert refused.exit_code == 2
    assert "terminal" in refused.stderr


# -- at the terminal

MOMENT = Moment(0, 1600.0, 5.9, 0.1, False)


class Typed(io.StringIO):
    """Lines that come when they are let."""

    def __init__(self) -> None:
        super().__init__()
        self.gate = threading.Semaphore(0)
        self.coming: list[str] = []

    def type(self, line: str) -> None:
        self.coming.append(line)
        self.gate.release()

    def readline(self, size: int | None = -1, /) -> str:
        self.gate.acquire()
        return self.coming.pop(0)


def terminal() -> tuple[TerminalBuilder, Typed, list[str]]:
    typed, said = Typed(), []
    return TerminalBuilder(typed, said.append), typed, said


def later(typed: Typed, *lines: str) -> None:
    for i, line in enumerate(lines):
        threading.Timer(0.15 * (i + 1), typed.type, (line + "\n",)).start()


ASK = Ask("eye_up_mm", "left", "the eye's height", "mm", 130.0, "1600 µs")


def test_terminal_keeps_the_jog_alive_while_it_waits() -> None:
    builder, typed, said = terminal()
    kept: list[int] = []

    def keep() -> Moment:
        kept.append(1)
        return MOMENT

    later(typed, "", "about 130", "99999", "129,7")
    assert builder.reads(ASK, keep) is None
    assert builder.reads(ASK, keep) == 129.7
    assert len(kept) >= 3
    assert any("is no number" in text for text in said)
    assert any("cannot be" in text for text in said)


def test_terminal_yes_is_only_yes() -> None:
    builder, typed, _ = terminal()
    later(typed, "y", "", "sure", "YES")
    assert [builder.agrees("ready?") for _ in range(4)] == [True, False, False, True]


def test_terminal_choice_by_first_letter() -> None:
    builder, typed, _ = terminal()
    later(typed, "", "x", "r")
    assert builder.chooses("which way?", ("left", "right")) == "right"


def test_terminal_any_line_stops_a_moving_servo_and_answers_nothing_else() -> None:
    builder, typed, said = terminal()
    assert not builder.stops(MOMENT)
    typed.type("\n")
    deadline = time.monotonic() + 5
    while not builder.stops(MOMENT) and time.monotonic() < deadline:
        time.sleep(0.01)
    assert time.monotonic() < deadline
    assert not builder.stops(MOMENT)
    assert any("1600 µs, 5.90 V" in text for text in said)
    typed.type("y\n")  # typed before the question: it must not be taken for a yes to it
    time.sleep(0.2)
    later(typed, "n")
    assert not builder.agrees("go on?")


def test_terminal_that_closes_ends_the_walk() -> None:
    builder, typed, _ = terminal()
    typed.type("")
    with pytest.raises(click.Abort):
        builder.agrees("ready?")
    with pytest.raises(click.Abort):
        builder.stops(MOMENT)


def test_walk_at_a_real_terminal_begins_with_the_cautions_and_a_no_ends_it() -> None:
    import pexpect

    child = pexpect.spawn(
        sys.executable,
        ["-m", "leanmix", "bench", "walk", "demo:tarn", "--port", "virtual"],
        encoding="utf-8",
        timeout=60,
    )
    for _ in range(len(CAUTIONS) - 1):
        child.expect(r"\[y/N\]")
        child.sendline("y")
    child.expect(r"\[y/N\]")
    child.sendline("")
    child.expect("does not begin before this is so")
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 2
    with Journal.open(read_only=True) as journal:
        assert journal.readings() == ()
