/* Little-endian fields in byte buffers, whatever the machine's own order and alignment. */
#ifndef LM_BYTES_H
#define LM_BYTES_H
#include <stdint.h>

static inline uint16_t lm_get16(const uint8_t *p)
{
    return (uint16_t)(p[0] | (uint16_t)((uint16_t)p[1] << 8));
}

static inline uint32_t lm_get32(const uint8_t *p)
{
    return (uint32_t)lm_get16(p) | ((uint32_t)lm_get16(p + 2) << 16);
}

static inline void lm_put16(uint8_t *p, uint16_t v)
{
    p[0] = (uint8_t)(v & 0xFFu);
    p[1] = (uint8_t)(v >> 8);
}

static inline void lm_put32(uint8_t *p, uint32_t v)
{
    lm_put16(p, (uint16_t)(v & 0xFFFFu));
    lm_put16(p + 2, (uint16_t)(v >> 16));
}

#endif
