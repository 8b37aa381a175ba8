/* A mixer board: what it does each frame, and the messages it answers. All memory is the caller's struct lm_board.
 *
 * A port calls lm_board_start once, then from its main loop lm_board_poll, lm_board_take (received bytes, while
 * lm_board_takes) and lm_board_give (bytes to send); on each accepted edge pair lm_board_steer or lm_board_amount;
 * and once every LM_FRAME_US lm_board_frame, after which `mix.out` holds the pulses to send (0: send none). */
#ifndef LM_BOARD_H
#define LM_BOARD_H
#include <stdint.h>

#include "lm_frame.h"
#include "lm_image.h"
#include "lm_mix.h"
#include "lm_port.h"
#include "lm_store.h"
#include "lm_wire.h"

#define LM_FRAME_US 20000u
#define LM_DEAD_MAN_FRAMES 14u /* 280 ms: with the frame in progress it ends within 300 ms of the last jog frame */
#define LM_ARMED_FRAMES 250u   /* 5 s from arming to the first move */
#define LM_SEARCH_STEP 16u     /* 2 us a frame, 100 us/s */
#define LM_SEARCH_START 12000u /* 1500 us, where no image gives a neutral */
#define LM_AMOUNT_STILL 4u     /* changes of the lean amount below this are noise */

#define LM_KIND_ATMEGA328P 1u
#define LM_KIND_VIRTUAL 2u

enum lm_reset { LM_RESET_POWER = 0, LM_RESET_EXTERNAL = 1, LM_RESET_BROWN_OUT = 2, LM_RESET_WATCHDOG = 3 };

/* Each stops at 65535. In the order of the counters reply. */
enum lm_counter {
    LM_COUNT_RESETS = 0, /* four, by enum lm_reset */
    LM_COUNT_MISSED_FRAMES = 4, /* frames without an accepted steering pulse */
    LM_COUNT_REJECTED_PULSES = 5, /* pulses outside the accepted range */
    LM_COUNT_CRC_ERRORS = 6,
    LM_COUNT_FRAME_ERRORS = 7, /* frames cut, short or too long */
    LM_COUNT_STORAGE_WRITES = 8
};
#define LM_COUNTERS 9u

/* Kept apart from lm_board so that a port may let it outlive a reset. */
struct lm_counters {
    uint16_t n[LM_COUNTERS];
};

#define LM_ABOUT_BYTES 8u
#define LM_ABOUT_KIND 7u

struct lm_identity {
    uint8_t about[LM_ABOUT_BYTES]; /* as identify sends it: version (3), build (4, little-endian), kind of board */
    uint8_t reset_cause;
};

enum lm_mode { LM_MODE_MIX = 0, LM_MODE_JOG = 1, LM_MODE_SEARCH = 2, LM_MODE_RETURN = 3 };

#define LM_RX_BYTES (LM_IMAGE_MAX + 4u) /* type, sequence, image, CRC */
#define LM_RX_SMALL 16u
#define LM_HEAD_BYTES (3u + LM_IDENTIFY_HEAD)

struct lm_board {
    /* What is used most stands first: 8-bit boards reach the first 64 bytes at half the cost. */
    uint8_t has_image;
    uint8_t mode;
    uint8_t sending;
    uint8_t late_type;     /* commit or revert awaiting its reply, 0 = none */
    uint8_t late_sequence;
    uint8_t late_result;
    uint8_t late_ready;
    uint8_t amount_bad;    /* frames without a pulse of the second input */
    uint8_t head_length;
    uint8_t tail_length;
    uint8_t tail_stored;   /* the reply's tail comes from storage, not from `image` */
    uint8_t age;           /* frames since the last jog or search frame, or since arming */
    uint16_t tail_at;
    uint16_t reply_crc;
    uint16_t steer;        /* accepted pulse since the last frame */
    uint16_t amount_pulse;
    uint16_t amount;       /* 0..256 in force */
    uint16_t last_steer;   /* for live values: the last frame's accepted pulse, or none */
    uint16_t frames;       /* wraps */
    uint16_t token;        /* of the armed search, 0 = not armed */
    uint16_t wanted[LM_OUTPUTS_MAX]; /* jog or search pulses, 0 = leave */
    struct lm_mix mix;
    const struct lm_port *port;
    const struct lm_identity *identity;
    struct lm_counters *counters;
    uint8_t staged_crc[LM_CRC_BYTES];
    struct lm_store store;
    struct lm_unframe rx;
    struct lm_cobs tx;
    uint8_t serial[LM_SERIAL_BYTES];
    uint8_t head[LM_HEAD_BYTES];
    uint8_t small[LM_RX_SMALL];
    uint8_t image[LM_IMAGE_MAX];
    uint8_t big[LM_RX_BYTES];
};

/* *b must be all zero; `counters` and `identity` stay the caller's. Runs the newest valid image, and queues the hello frame. */
void lm_board_start(struct lm_board *b, const struct lm_port *port, const struct lm_identity *identity,
                    struct lm_counters *counters);

void lm_board_steer(struct lm_board *b, uint16_t pulse);
void lm_board_amount(struct lm_board *b, uint16_t pulse);
void lm_board_frame(struct lm_board *b);

void lm_board_poll(struct lm_board *b);
uint8_t lm_board_takes(const struct lm_board *b);
void lm_board_take(struct lm_board *b, uint8_t byte);
uint8_t lm_board_give(struct lm_board *b, uint8_t *byte);

/* Between lm_board.c (motion) and lm_messages.c (talk). */
void lm_count(struct lm_board *b, uint8_t counter);
void lm_board_adopt(struct lm_board *b);
void lm_board_open(struct lm_board *b);
void lm_board_jog(struct lm_board *b, const uint8_t *pulses);
void lm_board_arm(struct lm_board *b);
void lm_board_search(struct lm_board *b, uint8_t output, uint16_t pulse);
void lm_board_stop(struct lm_board *b);
uint16_t lm_board_flags(const struct lm_board *b);
void lm_messages_start(struct lm_board *b);

#endif
