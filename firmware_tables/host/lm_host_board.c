/* A board in memory: the portable core over a byte array, in simulated time, whose power can be cut at any write. */
#include <string.h>

#include "lm_board.h"
#include "lm_bytes.h"
#include "lm_host.h"

#define NEVER UINT64_MAX

/* Five things a byte can hold after the power went while it was being written. */
enum tear { TEAR_NONE = 0, TEAR_ONES = 1, TEAR_RANDOM = 2, TEAR_AND = 3, TEAR_OR = 4 };

struct lmh_board {
    struct lm_board board;
    struct lm_port port;
    struct lm_identity identity;
    struct lm_counters counters;
    uint8_t storage[LM_STORE_BYTES];
    uint64_t writes;     /* storage writes begun since the board was made */
    uint64_t cut_at;     /* the write that the power fails in, NEVER = it does not */
    uint32_t write_us;   /* how long a storage byte takes */
    uint32_t busy_us;
    uint32_t frame_us;   /* to the next frame */
    uint16_t supply_mv;
    uint8_t tear;
    uint8_t tear_byte;   /* for TEAR_RANDOM */
    uint8_t dead;        /* power gone */
    uint8_t stuck;       /* storage takes no writes: worn out */
};

static uint8_t storage_read(void *context, uint16_t address)
{
    const struct lmh_board *h = context;
    return address < LM_STORE_BYTES ? h->storage[address] : 0xFF;
}

static uint8_t torn(const struct lmh_board *h, uint8_t old, uint8_t new)
{
    switch (h->tear) {
    case TEAR_ONES:
        return 0xFF;
    case TEAR_RANDOM:
        return h->tear_byte;
    case TEAR_AND:
        return old & new;
    case TEAR_OR:
        return old | new;
    default:
        return old;
    }
}

static void storage_write(void *context, uint16_t address, uint8_t byte)
{
    struct lmh_board *h = context;
    uint64_t number = h->writes++;
    if (h->dead || address >= LM_STORE_BYTES) {
        return;
    }
    if (number == h->cut_at) {
        h->storage[address] = torn(h, h->storage[address], byte);
        h->dead = 1;
        return;
    }
    if (!h->stuck) {
        h->storage[address] = byte;
    }
    h->busy_us = h->write_us;
}

static uint8_t storage_busy(void *context)
{
    const struct lmh_board *h = context;
    return h->busy_us > 0;
}

static uint16_t supply_mv(void *context)
{
    const struct lmh_board *h = context;
    return h->supply_mv;
}

LM_API size_t lmh_board_bytes(void)
{
    return sizeof(struct lmh_board);
}

LM_API size_t lmh_storage_bytes(void)
{
    return LM_STORE_BYTES;
}

/* Power up over what the storage holds; `cause` is an enum lm_reset. Counters start anew on LM_RESET_POWER only. */
LM_API void lmh_board_power(struct lmh_board *h, uint8_t cause)
{
    if (cause == LM_RESET_POWER) {
        memset(&h->counters, 0, sizeof h->counters);
    }
    h->identity.reset_cause = cause & 3u;
    h->dead = 0;
    h->cut_at = NEVER;
    h->busy_us = 0;
    h->frame_us = LM_FRAME_US;
    memset(&h->board, 0, sizeof h->board);
    lm_board_start(&h->board, &h->port, &h->identity, &h->counters);
    lm_count(&h->board, cause & 3u);
}

LM_API void lmh_board_make(struct lmh_board *h, const uint8_t *storage, uint8_t kind, uint32_t build,
                           const uint8_t *version, uint32_t write_us)
{
    memset(h, 0, sizeof *h);
    memcpy(h->storage, storage, LM_STORE_BYTES);
    memcpy(h->identity.about, version, 3);
    lm_put32(h->identity.about + 3, build);
    h->identity.about[LM_ABOUT_KIND] = kind;
    h->write_us = write_us;
    h->supply_mv = LM_SUPPLY_ABSENT;
    h->port = (struct lm_port){h, storage_read, storage_write, storage_busy, supply_mv};
    lmh_board_power(h, LM_RESET_POWER);
}

LM_API void lmh_board_cut(struct lmh_board *h, uint64_t after_writes, uint8_t tear, uint8_t tear_byte)
{
    h->cut_at = h->writes + after_writes;
    h->tear = tear;
    h->tear_byte = tear_byte;
}

LM_API void lmh_board_supply(struct lmh_board *h, uint16_t mv)
{
    h->supply_mv = mv;
}

LM_API void lmh_board_stuck(struct lmh_board *h, uint8_t stuck)
{
    h->stuck = stuck;
}

LM_API uint64_t lmh_board_writes(const struct lmh_board *h)
{
    return h->writes;
}

LM_API uint8_t lmh_board_dead(const struct lmh_board *h)
{
    return h->dead;
}

LM_API void lmh_board_storage(const struct lmh_board *h, uint8_t *out)
{
    memcpy(out, h->storage, LM_STORE_BYTES);
}

LM_API void lmh_board_out(const struct lmh_board *h, uint16_t *out)
{
    out[0] = h->dead ? 0 : h->board.mix.out[0];
    out[1] = h->dead ? 0 : h->board.mix.out[1];
}

LM_API uint8_t lmh_board_running(const struct lmh_board *h)
{
    return h->board.store.running;
}

/* The image that runs, LM_IMAGE_MAX bytes; returns its length, 0 for none. */
LM_API uint16_t lmh_board_image(const struct lmh_board *h, uint8_t *out)
{
    memcpy(out, h->board.image, LM_IMAGE_MAX);
    return h->board.has_image ? (uint16_t)(out[LM_AT_LENGTH] | out[LM_AT_LENGTH + 1] << 8) : 0;
}

/* Storage work that needs no waiting. */
static void work(struct lmh_board *h)
{
    for (uint32_t i = 0; i < 2u * LM_STORE_BYTES && !h->dead && h->busy_us == 0; i++) {
        lm_board_poll(&h->board);
    }
}

static size_t drain(struct lmh_board *h, uint8_t *out, size_t room)
{
    size_t n = 0;
    while (n < room && lm_board_give(&h->board, out + n)) {
        n++;
    }
    return n;
}

/* Give the board bytes; returns how many it sent into `out`. *used tells how many it took (all, unless out is full). */
LM_API size_t lmh_board_feed(struct lmh_board *h, const uint8_t *in, size_t count, size_t *used, uint8_t *out,
                             size_t room)
{
    size_t n = 0;
    *used = 0;
    while (!h->dead) {
        n += drain(h, out + n, room - n);
        lm_board_poll(&h->board);
        if (h->board.sending && n == room) {
            break;
        }
        if (!lm_board_takes(&h->board)) {
            continue;
        }
        if (*used == count) {
            break;
        }
        lm_board_take(&h->board, in[(*used)++]);
    }
    if (h->dead) {
        *used = count; /* a dead board swallows everything */
    }
    return n;
}

/* Let time pass. At every frame in it the receiver gives `steer` and `amount` (0 = nothing). */
LM_API void lmh_board_pass(struct lmh_board *h, uint32_t us, uint16_t steer, uint16_t amount)
{
    while (!h->dead) {
        if (h->busy_us == 0) {
            work(h);
        }
        if (us == 0 || h->dead) {
            break;
        }
        uint32_t step = us < h->frame_us ? us : h->frame_us;
        if (h->busy_us > 0 && h->busy_us < step) {
            step = h->busy_us;
        }
        us -= step;
        h->frame_us -= step;
        h->busy_us -= step < h->busy_us ? step : h->busy_us;
        if (h->frame_us == 0) {
            if (steer != LM_NO_PULSE) {
                lm_board_steer(&h->board, steer);
            }
            if (amount != LM_NO_PULSE) {
                lm_board_amount(&h->board, amount);
            }
            lm_board_frame(&h->board);
            h->frame_us = LM_FRAME_US;
        }
    }
}
