"""The bench walk: from cautions to bind search, every reading in the journal as soon as it is made.

The walk knows nothing of terminals: it talks to a `Builder`, which the command line, a screen or a test stands in for.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from leanmix.bench.asking import CAUTIONS, Ask, Builder, Plan, WalkReport
from leanmix.bench.moves import Moved, Mover
from leanmix.board import Session
from leanmix.errors import LeanmixError, NoAnswer
from leanmix.job import Job
from leanmix.journal import Reading
from leanmix.linkage import SIDES, nearest_tooth, servo_calibrations
from leanmix.stops import Ladder

__all__ = ["Walk", "nearest_clearance"]

DIRECTION_US = 40.0
SHY_STEPS = 4.0  # and this many creep steps off one that was found
SHY_DEG = 3.0  # readings keep this far off the nearest predicted stop
STEERING_FRAMES = 25
STEERING_PLACES = ("left", "right", "neutral")
STEERING_OFF_US = 15.0
PAST_SHARE = 0.2  # a search gives up this much further than where a stop was predicted
PAST_LEAST_DEG = 6.0


Record = Callable[[Reading], None]


class Walk:
    """A bench walk with one board and one machine.

    Parameters
    ----------
    session : Session
        Open conversation; the board must run a table, whose caps hold for everything but the search.
    job : Job
        The machine, worked out.
    builder : Builder
        Who is asked.
    record : callable
        Keeps a reading for good before it returns.
    walk : str
        Name of this walk.
    plan : Plan
        What to do.
    """

    def __init__(
        self, session: Session, job: Job, builder: Builder, record: Record, walk: str, plan: Plan | None = None
    ) -> None:
        self.session, self.job, self.builder, self.record = session, job, builder, record
        self.plan = Plan() if plan is None else plan
        self.report = WalkReport(walk)
        self.servos = servo_calibrations(job.machine, job.numbers)

    def run(self) -> WalkReport:
        """Walk through all of it; whatever happens, the board is let go at the end.

        Raises
        ------
        NoAnswer
            When the cautions are not confirmed, or the board runs no table.
        BoardError
            When the line fails; what was read until then is kept.
        """
        self._cautions()
        try:
            movers = self._movers()
            for mover in movers:
                self._neutral(mover)
                if not self._direction(mover):
                    return self.report
            for mover in movers:
                self._readings(mover)
                mover.release()
            if self.plan.steering:
                self._steering(movers[0])
            if self.plan.search:
                for mover in movers:
                    self._search(mover)
            self.report.done = True
            return self.report
        finally:
            self._let_go()

    # -- beginnings

    def _cautions(self) -> None:
        for text in CAUTIONS:
            if not self.builder.agrees(text):
                raise NoAnswer("The bench walk does not begin before this is so.", text)
        if self.session.identity.running_crc is None:
            raise NoAnswer(
                "The board runs no table, so nothing holds a jog inside any caps.",
                "Flash one first: leanmix flash FILE",
            )
        mine = self.job.source.digest.hex()
        held = self.session.identity.machine_hash
        if not mine.startswith(held):
            self._finding(
                "The board's table was made from another machine file than this one; its caps hold for the walk."
            )
            if not self.builder.agrees("Is it this machine all the same, as far as the linkage goes?"):
                raise NoAnswer("The board carries another machine's table.", "Flash this machine's table first.")

    def _movers(self) -> list[Mover]:
        live = self.session.live()
        deadband = float(self.job.numbers["servo.deadband_us"])
        out = []
        for i, cal in enumerate(self.servos):
            now = live.outputs_us[i]
            start = float(cal.neutral_us) if now is None else now
            out.append(
                Mover(
                    self.session,
                    i,
                    start,
                    self.builder.stops,
                    creep_us=self.plan.creep_us,
                    deadband_us=deadband,
                    sag_V=self.plan.sag_V,
                )
            )
        if live.supply_V is None:
            self._finding("The board does not measure the servo's supply: only you can see that the servo stalls.")
        else:
            self._keep(Reading("supply_V", live.supply_V, 0.1, "board", walk=self.report.walk))
            want = float(self.job.numbers["servo.supply_voltage_V"])
            if live.supply_V < want - float(self.job.numbers["servo.cold_sag_V"]) - 0.2:
                self._finding(
                    f"The servo has {live.supply_V:.2f} V where the file says {want:g} V: charge, or correct it."
                )
        return out

    def _name(self, mover: Mover) -> str:
        cal = self.servos[mover.output]
        return "" if cal.name == "both" else cal.name

    def _sides(self, mover: Mover) -> tuple[str, ...]:
        name = self._name(mover)
        return (name,) if name else SIDES

    def _neutral(self, mover: Mover) -> None:
        cal = self.servos[mover.output]
        moved = mover.jog_to(float(cal.neutral_us))
        if moved.why != "arrived":
            self._in_the_way(moved, "going to neutral")
            return
        side = self._sides(mover)[0]
        found = self._read(mover, "arm_deg", side, "longer")
        if found is None:
            return
        rest = float(self.job.numbers[f"{side}.arm.rest_deg"])
        machine = self.job.machine
        gain = abs(float(np.deg2rad(cal.us_per_rad)))
        tooth = nearest_tooth(
            machine.servo.spline_teeth, rest - found, gain, double_arm=machine.servo.arrangement == "double_arm"
        )
        if not tooth.teeth and not tooth.end_for_end:
            return
        steps = [] if not tooth.teeth else [_teeth(tooth.teeth)]
        if tooth.end_for_end:
            steps.append("the other way round")
        self._keep(
            Reading("spline_teeth", tooth.teeth, 0.0, "counted", side, float(cal.neutral_us), walk=self.report.walk)
        )
        self._finding(
            f"At neutral the {side} arm stands {found - rest:+.1f}° off: pull the servo's plug, lift the arm off the "
            f"spline and put it back {' and '.join(steps)}; {abs(tooth.trim_deg):.1f}° then remain to be trimmed."
        )

    def _direction(self, mover: Mover) -> bool:
        cal = self.servos[mover.output]
        moved = mover.jog_to(float(cal.neutral_us) + DIRECTION_US)
        if moved.stopped:
            self._in_the_way(moved, "trying which way it leans")
            return False
        name = self._name(mover)
        which = f" on the {name} side" if name else ""
        want = "left" if cal.us_per_rad > 0 else "right"
        seen = self.builder.chooses(
            f"The pulse got longer. Which way does the machine lean{which} now (a left lean lowers its left side)?",
            ("left", "right"),
        )
        mover.jog_to(float(cal.neutral_us))
        if seen == want:
            return True
        key = "servo_right.longer_pulse_leans" if name == "right" else "servo.longer_pulse_leans"
        self._finding(f'A longer pulse leans it {seen}, the file says {want}: set {key} = "{seen}", flash, walk again.')
        return False

    # -- readings

    def _readings(self, mover: Mover) -> None:
        if not (self.plan.angles or self.plan.heights):
            return
        cal = self.servos[mover.output]
        ends = []
        for way, sign in (("left", 1.0), ("right", -1.0)):
            cap = self.job.caps.left.throw_deg if way == "left" else self.job.caps.right.throw_deg
            block = self.job.ladder.first_block(way)
            free = cap if block is None else min(cap, block.throw_deg - SHY_DEG)
            ends.append(self._pulse(cal_deg=sign * max(free, 0.0), mover=mover))
        low, high = (self._reach(mover, end) for end in sorted(ends))
        pulses = np.linspace(low, high, max(2, self.plan.points))
        # so that the first reading, too, is come to from shorter pulses
        mover.jog_to(float(pulses[0]) - 2 * self.plan.creep_us)
        for approach, order in (("longer", pulses), ("shorter", pulses[::-1])):
            for pulse in order:
                moved = mover.jog_to(float(pulse))
                if moved.stopped:
                    self._in_the_way(moved, "on the way to a reading")
                    break
                for side in self._sides(mover):
                    if self.plan.angles and side == self._sides(mover)[0]:
                        self._read(mover, "arm_deg", side, approach)
                    if self.plan.heights:
                        self._read(mover, "eye_up_mm", side, approach)
        mover.jog_to(float(cal.neutral_us))

    def _reach(self, mover: Mover, pulse_us: float) -> float:
        """How far towards a pulse it goes freely, a little less where something is in the way."""
        moved = mover.jog_to(pulse_us)
        if moved.stopped:
            self._in_the_way(moved, "looking how far it goes freely")
        back = SHY_STEPS * self.plan.creep_us if moved.why != "arrived" else 0.0
        return moved.clear_us - float(np.copysign(back, pulse_us - float(self.servos[mover.output].neutral_us)))

    def _read(self, mover: Mover, quantity: str, side: str, approach: str) -> float | None:
        from leanmix.bench.model import expected, rows_of

        tol = self.plan.angle_tol_deg if quantity == "arm_deg" else self.plan.height_tol_mm
        blank = Reading(quantity, 0.0, tol, side=side, pulse_us=mover.at_us, approach=approach)
        should = float(expected(self.job.machine, self.job.numbers, rows_of((blank,)), dict.fromkeys(SIDES, 0.0))[0, 0])
        how = "protractor" if quantity == "arm_deg" else "calipers"
        text = {
            "arm_deg": f"{side} servo arm: its ball over the level of its axis, + above, by protractor",
            "eye_up_mm": f"{side} shock's upper eye: height over the board with the chassis at its measured height",
        }[quantity]
        throw = self._throw_deg(mover)
        beside = f"{mover.at_us:.0f} µs, throw {throw:+.1f}°, {nearest_clearance(self.job.ladder, throw)}"
        found = self.builder.reads(
            Ask(quantity, side, text, "deg" if quantity == "arm_deg" else "mm", should, beside), mover.hold
        )
        if found is None:
            return None
        self._keep(Reading(quantity, found, tol, how, side, mover.at_us, approach, "jogged", self.report.walk))
        return found

    # -- steering

    def _steering(self, mover: Mover) -> None:
        numbers = self.job.numbers
        for place in STEERING_PLACES:
            # held at neutral by a jog: full steering must not send the servo where nothing was tried yet
            moved = mover.jog_to(float(self.servos[mover.output].neutral_us))
            if moved.stopped:
                self._in_the_way(moved, "going to neutral")
                return
            hold = "let the wheel go" if place == "neutral" else f"hold the wheel full {place}"
            if not self.builder.agrees(
                f"On the transmitter, {hold}. The servo stays where it is. Holding?", mover.hold
            ):
                continue
            seen = []
            for _ in range(STEERING_FRAMES):
                mover.hold()
                live = self.session.live()
                if live.steering_us is not None:
                    seen.append(live.steering_us)
                self.session.clock.sleep(0.02)
            if len(seen) < STEERING_FRAMES // 2:
                self._finding("The receiver gives no steady steering pulse: is the transmitter on, the plug in?")
                break
            at, spread = float(np.median(seen)), float(np.ptp(seen)) / 2
            self._keep(Reading("steering_us", at, max(spread, 0.5), "board", note=place, walk=self.report.walk))
            want = float(numbers[f"steering.pulse_{place}_us"])
            if abs(at - want) > STEERING_OFF_US:
                self._finding(
                    f"Steering {place} is {at:.0f} µs, the file says {want:g} µs: set steering.pulse_{place}_us."
                )
        self.builder.agrees("Let the wheel go; the board mixes again in a moment. Done?", mover.hold)
        mover.release()

    # -- stops

    def _search(self, mover: Mover) -> None:
        numbers = self.job.numbers
        low, high = float(numbers["servo.pulse_min_us"]), float(numbers["servo.pulse_max_us"])
        low, high = max(low, self.session.identity.pulse_min_us), min(high, self.session.identity.pulse_max_us)
        for way, sign in (("left", 1.0), ("right", -1.0)):
            block = self.job.ladder.first_block(way)
            throw = block.throw_deg if block else float(numbers["servo.travel_deg"])
            furthest = throw + max(PAST_LEAST_DEG, PAST_SHARE * throw)
            goal = min(high, max(low, self._pulse(cal_deg=sign * furthest, mover=mover)))
            says = (
                f"predicted at {self._pulse(cal_deg=sign * throw, mover=mover):.0f} µs: {block.says}"
                if block
                else "none predicted"
            )
            if not self.builder.agrees(
                f"Bind search, leaning {way}: the servo leaves its caps and creeps until you say stop, or it stalls; "
                f"{says}. Ready?"
            ):
                continue
            moved = mover.search_to(goal)
            if not moved.stopped:
                self._finding(f"Leaning {way} nothing stopped it up to {moved.pulse_us:.0f} µs.")
                continue
            mover.low_us, mover.high_us = max(mover.low_us, low), min(mover.high_us, high)
            at = (moved.pulse_us + moved.clear_us) / 2
            tol = abs(moved.pulse_us - moved.clear_us) / 2 + float(numbers["servo.deadband_us"])
            longer = "longer" if moved.pulse_us > moved.clear_us else "shorter"
            self._keep(
                Reading("stop_us", at, tol, moved.why, self._name(mover), at, longer, "searched", self.report.walk, way)
            )
            self.builder.told(f"leaning {way} it stops at {at:.0f} ± {tol:.0f} µs")

    # -- small things

    def _pulse(self, *, cal_deg: float, mover: Mover) -> float:
        cal = self.servos[mover.output]
        return float(cal.neutral_us + cal.us_per_rad * np.deg2rad(cal_deg))

    def _throw_deg(self, mover: Mover) -> float:
        cal = self.servos[mover.output]
        return float(np.rad2deg((mover.at_us - cal.neutral_us) / cal.us_per_rad))

    def _in_the_way(self, moved: Moved, doing: str) -> None:
        self._finding(
            f"{moved.why.capitalize()} at {moved.pulse_us:.0f} µs while {doing}: look what is in the way there."
        )

    def _finding(self, text: str) -> None:
        self.report.findings.append(text)
        self.builder.told(text)

    def _keep(self, reading: Reading) -> None:
        self.record(reading)
        self.report.readings.append(reading)

    def _let_go(self) -> None:
        try:
            self.session.stop()
        except LeanmixError:
            # the line is gone: the board's own dead-man has ended the jog by now
            self.builder.told("The board could not be told to let go; its own limit of 300 ms has ended the jog.")


def _teeth(count: int) -> str:
    return f"{abs(count)} {'tooth' if abs(count) == 1 else 'teeth'} {'higher' if count > 0 else 'lower'}"


def nearest_clearance(ladder: Ladder, throw_deg: float) -> str:
    """The pair of parts that are nearest each other at a throw `throw_deg` [deg, + leans left], in words."""
    found = [
        (float(np.interp(throw_deg, c.throw_deg, c.gap_mm)), c)
        for c in ladder.clearances
        if np.all(np.isfinite(c.gap_mm)) and c.throw_deg[0] <= throw_deg <= c.throw_deg[-1]
    ]
    if not found:
        return "no clearance known"
    gap, curve = min(found, key=lambda pair: pair[0])
    return f"nearest: {curve.parts[0]} to {curve.parts[1]} {gap:.1f} mm ({curve.side})"
