/* Timer 1: steering pulse by input capture, servo pulses by the compare hardware, frames by the same compare A.
 *
 * The timer runs free at 16 MHz (a tick is 1/16 us) and wraps every 4.096 ms, so a frame of 20 ms is walked in steps of 4 ms
 * at most. The compare hardware itself raises and drops the pins: interrupts only arm the next edge, so what delays an
 * interrupt never shows in a pulse. */
#include <avr/interrupt.h>
#include <util/atomic.h>

#include "hardware.h"

#define MS 16000u /* ticks */
#define FRAME_TICKS ((uint16_t)(20ul * MS)) /* modulo the timer's 65536 */
#define NUDGE_TICKS (MS / 5u * 2u) /* 0.4 ms: a frame is 20 ms within 2 % */

#define STEERING_PIN _BV(PINB0)
#define AMOUNT_PIN _BV(PIND2)
#define A_ON_MATCH (_BV(COM1A1) | _BV(COM1A0))
#define B_ON_MATCH (_BV(COM1B1) | _BV(COM1B0))
#define TOO_LONG 0xFFFFu /* stands for 4.096 ms and more, which nothing accepts */

/* Registers that interrupts reach in one cycle. */
#define WRAPS GPIOR0 /* overflows of timer 1 */
#define STEP GPIOR1  /* where in the frame compare A stands */
enum { RISE, FALL, AT_4_MS, AT_7_MS, AT_10_MS, AT_13_MS, AT_16_MS, AT_19_MS }; /* the next match */

static volatile uint16_t steer_start, steer_ticks, amount_start, amount_ticks;
static volatile uint8_t steer_start_wraps, steer_step, amount_start_wraps;
static volatile uint16_t width[2];
static volatile uint8_t drive;     /* TCCR1A for the next frame: which outputs rise */
static volatile uint16_t frame_at = 1; /* timer at the frame's start; odd, for simavr never matches 0 */
static volatile uint16_t frame_step = FRAME_TICKS;

void pulses_start(void)
{
    DDRB |= _BV(DDB1) | _BV(DDB2);
    PORTB |= STEERING_PIN; /* pull-ups: a lead that is off must not pick up noise */
    PORTD |= AMOUNT_PIN;
    EICRA = _BV(ISC00); /* INT0 at both edges */
    EIMSK = _BV(INT0);
    STEP = AT_16_MS;
    OCR1A = 3u * MS + 1u;
    TCCR1B = _BV(ICNC1) | _BV(ICES1) | _BV(CS10);
    TIMSK1 = _BV(ICIE1) | _BV(TOIE1) | _BV(OCIE1A) | _BV(OCIE1B);
}

ISR(TIMER1_OVF_vect)
{
    WRAPS++;
}

/* Wraps when the timer stood at `at`, with an overflow perhaps not counted yet. */
static inline uint8_t wraps_at(uint16_t at)
{
    uint8_t wraps = WRAPS;
    if ((TIFR1 & _BV(TOV1)) && !(at & 0x8000u)) {
        wraps++;
    }
    return wraps;
}

static inline uint16_t ticks_between(uint16_t start, uint8_t start_wraps, uint16_t end, uint8_t end_wraps)
{
    uint8_t whole = (uint8_t)(end_wraps - start_wraps);
    if (end < start) {
        whole--;
    }
    return whole ? TOO_LONG : end - start;
}

static inline void turn_edge(void)
{
    TCCR1B ^= _BV(ICES1);
    TIFR1 = _BV(ICF1); /* turning the edge may raise the flag */
}

ISR(TIMER1_CAPT_vect)
{
    uint16_t at = ICR1;
    uint8_t wraps = wraps_at(at);
    uint8_t rise = TCCR1B & _BV(ICES1);
    turn_edge();
    if (rise) {
        steer_start = at;
        steer_start_wraps = wraps;
        if (!(PINB & STEERING_PIN)) {
            turn_edge(); /* a glitch that is over already: its fall will not be captured */
        }
        return;
    }
    steer_ticks = ticks_between(steer_start, steer_start_wraps, at, wraps);
    steer_step = STEP;
    EVENTS |= EVENT_STEER;
}

ISR(INT0_vect)
{
    uint16_t at = TCNT1;
    uint8_t wraps = wraps_at(at);
    if (PIND & AMOUNT_PIN) {
        amount_start = at;
        amount_start_wraps = wraps;
    } else {
        amount_ticks = ticks_between(amount_start, amount_start_wraps, at, wraps);
        EVENTS |= EVENT_AMOUNT;
    }
}

ISR(TIMER1_COMPA_vect)
{
    uint8_t step = STEP;
    STEP = (uint8_t)(step + 1u);
    if (step == RISE) {
        TCCR1A &= (uint8_t)~_BV(COM1A0); /* drop at the next match; no effect on an output that is off */
        OCR1A = frame_at + width[0];
    } else if (step == FALL) {
        TCCR1A &= (uint8_t)~A_ON_MATCH;
        OCR1A = frame_at + 4u * MS;
    } else if (step != AT_19_MS) {
        OCR1A += 3u * MS;
    } else {
        uint16_t at = frame_at + frame_step;
        frame_at = at;
        STEP = RISE;
        /* An old match may be near: move it away before it is given the pin. */
        OCR1B = at;
        OCR1A = at;
        TCCR1A = drive;
        EVENTS |= EVENT_FRAME;
    }
}

ISR(TIMER1_COMPB_vect)
{
    if (TCCR1A & _BV(COM1B0)) {
        TCCR1A &= (uint8_t)~_BV(COM1B0);
        OCR1B = frame_at + width[1];
    } else {
        TCCR1A &= (uint8_t)~B_ON_MATCH; /* again at every wrap until the next frame, to no effect */
    }
}

static uint16_t eighths(const volatile uint16_t *ticks)
{
    uint16_t now;
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        now = *ticks;
    }
    return now >> 1;
}

uint16_t pulses_steer(void)
{
    return eighths(&steer_ticks);
}

uint16_t pulses_amount(void)
{
    return eighths(&amount_ticks);
}

void pulses_send(const uint16_t *out)
{
    uint8_t next = 0;
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        /* An output that goes off keeps its width: its last pulse may be under way. */
        if (out[0] != 0) {
            width[0] = out[0] << 1;
            next = A_ON_MATCH;
        }
        if (out[1] != 0) {
            width[1] = out[1] << 1;
            next |= B_ON_MATCH;
        }
        drive = next;
    }
}

/* Steering pulses are wanted to end 13 to 16 ms into a frame, three to six before the outputs are worked out. */
void pulses_follow(void)
{
    uint16_t step = FRAME_TICKS;
    if (steer_step >= AT_7_MS && steer_step <= AT_13_MS) {
        step -= NUDGE_TICKS;
    } else if (steer_step != AT_16_MS) {
        step += NUDGE_TICKS;
    }
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        frame_step = step;
    }
}
