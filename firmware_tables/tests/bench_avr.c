/* The mixer alone on an ATmega328P, for the emulator: every count of a range through it, results a block at a time.
 *
 * The harness fills `image` and the words below, runs to `stop`, reads `results`, and runs on. */
#include <avr/io.h>

#include "lm_mix.h"

#define BLOCK 256

volatile uint8_t image[LM_IMAGE_MAX];
volatile uint16_t first;   /* steering pulse or table position of the first result */
volatile int8_t way;       /* +1 or -1 */
volatile uint8_t job;      /* 0: a mixer step each; 1: bare table of output 0; 2: start a mixer; 3: normalise */
volatile uint16_t results[2 * BLOCK];

static struct lm_mix mix;

void stop(void) __attribute__((noinline));
void stop(void)
{
    __asm__ volatile("nop");
}

int main(void)
{
    const uint8_t *bytes = (const uint8_t *)image;
    for (;;) {
        stop();
        if (job == 2) {
            lm_mix_start(&mix, bytes);
            continue;
        }
        uint16_t at = first;
        for (uint16_t i = 0; i < BLOCK; i++) {
            if (job == 0) {
                lm_mix_step(&mix, bytes, at, LM_AMOUNT_FULL);
                results[2 * i] = mix.out[0];
                results[2 * i + 1] = mix.out[1];
            } else if (job == 1) {
                results[2 * i] = lm_table_lookup(lm_image_output(bytes, 0) + LM_OUT_KNOTS, at);
            } else {
                results[2 * i] = lm_mix_normalise(bytes, at);
            }
            at = (uint16_t)(at + way);
        }
    }
}
