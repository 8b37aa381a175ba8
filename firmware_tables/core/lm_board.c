#include "lm_board.h"

#include "lm_bytes.h"

void lm_count(uint16_t *counter)
{
    if (*counter < 0xFFFF) {
        (*counter)++;
    }
}

static const uint8_t *block_of(const struct lm_board *b, uint8_t output)
{
    return lm_image_output(b->image, output);
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
    lm_store_open(&b->store, b->port, b->identity->kind, b->image);
    if (b->store.running != LM_NO_SLOT) {
        lm_board_adopt(b);
        return;
    }
    b->has_image = 0;
    b->mix = (struct lm_mix){0};
    for (uint16_t i = 0; i < LM_IMAGE_MAX; i++) {
        b->image[i] = 0;
    }
}

void lm_board_start(struct lm_board *b, const struct lm_port *port, const struct lm_identity *identity,
                    struct lm_counters *counters)
{
    *b = (struct lm_board){0};
    b->port = port;
    b->identity = identity;
    b->counters = counters;
    for (uint8_t i = 0; i < LM_SERIAL_BYTES; i++) {
        b->serial[i] = port->storage_read(port->context, (uint16_t)(LM_SERIAL_AT + i));
    }
    lm_board_open(b);
    lm_messages_start(b);
}

void lm_board_steer(struct lm_board *b, uint16_t pulse)
{
    uint8_t good = b->has_image ? lm_mix_accepts(b->image, pulse) : pulse >= LM_PULSE_MIN && pulse <= LM_PULSE_MAX;
    if (good) {
        b->steer = pulse;
    } else {
        lm_count(&b->counters->rejected_pulses);
    }
}

void lm_board_amount(struct lm_board *b, uint16_t pulse)
{
    if (pulse >= LM_PULSE_MIN && pulse <= LM_PULSE_MAX) {
        b->amount_pulse = pulse;
    }
}

static void take_amount(struct lm_board *b)
{
    uint16_t pulse = b->amount_pulse;
    b->amount_pulse = LM_NO_PULSE;
    if (pulse != LM_NO_PULSE) {
        uint16_t now = lm_mix_amount(b->image, pulse);
        uint16_t off = (uint16_t)(now > b->amount ? now - b->amount : b->amount - now);
        b->amount_bad = 0;
        if (off >= LM_AMOUNT_STILL || now == 0 || now == LM_AMOUNT_FULL) {
            b->amount = now;
        }
        return;
    }
    if (b->amount_bad < 0xFF) {
        b->amount_bad++;
    }
    if (b->amount_bad >= b->image[LM_AT_FAILSAFE_FRAMES]) {
        b->amount = lm_mix_amount(b->image, LM_NO_PULSE);
    }
}

static void halt_search(struct lm_board *b)
{
    b->token = 0;
    if (b->mode == LM_MODE_SEARCH) {
        b->mode = LM_MODE_RETURN;
    }
}

void lm_board_stop(struct lm_board *b)
{
    halt_search(b);
    if (b->mode == LM_MODE_JOG) {
        b->mode = LM_MODE_MIX;
    }
}

void lm_board_jog(struct lm_board *b, const uint16_t *pulses)
{
    b->mode = LM_MODE_JOG;
    b->token = 0;
    b->age = 0;
    for (uint8_t o = 0; o < LM_OUTPUTS_MAX; o++) {
        b->wanted[o] = pulses[o];
    }
}

uint16_t lm_board_arm(struct lm_board *b)
{
    /* Not a secret: only different from last time, so that a stale move frame moves nothing. */
    b->token = (uint16_t)(b->frames | 1u);
    b->age = 0;
    return b->token;
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

static void search_frame(struct lm_board *b)
{
    for (uint8_t o = 0; o < LM_OUTPUTS_MAX; o++) {
        if (b->wanted[o] != 0) {
            (void)lm_slew(&b->mix.out[o], b->wanted[o], LM_SEARCH_STEP);
        }
    }
}

static void return_frame(struct lm_board *b)
{
    uint8_t away = 0;
    for (uint8_t o = 0; o < LM_OUTPUTS_MAX; o++) {
        if (o >= b->mix.outputs) {
            b->mix.out[o] = 0;
            continue;
        }
        const uint8_t *block = block_of(b, o);
        uint16_t inside = lm_capped(block, b->mix.out[o]);
        away |= lm_slew(&b->mix.out[o], inside, lm_get16(block + LM_OUT_SLEW));
    }
    if (!away) {
        b->mode = LM_MODE_MIX;
    }
}

static void mix_frame(struct lm_board *b, uint16_t pulse)
{
    const uint16_t from[LM_OUTPUTS_MAX] = {b->mix.out[0], b->mix.out[1]};
    if (!b->has_image) {
        return;
    }
    lm_mix_step(&b->mix, b->image, pulse, b->amount);
    if (b->mode != LM_MODE_JOG) {
        return;
    }
    /* The mixer follows the steering underneath a jog, so that it is up to date when the jog ends. */
    for (uint8_t o = 0; o < b->mix.outputs; o++) {
        const uint8_t *block = block_of(b, o);
        b->mix.out[o] = from[o];
        if (b->wanted[o] != 0) {
            (void)lm_slew(&b->mix.out[o], lm_capped(block, b->wanted[o]), lm_get16(block + LM_OUT_SLEW));
        }
    }
}

static void age_frame(struct lm_board *b)
{
    if (b->age < 0xFFFF) {
        b->age++;
    }
    if (b->mode == LM_MODE_JOG || b->mode == LM_MODE_SEARCH) {
        if (b->age >= LM_DEAD_MAN_FRAMES) {
            lm_board_stop(b);
        }
    } else if (b->token != 0 && b->age >= LM_ARMED_FRAMES) {
        b->token = 0;
    }
}

void lm_board_frame(struct lm_board *b)
{
    uint16_t pulse = b->steer;
    b->steer = LM_NO_PULSE;
    b->last_steer = pulse;
    b->frames++;
    if (pulse == LM_NO_PULSE) {
        lm_count(&b->counters->missed_frames);
    }
    age_frame(b);
    if (b->has_image) {
        take_amount(b);
    }
    switch (b->mode) {
    case LM_MODE_SEARCH:
        search_frame(b);
        break;
    case LM_MODE_RETURN:
        return_frame(b);
        break;
    default:
        mix_frame(b, pulse);
        break;
    }
}

uint16_t lm_board_flags(const struct lm_board *b)
{
    uint16_t flags = b->has_image ? b->mix.flags : LM_LIVE_NO_IMAGE;
    if (b->mode == LM_MODE_JOG) {
        flags |= LM_LIVE_JOG;
    }
    if (b->token != 0) {
        flags |= LM_LIVE_ARMED;
    }
    if (b->mode == LM_MODE_SEARCH) {
        flags |= LM_LIVE_SEARCH;
    }
    if (b->mode == LM_MODE_RETURN) {
        flags |= LM_LIVE_RETURNING;
    }
    for (uint8_t o = 0; o < LM_OUTPUTS_MAX; o++) {
        uint16_t out = b->mix.out[o];
        /* With no image, or an output it does not drive, there are no caps to be inside of. */
        if (out != 0 && (o >= b->mix.outputs || lm_capped(block_of(b, o), out) != out)) {
            flags |= LM_LIVE_BEYOND_CAPS;
        }
    }
    if (b->store.state == LM_STORE_FILLING || b->store.state == LM_STORE_NUMBERING) {
        flags |= LM_LIVE_STORING;
    }
    if (b->store.state == LM_STORE_STAGED) {
        flags |= LM_LIVE_STAGED;
    }
    if (b->store.previous) {
        flags |= LM_LIVE_PREVIOUS;
    }
    if (b->has_image && (b->image[LM_AT_OPTIONS] & LM_OPTION_AMOUNT) && b->amount_bad < b->image[LM_AT_FAILSAFE_FRAMES]) {
        flags |= LM_LIVE_AMOUNT;
    }
    return flags;
}
