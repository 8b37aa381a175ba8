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

uint16_t lm_mix_normalise(const uint8_t *image, uint16_t pulse)
{
    uint16_t right = lm_get16(image + LM_AT_RIGHT);
    uint16_t neutral = lm_get16(image + LM_AT_NEUTRAL);
    uint16_t left = lm_get16(image + LM_AT_LEFT);
    uint8_t above = pulse > neutral;
    uint16_t off = (uint16_t)(above ? pulse - neutral : neutral - pulse);
    /* A reversed receiver has full left below neutral. */
    uint8_t to_left = above == (left > neutral);
    uint16_t end = to_left ? left : right;
    uint16_t span = (uint16_t)(end > neutral ? end - neutral : neutral - end);
    uint16_t part = share(off, span, LM_U_NEUTRAL);
    return (uint16_t)(to_left ? LM_U_NEUTRAL + part : LM_U_NEUTRAL - part);
}

uint16_t lm_table_lookup(const uint8_t *knots, uint16_t u)
{
    uint8_t fraction = (uint8_t)(u & 0xFFu);
    knots += (uint8_t)(u >> 8) * 2u;
    uint16_t from = lm_get16(knots);
    if (fraction == 0) {
        return from; /* also keeps u = 8192 from reading past the last knot */
    }
    uint16_t to = lm_get16(knots + 2);
    uint8_t down = to < from;
    uint16_t rise = (uint16_t)(down ? from - to : to - from);
    /* (rise * fraction + 128) >> 8 in two 8-bit products: the high byte's share is whole already. */
    uint16_t step = (uint16_t)((uint8_t)(rise >> 8) * fraction);
    step = (uint16_t)(step + ((uint16_t)((uint8_t)(rise & 0xFFu) * fraction + 128u) >> 8));
    return (uint16_t)(down ? from - step : from + step);
}

uint16_t lm_capped(const uint8_t *block, uint16_t pulse)
{
    uint16_t low = lm_get16(block + LM_OUT_MIN);
    uint16_t high = lm_get16(block + LM_OUT_MAX);
    return pulse < low ? low : pulse > high ? high : pulse;
}

/* `pulse` drawn in towards `neutral` to amount/256 of its distance. */
static uint16_t scaled(uint16_t pulse, uint16_t neutral, uint16_t amount)
{
    uint8_t below = pulse < neutral;
    uint16_t off = (uint16_t)(below ? neutral - pulse : pulse - neutral);
    off = (uint16_t)(((uint32_t)off * amount + 128u) >> 8);
    return (uint16_t)(below ? neutral - off : neutral + off);
}

static uint16_t wanted(const uint8_t *block, uint16_t u, uint16_t amount)
{
    uint16_t pulse = lm_table_lookup(block + LM_OUT_KNOTS, u);
    if (amount < LM_AMOUNT_FULL) {
        pulse = scaled(pulse, lm_get16(block + LM_OUT_NEUTRAL), amount);
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
    uint16_t low = lm_get16(image + LM_AT_AMOUNT_LOW);
    uint16_t high = lm_get16(image + LM_AT_AMOUNT_HIGH);
    if (low > high) {
        return pulse >= low ? 0 : share((uint16_t)(low - pulse), (uint16_t)(low - high), LM_AMOUNT_FULL);
    }
    return pulse <= low ? 0 : share((uint16_t)(pulse - low), (uint16_t)(high - low), LM_AMOUNT_FULL);
}

void lm_mix_start(struct lm_mix *mix, const uint8_t *image)
{
    for (uint8_t o = 0; o < LM_OUTPUTS_MAX; o++) {
        mix->out[o] = 0;
        if (o < image[LM_AT_OUTPUTS]) {
            mix->out[o] = lm_get16(lm_image_output(image, o) + LM_OUT_NEUTRAL);
        }
    }
    lm_mix_adopt(mix, image);
}

void lm_mix_adopt(struct lm_mix *mix, const uint8_t *image)
{
    mix->outputs = image[LM_AT_OUTPUTS];
    mix->ramp = 0;
    mix->bad_frames = 0;
    mix->flags = LM_MIX_RAMPING;
    for (uint8_t o = 0; o < mix->outputs; o++) {
        const uint8_t *block = lm_image_output(image, o);
        uint16_t neutral = lm_get16(block + LM_OUT_NEUTRAL);
        /* An output the image before did not drive has no place to start from but neutral. */
        mix->out[o] = mix->out[o] == 0 ? neutral : lm_capped(block, mix->out[o]);
        mix->target[o] = neutral;
    }
    for (uint8_t o = mix->outputs; o < LM_OUTPUTS_MAX; o++) {
        mix->out[o] = 0;
        mix->target[o] = 0;
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

/* The lean amount with the start-up ramp in it; takes the ramp one frame further. */
static uint16_t ramped(struct lm_mix *mix, const uint8_t *image, uint16_t amount)
{
    uint8_t frames = image[LM_AT_RAMP_FRAMES];
    if (mix->ramp < frames) {
        mix->ramp++;
    }
    if (mix->ramp >= frames) {
        mix->flags = (uint8_t)(mix->flags & ~LM_MIX_RAMPING);
        return amount;
    }
    return (uint16_t)((uint16_t)(amount * mix->ramp) / frames); /* 256 * 255 fits 16 bits */
}

void lm_mix_step(struct lm_mix *mix, const uint8_t *image, uint16_t pulse, uint16_t amount)
{
    mix->flags = (uint8_t)(mix->flags & ~(LM_MIX_SLEWING | LM_MIX_BAD_INPUT));
    if (amount > LM_AMOUNT_FULL) {
        amount = LM_AMOUNT_FULL;
    }
    if (lm_mix_accepts(image, pulse)) {
        uint16_t u = lm_mix_normalise(image, pulse);
        mix->bad_frames = 0;
        mix->flags = (uint8_t)(mix->flags & ~LM_MIX_FAILSAFE);
        amount = ramped(mix, image, amount);
        for (uint8_t o = 0; o < mix->outputs; o++) {
            mix->target[o] = wanted(lm_image_output(image, o), u, amount);
        }
    } else {
        mix->flags = (uint8_t)(mix->flags | LM_MIX_BAD_INPUT);
        if (mix->bad_frames < 0xFF) {
            mix->bad_frames++;
        }
        if (mix->bad_frames >= image[LM_AT_FAILSAFE_FRAMES]) {
            mix->flags = (uint8_t)(mix->flags | LM_MIX_FAILSAFE);
        }
    }
    for (uint8_t o = 0; o < mix->outputs; o++) {
        const uint8_t *block = lm_image_output(image, o);
        uint16_t target = mix->target[o];
        if (mix->flags & LM_MIX_FAILSAFE) {
            target = lm_get16(block + LM_OUT_FAILSAFE);
        }
        if (lm_slew(&mix->out[o], target, lm_get16(block + LM_OUT_SLEW))) {
            mix->flags = (uint8_t)(mix->flags | LM_MIX_SLEWING);
        }
        mix->out[o] = lm_capped(block, mix->out[o]);
    }
}
