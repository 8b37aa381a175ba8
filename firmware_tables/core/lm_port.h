/* The hardware as the core sees it. Five callbacks; the port hands `context` back to each. */
#ifndef LM_PORT_H
#define LM_PORT_H
#include <stdint.h>

#define LM_SUPPLY_ABSENT 0xFFFFu

struct lm_port {
    void *context;
    /* Storage bytes at 0..LM_STORE_BYTES-1. Reads are asked for only while not busy. */
    uint8_t (*storage_read)(void *context, uint16_t address);
    /* Start writing one byte; called only while not busy. */
    void (*storage_write)(void *context, uint16_t address, uint8_t byte);
    uint8_t (*storage_busy)(void *context);
    /* Servo supply in mV, LM_SUPPLY_ABSENT where it is not measured. */
    uint16_t (*supply_mv)(void *context);
};

#endif
