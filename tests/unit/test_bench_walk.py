"""The whole bench walk on the board's own core, with a machine behind it that is not as its file says."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from leanmix.bench import CAUTIONS, CREEP_US, Moved, Mover, Plan, Walk, WalkReport, fit_bench
from leanmix.board import flash
from leanmix.errors import NoAnswer
from leanmix.job import Job, work_out
from leanmix.journal import Journal
from leanmix.machine import demo
from sims.reference.bench_machine import SIDES, ServoOnBench, link_length_mm, put
from sims.reference.plain_file import at, read
from tests.unit.bench_kit import MachineLine, SimBuilder

JOBS = {name: work_out(demo(name)) for name in ("tarn", "wren")}


def truth_of(name: str, **changes: Any) -> dict[str, Any]:
    truth = json.loads(json.dumps(read(demo(name).text)))
    for side, _ in SIDES:
        put(truth[side], "link.length_mm", link_length_mm(truth, side))
    for key, value in changes.items():
        put(truth, key.replace("__", "."), value)
    return dict(truth)


TARN_STOPS = (1150.0, 1790.0)  # where this one really stands against something; not where the file has it
WREN_STOPS = (1210.0, 1760.0)


def bench(
    name: str, truth: dict[str, Any], stops: tuple[float, float], **options: Any
) -> tuple[MachineLine, SimBuilder]:
    count = 1 if truth["servo"]["arrangement"] == "double_arm" else 2
    deadband = at(truth["servo"]["deadband_us"])
    line = MachineLine(
        [ServoOnBench(*stops, deadband_us=deadband) for _ in range(count)], measures_supply=options.pop("supply", True)
    )
    return line, SimBuilder(line, truth, **options)


def walked(name: str, line: MachineLine, builder: SimBuilder, plan: Plan | None = None) -> tuple[WalkReport, Journal]:
    job = JOBS[name]
    journal = Journal.open()
    with line.session() as session:
        flash(session, job.proved)
        line.clock.sleep(2.0)
        record = lambda reading: journal.record_reading(reading, source=job.source, board="LM-1")  # noqa: E731
        report = Walk(session, job, builder, record, "w1", plan).run()
        line.clock.sleep(1.0)
        live = session.live()
    assert live.mode == 0, "mixing again"
    return report, journal


def test_walk_finds_the_difference_and_never_leans_on_a_stop() -> None:
    """Tarn with a shorter arm and another gain than its file says, and a screw that the file knows nothing of."""
    truth = truth_of("tarn", left__arm__radius_mm=14.0, servo__pulse_per_deg_us=9.7, left__arm__rest_deg=1.5)
    line, builder = bench("tarn", truth, TARN_STOPS)
    report, journal = walked("tarn", line, builder)
    assert report.done
    assert line.servos[0].past_us <= CREEP_US
    assert line.servos[0].past_us > 0, "the search did reach the stops"
    stops = {r.note: r for r in report.readings if r.quantity == "stop_us"}
    for way, true in (("left", TARN_STOPS[1]), ("right", TARN_STOPS[0])):
        assert abs(stops[way].at - true) <= stops[way].tol
        assert stops[way].tol <= 2 * CREEP_US
        assert stops[way].how == "supply sagged"
    fit = fit_bench(JOBS["tarn"].source, tuple(report.readings))
    found = {n.key: n for n in fit.numbers}
    for key, true in (("left.arm.radius_mm", 14.0), ("servo.pulse_per_deg_us", 9.7), ("left.arm.rest_deg", 1.5)):
        assert abs(found[key].now.at - true) <= (found[key].now.tol or 0), key
    assert found["left.arm.radius_mm"].differs
    assert found["servo.pulse_per_deg_us"].differs
    # every reading was in the journal as it was made
    assert [r for _, r in journal.readings(walk="w1")] == report.readings
    journal.close()


@pytest.mark.parametrize("offset", np.linspace(0, 6, 7).tolist())
def test_stop_anywhere_within_a_step_is_never_passed_by_more(offset: float) -> None:
    line, builder = bench("tarn", truth_of("tarn"), (TARN_STOPS[0] + offset, TARN_STOPS[1] - offset))
    report, journal = walked("tarn", line, builder, Plan(angles=False, heights=False, steering=False))
    journal.close()
    assert report.done
    assert 0 < line.servos[0].past_us <= CREEP_US


def test_board_without_a_voltmeter_relies_on_the_eye() -> None:
    line, builder = bench("tarn", truth_of("tarn"), TARN_STOPS, supply=False, watches=True)
    report, journal = walked("tarn", line, builder, Plan(points=2))
    journal.close()
    assert any("only you can see" in f for f in report.findings)
    assert line.servos[0].past_us <= CREEP_US
    assert {r.how for r in report.readings if r.quantity == "stop_us"} == {"told to stop"}


def test_stop_inside_the_caps_is_met_gently_while_jogging_to_a_reading() -> None:
    line, builder = bench("tarn", truth_of("tarn"), (1420.0, 1575.0))
    report, journal = walked("tarn", line, builder)
    journal.close()
    assert line.servos[0].past_us <= CREEP_US
    assert sum("in the way" in f for f in report.findings) == 2
    assert {round(r.at / 10) * 10 for r in report.readings if r.quantity == "stop_us"} == {1420, 1580}


def test_two_servos_are_walked_one_after_the_other() -> None:
    truth = truth_of("wren", right__arm__radius_mm=10.6)
    line, builder = bench("wren", truth, WREN_STOPS)
    report, journal = walked("wren", line, builder)
    journal.close()
    assert report.done, report.findings
    assert max(s.past_us for s in line.servos) <= CREEP_US
    assert {(r.side, r.note) for r in report.readings if r.quantity == "stop_us"} == {
        ("left", "left"), ("left", "right"), ("right", "left"), ("right", "right"),
    }  # fmt: skip
    fit = fit_bench(JOBS["wren"].source, tuple(report.readings))
    radius = next(n for n in fit.numbers if n.key == "right.arm.radius_mm")
    assert abs(radius.now.at - 10.6) <= (radius.now.tol or 0)


def test_steering_range_is_read_off_the_receiver() -> None:
    line, builder = bench("tarn", truth_of("tarn", steering__pulse_left_us=1860), TARN_STOPS)
    report, journal = walked("tarn", line, builder, Plan(points=2, search=False))
    journal.close()
    seen = {r.note: r.at for r in report.readings if r.quantity == "steering_us"}
    assert seen == pytest.approx({"left": 1860, "neutral": 1500, "right": 1100}, abs=0.2)
    assert [f for f in report.findings if "Steering" in f] == [
        "Steering left is 1860 µs, the file says 1900 µs: set steering.pulse_left_us."
    ]


def test_wrong_way_round_ends_the_walk_before_anything_else_moves() -> None:
    line, builder = bench("tarn", truth_of("tarn", servo__longer_pulse_leans="right"), TARN_STOPS)
    report, journal = walked("tarn", line, builder)
    journal.close()
    assert not report.done
    assert 'servo.longer_pulse_leans = "right"' in report.findings[-1]
    assert {r.quantity for r in report.readings} <= {"supply_V", "arm_deg"}


def test_arm_on_the_wrong_tooth_is_told_how_to_be_put_right() -> None:
    line, builder = bench("tarn", truth_of("tarn", left__arm__rest_deg=14.0, right__arm__rest_deg=-14.0), TARN_STOPS)
    report, journal = walked("tarn", line, builder, Plan(points=2, search=False, steering=False))
    journal.close()
    (advice,) = [f for f in report.findings if "spline" in f]
    assert "1 tooth lower" in advice
    assert [r.at for r in report.readings if r.quantity == "spline_teeth"] == [-1]


def test_low_battery_is_said() -> None:
    line, builder = bench("tarn", truth_of("tarn"), TARN_STOPS)
    line.servos[0].rest_V = 5.0
    report, journal = walked("tarn", line, builder, Plan(points=2, search=False, steering=False))
    journal.close()
    assert any("5.00 V where the file says 6 V" in f for f in report.findings)


@pytest.mark.parametrize("refused", CAUTIONS)
def test_nothing_moves_before_every_caution_is_confirmed(refused: str) -> None:
    line, builder = bench("tarn", truth_of("tarn"), TARN_STOPS)
    builder.no = (refused,)
    with line.session() as session, Journal.open() as journal:
        flash(session, JOBS["tarn"].proved)
        line.clock.sleep(2.0)
        before = line.core.outputs_eighths
        with pytest.raises(NoAnswer, match="does not begin"):
            Walk(session, JOBS["tarn"], builder, journal.record_reading, "w1").run()
        assert line.core.outputs_eighths == before
        assert journal.headlines() == []


def test_board_with_no_table_or_anothers_is_not_walked() -> None:
    line, builder = bench("tarn", truth_of("tarn"), TARN_STOPS)
    with line.session() as session:
        with pytest.raises(NoAnswer, match="runs no table"):
            Walk(session, JOBS["tarn"], builder, print, "w1").run()
        flash(session, JOBS["tarn"].proved)
        builder.no = ("this machine all the same",)
        with pytest.raises(NoAnswer, match="another machine's table"):
            Walk(session, JOBS["wren"], builder, print, "w1").run()


def test_line_that_goes_quiet_keeps_what_was_read() -> None:
    from leanmix.errors import BoardError

    line, builder = bench("tarn", truth_of("tarn"), TARN_STOPS)
    kept: list[Any] = []
    past: list[float] = []
    with line.session() as session:
        flash(session, JOBS["tarn"].proved)
        line.clock.sleep(2.0)

        def record(reading: Any) -> None:
            kept.append(reading)
            if len(kept) == 5:
                past.append(line.servos[0].past_us)
                line.core.feed = lambda data: b""  # type: ignore[method-assign]

        with pytest.raises(BoardError):
            Walk(session, JOBS["tarn"], builder, record, "w1").run()
    assert len(kept) == 5
    assert "300 ms" in builder.said[-1]
    line.clock.sleep(1.0)
    line._live()
    assert line.servos[0].past_us == past[0] <= CREEP_US


def test_mover_crosses_known_ground_fast_and_new_ground_slowly() -> None:
    line, builder = bench("tarn", truth_of("tarn"), TARN_STOPS)
    with line.session() as session:
        flash(session, JOBS["tarn"].proved)
        line.clock.sleep(2.0)
        mover = Mover(session, 0, 1500.0, builder.stops, deadband_us=3.0)
        times = []
        for goal in (1600.0, 1500.0, 1600.0):
            start = line.clock.time
            assert mover.jog_to(goal) == Moved("arrived", goal, goal)
            times.append(line.clock.time - start)
        assert times[2] < times[0] / 2
        assert (mover.low_us, mover.high_us) == (1500.0, 1600.0)
        beyond = mover.jog_to(2100.0)
        assert beyond.why == "at the board's cap" or beyond.stopped
        mover.release()


def test_jobs_are_walkable() -> None:
    assert all(isinstance(job, Job) for job in JOBS.values())
