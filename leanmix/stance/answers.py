"""What builders ask and rules of thumb get wrong, answered from the model with the numbers behind it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from leanmix.linkage import runner_loads_at_rest_N
from leanmix.machine import Machine, values
from leanmix.stance.gain import Gain
from leanmix.stance.worth import Worth, possible_changes

__all__ = ["Answer", "plain_answers"]

TELLING_G = 0.002


@dataclass(frozen=True, slots=True)
class Answer:
    """A question and what the model says.

    Parameters
    ----------
    question : str
        As a builder asks it.
    answer : str
        With the numbers it rests on.
    """

    question: str
    answer: str


def _only(worths: Sequence[Worth], *words: str) -> Worth | None:
    return next((w for w in worths if all(word in w.what for word in words)), None)


def _buys(change_g: float) -> str:
    if abs(change_g) < TELLING_G:
        return f"changes next to nothing ({change_g:+.3f} g)"
    return f"{'buys' if change_g > 0 else 'costs'} {abs(change_g):.3f} g"


def plain_answers(machine: Machine, worths: Sequence[Worth], gain: Gain | None = None) -> tuple[Answer, ...]:
    """Answer the usual questions for this machine.

    Parameters
    ----------
    machine : Machine
        The machine.
    worths : sequence of Worth
        From `what_buys_most`, leaning into a turn at full lock.
    gain : Gain, optional
        From `gain_of_leaning` at full lock.
    """
    out = [
        a
        for a in (_leaning(gain), _high_weight(worths), _wide_or_lean(worths), _strap(machine, worths))
        if a is not None
    ]
    toe = (
        "Nowhere in where it tips: that depends on where the runners stand, and toe of a few mm moves them by less than a tenth "
        "of a millimetre. It acts on grip and on how eagerly the nose turns in, so on how soon that limit is reached."
    )
    return (*out, Answer("Where does toe act?", toe))


def _way(lean_deg: float) -> str:
    return f"{abs(lean_deg):.1f}° {'into' if lean_deg >= 0 else 'out of'} the turn"


def _leaning(gain: Gain | None) -> Answer | None:
    if gain is None:
        return None
    change = gain.leaning_g - gain.upright_g
    return Answer(
        "What does leaning in buy, and where does it go?",
        f"Turning {gain.turn}, {gain.lean_at_rest_deg:.1f}° of lean at rest {_buys(change)}. Where it tips it stands "
        f"{_way(gain.lean_upright_deg)} with the arm centred and {_way(gain.lean_leaning_deg)} with it over. "
        f"Its balance point is then {abs(gain.cg_in_mm):.1f} mm further {'in' if gain.cg_in_mm >= 0 else 'out'}: {gain.by_cg_g:+.3f} g. "
        f"The rear, whose spring pushes the chassis upright whichever way it leans: {gain.by_rear_g:+.3f} g. "
        f"The runners, by where and how much they carry: {gain.by_runners_g:+.3f} g. Height: {gain.by_height_g:+.3f} g.",
    )


def _high_weight(worths: Sequence[Worth]) -> Answer | None:
    higher = _only(worths, "moved", "higher")
    if higher is None:
        return None
    verdict = "Yes" if higher.leaning_g > TELLING_G else "No" if higher.leaning_g < -TELLING_G else "Hardly"
    text = (
        f"{verdict}: {higher.what} {_buys(higher.leaning_g)} while leaning in and {_buys(higher.upright_g)} upright. "
        f"It adds {higher.lean_deg:+.2f}° of lean, but the longer lever weighs more than the lean brings back."
        if verdict == "No"
        else f"{verdict}: {higher.what} {_buys(higher.leaning_g)} while leaning in, {_buys(higher.upright_g)} upright."
    )
    return Answer("Does weight up high help, because it leans in?", text)


def _wide_or_lean(worths: Sequence[Worth]) -> Answer | None:
    wide, more = _only(worths, "runners", "further out"), _only(worths, "more arm at full lock")
    if wide is None or more is None:
        return None
    winner = "The wider stance" if wide.leaning_g > more.leaning_g else "More lean"
    return Answer(
        "A wider stance, or more lean?",
        f"{winner}: {wide.what} {_buys(wide.leaning_g)}; {more.what} ({more.lean_deg:+.2f}° of lean) {_buys(more.leaning_g)}.",
    )


def _strap(machine: Machine, worths: Sequence[Worth]) -> Answer | None:
    tighter = _only(worths, "limiter strap")
    if tighter is None:
        return None
    change = next(c for c in possible_changes(machine) if c.what == tighter.what)
    before = values(machine)
    shares = [sum(map(float, runner_loads_at_rest_N(n))) for n in (before, before.changed(dict(change.numbers)))]
    weight = float(before["chassis.mass_g"]) * 9.80665e-3
    return Answer(
        "What does tightening the limiter strap do?",
        f"{tighter.what} puts the rear's support {change.numbers['rear.load_behind_mm'] - float(before['rear.load_behind_mm']):.0f} mm further back, "
        f"so that the runners carry {100 * shares[1] / weight:.0f} % of the weight instead of {100 * shares[0] / weight:.0f} %: a longer support. It {_buys(tighter.leaning_g)}.",
    )
