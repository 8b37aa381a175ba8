/* Servo supply on ADC0 through 47k over 5k6, against the 1.1 V reference (within 10 % from chip to chip).
 *
 * Whether the divider is fitted is tried once at start: with the pin's pull-up on, an open pin reads the supply itself. */
#include <util/delay.h>

#include "hardware.h"
#include "lm_port.h"

#define FULL_SCALE_MV 10332ul /* 1100 mV * (47 + 5.6) / 5.6 */
#define OPEN_READING 900u     /* of 1023, against AVCC with the pull-up on; a fitted divider stays below 500 */

static uint8_t fitted;

static uint16_t convert(uint8_t reference)
{
    ADMUX = reference;
    ADCSRA = _BV(ADEN) | _BV(ADSC) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0); /* 125 kHz: 0.1 ms, the first 0.2 ms */
    while (ADCSRA & _BV(ADSC)) {
        /* short beside the 1 ms that the main loop may take */
    }
    return ADC;
}

void supply_start(void)
{
    PORTC |= _BV(PORTC0);
    _delay_us(50);
    fitted = convert(_BV(REFS0)) < OPEN_READING;
    PORTC &= (uint8_t)~_BV(PORTC0);
    (void)convert(_BV(REFS1) | _BV(REFS0)); /* lets the reference settle */
}

uint16_t lm_port_supply_mv(void)
{
    return fitted ? (uint16_t)((convert(_BV(REFS1) | _BV(REFS0)) * FULL_SCALE_MV) >> 10) : LM_SUPPLY_ABSENT;
}
