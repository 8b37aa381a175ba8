#include "lm_frame.h"

#include "lm_crc.h"

static void begin(struct lm_unframe *u)
{
    u->count = 0;
    u->crc = LM_CRC16_START;
}

void lm_unframe_start(struct lm_unframe *u, uint8_t *buffer, uint8_t room)
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
    enum lm_frame_result result = LM_FRAME_CUT;
    switch (lm_uncobs_byte(&u->cobs, byte, &decoded)) {
    case LM_COBS_BYTE:
        keep(u, decoded);
        return LM_FRAME_MORE;
    case LM_COBS_NOTHING:
        return LM_FRAME_MORE;
    case LM_COBS_EMPTY:
        result = LM_FRAME_EMPTY;
        break;
    case LM_COBS_END:
        result = judge(u);
        break;
    default:
        break;
    }
    u->length = (uint8_t)(u->count - LM_FRAME_CRC);
    begin(u);
    return result;
}

uint16_t lm_frame_crc(lm_byte_at at, const void *context, uint8_t length)
{
    uint16_t crc = LM_CRC16_START;
    for (uint8_t i = 0; i < length; i++) {
        crc = lm_crc16_byte(crc, at(context, i));
    }
    return crc;
}
