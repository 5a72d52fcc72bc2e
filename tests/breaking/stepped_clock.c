/* A wall clock that is wrong by as many seconds as the file named in WRONG_BY holds; read at each
   look. Clocks that only go forth are left alone. Preloaded into the service by the tests. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdlib.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static long wrong_by(void)
{
    char text[32] = "";
    int file = open(getenv("WRONG_BY"), O_RDONLY | O_CLOEXEC);
    if (file < 0)
        return 0;
    if (read(file, text, sizeof text - 1) < 0)
        text[0] = 0;
    close(file);
    return atol(text);
}

int clock_gettime(clockid_t clock, struct timespec *found)
{
    static int (*next)(clockid_t, struct timespec *);
    if (!next)
        next = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
    int code = next(clock, found);
    if (!code && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE))
        found->tv_sec += wrong_by();
    return code;
}

int gettimeofday(struct timeval *restrict found, void *restrict zone)
{
    struct timespec now;
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &now);
    found->tv_sec = now.tv_sec;
    found->tv_usec = now.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *found)
{
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (found)
        *found = now.tv_sec;
    return now.tv_sec;
}
