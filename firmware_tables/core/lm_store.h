/* Two image slots in byte-written storage. Any write may be cut: the image before or the image after runs, no third.
 *
 * The running slot is never written. The other is made invalid (magic byte), filled (changed bytes only), compared,
 * numbered (sequence, then its complement) and made valid (magic byte last). Going back to the image before only
 * renumbers its slot: two bytes, of which the first alone makes the pair disagree, and a slot whose pair disagrees
 * counts as the older. Layout: ../TABLE.md. */
#ifndef LM_STORE_H
#define LM_STORE_H
#include <stdint.h>

#include "lm_image.h"
#include "lm_port.h"

#define LM_SLOTS 2u
#define LM_SLOT_FIRST 32u
#define LM_SLOT_STEP 224u
#define LM_SLOT_MAGIC 0xA6u
#define LM_SLOT_NOT_VALID 0xFFu
#define LM_SLOT_IMAGE 3u /* image's offset in a slot, after magic, sequence, complement */
#define LM_STORE_BYTES 512u
#define LM_SERIAL_AT 8u
#define LM_SERIAL_BYTES 8u
#define LM_NO_SLOT 0xFFu

enum lm_store_state {
    LM_STORE_IDLE = 0,
    LM_STORE_FILLING = 1, /* writing an image to the other slot, not yet valid, or other bytes */
    LM_STORE_STAGED = 2,  /* filled and compared; waits for commit */
    LM_STORE_NUMBERING = 3,/* commit or revert under way */
    LM_STORE_FAILED = 4   /* storage does not hold what was written; the running slot is untouched */
};

enum lm_store_event { LM_STORE_NOTHING = 0, LM_STORE_FILLED = 1, LM_STORE_SWITCHED = 2, LM_STORE_BROKE = 3 };

struct lm_store {
    const struct lm_port *port;
    const uint8_t *from;   /* the caller's bytes while filling */
    uint16_t to;           /* where they go */
    uint16_t left;         /* bytes that staging and commit have yet to write, at most */
    uint16_t written;      /* storage bytes written since start, wraps */
    uint8_t length;
    uint8_t at;
    uint8_t running;       /* 0, 1 or LM_NO_SLOT */
    uint8_t previous;      /* the other slot holds a valid image */
    uint8_t state;
    uint8_t unmarked;      /* the slot being filled has lost its magic */
    uint8_t plain;         /* what is being filled is not an image */
    uint8_t previous_crc[LM_CRC_BYTES]; /* of the image to go back to */
};

/* Find the image to run; `image` has LM_IMAGE_MAX bytes and holds it afterwards. Writes nothing. */
void lm_store_open(struct lm_store *s, const struct lm_port *port, uint8_t board_kind, uint8_t *image);

/* Read a slot's image unseen. */
void lm_store_copy(const struct lm_store *s, uint8_t slot, uint8_t *image);

/* Read a slot's image; nonzero if the slot is valid. */
uint8_t lm_store_load(const struct lm_store *s, uint8_t slot, uint8_t board_kind, uint8_t *image);

/* Where a slot's image begins in storage. */
uint16_t lm_store_image_at(uint8_t slot);

/* The slot that is not running (slot 0 while none is). */
uint8_t lm_store_spare(const struct lm_store *s);

/* Begin to fill the spare slot from a checked image, which must stay put until LM_STORE_FILLED or LM_STORE_BROKE.
 * `left` then says how many bytes this and the commit will write at most. Not while NUMBERING or FILLING. */
void lm_store_stage(struct lm_store *s, const uint8_t *image);

/* Write bytes elsewhere in storage, the first of them last. Not while NUMBERING or FILLING; forgets what was staged. */
void lm_store_write(struct lm_store *s, uint16_t to, const uint8_t *from, uint8_t length);

/* Number and validate the spare slot: after FILLED, or with `previous` set to go back. */
void lm_store_switch(struct lm_store *s);

/* Do at most one byte's worth of work. Call often. After LM_STORE_SWITCHED the caller sets previous_crc. */
enum lm_store_event lm_store_poll(struct lm_store *s);

#endif
