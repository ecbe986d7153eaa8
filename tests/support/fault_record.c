/* Record what a process does to the files of one folder: preload with RECORD_UNDER=folder/ and RECORD_TO=file.
 *
 * One record an operation: a kind, 8 bytes offset, 4 bytes length of the path, 4 bytes length of the data, path, data.
 * W wrote data at offset; T truncated to offset; S synced; U unlinked. The file of the record is no part of it.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <sys/types.h>
#include <unistd.h>

static pthread_mutex_t turn = PTHREAD_MUTEX_INITIALIZER;
static int record_fd = -1;

static void put(const void *data, size_t size) {
    const char *at = data;
    while (size > 0) {
        ssize_t done = syscall(SYS_write, record_fd, at, size);
        if (done <= 0)
            abort();
        at += done;
        size -= (size_t)done;
    }
}

static void note(char kind, const char *path, int64_t offset, const void *data, uint32_t size) {
    const char *under = getenv("RECORD_UNDER"), *to = getenv("RECORD_TO");
    if (under == NULL || to == NULL || strncmp(path, under, strlen(under)) != 0)
        return;
    pthread_mutex_lock(&turn);
    if (record_fd < 0)
        record_fd = (int)syscall(SYS_openat, AT_FDCWD, to, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    uint32_t length = (uint32_t)strlen(path);
    put(&kind, 1);
    put(&offset, sizeof offset);
    put(&length, sizeof length);
    put(&size, sizeof size);
    put(path, length);
    put(data, size);
    pthread_mutex_unlock(&turn);
}

static void note_fd(char kind, int fd, int64_t offset, const void *data, uint32_t size) {
    char link[64], path[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length <= 0)
        return;
    path[length] = 0;
    note(kind, path, offset, data, size);
}

ssize_t pwrite64(int fd, const void *data, size_t size, off64_t offset) {
    ssize_t done = syscall(SYS_pwrite64, fd, data, size, offset);
    if (done > 0)
        note_fd('W', fd, offset, data, (uint32_t)done);
    return done;
}

ssize_t pwrite(int fd, const void *data, size_t size, off_t offset) { return pwrite64(fd, data, size, offset); }

ssize_t write(int fd, const void *data, size_t size) {
    int64_t offset = lseek(fd, 0, SEEK_CUR);
    ssize_t done = syscall(SYS_write, fd, data, size);
    if (done > 0 && offset >= 0)
        note_fd('W', fd, offset, data, (uint32_t)done);
    return done;
}

int ftruncate64(int fd, off64_t size) {
    int failed = (int)syscall(SYS_ftruncate, fd, size);
    if (!failed)
        note_fd('T', fd, size, "", 0);
    return failed;
}

int ftruncate(int fd, off_t size) { return ftruncate64(fd, size); }

int fdatasync(int fd) {
    int failed = (int)syscall(SYS_fdatasync, fd);
    if (!failed)
        note_fd('S', fd, 0, "", 0);
    return failed;
}

int fsync(int fd) {
    int failed = (int)syscall(SYS_fsync, fd);
    if (!failed)
        note_fd('S', fd, 0, "", 0);
    return failed;
}

int unlink(const char *path) {
    int failed = (int)syscall(SYS_unlinkat, AT_FDCWD, path, 0);
    if (!failed)
        note('U', path, 0, "", 0);
    return failed;
}
