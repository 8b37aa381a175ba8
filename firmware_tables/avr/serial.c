/* 115200 8N1. At 16 MHz the nearest rate is 117647, 2.1 % high: within what both ends allow.
 *
 * Receiving goes through a ring, since the main loop may be away for a millisecond. Sending needs none: a reply that pauses
 * between bytes is still a reply. */
#include <avr/interrupt.h>

#include "hardware.h"

#define RX_SIZE 64u

static volatile uint8_t rx[RX_SIZE];
static volatile uint8_t rx_head, rx_tail;

void serial_start(void)
{
    PORTD |= _BV(PORTD0); /* pull-up: an open line is an idle line */
    UCSR0A = _BV(U2X0);
    UBRR0 = 16;
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
}

ISR(USART_RX_vect)
{
    uint8_t byte = UDR0; /* bytes with errors go on to the frame's CRC */
    uint8_t head = rx_head;
    uint8_t next = (head + 1u) % RX_SIZE;
    if (next != rx_tail) {
        rx[head] = byte;
        rx_head = next;
    }
}

uint8_t serial_received(uint8_t *byte)
{
    uint8_t tail = rx_tail;
    if (tail == rx_head) {
        return 0;
    }
    *byte = rx[tail];
    rx_tail = (tail + 1u) % RX_SIZE;
    return 1;
}

uint8_t serial_room(void)
{
    return UCSR0A & _BV(UDRE0);
}

void serial_send(uint8_t byte)
{
    UDR0 = byte;
}
