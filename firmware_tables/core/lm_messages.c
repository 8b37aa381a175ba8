/* Requests in, replies out. A reply is a head built here and a tail read from where it lies. */
#include "lm_board.h"
#include "lm_bytes.h"

#define HEAD 3u   /* type, sequence, result */
#define LATER 0xFEu /* in place of a result: answered when storage is done */

/* Byte `index` of the reply, its CRC included. */
static uint8_t reply_at(const void *context, uint16_t index)
{
    const struct lm_board *b = context;
    uint8_t i = (uint8_t)index;
    if (i < b->head_length) {
        return b->head[i];
    }
    i = (uint8_t)(i - b->head_length);
    if (i < b->tail_length) {
        uint16_t at = (uint16_t)(b->tail_at + i);
        return b->tail_stored ? LM_READ(b->port, at) : b->image[at];
    }
    return (uint8_t)(i == b->tail_length ? b->reply_crc >> 8 : b->reply_crc & 0xFFu);
}

static void begin(struct lm_board *b, uint8_t type, uint8_t sequence)
{
    b->head[0] = (uint8_t)(type | LM_REPLY);
    b->head[1] = sequence;
    b->head_length = HEAD;
    b->tail_length = 0;
    b->tail_stored = 0;
}

static void send(struct lm_board *b, uint8_t result)
{
    uint8_t length = (uint8_t)(b->head_length + b->tail_length);
    b->head[2] = result;
    b->reply_crc = lm_frame_crc(reply_at, b, length);
    lm_cobs_start(&b->tx, (uint16_t)(length + LM_FRAME_CRC));
    b->sending = 1;
}

/* Four bytes; zero while no image runs, as all of b->image is then. */
static const uint8_t *running_crc(const struct lm_board *b)
{
    return b->has_image ? lm_image_crc(b->image) : b->image;
}

static uint8_t same_crc(const uint8_t *a, const uint8_t *b)
{
    return lm_same(a, b, LM_CRC_BYTES);
}

static uint8_t storing(const struct lm_board *b)
{
    return b->store.state == LM_STORE_FILLING || b->store.state == LM_STORE_NUMBERING || LM_BUSY_NOW(b->port);
}

static enum lm_result identify(struct lm_board *b, uint8_t *body)
{
    body[0] = LM_PROTOCOL;
    lm_copy(body + 1, b->identity->about, LM_ABOUT_BYTES);
    lm_copy(body + 9, b->serial, LM_SERIAL_BYTES);
    lm_put16(body + 17, LM_PULSE_MIN);
    lm_put16(body + 19, LM_PULSE_MAX);
    body[21] = LM_OUTPUTS_MAX;
    lm_put16(body + 22, LM_FRAME_US);
    body[24] = LM_IMAGE_FORMAT;
    lm_put16(body + 25, LM_IMAGE_MAX);
    body[27] = LM_SLOTS;
    body[28] = b->store.running;
    body[29] = b->store.previous;
    lm_copy(body + 30, running_crc(b), LM_CRC_BYTES);
    lm_copy(body + 34, b->store.previous_crc, LM_CRC_BYTES);
    body[38] = b->identity->reset_cause;
    b->head_length = HEAD + LM_IDENTIFY_HEAD;
    b->tail_at = LM_AT_HASH; /* the name lies behind it; all zero while no image runs */
    b->tail_length = LM_HASH_BYTES + LM_NAME_BYTES;
    return LM_OK;
}

static enum lm_result read_image(struct lm_board *b, uint8_t which)
{
    uint16_t at = lm_store_image_at(lm_store_spare(&b->store));
    if (which == LM_READ_RUNNING) {
        if (!b->has_image) {
            return LM_NO_IMAGE;
        }
        b->tail_at = 0;
        b->tail_length = b->image[LM_AT_LENGTH];
        return LM_OK;
    }
    if (which != LM_READ_PREVIOUS) {
        return LM_OUT_OF_RANGE;
    }
    if (storing(b)) {
        return LM_BUSY; /* storage can't be read while it is being written */
    }
    if (!b->store.previous) {
        return LM_NO_PREVIOUS;
    }
    b->tail_stored = 1;
    b->tail_at = at;
    b->tail_length = LM_READ(b->port, (uint16_t)(at + LM_AT_LENGTH));
    return LM_OK;
}

static enum lm_result write_image(struct lm_board *b, const uint8_t *image, uint8_t length, uint8_t *body)
{
    if (storing(b)) {
        return LM_BUSY;
    }
    if (b->mode != LM_MODE_MIX) {
        return LM_MOVING; /* its commit would be refused, and the image to go back to be lost for nothing */
    }
    b->head_length = HEAD + 4u;
    lm_put16(body + 2, 0);
    body[0] = (uint8_t)lm_image_check(image, length, b->identity->about[LM_ABOUT_KIND], body + 1);
    if (body[0] != LM_IMAGE_OK) {
        return LM_BAD_IMAGE;
    }
    if (lm_same(image, b->image, length)) {
        return LM_SAME;
    }
    lm_store_stage(&b->store, image);
    lm_copy(b->staged_crc, lm_image_crc(image), LM_CRC_BYTES);
    lm_put16(body + 2, b->store.left);
    /* The image stays in `big` until it is stored; short requests go on arriving in `small`. */
    lm_unframe_start(&b->rx, b->small, LM_RX_SMALL);
    return LM_OK;
}

static enum lm_result settle(struct lm_board *b, uint8_t type, const uint8_t *crc)
{
    uint8_t state = b->store.state;
    if (b->late_type != 0) {
        /* Asked again: the reply goes to the later request. */
        return type == b->late_type && same_crc(crc, b->staged_crc) ? LATER : LM_BUSY;
    }
    if (b->mode != LM_MODE_MIX) {
        return LM_MOVING;
    }
    if (type == LM_MSG_COMMIT && !b->store.plain && same_crc(crc, b->staged_crc)
        && (state == LM_STORE_FILLING || state == LM_STORE_STAGED)) {
        if (state == LM_STORE_STAGED) {
            lm_store_switch(&b->store);
        }
        return LATER;
    }
    if (b->has_image && same_crc(crc, running_crc(b))) {
        return LM_OK; /* done already: an earlier reply was lost */
    }
    if (type == LM_MSG_COMMIT) {
        return state == LM_STORE_FAILED ? LM_STORE_BROKEN : LM_NOT_STAGED;
    }
    if (storing(b)) {
        return LM_BUSY;
    }
    if (!b->store.previous || !same_crc(crc, b->store.previous_crc)) {
        return LM_NO_PREVIOUS;
    }
    lm_copy(b->staged_crc, crc, LM_CRC_BYTES);
    lm_store_switch(&b->store);
    return LATER;
}

static enum lm_result live(struct lm_board *b, uint8_t *body)
{
    lm_put16(body, lm_board_flags(b));
    body[2] = b->mode;
    body[3] = b->mix.bad_frames;
    lm_put16(body + 4, b->last_steer);
    lm_put16(body + 6, b->amount);
    lm_put16(body + 8, b->mix.out[0]);
    lm_put16(body + 10, b->mix.out[1]);
    lm_put16(body + 12, LM_SUPPLY(b->port));
    lm_put16(body + 14, b->store.left);
    lm_put16(body + 16, b->frames);
    b->head_length = HEAD + LM_LIVE_BYTES;
    return LM_OK;
}

static uint8_t in_limits(uint16_t pulse)
{
    return pulse >= LM_PULSE_MIN && pulse <= LM_PULSE_MAX;
}

static enum lm_result jog(struct lm_board *b, const uint8_t *body)
{
    uint8_t moving = 0;
    if (!b->has_image) {
        return LM_NO_IMAGE;
    }
    if (b->late_type != 0) {
        return LM_BUSY;
    }
    if (b->mode >= LM_MODE_SEARCH) {
        return LM_MOVING;
    }
    for (uint8_t o = 0; o < LM_OUTPUTS_MAX; o++) {
        uint16_t pulse = lm_get16(body + 2u * o);
        if (pulse != 0) {
            moving = 1;
            if (o >= b->mix.outputs || !in_limits(pulse)) {
                return LM_OUT_OF_RANGE;
            }
        }
    }
    if (moving) {
        lm_board_jog(b, body);
    } else {
        lm_board_stop(b);
    }
    return LM_OK;
}

static enum lm_result arm(struct lm_board *b, const uint8_t *crc, uint8_t *body)
{
    if (b->mode != LM_MODE_MIX) {
        return LM_MOVING;
    }
    /* Whoever arms names the image he believes to run (0 for none). */
    if (!same_crc(crc, running_crc(b))) {
        return LM_NO_IMAGE;
    }
    lm_board_arm(b);
    lm_put16(body, b->token);
    b->head_length = HEAD + 2u;
    return LM_OK;
}

static enum lm_result search(struct lm_board *b, const uint8_t *request, uint8_t length, uint8_t *body)
{
    uint8_t what = request[0];
    if (length == 0 || what > LM_SEARCH_MOVE) {
        return length == 0 ? LM_BAD_LENGTH : LM_OUT_OF_RANGE;
    }
    if (length != (what == LM_SEARCH_STOP ? 1 : what == LM_SEARCH_ARM ? 5 : 6)) {
        return LM_BAD_LENGTH;
    }
    if (what == LM_SEARCH_STOP) {
        lm_board_stop(b);
        return LM_OK;
    }
    if (b->late_type != 0) {
        return LM_BUSY;
    }
    if (what == LM_SEARCH_ARM) {
        return arm(b, request + 1, body);
    }
    uint16_t pulse = lm_get16(request + 4);
    if (b->token == 0 || lm_get16(request + 1) != b->token) {
        return LM_NOT_ARMED;
    }
    if (request[3] >= LM_OUTPUTS_MAX || !in_limits(pulse)) {
        return LM_OUT_OF_RANGE;
    }
    lm_board_search(b, request[3], pulse);
    return LM_OK;
}

static enum lm_result counters(struct lm_board *b, uint8_t *body)
{
    for (uint8_t i = 0; i < LM_COUNTERS; i++, body += 2) {
        lm_put16(body, b->counters->n[i]);
    }
    b->head_length = HEAD + LM_COUNTERS_BYTES;
    return LM_OK;
}

static enum lm_result set_serial(struct lm_board *b, const uint8_t *body)
{
    if (b->serial[0] != 0xFF) {
        return LM_ALREADY_SET;
    }
    if (storing(b)) {
        return LM_BUSY;
    }
    if (body[0] == 0xFF) {
        return LM_OUT_OF_RANGE; /* FF in the first byte means "none" */
    }
    lm_copy(b->serial, body, LM_SERIAL_BYTES);
    lm_store_write(&b->store, LM_SERIAL_AT, b->serial, LM_SERIAL_BYTES);
    return LM_OK;
}

#define ANY_LENGTH 0xFFu /* the message judges it itself */

/* Length of each request's body from LM_MSG_IDENTIFY on, without a gap. */
static const uint8_t lengths[] = {0, 1, ANY_LENGTH, 4, 4, 0, 4, ANY_LENGTH, 0, LM_SERIAL_BYTES};

static uint8_t answer(struct lm_board *b, uint8_t type, const uint8_t *request, uint8_t length)
{
    uint8_t *body = b->head + HEAD;
    uint8_t i = (uint8_t)(type - LM_MSG_IDENTIFY);
    if (i >= sizeof lengths) {
        return LM_UNKNOWN;
    }
    if (lengths[i] != ANY_LENGTH && lengths[i] != length) {
        return LM_BAD_LENGTH;
    }
    switch (type) {
    case LM_MSG_IDENTIFY:
        return identify(b, body);
    case LM_MSG_READ:
        return read_image(b, request[0]);
    case LM_MSG_WRITE:
        return write_image(b, request, length, body);
    case LM_MSG_LIVE:
        return live(b, body);
    case LM_MSG_JOG:
        return jog(b, request);
    case LM_MSG_SEARCH:
        return search(b, request, length, body);
    case LM_MSG_COUNTERS:
        return counters(b, body);
    case LM_MSG_SERIAL:
        return set_serial(b, request);
    default:
        return settle(b, type, request);
    }
}

static void handle(struct lm_board *b, uint8_t clipped)
{
    const uint8_t *request = b->rx.buffer;
    uint8_t type = request[0];
    uint8_t sequence = request[1];
    uint8_t result = LM_BAD_LENGTH;
    if (type & LM_REPLY) {
        return; /* another board's reply, or our own echoed: never answer it */
    }
    begin(b, type, sequence);
    if (!clipped) {
        result = answer(b, type, request + 2, (uint8_t)(b->rx.length - 2u));
    } else if (request == b->small) {
        result = LM_BUSY;
    }
    if (result == LATER) {
        b->late_type = type;
        b->late_sequence = sequence;
    } else {
        send(b, result);
    }
}

void lm_messages_start(struct lm_board *b)
{
    lm_unframe_start(&b->rx, b->big, LM_RX_BYTES);
    begin(b, LM_MSG_IDENTIFY, 0);
    send(b, identify(b, b->head + HEAD));
}

static void send_late(struct lm_board *b)
{
    begin(b, b->late_type, b->late_sequence);
    lm_copy(b->head + HEAD, running_crc(b), LM_CRC_BYTES);
    b->head_length = HEAD + 4u;
    b->late_type = 0;
    b->late_ready = 0;
    send(b, b->late_result);
}

uint8_t lm_board_takes(const struct lm_board *b)
{
    return !b->sending && !b->late_ready;
}

void lm_board_take(struct lm_board *b, uint8_t byte)
{
    if (b->rx.buffer == b->small && b->store.state != LM_STORE_FILLING && !b->rx.cobs.started) {
        lm_unframe_start(&b->rx, b->big, LM_RX_BYTES);
    }
    enum lm_frame_result result = lm_unframe_byte(&b->rx, byte);
    if (result == LM_FRAME_DONE || result == LM_FRAME_CLIPPED) {
        handle(b, result == LM_FRAME_CLIPPED);
    } else if (result == LM_FRAME_BAD_CRC) {
        lm_count(b, LM_COUNT_CRC_ERRORS);
    } else if (result != LM_FRAME_MORE && result != LM_FRAME_EMPTY) {
        lm_count(b, LM_COUNT_FRAME_ERRORS);
    }
}

uint8_t lm_board_give(struct lm_board *b, uint8_t *byte)
{
    if (b->sending) {
        b->sending = lm_cobs_byte(&b->tx, reply_at, b, byte);
    }
    return b->sending;
}

static void run_stored(struct lm_board *b)
{
    uint8_t before[LM_CRC_BYTES];
    uint8_t slot = b->store.running;
    lm_copy(before, running_crc(b), LM_CRC_BYTES);
    b->late_result = LM_OK;
    if (b->late_type == LM_MSG_COMMIT) {
        lm_store_copy(&b->store, slot, b->image); /* judged when written, compared when stored */
    } else if (!lm_store_load(&b->store, slot, b->identity->about[LM_ABOUT_KIND], b->image)) {
        b->late_result = LM_STORE_BROKEN; /* it has rotted since it last ran */
        lm_board_open(b);
        return;
    }
    lm_copy(b->store.previous_crc, before, LM_CRC_BYTES);
    lm_board_adopt(b);
}

void lm_board_poll(struct lm_board *b)
{
    if (b->late_ready && !b->sending) {
        send_late(b);
    }
    uint16_t before = b->store.written;
    enum lm_store_event event = lm_store_poll(&b->store);
    if (b->store.written != before) {
        lm_count(b, LM_COUNT_STORAGE_WRITES);
    }
    if (event == LM_STORE_FILLED && b->late_type == LM_MSG_COMMIT) {
        lm_store_switch(&b->store);
    } else if (event == LM_STORE_SWITCHED) {
        run_stored(b);
        b->late_ready = b->late_type;
    } else if (event == LM_STORE_BROKE) {
        b->late_result = LM_STORE_BROKEN;
        b->late_ready = b->late_type;
    }
}
