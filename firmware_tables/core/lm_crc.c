#include "lm_crc.h"

uint16_t lm_crc16_byte(uint16_t crc, uint8_t byte)
{
    /* The eight shifts of poly 1021 folded into byte moves (x^16 = x^12 + x^5 + 1). */
    uint8_t s = (uint8_t)((crc >> 8) ^ byte);
    s = (uint8_t)(s ^ (s >> 4));
    return (uint16_t)((uint16_t)(crc << 8) ^ (uint16_t)((uint16_t)s << 12) ^ (uint16_t)((uint16_t)s << 5) ^ s);
}

uint32_t lm_crc32_byte(uint32_t crc, uint8_t byte)
{
    crc ^= byte;
    for (uint8_t bit = 0; bit < 8; bit++) {
        crc = (crc & 1u) ? (crc >> 1) ^ 0xEDB88320ul : crc >> 1;
    }
    return crc;
}

uint32_t lm_crc32(const uint8_t *data, uint16_t length)
{
    uint32_t crc = LM_CRC32_START;
    for (uint16_t i = 0; i < length; i++) {
        crc = lm_crc32_byte(crc, data[i]);
    }
    return ~crc;
}
