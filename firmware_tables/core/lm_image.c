#include "lm_image.h"

#include "lm_bytes.h"
#include "lm_crc.h"

static uint8_t in_range(uint16_t v, uint16_t low, uint16_t high)
{
    return v >= low && v <= high;
}

static uint16_t distance(uint16_t a, uint16_t b)
{
    return (uint16_t)(a > b ? a - b : b - a);
}

/* For show only, so its encoding is left to whoever shows it; but it must not steer a terminal. */
static enum lm_reason check_name(const uint8_t *name)
{
    uint8_t ended = 0;
    for (uint8_t i = 0; i < LM_NAME_BYTES; i++) {
        uint8_t byte = name[i];
        if (byte == 0) {
            ended = 1;
        } else if (ended || byte < 0x20 || byte == 0x7F) {
            return LM_IMAGE_NAME;
        }
    }
    return LM_IMAGE_OK;
}

static enum lm_reason check_frame(const uint8_t *image, uint16_t length)
{
    if (length < LM_IMAGE_HEAD) {
        return LM_IMAGE_SHORT;
    }
    if (image[LM_AT_FORMAT] != LM_IMAGE_FORMAT) {
        return LM_IMAGE_UNKNOWN;
    }
    uint8_t outputs = image[LM_AT_OUTPUTS];
    if (outputs < 1 || outputs > LM_OUTPUTS_MAX) {
        return LM_IMAGE_OUTPUTS;
    }
    uint16_t whole = LM_IMAGE_BYTES(outputs);
    if (lm_get16(image + LM_AT_LENGTH) != whole || length > whole) {
        return LM_IMAGE_LENGTH;
    }
    if (length < whole) {
        return LM_IMAGE_SHORT;
    }
    uint16_t body = (uint16_t)(whole - 4u);
    return lm_crc32(image, body) == lm_get32(image + body) ? LM_IMAGE_OK : LM_IMAGE_CRC;
}

static enum lm_reason check_input(const uint8_t *image)
{
    uint16_t right = lm_get16(image + LM_AT_RIGHT);
    uint16_t neutral = lm_get16(image + LM_AT_NEUTRAL);
    uint16_t left = lm_get16(image + LM_AT_LEFT);
    uint16_t low = right < left ? right : left;
    uint16_t high = right < left ? left : right;
    if (low < LM_PULSE_MIN || high > LM_PULSE_MAX) {
        return LM_IMAGE_INPUT_RANGE;
    }
    if (!in_range(neutral, low, high)) {
        return LM_IMAGE_INPUT_ORDER;
    }
    if (neutral - low < (int)LM_SPAN_MIN || high - neutral < (int)LM_SPAN_MIN) {
        return LM_IMAGE_INPUT_SPAN;
    }
    uint16_t accept_min = lm_get16(image + LM_AT_ACCEPT_MIN);
    uint16_t accept_max = lm_get16(image + LM_AT_ACCEPT_MAX);
    if (accept_min < LM_PULSE_MIN || accept_max > LM_PULSE_MAX || low < accept_min || high > accept_max) {
        return LM_IMAGE_ACCEPT;
    }
    return LM_IMAGE_OK;
}

static enum lm_reason check_amount(const uint8_t *image)
{
    uint16_t low = lm_get16(image + LM_AT_AMOUNT_LOW);
    uint16_t high = lm_get16(image + LM_AT_AMOUNT_HIGH);
    uint16_t absent = lm_get16(image + LM_AT_AMOUNT_ABSENT);
    if (image[LM_AT_OPTIONS] & LM_OPTION_AMOUNT) {
        uint8_t good = in_range(low, LM_PULSE_MIN, LM_PULSE_MAX) && in_range(high, LM_PULSE_MIN, LM_PULSE_MAX)
            && distance(low, high) >= LM_SPAN_MIN && absent <= LM_AMOUNT_FULL;
        return good ? LM_IMAGE_OK : LM_IMAGE_AMOUNT;
    }
    return low == 0 && high == 0 && absent == LM_AMOUNT_FULL ? LM_IMAGE_OK : LM_IMAGE_AMOUNT;
}

static enum lm_reason check_output(const uint8_t *block)
{
    uint16_t low = lm_get16(block + LM_OUT_MIN);
    uint16_t high = lm_get16(block + LM_OUT_MAX);
    if (low < LM_PULSE_MIN || high > LM_PULSE_MAX || low >= high) {
        return LM_IMAGE_CAPS;
    }
    if (!in_range(lm_get16(block + LM_OUT_SLEW), 1, LM_PULSE_MAX - LM_PULSE_MIN)) {
        return LM_IMAGE_SLEW;
    }
    for (uint8_t at = LM_OUT_NEUTRAL; at < LM_OUTPUT_BYTES; at = (uint8_t)(at + 2u)) {
        if (at != LM_OUT_SLEW && !in_range(lm_get16(block + at), low, high)) {
            return at == LM_OUT_NEUTRAL ? LM_IMAGE_NEUTRAL : at == LM_OUT_FAILSAFE ? LM_IMAGE_FAILSAFE : LM_IMAGE_KNOT;
        }
    }
    return LM_IMAGE_OK;
}

enum lm_reason lm_image_check(const uint8_t *image, uint16_t length, uint8_t board_kind, uint8_t *output)
{
    *output = 0;
    enum lm_reason reason = check_frame(image, length);
    if (reason != LM_IMAGE_OK) {
        return reason;
    }
    uint8_t kind = image[LM_AT_KIND];
    if (kind != LM_KIND_ANY && board_kind != LM_KIND_ANY && kind != board_kind) {
        return LM_IMAGE_KIND;
    }
    if (image[LM_AT_OPTIONS] & (uint8_t)~LM_OPTION_AMOUNT) {
        return LM_IMAGE_OPTIONS;
    }
    reason = check_input(image);
    if (reason == LM_IMAGE_OK) {
        reason = check_amount(image);
    }
    if (reason == LM_IMAGE_OK && (image[LM_AT_FAILSAFE_FRAMES] < 2 || image[LM_AT_RAMP_FRAMES] < 1)) {
        reason = LM_IMAGE_FRAMES;
    }
    if (reason == LM_IMAGE_OK) {
        reason = check_name(image + LM_AT_NAME);
    }
    for (uint8_t o = 0; o < image[LM_AT_OUTPUTS] && reason == LM_IMAGE_OK; o++) {
        *output = o;
        reason = check_output(lm_image_output(image, o));
    }
    if (reason == LM_IMAGE_OK) {
        *output = 0;
    }
    return reason;
}

const uint8_t *lm_image_crc(const uint8_t *image)
{
    return image + (uint8_t)(image[LM_AT_LENGTH] - LM_CRC_BYTES);
}
