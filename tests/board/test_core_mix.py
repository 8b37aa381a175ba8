"""The mixer against exact fractions: every input count, every frame, every flag."""

from __future__ import annotations

import random
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leanmix.mixer import MixerBatch, MixFlag, amount_of, lookup, normalise, run, table
from tests.board import exact
from tests.board.core_kit import HIGH, LOW, as_image, exact_images, plain, random_exact
from tests.conftest import DEEP

EVERY_COUNT = np.arange(65536)
IMAGES = [plain()] + [random_exact(random.Random(seed)) for seed in range(24 if DEEP else 5)]


def exact_table(image: exact.ExactImage, output: int) -> list[int]:
    """Settled output for every steering position 0..8192, full amount."""
    out = image.outputs[output]
    return [exact.capped(out, exact.table(out, u)) for u in range(8193)]


@pytest.mark.parametrize("number", range(len(IMAGES)))
def test_every_input_count_equals_the_exact_reference(number: int) -> None:
    spec = IMAGES[number]
    image = as_image(spec)
    positions = np.array([exact.position(spec, p) for p in range(65536)])
    assert np.array_equal(normalise(image, EVERY_COUNT), positions)
    for output in range(len(spec.outputs)):
        expected = np.array(exact_table(spec, output))[positions]
        assert np.array_equal(lookup(image, EVERY_COUNT, output), expected)


@pytest.mark.parametrize("number", range(len(IMAGES)))
def test_rounding_stays_within_its_bound_of_the_unrounded_mapping(number: int) -> None:
    spec = IMAGES[number]
    image = as_image(spec)
    pulses = range(LOW, HIGH + 1, 1 if DEEP else 7)
    for output, out in enumerate(spec.outputs):
        got = lookup(image, list(pulses), output)
        steepest = max(abs(b - a) for a, b in zip(out.knots, out.knots[1:], strict=False))
        # half a steering position through the steepest segment, and half a count of the result
        bound = Fraction(steepest, 512) + Fraction(1, 2)
        for pulse, value in zip(pulses, got.tolist(), strict=True):
            wanted = exact.table_unrounded(out, exact.position_unrounded(spec, pulse))
            assert abs(value - wanted) <= bound


@pytest.mark.parametrize("number", range(len(IMAGES)))
def test_bare_table_at_every_position(number: int) -> None:
    spec = IMAGES[number]
    for output, out in enumerate(spec.outputs):
        got = table(as_image(spec), np.arange(8193), output)
        assert got.tolist() == [exact.table(out, u) for u in range(8193)]


@given(exact_images, st.lists(st.integers(0, 65535), min_size=1, max_size=40), st.integers(0, 256))
def test_lean_amount_equals_the_exact_reference(spec: exact.ExactImage, pulses: list[int], amount: int) -> None:
    for output in range(len(spec.outputs)):
        got = lookup(as_image(spec), pulses, output, amount)
        assert got.tolist() == [exact.steady(spec, output, p, amount) for p in pulses]


@given(exact_images)
def test_second_input_to_amount_over_every_pulse(spec: exact.ExactImage) -> None:
    pulses = list(range(0, 65536, 97)) + list(range(LOW, HIGH, 331))
    assert amount_of(as_image(spec), pulses).tolist() == [exact.amount_of(spec, p) for p in pulses]


def test_no_lean_amount_holds_neutral_and_none_input_means_full() -> None:
    image = as_image(plain())
    assert set(lookup(image, EVERY_COUNT, 0, 0).tolist()) == {12000}
    assert amount_of(image, [0, 8000]).tolist() == [256, 256]


# Noise as a receiver may give it: steady, jumps, glitches outside the range, dropouts.
pulses_in_time = st.lists(
    st.one_of(
        st.integers(LOW, HIGH),
        st.sampled_from((0, 1, 65535, 8000, 12000, 16000)),
        st.integers(0, 65535),
    ),
    min_size=1,
    max_size=120,
)


@given(exact_images, pulses_in_time, st.lists(st.integers(0, 300), min_size=1, max_size=120))
def test_frames_equal_the_exact_reference_and_keep_caps_and_slew(
    spec: exact.ExactImage, pulses: list[int], amounts: list[int]
) -> None:
    amounts = (amounts * len(pulses))[: len(pulses)]
    frames = run(as_image(spec), pulses, amount_256ths=amounts)
    mixer = exact.ExactMixer(spec)
    before = list(mixer.out)
    for got, pulse, amount, flags in zip(frames.out_eighths.tolist(), pulses, amounts, frames.flags, strict=True):
        assert got == mixer.step(pulse, min(amount, 256))
        accepted = spec.accept_min <= pulse <= spec.accept_max
        assert bool(flags & MixFlag.BAD_INPUT) == (not accepted)
        assert bool(flags & MixFlag.FAILSAFE) == mixer.failsafe
        assert bool(flags & MixFlag.RAMPING) == (mixer.ramp < spec.ramp_frames)
        for old, new, out in zip(before, got, spec.outputs, strict=True):
            assert out.low <= new <= out.high
            assert abs(new - old) <= out.slew
        before = got


def test_forward_and_backward_sweeps_settle_on_the_same_output() -> None:
    spec = plain()
    image = as_image(spec)
    spec_slow = plain()
    spec_slow.outputs[0].slew = 16000
    pulses = np.concatenate([np.full(spec.ramp_frames, 7000), np.arange(7000, 17001), np.arange(17000, 6999, -1)])
    frames = run(as_image(spec_slow), pulses).out_eighths[spec.ramp_frames :, 0]
    assert np.array_equal(frames, lookup(image, pulses[spec.ramp_frames :]))


def test_ramp_rises_from_neutral_to_full_over_its_frames() -> None:
    spec = plain()
    spec.outputs[0].slew = 16000
    out = run(as_image(spec), [16000] * 8).out_eighths[:, 0].tolist()
    # 3200 of lean; a fifth more each frame: 51, 102, 154, 205 of 256, then all
    assert out == [12638, 13275, 13925, 14563, 15200, 15200, 15200, 15200]


def test_failsafe_comes_after_its_frames_and_goes_at_the_slew_limit() -> None:
    spec = plain(failsafe_frames=4, ramp_frames=1)
    spec.outputs[0].slew = 1000
    spec.outputs[0].failsafe = 12500
    settled = run(as_image(spec), [16000] * 10)
    lost = run(as_image(spec), [0] * 8, state=settled.state)
    assert settled.out_eighths[-1, 0] == 15200
    assert lost.out_eighths[:, 0].tolist() == [15200, 15200, 15200, 14200, 13200, 12500, 12500, 12500]
    assert [bool(f & MixFlag.FAILSAFE) for f in lost.flags] == [False] * 3 + [True] * 5
    back = run(as_image(spec), [16000] * 3, state=lost.state)
    assert back.out_eighths[:, 0].tolist() == [13500, 14500, 15200]
    assert not any(f & MixFlag.FAILSAFE for f in back.flags)


def test_steering_lost_for_minutes_stays_in_failsafe() -> None:
    """The count of bad frames stops at its top and does not start over."""
    frames = run(as_image(plain(failsafe_frames=255)), [0] * 2000)
    assert all(f & MixFlag.FAILSAFE for f in frames.flags[254:])
    assert not any(f & MixFlag.FAILSAFE for f in frames.flags[:254])


def test_valid_mask_is_the_same_as_no_pulse() -> None:
    image = as_image(plain())
    pulses = np.arange(8000, 8100)
    valid = np.arange(100) % 3 > 0
    masked = run(image, pulses, valid)
    assert np.array_equal(masked.out_eighths, run(image, np.where(valid, pulses, 0)).out_eighths)


def test_a_run_goes_on_from_its_state() -> None:
    image = as_image(plain())
    pulses = [8000, 16000, 0, 12000, 9000] * 12
    whole = run(image, pulses)
    first = run(image, pulses[:17])
    second = run(image, pulses[17:], state=first.state)
    assert np.array_equal(whole.out_eighths, np.concatenate([first.out_eighths, second.out_eighths]))
    with pytest.raises(ValueError, match="state"):
        run(image, pulses, state=b"short")


@given(st.lists(exact_images, min_size=1, max_size=5), st.data())
def test_a_batch_is_as_many_single_mixers(specs: list[exact.ExactImage], data: st.DataObject) -> None:
    images = [as_image(s) for s in specs]
    batch = MixerBatch(images)
    pulses = data.draw(
        st.lists(st.lists(st.integers(0, 22000), min_size=len(images), max_size=len(images)), max_size=9)
    )
    singles = [exact.ExactMixer(s) for s in specs]
    for row in pulses:
        out, _ = batch.step(row)
        for mixer, pulse, got in zip(singles, row, out.tolist(), strict=True):
            assert got == [*mixer.step(pulse), 0][:2]


def test_a_batch_of_one_image_restarts() -> None:
    batch = MixerBatch(as_image(plain()), 300)
    first = [batch.step(16000)[0].copy() for _ in range(20)]
    batch.restart()
    again = [batch.step(16000)[0] for _ in range(20)]
    assert np.array_equal(first, again)
    assert first[-1][0].tolist() == [15200, 0]


def test_wrong_questions_are_refused() -> None:
    image = as_image(plain())
    with pytest.raises(ValueError, match="no output 1"):
        lookup(image, [8000], 1)
    with pytest.raises(ValueError, match=r"0\.\.65535"):
        lookup(image, [70000])
    with pytest.raises(ValueError, match=r"0\.\.256"):
        lookup(image, [8000], 0, 257)
    with pytest.raises(ValueError, match=r"0\.\.8192"):
        table(image, [8193])
    with pytest.raises(ValueError, match="how many"):
        MixerBatch(image)
    with pytest.raises(ValueError, match="as many"):
        MixerBatch([image, image], 3)
