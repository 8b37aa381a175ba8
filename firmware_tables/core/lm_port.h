/* The hardware as the core sees it: four callbacks, to which the port's own `context` is handed back.
 *
 * A port with one board for ever may define LM_PORT_FIXED and the four functions lm_port_... by name instead: smaller code. */
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

#ifdef LM_PORT_FIXED
uint8_t lm_port_read(uint16_t address);
void lm_port_write(uint16_t address, uint8_t byte);
uint8_t lm_port_busy(void);
uint16_t lm_port_supply_mv(void);
#define LM_READ(port, address) ((void)(port), lm_port_read(address))
#define LM_WRITE(port, address, byte) ((void)(port), lm_port_write(address, byte))
#define LM_BUSY_NOW(port) ((void)(port), lm_port_busy())
#define LM_SUPPLY(port) ((void)(port), lm_port_supply_mv())
#else
#define LM_READ(port, address) ((port)->storage_read((port)->context, address))
#define LM_WRITE(port, address, byte) ((port)->storage_write((port)->context, address, byte))
#define LM_BUSY_NOW(port) ((port)->storage_busy((port)->context))
#define LM_SUPPLY(port) ((port)->supply_mv((port)->context))
#endif

#endif
