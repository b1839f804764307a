/* Preloaded into a writing process: records, in order, what it writes to *.db and *.db-wal, when it syncs
 * them, and what it says on standard output, so that a test can make up what a power cut would have left.
 * Record: operation, file (0 store, 1 log, 2 standard output, 3 a socket), offset (of a socket: its number), length,
 * then the bytes. What is sent to sockets is recorded where POWERCUT_SENT is set. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <unistd.h>

enum { WRITE, SYNC, TRUNCATE };

static int ends(const char *text, const char *end) {
    size_t n = strlen(text), m = strlen(end);
    return n >= m && strcmp(text + n - m, end) == 0;
}

static int which(int fd) {
    char link[64], path[1024];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, sizeof path - 1);
    if (n < 0) return -1;
    path[n] = 0;
    return ends(path, ".db") ? 0 : ends(path, ".db-wal") ? 1 : -1;
}

static void record(uint32_t operation, uint32_t file, uint64_t offset, const void *bytes, uint64_t length) {
    static int out = -1;
    if (out < 0) out = open(getenv("POWERCUT_LOG"), O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    uint64_t head[3] = {(uint64_t)operation << 32 | file, offset, length};
    if (syscall(SYS_write, out, head, sizeof head) != sizeof head) abort();
    if (length && bytes && syscall(SYS_write, out, bytes, length) != (long)length) abort();
}

#define REAL(name) ({ static __typeof__(&name) real; if (!real) *(void **)&real = dlsym(RTLD_NEXT, #name); real; })

ssize_t pwrite64(int fd, const void *bytes, size_t length, off64_t offset) {
    ssize_t done = REAL(pwrite64)(fd, bytes, length, offset);
    int file = which(fd);
    if (file >= 0 && done > 0) record(WRITE, file, offset, bytes, done);
    return done;
}

ssize_t write(int fd, const void *bytes, size_t length) {
    ssize_t done = REAL(write)(fd, bytes, length);
    if (fd == 1 && done > 0) record(WRITE, 2, 0, bytes, done);
    return done;
}

ssize_t send(int fd, const void *bytes, size_t length, int flags) {
    ssize_t done = REAL(send)(fd, bytes, length, flags);
    if (done > 0 && getenv("POWERCUT_SENT")) record(WRITE, 3, fd, bytes, done);
    return done;
}

int fdatasync(int fd) {
    int done = REAL(fdatasync)(fd), file = which(fd);
    if (file >= 0 && done == 0) record(SYNC, file, 0, 0, 0);
    return done;
}

int fsync(int fd) {
    int done = REAL(fsync)(fd), file = which(fd);
    if (file >= 0 && done == 0) record(SYNC, file, 0, 0, 0);
    return done;
}

int ftruncate64(int fd, off64_t length) {
    int done = REAL(ftruncate64)(fd, length), file = which(fd);
    if (file >= 0 && done == 0) record(TRUNCATE, file, length, 0, 0);
    return done;
}
