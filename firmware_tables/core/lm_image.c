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

/* Bytes that follow the lead byte of a UTF-8 sequence; 0xFF if it cannot lead one. */
static uint8_t utf8_more(uint8_t lead)
{
    if (lead < 0x80) {
        return 0;
    }
    if (lead < 0xC2 || lead > 0xF4) {
        return 0xFF;
    }
    return (uint8_t)(lead < 0xE0 ? 1 : lead < 0xF0 ? 2 : 3);
}

/* The second byte's range is narrower after E0, ED, F0, F4 (overlong forms, surrogates, past U+10FFFF). */
static uint8_t utf8_second(uint8_t lead, uint8_t byte)
{
    uint8_t low = (uint8_t)(lead == 0xE0 ? 0xA0 : lead == 0xF0 ? 0x90 : 0x80);
    uint8_t high = (uint8_t)(lead == 0xED ? 0x9F : lead == 0xF4 ? 0x8F : 0xBF);
    return in_range(byte, low, high);
}

static enum lm_reason check_name(const uint8_t *name)
{
    uint8_t i = 0;
    while (i < LM_NAME_BYTES && name[i] != 0) {
        uint8_t lead = name[i];
        uint8_t more = utf8_more(lead);
        if (lead < 0x20 || lead == 0x7F || more == 0xFF || i + more >= LM_NAME_BYTES) {
            return LM_IMAGE_NAME;
        }
        if (more > 0 && !utf8_second(lead, name[i + 1])) {
            return LM_IMAGE_NAME;
        }
        for (uint8_t k = 2; k <= more; k++) {
            if ((name[i + k] & 0xC0) != 0x80) {
                return LM_IMAGE_NAME;
            }
        }
        i = (uint8_t)(i + more + 1);
    }
    for (; i < LM_NAME_BYTES; i++) {
        if (name[i] != 0) {
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
    if (low < LM_PULSE_MIN || high > LM_PULSE_MAX || !in_range(neutral, LM_PULSE_MIN, LM_PULSE_MAX)) {
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
    if (!in_range(lm_get16(block + LM_OUT_NEUTRAL), low, high)) {
        return LM_IMAGE_NEUTRAL;
    }
    if (!in_range(lm_get16(block + LM_OUT_FAILSAFE), low, high)) {
        return LM_IMAGE_FAILSAFE;
    }
    if (!in_range(lm_get16(block + LM_OUT_SLEW), 1, LM_PULSE_MAX - LM_PULSE_MIN)) {
        return LM_IMAGE_SLEW;
    }
    const uint8_t *knot = block + LM_OUT_KNOTS;
    for (uint8_t k = 0; k < LM_KNOTS; k++, knot += 2) {
        if (!in_range(lm_get16(knot), low, high)) {
            return LM_IMAGE_KNOT;
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

uint32_t lm_image_crc(const uint8_t *image)
{
    return lm_get32(image + lm_get16(image + LM_AT_LENGTH) - 4u);
}
