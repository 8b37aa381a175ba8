/* An ATmega328P from libsimavr as a shared library for ctypes: pins, serial line, EEPROM and ADC by the cycle.
 *
 * Events wait in a queue of our own, because any reset empties the emulator's list of timers. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/sim_avr.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_timer.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_interrupts.h>
#include <simavr/sim_time.h>

#define VECTORS 26
#define MCUSR_AT 0x54
#define PORTB_AT 0x25
#define TIFR1_AT 0x36
#define TCCR1A_AT 0x80
#define EECR_AT 0x3F
#define EEDR_AT 0x40
#define EEAR_AT 0x41
#define EEPE 0x02
#define EEPROM_BYTES 1024
#define NEVER UINT64_MAX
#define PAINT 0xA5

struct event {
    uint64_t cycle;
    uint8_t kind; /* 'B' and 'D': a port's pin; 'U': serial byte in */
    uint8_t pin;
    uint8_t value;
};

struct record {
    uint64_t cycle;
    uint8_t pin;
    uint8_t value;
};

struct emulator {
    avr_t *avr;
    struct event *events;
    size_t event_count, event_next, event_room;
    struct record *edges;
    size_t edge_count, edge_room;
    struct record *sent;
    size_t sent_count, sent_room;
    void (*core_reset)(avr_t *avr);
    uint64_t entered[VECTORS];
    uint32_t longest[VECTORS];
    uint32_t runs[VECTORS];
    uint32_t resets;
    uint8_t shadow[EEPROM_BYTES]; /* the EEPROM as it was, for simavr changes it at once */
    uint64_t writes, cut_at;
    uint8_t tear, tear_byte, cut;
    uint8_t connected[2], compare[2], shown[2]; /* the two compare outputs, and their pins */
    uint8_t driven[2], level[2]; /* pins of B and D that something outside drives */
};

static struct emulator *the_one; /* simavr's reset hook has no parameter of ours; one emulator at a time */

static void *grown(void *array, size_t count, size_t *room, size_t size)
{
    if (count < *room) {
        return array;
    }
    *room = *room ? *room * 2 : 1024;
    return realloc(array, *room * size);
}

static void note(struct record **to, size_t *count, size_t *room, uint64_t cycle, uint8_t pin, uint8_t value)
{
    *to = grown(*to, *count, room, sizeof **to);
    (*to)[(*count)++] = (struct record){cycle, pin, value};
}

/* simavr lets a write to the port reach a pin that the compare hardware has; the chip does not. So the two servo pins are
 * worked out here from the compare outputs themselves. */
static void show(struct emulator *e, uint8_t i)
{
    uint8_t pin = i + 1u;
    uint8_t level = e->connected[i] ? e->compare[i] : e->avr->data[PORTB_AT] >> pin & 1u;
    if (level != e->shown[i]) {
        e->shown[i] = level;
        note(&e->edges, &e->edge_count, &e->edge_room, e->avr->cycle, pin, level);
    }
}

static void on_compare(struct avr_irq_t *irq, uint32_t value, void *param)
{
    struct emulator *e = param;
    uint8_t i = (uint8_t)(irq->irq - TIMER_IRQ_OUT_COMP);
    /* Also raised as the timer wraps or is set anew, as if it made PWM: a match sets only in mode 3, clears only in mode 2. */
    if (e->connected[i] == (value & 1u ? 3 : 2)) {
        e->compare[i] = value & 1u;
        show(e, i);
    }
}

static void on_tccr1a(struct avr_irq_t *irq, uint32_t value, void *param)
{
    struct emulator *e = param;
    (void)irq;
    e->connected[0] = value >> 6 & 3u;
    e->connected[1] = value >> 4 & 3u;
    show(e, 0);
    show(e, 1);
}

/* simavr clears every pending flag of the timer when any is cleared; the chip only those written as one. */
static void on_tifr1(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    static const struct {
        uint8_t vector, flag;
    } flags[] = {{10, 5}, {11, 1}, {12, 2}, {13, 0}};
    (void)address;
    (void)param;
    for (size_t f = 0; f < sizeof flags / sizeof flags[0]; f++) {
        for (uint8_t i = 0; i < avr->interrupts.vector_count && value >> flags[f].flag & 1u; i++) {
            if (avr->interrupts.vector[i]->vector == flags[f].vector) {
                avr_clear_interrupt(avr, avr->interrupts.vector[i]);
            }
        }
    }
}

static void on_edge(struct avr_irq_t *irq, uint32_t value, void *param)
{
    struct emulator *e = param;
    if (irq->irq == 1 || irq->irq == 2) {
        return; /* the servo pins: see show() */
    }
    note(&e->edges, &e->edge_count, &e->edge_room, e->avr->cycle, (uint8_t)irq->irq, (uint8_t)(value & 1u));
}

static void on_sent(struct avr_irq_t *irq, uint32_t value, void *param)
{
    struct emulator *e = param;
    (void)irq;
    note(&e->sent, &e->sent_count, &e->sent_room, e->avr->cycle, 0, (uint8_t)value);
}

static void on_vector(struct avr_irq_t *irq, uint32_t value, void *param)
{
    struct emulator *e = the_one;
    uint8_t vector = (uint8_t)(uintptr_t)param;
    (void)irq;
    if (value) {
        e->entered[vector] = e->avr->cycle;
        e->runs[vector]++;
    } else {
        uint32_t took = (uint32_t)(e->avr->cycle - e->entered[vector]);
        if (took > e->longest[vector]) {
            e->longest[vector] = took;
        }
    }
}

/* Five things a byte can hold after the power went while it was being written. */
static uint8_t torn(const struct emulator *e, uint8_t old, uint8_t byte)
{
    switch (e->tear) {
    case 1:
        return 0xFF;
    case 2:
        return e->tear_byte;
    case 3:
        return old & byte;
    case 4:
        return old | byte;
    default:
        return old;
    }
}

static uint8_t *eeprom_of(struct emulator *e)
{
    avr_eeprom_desc_t desc = {.ee = NULL, .offset = 0, .size = 1};
    avr_ioctl(e->avr, AVR_IOCTL_EEPROM_GET, &desc);
    return desc.ee;
}

static void on_eecr(struct avr_irq_t *irq, uint32_t value, void *param)
{
    struct emulator *e = param;
    (void)irq;
    if (!(value & EEPE)) {
        return;
    }
    uint16_t at = (uint16_t)((e->avr->data[EEAR_AT] | e->avr->data[EEAR_AT + 1] << 8) % EEPROM_BYTES);
    if (e->writes++ == e->cut_at) {
        eeprom_of(e)[at] = torn(e, e->shadow[at], e->avr->data[EEDR_AT]);
        e->cut = 1;
    }
    e->shadow[at] = eeprom_of(e)[at];
}

static void happen(struct emulator *e, const struct event *event)
{
    if (event->kind == 'U') {
        avr_raise_irq(avr_io_getirq(e->avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT), event->value);
        return;
    }
    /* A driven pin must be held, or the program's next write to its port sets it to the pull-up again. */
    uint8_t port = event->kind == 'D';
    uint8_t bit = (uint8_t)(1u << event->pin);
    e->driven[port] |= bit;
    e->level[port] = (uint8_t)((e->level[port] & ~bit) | (event->value ? bit : 0));
    avr_ioport_external_t held = {.name = event->kind, .mask = e->driven[port], .value = e->level[port]};
    avr_ioctl(e->avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(event->kind), &held);
    avr_raise_irq(avr_io_getirq(e->avr, AVR_IOCTL_IOPORT_GETIRQ(event->kind), event->pin), event->value);
}

static avr_cycle_count_t on_event(struct avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct emulator *e = param;
    (void)when;
    while (e->event_next < e->event_count && e->events[e->event_next].cycle <= avr->cycle) {
        happen(e, &e->events[e->event_next++]);
    }
    return e->event_next < e->event_count ? e->events[e->event_next].cycle : 0;
}

static void arm(struct emulator *e)
{
    avr_cycle_timer_cancel(e->avr, on_event, e);
    if (e->event_next < e->event_count) {
        uint64_t at = e->events[e->event_next].cycle;
        uint64_t now = e->avr->cycle;
        avr_cycle_timer_register(e->avr, at > now ? at - now : 1, on_event, e);
    }
}

static void on_reset(avr_t *avr)
{
    the_one->resets++;
    if (the_one->core_reset) {
        the_one->core_reset(avr);
    }
}

static void no_sleep(avr_t *avr, avr_cycle_count_t how_long)
{
    (void)avr;
    (void)how_long;
}

static void silent(avr_t *avr, const int level, const char *format, va_list ap)
{
    (void)avr;
    (void)level;
    (void)format;
    (void)ap;
}

struct emulator *emu_new(const uint8_t *flash, size_t length, const uint8_t *eeprom, size_t eeprom_length)
{
    struct emulator *e = calloc(1, sizeof *e);
    avr_global_logger_set(silent);
    e->avr = avr_make_mcu_by_name("atmega328p");
    if (!e->avr) {
        free(e);
        return NULL;
    }
    the_one = e;
    avr_init(e->avr);
    e->avr->frequency = 16000000;
    e->avr->vcc = e->avr->avcc = e->avr->aref = 5000;
    e->avr->sleep = no_sleep;
    e->core_reset = e->avr->reset;
    e->avr->reset = on_reset;
    memcpy(e->avr->flash, flash, length);
    e->avr->codeend = (uint32_t)length;
    memset(e->avr->data + 0x100, PAINT, e->avr->ramend + 1u - 0x100u);
    avr_eeprom_desc_t desc = {.ee = (uint8_t *)eeprom, .offset = 0, .size = (uint32_t)eeprom_length};
    avr_ioctl(e->avr, AVR_IOCTL_EEPROM_SET, &desc);
    memcpy(e->shadow, eeprom, eeprom_length < EEPROM_BYTES ? eeprom_length : EEPROM_BYTES);
    e->cut_at = NEVER;
    avr_irq_register_notify(avr_iomem_getirq(e->avr, EECR_AT, NULL, AVR_IOMEM_IRQ_ALL), on_eecr, e);
    for (uint8_t pin = 0; pin < 8; pin++) {
        avr_irq_register_notify(avr_io_getirq(e->avr, AVR_IOCTL_IOPORT_GETIRQ('B'), pin), on_edge, e);
    }
    for (uint8_t i = 0; i < 2; i++) {
        avr_irq_register_notify(avr_io_getirq(e->avr, AVR_IOCTL_TIMER_GETIRQ('1'), TIMER_IRQ_OUT_COMP + i), on_compare, e);
    }
    avr_irq_register_notify(avr_iomem_getirq(e->avr, TCCR1A_AT, NULL, AVR_IOMEM_IRQ_ALL), on_tccr1a, e);
    e->avr->io[AVR_DATA_TO_IO(TIFR1_AT)].w.c = on_tifr1;
    uint32_t flags = 0;
    avr_ioctl(e->avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= ~(uint32_t)AVR_UART_FLAG_STDIO;
    flags &= ~(uint32_t)AVR_UART_FLAG_POLL_SLEEP;
    avr_ioctl(e->avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(e->avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_sent, e);
    for (uintptr_t v = 1; v < VECTORS; v++) {
        avr_irq_t *irq = avr_get_interrupt_irq(e->avr, (uint8_t)v);
        if (irq) {
            avr_irq_register_notify(irq + AVR_INT_IRQ_RUNNING, on_vector, (void *)v);
        }
    }
    e->avr->data[MCUSR_AT] = 1; /* PORF */
    return e;
}

void emu_free(struct emulator *e)
{
    avr_terminate(e->avr);
    free(e->avr);
    free(e->events);
    free(e->edges);
    free(e->sent);
    free(e);
}

uint64_t emu_cycle(const struct emulator *e)
{
    return e->avr->cycle;
}

/* Events, each list in order of time. */
void emu_queue(struct emulator *e, const uint64_t *cycle, const uint8_t *kind, const uint8_t *pin, const uint8_t *value,
               size_t count)
{
    for (size_t i = 0; i < count; i++) {
        e->events = grown(e->events, e->event_count, &e->event_room, sizeof *e->events);
        size_t at = e->event_count++;
        for (; at > e->event_next && e->events[at - 1].cycle > cycle[i]; at--) {
            e->events[at] = e->events[at - 1];
        }
        e->events[at] = (struct event){cycle[i], kind[i], pin[i], value[i]};
    }
    arm(e);
}

void emu_forget(struct emulator *e)
{
    e->event_count = e->event_next = 0;
}

/* Nonzero if the processor stopped or crashed. Stops early where the power was cut. */
int emu_run(struct emulator *e, uint64_t until)
{
    uint32_t resets = e->resets;
    while (e->avr->cycle < until && !e->cut) {
        int state = avr_run(e->avr);
        if (state == cpu_Done || state == cpu_Crashed) {
            return state;
        }
        if (resets != e->resets) {
            resets = e->resets;
            arm(e);
        }
    }
    return 0;
}

/* A reset with these MCUSR flags; memory stays unless the power went (bit 0). */
void emu_reset(struct emulator *e, uint8_t flags)
{
    avr_reset(e->avr);
    if (flags & 1u) {
        memset(e->avr->data + 0x100, PAINT, e->avr->ramend + 1u - 0x100u);
    }
    e->avr->data[MCUSR_AT] = flags;
    arm(e);
}

void emu_supply(struct emulator *e, uint8_t channel, uint32_t mv)
{
    avr_raise_irq(avr_io_getirq(e->avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0 + channel), mv);
}

uint8_t *emu_eeprom(struct emulator *e)
{
    return eeprom_of(e);
}

/* Cut the power in a coming EEPROM write: 0 = the next. */
void emu_cut(struct emulator *e, uint64_t after_writes, uint8_t tear, uint8_t byte)
{
    e->cut_at = e->writes + after_writes;
    e->tear = tear;
    e->tear_byte = byte;
}

int emu_is_cut(const struct emulator *e)
{
    return e->cut;
}

uint64_t emu_writes(const struct emulator *e)
{
    return e->writes;
}

/* Make the program hang where it stands, or let it go on. */
void emu_hang(struct emulator *e, int hang)
{
    static uint8_t kept[2];
    static uint32_t at;
    if (hang) {
        at = e->avr->pc;
        memcpy(kept, e->avr->flash + at, 2);
        e->avr->flash[at] = 0xFF; /* rjmp to itself */
        e->avr->flash[at + 1] = 0xCF;
    } else {
        memcpy(e->avr->flash + at, kept, 2);
    }
}

uint8_t *emu_data(struct emulator *e)
{
    return e->avr->data;
}

uint32_t emu_resets(const struct emulator *e)
{
    return e->resets;
}

uint32_t emu_longest(const struct emulator *e, uint8_t vector)
{
    return e->longest[vector];
}

uint32_t emu_runs(const struct emulator *e, uint8_t vector)
{
    return e->runs[vector];
}

/* Deepest the stack has been since the power came: lowest address above `from` that lost its paint. */
uint16_t emu_stack_low(const struct emulator *e, uint16_t from)
{
    uint16_t at = from;
    while (at <= e->avr->ramend && e->avr->data[at] == PAINT) {
        at++;
    }
    return at;
}

static size_t taken(struct record *records, size_t *count, uint64_t *cycle, uint8_t *pin, uint8_t *value, size_t room)
{
    size_t n = *count < room ? *count : room;
    for (size_t i = 0; i < n; i++) {
        cycle[i] = records[i].cycle;
        pin[i] = records[i].pin;
        value[i] = records[i].value;
    }
    memmove(records, records + n, (*count - n) * sizeof *records);
    *count -= n;
    return n;
}

size_t emu_edges(struct emulator *e, uint64_t *cycle, uint8_t *pin, uint8_t *value, size_t room)
{
    return e->edge_count ? taken(e->edges, &e->edge_count, cycle, pin, value, room) : 0;
}

size_t emu_sent(struct emulator *e, uint64_t *cycle, uint8_t *pin, uint8_t *value, size_t room)
{
    return e->sent_count ? taken(e->sent, &e->sent_count, cycle, pin, value, room) : 0;
}

/* Run until the program counter (bytes) gets to `pc`; 0 if it did within `limit` cycles. */
int emu_run_to(struct emulator *e, uint32_t pc, uint64_t limit)
{
    uint64_t end = e->avr->cycle + limit;
    e->avr->run_cycle_limit = 1;
    while (e->avr->pc != pc && e->avr->cycle < end) {
        avr_run(e->avr);
    }
    return e->avr->pc != pc;
}
