/* Requests in, replies out. A reply is a head built here and a tail read from where it lies. */
#include "lm_board.h"
#include "lm_bytes.h"

#define STARTED_TAIL 32u /* hash and name lie together in the image */

static uint8_t reply_at(const void *context, uint16_t index)
{
    const struct lm_board *b = context;
    if (index < b->head_length) {
        return b->head[index];
    }
    uint16_t at = (uint16_t)(b->tail_at + index - b->head_length);
    return b->tail_stored ? b->port->storage_read(b->port->context, at) : b->image[at];
}

static void begin(struct lm_board *b, uint8_t type, uint8_t sequence, uint8_t result)
{
    b->head[0] = (uint8_t)(type | LM_REPLY);
    b->head[1] = sequence;
    b->head[2] = result;
    b->head_length = 3;
    b->tail_length = 0;
    b->tail_stored = 0;
}

static void put8(struct lm_board *b, uint8_t v)
{
    b->head[b->head_length++] = v;
}

static void put16(struct lm_board *b, uint16_t v)
{
    lm_put16(b->head + b->head_length, v);
    b->head_length = (uint8_t)(b->head_length + 2u);
}

static void put32(struct lm_board *b, uint32_t v)
{
    put16(b, (uint16_t)(v & 0xFFFFu));
    put16(b, (uint16_t)(v >> 16));
}

static void send(struct lm_board *b)
{
    lm_enframe_start(&b->tx, reply_at, b, (uint16_t)(b->head_length + b->tail_length));
    b->sending = 1;
}

static uint32_t running_crc(const struct lm_board *b)
{
    return b->has_image ? lm_image_crc(b->image) : 0;
}

static uint32_t stored_crc(const struct lm_board *b, uint8_t slot, uint16_t *length)
{
    uint16_t at = lm_store_image_at(slot);
    uint8_t bytes[4];
    for (uint8_t i = 0; i < 2; i++) {
        bytes[i] = b->port->storage_read(b->port->context, (uint16_t)(at + LM_AT_LENGTH + i));
    }
    *length = lm_get16(bytes);
    for (uint8_t i = 0; i < 4; i++) {
        bytes[i] = b->port->storage_read(b->port->context, (uint16_t)(at + *length - 4u + i));
    }
    return lm_get32(bytes);
}

static void note_previous(struct lm_board *b)
{
    uint16_t length;
    b->previous_crc = b->store.previous ? stored_crc(b, lm_store_spare(&b->store), &length) : 0;
}

static uint8_t storing(const struct lm_board *b)
{
    return b->store.state == LM_STORE_FILLING || b->store.state == LM_STORE_NUMBERING || b->serial_at != 0
        || b->port->storage_busy(b->port->context);
}

static void identify(struct lm_board *b)
{
    const struct lm_identity *id = b->identity;
    put8(b, LM_PROTOCOL);
    for (uint8_t i = 0; i < 3; i++) {
        put8(b, id->version[i]);
    }
    put32(b, id->build);
    put8(b, id->kind);
    for (uint8_t i = 0; i < LM_SERIAL_BYTES; i++) {
        put8(b, b->serial[i]);
    }
    put16(b, LM_PULSE_MIN);
    put16(b, LM_PULSE_MAX);
    put8(b, LM_OUTPUTS_MAX);
    put16(b, LM_FRAME_US);
    put8(b, LM_IMAGE_FORMAT);
    put16(b, LM_IMAGE_MAX);
    put8(b, LM_SLOTS);
    put8(b, b->store.running);
    put8(b, b->store.previous);
    put32(b, running_crc(b));
    put32(b, b->store.previous ? b->previous_crc : 0);
    put8(b, id->reset_cause);
    b->tail_at = LM_AT_HASH;
    b->tail_length = STARTED_TAIL; /* b->image is all zero while none runs */
}

static enum lm_result read_image(struct lm_board *b, uint8_t which)
{
    if (which == LM_READ_RUNNING) {
        if (!b->has_image) {
            return LM_NO_IMAGE;
        }
        b->tail_at = 0;
        b->tail_length = (uint8_t)lm_get16(b->image + LM_AT_LENGTH);
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
    uint16_t length;
    (void)stored_crc(b, lm_store_spare(&b->store), &length);
    b->tail_stored = 1;
    b->tail_at = lm_store_image_at(lm_store_spare(&b->store));
    b->tail_length = (uint8_t)length;
    return LM_OK;
}

static uint8_t same_as_running(const struct lm_board *b, const uint8_t *image)
{
    if (!b->has_image) {
        return 0;
    }
    for (uint16_t i = 0; i < lm_get16(image + LM_AT_LENGTH); i++) {
        if (image[i] != b->image[i]) {
            return 0;
        }
    }
    return 1;
}

static enum lm_result write_image(struct lm_board *b, const uint8_t *image, uint16_t length)
{
    uint8_t output;
    enum lm_reason reason = lm_image_check(image, length, b->identity->kind, &output);
    uint16_t left = 0;
    enum lm_result result = LM_OK;
    if (reason != LM_IMAGE_OK) {
        result = LM_BAD_IMAGE;
    } else if (same_as_running(b, image)) {
        result = LM_SAME;
    } else {
        lm_store_stage(&b->store, image);
        b->staged_crc = lm_image_crc(image);
        left = b->store.left;
        /* The image stays in `big` until it is stored; short requests go on arriving in `small`. */
        lm_unframe_start(&b->rx, b->small, LM_RX_SMALL);
    }
    put8(b, (uint8_t)reason);
    put8(b, output);
    put16(b, left);
    return result;
}

/* Commit and revert answer when the storage has it: LM_BUSY here means "later". */
static enum lm_result settle(struct lm_board *b, uint8_t type, uint32_t crc, uint8_t *late)
{
    uint8_t filling = b->store.state == LM_STORE_FILLING;
    uint8_t staged = filling || b->store.state == LM_STORE_STAGED;
    if (b->serial_at != 0 || (!filling && b->late_type == 0 && storing(b))) {
        return LM_BUSY;
    }
    if (b->mode != LM_MODE_MIX) {
        return LM_MOVING;
    }
    if (b->late_type != 0) {
        /* Asked again: the reply goes to the later request. */
        *late = type == b->late_type && crc == b->staged_crc;
        return LM_BUSY;
    }
    if (type == LM_MSG_COMMIT && staged && crc == b->staged_crc) {
        *late = 1;
        if (!filling) {
            lm_store_switch(&b->store);
        }
        return LM_BUSY;
    }
    if (b->has_image && crc == running_crc(b)) {
        return LM_OK; /* done already: an earlier reply was lost */
    }
    if (type == LM_MSG_COMMIT) {
        return b->store.state == LM_STORE_FAILED ? LM_STORE_BROKEN : LM_NOT_STAGED;
    }
    if (filling) {
        return LM_BUSY;
    }
    if (!b->store.previous || crc != b->previous_crc) {
        return LM_NO_PREVIOUS;
    }
    lm_store_drop(&b->store);
    b->staged_crc = crc;
    lm_store_switch(&b->store);
    *late = 1;
    return LM_BUSY;
}

static void live(struct lm_board *b)
{
    put16(b, lm_board_flags(b));
    put8(b, b->mode);
    put8(b, b->has_image ? b->mix.bad_frames : 0);
    put16(b, b->last_steer);
    put16(b, b->has_image ? b->amount : 0);
    put16(b, b->mix.out[0]);
    put16(b, b->mix.out[1]);
    put16(b, b->port->supply_mv(b->port->context));
    put16(b, b->store.left);
    put16(b, b->frames);
}

static enum lm_result jog(struct lm_board *b, const uint8_t *body)
{
    uint16_t pulses[LM_OUTPUTS_MAX] = {lm_get16(body), lm_get16(body + 2)};
    if (!b->has_image) {
        return LM_NO_IMAGE;
    }
    if (b->mode == LM_MODE_SEARCH || b->mode == LM_MODE_RETURN || b->late_type != 0) {
        return b->late_type != 0 ? LM_BUSY : LM_MOVING;
    }
    if (pulses[0] == 0 && pulses[1] == 0) {
        lm_board_stop(b);
        return LM_OK;
    }
    for (uint8_t o = 0; o < LM_OUTPUTS_MAX; o++) {
        if (pulses[o] != 0 && (pulses[o] < LM_PULSE_MIN || pulses[o] > LM_PULSE_MAX || o >= b->mix.outputs)) {
            return LM_OUT_OF_RANGE;
        }
    }
    lm_board_jog(b, pulses);
    return LM_OK;
}

static enum lm_result search(struct lm_board *b, const uint8_t *body, uint16_t length)
{
    if (body[0] == LM_SEARCH_STOP) {
        lm_board_stop(b);
        return length == 1 ? LM_OK : LM_BAD_LENGTH;
    }
    if (b->late_type != 0) {
        return LM_BUSY;
    }
    if (body[0] == LM_SEARCH_ARM) {
        if (length != 5) {
            return LM_BAD_LENGTH;
        }
        if (b->mode != LM_MODE_MIX) {
            return LM_MOVING;
        }
        /* Whoever arms names the image he believes to run (0 for none). */
        if (lm_get32(body + 1) != running_crc(b)) {
            return LM_NO_IMAGE;
        }
        put16(b, lm_board_arm(b));
        return LM_OK;
    }
    if (body[0] != LM_SEARCH_MOVE) {
        return LM_OUT_OF_RANGE;
    }
    if (length != 6) {
        return LM_BAD_LENGTH;
    }
    uint16_t pulse = lm_get16(body + 4);
    if (b->token == 0 || lm_get16(body + 1) != b->token) {
        return LM_NOT_ARMED;
    }
    if (body[3] >= LM_OUTPUTS_MAX || pulse < LM_PULSE_MIN || pulse > LM_PULSE_MAX) {
        return LM_OUT_OF_RANGE;
    }
    lm_board_search(b, body[3], pulse);
    return LM_OK;
}

static void counters(struct lm_board *b)
{
    const struct lm_counters *c = b->counters;
    for (uint8_t i = 0; i < 4; i++) {
        put16(b, c->resets[i]);
    }
    put16(b, c->missed_frames);
    put16(b, c->rejected_pulses);
    put16(b, c->crc_errors);
    put16(b, c->frame_errors);
    put16(b, c->storage_writes);
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
    for (uint8_t i = 0; i < LM_SERIAL_BYTES; i++) {
        b->serial[i] = body[i];
    }
    b->serial_at = 1;
    return LM_OK;
}

/* Body lengths by type; 0xFF where the message judges its own. */
static uint8_t body_length(uint8_t type)
{
    switch (type) {
    case LM_MSG_IDENTIFY:
    case LM_MSG_LIVE:
    case LM_MSG_COUNTERS:
        return 0;
    case LM_MSG_READ:
        return 1;
    case LM_MSG_COMMIT:
    case LM_MSG_REVERT:
    case LM_MSG_JOG:
        return 4;
    case LM_MSG_SERIAL:
        return LM_SERIAL_BYTES;
    default:
        return 0xFF;
    }
}

static enum lm_result answer(struct lm_board *b, uint8_t type, const uint8_t *body, uint16_t length, uint8_t *late)
{
    uint8_t expected = body_length(type);
    if (expected != 0xFF && length != expected) {
        return LM_BAD_LENGTH;
    }
    switch (type) {
    case LM_MSG_IDENTIFY:
        identify(b);
        return LM_OK;
    case LM_MSG_READ:
        return read_image(b, body[0]);
    case LM_MSG_WRITE:
        return storing(b) ? LM_BUSY : write_image(b, body, length);
    case LM_MSG_COMMIT:
    case LM_MSG_REVERT:
        return settle(b, type, lm_get32(body), late);
    case LM_MSG_LIVE:
        live(b);
        return LM_OK;
    case LM_MSG_JOG:
        return jog(b, body);
    case LM_MSG_SEARCH:
        return length == 0 ? LM_BAD_LENGTH : search(b, body, length);
    case LM_MSG_COUNTERS:
        counters(b);
        return LM_OK;
    case LM_MSG_SERIAL:
        return set_serial(b, body);
    default:
        return LM_UNKNOWN;
    }
}

static void handle(struct lm_board *b, const uint8_t *request, uint16_t length, uint8_t clipped)
{
    uint8_t type = request[0];
    uint8_t late = 0;
    if (type & LM_REPLY) {
        return; /* another board's reply, or our own echoed: never answer it */
    }
    begin(b, type, request[1], LM_OK);
    enum lm_result result = LM_BAD_LENGTH;
    if (!clipped) {
        result = answer(b, type, request + 2, (uint16_t)(length - 2u), &late);
    } else if (type == LM_MSG_WRITE && b->rx.buffer == b->small) {
        result = LM_BUSY;
    }
    if (late) {
        b->late_type = type;
        b->late_sequence = request[1];
        return;
    }
    b->head[2] = (uint8_t)result;
    send(b);
}

void lm_messages_start(struct lm_board *b)
{
    lm_unframe_start(&b->rx, b->big, LM_RX_BYTES);
    note_previous(b);
    begin(b, LM_MSG_IDENTIFY, 0, LM_OK);
    identify(b);
    send(b);
}

static void send_late(struct lm_board *b)
{
    begin(b, b->late_type, b->late_sequence, b->late_result);
    put32(b, running_crc(b));
    b->late_type = 0;
    b->late_ready = 0;
    send(b);
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
    switch (lm_unframe_byte(&b->rx, byte)) {
    case LM_FRAME_DONE:
        handle(b, b->rx.buffer, b->rx.length, 0);
        break;
    case LM_FRAME_CLIPPED:
        handle(b, b->rx.buffer, b->rx.length, 1);
        break;
    case LM_FRAME_BAD_CRC:
        lm_count(&b->counters->crc_errors);
        break;
    case LM_FRAME_CUT:
    case LM_FRAME_SHORT:
    case LM_FRAME_LONG:
        lm_count(&b->counters->frame_errors);
        break;
    default:
        break;
    }
}

uint8_t lm_board_give(struct lm_board *b, uint8_t *byte)
{
    if (b->sending) {
        b->sending = lm_enframe_byte(&b->tx, byte);
    }
    return b->sending;
}

/* The bytes of the image to run, from storage; judged again, for storage may lie. */
static uint8_t load_running(struct lm_board *b)
{
    uint16_t at = lm_store_image_at(b->store.running);
    uint8_t output;
    for (uint16_t i = 0; i < LM_IMAGE_MAX; i++) {
        b->image[i] = b->port->storage_read(b->port->context, (uint16_t)(at + i));
    }
    uint16_t length = lm_get16(b->image + LM_AT_LENGTH);
    return length <= LM_IMAGE_MAX && lm_image_check(b->image, length, b->identity->kind, &output) == LM_IMAGE_OK;
}

static void run_stored(struct lm_board *b)
{
    if (load_running(b)) {
        b->late_result = LM_OK;
        lm_board_adopt(b);
    } else {
        b->late_result = LM_STORE_BROKEN;
        lm_board_open(b);
    }
    note_previous(b);
}

static void store_serial(struct lm_board *b)
{
    if (b->port->storage_busy(b->port->context)) {
        return;
    }
    /* Byte 0 last: until it is there the board counts as having no serial number. */
    uint8_t i = b->serial_at == LM_SERIAL_BYTES ? 0 : b->serial_at;
    b->port->storage_write(b->port->context, (uint16_t)(LM_SERIAL_AT + i), b->serial[i]);
    lm_count(&b->counters->storage_writes);
    b->serial_at = (uint8_t)(i == 0 ? 0 : b->serial_at + 1u);
}

void lm_board_poll(struct lm_board *b)
{
    if (b->late_ready && !b->sending) {
        send_late(b);
    }
    if (b->serial_at != 0) {
        store_serial(b);
        return;
    }
    uint16_t before = b->store.written;
    enum lm_store_event event = lm_store_poll(&b->store);
    if (b->store.written != before) {
        lm_count(&b->counters->storage_writes);
    }
    if (event == LM_STORE_NOTHING) {
        return;
    }
    if (event == LM_STORE_FILLED && b->late_type == LM_MSG_COMMIT) {
        lm_store_switch(&b->store);
    }
    if (event == LM_STORE_SWITCHED) {
        run_stored(b);
    }
    if (event == LM_STORE_BROKE) {
        b->late_result = LM_STORE_BROKEN;
    }
    b->late_ready = b->late_type != 0 && event != LM_STORE_FILLED;
}
