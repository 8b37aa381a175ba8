#include "lm_bytes.h"

void lm_zero(void *to, uint8_t count)
{
    uint8_t *byte = to;
    while (count-- != 0) {
        *byte++ = 0;
    }
}

void lm_copy(uint8_t *to, const uint8_t *from, uint8_t count)
{
    while (count-- != 0) {
        *to++ = *from++;
    }
}

uint8_t lm_same(const uint8_t *a, const uint8_t *b, uint8_t count)
{
    while (count-- != 0) {
        if (*a++ != *b++) {
            return 0;
        }
    }
    return 1;
}
