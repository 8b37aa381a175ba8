/* Steering pulse in, servo pulses out, once a frame. The only implementation of the mixing: boards, proof and
 * simulation all run this file. Arithmetic is specified in ../TABLE.md. */
#ifndef LM_MIX_H
#define LM_MIX_H
#include <stdint.h>

#include "lm_image.h"

#define LM_U_FULL 8192u   /* full left; full right is 0 */
#define LM_U_NEUTRAL 4096u
#define LM_NO_PULSE 0u    /* nothing arrived in this frame */

/* What the mixer is doing, in lm_mix.flags. */
#define LM_MIX_FAILSAFE 0x01u /* steering lost: going to, or at, the failsafe pulses */
#define LM_MIX_RAMPING 0x02u  /* start-up: lean amount still rising */
#define LM_MIX_BAD_INPUT 0x04u/* no accepted steering pulse in this frame */
#define LM_MIX_SLEWING 0x08u  /* an output was held back by its slew limit */

struct lm_mix {
    uint16_t out[LM_OUTPUTS_MAX];
    uint16_t target[LM_OUTPUTS_MAX];
    uint8_t bad_frames;
    uint8_t ramp;
    uint8_t flags;
    uint8_t outputs;
};

/* 0 = full right, 4096 = neutral, 8192 = full left; beyond the calibration it stays at the end. */
uint16_t lm_mix_normalise(const uint8_t *image, uint16_t pulse);

/* Linear between 33 knots (little-endian), u = 0..8192, rounded to nearest, halves away from the left knot. */
uint16_t lm_table_lookup(const uint8_t *knots, uint16_t u);

/* Where an output would settle for this pulse: table, lean amount (0..256), caps. No state, no accepted range. */
uint16_t lm_mix_steady(const uint8_t *image, uint8_t output, uint16_t pulse, uint16_t amount);

/* Scale 0..256 of a lean-amount pulse; the image's stated amount where there is no such input or no pulse. */
uint16_t lm_mix_amount(const uint8_t *image, uint16_t pulse);

/* Start at neutral. */
void lm_mix_start(struct lm_mix *mix, const uint8_t *image);

/* Start the ramp again under a new image, from where the outputs are (brought inside its caps). */
void lm_mix_adopt(struct lm_mix *mix, const uint8_t *image);

/* Has the image accepted this steering pulse? */
uint8_t lm_mix_accepts(const uint8_t *image, uint16_t pulse);

/* One frame. `pulse` = LM_NO_PULSE where none came; `amount` 0..256. */
void lm_mix_step(struct lm_mix *mix, const uint8_t *image, uint16_t pulse, uint16_t amount);

/* Move *out towards target by at most slew; nonzero if it did not get there. */
uint8_t lm_slew(uint16_t *out, uint16_t target, uint16_t slew);

/* The pulse brought inside an output's caps. */
uint16_t lm_capped(const uint8_t *block, uint16_t pulse);

#endif
