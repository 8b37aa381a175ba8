/* Runs the golden vectors through the core, on whatever computer or board compiler builds this. Argument: the folder. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "lm_bytes.h"
#include "lm_crc.h"
#include "lm_frame.h"
#include "lm_mix.h"

#define LINE 2048
#define IMAGES 64

struct named_image {
    char name[64];
    uint8_t bytes[LM_IMAGE_MAX + 8];
    uint16_t length;
};

static struct named_image images[IMAGES];
static unsigned image_count, checks, faults;

static void check(int good, const char *file, const char *line)
{
    checks++;
    if (!good) {
        faults++;
        fprintf(stderr, "%s: %.70s\n", file, line);
    }
}

static uint16_t unhex(const char *text, uint8_t *out)
{
    uint16_t n = 0;
    for (; text[0] != '-' && text[0] && text[1]; text += 2) {
        char pair[3] = {text[0], text[1], 0};
        out[n++] = (uint8_t)strtoul(pair, NULL, 16);
    }
    return n;
}

static uint8_t byte_at(const void *context, uint16_t index)
{
    return ((const uint8_t *)context)[index];
}

static const struct named_image *find(const char *name)
{
    for (unsigned i = 0; i < image_count; i++) {
        if (strcmp(images[i].name, name) == 0) {
            return &images[i];
        }
    }
    fprintf(stderr, "no image %s\n", name);
    exit(2);
}

static void checksum(const char *file, char *line)
{
    static char data_text[LINE];
    static uint8_t data[LINE];
    unsigned long crc16, crc32;
    if (sscanf(line, "%2047s %lx %lx", data_text, &crc16, &crc32) != 3) {
        check(0, file, line);
        return;
    }
    uint16_t n = unhex(data_text, data);
    uint16_t crc = LM_CRC16_START;
    for (uint16_t i = 0; i < n; i++) {
        crc = lm_crc16_byte(crc, data[i]);
    }
    check(crc == crc16 && lm_crc32(data, n) == crc32, file, line);
}

static int decode_cobs(const uint8_t *stuffed, uint16_t n, uint8_t *out)
{
    struct lm_uncobs u;
    int count = 0;
    uint8_t byte = 0;
    lm_uncobs_start(&u);
    for (uint16_t i = 0; i < n; i++) {
        if (lm_uncobs_byte(&u, stuffed[i], &byte) == LM_COBS_BYTE) {
            out[count++] = byte;
        }
    }
    return lm_uncobs_byte(&u, 0, &byte) == LM_COBS_END ? count : -1;
}

static void cobs(const char *file, char *line)
{
    static char plain_text[LINE], stuffed_text[LINE];
    static uint8_t plain[LINE], stuffed[LINE], out[LINE];
    if (sscanf(line, "%2047s %2047s", plain_text, stuffed_text) != 2) {
        check(0, file, line);
        return;
    }
    uint16_t wire = unhex(stuffed_text, stuffed);
    int decoded = decode_cobs(stuffed, wire, out);
    if (plain_text[0] == '!') {
        check(decoded < 0, file, line);
        return;
    }
    uint16_t n = unhex(plain_text, plain);
    check(decoded == n && memcmp(out, plain, n) == 0, file, line);
    struct lm_cobs c;
    uint16_t given = 0;
    lm_cobs_start(&c, n);
    while (lm_cobs_byte(&c, byte_at, plain, &out[given])) {
        given++;
    }
    check(given == wire + 1 && memcmp(out, stuffed, wire) == 0, file, line);
}

static void frame(const char *file, char *line)
{
    static char payload_text[LINE], frame_text[LINE];
    static uint8_t payload[LINE], wire[LINE], out[LINE];
    if (sscanf(line, "%2047s %2047s", payload_text, frame_text) != 2) {
        check(0, file, line);
        return;
    }
    uint16_t n = unhex(payload_text, payload);
    uint16_t sent = unhex(frame_text, wire);
    uint16_t crc = lm_frame_crc(byte_at, payload, (uint8_t)n);
    struct lm_cobs c;
    uint16_t given = 0;
    payload[n] = (uint8_t)(crc >> 8);
    payload[n + 1] = (uint8_t)(crc & 0xFFu);
    lm_cobs_start(&c, (uint16_t)(n + LM_FRAME_CRC));
    while (lm_cobs_byte(&c, byte_at, payload, &out[given])) {
        given++;
    }
    check(given == sent && memcmp(out, wire, sent) == 0, file, line);
    struct lm_unframe u;
    enum lm_frame_result result = LM_FRAME_MORE;
    lm_unframe_start(&u, out, LM_FRAME_MAX);
    for (uint16_t i = 0; i < sent; i++) {
        result = lm_unframe_byte(&u, wire[i]);
    }
    check(result == LM_FRAME_DONE && u.length == n && memcmp(out, payload, n) == 0, file, line);
}

static void image(const char *file, char *line)
{
    static char hex[LINE];
    struct named_image *to = &images[image_count];
    unsigned reason, output;
    uint8_t said;
    if (image_count == IMAGES || sscanf(line, "%63s %u %u %2047s", to->name, &reason, &output, hex) != 4) {
        check(0, file, line);
        return;
    }
    to->length = unhex(hex, to->bytes);
    check(lm_image_check(to->bytes, to->length, 1, &said) == (enum lm_reason)reason && said == output, file, line);
    image_count++;
}

static void settled(const char *file, char *line)
{
    char name[64];
    unsigned output, pulse, amount, position, value;
    if (sscanf(line, "%63s %u %u %u %u %u", name, &output, &pulse, &amount, &position, &value) != 6) {
        check(0, file, line);
        return;
    }
    const uint8_t *bytes = find(name)->bytes;
    check(lm_mix_normalise(bytes, (uint16_t)pulse) == position, file, line);
    check(lm_mix_steady(bytes, (uint8_t)output, (uint16_t)pulse, (uint16_t)amount) == value, file, line);
}

static void run(const char *file, char *line)
{
    static struct lm_mix mix;
    static const uint8_t *bytes;
    unsigned pulse, amount, first, second;
    if (sscanf(line, "%u %u %u %u", &pulse, &amount, &first, &second) != 4) {
        line[strcspn(line, "\n")] = 0;
        bytes = find(line)->bytes;
        lm_mix_start(&mix, bytes);
        return;
    }
    lm_mix_step(&mix, bytes, (uint16_t)pulse, (uint16_t)amount);
    check(mix.out[0] == first && mix.out[1] == second, file, line);
}

static void each_line(const char *folder, const char *file, void (*take)(const char *, char *))
{
    static char path[LINE], line[LINE];
    unsigned before = checks;
    snprintf(path, sizeof path, "%s/%s", folder, file);
    FILE *f = fopen(path, "r");
    while (f && fgets(line, sizeof line, f)) {
        take(file, line);
    }
    if (f) {
        fclose(f);
    }
    check(checks > before, file, "nothing in it");
}

int main(int argc, char **argv)
{
    if (argc != 2) {
        return 2;
    }
    each_line(argv[1], "checksums.txt", checksum);
    each_line(argv[1], "cobs.txt", cobs);
    each_line(argv[1], "frames.txt", frame);
    each_line(argv[1], "images.txt", image);
    each_line(argv[1], "settled.txt", settled);
    each_line(argv[1], "runs.txt", run);
    printf("%u checks, %u faults\n", checks, faults);
    return faults != 0;
}
