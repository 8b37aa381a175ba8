/* The EEPROM's first 512 bytes. A write takes 3.4 ms by itself; its interrupt says when the next may start. */
#include <avr/interrupt.h>
#include <util/atomic.h>

#include "hardware.h"
#include "lm_port.h"

ISR(EE_READY_vect)
{
    EECR &= (uint8_t)~_BV(EERIE);
}

uint8_t lm_port_busy(void)
{
    return EECR & _BV(EERIE); /* set with every write, cleared by its interrupt */
}

uint8_t lm_port_read(uint16_t address)
{
    while (EECR & _BV(EEPE)) {
        /* the core asks only when not busy; but a reset may have come in the middle of a write */
    }
    EEAR = address;
    EECR |= _BV(EERE);
    return EEDR;
}

void lm_port_write(uint16_t address, uint8_t byte)
{
    EEAR = address;
    EEDR = byte;
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        /* EEPE within four cycles of EEMPE, and erase and write in one go (EEPM = 0) */
        EECR = _BV(EEMPE);
        EECR |= _BV(EEPE);
    }
    EECR |= _BV(EERIE);
}
