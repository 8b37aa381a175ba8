#include "lm_board.h"

#include "lm_bytes.h"

void lm_count(struct lm_board *b, uint8_t counter)
{
    uint16_t *n = &b->counters->n[counter];
    if (*n != 0xFFFF) {
        (*n)++;
    }
}

/* Take on the image now in b->image. */
void lm_board_adopt(struct lm_board *b)
{
    b->has_image = 1;
    b->mode = LM_MODE_MIX;
    b->token = 0;
    b->amount = lm_mix_amount(b->image, LM_NO_PULSE);
    b->amount_bad = 0xFF;
    lm_mix_adopt(&b->mix, b->image);
}

void lm_board_open(struct lm_board *b)
{
    lm_store_open(&b->store, b->port, b->identity->about[LM_ABOUT_KIND], b->image);
    if (b->store.running != LM_NO_SLOT) {
        lm_board_adopt(b);
        return;
    }
    b->has_image = 0;
    lm_zero(&b->mix, sizeof b->mix);
    lm_zero(b->image, LM_IMAGE_MAX);
}

void lm_board_start(struct lm_board *b, const struct lm_port *port, const struct lm_identity *identity,
                    struct lm_counters *counters)
{
    b->port = port;
    b->identity = identity;
    b->counters = counters;
    for (uint8_t i = 0; i < LM_SERIAL_BYTES; i++) {
        b->serial[i] = LM_READ(port, (uint16_t)(LM_SERIAL_AT + i));
    }
    lm_board_open(b);
    lm_messages_start(b);
}

static uint8_t possible(uint16_t pulse)
{
    return pulse >= LM_PULSE_MIN && pulse <= LM_PULSE_MAX;
}

void lm_board_steer(struct lm_board *b, uint16_t pulse)
{
    if (b->has_image ? lm_mix_accepts(b->image, pulse) : possible(pulse)) {
        b->steer = pulse;
    } else {
        lm_count(b, LM_COUNT_REJECTED_PULSES);
    }
}

void lm_board_amount(struct lm_board *b, uint16_t pulse)
{
    if (possible(pulse)) {
        b->amount_pulse = pulse;
    }
}

static void take_amount(struct lm_board *b)
{
    uint16_t pulse = b->amount_pulse;
    uint16_t now = lm_mix_amount(b->image, pulse);
    b->amount_pulse = LM_NO_PULSE;
    if (pulse != LM_NO_PULSE) {
        b->amount_bad = 0;
        if (now != 0 && now != LM_AMOUNT_FULL && now + LM_AMOUNT_STILL > b->amount && now < b->amount + LM_AMOUNT_STILL) {
            return;
        }
    } else {
        if (b->amount_bad != 0xFF) {
            b->amount_bad++;
        }
        if (b->amount_bad < b->image[LM_AT_FAILSAFE_FRAMES]) {
            return;
        }
    }
    b->amount = now;
}

void lm_board_stop(struct lm_board *b)
{
    b->token = 0;
    if (b->mode == LM_MODE_SEARCH) {
        b->mode = LM_MODE_RETURN;
    } else if (b->mode == LM_MODE_JOG) {
        b->mode = LM_MODE_MIX;
    }
}

void lm_board_jog(struct lm_board *b, const uint8_t *pulses)
{
    b->mode = LM_MODE_JOG;
    b->token = 0;
    b->age = 0;
    b->wanted[0] = lm_get16(pulses);
    b->wanted[1] = lm_get16(pulses + 2);
}

void lm_board_arm(struct lm_board *b)
{
    /* Not a secret: only different from last time, so that a stale move frame moves nothing. */
    b->token = (uint16_t)(b->frames | 1u);
    b->age = 0;
}

void lm_board_search(struct lm_board *b, uint8_t output, uint16_t pulse)
{
    if (b->mode != LM_MODE_SEARCH) {
        b->mode = LM_MODE_SEARCH;
        b->wanted[0] = 0;
        b->wanted[1] = 0;
    }
    b->age = 0;
    b->wanted[output] = pulse;
    if (b->mix.out[output] == 0) {
        b->mix.out[output] = LM_SEARCH_START;
    }
}

/* One output of a jog, a search or the way back from it; nonzero while the way back goes on. */
static uint8_t move(struct lm_board *b, uint8_t o)
{
    uint16_t *out = &b->mix.out[o];
    uint16_t wanted = b->wanted[o];
    if (b->mode == LM_MODE_SEARCH) {
        if (wanted != 0) {
            (void)lm_slew(out, wanted, LM_SEARCH_STEP);
        }
        return 0;
    }
    if (o >= b->mix.outputs) {
        *out = 0; /* a search moved an output that the image has not */
        return 0;
    }
    const uint8_t *block = lm_image_output(b->image, o);
    if (b->mode == LM_MODE_RETURN || wanted == 0) {
        wanted = *out;
    }
    return lm_slew(out, lm_capped(block, wanted), lm_get16(block + LM_OUT_SLEW));
}

static void moved_frame(struct lm_board *b)
{
    uint8_t away = move(b, 0);
    away |= move(b, 1);
    if (b->mode == LM_MODE_RETURN && !away) {
        b->mode = LM_MODE_MIX;
    }
}

static void age_frame(struct lm_board *b)
{
    uint8_t limit = b->mode == LM_MODE_MIX ? LM_ARMED_FRAMES : LM_DEAD_MAN_FRAMES;
    if (++b->age >= limit) {
        b->age = limit;
        lm_board_stop(b);
    }
}

void lm_board_frame(struct lm_board *b)
{
    uint16_t pulse = b->steer;
    b->steer = LM_NO_PULSE;
    b->last_steer = pulse;
    b->frames++;
    if (pulse == LM_NO_PULSE) {
        lm_count(b, LM_COUNT_MISSED_FRAMES);
    }
    age_frame(b);
    if (b->has_image) {
        take_amount(b);
    }
    if (b->mode != LM_MODE_MIX) {
        moved_frame(b);
    } else if (b->has_image) {
        lm_mix_step(&b->mix, b->image, pulse, b->amount);
    }
}

uint16_t lm_board_flags(const struct lm_board *b)
{
    uint16_t flags = b->has_image ? b->mix.flags : LM_LIVE_NO_IMAGE;
    if (b->mode != LM_MODE_MIX) {
        flags |= (uint8_t)(LM_LIVE_MODE << b->mode);
    }
    if (b->token != 0) {
        flags |= LM_LIVE_ARMED;
    }
    const uint8_t *block = lm_image_output(b->image, 0);
    for (uint8_t o = 0; o < LM_OUTPUTS_MAX; o++, block += LM_OUTPUT_BYTES) {
        uint16_t out = b->mix.out[o];
        /* With no image, or an output it does not drive, there are no caps to be inside of. */
        if (out != 0 && (o >= b->mix.outputs || lm_capped(block, out) != out)) {
            flags |= LM_LIVE_BEYOND_CAPS;
        }
    }
    if (b->store.state == LM_STORE_STAGED) {
        flags |= LM_LIVE_STAGED;
    } else if (b->store.state == LM_STORE_FILLING || b->store.state == LM_STORE_NUMBERING) {
        flags |= LM_LIVE_STORING;
    }
    if (b->store.previous) {
        flags |= LM_LIVE_PREVIOUS;
    }
    if (b->amount_bad < b->image[LM_AT_FAILSAFE_FRAMES] && (b->image[LM_AT_OPTIONS] & LM_OPTION_AMOUNT)) {
        flags |= LM_LIVE_AMOUNT;
    }
    return flags;
}
