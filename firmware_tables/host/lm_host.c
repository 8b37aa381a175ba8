#include "lm_host.h"

#include <string.h>

#include "lm_board.h"
#include "lm_crc.h"

/* Raised whenever a function here changes its arguments, so that a stale library is noticed. */
#define HOST_INTERFACE 2

LM_API int lmh_interface(void)
{
    return HOST_INTERFACE;
}

#if defined(_WIN32)
/* The build names this symbol for export; nothing calls it. */
LM_API void *PyInit__core(void)
{
    return NULL;
}
#endif

LM_API int lmh_check(const uint8_t *image, size_t length, uint8_t kind, uint8_t *output)
{
    return lm_image_check(image, length > 0xFFFF ? 0xFFFF : (uint16_t)length, kind, output);
}

LM_API int lmh_encode(const struct lm_image_fields *fields, uint8_t *image, uint16_t *length, uint8_t *output)
{
    return lm_image_encode(fields, image, length, output);
}

LM_API void lmh_decode(const uint8_t *image, struct lm_image_fields *fields)
{
    memset(fields, 0, sizeof *fields);
    lm_image_decode(image, fields);
}

LM_API size_t lmh_fields_bytes(void)
{
    return sizeof(struct lm_image_fields);
}

LM_API size_t lmh_mix_bytes(void)
{
    return sizeof(struct lm_mix);
}

LM_API uint16_t lmh_crc16(const uint8_t *data, size_t length)
{
    uint16_t crc = LM_CRC16_START;
    for (size_t i = 0; i < length; i++) {
        crc = lm_crc16_byte(crc, data[i]);
    }
    return crc;
}

LM_API uint32_t lmh_crc32(const uint8_t *data, size_t length)
{
    uint32_t crc = LM_CRC32_START;
    for (size_t i = 0; i < length; i++) {
        crc = lm_crc32_byte(crc, data[i]);
    }
    return ~crc;
}

static uint8_t byte_at(const void *context, uint16_t index)
{
    return ((const uint8_t *)context)[index];
}

/* COBS alone, without the delimiter; `out` has room for length + length/254 + 2. */
LM_API size_t lmh_cobs(const uint8_t *data, size_t length, uint8_t *out)
{
    struct lm_cobs c;
    size_t n = 0;
    lm_cobs_start(&c, (uint16_t)length);
    while (lm_cobs_byte(&c, byte_at, data, out + n)) {
        n++;
    }
    return n - 1;
}

/* -1 if `data` (no delimiter) is not COBS, else the decoded length; `out` has room for length. */
LM_API long lmh_uncobs(const uint8_t *data, size_t length, uint8_t *out)
{
    struct lm_uncobs u;
    long n = 0;
    uint8_t byte = 0;
    lm_uncobs_start(&u);
    for (size_t i = 0; i < length; i++) {
        if (data[i] == 0) {
            return -1;
        }
        if (lm_uncobs_byte(&u, data[i], &byte) == LM_COBS_BYTE) {
            out[n++] = byte;
        }
    }
    return lm_uncobs_byte(&u, 0, &byte) == LM_COBS_END ? n : -1;
}

/* A whole frame with its delimiter; 0 if the payload is too long. `out` has room for LM_FRAME_MAX + 2. */
LM_API size_t lmh_frame(const uint8_t *payload, size_t length, uint8_t *out)
{
    uint8_t bytes[LM_FRAME_MAX];
    if (length > LM_FRAME_MAX - LM_FRAME_CRC) {
        return 0;
    }
    memcpy(bytes, payload, length);
    uint16_t crc = lm_frame_crc(byte_at, payload, (uint8_t)length);
    bytes[length] = (uint8_t)(crc >> 8);
    bytes[length + 1] = (uint8_t)(crc & 0xFFu);
    size_t n = lmh_cobs(bytes, length + LM_FRAME_CRC, out);
    out[n] = 0;
    return n + 1;
}

LM_API size_t lmh_unframe_bytes(void)
{
    return sizeof(struct lm_unframe);
}

LM_API void lmh_unframe_start(struct lm_unframe *u, uint8_t *buffer, size_t room)
{
    lm_unframe_start(u, buffer, (uint8_t)room);
}

/* Feed bytes until a frame ends; *used says how many were taken, *length the payload's bytes. */
LM_API int lmh_unframe(struct lm_unframe *u, const uint8_t *data, size_t count, size_t *used, size_t *length)
{
    for (size_t i = 0; i < count; i++) {
        enum lm_frame_result result = lm_unframe_byte(u, data[i]);
        if (result != LM_FRAME_MORE) {
            *used = i + 1;
            *length = u->length;
            return result;
        }
    }
    *used = count;
    *length = 0;
    return LM_FRAME_MORE;
}

LM_API void lmh_normalise(const uint8_t *image, const uint16_t *pulses, size_t count, uint16_t *u)
{
    for (size_t i = 0; i < count; i++) {
        u[i] = lm_mix_normalise(image, pulses[i]);
    }
}

LM_API void lmh_lookup(const uint8_t *image, uint8_t output, const uint16_t *pulses, size_t count, uint16_t amount,
                       uint16_t *out)
{
    for (size_t i = 0; i < count; i++) {
        out[i] = lm_mix_steady(image, output, pulses[i], amount);
    }
}

/* The table alone, u = 0..8192, before lean amount and caps. */
LM_API void lmh_table(const uint8_t *image, uint8_t output, const uint16_t *u, size_t count, uint16_t *out)
{
    const uint8_t *knots = lm_image_output(image, output) + LM_OUT_KNOTS;
    for (size_t i = 0; i < count; i++) {
        out[i] = lm_table_lookup(knots, u[i]);
    }
}

LM_API void lmh_amount(const uint8_t *image, const uint16_t *pulses, size_t count, uint16_t *amount)
{
    for (size_t i = 0; i < count; i++) {
        amount[i] = lm_mix_amount(image, pulses[i]);
    }
}

static uint16_t amount_at(const uint16_t *amounts, size_t i)
{
    return !amounts || amounts[i] > LM_AMOUNT_FULL ? LM_AMOUNT_FULL : amounts[i];
}

LM_API void lmh_start(struct lm_mix *mix, size_t count, const uint8_t *images, size_t stride)
{
    for (size_t i = 0; i < count; i++) {
        lm_mix_start(&mix[i], images + i * stride);
    }
}

/* One mixer, `count` frames: out is count x 2, flags count; amounts NULL = full. */
LM_API void lmh_run(struct lm_mix *mix, const uint8_t *image, const uint16_t *pulses, const uint16_t *amounts,
                    size_t count, uint16_t *out, uint8_t *flags)
{
    for (size_t i = 0; i < count; i++) {
        lm_mix_step(mix, image, pulses[i], amount_at(amounts, i));
        out[2 * i] = mix->out[0];
        out[2 * i + 1] = mix->out[1];
        flags[i] = mix->flags;
    }
}

/* One frame of `count` mixers; stride 0 = all run the same image. */
LM_API void lmh_step(struct lm_mix *mix, size_t count, const uint8_t *images, size_t stride, const uint16_t *pulses,
                     const uint16_t *amounts, uint16_t *out, uint8_t *flags)
{
    for (size_t i = 0; i < count; i++) {
        lm_mix_step(&mix[i], images + i * stride, pulses[i], amount_at(amounts, i));
        out[2 * i] = mix[i].out[0];
        out[2 * i + 1] = mix[i].out[1];
        flags[i] = mix[i].flags;
    }
}
