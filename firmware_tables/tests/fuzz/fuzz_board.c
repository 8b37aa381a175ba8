/* A whole board: requests, steering, time and power cuts in any order. It never runs anything but an image it checked,
 * never leaves the caps except in a bind search, and after every cut still runs the image before or the one after. */
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "lm_board.h"
#include "lm_bytes.h"
#include "lm_crc.h"

#define HOLDS(x) do { if (!(x)) { abort(); } } while (0)

struct world {
    struct lm_board board;
    struct lm_counters counters;
    struct lm_port port;
    uint8_t storage[LM_STORE_BYTES];
    uint8_t busy;
    int cut_in; /* writes until the power fails, below 0 = it does not */
    uint8_t torn_byte;
    uint8_t dead;
    uint8_t seen[LM_CRC_BYTES]; /* of the image that was judged last */
};

static const struct lm_identity identity = {{1, 0, 0, 1, 2, 3, 4, LM_KIND_VIRTUAL}, 0};

static uint8_t storage_read(void *context, uint16_t address)
{
    const struct world *w = context;
    HOLDS(address < LM_STORE_BYTES && !w->busy);
    return w->storage[address];
}

static void storage_write(void *context, uint16_t address, uint8_t byte)
{
    struct world *w = context;
    HOLDS(address < LM_STORE_BYTES && !w->busy);
    HOLDS(address >= LM_SERIAL_AT); /* the first cells are left alone */
    if (w->dead) {
        return;
    }
    if (w->cut_in == 0) {
        w->storage[address] = w->torn_byte;
        w->dead = 1;
        return;
    }
    w->cut_in -= w->cut_in > 0;
    w->storage[address] = byte;
    w->busy = 1;
}

static uint8_t storage_busy(void *context)
{
    const struct world *w = context;
    return w->busy != 0;
}

static uint16_t supply(void *context)
{
    (void)context;
    return 7400;
}

static void drain(struct world *w)
{
    uint8_t byte;
    for (int i = 0; lm_board_give(&w->board, &byte); i++) {
        HOLDS(i < 300);
    }
}

static void check(struct world *w)
{
    const struct lm_board *b = &w->board;
    uint16_t flags = lm_board_flags(b);
    uint8_t output;
    HOLDS(b->mode == LM_MODE_SEARCH || b->mode == LM_MODE_RETURN || !(flags & LM_LIVE_BEYOND_CAPS));
    if (b->has_image && memcmp(w->seen, lm_image_crc(b->image), LM_CRC_BYTES) != 0) {
        memcpy(w->seen, lm_image_crc(b->image), LM_CRC_BYTES);
        HOLDS(lm_image_check(b->image, lm_get16(b->image + LM_AT_LENGTH), LM_KIND_VIRTUAL, &output) == LM_IMAGE_OK);
    } else if (!b->has_image) {
        HOLDS(b->mode == LM_MODE_SEARCH || b->mode == LM_MODE_RETURN || (b->mix.out[0] == 0 && b->mix.out[1] == 0));
    }
    for (uint8_t o = 0; o < LM_OUTPUTS_MAX; o++) {
        HOLDS(b->mix.out[o] == 0 || (b->mix.out[o] >= LM_PULSE_MIN && b->mix.out[o] <= LM_PULSE_MAX));
    }
}

static void power_up(struct world *w)
{
    memset(&w->board, 0, sizeof w->board);
    w->busy = 0;
    w->dead = 0;
    w->cut_in = -1;
    lm_board_start(&w->board, &w->port, &identity, &w->counters);
    check(w);
}

static void pass(struct world *w, uint8_t polls)
{
    for (uint8_t i = 0; i < polls; i++) {
        w->busy -= w->busy > 0;
        lm_board_poll(&w->board);
        drain(w);
    }
}

static uint8_t byte_at(const void *context, uint16_t index)
{
    return ((const uint8_t *)context)[index];
}

/* A request framed properly, so that the fuzzer need not find CRCs. */
static void send(struct world *w, const uint8_t *payload, uint8_t length)
{
    uint8_t whole[LM_FRAME_MAX], byte;
    struct lm_cobs c;
    uint16_t crc = lm_frame_crc(byte_at, payload, length);
    drain(w);
    memcpy(whole, payload, length);
    whole[length] = (uint8_t)(crc >> 8);
    whole[length + 1] = (uint8_t)(crc & 0xFFu);
    lm_cobs_start(&c, (uint16_t)(length + LM_FRAME_CRC));
    while (lm_cobs_byte(&c, byte_at, whole, &byte)) {
        if (lm_board_takes(&w->board)) {
            lm_board_take(&w->board, byte);
        }
    }
    pass(w, 2);
}

static void make_image(uint8_t *image, uint8_t flavour)
{
    memset(image, 0, LM_IMAGE_MAX);
    uint8_t outputs = (uint8_t)(1u + (flavour & 1u));
    uint16_t length = LM_IMAGE_BYTES(outputs);
    image[LM_AT_FORMAT] = 1;
    image[LM_AT_OUTPUTS] = outputs;
    lm_put16(image + LM_AT_LENGTH, length);
    lm_put16(image + LM_AT_RIGHT, 8000);
    lm_put16(image + LM_AT_NEUTRAL, 12000);
    lm_put16(image + LM_AT_LEFT, 16000);
    lm_put16(image + LM_AT_ACCEPT_MIN, 7000);
    lm_put16(image + LM_AT_ACCEPT_MAX, 17000);
    lm_put16(image + LM_AT_AMOUNT_ABSENT, 256);
    if (flavour & 2u) {
        image[LM_AT_OPTIONS] = LM_OPTION_AMOUNT;
        lm_put16(image + LM_AT_AMOUNT_LOW, 8000);
        lm_put16(image + LM_AT_AMOUNT_HIGH, 16000);
    }
    image[LM_AT_FAILSAFE_FRAMES] = 3;
    image[LM_AT_RAMP_FRAMES] = 4;
    image[LM_AT_NAME] = (uint8_t)('A' + (flavour >> 2));
    for (uint8_t o = 0; o < outputs; o++) {
        uint8_t *block = image + LM_IMAGE_HEAD + o * LM_OUTPUT_BYTES;
        lm_put16(block + LM_OUT_MIN, (uint16_t)(8800u + 16u * flavour));
        lm_put16(block + LM_OUT_MAX, 15200);
        lm_put16(block + LM_OUT_NEUTRAL, 14000);
        lm_put16(block + LM_OUT_FAILSAFE, 14400);
        lm_put16(block + LM_OUT_SLEW, 100);
        for (uint8_t k = 0; k < LM_KNOTS; k++) {
            lm_put16(block + LM_OUT_KNOTS + 2u * k, (uint16_t)(13000u + 66u * k));
        }
    }
    lm_put32(image + length - 4u, lm_crc32(image, (uint16_t)(length - 4u)));
}

static void running(const struct world *w, uint8_t *crc)
{
    memset(crc, 0, LM_CRC_BYTES);
    if (w->board.has_image) {
        memcpy(crc, lm_image_crc(w->board.image), LM_CRC_BYTES);
    }
}

/* The power goes: whatever was under way, what ran before or what was to run must come up. */
static void cut(struct world *w)
{
    uint8_t before[LM_CRC_BYTES], wanted[LM_CRC_BYTES], now[LM_CRC_BYTES];
    running(w, before);
    memcpy(wanted, w->board.staged_crc, LM_CRC_BYTES);
    power_up(w);
    running(w, now);
    HOLDS(memcmp(now, before, LM_CRC_BYTES) == 0 || memcmp(now, wanted, LM_CRC_BYTES) == 0);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct world w;
    uint8_t image[2 + LM_IMAGE_MAX];
    memset(&w, 0, sizeof w);
    memset(w.storage, size ? data[0] : 0xFF, sizeof w.storage);
    w.port = (struct lm_port){&w, storage_read, storage_write, storage_busy, supply};
    power_up(&w);
    for (size_t i = 1; i < size;) {
        uint8_t what = data[i] & 7u, more = data[i] >> 3;
        i++;
        if (what == 0) { /* a request of so many bytes */
            uint8_t length = (uint8_t)(more + 2u > size - i ? size - i : more + 2u);
            if (length >= 2) {
                send(&w, data + i, length);
            }
            i += length;
        } else if (what == 1) { /* bytes as they are */
            for (uint8_t n = 0; n <= more && i < size; n++, i++) {
                if (lm_board_takes(&w.board)) {
                    lm_board_take(&w.board, data[i]);
                }
                drain(&w);
            }
        } else if (what == 2) { /* an upload; commit or revert of what is wanted */
            make_image(image + 2, more);
            image[0] = LM_MSG_WRITE;
            image[1] = 1;
            send(&w, image, (uint8_t)(2u + lm_get16(image + 2 + LM_AT_LENGTH)));
        } else if (what == 3) {
            uint8_t request[6] = {more & 1u ? LM_MSG_COMMIT : LM_MSG_REVERT, 2};
            memcpy(request + 2, more & 1u ? w.board.staged_crc : w.board.store.previous_crc, LM_CRC_BYTES);
            send(&w, request, sizeof request);
        } else if (what == 4) { /* a bind search on its token */
            uint8_t request[8] = {LM_MSG_SEARCH, 3, LM_SEARCH_ARM};
            running(&w, request + 3);
            send(&w, request, 7);
            request[2] = LM_SEARCH_MOVE;
            lm_put16(request + 3, w.board.token);
            request[5] = more & 1u;
            lm_put16(request + 6, (uint16_t)(4000u + 516u * more));
            send(&w, request, sizeof request);
        } else if (what == 5) { /* frames, steered */
            for (uint8_t n = 0; n <= more; n++) {
                uint16_t pulse = i + 1 < size ? lm_get16(data + i) : 0;
                lm_board_steer(&w.board, (uint16_t)(pulse + n));
                lm_board_amount(&w.board, (uint16_t)(pulse ^ 0x1234u));
                lm_board_frame(&w.board);
                check(&w);
            }
            i += 2;
        } else if (what == 6) { /* time */
            pass(&w, (uint8_t)(8u * more));
        } else { /* the power fails in a coming write, or now */
            w.torn_byte = i < size ? data[i++] : 0xFF;
            w.cut_in = more;
            if (more == 31) {
                cut(&w);
            }
        }
        if (w.dead) {
            cut(&w);
        }
        check(&w);
    }
    return 0;
}
