/* Consistent Overhead Byte Stuffing (Cheshire & Baker, IEEE/ACM ToN 7(2), 1999), a byte at a time both ways. */
#ifndef LM_COBS_H
#define LM_COBS_H
#include <stdint.h>

#define LM_COBS_BLOCK 254u /* data bytes in a block that carries no zero */

enum lm_cobs_result {
    LM_COBS_NOTHING = 0, /* a code byte */
    LM_COBS_BYTE = 1,    /* one decoded byte */
    LM_COBS_END = 2,     /* delimiter after whole blocks */
    LM_COBS_EMPTY = 3,   /* delimiter after nothing */
    LM_COBS_CUT = 4      /* delimiter inside a block */
};

struct lm_uncobs {
    uint8_t left; /* bytes left in this block */
    uint8_t zero_due;
    uint8_t started;
};

void lm_uncobs_start(struct lm_uncobs *u);

/* Take one wire byte; on LM_COBS_BYTE the decoded byte is in *out. A delimiter starts afresh. */
enum lm_cobs_result lm_uncobs_byte(struct lm_uncobs *u, uint8_t byte, uint8_t *out);

/* Byte `index` of what is to be encoded: it need not lie in one piece of memory. */
typedef uint8_t (*lm_byte_at)(const void *context, uint16_t index);

struct lm_cobs {
    uint16_t next; /* next byte to encode */
    uint16_t length;
    uint8_t left;  /* bytes left in this block */
    uint8_t phase;
};

void lm_cobs_start(struct lm_cobs *c, uint16_t length);

/* Put the next wire byte in *byte; 0 when the delimiter has been given out. */
uint8_t lm_cobs_byte(struct lm_cobs *c, lm_byte_at at, const void *context, uint8_t *byte);

#endif
