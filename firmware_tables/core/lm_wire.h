/* Numbers of the serial protocol. Specification: ../WIRE.md. Never reuse a number. */
#ifndef LM_WIRE_H
#define LM_WIRE_H

#define LM_PROTOCOL 1u
#define LM_REPLY 0x80u /* set in the type of every reply */

enum lm_message {
    LM_MSG_IDENTIFY = 0x01,
    LM_MSG_READ = 0x02,
    LM_MSG_WRITE = 0x03,
    LM_MSG_COMMIT = 0x04,
    LM_MSG_REVERT = 0x05,
    LM_MSG_LIVE = 0x06,
    LM_MSG_JOG = 0x07,
    LM_MSG_SEARCH = 0x08,
    LM_MSG_COUNTERS = 0x09,
    LM_MSG_SERIAL = 0x0A
};

enum lm_result {
    LM_OK = 0,
    LM_SAME = 1,         /* that image runs already: nothing written */
    LM_BAD_IMAGE = 2,    /* reason and output follow */
    LM_BUSY = 3,         /* storage is being written: ask again */
    LM_UNKNOWN = 4,      /* no such message */
    LM_BAD_LENGTH = 5,   /* body too short or too long */
    LM_NO_IMAGE = 6,     /* no image runs */
    LM_NO_PREVIOUS = 7,  /* no image to go back to, or not the one named */
    LM_NOT_STAGED = 8,   /* the image named was not written, or another was since */
    LM_NOT_ARMED = 9,    /* bind search not armed, or armed under another token */
    LM_OUT_OF_RANGE = 10,/* pulse outside the board's limits, or no such output or choice */
    LM_MOVING = 11,      /* jog or bind search under way */
    LM_STORE_BROKEN = 12,/* storage did not hold what was written; the image before still runs */
    LM_ALREADY_SET = 13  /* the board has a serial number */
};

enum { LM_READ_RUNNING = 0, LM_READ_PREVIOUS = 1 };
enum { LM_SEARCH_STOP = 0, LM_SEARCH_ARM = 1, LM_SEARCH_MOVE = 2 };

/* Flags in a live reply; the low four are the mixer's own (lm_mix.h). */
#define LM_LIVE_MODE 0x0008u        /* shifted left by the mode: 0010 jog, 0020 bind search, 0040 on the way back from it */
#define LM_LIVE_ARMED 0x0080u       /* bind search armed */
#define LM_LIVE_BEYOND_CAPS 0x0100u /* an output is outside its caps (bind search, or on its way back from it) */
#define LM_LIVE_NO_IMAGE 0x0200u
#define LM_LIVE_STORING 0x0400u
#define LM_LIVE_STAGED 0x0800u
#define LM_LIVE_PREVIOUS 0x1000u    /* there is an image to go back to */
#define LM_LIVE_AMOUNT 0x2000u      /* the second input is live */

/* Body lengths of fixed replies. */
#define LM_IDENTIFY_HEAD 39u /* the running image's hash and name follow */
#define LM_LIVE_BYTES 18u
#define LM_COUNTERS_BYTES 18u

#endif
