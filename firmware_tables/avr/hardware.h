/* The ATmega328P board, 16 MHz: pins, and what main.c asks of each piece of hardware.
 *
 *   PB0 ICP1  in   steering pulse          PD0 RXD  in   serial
 *   PB1 OC1A  out  servo 1                 PD1 TXD  out  serial
 *   PB2 OC1B  out  servo 2                 PD2 INT0 in   lean amount pulse
 *   PB5       out  status LED              PC0 ADC0 in   servo supply through 47k over 5k6
 */
#ifndef HARDWARE_H
#define HARDWARE_H
#include <avr/io.h>
#include <stdint.h>

/* What happened since the main loop last looked: set by interrupts in a register they reach in one cycle. */
#define EVENTS GPIOR2
#define EVENT_FRAME 0x01u
#define EVENT_STEER 0x02u
#define EVENT_AMOUNT 0x04u

/* pulses.c */
void pulses_start(void);
uint16_t pulses_steer(void);  /* last steering pulse, 1/8 us */
uint16_t pulses_amount(void); /* last pulse of the second input, 1/8 us */
void pulses_send(const uint16_t *out); /* two pulses, 1/8 us, from the coming frame on; 0 = none */
void pulses_follow(void);     /* in a frame with a pulse: draw the frames' phase towards the receiver's */

/* serial.c */
void serial_start(void);
uint8_t serial_received(uint8_t *byte);
uint8_t serial_room(void);
void serial_send(uint8_t byte);

/* supply.c; storage.c and the reading are lm_port.h's */
void supply_start(void);

#endif
