/* Frames on the wire: COBS(payload, CRC-16/IBM-3740 high byte first), then 00. Specification: ../WIRE.md. */
#ifndef LM_FRAME_H
#define LM_FRAME_H
#include <stdint.h>

#include "lm_cobs.h"

#define LM_FRAME_MAX 254u /* payload and CRC before COBS */
#define LM_FRAME_CRC 2u

enum lm_frame_result {
    LM_FRAME_MORE = 0,    /* the frame goes on */
    LM_FRAME_DONE = 1,    /* good: payload in buffer, its length in `length` */
    LM_FRAME_CLIPPED = 2, /* good, but longer than the buffer: only its beginning was kept */
    LM_FRAME_EMPTY = 3,   /* a lone delimiter: harmless */
    LM_FRAME_CUT = 4,     /* ended inside a COBS block */
    LM_FRAME_BAD_CRC = 5,
    LM_FRAME_SHORT = 6,   /* no room for type, sequence and CRC */
    LM_FRAME_LONG = 7     /* more than LM_FRAME_MAX */
};

/* Decoder. The buffer is the caller's and may be changed between frames. */
struct lm_unframe {
    uint8_t *buffer;
    uint16_t room;   /* bytes in buffer; the two CRC bytes pass through it */
    uint16_t count;  /* decoded bytes so far, CRC among them */
    uint16_t length; /* payload bytes of the last good frame */
    uint16_t crc;
    struct lm_uncobs cobs;
};

void lm_unframe_start(struct lm_unframe *u, uint8_t *buffer, uint16_t room);
enum lm_frame_result lm_unframe_byte(struct lm_unframe *u, uint8_t byte);

/* Encoder over bytes that need not lie together. */
struct lm_enframe {
    lm_byte_at at;
    const void *context;
    uint16_t length; /* payload bytes, without CRC */
    uint16_t crc;
    struct lm_cobs cobs;
};

/* length at most LM_FRAME_MAX - LM_FRAME_CRC */
void lm_enframe_start(struct lm_enframe *e, lm_byte_at at, const void *context, uint16_t length);

/* Put the next wire byte in *byte; 0 when the frame, delimiter and all, has been given out. */
uint8_t lm_enframe_byte(struct lm_enframe *e, uint8_t *byte);

#endif
