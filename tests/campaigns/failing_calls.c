/* Preloaded into a test process: one call of the system fails on demand, as a disk or the memory
 * would make it fail. Disarmed, everything passes through. See fault_campaign.py. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

enum kind { NONE, WRITE, FSYNC, RENAME, LINK, OPEN, READ, MEMORY, ROOM };

static atomic_int armed = NONE, seen = 0;
static int first, times, code;
static char root[PATH_MAX];
static size_t smallest = 256; /* bytes: what is smaller is not counted as memory */

/* From now on: the `nth` call of `kind` below `folder`, and `more` calls after it, fail with `number`.
 * nth 0: none fails, they are only counted. */
void arm(int kind, int nth, int more, int number, const char *folder) {
    armed = NONE;
    seen = 0;
    first = nth, times = more, code = number;
    snprintf(root, sizeof root, "%s", folder);
    armed = kind;
}

/* Ends it; how many calls of that kind there were. */
int disarm(void) {
    armed = NONE;
    return seen;
}

static int fails(enum kind kind) {
    if (armed != (int)kind) return 0;
    int number = ++seen;
    if (!first || number < first || number > first + times) return 0;
    errno = code;
    return 1;
}

static int below(const char *path) {
    return path && !strncmp(path, root, strlen(root));
}

static int path_fails(enum kind kind, const char *path) {
    return armed == (int)kind && below(path) && fails(kind);
}

static int file_fails(enum kind kind, int fd) {
    if (armed != (int)kind) return 0;
    char name[32], path[PATH_MAX];
    snprintf(name, sizeof name, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(name, path, sizeof path - 1);
    if (n < 0) return 0;
    path[n] = 0;
    return below(path) && fails(kind);
}

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))
#define PASS(kind_of, result, name, parameters, arguments)              \
    result name parameters {                                            \
        static __typeof__(&name) real;                                  \
        if (!real) real = REAL(name);                                   \
        if (kind_of) return -1;                                         \
        return real arguments;                                          \
    }

PASS(file_fails(WRITE, fd), ssize_t, write, (int fd, const void *p, size_t n), (fd, p, n))
PASS(file_fails(WRITE, fd), ssize_t, pwrite, (int fd, const void *p, size_t n, off_t o), (fd, p, n, o))
PASS(file_fails(WRITE, fd), ssize_t, pwrite64, (int fd, const void *p, size_t n, off64_t o), (fd, p, n, o))
PASS(file_fails(WRITE, fd), ssize_t, writev, (int fd, const struct iovec *v, int n), (fd, v, n))
PASS(file_fails(WRITE, to), ssize_t, copy_file_range,
     (int from, off64_t *a, int to, off64_t *b, size_t n, unsigned f), (from, a, to, b, n, f))
PASS(file_fails(WRITE, to), ssize_t, sendfile64, (int to, int from, off64_t *o, size_t n), (to, from, o, n))
PASS(file_fails(WRITE, to), ssize_t, sendfile, (int to, int from, off_t *o, size_t n), (to, from, o, n))
PASS(file_fails(FSYNC, fd), int, fsync, (int fd), (fd))
PASS(file_fails(FSYNC, fd), int, fdatasync, (int fd), (fd))
PASS(path_fails(RENAME, b), int, rename, (const char *a, const char *b), (a, b))
PASS(path_fails(RENAME, b), int, renameat, (int f, const char *a, int t, const char *b), (f, a, t, b))
PASS(path_fails(RENAME, b), int, renameat2,
     (int f, const char *a, int t, const char *b, unsigned g), (f, a, t, b, g))
PASS(path_fails(LINK, b), int, link, (const char *a, const char *b), (a, b))
PASS(path_fails(LINK, b), int, linkat, (int f, const char *a, int t, const char *b, int g), (f, a, t, b, g))
PASS(path_fails(LINK, a), int, unlink, (const char *a), (a))
PASS(file_fails(READ, fd), ssize_t, read, (int fd, void *p, size_t n), (fd, p, n))
PASS(file_fails(READ, fd), ssize_t, pread, (int fd, void *p, size_t n, off_t o), (fd, p, n, o))
PASS(file_fails(READ, fd), ssize_t, pread64, (int fd, void *p, size_t n, off64_t o), (fd, p, n, o))
PASS(file_fails(ROOM, fd), int, ftruncate, (int fd, off_t n), (fd, n))
PASS(file_fails(ROOM, fd), int, ftruncate64, (int fd, off64_t n), (fd, n))

int posix_fallocate(int fd, off_t o, off_t n) { /* gives the number, does not set it */
    static __typeof__(&posix_fallocate) real;
    if (!real) real = REAL(posix_fallocate);
    return file_fails(ROOM, fd) ? code : real(fd, o, n);
}
int posix_fallocate64(int fd, off64_t o, off64_t n) {
    static __typeof__(&posix_fallocate64) real;
    if (!real) real = REAL(posix_fallocate64);
    return file_fails(ROOM, fd) ? code : real(fd, o, n);
}

#define OPENING(name, before, given)                                    \
    int name(before const char *path, int flags, ...) {                 \
        static int (*real)(before const char *, int, ...);              \
        if (!real) real = (__typeof__(real))dlsym(RTLD_NEXT, #name);    \
        va_list rest;                                                   \
        va_start(rest, flags);                                          \
        mode_t mode = va_arg(rest, mode_t);                             \
        va_end(rest);                                                   \
        if (path_fails(OPEN, path)) return -1;                          \
        return real(given path, flags, mode);                           \
    }
#define FOLDER int folder,
#define FIRST folder,
OPENING(open, , )
OPENING(open64, , )
OPENING(openat, FOLDER, FIRST)
OPENING(openat64, FOLDER, FIRST)

void *__libc_malloc(size_t), *__libc_calloc(size_t, size_t), *__libc_realloc(void *, size_t);
void *__libc_memalign(size_t, size_t);

static int too_much(size_t n) {
    return armed == MEMORY && n >= smallest && fails(MEMORY);
}
void *malloc(size_t n) { return too_much(n) ? NULL : __libc_malloc(n); }
void *calloc(size_t a, size_t b) { return too_much(a * b) ? NULL : __libc_calloc(a, b); }
void *realloc(void *p, size_t n) { return too_much(n) ? NULL : __libc_realloc(p, n); }
int posix_memalign(void **p, size_t a, size_t n) {
    if (too_much(n)) return ENOMEM;
    void *got = __libc_memalign(a, n);
    if (!got) return ENOMEM;
    *p = got;
    return 0;
}
