#include "lm_mix.h"

#include "lm_bytes.h"

/* part/whole of scale, to nearest, stopping at scale; part and whole fit 16 bits, so 32 bits never overflow. */
static uint16_t share(uint16_t part, uint16_t whole, uint16_t scale)
{
    if (part >= whole) {
        return scale;
    }
    return (uint16_t)(((uint32_t)part * scale + (whole >> 1)) / whole);
}

/* How far `pulse` has gone from `from` towards `end`, in parts of scale; 0 on the other side. */
static uint16_t toward(uint16_t pulse, uint16_t from, uint16_t end, uint16_t scale)
{
    if (end < from) {
        /* Turned round; differences stay. */
        pulse = (uint16_t)~pulse;
        from = (uint16_t)~from;
        end = (uint16_t)~end;
    }
    return pulse <= from ? 0 : share((uint16_t)(pulse - from), (uint16_t)(end - from), scale);
}

uint16_t lm_mix_normalise(const uint8_t *image, uint16_t pulse)
{
    uint16_t neutral = lm_get16(image + LM_AT_NEUTRAL);
    uint16_t left = toward(pulse, neutral, lm_get16(image + LM_AT_LEFT), LM_U_NEUTRAL);
    uint16_t right = toward(pulse, neutral, lm_get16(image + LM_AT_RIGHT), LM_U_NEUTRAL);
    return (uint16_t)(LM_U_NEUTRAL + left - right);
}

/* fraction/256 of the way between two pulses, to nearest, halves away from `from`. */
static uint16_t between(uint16_t from, uint16_t to, uint8_t fraction)
{
    uint8_t down = to < from;
    uint16_t way = (uint16_t)(down ? from - to : to - from);
    /* (way * fraction + 128) >> 8 in two 8-bit products: the high byte's share is whole already. */
    uint16_t low = (uint16_t)((uint8_t)(way & 0xFFu) * fraction);
    uint16_t high = (uint16_t)((uint8_t)(way >> 8) * fraction);
    uint16_t step = (uint16_t)(high + ((uint16_t)(low + 128u) >> 8));
    return (uint16_t)(down ? from - step : from + step);
}

uint16_t lm_table_lookup(const uint8_t *knots, uint16_t u)
{
    uint8_t fraction = (uint8_t)(u & 0xFFu);
    knots += 2u * (uint16_t)(u >> 8);
    uint16_t from = lm_get16(knots);
    if (fraction == 0) {
        return from; /* also keeps u = 8192 from reading past the last knot */
    }
    return between(from, lm_get16(knots + 2), fraction);
}

uint16_t lm_capped(const uint8_t *block, uint16_t pulse)
{
    uint16_t low = lm_get16(block + LM_OUT_MIN);
    uint16_t high = lm_get16(block + LM_OUT_MAX);
    return pulse < low ? low : pulse > high ? high : pulse;
}

static uint16_t wanted(const uint8_t *block, uint16_t u, uint16_t amount)
{
    uint16_t pulse = lm_table_lookup(block + LM_OUT_KNOTS, u);
    if (amount < LM_AMOUNT_FULL) {
        pulse = between(lm_get16(block + LM_OUT_NEUTRAL), pulse, (uint8_t)amount);
    }
    return lm_capped(block, pulse);
}

uint16_t lm_mix_steady(const uint8_t *image, uint8_t output, uint16_t pulse, uint16_t amount)
{
    return wanted(lm_image_output(image, output), lm_mix_normalise(image, pulse), amount);
}

uint16_t lm_mix_amount(const uint8_t *image, uint16_t pulse)
{
    if (!(image[LM_AT_OPTIONS] & LM_OPTION_AMOUNT) || pulse == LM_NO_PULSE) {
        return lm_get16(image + LM_AT_AMOUNT_ABSENT);
    }
    return toward(pulse, lm_get16(image + LM_AT_AMOUNT_LOW), lm_get16(image + LM_AT_AMOUNT_HIGH), LM_AMOUNT_FULL);
}

void lm_mix_start(struct lm_mix *mix, const uint8_t *image)
{
    lm_zero(mix, sizeof *mix);
    lm_mix_adopt(mix, image);
}

void lm_mix_adopt(struct lm_mix *mix, const uint8_t *image)
{
    mix->outputs = image[LM_AT_OUTPUTS];
    mix->ramp = 0;
    mix->bad_frames = 0;
    mix->flags = LM_MIX_RAMPING;
    mix->out[1] = mix->outputs > 1 ? mix->out[1] : 0;
    mix->target[1] = 0;
    for (uint8_t o = 0; o < mix->outputs; o++) {
        const uint8_t *block = lm_image_output(image, o);
        uint16_t neutral = lm_get16(block + LM_OUT_NEUTRAL);
        /* An output the image before did not drive has no place to start from but neutral. */
        mix->out[o] = mix->out[o] == 0 ? neutral : lm_capped(block, mix->out[o]);
        mix->target[o] = neutral;
    }
}

uint8_t lm_mix_accepts(const uint8_t *image, uint16_t pulse)
{
    return pulse >= lm_get16(image + LM_AT_ACCEPT_MIN) && pulse <= lm_get16(image + LM_AT_ACCEPT_MAX);
}

uint8_t lm_slew(uint16_t *out, uint16_t target, uint16_t slew)
{
    uint8_t down = target < *out;
    uint16_t off = (uint16_t)(down ? *out - target : target - *out);
    uint8_t held = off > slew;
    uint16_t step = held ? slew : off;
    *out = (uint16_t)(down ? *out - step : *out + step);
    return held;
}

void lm_mix_step(struct lm_mix *mix, const uint8_t *image, uint16_t pulse, uint16_t amount)
{
    uint8_t accepted = lm_mix_accepts(image, pulse);
    uint8_t flags = mix->flags & LM_MIX_RAMPING;
    uint16_t u = lm_mix_normalise(image, pulse);
    if (accepted) {
        mix->bad_frames = 0;
        if (mix->ramp < image[LM_AT_RAMP_FRAMES]) {
            mix->ramp++;
        }
        if (mix->ramp >= image[LM_AT_RAMP_FRAMES]) {
            flags = 0;
        }
        amount = share(mix->ramp, image[LM_AT_RAMP_FRAMES], amount);
    } else {
        flags |= LM_MIX_BAD_INPUT;
        if (mix->bad_frames != 0xFF) {
            mix->bad_frames++;
        }
        if (mix->bad_frames >= image[LM_AT_FAILSAFE_FRAMES]) {
            flags |= LM_MIX_FAILSAFE;
        }
    }
    const uint8_t *block = lm_image_output(image, 0);
    uint16_t *out = mix->out;
    for (uint8_t o = 0; o < mix->outputs; o++, out++, block += LM_OUTPUT_BYTES) {
        if (accepted) {
            mix->target[o] = wanted(block, u, amount);
        }
        uint16_t target = flags & LM_MIX_FAILSAFE ? lm_get16(block + LM_OUT_FAILSAFE) : mix->target[o];
        if (lm_slew(out, target, lm_get16(block + LM_OUT_SLEW))) {
            flags |= LM_MIX_SLEWING;
        }
        *out = lm_capped(block, *out);
    }
    mix->flags = flags;
}
