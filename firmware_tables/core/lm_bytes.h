/* Little-endian fields in byte buffers, whatever the machine's own order and alignment. */
#ifndef LM_BYTES_H
#define LM_BYTES_H
#include <stdint.h>

#if defined(__BYTE_ORDER__) && __BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__
/* The same bytes, said so that 8-bit compilers see a plain load or store. */
static inline uint16_t lm_get16(const uint8_t *p)
{
    uint16_t v;
    __builtin_memcpy(&v, p, sizeof v);
    return v;
}

static inline void lm_put16(uint8_t *p, uint16_t v)
{
    __builtin_memcpy(p, &v, sizeof v);
}
#else
static inline uint16_t lm_get16(const uint8_t *p)
{
    return (uint16_t)(p[0] | (uint16_t)((uint16_t)p[1] << 8));
}

static inline void lm_put16(uint8_t *p, uint16_t v)
{
    p[0] = (uint8_t)(v & 0xFFu);
    p[1] = (uint8_t)(v >> 8);
}
#endif

static inline uint32_t lm_get32(const uint8_t *p)
{
    return (uint32_t)lm_get16(p) | ((uint32_t)lm_get16(p + 2) << 16);
}

static inline void lm_put32(uint8_t *p, uint32_t v)
{
    lm_put16(p, (uint16_t)(v & 0xFFFFu));
    lm_put16(p + 2, (uint16_t)(v >> 16));
}

void lm_zero(void *to, uint8_t count);
void lm_copy(uint8_t *to, const uint8_t *from, uint8_t count);
uint8_t lm_same(const uint8_t *a, const uint8_t *b, uint8_t count);

#endif
