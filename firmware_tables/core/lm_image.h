/* The table image: byte layout, checks, fields in and out. Specification: ../TABLE.md. */
#ifndef LM_IMAGE_H
#define LM_IMAGE_H
#include <stdint.h>

#define LM_IMAGE_FORMAT 1u
#define LM_OUTPUTS_MAX 2u
#define LM_KNOTS 33u
#define LM_HASH_BYTES 16u
#define LM_NAME_BYTES 16u
#define LM_CRC_BYTES 4u
#define LM_IMAGE_HEAD 56u
#define LM_OUTPUT_BYTES 76u
#define LM_IMAGE_BYTES(outputs) ((uint16_t)(LM_IMAGE_HEAD + LM_OUTPUT_BYTES * (outputs) + LM_CRC_BYTES))
#define LM_IMAGE_MAX 212u

/* Pulses are in 1/8 us everywhere. */
#define LM_PULSE_MIN 4000u  /* 500 us */
#define LM_PULSE_MAX 20000u /* 2500 us */
#define LM_SPAN_MIN 400u    /* 50 us: a shorter half of the stick would turn noise into lean */
#define LM_AMOUNT_FULL 256u
#define LM_KIND_ANY 0u

/* Offsets in the image's head. */
enum {
    LM_AT_FORMAT = 0, LM_AT_OUTPUTS = 1, LM_AT_LENGTH = 2, LM_AT_KIND = 4, LM_AT_OPTIONS = 5,
    LM_AT_RIGHT = 6, LM_AT_NEUTRAL = 8, LM_AT_LEFT = 10, LM_AT_ACCEPT_MIN = 12, LM_AT_ACCEPT_MAX = 14,
    LM_AT_AMOUNT_LOW = 16, LM_AT_AMOUNT_HIGH = 18, LM_AT_AMOUNT_ABSENT = 20,
    LM_AT_FAILSAFE_FRAMES = 22, LM_AT_RAMP_FRAMES = 23, LM_AT_HASH = 24, LM_AT_NAME = 40
};

/* Offsets in an output's block. */
enum {
    LM_OUT_MIN = 0, LM_OUT_MAX = 2, LM_OUT_NEUTRAL = 4, LM_OUT_FAILSAFE = 6, LM_OUT_SLEW = 8, LM_OUT_KNOTS = 10
};

#define LM_OPTION_AMOUNT 0x01u /* the second input is the lean amount */

/* Why an image is refused. Numbers are part of the wire format: never reuse one. */
enum lm_reason {
    LM_IMAGE_OK = 0,
    LM_IMAGE_SHORT = 1,      /* fewer bytes than its head, or than its length field says */
    LM_IMAGE_UNKNOWN = 2,    /* a format this core does not know */
    LM_IMAGE_OUTPUTS = 3,    /* outputs neither 1 nor 2 */
    LM_IMAGE_LENGTH = 4,     /* length field does not fit the number of outputs, or bytes follow the image */
    LM_IMAGE_CRC = 5,
    LM_IMAGE_KIND = 6,       /* made for another kind of board */
    LM_IMAGE_OPTIONS = 7,    /* an option bit this core does not know */
    LM_IMAGE_INPUT_RANGE = 8,/* a calibration pulse outside 500..2500 us */
    LM_IMAGE_INPUT_ORDER = 9,/* neutral not between full right and full left */
    LM_IMAGE_INPUT_SPAN = 10,/* neutral nearer than 50 us to full right or full left */
    LM_IMAGE_ACCEPT = 11,    /* accepted range outside 500..2500 us, empty, or not holding the calibration */
    LM_IMAGE_AMOUNT = 12,    /* lean amount calibration */
    LM_IMAGE_FRAMES = 13,    /* failsafe frames below 2 or ramp frames below 1 */
    LM_IMAGE_NAME = 14,      /* holds control characters, or bytes after its end */
    LM_IMAGE_CAPS = 15,      /* caps outside 500..2500 us or not in order */
    LM_IMAGE_NEUTRAL = 16,   /* output neutral outside its caps */
    LM_IMAGE_FAILSAFE = 17,  /* failsafe pulse outside its caps */
    LM_IMAGE_SLEW = 18,      /* slew limit zero or more than the whole pulse range a frame */
    LM_IMAGE_KNOT = 19       /* a knot outside its caps */
};

struct lm_output_fields {
    uint16_t pulse_min, pulse_max, neutral, failsafe, slew;
    uint16_t knots[LM_KNOTS];
};

struct lm_image_fields {
    uint8_t outputs, board_kind, options, failsafe_frames, ramp_frames, spare;
    uint16_t right, neutral, left, accept_min, accept_max, amount_low, amount_high, amount_absent;
    uint8_t hash[LM_HASH_BYTES];
    uint8_t name[LM_NAME_BYTES];
    struct lm_output_fields output[LM_OUTPUTS_MAX];
};

static inline const uint8_t *lm_image_output(const uint8_t *image, uint8_t output)
{
    return image + LM_IMAGE_HEAD + (uint16_t)(output * LM_OUTPUT_BYTES);
}

/* Judge `length` bytes as an image for a board of `board_kind`. On LM_IMAGE_CAPS and later, *output says which one. */
enum lm_reason lm_image_check(const uint8_t *image, uint16_t length, uint8_t board_kind, uint8_t *output);

/* The CRC-32 at the end of a checked image, by which messages name it. */
const uint8_t *lm_image_crc(const uint8_t *image);

/* Write `fields` as bytes (room for LM_IMAGE_MAX) and judge the result. *length is 0 if outputs is not 1 or 2. */
enum lm_reason lm_image_encode(const struct lm_image_fields *fields, uint8_t *image, uint16_t *length, uint8_t *output);

/* Read the fields of a checked image. */
void lm_image_decode(const uint8_t *image, struct lm_image_fields *fields);

#endif
