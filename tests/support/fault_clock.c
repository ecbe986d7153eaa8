/* Step the wall clock of a process while it runs: preload with STEP_FILE=file, which holds an int64, nanoseconds.
 *
 * Only what asks for the wall clock is moved; the monotonic clock and all waiting stay real.
 */
#define _GNU_SOURCE
#include <fcntl.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static int64_t step_ns(void) {
    static volatile const int64_t *step = NULL;
    const char *path = getenv("STEP_FILE");
    if (step == NULL && path != NULL) {
        int fd = open(path, O_RDONLY | O_CLOEXEC);
        void *page = fd < 0 ? MAP_FAILED : mmap(NULL, sizeof(int64_t), PROT_READ, MAP_SHARED, fd, 0);
        if (fd >= 0)
            close(fd);
        if (page != MAP_FAILED)
            step = page;
    }
    return step == NULL ? 0 : *step;
}

int clock_gettime(clockid_t id, struct timespec *now) {
    int failed = (int)syscall(SYS_clock_gettime, id, now);
    if (failed || (id != CLOCK_REALTIME && id != CLOCK_REALTIME_COARSE))
        return failed;
    int64_t ns = (int64_t)now->tv_sec * 1000000000 + now->tv_nsec + step_ns();
    now->tv_sec = ns / 1000000000;
    now->tv_nsec = ns % 1000000000;
    if (now->tv_nsec < 0) {
        now->tv_sec -= 1;
        now->tv_nsec += 1000000000;
    }
    return 0;
}

int gettimeofday(struct timeval *now, void *zone) {
    (void)zone;
    struct timespec exact;
    int failed = clock_gettime(CLOCK_REALTIME, &exact);
    now->tv_sec = exact.tv_sec;
    now->tv_usec = exact.tv_nsec / 1000;
    return failed;
}

time_t time(time_t *into) {
    struct timespec exact;
    clock_gettime(CLOCK_REALTIME, &exact);
    if (into != NULL)
        *into = exact.tv_sec;
    return exact.tv_sec;
}
