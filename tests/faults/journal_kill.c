/* Loaded before libc by the journal's kill tests: counts the calls that change files and, at a chosen one, kills the
 * process before, half way through or after it, or makes it and all later writes fail for want of room. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <signal.h>
#include <sys/types.h>
#include <unistd.h>

enum { BEFORE, HALF, AFTER, NO_ROOM };

static long seen, chosen = -1;
static int how;

void lm_arm(long at, int what) { seen = 0; chosen = at; how = what; }
long lm_seen(void) { return seen; }

static void die(void) { kill(getpid(), SIGKILL); for (;;) pause(); }
static int now(void) { return ++seen == chosen; }
static int full(void) { return how == NO_ROOM && chosen >= 0 && seen >= chosen; }

#define REAL(type, name, ...) ((type (*)(__VA_ARGS__))dlsym(RTLD_NEXT, #name))

#define WRITE(name, off_type)                                                     \
    ssize_t name(int fd, const void *data, size_t size, off_type at) {            \
        ssize_t (*real)(int, const void *, size_t, off_type) =                    \
            REAL(ssize_t, name, int, const void *, size_t, off_type);             \
        int hit = now();                                                          \
        if (full()) { errno = ENOSPC; return -1; }                                \
        if (hit && how == BEFORE) die();                                          \
        if (hit && how == HALF) { real(fd, data, size / 2, at); die(); }          \
        ssize_t done = real(fd, data, size, at);                                  \
        if (hit) die();                                                           \
        return done;                                                              \
    }

#define PLAIN(name, params, args, ...)                                            \
    int name params {                                                             \
        int (*real)(__VA_ARGS__) = REAL(int, name, __VA_ARGS__);                  \
        int hit = now();                                                          \
        if (hit && how != AFTER && how != NO_ROOM) die();                         \
        int done = real args;                                                     \
        if (hit && how == AFTER) die();                                           \
        return done;                                                              \
    }

WRITE(pwrite, off_t)
WRITE(pwrite64, off64_t)
PLAIN(fsync, (int fd), (fd), int)
PLAIN(fdatasync, (int fd), (fd), int)
PLAIN(ftruncate, (int fd, off_t size), (fd, size), int, off_t)
PLAIN(ftruncate64, (int fd, off64_t size), (fd, size), int, off64_t)
PLAIN(unlink, (const char *path), (path), const char *)
PLAIN(rename, (const char *from, const char *to), (from, to), const char *, const char *)
