#include "lm_frame.h"

#include "lm_crc.h"

static void begin(struct lm_unframe *u)
{
    u->count = 0;
    u->crc = LM_CRC16_START;
}

void lm_unframe_start(struct lm_unframe *u, uint8_t *buffer, uint16_t room)
{
    u->buffer = buffer;
    u->room = room;
    u->length = 0;
    lm_uncobs_start(&u->cobs);
    begin(u);
}

static void keep(struct lm_unframe *u, uint8_t byte)
{
    if (u->count < u->room) {
        u->buffer[u->count] = byte;
    }
    if (u->count <= LM_FRAME_MAX) {
        u->count++; /* stops one past the limit, which marks the frame as too long */
        u->crc = lm_crc16_byte(u->crc, byte);
    }
}

static enum lm_frame_result judge(const struct lm_unframe *u)
{
    if (u->count > LM_FRAME_MAX) {
        return LM_FRAME_LONG;
    }
    if (u->count < 2u + LM_FRAME_CRC) {
        return LM_FRAME_SHORT;
    }
    if (u->crc != 0) {
        return LM_FRAME_BAD_CRC;
    }
    return u->count > u->room ? LM_FRAME_CLIPPED : LM_FRAME_DONE;
}

enum lm_frame_result lm_unframe_byte(struct lm_unframe *u, uint8_t byte)
{
    uint8_t decoded = 0;
    enum lm_frame_result result = LM_FRAME_MORE;
    switch (lm_uncobs_byte(&u->cobs, byte, &decoded)) {
    case LM_COBS_NOTHING:
        return LM_FRAME_MORE;
    case LM_COBS_BYTE:
        keep(u, decoded);
        return LM_FRAME_MORE;
    case LM_COBS_EMPTY:
        result = LM_FRAME_EMPTY;
        break;
    case LM_COBS_CUT:
        result = LM_FRAME_CUT;
        break;
    case LM_COBS_END:
        result = judge(u);
        u->length = (uint16_t)(u->count - LM_FRAME_CRC);
        break;
    }
    begin(u);
    return result;
}

static uint8_t framed_at(const void *context, uint16_t index)
{
    const struct lm_enframe *e = context;
    if (index < e->length) {
        return e->at(e->context, index);
    }
    return (uint8_t)(index == e->length ? e->crc >> 8 : e->crc & 0xFFu);
}

void lm_enframe_start(struct lm_enframe *e, lm_byte_at at, const void *context, uint16_t length)
{
    e->at = at;
    e->context = context;
    e->length = length;
    e->crc = LM_CRC16_START;
    for (uint16_t i = 0; i < length; i++) {
        e->crc = lm_crc16_byte(e->crc, at(context, i));
    }
    lm_cobs_start(&e->cobs, (uint16_t)(length + LM_FRAME_CRC));
}

uint8_t lm_enframe_byte(struct lm_enframe *e, uint8_t *byte)
{
    return lm_cobs_byte(&e->cobs, framed_at, e, byte);
}
