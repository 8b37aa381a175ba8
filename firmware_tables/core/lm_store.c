#include "lm_store.h"

#include "lm_bytes.h"

#define MARKS 3u /* magic, sequence, complement: the slot's first bytes */

static uint16_t slot_at(uint8_t slot)
{
    return slot ? LM_SLOT_FIRST + LM_SLOT_STEP : LM_SLOT_FIRST;
}

uint16_t lm_store_image_at(uint8_t slot)
{
    return (uint16_t)(slot_at(slot) + LM_SLOT_IMAGE);
}

uint8_t lm_store_spare(const struct lm_store *s)
{
    return s->running == 0;
}

static uint8_t read(const struct lm_store *s, uint16_t address)
{
    return LM_READ(s->port, address);
}

/* Write a byte only where it differs; nonzero if a write was started. */
static uint8_t change(struct lm_store *s, uint16_t address, uint8_t byte)
{
    if (read(s, address) == byte) {
        return 0;
    }
    LM_WRITE(s->port, address, byte);
    s->written++;
    if (s->left != 0) {
        s->left--;
    }
    return 1;
}

void lm_store_copy(const struct lm_store *s, uint8_t slot, uint8_t *image)
{
    uint16_t at = lm_store_image_at(slot);
    for (uint8_t i = 0; i < LM_IMAGE_MAX; i++) {
        image[i] = read(s, at++);
    }
}

uint8_t lm_store_load(const struct lm_store *s, uint8_t slot, uint8_t board_kind, uint8_t *image)
{
    uint8_t output;
    lm_store_copy(s, slot, image);
    /* What lies behind a shorter image belongs to an earlier one. */
    uint16_t length = lm_get16(image + LM_AT_LENGTH);
    return read(s, slot_at(slot)) == LM_SLOT_MAGIC && length <= LM_IMAGE_MAX
        && lm_image_check(image, length, board_kind, &output) == LM_IMAGE_OK;
}

/* The slot's sequence, in *sequence; nonzero if its complement agrees. */
static uint8_t numbered(const struct lm_store *s, uint8_t slot, uint8_t *sequence)
{
    uint16_t at = slot_at(slot);
    *sequence = read(s, (uint16_t)(at + 1u));
    return (uint8_t)(*sequence ^ read(s, (uint16_t)(at + 2u))) == 0xFF;
}

/* Of two valid slots the newer. A pair cut between sequence and complement loses. */
static uint8_t newer(const struct lm_store *s)
{
    uint8_t first, second;
    uint8_t zero = numbered(s, 0, &first);
    uint8_t one = numbered(s, 1, &second);
    if (zero != one) {
        return one;
    }
    uint8_t ahead = (uint8_t)(second - first);
    return ahead != 0 && ahead < 0x80;
}

void lm_store_open(struct lm_store *s, const struct lm_port *port, uint8_t board_kind, uint8_t *image)
{
    lm_zero(s, sizeof *s);
    s->port = port;
    uint8_t zero = lm_store_load(s, 0, board_kind, image);
    if (zero) {
        lm_copy(s->previous_crc, lm_image_crc(image), LM_CRC_BYTES);
    }
    uint8_t one = lm_store_load(s, 1, board_kind, image);
    s->previous = zero && one;
    s->running = s->previous ? newer(s) : one ? 1 : zero ? 0 : LM_NO_SLOT;
    if (s->running == 0) {
        if (one) {
            lm_copy(s->previous_crc, lm_image_crc(image), LM_CRC_BYTES);
        }
        (void)lm_store_load(s, 0, board_kind, image);
    }
}

void lm_store_write(struct lm_store *s, uint16_t to, const uint8_t *from, uint8_t length)
{
    s->from = from;
    s->to = to;
    s->length = length;
    s->at = length;
    s->state = LM_STORE_FILLING;
    s->unmarked = 1;
    s->plain = 1;
}

void lm_store_stage(struct lm_store *s, const uint8_t *image)
{
    uint8_t spare = lm_store_spare(s);
    uint16_t at = lm_store_image_at(spare);
    uint8_t marked = read(s, slot_at(spare)) == LM_SLOT_MAGIC;
    uint8_t changes = 0;
    lm_store_write(s, at, image, image[LM_AT_LENGTH]);
    s->plain = 0;
    for (uint8_t i = 0; i < s->length; i++) {
        changes = (uint8_t)(changes + (read(s, at++) != image[i]));
    }
    s->left = (uint16_t)(changes + 3u + marked);
    if (changes == 0) {
        /* The same image is there already, valid or not: leave its bytes and only number it. */
        s->left = (uint16_t)(3u - marked);
        return;
    }
    s->unmarked = !marked;
    s->previous = 0;
}

void lm_store_switch(struct lm_store *s)
{
    if (s->state != LM_STORE_STAGED) {
        s->left = 2;
    }
    s->state = LM_STORE_NUMBERING;
    s->at = 1;
}

/* What mark k of the spare slot is to become. */
static uint8_t mark(const struct lm_store *s, uint8_t k)
{
    uint8_t sequence = 0;
    if (k == 0) {
        return LM_SLOT_MAGIC;
    }
    if (s->running != LM_NO_SLOT) {
        (void)numbered(s, s->running, &sequence);
    }
    sequence++;
    return k == 1 ? sequence : (uint8_t)~sequence;
}

static enum lm_store_event broke(struct lm_store *s)
{
    s->state = LM_STORE_FAILED;
    s->previous = 0;
    s->left = 0;
    return LM_STORE_BROKE;
}

static enum lm_store_event fill(struct lm_store *s, uint16_t slot)
{
    if (!s->unmarked) {
        s->unmarked = 1;
        (void)change(s, slot, LM_SLOT_NOT_VALID);
        return LM_STORE_NOTHING;
    }
    while (s->at != 0) {
        uint8_t i = --s->at;
        if (change(s, (uint16_t)(s->to + i), s->from[i])) {
            return LM_STORE_NOTHING;
        }
    }
    for (uint8_t i = 0; i < s->length; i++) {
        if (read(s, (uint16_t)(s->to + i)) != s->from[i]) {
            return broke(s);
        }
    }
    if (s->plain) {
        s->state = LM_STORE_IDLE;
        return LM_STORE_NOTHING;
    }
    s->state = LM_STORE_STAGED;
    return LM_STORE_FILLED;
}

/* Sequence, complement, and the magic last; then a look whether storage took them. */
static enum lm_store_event number(struct lm_store *s, uint16_t slot)
{
    if (s->at <= MARKS) {
        uint8_t k = (uint8_t)(s->at == MARKS ? 0 : s->at);
        s->at++;
        (void)change(s, (uint16_t)(slot + k), mark(s, k));
        return LM_STORE_NOTHING;
    }
    for (uint8_t k = 0; k < MARKS; k++) {
        if (read(s, (uint16_t)(slot + k)) != mark(s, k)) {
            return broke(s);
        }
    }
    s->previous = s->running != LM_NO_SLOT;
    s->running = lm_store_spare(s);
    s->state = LM_STORE_IDLE;
    s->left = 0;
    return LM_STORE_SWITCHED;
}

enum lm_store_event lm_store_poll(struct lm_store *s)
{
    uint16_t slot = slot_at(lm_store_spare(s));
    if (LM_BUSY_NOW(s->port)) {
        return LM_STORE_NOTHING;
    }
    if (s->state == LM_STORE_FILLING) {
        return fill(s, slot);
    }
    return s->state == LM_STORE_NUMBERING ? number(s, slot) : LM_STORE_NOTHING;
}
