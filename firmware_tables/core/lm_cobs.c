#include "lm_cobs.h"

void lm_uncobs_start(struct lm_uncobs *u)
{
    u->left = 0;
    u->zero_due = 0;
    u->started = 0;
}

enum lm_cobs_result lm_uncobs_byte(struct lm_uncobs *u, uint8_t byte, uint8_t *out)
{
    if (byte == 0) {
        enum lm_cobs_result result = !u->started ? LM_COBS_EMPTY : u->left != 0 ? LM_COBS_CUT : LM_COBS_END;
        lm_uncobs_start(u);
        return result;
    }
    u->started = 1;
    if (u->left != 0) {
        u->left--;
        *out = byte;
        return LM_COBS_BYTE;
    }
    uint8_t zero = u->zero_due;
    u->left = (uint8_t)(byte - 1u);
    u->zero_due = byte != 0xFF;
    *out = 0;
    return zero ? LM_COBS_BYTE : LM_COBS_NOTHING;
}

enum { CODE, SHORT_BLOCK, FULL_BLOCK, DELIMITER, FINISHED };

void lm_cobs_start(struct lm_cobs *c, uint16_t length)
{
    c->next = 0;
    c->length = length;
    c->left = 0;
    c->phase = CODE;
}

static void open_block(struct lm_cobs *c, lm_byte_at at, const void *context)
{
    uint8_t run = 0;
    while (run < LM_COBS_BLOCK && c->next + run < c->length && at(context, (uint16_t)(c->next + run)) != 0) {
        run++;
    }
    c->left = run;
    c->phase = run == LM_COBS_BLOCK ? FULL_BLOCK : SHORT_BLOCK;
}

static void close_block(struct lm_cobs *c)
{
    if (c->next == c->length) {
        c->phase = DELIMITER;
        return;
    }
    if (c->phase == SHORT_BLOCK) {
        c->next++; /* the zero that the next block's code stands for */
    }
    c->phase = CODE;
}

uint8_t lm_cobs_byte(struct lm_cobs *c, lm_byte_at at, const void *context, uint8_t *byte)
{
    if (c->phase == FINISHED) {
        return 0;
    }
    if (c->phase == DELIMITER) {
        *byte = 0;
        c->phase = FINISHED;
        return 1;
    }
    if (c->phase == CODE) {
        open_block(c, at, context);
        *byte = (uint8_t)(c->left + 1u);
    } else {
        *byte = at(context, c->next++);
        c->left--;
    }
    if (c->left == 0) {
        close_block(c);
    }
    return 1;
}
