#include "lm_store.h"

#include "lm_bytes.h"

enum { UNMARK, FILL, COMPARE, NUMBER, COMPLEMENT, MARK, CONFIRM };

static uint16_t slot_at(uint8_t slot)
{
    return (uint16_t)(LM_SLOT_FIRST + slot * LM_SLOT_STEP);
}

uint16_t lm_store_image_at(uint8_t slot)
{
    return (uint16_t)(slot_at(slot) + LM_SLOT_IMAGE);
}

uint8_t lm_store_spare(const struct lm_store *s)
{
    return s->running == 0 ? 1 : 0;
}

static uint8_t read(const struct lm_store *s, uint16_t address)
{
    return s->port->storage_read(s->port->context, address);
}

/* Write a byte only where it differs; nonzero if a write was started. */
static uint8_t change(struct lm_store *s, uint16_t address, uint8_t byte)
{
    if (read(s, address) == byte) {
        return 0;
    }
    s->port->storage_write(s->port->context, address, byte);
    if (s->written < 0xFFFF) {
        s->written++;
    }
    if (s->left > 0) {
        s->left--;
    }
    return 1;
}

static uint8_t load(const struct lm_store *s, uint8_t slot, uint8_t board_kind, uint8_t *to)
{
    uint16_t from = slot_at(slot);
    if (read(s, from) != LM_SLOT_MAGIC) {
        return 0;
    }
    for (uint16_t i = 0; i < LM_IMAGE_MAX; i++) {
        to[i] = read(s, (uint16_t)(from + LM_SLOT_IMAGE + i));
    }
    /* The slot's tail behind a shorter image belongs to an earlier one. */
    uint16_t length = lm_get16(to + LM_AT_LENGTH);
    uint8_t output;
    return length <= LM_IMAGE_MAX && lm_image_check(to, length, board_kind, &output) == LM_IMAGE_OK;
}

static uint8_t numbered(const struct lm_store *s, uint8_t slot)
{
    uint16_t at = slot_at(slot);
    return (read(s, (uint16_t)(at + 1u)) ^ read(s, (uint16_t)(at + 2u))) == 0xFF;
}

/* Of two valid slots the newer. A pair cut between sequence and complement loses. */
static uint8_t newer(const struct lm_store *s)
{
    uint8_t zero = numbered(s, 0);
    uint8_t one = numbered(s, 1);
    if (zero != one) {
        return one;
    }
    uint8_t ahead = (uint8_t)(read(s, (uint16_t)(slot_at(1) + 1u)) - read(s, (uint16_t)(slot_at(0) + 1u)));
    return ahead != 0 && ahead < 0x80;
}

void lm_store_open(struct lm_store *s, const struct lm_port *port, uint8_t board_kind, uint8_t *scratch)
{
    s->port = port;
    s->image = 0;
    s->length = 0;
    s->at = 0;
    s->left = 0;
    s->written = 0;
    s->state = LM_STORE_IDLE;
    s->step = UNMARK;
    uint8_t zero = load(s, 0, board_kind, scratch);
    uint8_t one = load(s, 1, board_kind, scratch);
    s->previous = zero && one;
    s->running = s->previous ? newer(s) : zero ? 0 : one ? 1 : LM_NO_SLOT;
    if (s->running == 0) {
        (void)load(s, 0, board_kind, scratch);
    }
}

static uint8_t next_number(const struct lm_store *s)
{
    return s->running == LM_NO_SLOT ? 1 : (uint8_t)(read(s, (uint16_t)(slot_at(s->running) + 1u)) + 1u);
}

static uint8_t numbers_to_change(const struct lm_store *s, uint16_t slot)
{
    uint8_t number = next_number(s);
    uint8_t complement = (uint8_t)~number;
    return (uint8_t)((read(s, (uint16_t)(slot + 1u)) != number) + (read(s, (uint16_t)(slot + 2u)) != complement));
}

void lm_store_stage(struct lm_store *s, const uint8_t *image)
{
    uint16_t slot = slot_at(lm_store_spare(s));
    uint8_t marked = read(s, slot) == LM_SLOT_MAGIC;
    uint16_t changes = 0;
    s->image = image;
    s->length = lm_get16(image + LM_AT_LENGTH);
    for (uint16_t i = 0; i < s->length; i++) {
        changes = (uint16_t)(changes + (read(s, (uint16_t)(slot + LM_SLOT_IMAGE + i)) != image[i]));
    }
    s->state = LM_STORE_FILLING;
    s->at = 0;
    s->left = (uint16_t)(changes + numbers_to_change(s, slot));
    if (changes == 0) {
        /* The same image is there already, valid or not: leave its bytes and only number it. */
        s->step = COMPARE;
        s->left = (uint16_t)(s->left + !marked);
        return;
    }
    s->step = UNMARK;
    s->left = (uint16_t)(s->left + marked + 1u);
    s->previous = 0;
}

void lm_store_drop(struct lm_store *s)
{
    s->state = LM_STORE_IDLE;
    s->image = 0;
    s->left = 0;
}

void lm_store_switch(struct lm_store *s)
{
    uint16_t slot = slot_at(lm_store_spare(s));
    s->state = LM_STORE_NUMBERING;
    s->step = NUMBER;
    s->left = (uint16_t)(numbers_to_change(s, slot) + (read(s, slot) != LM_SLOT_MAGIC));
}

static enum lm_store_event broke(struct lm_store *s)
{
    s->state = LM_STORE_FAILED;
    s->image = 0;
    s->previous = 0;
    s->left = 0;
    return LM_STORE_BROKE;
}

static enum lm_store_event fill(struct lm_store *s, uint16_t slot)
{
    while (s->at < s->length) {
        uint16_t i = s->at++;
        if (change(s, (uint16_t)(slot + LM_SLOT_IMAGE + i), s->image[i])) {
            return LM_STORE_NOTHING;
        }
    }
    s->step = COMPARE;
    return LM_STORE_NOTHING;
}

static enum lm_store_event compare(struct lm_store *s, uint16_t slot)
{
    for (uint16_t i = 0; i < s->length; i++) {
        if (read(s, (uint16_t)(slot + LM_SLOT_IMAGE + i)) != s->image[i]) {
            return broke(s);
        }
    }
    s->image = 0;
    s->state = LM_STORE_STAGED;
    return LM_STORE_FILLED;
}

static enum lm_store_event confirm(struct lm_store *s, uint16_t slot)
{
    if (read(s, slot) != LM_SLOT_MAGIC || numbers_to_change(s, slot) != 0) {
        return broke(s);
    }
    s->previous = s->running != LM_NO_SLOT;
    s->running = lm_store_spare(s);
    s->state = LM_STORE_IDLE;
    return LM_STORE_SWITCHED;
}

enum lm_store_event lm_store_poll(struct lm_store *s)
{
    if ((s->state != LM_STORE_FILLING && s->state != LM_STORE_NUMBERING) || s->port->storage_busy(s->port->context)) {
        return LM_STORE_NOTHING;
    }
    uint16_t slot = slot_at(lm_store_spare(s));
    switch (s->step) {
    case UNMARK:
        /* Only a valid magic need go; what an earlier cut left there is invalid already. */
        if (read(s, slot) == LM_SLOT_MAGIC) {
            (void)change(s, slot, LM_SLOT_NOT_VALID);
        }
        s->step = FILL;
        return LM_STORE_NOTHING;
    case FILL:
        return fill(s, slot);
    case COMPARE:
        return compare(s, slot);
    case NUMBER:
        (void)change(s, (uint16_t)(slot + 1u), next_number(s));
        s->step = COMPLEMENT;
        return LM_STORE_NOTHING;
    case COMPLEMENT:
        (void)change(s, (uint16_t)(slot + 2u), (uint8_t)~next_number(s));
        s->step = MARK;
        return LM_STORE_NOTHING;
    case MARK:
        (void)change(s, slot, LM_SLOT_MAGIC);
        s->step = CONFIRM;
        return LM_STORE_NOTHING;
    default:
        return confirm(s, slot);
    }
}
