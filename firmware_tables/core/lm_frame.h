/* Frames on the wire: COBS(payload, CRC-16/IBM-3740 high byte first), then 00. Specification: ../WIRE.md.
 *
 * To send: lm_frame_crc over the payload, then lm_cobs over payload and CRC. */
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
    uint16_t crc;
    uint8_t room;   /* bytes in buffer; the two CRC bytes pass through it */
    uint8_t count;  /* decoded bytes so far, CRC among them */
    uint8_t length; /* payload bytes of the last good frame */
    struct lm_uncobs cobs;
};

void lm_unframe_start(struct lm_unframe *u, uint8_t *buffer, uint8_t room);
enum lm_frame_result lm_unframe_byte(struct lm_unframe *u, uint8_t byte);

/* CRC of a payload that need not lie together. */
uint16_t lm_frame_crc(lm_byte_at at, const void *context, uint8_t length);

#endif
