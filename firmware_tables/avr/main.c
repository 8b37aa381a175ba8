/* The ATmega328P board: start, why it started, the main loop, the LED. */
#include <avr/interrupt.h>
#include <avr/wdt.h>
#include <util/atomic.h>

#include "hardware.h"
#include "lm_board.h"

#define COUNTERS_MARK 0x6C6Du /* memory holds this while the counters in it are ours */

static struct lm_board board;
static struct lm_identity identity = {{VERSION, BUILD, LM_KIND_ATMEGA328P}, LM_RESET_POWER};

/* Not cleared at start, so that resets can be counted; only a loss of power loses them. */
static struct lm_counters counters __attribute__((section(".noinit")));
static uint16_t counters_mark __attribute__((section(".noinit")));
static uint8_t reset_flags __attribute__((section(".noinit")));

/* Before the C start-up: the watchdog may still be running from the reset it caused. */
void keep_reset_flags(void) __attribute__((naked, used, section(".init3")));
void keep_reset_flags(void)
{
    reset_flags = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

/* MCUSR's bits stand in the order of enum lm_reset; the first that is set names the cause. */
static uint8_t reset_cause(void)
{
    uint8_t flags = reset_flags;
    uint8_t cause = LM_RESET_POWER;
    if (flags == 0) {
        return LM_RESET_EXTERNAL; /* a boot loader cleared them */
    }
    while (!(flags & 1u)) {
        flags >>= 1;
        cause++;
    }
    return cause;
}

/* On: steering followed. Short flash: failsafe. Slow: no image. Fast: moved by jog or bind search. */
static void show(void)
{
    uint8_t frames = (uint8_t)board.frames;
    uint8_t on = 1;
    if (board.mode != LM_MODE_MIX) {
        on = frames & 4u;
    } else if (!board.has_image) {
        on = frames & 32u;
    } else if (board.mix.flags & LM_MIX_FAILSAFE) {
        on = (frames & 63u) < 4u;
    }
    if (on) {
        PORTB |= _BV(PORTB5);
    } else {
        PORTB &= (uint8_t)~_BV(PORTB5);
    }
}

static void frame(void)
{
    if (board.steer != LM_NO_PULSE) {
        pulses_follow();
    }
    lm_board_frame(&board);
    pulses_send(board.mix.out);
    show();
    wdt_reset(); /* fed only while frames go by */
}

static void talk(void)
{
    uint8_t byte = 0;
    lm_board_poll(&board);
    if (lm_board_takes(&board) && serial_received(&byte)) {
        lm_board_take(&board, byte);
    }
    while (serial_room() && lm_board_give(&board, &byte)) {
        serial_send(byte);
    }
}

int main(void) __attribute__((OS_main));
int main(void)
{
    DDRB = _BV(DDB5);
    identity.reset_cause = reset_cause();
    if (identity.reset_cause == LM_RESET_POWER || counters_mark != COUNTERS_MARK) {
        counters = (struct lm_counters){{0}};
        counters_mark = COUNTERS_MARK;
    }
    serial_start();
    supply_start();
    lm_board_start(&board, 0, &identity, &counters);
    lm_count(&board, identity.reset_cause);
    pulses_send(board.mix.out);
    pulses_start();
    wdt_enable(WDTO_120MS);
    sei();
    for (;;) {
        uint8_t events;
        ATOMIC_BLOCK(ATOMIC_FORCEON)
        {
            events = EVENTS;
            EVENTS = 0;
        }
        if (events & EVENT_STEER) {
            lm_board_steer(&board, pulses_steer());
        }
        if (events & EVENT_AMOUNT) {
            lm_board_amount(&board, pulses_amount());
        }
        if (events & EVENT_FRAME) {
            frame();
        }
        talk();
    }
}
