/* Images: what the check takes runs within its caps and slew, and goes through the fields unchanged. */
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "lm_bytes.h"
#include "lm_crc.h"
#include "lm_image.h"
#include "lm_mix.h"

#define HOLDS(x) do { if (!(x)) { abort(); } } while (0)

static void run(const uint8_t *image, const uint8_t *pulses, size_t size)
{
    struct lm_mix mix;
    lm_mix_start(&mix, image);
    for (size_t i = 0; i + 2 < size && i < 300; i += 3) {
        uint16_t before[LM_OUTPUTS_MAX] = {mix.out[0], mix.out[1]};
        lm_mix_step(&mix, image, lm_get16(pulses + i), (uint16_t)(pulses[i + 2] + (pulses[i] & 1u)));
        for (uint8_t o = 0; o < mix.outputs; o++) {
            const uint8_t *block = lm_image_output(image, o);
            int moved = mix.out[o] - before[o];
            HOLDS(lm_capped(block, mix.out[o]) == mix.out[o]);
            HOLDS(abs(moved) <= lm_get16(block + LM_OUT_SLEW));
        }
        HOLDS(mix.outputs == LM_OUTPUTS_MAX || mix.out[1] == 0);
    }
}

/* First byte: 0 takes the rest as it is; else the rest is patches (place, value) on a good image, its CRC made right. */
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const uint8_t head[] = {1, 2, 212, 0, 0, 0, 0x40, 0x1F, 0xE0, 0x2E, 0x80, 0x3E, 0x58, 0x1B, 0x68, 0x42,
                                   0, 0, 0, 0, 0, 1, 10, 50};
    uint8_t image[LM_IMAGE_MAX] = {0};
    uint8_t output, kind = size > 1 ? data[1] % 3u : 0;
    uint16_t length;
    if (size < 2) {
        return 0;
    }
    if (data[0] == 0) {
        length = (uint16_t)(size - 2 > 300 ? 300 : size - 2);
        uint8_t *exact = malloc(length ? length : 1);
        memcpy(exact, data + 2, length);
        if (lm_image_check(exact, length, kind, &output) == LM_IMAGE_OK) {
            run(exact, data, size);
        }
        free(exact);
        return 0;
    }
    memcpy(image, head, sizeof head);
    for (uint8_t o = 0; o < 2; o++) {
        uint8_t *block = image + LM_IMAGE_HEAD + o * LM_OUTPUT_BYTES;
        lm_put16(block + LM_OUT_MIN, 8800);
        lm_put16(block + LM_OUT_MAX, 15200);
        lm_put16(block + LM_OUT_SLEW, 400);
        lm_put16(block + LM_OUT_NEUTRAL, 12000);
        lm_put16(block + LM_OUT_FAILSAFE, 12000);
        for (uint8_t k = 0; k < LM_KNOTS; k++) {
            lm_put16(block + LM_OUT_KNOTS + 2u * k, (uint16_t)(8800u + 200u * k));
        }
    }
    size_t patches = data[0] % 24u;
    const uint8_t *rest = data + 2;
    size_t left = size - 2;
    for (; patches > 0 && left >= 2; patches--, rest += 2, left -= 2) {
        image[rest[0] % LM_IMAGE_MAX] = rest[1];
    }
    length = LM_IMAGE_BYTES(image[LM_AT_OUTPUTS] == 1 ? 1u : 2u);
    if (image[LM_AT_OUTPUTS] == 1) {
        image[LM_AT_LENGTH] = 136;
    }
    lm_put32(image + length - 4u, lm_crc32(image, (uint16_t)(length - 4u)));
    if (lm_image_check(image, length, kind, &output) != LM_IMAGE_OK) {
        return 0;
    }
    struct lm_image_fields fields;
    uint8_t again[LM_IMAGE_MAX];
    uint16_t again_length;
    memset(&fields, 0, sizeof fields);
    lm_image_decode(image, &fields);
    HOLDS(lm_image_encode(&fields, again, &again_length, &output) == LM_IMAGE_OK);
    HOLDS(again_length == length && memcmp(again, image, length) == 0);
    run(image, rest, left);
    return 0;
}
