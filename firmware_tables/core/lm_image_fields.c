/* Fields to bytes and back: for tools on a computer; boards only check and run the bytes. */
#include "lm_bytes.h"
#include "lm_crc.h"
#include "lm_image.h"

static void put_output(uint8_t *block, const struct lm_output_fields *out)
{
    lm_put16(block + LM_OUT_MIN, out->pulse_min);
    lm_put16(block + LM_OUT_MAX, out->pulse_max);
    lm_put16(block + LM_OUT_NEUTRAL, out->neutral);
    lm_put16(block + LM_OUT_FAILSAFE, out->failsafe);
    lm_put16(block + LM_OUT_SLEW, out->slew);
    for (uint8_t k = 0; k < LM_KNOTS; k++) {
        lm_put16(block + LM_OUT_KNOTS + 2u * k, out->knots[k]);
    }
}

static void get_output(const uint8_t *block, struct lm_output_fields *out)
{
    out->pulse_min = lm_get16(block + LM_OUT_MIN);
    out->pulse_max = lm_get16(block + LM_OUT_MAX);
    out->neutral = lm_get16(block + LM_OUT_NEUTRAL);
    out->failsafe = lm_get16(block + LM_OUT_FAILSAFE);
    out->slew = lm_get16(block + LM_OUT_SLEW);
    for (uint8_t k = 0; k < LM_KNOTS; k++) {
        out->knots[k] = lm_get16(block + LM_OUT_KNOTS + 2u * k);
    }
}

enum lm_reason lm_image_encode(const struct lm_image_fields *fields, uint8_t *image, uint16_t *length, uint8_t *output)
{
    *length = 0;
    *output = 0;
    if (fields->outputs < 1 || fields->outputs > LM_OUTPUTS_MAX) {
        return LM_IMAGE_OUTPUTS;
    }
    uint16_t whole = LM_IMAGE_BYTES(fields->outputs);
    image[LM_AT_FORMAT] = LM_IMAGE_FORMAT;
    image[LM_AT_OUTPUTS] = fields->outputs;
    lm_put16(image + LM_AT_LENGTH, whole);
    image[LM_AT_KIND] = fields->board_kind;
    image[LM_AT_OPTIONS] = fields->options;
    lm_put16(image + LM_AT_RIGHT, fields->right);
    lm_put16(image + LM_AT_NEUTRAL, fields->neutral);
    lm_put16(image + LM_AT_LEFT, fields->left);
    lm_put16(image + LM_AT_ACCEPT_MIN, fields->accept_min);
    lm_put16(image + LM_AT_ACCEPT_MAX, fields->accept_max);
    lm_put16(image + LM_AT_AMOUNT_LOW, fields->amount_low);
    lm_put16(image + LM_AT_AMOUNT_HIGH, fields->amount_high);
    lm_put16(image + LM_AT_AMOUNT_ABSENT, fields->amount_absent);
    image[LM_AT_FAILSAFE_FRAMES] = fields->failsafe_frames;
    image[LM_AT_RAMP_FRAMES] = fields->ramp_frames;
    lm_copy(image + LM_AT_HASH, fields->hash, LM_HASH_BYTES);
    lm_copy(image + LM_AT_NAME, fields->name, LM_NAME_BYTES);
    for (uint8_t o = 0; o < fields->outputs; o++) {
        put_output(image + LM_IMAGE_HEAD + (uint16_t)(o * LM_OUTPUT_BYTES), &fields->output[o]);
    }
    lm_put32(image + whole - 4u, lm_crc32(image, (uint16_t)(whole - 4u)));
    *length = whole;
    return lm_image_check(image, whole, LM_KIND_ANY, output);
}

void lm_image_decode(const uint8_t *image, struct lm_image_fields *fields)
{
    fields->outputs = image[LM_AT_OUTPUTS];
    fields->board_kind = image[LM_AT_KIND];
    fields->options = image[LM_AT_OPTIONS];
    fields->failsafe_frames = image[LM_AT_FAILSAFE_FRAMES];
    fields->ramp_frames = image[LM_AT_RAMP_FRAMES];
    fields->spare = 0;
    fields->right = lm_get16(image + LM_AT_RIGHT);
    fields->neutral = lm_get16(image + LM_AT_NEUTRAL);
    fields->left = lm_get16(image + LM_AT_LEFT);
    fields->accept_min = lm_get16(image + LM_AT_ACCEPT_MIN);
    fields->accept_max = lm_get16(image + LM_AT_ACCEPT_MAX);
    fields->amount_low = lm_get16(image + LM_AT_AMOUNT_LOW);
    fields->amount_high = lm_get16(image + LM_AT_AMOUNT_HIGH);
    fields->amount_absent = lm_get16(image + LM_AT_AMOUNT_ABSENT);
    lm_copy(fields->hash, image + LM_AT_HASH, LM_HASH_BYTES);
    lm_copy(fields->name, image + LM_AT_NAME, LM_NAME_BYTES);
    for (uint8_t o = 0; o < fields->outputs; o++) {
        get_output(lm_image_output(image, o), &fields->output[o]);
    }
}
