/* CRCs by their RevEng catalogue names. Bit-serial free, table free: small enough for 8-bit boards. */
#ifndef LM_CRC_H
#define LM_CRC_H
#include <stdint.h>

#define LM_CRC16_START 0xFFFFu
#define LM_CRC32_START 0xFFFFFFFFul

/* CRC-16/IBM-3740: poly 1021, init FFFF, not reflected, no final xor. Over data then CRC (high byte first) it gives 0. */
uint16_t lm_crc16_byte(uint16_t crc, uint8_t byte);

/* CRC-32/ISO-HDLC, running value: start from LM_CRC32_START and invert at the end. */
uint32_t lm_crc32_byte(uint32_t crc, uint8_t byte);

/* CRC-32/ISO-HDLC of a whole buffer. */
uint32_t lm_crc32(const uint8_t *data, uint16_t length);

#endif
