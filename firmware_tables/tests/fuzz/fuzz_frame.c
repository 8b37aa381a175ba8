/* Frames: whatever comes, a good frame fits its buffer, and what it says encodes to a frame that decodes to the same. */
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "lm_crc.h"
#include "lm_frame.h"

#define HOLDS(x) do { if (!(x)) { abort(); } } while (0)

static uint8_t at(const void *context, uint16_t index)
{
    return ((const uint8_t *)context)[index];
}

static void there_and_back(const uint8_t *payload, uint8_t length)
{
    uint8_t whole[LM_FRAME_MAX], again[LM_FRAME_MAX], byte = 0;
    struct lm_cobs c;
    struct lm_unframe u;
    enum lm_frame_result result = LM_FRAME_MORE;
    uint16_t crc = lm_frame_crc(at, payload, length);
    memcpy(whole, payload, length);
    whole[length] = (uint8_t)(crc >> 8);
    whole[length + 1] = (uint8_t)(crc & 0xFFu);
    lm_cobs_start(&c, (uint16_t)(length + LM_FRAME_CRC));
    lm_unframe_start(&u, again, LM_FRAME_MAX);
    while (lm_cobs_byte(&c, at, whole, &byte)) {
        HOLDS(result == LM_FRAME_MORE);
        result = lm_unframe_byte(&u, byte);
    }
    HOLDS(byte == 0 && result == LM_FRAME_DONE && u.length == length && memcmp(again, payload, length) == 0);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size < 1) {
        return 0;
    }
    uint8_t room = data[0];
    uint8_t *buffer = malloc(room ? room : 1);
    struct lm_unframe u;
    lm_unframe_start(&u, buffer, room);
    for (size_t i = 1; i < size; i++) {
        enum lm_frame_result result = lm_unframe_byte(&u, data[i]);
        HOLDS(result == LM_FRAME_MORE || data[i] == 0);
        if (result == LM_FRAME_DONE) {
            HOLDS(u.length >= 2 && u.length + LM_FRAME_CRC <= room);
            there_and_back(buffer, u.length);
        }
        if (result == LM_FRAME_CLIPPED) {
            HOLDS(u.length + LM_FRAME_CRC > room);
        }
    }
    if (size >= 3 && size <= LM_FRAME_MAX - LM_FRAME_CRC) {
        there_and_back(data, (uint8_t)size);
    }
    free(buffer);
    return 0;
}
