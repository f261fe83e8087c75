/* A faulty file layer: loaded before a process, it counts the writes to files whose name holds
 * CUT_NAME and at write number CUT_AT does what CUT_HOW says: "kill" writes half of the bytes and
 * ends the process on the spot, "full" fails this write and all that follow with ENOSPC. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

static long count;

static int ours(int fd) {
    char link[64], path[4096];
    const char *name = getenv("CUT_NAME");
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length < 0 || name == NULL) return 0;
    path[length] = 0;
    return strstr(path, name) != NULL;
}

/* 0: go on; -1: fail; otherwise die after `size` / 2 bytes. */
static int verdict(int fd) {
    if (!ours(fd)) return 0;
    const char *at = getenv("CUT_AT"), *how = getenv("CUT_HOW");
    long number = ++count;
    if (at == NULL || number < atol(at)) return 0;
    return how != NULL && strcmp(how, "full") == 0 ? -1 : 1;
}

#define CUT(NAME, OFFSET)                                                        \
    ssize_t NAME(int fd, const void *data, size_t size, OFFSET offset) {         \
        static ssize_t (*real)(int, const void *, size_t, OFFSET);               \
        if (real == NULL) *(void **)&real = dlsym(RTLD_NEXT, #NAME);             \
        int what = verdict(fd);                                                  \
        if (what < 0) { errno = ENOSPC; return -1; }                             \
        if (what > 0) { real(fd, data, size / 2, offset); _exit(9); }            \
        return real(fd, data, size, offset);                                     \
    }
CUT(pwrite, off_t)
CUT(pwrite64, off64_t)

ssize_t write(int fd, const void *data, size_t size) {
    static ssize_t (*real)(int, const void *, size_t);
    if (real == NULL) *(void **)&real = dlsym(RTLD_NEXT, "write");
    int what = verdict(fd);
    if (what < 0) { errno = ENOSPC; return -1; }
    if (what > 0) { real(fd, data, size / 2); _exit(9); }
    return real(fd, data, size);
}
